"""How evenly an oven heats: a grid of thermocouples in it, empty or loaded, at one setting.

In the manner of surveys of temperature uniformity as SAE AMS 2750 and IEC 60068-3-5 know them: wait until steady, look
at every place over a while, compare with the setting, open the door and see it recover.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calibration.residual_tests import independent
from calibration.uncertainty_budget import Budget, budget, thermocouple_components
from thermal.fields import InputError
from thermal.heat import Heat, Sensor, filled, role_of, sensor_of

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]

#: Places of a survey; fewer show no pattern.
FEWEST, MOST = 5, 40
#: Steady: over so long, s, every place's trend is below this, K/min, and its mean no longer creeps (our choice; a
#: thermostat's swing is no trend).
WATCHED_S, DRIFT_K_MIN = 600.0, 0.2
STEADY_WORDS = f"every place drifting by less than {DRIFT_K_MIN:g} K a minute over {WATCHED_S / 60.0:.0f} min"
#: Recovered: the mean is this near to what it was before the door was opened, K.
NEAR_K = 2.0
#: Gaps up to this long are passed over, s.
_GAP_S = 60.0
_AIR = ("grid_c",)


@dataclass(frozen=True)
class Place:
    """One place of the grid.

    Attributes:
        column; x_m, y_m, z_m: None where not stated. mean_c, std_k: over the steady stretch. off_k: mean less the
        setting. highest_c: ever read; overshoot_k: that above the steady mean, zero at least. steady_s: from when on.
    """

    column: str
    x_m: float | None
    y_m: float | None
    z_m: float | None
    mean_c: float
    std_k: float
    off_k: float
    highest_c: float
    overshoot_k: float
    steady_s: float


@dataclass(frozen=True)
class Opening:
    """One opening of the door: when, how far the grid's mean fell, K, and how long until it was back, s; None: not."""

    at_s: float
    fall_k: float
    recovery_s: float | None


@dataclass(frozen=True)
class Survey:
    """What a survey found.

    Attributes:
        set_c. places: by column. steady_s: from when on all were steady; end_s: until the door was opened or the
        record's end. mean_off_k: grid less setting. uniformity_k: hottest mean less coldest; at any moment the largest
        spread was spread_k. hottest, coldest: columns. swing_k: typical half swing of the mean in time. openings.
        zone_k: by zone ('upper', 'lower', 'front' ...) its mean less the grid's, K. tilt_k_m: slope of the means along
        x, y, z, K/m; None where places do not differ along it.
    """

    set_c: float
    places: tuple[Place, ...]
    steady_s: float
    end_s: float
    mean_off_k: float
    uniformity_k: float
    spread_k: float
    hottest: str
    coldest: str
    swing_k: float
    openings: tuple[Opening, ...]
    zone_k: Mapping[str, float]
    tilt_k_m: tuple[float | None, float | None, float | None]


