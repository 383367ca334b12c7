"""The Heat value: one sheet's stay in one oven, as it was recorded. No files, no clock.

A column of readings is named `role_unit` or, where there are several of a kind, `role_number_unit`:
`core_c`, `core_1_c`, `grid_01_c`. What is not known (columns, metadata, events) is kept and told in
`Heat.notes`: recorded data must not be lost because this version has no use for it.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field, fields, replace
from types import MappingProxyType
from typing import Any

import numpy as np
from numpy.typing import NDArray

from thermal.fields import ANY, TEMPERATURE_C, InputError, Range, near_matches

Array = NDArray[np.float64]

# The ranges below are estimates that catch a wrong unit, not limits of the physics.
#: Sheet of the trade is 0.5 to 16 mm; below 0.1 the value is most likely in metres.
GAUGE_MM = Range("mm", at_least=0.1, at_most=50.0)
#: Free width or diameter inside the frame.
OPENING_MM = Range("mm", at_least=20.0, at_most=3000.0)
#: The sheet at the door, warm from a dryer at most: 295 is kelvin.
START_C = Range("°C", at_least=-40.0, at_most=150.0)
#: A workshop's room: 72 is Fahrenheit, 293 is kelvin.
ROOM_C = Range("°C", at_least=-40.0, at_most=60.0)
#: Negative where the sheet bows upwards.
DROP_MM = Range("mm", at_least=-500.0, at_most=2000.0)
#: A heat lasts minutes to an hour, with its preheat a day at most: larger is a date, or milliseconds.
TIME_S = Range("s since the sheet entered the oven", at_least=-86400.0, at_most=86400.0)
#: How far below the room's air pressure, positive; a little below zero is a sensor's own offset.
VACUUM_KPA = Range("kPa below the room's pressure", at_least=-10.0, at_most=110.0)

#: What each known column holds: role -> the range of a plausible reading.
ROLES: Mapping[str, Range] = MappingProxyType(
    {
        "air_upper_c": TEMPERATURE_C,
        "air_lower_c": TEMPERATURE_C,
        "face_upper_c": TEMPERATURE_C,
        "face_lower_c": TEMPERATURE_C,
        "core_c": TEMPERATURE_C,
        "wall_c": TEMPERATURE_C,
        "grid_c": TEMPERATURE_C,
        "room_c": ROOM_C,
        "drop_mm": DROP_MM,
        "vacuum_kpa": VACUUM_KPA,
    }
)
EVENTS = (
    "door_open", "door_closed", "line_1", "line_2", "line_3", "clear_through",
    "set_change", "pulled", "on_mold", "vacuum_on", "demolded",
)  # fmt: skip
SUPPORTS = ("frame", "tray")
COLOURS = ("natural", "pigmented", "pattern")
#: Names of columns that are not readings.
TIME, EVENT = "time_s", "event"

_NUMBERED = re.compile(r"(?P<kind>[a-z_]+?)_[0-9]+_(?P<unit>[a-z]+)")
_LIKE_VALUE = re.compile(r"\s*[\w.-]+\s*=")


def role_of(column: str) -> str | None:
    """The role a column plays ('core_2_c' -> 'core_c'), None where it is not a known one."""
    numbered = _NUMBERED.fullmatch(column)
    role = f"{numbered['kind']}_{numbered['unit']}" if numbered else column
    return role if role in ROLES else None


def sensor_of(column: str) -> str:
    """Name of a column's sensor: the column without its unit ('core_1_c' -> 'core_1')."""
    return column.rpartition("_")[0]


def inside(values: Array, allowed: Range) -> NDArray[np.bool_]:
    """Where values are finite and within the closed bounds of a range; shape as given."""
    lowest = -math.inf if allowed.at_least is None else allowed.at_least
    highest = math.inf if allowed.at_most is None else allowed.at_most
    return np.isfinite(values) & (values >= lowest) & (values <= highest)


