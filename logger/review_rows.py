"""What reviews found in heats, and heats counted for trends: rows of the store that are made from what is recorded.

Functions of a connection; `logger.store.Store` says what each does. None of it is a link of the chain: a review is an
opinion of one version of the program, and is made anew at any time.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray
from sqlalchemy import Connection, delete, func, insert, select, update

from logger.heat_rows import conditions
from logger.records import HeatFilter, HeatRecord
from logger.schema import chain, heat_reviews, heat_search
from thermal.fields import InputError

Array = NDArray[np.float64]
TallyBy = Literal["oven", "polymer", "gauge_mm", "initials", "outcome_kind", "period"]
#: In the order of their index.
COUNTED: tuple[TallyBy, ...] = ("oven", "polymer", "gauge_mm", "outcome_kind", "initials")
State = tuple[Any, ...]
#: Rows are taken as few at once as the interpreter lets go of before it looks for garbage: twice as quick as all.
_AT_ONCE = 500
#: Trends count by stretches of four weeks from 1970 on.
PERIOD_MS = 28 * 86_400_000


@dataclass(frozen=True)
class KeptReview:
    """What a review found.

    Attributes:
        version: of what is kept; another version's is made anew. above_low_k, above_k, above_high_k: the core's coldest
        point above the least it must have, at the pull, K: 5 %, median, 95 %; None where no pull is on record.
        content: JSON, the caller's business.
    """

    version: int
    above_low_k: float | None
    above_k: float | None
    above_high_k: float | None
    content: str


@dataclass(frozen=True)
class MarginColumns:  # of 100,000 heats: an object for each takes three times as long
    """The core's margin at the pull of several heats, in order of time, (n,) each.

    Attributes:
        numbers, outcomes: of the heats. above_k: median, K; half_k: half of its 90 % interval, K.
    """

    numbers: tuple[int, ...]
    outcomes: tuple[str | None, ...]
    above_k: Array
    half_k: Array


@dataclass(frozen=True)
class Tally:
    """How many heats have a value and an outcome; `value` None: not stated. Of 'period': ms since 1970
    at which it begins.
    """

    value: str | float | None
    outcome: str | None
    count: int


def keep(connection: Connection, record: HeatRecord, found: KeptReview) -> None:
    """Put what was found beside a heat."""
    if record.state == "open":
        raise InputError(f"heat {record.number} is open: expected one that has ended, to keep a review of")
    forget(connection, record.number)
    values = {"number": record.number, "version": found.version, "content": found.content}
    values |= {"above_low_k": found.above_low_k, "above_k": found.above_k, "above_high_k": found.above_high_k}
    connection.execute(insert(heat_reviews), values)
    _sort_by(connection, record.number, found.above_k)


def forget(connection: Connection, number: int) -> None:
    """Drop what was found: the heat reads otherwise now."""
    connection.execute(delete(heat_reviews).where(heat_reviews.c.number == number))
    _sort_by(connection, number, None)


def _sort_by(connection: Connection, number: int, above_k: float | None) -> None:
    connection.execute(update(heat_search).where(heat_search.c.number == number).values(above_k=above_k))


def kept(connection: Connection, number: int) -> KeptReview | None:
    """What was found in a heat."""
    return kept_of(connection, [number]).get(number)


def kept_of(connection: Connection, numbers: Sequence[int]) -> dict[int, KeptReview]:
    """What was found in some heats, a page of a table say, by number."""
    rows = connection.execute(select(heat_reviews).where(heat_reviews.c.number.in_(numbers)))
    return {
        row.number: KeptReview(row.version, row.above_low_k, row.above_k, row.above_high_k, row.content) for row in rows
    }


def missing(connection: Connection, wanted: HeatFilter, version: int) -> list[int]:
    """Ended heats of a filter without a review of this version, the newest first."""
    done = select(heat_reviews.c.number).where(heat_reviews.c.version == version)
    query = select(heat_search.c.number).where(
        *conditions(wanted), heat_search.c.state != "open", heat_search.c.number.not_in(done)
    )
    return list(connection.execute(query.order_by(heat_search.c.start_utc_ms.desc())).scalars())


def margins(connection: Connection, wanted: HeatFilter, version: int) -> MarginColumns:
    """Margins of reviewed heats of a filter."""
    table, found = heat_search.c, heat_reviews.c
    wide_k = found.above_high_k - found.above_low_k
    query = (
        select(table.number, table.outcome, found.above_k, wide_k)
        .join(heat_reviews, found.number == table.number)
        .where(*conditions(wanted), found.version == version, found.above_k.is_not(None))
        .order_by(table.start_utc_ms, table.number)
    )
    columns: tuple[list[Any], ...] = ([], [], [], [])
    for rows in connection.execute(query).partitions(_AT_ONCE):
        for column, values in zip(columns, zip(*rows, strict=True), strict=True):
            column.extend(values)
    numbers, outcomes, above_k, wide = columns
    return MarginColumns(tuple(numbers), tuple(outcomes), np.array(above_k, float), 0.5 * np.array(wide, float))


def tallies(connection: Connection, wanted: HeatFilter) -> dict[TallyBy, list[Tally]]:
    """Heats counted by each of `TallyBy`, in order of the value, from one pass over the index that was made for it."""
    table = heat_search.c
    asked = (*conditions(wanted), table.state != "open")
    columns = [table[name] for name in COUNTED]
    names: tuple[TallyBy, ...] = (*COUNTED, "period")
    counts: dict[TallyBy, Counter[tuple[Any, str | None]]] = {name: Counter() for name in names}
    query = select(*columns, table.outcome, func.count()).where(*asked).group_by(*columns, table.outcome)
    for *values, outcome, count in connection.execute(query):
        for name, value in zip(COUNTED, values, strict=True):
            counts[name][value, outcome] += count
    stretch: Any = (table.start_utc_ms // PERIOD_MS).label("stretch")
    periods = select(stretch, table.outcome, func.count()).where(*asked).group_by(stretch, table.outcome)
    for number, outcome, count in connection.execute(periods):
        counts["period"][int(number) * PERIOD_MS, outcome] += count
    return {name: _in_order(found) for name, found in counts.items()}


def _in_order(counts: Counter[tuple[Any, str | None]]) -> list[Tally]:
    found = [Tally(value, outcome, count) for (value, outcome), count in counts.items()]
    return sorted(found, key=lambda one: (one.value is None, str(type(one.value)), one.value or 0, one.outcome or ""))


def state_of_trends(connection: Connection, version: int) -> State:
    """What changes whenever trends do: the newest heat and link, and the reviews of a version with their margins."""
    found = heat_reviews.c
    reviews = select(func.count(), *(func.sum(found[name]) for name in ("above_low_k", "above_k", "above_high_k")))
    links = connection.execute(select(func.max(chain.c.seq))).scalar()
    newest = connection.execute(select(func.max(heat_search.c.number))).scalar()
    return links, newest, *connection.execute(reviews.where(found.version == version)).one()
