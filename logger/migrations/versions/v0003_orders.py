"""Version 3: every order of a list has an index, either way round; the margin of a review stands in the search rows.

An index serves the order that it was made for, and that one read backwards: heats that do not say what is sorted by
come last either way round, and among equals the newest first, so that each order needs two.
"""

from __future__ import annotations

from alembic import op

revision = "0003"
down_revision = "0002"

_COLUMNS = ("oven", "polymer", "gauge_mm", "outcome", "above_k")
_NUMBER = {"sqlite": "REAL", "postgresql": "DOUBLE PRECISION"}
#: SQLite takes what is not there as the least, so that it comes last of a falling order by itself.
_DOWN = {"sqlite": "DESC", "postgresql": "DESC NULLS LAST"}


def upgrade() -> None:
    """From version 2."""
    dialect = op.get_bind().dialect.name
    op.execute(f"ALTER TABLE heat_search ADD COLUMN above_k {_NUMBER[dialect]}")
    for column in ("oven", "polymer", "outcome"):
        op.execute(f"DROP INDEX heat_search_{column}")
    for column in _COLUMNS:
        for name, way in (("up", ""), ("down", _DOWN[dialect])):
            op.execute(
                f"CREATE INDEX heat_search_{column}_{name} ON heat_search "
                f"({column} {way}, start_utc_ms DESC, number DESC)"
            )
