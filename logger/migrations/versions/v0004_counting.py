"""Version 4: what trends count is counted within two indexes, without reading the texts of heats and reviews."""

from __future__ import annotations

from alembic import op

revision = "0004"
down_revision = "0003"

_INDEXES = (
    "heat_search_counted ON heat_search (oven, polymer, gauge_mm, outcome_kind, initials, outcome, state, "
    "start_utc_ms, number)",
    "heat_reviews_margins ON heat_reviews (version, number, above_low_k, above_k, above_high_k)",
)


def upgrade() -> None:
    """From version 3."""
    for words in _INDEXES:
        op.execute(f"CREATE INDEX {words}")
