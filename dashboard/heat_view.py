"""One stored heat as a page shows it: read quickly, its curve thinned; and several of them, aligned at the door."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from dashboard.stored import LONGEST_S, facts_of
from dashboard.wall_compare import Compared, compared, earlier_walls
from logger.bench import column_of
from logger.heat_export import StoredHeat, event_name
from logger.marks import FORM, START
from logger.reading import State
from logger.records import STATE_CODES, HeatRecord, Samples, in_force
from logger.review_rows import KeptReview
from logger.walls import walls_of
from thermal.fields import InputError

if TYPE_CHECKING:
    from logger.store import Store

Array = NDArray[np.float64]

#: What a curve may show, by the beginning of its column.
PLACES = ("air_upper", "air_lower", "face_upper", "face_lower", "core", "drop")
#: Pieces of which the least and the greatest value are kept: no spike and no door is lost by thinning.
_PIECES = 400
#: At most so many curves of one heat, and heats beside each other.
_CURVES, MOST_COMPARED = 8, 20
#: A door that closes so long after the start is the one through which the sheet went in, s.
_DOOR_WITHIN_S = 120.0


@dataclass(frozen=True)
class Course:
    """A measured column: its name, e.g. 'face_upper_c', times in s since the sheet went in, values in °C or mm."""

    column: str
    time_s: Array
    values: Array


@dataclass(frozen=True)
class HeatView:
    """A heat opened.

    Attributes:
        facts: with marks, corrections, photos, but no samples. now: as it reads. courses: measured. events: time, s
        since the start, name and source, in order. review: kept; None: not reviewed since. walls: beside earlier parts.
    """

    facts: StoredHeat
    now: HeatRecord
    courses: tuple[Course, ...]
    events: tuple[tuple[float, str], ...]
    review: KeptReview | None
    walls: tuple[Compared, ...]


def heat_view(store: Store, number: int) -> HeatView:
    """A heat opened.

    Raises:
        InputError: there is none.
    """
    record = store.heat(number)
    facts = facts_of(store, record)
    walls = walls_of(store.attachments(record.id))
    return HeatView(
        facts=facts,
        now=record,
        courses=courses_of(store, record),
        events=events_of(facts, record),
        review=store.kept_review(record.id),
        walls=compared(walls, earlier_walls(store, record)) if walls else (),
    )


def courses_of(store: Store, record: HeatRecord) -> tuple[Course, ...]:
    """What was measured from the start to the end."""
    end_s = record.start_s + LONGEST_S if record.end_s is None else record.end_s
    samples = store.samples(record.run, record.start_s, end_s)
    return tuple(thinned(one) for one in measured(samples, record.start_s))[:_CURVES]


def measured(samples: Samples, start_s: float) -> list[Course]:
    """Columns that a curve shows, in the order of `PLACES`; readings that are not believed are left out."""
    named = [(place, column_of(role) or role) for place, role in enumerate(samples.columns)]
    shown = [(i, name) for i, name in named if name.startswith(PLACES) and name.endswith(("_c", "_mm"))]
    shown.sort(key=lambda one: (next(k for k, place in enumerate(PLACES) if one[1].startswith(place)), one[1]))
    found = []
    for place, name in shown:
        values = samples.values[:, place]
        sound = (samples.states[:, place] == STATE_CODES[State.OK]) & np.isfinite(values)
        if sound.any():
            found.append(Course(name, samples.at_ms[sound] / 1000.0 - start_s, values[sound]))
    return found


def thinned(of: Course, pieces: int = _PIECES) -> Course:
    """At most two rows a piece of the course: where it is least and where it is greatest."""
    if len(of.values) <= 2 * pieces:
        return of
    edges = np.linspace(0, len(of.values), pieces + 1).astype(int)
    kept: set[int] = {0, len(of.values) - 1}
    for first, after in pairwise(edges):
        part = of.values[first:after]
        kept |= {int(first + np.argmin(part)), int(first + np.argmax(part))}
    at = np.array(sorted(kept))
    return Course(of.column, of.time_s[at], of.values[at])


def events_of(facts: StoredHeat, record: HeatRecord) -> tuple[tuple[float, str], ...]:
    """What was marked during the heat and after it, by time; what the recorder noted by itself is left out."""
    found = [
        (round(mark.at_s - record.start_s, 3), event_name(mark.name).replace("_", " "))
        for mark in in_force(facts.marks)
        if not mark.of_machine and mark.name not in (START, FORM) and mark.at_s >= record.start_s - 60.0
    ]
    return tuple(sorted(found))


@dataclass(frozen=True)
class Beside:
    """A heat beside others: `door_s`: when the door closed behind its sheet, s since its start; 0 where no such mark is
    kept. courses: aligned there. pulled_s: aligned too, None: not marked.
    """

    record: HeatRecord
    door_s: float
    courses: tuple[Course, ...]
    pulled_s: float | None


def beside(store: Store, numbers: Sequence[int]) -> list[Beside]:
    """Heats to overlay, aligned at the door.

    Raises:
        InputError: too many, or one that there is not.
    """
    numbers = list(dict.fromkeys(numbers))
    if not 1 <= len(numbers) <= MOST_COMPARED:
        raise InputError(f"{len(numbers)} heats to compare: expected 1 to {MOST_COMPARED}; choose fewer")
    return [_beside(store, store.heat(number)) for number in numbers]


def _beside(store: Store, record: HeatRecord) -> Beside:
    start_s = record.start_s
    marks = in_force(store.marks(record.bench, record.run, start_s - 1.0, (record.end_s or start_s) + 60.0))
    closed = [mark.at_s - start_s for mark in marks if event_name(mark.name) == "door_closed"]
    door_s = next((at for at in closed if -1.0 <= at <= _DOOR_WITHIN_S), 0.0)
    pulled = [mark.at_s - start_s for mark in marks if event_name(mark.name) == "pulled"]
    courses = [Course(c.column, c.time_s - door_s, c.values) for c in courses_of(store, record)]
    return Beside(record, door_s, tuple(courses), pulled[-1] - door_s if pulled else None)
