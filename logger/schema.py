"""Tables of the store, one schema for SQLite and PostgreSQL.

These describe the newest version for queries; how a database gets there is in `logger/migrations`, and a test compares
the two.
"""

from __future__ import annotations

from sqlalchemy import (
    BigInteger,
    CheckConstraint,
    Column,
    Double,
    ForeignKey,
    Index,
    Integer,
    LargeBinary,
    MetaData,
    Table,
    Text,
    UniqueConstraint,
)
from sqlalchemy.dialects import sqlite
from sqlalchemy.schema import SchemaItem

#: STRICT tables of SQLite know INTEGER, REAL, TEXT and BLOB only; PostgreSQL needs 64 bits said.
WHOLE = BigInteger().with_variant(Integer(), "sqlite")
NUMBER: Double[float] = Double().with_variant(sqlite.REAL(), "sqlite")

metadata = MetaData()


def _table(name: str, *parts: SchemaItem, rowid: bool = True) -> Table:
    return Table(name, metadata, *parts, sqlite_strict=True, sqlite_with_rowid=rowid)


def _seq() -> Column[int]:
    return Column("seq", WHOLE, primary_key=True)


def _to(name: str, target: str) -> Column[int]:
    return Column(name, WHOLE, ForeignKey(target), nullable=False)


def _text(name: str, unique: bool = False) -> Column[str]:
    return Column(name, Text, nullable=False, unique=unique)


def _whole(name: str) -> Column[int]:
    return Column(name, WHOLE, nullable=False)


def _number(name: str) -> Column[float]:
    return Column(name, NUMBER, nullable=False)


runs = _table(
    "runs",
    _seq(),
    _text("id", unique=True),
    _text("bench"),
    _whole("started_utc_ms"),
    _text("zone"),
    _text("software"),
    Column("ended_utc_ms", WHOLE),
    _text("how"),
    CheckConstraint("how IN ('open', 'ended', 'interrupted')", name="runs_how"),
)
#: Names of the columns of blocks, a JSON list each, kept once.
column_sets = _table("column_sets", _seq(), _text("names", unique=True))
blocks = _table(
    "blocks",
    _seq(),
    _to("run", "runs.seq"),
    _whole("second"),
    _whole("utc_ms"),
    _to("columns", "column_sets.seq"),
    Column("data", LargeBinary, nullable=False),
    UniqueConstraint("run", "second", name="blocks_key"),
)
marks = _table(
    "marks",
    _seq(),
    _text("id", unique=True),
    _to("run", "runs.seq"),
    _number("at_s"),
    _whole("utc_ms"),
    _text("name"),
    _text("made_by"),
    _text("note"),
    _text("source"),
    Column("undoes", Text),
    Index("marks_when", "run", "at_s"),
    Index("marks_undoes", "undoes"),
)
heats = _table(
    "heats",
    Column("number", WHOLE, primary_key=True, autoincrement=False),
    _text("id", unique=True),
    _to("run", "runs.seq"),
    _number("start_s"),
    _whole("start_utc_ms"),
    Column("end_s", NUMBER),
    _text("state"),
    Column("outcome", Text),
    Column("outcome_kind", Text),
    _text("form"),
    CheckConstraint("state IN ('open', 'finished', 'aborted', 'interrupted')", name="heats_state"),
    CheckConstraint("state = 'open' OR end_s IS NOT NULL", name="heats_end"),
    Index("heats_when", "run", "start_s"),
)
start_moves = _table(
    "start_moves",
    _seq(),
    _to("heat", "heats.number"),
    _number("old_start_s"),
    _number("new_start_s"),
    _text("who"),
    _text("why"),
    Index("start_moves_heat", "heat"),
)
corrections = _table(
    "corrections",
    _seq(),
    _text("id", unique=True),
    _to("heat", "heats.number"),
    _whole("at_utc_ms"),
    _text("who"),
    _text("why"),
    _text("field"),
    _text("old"),
    _text("new"),
    Index("corrections_heat", "heat"),
)
attachments = _table(
    "attachments",
    _seq(),
    _text("id", unique=True),
    _to("heat", "heats.number"),
    _text("name"),
    _text("media_type"),
    Column("content", LargeBinary, nullable=False),
    Index("attachments_heat", "heat"),
)
#: The chain of what is final, from 1 without gaps. `ref`: heat number, id of a correction, attachment or mark, or
#: 'run id:second' of a block.
chain = _table(
    "chain",
    Column("seq", WHOLE, primary_key=True, autoincrement=False),
    _text("kind"),
    _text("ref"),
    _text("content"),
    _text("previous"),
    _text("hash"),
    UniqueConstraint("kind", "ref", name="chain_ref"),
    CheckConstraint("kind IN ('heat', 'correction', 'attachment', 'mark', 'block')", name="chain_kind"),
)
#: Heats as they read after corrections, narrow and in order of time: what lists and searches read. Derived, may change.
#: `above_k` is that of `heat_reviews`, for the order by it.
heat_search = _table(
    "heat_search",
    Column("start_utc_ms", WHOLE, primary_key=True),
    Column("number", WHOLE, ForeignKey("heats.number"), primary_key=True, unique=True),
    _text("bench"),
    Column("oven", Text),
    Column("polymer", Text),
    Column("outcome", Text),
    _text("state"),
    _text("words"),
    Column("gauge_mm", NUMBER),
    Column("outcome_kind", Text),
    Column("initials", Text),
    Column("above_k", NUMBER),
    rowid=False,
)
for _sorted in ("oven", "polymer", "gauge_mm", "outcome", "above_k"):
    _columns = heat_search.c
    _then = (_columns.start_utc_ms.desc(), _columns.number.desc())
    Index(f"heat_search_{_sorted}_up", _columns[_sorted], *_then)
    Index(f"heat_search_{_sorted}_down", _columns[_sorted].desc().nulls_last(), *_then)
#: What a review found in a heat, so that trends need not review it again. Derived: made anew at any time, in no link.
heat_reviews = _table(
    "heat_reviews",
    Column("number", WHOLE, ForeignKey("heats.number"), primary_key=True, autoincrement=False),
    _whole("version"),
    Column("above_low_k", NUMBER),
    Column("above_k", NUMBER),
    Column("above_high_k", NUMBER),
    _text("content"),
)
# What trends count stands in one index of each table, so that no text is read for it.
_counted = ("oven", "polymer", "gauge_mm", "outcome_kind", "initials", "outcome", "state", "start_utc_ms", "number")
Index("heat_search_counted", *(heat_search.c[name] for name in _counted))
_margins = ("version", "number", "above_low_k", "above_k", "above_high_k")
Index("heat_reviews_margins", *(heat_reviews.c[name] for name in _margins))
holders = _table(
    "holders",
    Column("bench", Text, primary_key=True),
    _text("token"),
    _text("host"),
    _whole("pid"),
    _text("process"),
    _whole("since_utc_ms"),
    _whole("beat_utc_ms"),
    rowid=False,
)
backups = _table("backups", _seq(), _whole("at_utc_ms"), _text("path"))

#: Tables whose rows are what was recorded, parents first; `heat_search` and `heat_reviews` are made from them,
#: `holders` is of the moment.
RECORDED: tuple[Table, ...] = (
    runs,
    column_sets,
    blocks,
    marks,
    heats,
    start_moves,
    corrections,
    attachments,
    chain,
    backups,
)
#: Columns that count up by themselves, (table, column); heat numbers and links are counted by the store.
COUNTED: tuple[tuple[str, str], ...] = tuple(
    (table.name, "seq") for table in RECORDED if table.name not in ("heats", "chain")
)