def survey(heat: Heat, set_c: float | None = None) -> Survey:
    """Judge a recorded grid of thermocouples.

    Args:
        heat: with columns of the role grid_c; its door events count. set_c: None: what the heat states.

    Raises:
        InputError: too few or too many places, no setting, or never steady.
    """
    setting = heat.set_c if set_c is None else set_c
    if setting is None:
        raise InputError("the survey does not state the oven's setting: expected set_c in its head, or on the line")
    columns = [c for c in heat.columns if role_of(c) in _AIR and np.isfinite(heat.columns[c]).any()]
    if not FEWEST <= len(columns) <= MOST:
        raise InputError(
            f"the survey has {len(columns)} places with readings: expected {FEWEST} to {MOST} columns grid_01_c, "
            "grid_02_c ..."
        )
    values = np.stack([_true_c(heat, c) for c in columns])
    opened = [e.time_s for e in heat.events if e.name == "door_open"]
    end_s = min((at for at in opened if at > heat.time_s[0] + WATCHED_S), default=float(heat.time_s[-1]))
    shut = (heat.time_s < end_s) if end_s in opened else (heat.time_s <= end_s)
    steady = np.array([_steady_from(heat.time_s[shut], one[shut]) for one in values])
    if not np.all(np.isfinite(steady)):
        late = ", ".join(c for c, at in zip(columns, steady, strict=True) if not np.isfinite(at))
        raise InputError(
            f"never steady before {end_s:.0f} s: {late}; expected every place to drift by less than {DRIFT_K_MIN:g} K "
            f"a minute over {WATCHED_S / 60.0:.0f} minutes: record longer before the door is opened"
        )
    from_s = float(steady.max())
    stretch = (heat.time_s >= from_s) & shut
    means = np.nanmean(values[:, stretch], axis=1)
    found = tuple(
        _place(heat.sensor(column), column, one, stretch, shut, setting, at)
        for column, one, at in zip(columns, values, steady, strict=True)
    )
    together = values[:, stretch]
    there = np.isfinite(together)
    some, whole = there.any(axis=0), there.all(axis=0)
    return Survey(
        set_c=setting,
        places=found,
        steady_s=from_s,
        end_s=end_s,
        mean_off_k=float(means.mean()) - setting,
        uniformity_k=float(np.ptp(means)),
        spread_k=float(np.max(np.ptp(together[:, whole], axis=0))) if whole.any() else float(np.ptp(means)),
        hottest=columns[int(np.argmax(means))],
        coldest=columns[int(np.argmin(means))],
        swing_k=_swing(heat.time_s[stretch][some], np.nanmean(together[:, some], axis=0)),
        openings=_openings(heat.time_s, values, opened, from_s),
        zone_k=_zones(found),
        tilt_k_m=_tilt(found),
    )


def _true_c(heat: Heat, column: str) -> Array:
    """A place's readings less the known error of its thermocouple, short gaps passed over."""
    return np.array(filled(heat.time_s, heat.columns[column], _GAP_S).values) - (heat.sensor(column).bias_k or 0.0)


def _steady_from(time_s: Array, values: Array) -> float:
    """The earliest moment from which on every stretch of `WATCHED_S` has no trend, s; infinity: there is none."""
    found = np.inf
    starts = np.arange(float(time_s[0]), float(time_s[-1]) - WATCHED_S + 1e-9, WATCHED_S / 10.0)
    for start in starts[::-1]:
        there = (time_s >= start) & (time_s <= start + WATCHED_S) & np.isfinite(values)
        if np.count_nonzero(there) < 5:
            break
        at = time_s[there] - start
        slope = float(np.polyfit(at, values[there], 1)[0]) * 60.0
        if abs(slope) > DRIFT_K_MIN:
            break
        found = float(start)
    return found


def _place(
    sensor: Sensor, column: str, values: Array, stretch: Flags, shut: Flags, set_c: float, steady_s: float
) -> Place:
    mean = float(np.nanmean(values[stretch]))
    highest = float(np.nanmax(values[shut]))
    # What a thermostat's swing reaches while steady is no overshoot.
    std = float(np.nanstd(values[stretch], ddof=1))
    swing = mean + float(np.sqrt(2.0)) * std
    return Place(
        column,
        sensor.x_m,
        sensor.y_m,
        sensor.z_m,
        mean,
        std,
        mean - set_c,
        highest,
        max(highest - swing, 0.0),
        steady_s,
    )


def _swing(time_s: Array, mean_c: Array) -> float:
    """Half swing of a sine as large as what is left of the mean in a usual stretch of `WATCHED_S` without its trend."""
    left = []
    for start in np.arange(float(time_s[0]), float(time_s[-1]) - 0.5 * WATCHED_S, WATCHED_S):
        there = (time_s >= start) & (time_s < start + WATCHED_S) & np.isfinite(mean_c)
        if np.count_nonzero(there) >= 5:
            at, values = time_s[there] - start, mean_c[there]
            rest = values - np.polyval(np.polyfit(at, values, 1), at)
            left.append(float(np.sqrt(2.0 * np.mean(rest**2))))
    return float(np.median(left)) if left else 0.0


