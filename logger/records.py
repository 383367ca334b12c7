"""What the recorder keeps, as values: seconds of samples, marks, runs, heats and corrections.

Times: `*_s` is monotonic, counted from the beginning of the run; `*_utc_ms` is milliseconds since 1970 in UTC, which
may step and therefore only labels. The curve of a heat stays on monotonic time.
"""

from __future__ import annotations

import json
import math
import uuid
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field, fields, replace
from types import MappingProxyType
from typing import Any, Literal, get_args

import numpy as np
from numpy.typing import NDArray

from logger.reading import State
from thermal.fields import InputError, near_matches, shown

#: Code of a state in a block: its place here. Kept for ever in stores, so new states are only added at the end.
STATES: tuple[State, ...] = (
    State.OK,
    State.OPEN,
    State.SHORT,
    State.OUT_OF_RANGE,
    State.NOT_MEASURABLE,
    State.FAULT,
    State.FROZEN,
    State.SPIKE,
    State.MISSING,
)
STATE_CODES: Mapping[State, int] = MappingProxyType({state: code for code, state in enumerate(STATES)})
#: Code of a column that was not due in a row: rows of several sources stand in one block.
NOT_SAMPLED = 255
#: What a technician looks at before the sheet goes in.
CHECKS = ("sheet_undamaged", "label_kept", "film_off", "frame_locked", "clearance")

#: 'machine' is the recorder itself: clocks, links and faults. The first stores call it 'clock', and still hold that.
MarkSource = Literal["technician", "door", "button", "machine", "clock"]
MARK_SOURCES: tuple[MarkSource, ...] = ("technician", "door", "button", "machine", "clock")
RunEnd = Literal["open", "ended", "interrupted"]
HeatState = Literal["open", "finished", "aborted", "interrupted"]
HEAT_STATES: tuple[HeatState, ...] = ("open", "finished", "aborted", "interrupted")


class StoreDown(Exception):
    """The store cannot take or give anything now: locked, disk full, server away. Nothing of the call was kept, or all
    of it; asking again later is safe.
    """


class StoreBroken(InputError):
    """The store's file is damaged, cut short, or none of ours."""


class BenchHeld(InputError):
    """Another recorder writes this bench into this store."""


def new_id() -> str:
    """An id for a run, mark, heat or correction: 32 hexadecimal digits."""
    return uuid.uuid4().hex


@dataclass(frozen=True, eq=False)
class Block:
    """One second of one bench. Its key is (bench, run, second).

    Attributes:
        run: id of the run. second: whole seconds of the run's monotonic time at which the block begins.
        utc_ms: UTC at that moment; a row's UTC is `utc_ms` + its offset.
        columns: roles, in the order of the arrays' second axis.
        offsets_ms: shape (n,), int32, ms after `second`, 0 to 999, never falling.
        values: shape (n, columns), float64, in the unit of the role; NaN where there is none.
        states: shape (n, columns), uint8: a place in `STATES`, or `NOT_SAMPLED`.
    """

    bench: str
    run: str
    second: int
    utc_ms: int
    columns: tuple[str, ...]
    offsets_ms: NDArray[np.int32]
    values: NDArray[np.float64]
    states: NDArray[np.uint8]

    def __post_init__(self) -> None:
        shape = (self.offsets_ms.size, len(self.columns))
        if self.offsets_ms.ndim != 1 or self.values.shape != shape or self.states.shape != shape:
            raise InputError(
                f"block of second {self.second} of bench {self.bench}: offsets {self.offsets_ms.shape}, values "
                f"{self.values.shape} and states {self.states.shape}: expected one row an offset, one column a role"
            )
        for array, kind in ((self.offsets_ms, np.int32), (self.values, np.float64), (self.states, np.uint8)):
            if array.dtype != kind:
                raise InputError(f"block of second {self.second}: {array.dtype}: expected {np.dtype(kind)}")
        if shape[0] and not (
            self.offsets_ms[0] >= 0 and self.offsets_ms[-1] < 1000 and (np.diff(self.offsets_ms) >= 0).all()
        ):
            raise InputError(
                f"block of second {self.second} of bench {self.bench}: offsets {self.offsets_ms.tolist()} ms: "
                "expected 0 to 999, never falling"
            )

    def __eq__(self, other: object) -> bool:
        """Equal to the last bit; a gap equals a gap."""
        if not isinstance(other, Block):
            return NotImplemented
        return (
            (self.bench, self.run, self.second, self.utc_ms, self.columns)
            == (other.bench, other.run, other.second, other.utc_ms, other.columns)
            and np.array_equal(self.offsets_ms, other.offsets_ms)
            and np.array_equal(self.values, other.values, equal_nan=True)
            and np.array_equal(self.states, other.states)
        )

    __hash__ = None  # type: ignore[assignment]  # equal by content that is too large to hash


