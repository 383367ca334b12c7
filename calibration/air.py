"""The air at the sheet: as measured so far, and as it will go on, for every member of an ensemble.

The oven card's small model gives the shape (a fall at each opening of the door, an exponential recovery); what was
measured departs from it by a residual, which bridges gaps and is carried on: its last value decays to its mean of the
last minutes with the oven's recovery time. Without any air reading the card's model alone drives the members.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calibration.observed import Observed
from thermal.build import steady_air_c, steady_wall_c
from thermal.case import Case, Departures
from thermal.surroundings import Air, Drive, OvenAir, SeriesAir, lagged_wall_c

Array = NDArray[np.float64]
Columns = NDArray[np.intp]

#: Standard uncertainty of the air to come against the forecast, K, approached with this time constant, s: a
#: thermostat's swing and a slow drift (estimated).
LATER_STD_K, LATER_S = 2.0, 120.0
#: Where only one face's air is measured the other's differs by so much, K (estimated from the demo ovens' kind).
APART_STD_K = 2.0
#: The residual that stays: mean over so long, s; with the weight of so many seconds of none.
_STEADY_S, _NONE_S = 180.0, 30.0
_RECENT_S = 10.0


@dataclass(frozen=True)
class Stops:
    """An air whose march also stops at given times, s."""

    air: Air
    times_s: Array

    def drive(self, time_s: Array, before: bool = False) -> Drive:
        """See `Air.drive`."""
        return self.air.drive(time_s, before)

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
        apart: whether the two were measured apart. last_s: of the last reading; the air after it is a forecast.
        wall_c: (times,) or None where it was not measured. before_s, before_c: mean air before the sheet went in.
    """

    time_s: Array
    upper_c: Array
    lower_c: Array
    apart: bool
    last_s: float
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
    card = _card_air(case, (0.0, *doors_s(seen)))
    series, lasts = [], []
    for values, there in zip(faces, measured, strict=True):
        if values is not None and there:
            found, last_s = _carried(case, seen.time_s[inside], values[inside], time_s, card)
            series.append(found)
            lasts.append(last_s)
    upper, lower = (series[0], series[-1])
    mean = _mean_of([values for values in faces if values is not None])
    early = (seen.time_s < 0.0) & np.isfinite(mean)
    walls = _walls(seen, time_s, now_s)
    return Heard(time_s, upper, lower, all(measured), min(lasts), walls, seen.time_s[early], mean[early])


def _mean(seen: Observed, role: str) -> Array | None:
    names = seen.of_role(role)
    return _mean_of([seen.columns[name] for name in names]) if names else None


def _mean_of(columns: list[Array]) -> Array:
    """Mean of the columns where any of them has a reading, NaN elsewhere."""
    stacked = np.stack(columns)
    count = np.isfinite(stacked).sum(axis=0)
    total: Array = np.where(count > 0, np.nansum(stacked, axis=0) / np.maximum(count, 1), np.nan)
    return total


def _card_air(case: Case, openings_s: tuple[float, ...]) -> OvenAir:
    card, one = case.oven, np.ones(1)
    return OvenAir(
        steady_air_c(card, case.set_c) * one,
        steady_wall_c(card, case.set_c) * one,
        card.door_drop_k * one,
        card.recovery_s * one,
        card.wall_lag_s * one,
        openings_s,
    )


def _card_at(card: OvenAir, time_s: Array) -> Array:
    total = np.full_like(time_s, float(card.air_c[0]))
    for opening in card.openings_s:
        since = time_s - opening
        fall = float(card.drop_k[0]) * np.exp(-np.maximum(since, 0.0) / max(float(card.recovery_s[0]), 1e-3))
        total -= np.where((since >= 0.0) & (card.recovery_s[0] > 0.0), fall, 0.0)
    return total


def _carried(case: Case, at_s: Array, values: Array, time_s: Array, card: OvenAir) -> tuple[Array, float]:
    """One air series on the grid, and when its last reading was."""
    good = np.isfinite(values)
    at, rest = at_s[good], values[good] - _card_at(card, at_s[good])
    last_s = float(at[-1])
    edges = np.concatenate([[-np.inf], 0.5 * (time_s[1:] + time_s[:-1]), [np.inf]])
    place = np.searchsorted(edges, at, "right") - 1
    count = np.bincount(place, minlength=len(time_s))
    total = np.bincount(place, rest, minlength=len(time_s))
    filled = count > 0
    binned = np.interp(time_s, time_s[filled], total[filled] / count[filled])
    late = rest[at > last_s - _STEADY_S]
    weight_s = len(late) * _step_s(at)
    steady = float(np.mean(late)) * weight_s / (weight_s + _NONE_S)
    recent = float(np.mean(rest[at > last_s - _RECENT_S]))
    later = time_s > last_s
    binned[later] = steady + (recent - steady) * np.exp(-(time_s[later] - last_s) / max(case.oven.recovery_s, 30.0))
    return _card_at(card, time_s) + binned, last_s


def _step_s(at_s: Array) -> float:
    return float(np.median(np.diff(at_s))) if len(at_s) > 1 else 1.0


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


def members_air(case: Case, found: Heard, by: Departures, later: Array, apart: Array) -> SeriesAir:
    """The air and the walls of every member.

    Args:
        later, apart: standard normal, (batch,): of the air to come, and of the other face's air where one is measured.
    """
    batch = len(later)
    air_k = np.broadcast_to(np.asarray(by.air_k, float), (batch,))
    ramp = 1.0 - np.exp(-np.maximum(found.time_s - found.last_s, 0.0) / LATER_S)
    common = air_k + LATER_STD_K * ramp[:, None] * later
    half = 0.0 if found.apart else 0.5 * APART_STD_K * apart
    upper, lower = found.upper_c[:, None] + common + half, found.lower_c[:, None] + common - half
    if found.wall_c is not None:
        wall = found.wall_c[:, None] + by.wall_k + np.zeros(batch)
        return SeriesAir(found.time_s, np.stack([upper, lower], axis=1), wall)
    lag = case.oven.wall_lag_s * np.asarray(by.wall_lag, float) * np.ones(batch)
    # The walls follow the air that was measured: what its sensor is off by does not move them.
    offset = case.oven.wall_offset_k - case.oven.air_offset_k + np.asarray(by.wall_k, float) + np.zeros(batch)
    steady = steady_air_c(case.oven, case.set_c)
    # Without a recorded preheat the walls are taken to be steady when the sheet goes in.
    before_s = found.before_s if len(found.before_s) else np.array([-0.01])
    before_c = found.before_c if len(found.before_s) else np.array([steady])
    time = np.concatenate([before_s, found.time_s])
    mean = np.concatenate([before_c[:, None] + np.zeros(batch), 0.5 * (upper + lower) - air_k])
    wall = lagged_wall_c(time, mean, lag, offset)[len(before_s) :]
    return SeriesAir(found.time_s, np.stack([upper, lower], axis=1), wall)
