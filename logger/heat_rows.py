"""Heats, marks and what was added to heats: between rows of the store and values."""

from __future__ import annotations

import json
import unicodedata
from collections.abc import Sequence
from typing import Any

from sqlalchemy import Connection, Integer, Select, delete, func, insert, select
from sqlalchemy.engine import Row
from sqlalchemy.ext.compiler import compiles
from sqlalchemy.sql.compiler import SQLCompiler
from sqlalchemy.sql.functions import FunctionElement

from logger.chain import canonical
from logger.records import Attachment, Correction, HeatFilter, HeatForm, HeatRecord, Mark, StartMove, corrected
from logger.schema import attachments, chain, corrections, heat_reviews, heat_search, heats, marks, runs, start_moves
from thermal.fields import InputError

_HEATS = (
    select(heats, runs.c.id.label("run_id"), runs.c.bench, chain.c.hash, chain.c.previous)
    .join(runs, runs.c.seq == heats.c.run)
    .outerjoin(chain, (chain.c.kind == "heat") & (chain.c.ref == heats.c.id))
)
#: Numbers of heats asked for at once: SQLite allows some 32,000 values in a statement.
_AT_ONCE = 500


def form_text(form: HeatForm) -> str:
    """A form as the store keeps it."""
    return canonical(form.as_table()).decode()


def _record(row: Row[Any]) -> HeatRecord:
    return HeatRecord(
        number=row.number,
        id=row.id,
        bench=row.bench,
        run=row.run_id,
        start_s=row.start_s,
        start_utc_ms=row.start_utc_ms,
        end_s=row.end_s,
        state=row.state,
        outcome=row.outcome,
        outcome_kind=row.outcome_kind,
        form=HeatForm.from_table(json.loads(row.form)),
        hash=row.hash,
        previous_hash=row.previous,
    )


def recorded(connection: Connection, key: int | str) -> HeatRecord:
    """A heat as it was recorded, by number or id.

    Raises:
        InputError: where there is none.
    """
    column: Any = heats.c.number if isinstance(key, int) else heats.c.id
    row = connection.execute(_HEATS.where(column == key)).one_or_none()
    if row is None:
        last = connection.execute(select(func.max(heats.c.number))).scalar()
        raise InputError(
            f"heat {key}: there is none; the store holds {f'heats up to {last}' if last else 'no heat yet'}"
        )
    return _record(row)


def corrections_of(connection: Connection, numbers: Sequence[int]) -> dict[int, list[Correction]]:
    """Corrections of some heats, by number, in their order."""
    found: dict[int, list[Correction]] = {}
    for first in range(0, len(numbers), _AT_ONCE):
        rows = connection.execute(
            select(corrections, heats.c.id.label("heat_id"))
            .join(heats, heats.c.number == corrections.c.heat)
            .where(corrections.c.heat.in_(numbers[first : first + _AT_ONCE]))
            .order_by(corrections.c.seq)
        )
        for row in rows:
            entry = Correction(row.id, row.heat_id, row.at_utc_ms, row.who, row.why, row.field, row.old, row.new)
            found.setdefault(row.heat, []).append(entry)
    return found


def now_reads(connection: Connection, record: HeatRecord) -> HeatRecord:
    """A heat after its corrections."""
    return corrected(record, corrections_of(connection, [record.number]).get(record.number, []))


def moves_of(connection: Connection, record: HeatRecord) -> list[StartMove]:
    """Moves of a heat's start, in their order."""
    rows = connection.execute(
        select(start_moves).where(start_moves.c.heat == record.number).order_by(start_moves.c.seq)
    )
    return [StartMove(record.id, row.old_start_s, row.new_start_s, row.who, row.why) for row in rows]


def attachments_of(connection: Connection, record: HeatRecord) -> list[Attachment]:
    """Files kept with a heat, by id."""
    rows = connection.execute(select(attachments).where(attachments.c.heat == record.number).order_by(attachments.c.id))
    return [Attachment(row.id, record.id, row.name, row.media_type, bytes(row.content)) for row in rows]