@dataclass(frozen=True, eq=False)
class Samples:
    """A stretch of one run in one piece.

    Attributes:
        at_ms: shape (n,), ms of the run's monotonic time, never falling. utc_ms: shape (n,).
        columns: all roles of the stretch. values, states: shape (n, columns), as in `Block`; `NOT_SAMPLED` where a
        block had no such column.
    """

    columns: tuple[str, ...]
    at_ms: NDArray[np.int64]
    utc_ms: NDArray[np.int64]
    values: NDArray[np.float64]
    states: NDArray[np.uint8]


@dataclass(frozen=True)
class Mark:
    """Something that happened at one moment of a run.

    Attributes:
        at_s: monotonic, in the run; a person may name a moment that has passed. utc_ms: UTC of that moment.
        name: 'start', 'pulled', 'clock stepped' ... by: initials, '' for none. undoes: id of the mark taken back.
    """

    id: str
    bench: str
    run: str
    at_s: float
    utc_ms: int
    name: str
    by: str = ""
    note: str = ""
    source: MarkSource = "technician"
    undoes: str | None = None

    def __post_init__(self) -> None:
        if not math.isfinite(self.at_s):
            raise InputError(f"mark {self.name!r} at {self.at_s} s: expected a finite time")
        if self.source not in MARK_SOURCES:
            raise InputError(f"mark {self.name!r}: source {self.source!r}: expected one of {', '.join(MARK_SOURCES)}")

    @property
    def of_machine(self) -> bool:
        """Whether nobody made it: the recorder noted it by itself."""
        return self.source in ("machine", "clock")


#: A mark that takes one back, or found none to take back.
UNDO = "undo"


def in_force(marks: Iterable[Mark]) -> list[Mark]:
    """Marks that nobody took back, without those that only take back."""
    kept = list(marks)
    gone = {mark.undoes for mark in kept}
    return [mark for mark in kept if mark.undoes is None and mark.name != UNDO and mark.id not in gone]


@dataclass(frozen=True)
class Run:
    """From one start of a bench's recorder to its end: one monotonic time.

    Attributes:
        zone: the machine's time zone at the start, 'Europe/Vienna' or '+01:00'. software: version that recorded.
    """

    id: str
    bench: str
    started_utc_ms: int
    zone: str
    software: str
    ended_utc_ms: int | None = None
    how: RunEnd = "open"


def _no_checks() -> Mapping[str, bool]:
    return MappingProxyType({})