def _openings(time_s: Array, values: Array, opened: list[float], from_s: float) -> tuple[Opening, ...]:
    """Each opening, from the moments at which every place was read: a mean of fewer is another place's."""
    seen = np.isfinite(values).all(axis=0)
    time_s, mean = time_s[seen], values[:, seen].mean(axis=0)
    found = []
    for i, at in enumerate(opened):
        if at < from_s:
            continue
        until = opened[i + 1] if i + 1 < len(opened) else np.inf
        before = mean[(time_s >= max(from_s, at - 120.0)) & (time_s < at)]
        after = (time_s >= at) & (time_s < until)
        if not len(before) or not after.any():
            continue
        level = float(np.mean(before))
        course, when = mean[after], time_s[after]
        lowest = int(np.argmin(course))
        back = np.flatnonzero(course[lowest:] >= level - NEAR_K)
        recovery = float(when[lowest + back[0]] - at) if len(back) else None
        found.append(Opening(at, level - float(course[lowest]), recovery))
    return tuple(found)


#: Names of the halves along each direction, the lower value first.
AXES = {"x_m": ("left", "right"), "y_m": ("front", "back"), "z_m": ("lower", "upper")}


def _zones(places: tuple[Place, ...]) -> dict[str, float]:
    """Means of each half along each direction less the grid's mean, K; places in the middle belong to neither."""
    grid = float(np.mean([one.mean_c for one in places]))
    found: dict[str, float] = {}
    for axis, names in AXES.items():
        known = [(one, at) for one in places if (at := getattr(one, axis)) is not None]
        if not known or np.ptp([at for _, at in known]) <= 0.0:
            continue
        middle = 0.5 * (min(at for _, at in known) + max(at for _, at in known))
        for name, side in zip(names, (-1.0, 1.0), strict=True):
            mine = [one.mean_c for one, at in known if side * (at - middle) > 1e-9]
            if mine:
                found[name] = float(np.mean(mine)) - grid
    return found


def _tilt(places: tuple[Place, ...]) -> tuple[float | None, float | None, float | None]:
    """Least-squares plane through the means of the places whose coordinates are all known."""
    known = [one for one in places if None not in (one.x_m, one.y_m, one.z_m)]
    if len(known) < FEWEST:
        return None, None, None
    at = np.array([[one.x_m, one.y_m, one.z_m] for one in known], float)
    vary = np.ptp(at, axis=0) > 0.0
    design = np.concatenate([np.ones((len(known), 1)), at[:, vary] - at[:, vary].mean(axis=0)], axis=1)
    slopes = np.linalg.lstsq(design, np.array([one.mean_c for one in known]), rcond=None)[0][1:]
    found = iter(slopes)
    x, y, z = (float(next(found)) if one else None for one in vary)
    return x, y, z


def place_uncertainty(
    heat: Heat, of: Survey, tolerance_k: float, reference_k: float, resolution_k: float, drift_k: float
) -> Budget:
    """Measurement uncertainty of one place's mean, the worst repeating one taken; for the arguments see
    `uncertainty_budget.thermocouple_components`.
    """
    worst = max(of.places, key=lambda one: one.std_k)
    values = heat.columns[worst.column]
    there = np.isfinite(values) & (heat.time_s >= of.steady_s) & (heat.time_s < of.end_s)
    readings = values[there]
    worth = independent(readings - readings.mean())
    return budget(thermocouple_components(tolerance_k, reference_k, resolution_k, drift_k, readings, worth))


def place_words(one: Place) -> str:
    """A place by its sensor, and where it is if that is known."""
    known = [
        f"{name} {at * 1e3:.0f}" for name, at in (("x", one.x_m), ("y", one.y_m), ("z", one.z_m)) if at is not None
    ]
    return sensor_of(one.column) + (f" ({', '.join(known)} mm)" if known else "")
