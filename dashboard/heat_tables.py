"""The tables of one heat, as a page shows them, for spreadsheets and programs: times in s, lengths in mm."""

from __future__ import annotations

from typing import TYPE_CHECKING

from dashboard.heat_form import MADE, kept_words
from dashboard.stored import facts_of, iso
from dashboard.units import Units
from dashboard.wall_compare import walls_beside
from dashboard.wall_words import wall_json
from logger.records import correctable_fields, in_force, value_of
from thermal.fields import InputError

if TYPE_CHECKING:
    from dashboard.stored_review import Told
    from logger.heat_export import StoredHeat
    from logger.records import HeatRecord
    from logger.store import Store

#: Names of the tables, as a command and a page ask for them.
TABLES = ("entries", "marks", "corrections", "walls", "causes", "pull")
_LONGEST = 4000
Row = tuple[object, ...]
Table = tuple[tuple[str, ...], list[Row]]
_WALL_HEADS = ("place", "level_mm", "wall_mm", "earlier_parts", "least_mm", "median_mm", "most_mm", "thinner_than_all")


def table_of(kept: Store, number: int, name: str, units: Units) -> Table:
    """A table of a heat by its name of `TABLES`: heads with units, rows of plain values; the heat's number first.

    Args:
        units: of what is words: causes and the state at the pull.

    Raises:
        InputError: no such heat or table, or what a review says of a heat that was not reviewed.
    """
    if name not in TABLES:
        raise InputError(f"table {name[:40]!r}: expected one of {', '.join(TABLES)}")
    record = kept.heat(number)
    if name == "walls":
        heads, rows = _walls(kept, record)
    elif name in ("causes", "pull"):
        from dashboard.stored_review import told  # with all of a review behind it: half a second

        found = told(kept.kept_review(record.id), units)
        if found is None:
            raise InputError(f"heat {number} is not reviewed yet: open it on the page, or 'pullcue review {number}'")
        heads, rows = _causes(found) if name == "causes" else _pull(found)
    else:
        facts = facts_of(kept, record)
        make = {"entries": _entries, "marks": _marks, "corrections": _corrections}[name]
        heads, rows = make(facts, record)
    return ("heat", *heads), [(number, *row) for row in rows]


def _entries(facts: StoredHeat, record: HeatRecord) -> Table:
    """Every entry as it was recorded and as it reads now; long ones (plan, card, sensors) are in the heat file."""
    names = [one for one in correctable_fields() if one not in MADE]
    rows: list[Row] = []
    for name in names:
        before, now = value_of(facts.record, name), value_of(record, name)
        if before is not None or now is not None:
            rows.append((name, _cell(before), _cell(now)))
    return ("entry", "as_recorded", "now"), rows


def _cell(value: object) -> object:
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, (list, tuple)):
        return " x ".join(f"{side:g}" for side in value)
    return value


def _marks(facts: StoredHeat, record: HeatRecord) -> Table:
    standing = {mark.id for mark in in_force(facts.marks)}
    rows: list[Row] = [
        (round(mark.at_s - record.start_s, 3), iso(mark.utc_ms), mark.name, mark.by, mark.note, mark.source,
         "yes" if mark.id in standing else "no")
        for mark in facts.marks if mark.undoes is None
    ]  # fmt: skip
    return ("time_s", "utc", "mark", "by", "note", "source", "in_force"), rows


def _corrections(facts: StoredHeat, record: HeatRecord) -> Table:
    rows: list[Row] = [
        (iso(one.at_utc_ms), one.who, one.field, kept_words(one.old, _LONGEST), kept_words(one.new, _LONGEST), one.why)
        for one in facts.corrections
    ]
    return ("utc", "who", "entry", "old", "new", "why"), rows


def _walls(kept: Store, record: HeatRecord) -> Table:
    rows: list[Row] = []
    for one in walls_beside(kept, record):
        table = wall_json(one)
        rows.append(tuple(_cell(table[name]) for name in _WALL_HEADS))
    return _WALL_HEADS, rows


def _causes(found: Told) -> Table:
    rows: list[Row] = [
        (round(cause.probability, 4), cause.kind, cause.of, cause.size, title, evidence)
        for cause, (_, title, evidence) in zip(found.findings, found.listed, strict=False)  # listed: the first of them
    ]
    return ("probability", "kind", "of", "size", "cause", "evidence"), rows


def _pull(found: Told) -> Table:
    return ("what", "value"), list(found.state)
