"""Version 1: runs, seconds of samples, marks, heats, what was added to them, and the chain over what is final."""

from __future__ import annotations

from alembic import op

revision = "0001"
down_revision = None

_TABLES = """
CREATE TABLE runs (
    seq {counted},
    id TEXT NOT NULL UNIQUE,
    bench TEXT NOT NULL,
    started_utc_ms {whole} NOT NULL,
    zone TEXT NOT NULL,
    software TEXT NOT NULL,
    ended_utc_ms {whole},
    how TEXT NOT NULL,
    CONSTRAINT runs_how CHECK (how IN ('open', 'ended', 'interrupted'))
) {strict};
CREATE TABLE column_sets (
    seq {counted},
    names TEXT NOT NULL UNIQUE
) {strict};
CREATE TABLE blocks (
    seq {counted},
    run {whole} NOT NULL REFERENCES runs (seq),
    second {whole} NOT NULL,
    utc_ms {whole} NOT NULL,
    columns {whole} NOT NULL REFERENCES column_sets (seq),
    data {bytes} NOT NULL,
    CONSTRAINT blocks_key UNIQUE (run, second)
) {strict};
CREATE TABLE marks (
    seq {counted},
    id TEXT NOT NULL UNIQUE,
    run {whole} NOT NULL REFERENCES runs (seq),
    at_s {number} NOT NULL,
    utc_ms {whole} NOT NULL,
    name TEXT NOT NULL,
    made_by TEXT NOT NULL,
    note TEXT NOT NULL,
    source TEXT NOT NULL,
    undoes TEXT
) {strict};
CREATE INDEX marks_when ON marks (run, at_s);
CREATE INDEX marks_undoes ON marks (undoes);
CREATE TABLE heats (
    number {whole} NOT NULL PRIMARY KEY,
    id TEXT NOT NULL UNIQUE,
    run {whole} NOT NULL REFERENCES runs (seq),
    start_s {number} NOT NULL,
    start_utc_ms {whole} NOT NULL,
    end_s {number},
    state TEXT NOT NULL,
    outcome TEXT,
    outcome_kind TEXT,
    form TEXT NOT NULL,
    CONSTRAINT heats_state CHECK (state IN ('open', 'finished', 'aborted', 'interrupted')),
    CONSTRAINT heats_end CHECK (state = 'open' OR end_s IS NOT NULL)
) {strict};
CREATE INDEX heats_when ON heats (run, start_s);
CREATE TABLE start_moves (
    seq {counted},
    heat {whole} NOT NULL REFERENCES heats (number),
    old_start_s {number} NOT NULL,
    new_start_s {number} NOT NULL,
    who TEXT NOT NULL,
    why TEXT NOT NULL
) {strict};
CREATE INDEX start_moves_heat ON start_moves (heat);
CREATE TABLE corrections (
    seq {counted},
    id TEXT NOT NULL UNIQUE,
    heat {whole} NOT NULL REFERENCES heats (number),
    at_utc_ms {whole} NOT NULL,
    who TEXT NOT NULL,
    why TEXT NOT NULL,
    field TEXT NOT NULL,
    old TEXT NOT NULL,
    new TEXT NOT NULL
) {strict};
CREATE INDEX corrections_heat ON corrections (heat);
CREATE TABLE attachments (
    seq {counted},
    id TEXT NOT NULL UNIQUE,
    heat {whole} NOT NULL REFERENCES heats (number),
    name TEXT NOT NULL,
    media_type TEXT NOT NULL,
    content {bytes} NOT NULL
) {strict};
CREATE INDEX attachments_heat ON attachments (heat);
CREATE TABLE chain (
    seq {whole} NOT NULL PRIMARY KEY,
    kind TEXT NOT NULL,
    ref TEXT NOT NULL,
    content TEXT NOT NULL,
    previous TEXT NOT NULL,
    hash TEXT NOT NULL,
    CONSTRAINT chain_ref UNIQUE (kind, ref),
    CONSTRAINT chain_kind CHECK (kind IN ('heat', 'correction', 'attachment', 'mark', 'block'))
) {strict};
CREATE TABLE heat_search (
    start_utc_ms {whole} NOT NULL,
    number {whole} NOT NULL UNIQUE REFERENCES heats (number),
    bench TEXT NOT NULL,
    oven TEXT,
    polymer TEXT,
    outcome TEXT,
    state TEXT NOT NULL,
    words TEXT NOT NULL,
    PRIMARY KEY (start_utc_ms, number)
) {clustered};
CREATE TABLE holders (
    bench TEXT NOT NULL PRIMARY KEY,
    token TEXT NOT NULL,
    host TEXT NOT NULL,
    pid {whole} NOT NULL,
    process TEXT NOT NULL,
    since_utc_ms {whole} NOT NULL,
    beat_utc_ms {whole} NOT NULL
) {clustered};
CREATE TABLE backups (
    seq {counted},
    at_utc_ms {whole} NOT NULL,
    path TEXT NOT NULL
) {strict}
"""
_WORDS = {
    "sqlite": {
        "counted": "INTEGER NOT NULL PRIMARY KEY",
        "whole": "INTEGER",
        "number": "REAL",
        "bytes": "BLOB",
        "strict": "STRICT",
        "clustered": "WITHOUT ROWID, STRICT",
    },
    "postgresql": {
        "counted": "BIGSERIAL NOT NULL PRIMARY KEY",
        "whole": "BIGINT",
        "number": "DOUBLE PRECISION",
        "bytes": "BYTEA",
        "strict": "",
        "clustered": "",
    },
}
_FOR_EVER = ("column_sets", "marks", "start_moves", "corrections", "attachments", "chain", "backups")
#: (table, what is done to it, when it is refused, what is said). 30 minutes before a start stay whole; a block begins
#: at most a second before its last sample.
_REFUSED = (
    *((table, "UPDATE", "TRUE", f"{table}: what is recorded is never changed") for table in (*_FOR_EVER, "blocks")),
    *(
        (table, "DELETE", "TRUE", f"{table}: what is recorded is never deleted")
        for table in (*_FOR_EVER, "heats", "runs")
    ),
    (
        "blocks",
        "DELETE",
        "EXISTS (SELECT 1 FROM heats WHERE heats.run = OLD.run AND OLD.second >= heats.start_s - 1801.0 "
        "AND (heats.end_s IS NULL OR OLD.second <= heats.end_s))",
        "blocks: samples of a heat, and of the 30 minutes before it, are never deleted",
    ),
    (
        "heats",
        "UPDATE",
        "OLD.state <> 'open' OR NEW.number <> OLD.number OR NEW.id <> OLD.id OR NEW.run <> OLD.run",
        "heats: a heat that has ended is never changed",
    ),
    (
        "runs",
        "UPDATE",
        "OLD.how <> 'open' OR NEW.seq <> OLD.seq OR NEW.id <> OLD.id OR NEW.bench <> OLD.bench",
        "runs: a run that has ended is never changed",
    ),
)


