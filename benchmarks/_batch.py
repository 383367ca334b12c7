"""The competitors' problems as one batch of the product: ready times, the core's rate there, steps taken."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from competitors import LONGEST_S, Array, Problem
from thermal.conduction import TOLERANCE_K, Moment, march
from thermal.crossing import Threshold, first_times
from thermal.enthalpy import Material, material
from thermal.grid import INTERVALS
from thermal.slab import Slab
from thermal.surroundings import OvenAir, OvenFaces

#: Below any face: a maximum that is passed at once, so that a column ends when its coldest point has its limit.
_PASSED_AT_ONCE_C = -100.0
#: Knots of a material must increase; where a melting corner meets a table's point they are this far apart, K.
_KNOT_GAP_K = 1e-6


def _rows(problems: Sequence[Problem], name: str) -> Array:
    """A quantity of all problems, the problems along the last axis."""
    return np.ascontiguousarray(np.array([getattr(p, name) for p in problems], dtype=np.float64).T)


def _linear(knot_c: Array, at_c: Array, value: Array) -> Array:
    """Tables, (points, batch), at knots, (knots, batch): linear between the points, constant beyond them."""
    total = np.broadcast_to(value[0], knot_c.shape).copy()
    for low, high, step in zip(at_c[:-1], at_c[1:], np.diff(value, axis=0), strict=True):
        total += step * np.clip((knot_c - low) / (high - low), 0.0, 1.0)
    return total


def batch_material(problems: Sequence[Problem]) -> Material:
    """Each problem's tables and melting corners, merged into knots of its own."""
    conductivity_c, heat_capacity_c = _rows(problems, "conductivity_c"), _rows(problems, "heat_capacity_c")
    corners = np.stack([_rows(problems, name) for name in ("onset_c", "peak_c", "end_c")])
    points = np.unique(np.concatenate([conductivity_c, heat_capacity_c]), axis=0)  # one of rows that agree everywhere
    spread = np.arange(len(points) + 3)[:, None] * _KNOT_GAP_K
    knot_c = np.sort(np.concatenate([points, corners]), axis=0)
    knot_c = np.maximum.accumulate(knot_c - spread, axis=0) + spread
    height = 2.0 * _rows(problems, "enthalpy_j_kg") / (corners[2] - corners[0])
    capacity = _linear(knot_c, heat_capacity_c, _rows(problems, "heat_capacity_j_kgk"))
    capacity += _linear(knot_c, corners, np.stack([0.0 * height, height, 0.0 * height]))
    conductivity = _linear(knot_c, conductivity_c, _rows(problems, "conductivity_w_mk"))
    return material(knot_c, capacity, conductivity * _rows(problems, "density_kg_m3"))


def batch_slab(problems: Sequence[Problem]) -> Slab:
    """One column a problem."""
    set_c = _rows(problems, "set_c")
    air = OvenAir(
        air_c=set_c,
        wall_c=set_c + _rows(problems, "wall_offset_k"),
        drop_k=_rows(problems, "door_drop_k"),
        recovery_s=_rows(problems, "recovery_s"),
        lag_s=_rows(problems, "wall_lag_s"),
    )
    emissivity, zero = _rows(problems, "emissivity"), np.zeros((2, len(problems)))
    return Slab(
        material=batch_material(problems),
        mass_kg_m2=_rows(problems, "density_kg_m3") * _rows(problems, "gauge_m"),
        start_c=_rows(problems, "start_c"),
        surroundings=OvenFaces(air, _rows(problems, "h_w_m2k"), zero, emissivity, emissivity, zero),
    )


def passing_times(
    problems: Sequence[Problem], above_k: Sequence[float], intervals: int = INTERVALS, tolerance_k: float = TOLERANCE_K
) -> Array:
    """When the coldest points pass their limits by so many kelvin, s, (above_k, problems)."""
    limit_c = _rows(problems, "limit_c")
    at_once = Threshold("upper", np.full(len(problems), _PASSED_AT_ONCE_C), needed=False)
    asked = [Threshold("coldest", limit_c + above, needed=True) for above in above_k]
    return first_times(batch_slab(problems), [*asked, at_once], LONGEST_S, intervals, tolerance_k)[:-1]


def ready_times(problems: Sequence[Problem], intervals: int = INTERVALS, tolerance_k: float = TOLERANCE_K) -> Array:
    """Ready times of a batch from nothing but the problems, s, (problems,)."""
    times: Array = passing_times(problems, (0.0,), intervals, tolerance_k)[0]
    return times


class _Counter:
    """Observer that counts the steps that moved a column."""

    def __init__(self, batch: int) -> None:
        self.steps, self._time_s = np.zeros(batch, np.intp), np.zeros(batch)

    def see(self, moment: Moment) -> None:
        self.steps[moment.columns] += moment.time_s > self._time_s[moment.columns]
        self._time_s[moment.columns] = moment.time_s


def mean_steps(problems: Sequence[Problem], until_s: Array, intervals: int, tolerance_k: float) -> float:
    """Steps of a column until its end, mean over the batch."""
    counter = _Counter(len(problems))
    march(batch_slab(problems), until_s, counter, intervals, tolerance_k)
    return float(counter.steps.mean())