@dataclass(frozen=True)
class HeatForm:
    """What people say of a heat; None where nothing was said.

    Attributes:
        job_number: the shop's number of the job. No patient names, here or in the notes.
        opening_mm: (diameter,) of a round frame or (length, width). checks: of `CHECKS`, whether each was done.
        plan_json, card_json: the plan and the oven card that were used, as JSON; a plan that could not be made is
        {"not_planned": why}. sensors_json: where sensors sit and how they answer (`logger.sensor_places`).
    """

    polymer: str | None = None
    gauge_mm: float | None = None
    oven: str | None = None
    support: str | None = None
    opening_mm: tuple[float, ...] | None = None
    set_c: float | None = None
    start_c: float | None = None
    sheet_label: str | None = None
    job_number: str | None = None
    initials: str | None = None
    colour: str | None = None
    dried_hours: float | None = None
    dried_c: float | None = None
    heated_before: bool | None = None
    other_sheets: int | None = None
    checks: Mapping[str, bool] = field(default_factory=_no_checks)
    notes: str | None = None
    plan_json: str | None = None
    card_json: str | None = None
    sensors_json: str | None = None
    software: str | None = None
    polymer_version: str | None = None

    def __post_init__(self) -> None:
        for part in fields(self):
            value = getattr(self, part.name)
            for number in value if part.name == "opening_mm" and value is not None else (value,):
                if isinstance(number, float) and not math.isfinite(number):
                    raise InputError(f"{part.name} = {number}: expected a finite number")
        for name in self.checks:
            if name not in CHECKS:
                raise InputError(f"check {name!r}: expected one of {', '.join(CHECKS)}{near_matches(name, CHECKS)}")
        object.__setattr__(self, "checks", MappingProxyType(dict(self.checks)))
        if self.opening_mm is not None:
            object.__setattr__(self, "opening_mm", tuple(map(float, self.opening_mm)))

    def __reduce__(self) -> tuple[Callable[..., HeatForm], tuple[dict[str, Any]]]:
        """Views of dictionaries cannot go to another process: its table does."""
        return HeatForm.from_table, (self.as_table(),)

    def as_table(self) -> dict[str, Any]:
        """As a JSON object: what was said only."""
        table = {part.name: getattr(self, part.name) for part in fields(self)}
        table["checks"] = dict(self.checks) or None
        table["opening_mm"] = None if self.opening_mm is None else list(self.opening_mm)
        return {name: value for name, value in table.items() if value is not None}

    @classmethod
    def from_table(cls, table: Mapping[str, Any]) -> HeatForm:
        """The form that `as_table` gave.

        Raises:
            InputError: for a name that no form has.
        """
        known = {part.name for part in fields(cls)}
        for name in table:
            if name not in known:
                raise InputError(f"{name!r} in the form of a heat: not known{near_matches(name, known)}")
        return cls(**table)


@dataclass(frozen=True)
class HeatRecord:
    """One sheet's stay in one oven, as recorded.

    Attributes:
        number: counts the heats of a store from 1; 0 before the store gave one.
        start_s, end_s: monotonic, in the run; end_s is None while open. start_utc_ms: UTC of the start.
        outcome: in the technician's words, 'good', 'thin'...; outcome_kind: the class it belongs to.
        hash, previous_hash: hexadecimal SHA-256 of the link in the chain of finished heats, and of the link before;
        None while open.
    """

    number: int
    id: str
    bench: str
    run: str
    start_s: float
    start_utc_ms: int
    end_s: float | None = None
    state: HeatState = "open"
    outcome: str | None = None
    outcome_kind: str | None = None
    form: HeatForm = field(default_factory=HeatForm)
    hash: str | None = None
    previous_hash: str | None = None

    def __post_init__(self) -> None:
        for name in ("start_s", "end_s"):
            value = getattr(self, name)
            if value is not None and not math.isfinite(value):
                raise InputError(f"heat {self.number}: {name} = {value}: expected a finite number")
        if self.state not in HEAT_STATES:
            raise InputError(f"heat {self.number}: state {self.state!r}: expected one of {', '.join(HEAT_STATES)}")