def files_of(connection: Connection, numbers: Sequence[int], media_type: str) -> dict[int, list[Attachment]]:
    """Files of one kind kept with some heats, by number; in order of their id."""
    found: dict[int, list[Attachment]] = {}
    for first in range(0, len(numbers), _AT_ONCE):
        rows = connection.execute(
            select(attachments, heats.c.id.label("heat_id"))
            .join(heats, heats.c.number == attachments.c.heat)
            .where(attachments.c.heat.in_(numbers[first : first + _AT_ONCE]), attachments.c.media_type == media_type)
            .order_by(attachments.c.id)
        )
        for row in rows:
            one = Attachment(row.id, row.heat_id, row.name, row.media_type, bytes(row.content))
            found.setdefault(row.heat, []).append(one)
    return found


_MARKS = select(marks, runs.c.id.label("run_id"), runs.c.bench).join(runs, runs.c.seq == marks.c.run)


def marks_by(connection: Connection, *conditions: Any) -> list[Mark]:
    """Marks under conditions, in order of time."""
    rows = connection.execute(_MARKS.where(*conditions).order_by(marks.c.at_s, marks.c.id))
    return [
        Mark(
            id=row.id,
            bench=row.bench,
            run=row.run_id,
            at_s=row.at_s,
            utc_ms=row.utc_ms,
            name=row.name,
            by=row.made_by,
            note=row.note,
            source=row.source,
            undoes=row.undoes,
        )
        for row in rows
    ]


def marks_between(connection: Connection, run_seq: int, from_s: float, to_s: float) -> list[Mark]:
    """Marks of a stretch, and those that take one of them back whenever that was; by time, then id."""
    inside = (marks.c.run == run_seq, marks.c.at_s >= from_s, marks.c.at_s <= to_s)
    ids = select(marks.c.id).where(*inside)
    first = marks_by(connection, *inside)
    undone = marks_by(connection, marks.c.undoes.in_(ids))
    every = {mark.id: mark for mark in (*first, *undone)}
    return sorted(every.values(), key=lambda mark: (mark.at_s, mark.id))


def folded(text: str) -> str:
    """A text in which case and composition of letters make no difference."""
    return unicodedata.normalize("NFC", unicodedata.normalize("NFC", text).casefold())


def search_row(record: HeatRecord, above_k: float | None = None) -> dict[str, Any]:
    """What lists and searches read of a heat; above_k: what its review found."""
    form = record.form
    words = (form.sheet_label, form.job_number, form.notes, form.initials)
    return {
        "start_utc_ms": record.start_utc_ms,
        "number": record.number,
        "bench": record.bench,
        "oven": form.oven,
        "polymer": form.polymer,
        "outcome": record.outcome,
        "state": record.state,
        "gauge_mm": None if form.gauge_mm is None else float(form.gauge_mm),
        "outcome_kind": record.outcome_kind,
        "initials": form.initials,
        "words": folded("\n".join(word for word in words if word)),
        "above_k": above_k,
    }


def index_heat(connection: Connection, number: int) -> None:
    """Bring the search row of a heat up to date."""
    connection.execute(delete(heat_search).where(heat_search.c.number == number))
    _index(connection, [number])


def _index(connection: Connection, numbers: Sequence[int]) -> None:
    found = select(heat_reviews.c.number, heat_reviews.c.above_k).where(heat_reviews.c.number.in_(numbers))
    margins = {row.number: row.above_k for row in connection.execute(found)}
    later = corrections_of(connection, numbers)
    rows = [
        search_row(corrected(record, later.get(number, ())), margins.get(number))
        for number, record in by_number(connection, numbers).items()
    ]
    if rows:
        connection.execute(insert(heat_search), rows)


#: Gauges that are asked for agree within this, mm.
_SAME_MM = 0.051


