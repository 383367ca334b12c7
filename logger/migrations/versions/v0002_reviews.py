"""Version 2: lists can be filtered by gauge, kind of failure and operator; what a review found is kept beside a heat.

The search rows are made anew by the program that takes the step (`logger.engine.migrate`), in its transaction.
"""

from __future__ import annotations

from alembic import op

revision = "0002"
down_revision = "0001"

_TABLES = """
DROP TABLE heat_search;
CREATE TABLE heat_search (
    start_utc_ms {whole} NOT NULL,
    number {whole} NOT NULL UNIQUE REFERENCES heats (number),
    bench TEXT NOT NULL,
    oven TEXT,
    polymer TEXT,
    outcome TEXT,
    state TEXT NOT NULL,
    words TEXT NOT NULL,
    gauge_mm {number},
    outcome_kind TEXT,
    initials TEXT,
    PRIMARY KEY (start_utc_ms, number)
) {clustered};
CREATE INDEX heat_search_oven ON heat_search (oven, start_utc_ms);
CREATE INDEX heat_search_polymer ON heat_search (polymer, start_utc_ms);
CREATE INDEX heat_search_outcome ON heat_search (outcome, start_utc_ms);
CREATE TABLE heat_reviews (
    number {whole} NOT NULL PRIMARY KEY REFERENCES heats (number),
    version {whole} NOT NULL,
    above_low_k {number},
    above_k {number},
    above_high_k {number},
    content TEXT NOT NULL
) {strict}
"""
_WORDS = {
    "sqlite": {"whole": "INTEGER", "number": "REAL", "strict": "STRICT", "clustered": "WITHOUT ROWID, STRICT"},
    "postgresql": {"whole": "BIGINT", "number": "DOUBLE PRECISION", "strict": "", "clustered": ""},
}


def upgrade() -> None:
    """From version 1."""
    for statement in _TABLES.format(**_WORDS[op.get_bind().dialect.name]).split(";"):
        op.execute(statement.strip())