def first_implausible(column: str, values: Array) -> int | None:
    """Index of the first reading that is infinite or outside the range of the column's role; gaps pass."""
    role = role_of(column)
    wrong = ~np.isnan(values) & ~inside(values, ROLES[role] if role else ANY)
    return int(np.argmax(wrong)) if wrong.any() else None


def expected_reading(column: str, value: float) -> str:
    """What a column accepts, for messages; names the slip of unit that would explain the value."""
    role = role_of(column)
    if role is None or not math.isfinite(value):
        return f"{ROLES[role] if role else 'a finite number'}, or nothing where there is a gap"
    allowed = ROLES[role]
    text = f"{allowed}, or nothing where there is a gap"
    if not role.endswith("_c"):
        return text
    slips = [
        f"{value:g} {unit} is {celsius:.1f} °C"
        for unit, celsius in (("K", value - 273.15), ("°F", (value - 32.0) / 1.8))
        if allowed.holds(celsius)
    ]
    return text + (f" ({', '.join(slips)}: convert the column to °C)" if slips else "")


@dataclass(frozen=True)
class Event:
    """Something that happened, `time_s` after the sheet entered the oven. Any name is kept.

    Raises:
        InputError: for a time that is not finite, or a name that is empty or holds ';' or a line end.
    """

    time_s: float
    name: str

    def __post_init__(self) -> None:
        if not math.isfinite(self.time_s):
            raise InputError(f"event {self.name!r} at {self.time_s} s: expected a finite time")
        if not self.name or ";" in self.name or self.name != " ".join(self.name.split()):
            raise InputError(f"event {self.name!r}: expected a name without ';', line ends or needless spaces")


@dataclass(frozen=True)
class Sensor:
    """Where a sensor sits and how it answers; None where it was not stated.

    Args:
        depth_m: below the upper face of the sheet, m.
        lag_s: first-order time constant, s.
        x_m, y_m, z_m: place in the oven, m.
        std_k: standard deviation of its noise, in kelvin (in the column's unit where that is no temperature).
        bias_k: reading minus truth, same unit.

    Raises:
        InputError: for a value that is not finite, or negative where that has no meaning.
    """

    depth_m: float | None = None
    lag_s: float | None = None
    x_m: float | None = None
    y_m: float | None = None
    z_m: float | None = None
    std_k: float | None = None
    bias_k: float | None = None

    def __post_init__(self) -> None:
        for part in fields(self):
            value = getattr(self, part.name)
            signed = part.name in ("x_m", "y_m", "z_m", "bias_k")
            if value is not None and (not math.isfinite(value) or (value < 0.0 and not signed)):
                raise InputError(
                    f"sensor {part.name} = {value}: expected a finite number" + ("" if signed else ", zero or more")
                )


@dataclass(frozen=True)
class Filled:
    """A series whose short gaps were bridged.

    Args:
        values: shape as given; NaN where a gap was too long, or open at an end.
        gaps_s: (from, to) in s of every stretch that is still NaN, first and last missing sample.
    """

    values: Array
    gaps_s: tuple[tuple[float, float], ...]


def filled(time_s: Array, values: Array, longest_gap_s: float) -> Filled:
    """Bridge by straight lines the gaps no longer than `longest_gap_s`; all others stay NaN and are named.

    A gap's length is the time between the readings on its two sides. Nothing is extrapolated: a gap at the
    start or the end stays.

    Args:
        time_s: shape (n,), s, increasing.
        values: shape (n,), NaN where there is no reading.
        longest_gap_s: s, zero or more.

    Raises:
        InputError: for a negative or non-finite `longest_gap_s`, or shapes that differ.
    """
    if not (math.isfinite(longest_gap_s) and longest_gap_s >= 0.0):
        raise InputError(f"longest_gap_s = {longest_gap_s}: expected a finite number, zero or more")
    if time_s.shape != values.shape or values.ndim != 1:
        raise InputError(f"values of shape {values.shape}: expected one for each of {time_s.shape} times")
    result = np.array(values, dtype=np.float64)
    missing = np.isnan(result)
    edges = np.flatnonzero(np.diff(np.concatenate(([False], missing, [False])).astype(np.int8)))
    left: list[tuple[float, float]] = []
    for first, after in zip(edges[0::2], edges[1::2], strict=True):
        inside = first > 0 and after < result.size
        if inside and time_s[after] - time_s[first - 1] <= longest_gap_s:
            ends = [first - 1, after]
            result[first:after] = np.interp(time_s[first:after], time_s[ends], result[ends])
        else:
            left.append((float(time_s[first]), float(time_s[after - 1])))
    result.setflags(write=False)
    return Filled(result, tuple(left))