def _refuse_in_sqlite(table: str, done: str, when: str, said: str) -> None:
    op.execute(
        f"CREATE TRIGGER {table}_{done.lower()} BEFORE {done} ON {table} WHEN {when} "
        f"BEGIN SELECT RAISE(ABORT, '{said}'); END"
    )


def _refuse_in_postgresql(table: str, done: str, when: str, said: str) -> None:
    name = f"{table}_{done.lower()}"
    kept = "NEW" if done == "UPDATE" else "OLD"
    op.execute(
        f"CREATE FUNCTION {name}() RETURNS trigger LANGUAGE plpgsql AS $$ BEGIN "
        f"IF {when} THEN RAISE EXCEPTION '{said}' USING ERRCODE = 'integrity_constraint_violation'; END IF; "
        f"RETURN {kept}; END $$"
    )
    op.execute(f"CREATE TRIGGER {name} BEFORE {done} ON {table} FOR EACH ROW EXECUTE FUNCTION {name}()")


def _refuse_emptying() -> None:
    op.execute(
        "CREATE FUNCTION never_emptied() RETURNS trigger LANGUAGE plpgsql AS $$ BEGIN "
        "RAISE EXCEPTION 'what is recorded is never deleted' USING ERRCODE = 'integrity_constraint_violation'; "
        "END $$"
    )
    for table in (*_FOR_EVER, "heats", "runs", "blocks"):
        op.execute(
            f"CREATE TRIGGER {table}_truncate BEFORE TRUNCATE ON {table} "
            "FOR EACH STATEMENT EXECUTE FUNCTION never_emptied()"
        )


def upgrade() -> None:
    """From an empty database."""
    dialect = op.get_bind().dialect.name
    for statement in _TABLES.format(**_WORDS[dialect]).split(";"):
        op.execute(statement.strip())
    refuse = _refuse_in_sqlite if dialect == "sqlite" else _refuse_in_postgresql
    for refusal in _REFUSED:
        refuse(*refusal)
    if dialect == "postgresql":
        _refuse_emptying()
