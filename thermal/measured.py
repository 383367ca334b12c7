"""A recorded heat beside the model: its air drives the prediction, its other readings are compared with it."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from thermal.case import Case, Departures, MeasuredAir, slab
from thermal.fields import InputError
from thermal.heat import Heat, filled, sensor_of
from thermal.history import History, record
from thermal.sag import equivalent_radius_m
from thermal.uncertainty import draw

Array = NDArray[np.float64]

#: Gaps in the air up to this long are bridged by a straight line, s (our choice: below an oven's recovery time).
BRIDGED_S = 60.0
#: Recorded air is averaged over this long before it drives the model, s: a sheet of 3 mm answers far slower.
KNOT_S = 5.0
_DRAWS = 40
_FEWEST = 3


def measured_air(heat: Heat) -> MeasuredAir:
    """The recorded air (and walls) of a heat from the moment the sheet went in.

    Several channels of a role are averaged where they are measured; with one face's air only, it serves both.

    Raises:
        InputError: no air column, or air missing for longer than `BRIDGED_S`.
    """
    time = heat.time_s
    known = {role: _one(heat, f"air_{role}_c") for role in ("upper", "lower")}
    for role, other in (("upper", "lower"), ("lower", "upper")):
        if known[role] is None:
            known[role] = known[other]
    upper, lower = known["upper"], known["lower"]
    if upper is None or lower is None:
        raise InputError(
            "the heat file has no air_upper_c or air_lower_c: the air drives the model; record it, or plan without --measured"
        )
    upper, lower = np.where(np.isnan(upper), lower, upper), np.where(np.isnan(lower), upper, lower)
    inside = time >= 0.0
    if np.count_nonzero(inside) < _FEWEST:
        raise InputError(
            f"the heat file has fewer than {_FEWEST} rows from time_s = 0 on: expected the sheet's stay in the oven"
        )
    used = [_bridged("air", time, values) for values in (upper, lower)]
    walls = _one(heat, "wall_c")
    last = min(_last(values) for values in used)
    keep = np.flatnonzero(inside & (np.arange(len(time)) <= last))
    knots, groups = _knots(time[keep])
    wall = None
    if walls is not None:
        filled_walls = filled(time, walls, BRIDGED_S).values
        if np.all(np.isfinite(filled_walls[keep])):
            wall = _means(filled_walls[keep], groups)
    return MeasuredAir(knots, _means(used[0][keep], groups), _means(used[1][keep], groups), wall)


def _one(heat: Heat, role: str) -> Array | None:
    """Mean of a role's channels where measured, NaN elsewhere; None without the role or without any reading."""
    channels = list(heat.series(role).values())
    if not channels:
        return None
    stack = np.stack(channels)
    present = np.isfinite(stack)
    count = present.sum(axis=0)
    if not count.any():
        return None
    total = np.where(present, stack, 0.0).sum(axis=0)
    return np.where(count > 0, total / np.maximum(count, 1), np.nan)


def _last(values: Array) -> int:
    return int(np.flatnonzero(np.isfinite(values))[-1])


def _bridged(name: str, time_s: Array, values: Array) -> Array:
    result = filled(time_s, values, BRIDGED_S)
    inner = [gap for gap in result.gaps_s if gap[1] >= 0.0 and gap[1] < time_s[_last(values)]]
    if inner:
        start, end = inner[0]
        raise InputError(
            f"{name} is missing from {start:g} to {end:g} s: expected gaps of at most {BRIDGED_S:g} s; "
            "without the air nothing can be predicted across it; cut the file before it"
        )
    return result.values


def _knots(time_s: Array) -> tuple[Array, NDArray[np.intp]]:
    """Times of the driving series, and which of them each reading belongs to."""
    groups = np.unique((time_s / KNOT_S).astype(np.int64), return_inverse=True)[1]
    return _means(time_s, groups), groups


def _means(values: Array, groups: NDArray[np.intp]) -> Array:
    result: Array = np.bincount(groups, values) / np.bincount(groups)
    return result


@dataclass(frozen=True)
class Residual:
    """One recorded column beside its prediction.

    Attributes:
        column, unit: name in the heat file; 'K' or 'mm'. time_s, measured, predicted: readings used, (readings,).
        band: 5 and 95 % of the prediction, (2, readings). mean, rms, worst: measured - predicted; worst_s: when.
        outside: share of the readings outside the band. lag_stated: whether the sensor's lag was known.
        words: the finding in one sentence.
    """

    column: str
    unit: str
    time_s: Array
    measured: Array
    predicted: Array
    band: Array
    mean: float
    rms: float
    worst: float
    worst_s: float
    outside: float
    words: str


