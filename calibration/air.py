"""The air at the sheet: as measured so far, and as it will go on, for every member of an ensemble.

The course of the air since the door was last opened is fitted to its readings (`recovery`) and carried on; the present
departure from it, a thermostat's swing, is soon forgotten. Gaps follow the course. Without any air reading the oven
card's small model alone drives the members.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calibration import recovery
from calibration.observed import Observed
from calibration.recovery import Recovery
from thermal.build import face_air_k, steady_air_c
from thermal.case import Case, Departures
from thermal.surroundings import Air, Drive, SeriesAir, lagged_wall_c

Array = NDArray[np.float64]
Columns = NDArray[np.intp]

#: Standard uncertainty of the air to come beyond that of where it is going, K: a thermostat's swing, a slow drift
#: (estimated); approached with this time constant, s.
DRIFT_STD_K, LATER_S = 1.0, 60.0
#: Where only one face's air is measured the other's differs by so much, K (estimated from the demo ovens' kind).
APART_STD_K = 2.0
#: The present departure from the course is the mean of so long, s, and forgotten in so long, s.
_RECENT_S, _FORGOTTEN_S = 10.0, 30.0
#: A preheat counts so far back, s, until the door is opened, s, with so many readings.
_PREHEAT_S, _DOOR_S, _PREHEAT_READINGS = 300.0, 10.0, 10
#: ... unless its halves lie further apart than this, K: then the oven was still warming up, or coming back from a door.
_UNSTEADY_K = 3.0


@dataclass(frozen=True)
class Stops:
    """An air whose march also stops at given times, s."""

    air: Air
    times_s: Array

    def drive(self, time_s: Array, before: bool = False) -> Drive:
        """See `Air.drive`."""
        return self.air.drive(time_s, before)

    @property
    def jumps(self) -> bool:
        """See `Air.jumps`."""
        return self.air.jumps

    def next_break_s(self, time_s: Array) -> Array | None:
        """See `Air.next_break_s`."""
        stop = np.append(self.times_s, np.inf)[np.searchsorted(self.times_s, time_s + 1e-9, "right")]
        other = self.air.next_break_s(time_s)
        return stop if other is None else np.minimum(stop, other)

    def columns(self, keep: Columns) -> Stops:
        """See `Air.columns`."""
        return Stops(self.air.columns(keep), self.times_s)


@dataclass(frozen=True)
class Heard:
    """What was measured of the air, on a grid of times.

    Attributes:
        time_s: (times,). upper_c, lower_c: (times,), °C, carried on beyond the last reading.
        measured_at: the face (0 upper, 1 lower) at which each of both was measured.
        last_s: of the last reading; the air after it is a forecast, with the standard deviation later_std_k, K.
        wall_c: (times,) or None where it was not measured. before_s, before_c: mean air before the sheet went in.
    """

    time_s: Array
    upper_c: Array
    lower_c: Array
    measured_at: tuple[int, int]
    last_s: float
    later_std_k: float
    wall_c: Array | None
    before_s: Array
    before_c: Array


def doors_s(seen: Observed) -> tuple[float, ...]:
    """When the door was opened with the sheet inside, s."""
    return tuple(at for at in seen.when("door_open") if at > 0.0)


def heard(case: Case, seen: Observed, time_s: Array, now_s: float) -> Heard | None:
    """The measured air on a grid; None where nothing was measured since the sheet went in.

    Args:
        seen: up to `now_s`. time_s: from 0, increasing, (times,); may go beyond `now_s`.
    """
    faces = [_mean(seen, role) for role in ("air_upper_c", "air_lower_c")]
    inside = seen.time_s >= 0.0
    measured = [values is not None and bool(np.isfinite(values[inside]).any()) for values in faces]
    if not any(measured):
        return None
    there = [values for values, known in zip(faces, measured, strict=True) if known and values is not None]
    courses = [_course(case, seen, values) for values in there]
    series = [_carried(seen, values, time_s, course) for values, course in zip(there, courses, strict=True)]
    (upper, first_s), (lower, second_s) = series[0], series[-1]
    mean = _mean_of([values for values in faces if values is not None])
    early = (seen.time_s < 0.0) & np.isfinite(mean)
    walls = _walls(seen, time_s, now_s)
    later_std_k = max(course.std_k for course in courses)
    measured_at = (0 if measured[0] else 1, 1 if measured[1] else 0)
    return Heard(
        time_s, upper, lower, measured_at, min(first_s, second_s), later_std_k, walls, seen.time_s[early], mean[early]
    )


def _mean(seen: Observed, role: str) -> Array | None:
    names = seen.of_role(role)
    return _mean_of([seen.columns[name] for name in names]) if names else None


def _mean_of(columns: list[Array]) -> Array:
    """Mean of the columns where any of them has a reading, NaN elsewhere."""
    stacked = np.stack(columns)
    count = np.isfinite(stacked).sum(axis=0)
    total: Array = np.where(count > 0, np.nansum(stacked, axis=0) / np.maximum(count, 1), np.nan)
    return total


def _course(case: Case, seen: Observed, values: Array) -> Recovery:
    """Where the air goes since the door was last opened, from its readings."""
    card, door_s = case.oven, max((0.0, *doors_s(seen)))
    good = np.isfinite(values)
    time_s, air_c = seen.time_s[good], values[good]
    expected_c, std_k = steady_air_c(card, case.set_c), recovery.STEADY_STD_K
    preheat = (time_s < -_DOOR_S) & (time_s > -_PREHEAT_S)
    if np.count_nonzero(preheat) >= _PREHEAT_READINGS:
        first, second = np.array_split(air_c[preheat], 2)
        if abs(float(np.mean(second) - np.mean(first))) <= _UNSTEADY_K:
            expected_c, std_k = float(np.mean(air_c[preheat])), recovery.AFTER_PREHEAT_STD_K
    return recovery.fit(time_s, air_c, door_s, expected_c, std_k, card.door_drop_k, card.recovery_s)


def _carried(seen: Observed, values: Array, time_s: Array, course: Recovery) -> tuple[Array, float]:
    """One air series on the grid, carried on along its course, and when its last reading was."""
    good = np.isfinite(values) & (seen.time_s >= 0.0)
    at = seen.time_s[good]
    rest, last_s = values[good] - course.at(at), float(at[-1])
    edges = 0.5 * (time_s[1:] + time_s[:-1])
    place = np.searchsorted(edges, at, "right")
    count = np.bincount(place, minlength=len(time_s))
    total = np.bincount(place, rest, minlength=len(time_s))
    filled = count > 0
    binned = np.interp(time_s, time_s[filled], total[filled] / count[filled])
    later = time_s > last_s
    recent = float(np.mean(rest[at > last_s - _RECENT_S]))
    binned[later] = recent * np.exp(-(time_s[later] - last_s) / _FORGOTTEN_S)
    return course.at(time_s) + binned, last_s


def _walls(seen: Observed, time_s: Array, now_s: float) -> Array | None:
    """Measured walls on the grid, the last value kept; None where a minute of them is missing."""
    values = _mean(seen, "wall_c")
    if values is None:
        return None
    good = np.isfinite(values) & (seen.time_s >= -60.0)
    at = seen.time_s[good]
    if not len(at) or np.max(np.diff([0.0, *at[at > 0.0], now_s])) > 60.0:
        return None
    return np.interp(time_s, at, values[good])


def members_air(case: Case, heard: Sequence[Heard], by: Departures, later: Array, apart: Array) -> SeriesAir:
    """The air and the walls of every member.

    Args:
        heard: measured, all on one grid, each for an equal share of the members.
        later, apart: standard normal, (members,): of the air to come, and of the other face's air where one is
        measured.
    """
    members = len(later)
    shares = np.array_split(np.arange(members), len(heard))

    def wide(value: Array | float) -> Array:
        return np.broadcast_to(np.asarray(value, float), (members,))

    air_k, wall_k = wide(by.air_k), wide(by.wall_k)
    face_k = np.stack([wide(k) for k in face_air_k(case.oven, by)])
    lag_s = wide(case.oven.wall_lag_s * np.asarray(by.wall_lag, float))
    parts = [
        _share(case, one, air_k[own], face_k[:, own], wall_k[own], lag_s[own], later[own], apart[own])
        for one, own in zip(heard, shares, strict=True)
    ]
    airs, walls = zip(*parts, strict=True)
    return SeriesAir(heard[0].time_s, np.concatenate(airs, axis=2), np.concatenate(walls, axis=1))


def _share(
    case: Case, found: Heard, air_k: Array, face_k: Array, wall_k: Array, lag_s: Array, later: Array, apart: Array
) -> tuple[Array, Array]:
    """Air (times, 2, members) and walls (times, members) of the members that one measured air drives."""
    ramp = 1.0 - np.exp(-np.maximum(found.time_s - found.last_s, 0.0) / LATER_S)
    to_come = np.hypot(found.later_std_k, DRIFT_STD_K) * ramp[:, None] * later
    half = 0.0 if found.measured_at == (0, 1) else 0.5 * APART_STD_K * apart
    upper, lower = found.upper_c[:, None] + to_come + half, found.lower_c[:, None] + to_come - half
    # The oven's air: what a face's air differs by is added again where it meets the face.
    air = np.stack([upper, lower], axis=1) + air_k - face_k[list(found.measured_at)]
    if found.wall_c is not None:
        return air, found.wall_c[:, None] + wall_k
    # The walls follow the air that was measured: what its sensor is off by does not move them. Without a recorded
    # preheat they are taken to be steady when the sheet goes in.
    offset = case.oven.wall_offset_k - case.oven.air_offset_k + wall_k
    known = len(found.before_s) > 0
    before_s = found.before_s if known else np.array([-0.01])
    before_c = found.before_c if known else np.array([steady_air_c(case.oven, case.set_c)])
    time_s = np.concatenate([before_s, found.time_s])
    stated_k = float(np.mean(np.array(face_air_k(case.oven))[list(found.measured_at)]))
    before_c = before_c - stated_k if known else before_c
    mean = np.concatenate([before_c[:, None] + 0.0 * later, 0.5 * (upper + lower) - stated_k])
    return air, lagged_wall_c(time_s, mean, lag_s, offset)[len(before_s) :]