def _frozen_array(values: Iterable[float] | Array) -> Array:
    array = np.array(values, dtype=np.float64)
    array.setflags(write=False)
    return array


def _same(one: object, other: object) -> bool:
    """Equality to the last digit in which a gap equals a gap, through arrays, tables and lists."""
    if isinstance(one, np.ndarray) and isinstance(other, np.ndarray):
        return bool(np.array_equal(one, other, equal_nan=True))
    if isinstance(one, Mapping) and isinstance(other, Mapping):
        return one.keys() == other.keys() and all(_same(one[key], other[key]) for key in one)
    if isinstance(one, list | tuple) and isinstance(other, list | tuple):
        return len(one) == len(other) and all(map(_same, one, other))
    if isinstance(one, float) and isinstance(other, float) and math.isnan(one):
        return math.isnan(other)
    return type(one) is type(other) and one == other


def _no_mapping() -> Mapping[str, Any]:
    return MappingProxyType({})


@dataclass(frozen=True, eq=False, kw_only=True)
class Heat:
    """One sheet's stay in one oven. Arrays are copied and read-only; whatever was not stated is None.

    Args:
        time_s: shape (n,), n >= 1, s since the sheet entered the oven, negative before; strictly increasing.
        columns: name -> shape (n,), in the unit that ends the name; NaN marks a gap.
        events: in order of time.
        polymer, oven: ids.
        gauge_m: labelled thickness, m.
        support: 'frame' or 'tray'.
        opening_m: free area inside the frame, m: (diameter,) of a circle or (length, width) of a rectangle.
        start_c, set_c: the sheet at the door, the oven's setting, °C.
        colour: 'natural', 'pigmented' or 'pattern'.
        simulated: made by a computer, without oven or sheet.
        sensors: by name, which is the column without its unit ('core_1' for 'core_1_c').
        text_columns: columns of words, name -> n texts.
        extra: metadata that is not known here, as it stood.
        remarks: free text, by line.

    Raises:
        InputError: for a value outside its range, times that do not increase, columns of another length.
    """

    time_s: Array
    columns: Mapping[str, Array] = field(default_factory=_no_mapping)
    events: tuple[Event, ...] = ()
    polymer: str | None = None
    gauge_m: float | None = None
    oven: str | None = None
    support: str | None = None
    opening_m: tuple[float, ...] | None = None
    start_c: float | None = None
    set_c: float | None = None
    colour: str | None = None
    simulated: bool = False
    sensors: Mapping[str, Sensor] = field(default_factory=_no_mapping)
    text_columns: Mapping[str, tuple[str, ...]] = field(default_factory=_no_mapping)
    extra: Mapping[str, Any] = field(default_factory=_no_mapping)
    remarks: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        frozen: dict[str, object] = {
            "time_s": _frozen_array(self.time_s),
            "columns": MappingProxyType({name: _frozen_array(v) for name, v in self.columns.items()}),
            "text_columns": MappingProxyType({name: tuple(v) for name, v in self.text_columns.items()}),
            "sensors": MappingProxyType(dict(self.sensors)),
            "extra": MappingProxyType(dict(self.extra)),
            "events": tuple(self.events),
            "remarks": tuple(self.remarks),
        }
        for name in ("gauge_m", "start_c", "set_c"):
            value = getattr(self, name)
            frozen[name] = None if value is None else float(value)
        frozen["opening_m"] = None if self.opening_m is None else tuple(map(float, self.opening_m))
        for name, value in frozen.items():
            object.__setattr__(self, name, value)
        self._check_metadata()
        self._check_time()
        self._check_columns()

    def _check_metadata(self) -> None:
        for name, text, choices in (("support", self.support, SUPPORTS), ("colour", self.colour, COLOURS)):
            if text is not None and text not in choices:
                raise InputError(f"{name} = {text!r}: expected one of {', '.join(choices)}")
        numbers = [("start_c", self.start_c, START_C), ("set_c", self.set_c, TEMPERATURE_C)]
        if self.gauge_m is not None:
            numbers.append(("gauge in mm", self.gauge_m * 1e3, GAUGE_MM))
        if self.opening_m is not None:
            if len(self.opening_m) not in (1, 2):
                raise InputError(f"opening_m = {self.opening_m}: expected one value (circle) or two")
            numbers += [("opening in mm", size * 1e3, OPENING_MM) for size in self.opening_m]
        for name, number, allowed in numbers:
            if number is not None and not allowed.holds(number):
                raise InputError(f"{name} = {number:g}: expected {allowed}")
        for name, sensor in self.sensors.items():
            if sensor.depth_m is not None and self.gauge_m is not None and sensor.depth_m > self.gauge_m:
                raise InputError(
                    f"sensor {name} sits {sensor.depth_m * 1e3:g} mm below the upper face of a sheet of "
                    f"{self.gauge_m * 1e3:g} mm: expected a depth inside the sheet; correct depth or gauge"
                )

    def _check_time(self) -> None:
        if self.time_s.ndim != 1 or self.time_s.size == 0:
            raise InputError(f"time_s of shape {self.time_s.shape}: expected a row of one or more times")
        for time_s in (self.time_s[~np.isfinite(self.time_s)], self.time_s[[0, -1]]):
            for value in time_s:
                if not TIME_S.holds(float(value)):
                    raise InputError(f"time_s = {value:g}: expected {TIME_S}")
        falls = np.flatnonzero(np.diff(self.time_s) <= 0.0)
        if falls.size:
            before, after = self.time_s[falls[0] : falls[0] + 2]
            raise InputError(f"time_s = {after:g} follows {before:g}: expected times that increase")
        for earlier, later in zip(self.events, self.events[1:], strict=False):
            if later.time_s < earlier.time_s:
                raise InputError(
                    f"event {later.name} at {later.time_s:g} s follows {earlier.name} at "
                    f"{earlier.time_s:g} s: expected events in order of time"
                )

    def _check_columns(self) -> None:
        both = self.columns.keys() & self.text_columns.keys()
        for name in [*self.columns, *self.text_columns]:
            if not name or name != name.strip() or name in (TIME, EVENT) or re.search(r"[\r\n]", name):
                raise InputError(f"column {name!r}: expected a name, other than {TIME} and {EVENT}")
            if name in both or (name in self.text_columns and role_of(name)):
                raise InputError(f"column {name}: it holds texts; expected numbers under this name")
            shape = (len(self.text_columns[name]),) if name in self.text_columns else self.columns[name].shape
            if shape != self.time_s.shape:
                raise InputError(f"column {name} of shape {shape}: expected {self.time_s.shape}, as time_s")
        for name, values in self.columns.items():
            index = first_implausible(name, values)
            if index is not None:
                value = float(values[index])
                raise InputError(
                    f"{name} = {value:g} at {self.time_s[index]:g} s: expected {expected_reading(name, value)}"
                )

    def __eq__(self, other: object) -> bool:
        """Equal to the last digit, gaps at the same places, whatever the order of columns."""
        if not isinstance(other, Heat):
            return NotImplemented
        return all(_same(getattr(self, part.name), getattr(other, part.name)) for part in fields(self))

    __hash__ = None  # type: ignore[assignment]  # equal by content that is too large to hash

    def __reduce__(self) -> tuple[Callable[..., Heat], tuple[dict[str, Any]]]:
        # Read-only views of dictionaries cannot be pickled, and worker processes receive heats.
        state = {part.name: getattr(self, part.name) for part in fields(self)}
        plain = {name: dict(v) if isinstance(v, MappingProxyType) else v for name, v in state.items()}
        return _rebuilt, (plain,)

    def series(self, role: str) -> dict[str, Array]:
        """Every column of a role, in file order ('core_c': core_1_c, core_2_c); empty where there is none.

        Raises:
            InputError: for a role that does not exist.
        """
        if role not in ROLES:
            raise InputError(f"role {role!r}: expected one of {', '.join(ROLES)}{near_matches(role, ROLES)}")
        return {name: values for name, values in self.columns.items() if role_of(name) == role}

    def sensor(self, column: str) -> Sensor:
        """The sensor behind a column; one with nothing stated where the heat does not describe it."""
        return self.sensors.get(sensor_of(column), Sensor())

    def times_of(self, event: str) -> tuple[float, ...]:
        """When an event happened, s; may be empty."""
        return tuple(e.time_s for e in self.events if e.name == event)

    def preheat(self) -> Heat | None:
        """The part before the sheet entered (time below zero), None where nothing was recorded there."""
        rows = self.time_s < 0.0
        if not rows.any():
            return None
        return replace(
            self,
            time_s=self.time_s[rows],
            columns={name: values[rows] for name, values in self.columns.items()},
            text_columns={name: texts[: int(rows.sum())] for name, texts in self.text_columns.items()},
            events=tuple(event for event in self.events if event.time_s < 0.0),
        )

    def _of_record(self, name: str) -> bool:
        """Whether metadata comes with a file that was written from a shop's records: known there, of no use here."""
        if "heat_id" not in self.extra:
            return False
        return name.partition(".")[0] in _RECORD_KEYS or name.rpartition(".")[2] in _SENSOR_KEYS

    @property
    def notes(self) -> tuple[str, ...]:
        """What was kept without being understood, and what looks like a slip: one sentence each."""
        return (
            *(f"event '{name}' is not known{near_matches(name, EVENTS)}: kept, not used"
              for name in dict.fromkeys(e.name for e in self.events) if name not in EVENTS),
            *(f"column '{name}' is not known{near_matches(name, ROLES)}: kept, not used"
              for name in [*self.columns, *self.text_columns] if role_of(name) is None),
            *(f"metadata '{name}' is not known{near_matches(name.rpartition('.')[2], _KEYS)}: kept, not used"
              for name in _leaves(self.extra) if not self._of_record(name)),
            *(f"sensor '{name}' has no column: kept, not used"
              for name in self.sensors if name not in map(sensor_of, self.columns)),
            *(f"line '{line.strip()}' looks like 'key = value' but is no valid TOML: kept as free text"
              for line in self.remarks if _LIKE_VALUE.match(line)),
        )  # fmt: skip


#: Spellings that near matches are looked for among: what a person may write as metadata of a heat.
_KEYS = ("polymer", "gauge_mm", "oven", "support", "opening_mm", "start_c", "set_c", "colour",
         "simulated", "depth_mm", "lag_s", "x_mm", "y_mm", "z_mm", "std_k", "bias_k")  # fmt: skip

_RECORD_KEYS = frozenset(
    ("heat", "heat_id", "bench", "start_utc", "state", "outcome", "outcome_kind", "hash", "label", "job_number",
     "initials", "dried_hours", "dried_c", "heated_before", "other_sheets", "notes", "polymer_version", "software",
     "checks", "marks", "corrections")
)  # fmt: skip
#: Of a sensor there.
_SENSOR_KEYS = frozenset(("serial", "thermocouple", "stated_depth_mm"))


def _leaves(tree: Mapping[str, Any], path: str = "") -> list[str]:
    """Dotted names of everything in nested tables that is not itself a filled table."""
    names: list[str] = []
    for key, value in tree.items():
        deeper = isinstance(value, Mapping) and bool(value)
        names += _leaves(value, f"{path}{key}.") if deeper else [f"{path}{key}"]
    return names


def _rebuilt(state: dict[str, Any]) -> Heat:
    return Heat(**state)
