"""How sure a fitted oven makes ready times: their slope in what was fitted, for sheets that are to be heated."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from calibration.heat_model import INTERVALS, Group, HeatModel
from calibration.oven_fit import OvenFit
from calibration.run import Planned, Run, planned_run
from calibration.unknowns import Layout
from thermal.case import Case
from thermal.crossing import Threshold, first_times
from thermal.slab import Slab
from thermal.window import horizon_s

Array = NDArray[np.float64]

#: Step of an unknown for the slope of a ready time, in its standard uncertainties; 5 and 95 % of a normal distribution.
_STEP, _Z = 0.1, 1.6448536269514722


@dataclass(frozen=True)
class ReadySlope:
    """Ready time of one sheet and its slope.

    Attributes:
        case. time_s: with the fitted values; infinity for never. slope: d(time)/d(xi) of the fit's free unknowns, s,
        (free,); zero for those of sheets and sensors, which are another sheet's.
    """

    case: Case
    time_s: float
    slope: Array

    def half_width_s(self, covariance: Array) -> float:
        """Half of the interval from 5 to 95 % that oven (and polymer) leave, s."""
        return _Z * float(np.sqrt(max(float(self.slope @ covariance @ self.slope), 0.0)))


def ready_slopes(fit: OvenFit, cases: Sequence[Case]) -> list[ReadySlope]:
    """Ready times of sheets in the fitted oven, and how they follow from what was fitted."""
    return [_one(fit, case) for case in cases]


def _one(fit: OvenFit, case: Case) -> ReadySlope:
    case = replace(case, oven=fit.card, measured=None)
    until = horizon_s(case.gauge_m * 1.1)
    run = planned_run(Planned("", case, until))
    moved = [
        j
        for j in range(len(fit.layout.names))
        if (one := fit.layout.lead(j)).kind == "oven" or (one.kind == "polymer" and one.of == case.polymer.id)
    ]
    points = np.repeat(fit.solution.x[:, None], 2 * len(moved) + 1, axis=1)
    for k, j in enumerate(moved):
        points[j, 1 + 2 * k] += _STEP
        points[j, 2 + 2 * k] -= _STEP
    problem = heated_problem(fit.layout, run, fit.layout.ties @ points)
    core = np.full(problem.batch, case.polymer.forming.core_min_c)
    times = first_times(problem, [Threshold("coldest", core, True)], until, INTERVALS)[0]
    slope = np.zeros(len(fit.layout.names))
    slope[moved] = np.nan_to_num(times[1::2] - times[2::2]) / (2.0 * _STEP)
    return ReadySlope(case, float(np.nan_to_num(times[0], nan=np.inf)), slope)


def heated_problem(layout: Layout, run: Run, xi: Array) -> Slab:
    """The heating of a run's sheet in the oven of a fit, sets of unknowns xi (all, sets); its own unknowns are not in
    the fit's layout, and stay as stated.
    """
    oven_only = replace(layout, at={key: place for key, place in layout.at.items() if key[0] in ("oven", "polymer")})
    bare = HeatModel([replace(run, series=())], oven_only)
    group: Group = bare.groups[0]
    return bare.problem(group, np.zeros(xi.shape[1], np.intp), xi)
