"""The competitors' problems as one batch of the product, and the product's ready times."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from competitors import LONGEST_S, Array, Problem

from thermal.conduction import TOLERANCE_K
from thermal.crossing import Threshold, first_times
from thermal.enthalpy import Material, material
from thermal.grid import INTERVALS
from thermal.slab import Slab
from thermal.surroundings import OvenAir, OvenFaces

#: Below any face: a maximum that is passed at once, so that a column ends when its coldest point has its limit.
_PASSED_AT_ONCE_C = -100.0


def batch_material(problems: Sequence[Problem]) -> Material:
    """Each problem's tables and melting corners, merged into knots of its own."""
    knots, capacity, conductivity = [], [], []
    for p in problems:
        corners = (p.onset_c, p.peak_c, p.end_c)
        knot_c = np.unique([*p.conductivity_c, *p.heat_capacity_c, *corners])
        excess = (0.0, 2.0 * p.enthalpy_j_kg / (p.end_c - p.onset_c), 0.0)
        knots.append(knot_c)
        capacity.append(
            np.interp(knot_c, p.heat_capacity_c, p.heat_capacity_j_kgk) + np.interp(knot_c, corners, excess)
        )
        conductivity.append(np.interp(knot_c, p.conductivity_c, p.conductivity_w_mk) * p.density_kg_m3)
    # A corner on a table's point leaves one knot fewer; points beyond the last, where all is constant, fill up.
    most = max(len(knot_c) for knot_c in knots)
    for i, knot_c in enumerate(knots):
        lacking = most - len(knot_c)
        knots[i] = np.append(knot_c, knot_c[-1] + 50.0 * np.arange(1, lacking + 1))
        capacity[i] = np.append(capacity[i], np.full(lacking, capacity[i][-1]))
        conductivity[i] = np.append(conductivity[i], np.full(lacking, conductivity[i][-1]))
    return material(*(np.stack(part, axis=1) for part in (knots, capacity, conductivity)))


def batch_slab(problems: Sequence[Problem]) -> Slab:
    """One column a problem."""

    def column(name: str) -> Array:
        return np.array([getattr(p, name) for p in problems], dtype=np.float64)

    def faces(name: str) -> Array:
        return np.array([getattr(p, name) for p in problems], dtype=np.float64).T.copy()

    air = OvenAir(
        air_c=column("set_c"),
        wall_c=column("set_c") + column("wall_offset_k"),
        drop_k=column("door_drop_k"),
        recovery_s=column("recovery_s"),
        lag_s=column("wall_lag_s"),
    )
    emissivity, zero = faces("emissivity"), np.zeros((2, len(problems)))
    return Slab(
        material=batch_material(problems),
        mass_kg_m2=column("density_kg_m3") * column("gauge_m"),
        start_c=column("start_c"),
        surroundings=OvenFaces(air, faces("h_w_m2k"), zero, emissivity, emissivity, zero),
    )


def ready_times(
    problems: Sequence[Problem], intervals: int = INTERVALS, tolerance_k: float = TOLERANCE_K, slab: Slab | None = None
) -> Array:
    """Ready times of a batch, s, (problems,); `slab` where it has been built already."""
    built = batch_slab(problems) if slab is None else slab
    limit_c = np.array([p.limit_c for p in problems])
    thresholds = [
        Threshold("coldest", limit_c, needed=True),
        Threshold("upper", np.full(len(problems), _PASSED_AT_ONCE_C), needed=False),
    ]
    times: Array = first_times(built, thresholds, LONGEST_S, intervals, tolerance_k)[0]
    return times