def compare(case: Case, heat: Heat) -> tuple[Residual, ...]:
    """Predicted against measured faces, core and drop of a heat whose air drives the case.

    Readings from the sheet's entry to the end of the air record are used; a column without any is left out.
    """
    if case.measured is None:
        case = replace(case, measured=measured_air(heat))
    assert case.measured is not None
    end = float(case.measured.time_s[-1])
    drawn = draw(case, _DRAWS).departures
    history = record(slab(case, drawn), end)
    found = []
    for role in ("face_upper_c", "face_lower_c", "core_c", "drop_mm"):
        for column, values in heat.series(role).items():
            used = np.isfinite(values) & (heat.time_s >= 0.0) & (heat.time_s <= end)
            if role == "drop_mm" and history.slab.sag is None:
                continue
            if np.count_nonzero(used) >= _FEWEST:
                found.append(_residual(case, heat, history, drawn, role, column, used))
    return tuple(found)


def _residual(
    case: Case,
    heat: Heat,
    history: History,
    drawn: Departures,
    role: str,
    column: str,
    used: NDArray[np.bool_],
) -> Residual:
    time, measured = heat.time_s[used], heat.columns[column][used]
    predictions = np.stack([_predicted(case, heat, history, role, column, time, i) for i in range(drawn.batch)])
    predicted, band = predictions[0], np.quantile(predictions[1:], [0.05, 0.95], axis=0)
    residual = measured - predicted
    at = int(np.argmax(np.abs(residual)))
    outside = float(np.mean((measured < band[0]) | (measured > band[1])))
    unit = "mm" if role == "drop_mm" else "K"
    result = Residual(
        column,
        unit,
        time,
        measured,
        predicted,
        band,
        float(residual.mean()),
        float(np.sqrt(np.mean(residual**2))),
        float(residual[at]),
        float(time[at]),
        outside,
        "",
    )
    return replace(result, words=_words(result))


def _predicted(
    case: Case, heat: Heat, history: History, role: str, column: str, time_s: Array, draw_number: int
) -> Array:
    """What the sensor would read, lag included, (readings,)."""
    if role == "drop_mm":
        assert case.opening_m is not None
        return history.drop_ratio_at(time_s, draw_number) * equivalent_radius_m(case.opening_m) * 1e3
    profile = history.temperature_at(time_s, draw_number)
    sensor = heat.sensor(column)
    if role == "core_c":
        # A core thermocouple of unstated depth is taken to sit in the middle.
        place = 0.5 if sensor.depth_m is None else float(np.clip(sensor.depth_m / case.gauge_m, 0.0, 1.0))
    else:
        place = 0.0 if role == "face_upper_c" else 1.0
    nodes = np.linspace(0.0, 1.0, len(profile))
    truth = np.array([np.interp(place, nodes, at_time) for at_time in profile.T])
    return lagged(time_s, truth, sensor.lag_s or 0.0)


def lagged(time_s: Array, truth: Array, lag_s: float) -> Array:
    """First-order answer of a sensor: lag dy/dt = truth - y, exact for a truth linear between the times."""
    if lag_s <= 0.0:
        return truth
    reading = np.empty_like(truth)
    reading[0] = truth[0]
    for i, step in enumerate(np.diff(time_s)):
        slope = (truth[i + 1] - truth[i]) / step
        settled = truth[i + 1] - slope * lag_s
        reading[i + 1] = settled + (reading[i] - truth[i] + slope * lag_s) * np.exp(-step / lag_s)
    return reading


#: A mean difference below this is called agreement: the noise of a good thermocouple, and of a drop sensor.
_AGREES = {"K": 1.0, "mm": 3.0}
_QUANTITY = {"K": ("warmer", "colder"), "mm": ("deeper", "higher")}


def _words(r: Residual) -> str:
    name = sensor_of(r.column).replace("_", " ")
    size = f"{r.rms:.1f} {r.unit}"
    more, less = _QUANTITY[r.unit]
    if r.rms <= _AGREES[r.unit]:
        verdict = f"{name} as predicted (differs by {size} on the whole)"
    else:
        side = more if r.mean > 0 else less
        verdict = (
            f"{name} {abs(r.mean):.1f} {r.unit} {side} than predicted on average, at most "
            f"{abs(r.worst):.1f} {r.unit} {more if r.worst > 0 else less} at {r.worst_s:.0f} s"
        )
    if r.outside <= 0.1:
        return verdict + "; within what the plan holds possible"
    return verdict + f"; {r.outside:.0%} of the time outside what the plan holds possible (5 to 95 %)"
