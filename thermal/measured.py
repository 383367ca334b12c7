"""A recorded heat beside the model: its air drives the prediction, its other readings are compared with it."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from thermal.build import slab
from thermal.case import Case, Departures, MeasuredAir
from thermal.fields import InputError
from thermal.heat import Heat, filled
from thermal.history import History, record
from thermal.preheat import Preheat, judge_preheat
from thermal.sag import equivalent_radius_m
from thermal.uncertainty import draw

Array = NDArray[np.float64]

#: Gaps in the air up to this long are bridged by a straight line, s (our choice: below an oven's recovery time).
BRIDGED_S = 60.0
#: Recorded air is averaged over this long before it drives the model, s: a sheet of 3 mm answers far slower.
KNOT_S = 5.0
#: A difference (root mean square) below this is called agreement: what a good thermocouple and a ruler leave uncertain.
AGREES = {"K": 1.0, "mm": 3.0}
_DRAWS = 40
_FEWEST = 3


def measured_air(heat: Heat) -> MeasuredAir:
    """The recorded air (and walls) of a heat from the moment the sheet went in until it was taken out.

    Several channels of a role are averaged where they are measured; with one face's air only, it serves both. The air
    of the preheat, where it was recorded, says how warm the walls were when the sheet went in.

    Raises:
        InputError: no air column, or air missing for longer than `BRIDGED_S`.
    """
    time = heat.time_s
    known = [_one(heat, "air_upper_c"), _one(heat, "air_lower_c")]
    measured_at = (0 if known[0] is not None else 1, 1 if known[1] is not None else 0)
    upper, lower = (known[face] for face in measured_at)
    if upper is None or lower is None:
        raise InputError(
            "the heat file has no air_upper_c or air_lower_c: expected one of them, since the air drives the model; "
            "record it, or plan without the heat"
        )
    # A face's own short gap is bridged before the other face's air stands in for it: the two may differ.
    upper, lower = (filled(time, values, BRIDGED_S).values for values in (upper, lower))
    apart_k = _apart_k(upper, lower)
    upper, lower = (
        np.where(np.isnan(upper), lower + apart_k, upper), np.where(np.isnan(lower), upper - apart_k, lower)
    )  # fmt: skip
    end = taken_out_s(heat)
    inside = (time >= 0.0) & (time < end)
    if np.count_nonzero(inside) < _FEWEST:
        raise InputError(
            f"the heat file has fewer than {_FEWEST} rows from time_s = 0 on: expected the sheet's stay in the oven"
        )
    used = [_bridged("air", time, values, end) for values in (upper, lower)]
    walls = _one(heat, "wall_c")
    last = min(_last(values) for values in used)
    keep = np.flatnonzero(inside & (np.arange(len(time)) <= last))
    mean = 0.5 * (upper + lower)
    before = np.flatnonzero((time < 0.0) & np.isfinite(mean))
    knots, groups = _knots(time[keep])
    wall = None
    if walls is not None:
        filled_walls = filled(time, walls, BRIDGED_S).values
        if np.all(np.isfinite(filled_walls[keep])):
            wall = _means(filled_walls[keep], groups)
    return MeasuredAir(
        knots,
        _means(used[0][keep], groups),
        _means(used[1][keep], groups),
        wall,
        time[before],
        mean[before],
        measured_at,
    )


def taken_out_s(heat: Heat) -> float:
    """When the sheet left the oven's air: the door opened for the last time before 'pulled', else 'pulled' itself.

    Infinity where the heat has no such event: then all of it counts.
    """
    pulled = next((event.time_s for event in heat.events if event.name == "pulled" and event.time_s > 0.0), np.inf)
    doors = [e for e in heat.events if e.name in ("door_open", "door_closed") and 0.0 < e.time_s <= pulled]
    return doors[-1].time_s if doors and doors[-1].name == "door_open" and pulled < np.inf else pulled


def recorded_preheat(case: Case, heat: Heat) -> Preheat | None:
    """Verdict on the oven from the rows before the sheet went in; None where there are none.

    Readings of the door already open for the sheet are left out: they say nothing about the oven.
    """
    opened = [event.time_s for event in heat.events if event.name == "door_open" and event.time_s <= 0.0]
    closed = [event.time_s for event in heat.events if event.name == "door_closed" and event.time_s <= 0.0]
    until = opened[-1] if opened and (not closed or closed[-1] < opened[-1]) else 0.0
    rows = heat.time_s < until
    air = _mean_of([one for role in ("upper", "lower") if (one := _one(heat, f"air_{role}_c")) is not None])
    if air is None or not rows.any():
        return None
    walls = _one(heat, "wall_c")
    return judge_preheat(case.oven, case.set_c, heat.time_s[rows], air[rows], None if walls is None else walls[rows])


def _apart_k(upper: Array, lower: Array) -> float:
    """How much warmer the air at the upper face is, where both are known, K; 0 where they never are."""
    both = np.isfinite(upper) & np.isfinite(lower)
    return float(np.mean(upper[both] - lower[both])) if both.any() else 0.0


def _one(heat: Heat, role: str) -> Array | None:
    """Mean of a role's channels where measured, NaN elsewhere; None without the role or without any reading."""
    return _mean_of(list(heat.series(role).values()))


def _mean_of(channels: list[Array]) -> Array | None:
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


def _bridged(name: str, time_s: Array, values: Array, until_s: float) -> Array:
    result = filled(time_s, values, BRIDGED_S)
    inner = [gap for gap in result.gaps_s if gap[1] >= 0.0 and gap[1] < time_s[_last(values)] and gap[0] < until_s]
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
        column, unit: name in the heat file; 'K' or 'mm' (of the differences). time_s, measured, predicted: readings
        used, °C or mm, (readings,).
        band: 5 and 95 % of the prediction, (2, readings). mean, rms, worst: measured - predicted; worst_s: when.
        outside: share of the readings outside the band.
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

    @property
    def agrees(self) -> bool:
        """Whether the difference is within what a good sensor leaves uncertain."""
        return self.rms <= AGREES[self.unit]

    def reached_s(self, level: float) -> tuple[float | None, float | None]:
        """When measured and predicted readings first reached a level, s; None: not in the record."""
        measured, predicted = (_reached_s(self.time_s, values, level) for values in (self.measured, self.predicted))
        return measured, predicted


def _reached_s(time_s: Array, values: Array, level: float) -> float | None:
    at = int(np.argmax(values >= level))
    if values[at] < level:
        return None
    if at == 0:
        return float(time_s[0])
    part = (level - values[at - 1]) / (values[at] - values[at - 1])
    return float(time_s[at - 1] + part * (time_s[at] - time_s[at - 1]))


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
    return Residual(
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
    )


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


@dataclass(frozen=True)
class Recorded:
    """A recorded heat beside the model.

    Attributes:
        residuals: by column; empty: the file has nothing of the sheet. preheat: None without rows before the sheet.
    """

    residuals: tuple[Residual, ...]
    preheat: Preheat | None


def beside(case: Case, heat: Heat) -> Recorded:
    """All that a recorded heat says about a case that its air drives."""
    return Recorded(compare(case, heat), recorded_preheat(case, heat))