def conditions(wanted: HeatFilter) -> list[Any]:
    """What a filter asks of `heat_search`."""
    table = heat_search.c
    asked: list[Any] = [
        table[name] == getattr(wanted, name)
        for name in ("bench", "oven", "polymer", "outcome", "state", "initials")
        if getattr(wanted, name) is not None
    ]
    if wanted.gauge_mm is not None:
        asked.append(table.gauge_mm.between(wanted.gauge_mm - _SAME_MM, wanted.gauge_mm + _SAME_MM))
    if wanted.outcome_kind is not None:
        asked.append(table.outcome_kind.istartswith(wanted.outcome_kind, autoescape=True))
    if wanted.from_utc_ms is not None:
        asked.append(table.start_utc_ms >= wanted.from_utc_ms)
    if wanted.to_utc_ms is not None:
        asked.append(table.start_utc_ms < wanted.to_utc_ms)
    if wanted.text:
        asked.append(_Occurs(table.words, folded(wanted.text)) > 0)
    return asked


class _Occurs(FunctionElement[int]):
    """Where a text begins in another, from 1; 0: it is not in it. A third less work for PostgreSQL than LIKE."""

    inherit_cache = True
    type = Integer()


@compiles(_Occurs, "sqlite")
def _in_sqlite(element: _Occurs, compiler: SQLCompiler, **more: Any) -> str:
    return f"instr({compiler.process(element.clauses, **more)})"


@compiles(_Occurs, "postgresql")
def _in_postgresql(element: _Occurs, compiler: SQLCompiler, **more: Any) -> str:
    return f"strpos({compiler.process(element.clauses, **more)})"


def count(connection: Connection, wanted: HeatFilter, most: int | None = None) -> int:
    """How many heats a filter finds, whatever its limit; `most`: no further than that."""
    asked = conditions(wanted)
    if most is None:
        return connection.execute(select(func.count()).select_from(heat_search).where(*asked)).scalar_one()
    some = select(heat_search.c.number).where(*asked).limit(most).subquery()
    return connection.execute(select(func.count()).select_from(some)).scalar_one()


def _order(wanted: HeatFilter) -> tuple[Any, ...]:
    """Heats that do not say what is sorted by come last, either way round; among equals the newest first."""
    table = heat_search.c
    newest = (table.start_utc_ms.desc(), table.number.desc())
    if wanted.order == "newest":
        return newest
    if wanted.order == "oldest":
        return (table.start_utc_ms, table.number)
    if wanted.order == "number":
        return (table.number.desc() if wanted.backwards else table.number,)
    column: Any = {"oven": table.oven, "polymer": table.polymer, "gauge": table.gauge_mm, "outcome": table.outcome,
                   "margin": table.above_k}[wanted.order]  # fmt: skip
    return ((column.desc() if wanted.backwards else column).nulls_last(), *newest)


def numbers_query(wanted: HeatFilter) -> Select[int]:
    """Numbers of a filter's heats in its order; where it has no limit, its offset is the caller's."""
    query = select(heat_search.c.number).where(*conditions(wanted)).order_by(*_order(wanted))
    return query if wanted.limit is None else query.limit(wanted.limit).offset(wanted.offset)


def found(connection: Connection, wanted: HeatFilter, as_recorded: bool = False) -> list[HeatRecord]:
    """Heats of a filter, after their corrections or as recorded."""
    numbers = list(connection.execute(numbers_query(wanted)).scalars())
    if wanted.limit is None:
        numbers = numbers[wanted.offset :]
    records = by_number(connection, numbers)
    later = {} if as_recorded else corrections_of(connection, numbers)
    return [corrected(records[number], later.get(number, ())) for number in numbers]


def by_number(connection: Connection, numbers: Sequence[int]) -> dict[int, HeatRecord]:
    """Heats as recorded."""
    records: dict[int, HeatRecord] = {}
    for first in range(0, len(numbers), _AT_ONCE):
        rows = connection.execute(_HEATS.where(heats.c.number.in_(numbers[first : first + _AT_ONCE])))
        records.update({record.number: record for record in map(_record, rows)})
    return records


def index_all(connection: Connection) -> None:
    """Make the search rows anew."""
    connection.execute(delete(heat_search))
    numbers = connection.execute(select(heats.c.number).order_by(heats.c.number)).scalars().all()
    for first in range(0, len(numbers), _AT_ONCE):
        _index(connection, numbers[first : first + _AT_ONCE])