@dataclass(frozen=True)
class Correction:
    """A later entry that says a heat's record was wrong; the record itself stays.

    Attributes:
        field: of `correctable_fields`: a name in the form, 'outcome', 'outcome_kind', 'start_s' or 'end_s', or one
        check as 'checks.film_off'.
        old, new: the value as JSON text ('6.0', '"pp"', 'true', 'null').
    """

    id: str
    heat_id: str
    at_utc_ms: int
    who: str
    why: str
    field: str
    old: str
    new: str


@dataclass(frozen=True)
class StartMove:
    """A start that was set back or forward while the heat was open."""

    heat_id: str
    old_start_s: float
    new_start_s: float
    who: str
    why: str


@dataclass(frozen=True)
class Attachment:
    """A file kept with a heat: a photo of the label, an imported heat file as it was."""

    id: str
    heat_id: str
    name: str
    media_type: str
    content: bytes


@dataclass(frozen=True)
class Holder:
    """The recorder that writes a bench. `token`: made once by each recorder with `new_id`."""

    bench: str
    token: str
    host: str
    pid: int
    since_utc_ms: int


HeatOrder = Literal["newest", "oldest", "number", "oven", "polymer", "gauge", "outcome", "margin"]
HEAT_ORDERS: tuple[HeatOrder, ...] = get_args(HeatOrder)


@dataclass(frozen=True)
class HeatFilter:
    """Which heats to list; None and '' ask nothing.

    Attributes:
        text: occurs in sheet label, job number, notes or initials, whatever the case.
        from_utc_ms, to_utc_ms: of the start; the end is not included.
        gauge_mm: within 0.05 mm. outcome_kind: its first words, whatever the case.
        limit: at most so many; None for all. order: 'margin' is that of the core at the pull, as reviews found it.
        backwards: the other way round; not of 'newest' and 'oldest'.
    """

    bench: str | None = None
    oven: str | None = None
    polymer: str | None = None
    outcome: str | None = None
    state: HeatState | None = None
    text: str = ""
    from_utc_ms: int | None = None
    to_utc_ms: int | None = None
    limit: int | None = 50
    offset: int = 0
    order: HeatOrder = "newest"
    gauge_mm: float | None = None
    outcome_kind: str | None = None
    initials: str | None = None
    backwards: bool = False


_OF_RECORD = ("outcome", "outcome_kind", "start_s", "end_s")
_FORM = tuple(part.name for part in fields(HeatForm))


def correctable_fields() -> tuple[str, ...]:
    """Names a `Correction` may give."""
    return (*(name for name in _FORM if name != "checks"), *_OF_RECORD, *(f"checks.{name}" for name in CHECKS))


def value_of(record: HeatRecord, name: str) -> Any:
    """A correctable field of a heat, as a JSON value.

    Raises:
        InputError: for a name that cannot be corrected.
    """
    if name not in correctable_fields():
        raise InputError(f"{name!r} of a heat: expected one of {', '.join(correctable_fields())}")
    if name in _OF_RECORD:
        return getattr(record, name)
    if name.startswith("checks."):
        return record.form.checks.get(name.removeprefix("checks."))
    value = getattr(record.form, name)
    return list(value) if isinstance(value, tuple) else value


def corrected(record: HeatRecord, corrections: Iterable[Correction]) -> HeatRecord:
    """A heat as it reads after its corrections, in their order.

    Raises:
        InputError: for a field that cannot be corrected, or a value that the field cannot hold.
    """
    for entry in corrections:
        value_of(record, entry.field)
        try:
            new = json.loads(entry.new)
        except ValueError:
            raise InputError(f"{entry.field} = {shown(entry.new)} of a correction: expected JSON") from None
        if entry.field in _OF_RECORD:
            record = replace(record, **{entry.field: new})
        elif entry.field.startswith("checks."):
            checks = {**record.form.checks, entry.field.removeprefix("checks."): new}
            kept = {name: done for name, done in checks.items() if done is not None}
            record = replace(record, form=replace(record.form, checks=kept))
        else:
            record = replace(record, form=replace(record.form, **{entry.field: new}))
    return record
