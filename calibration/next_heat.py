"""Which heat to make next: the one of a small catalogue that would leave ready times surest.

Bayesian optimal design on the posterior, linearised: what a heat that has not happened would tell is its information
J'J at the fitted values, whatever it will read; added to what is known it gives the variance of ready times afterwards
(K. Chaloner, I. Verdinelli, Statistical Science 10 (1995) 273-304; here the criterion is the mean variance of the ready
times that matter, 'A-optimality' for their slopes).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from calibration import nonlinear
from calibration.heat_model import HeatModel
from calibration.oven_fit import OvenFit
from calibration.ready import ReadySlope, ready_slopes
from calibration.run import Place, Planned, Run, planned_run
from calibration.unknowns import layout
from thermal.case import Case

Array = NDArray[np.float64]

#: A heat of the catalogue is recorded this much longer than its sheet needs to be ready, and no longer than, s.
_LONGER, _LONGEST_S = 1.15, 3600.0
#: Gauges that ready times are judged for, m, beside those that were heated: thin and thick sheet of the trade.
JUDGED_M = (6e-3, 12e-3)
#: A set temperature of the catalogue lies this far off the usual one, K; walls are still cold so long after the oven's
#: air has come up, s.
_OFF_K, _COLD_S = 20.0, 120.0
_ALL: tuple[Place, ...] = ("upper", "lower", "core")


@dataclass(frozen=True)
class Advice:
    """One heat of the catalogue.

    Attributes:
        words: what to do. now_s, then_s: half width of the 90 % interval of the ready time that oven and polymer leave,
        before and after it, root mean square over the sheets judged, s.
    """

    words: str
    now_s: float
    then_s: float


def judged(fit: OvenFit) -> list[ReadySlope]:
    """Ready times that the choice is judged by: of the first polymer that was heated, in gauges of the trade."""
    case = fit.runs[0].case
    gauges = sorted({*JUDGED_M, *(run.case.gauge_m for run in fit.runs)})
    found = ready_slopes(fit, [replace(case, gauge_m=gauge, opening_m=None) for gauge in gauges])
    return [one for one in found if np.isfinite(one.time_s)]


def catalogue(fit: OvenFit) -> list[tuple[str, Planned]]:
    """Heats that could be made next: as the ones before but for one thing each."""
    case = replace(fit.runs[-1].case, opening_m=None, oven=fit.card)
    used = {round(run.case.gauge_m * 1e3, 1) for run in fit.runs}
    others = [gauge for gauge in (3.0, 6.0, 12.0) if all(abs(gauge - u) > 0.3 * gauge for u in used)]
    full = "thermocouples on both faces and in the core"
    found: list[tuple[str, Planned]] = [(f"the same again, with {full}", _planned(case))]
    found += [
        (f"a sheet of {gauge:g} mm, with {full}", _planned(replace(case, gauge_m=gauge * 1e-3))) for gauge in others
    ]
    found.append(
        (f"the same with both faces under bright foil, with {full}", replace(_planned(case), foiled=(True, True)))
    )
    found.append(
        (
            f"the same {_COLD_S / 60.0:g} minutes after the oven's air has come up, its walls still cold, with {full}",
            replace(_planned(case), on_for_s=_COLD_S),
        )
    )
    for off in (-_OFF_K, _OFF_K):
        set_c = case.set_c + off
        if set_c > case.polymer.forming.core_min_c + 5.0:
            words = f"the same with the oven {abs(off):g} K {'hotter' if off > 0 else 'colder'}, with {full}"
            found.append((words, _planned(replace(case, set_c=set_c))))
    return found


def _planned(case: Case) -> Planned:
    return Planned("next", case, 0.0, _ALL)


def next_heats(fit: OvenFit) -> list[Advice]:
    """The catalogue, the heat that helps most first; empty where no sheet that is judged ever gets ready."""
    slopes = judged(fit)
    if not slopes:
        return []
    gradient = np.stack([one.slope for one in slopes])
    now = _rms(gradient, fit.solution.covariance)
    usual = {round(one.case.gauge_m, 6): one.time_s for one in slopes}
    advice = []
    for words, planned in catalogue(fit):
        time_s = usual.get(round(planned.case.gauge_m, 6))
        if time_s is None or planned.case.set_c != fit.runs[-1].case.set_c:
            time_s = ready_slopes(fit, [planned.case])[0].time_s
        end_s = min(_LONGER * time_s, _LONGEST_S)
        told = information(fit, planned_run(replace(planned, end_s=end_s)))
        then = _rms(gradient, nonlinear.inverse(_precision(fit.solution.covariance) + told))
        advice.append(Advice(words, now, then))
    return sorted(advice, key=lambda one: one.then_s)


def _precision(covariance: Array) -> Array:
    """Inverse of a covariance in which infinite variances say nothing."""
    known = np.isfinite(np.diag(covariance))
    result = np.zeros_like(covariance)
    result[np.ix_(known, known)] = nonlinear.inverse(covariance[np.ix_(known, known)])
    return result


def _rms(gradient: Array, covariance: Array) -> float:
    """Root mean square half width over the sheets, s; unknowns that nothing determines make it infinite."""
    reached = np.any(gradient != 0.0, axis=0)
    if not np.all(np.isfinite(np.diag(covariance)[reached])):
        return float("inf")
    inner = covariance[np.ix_(reached, reached)]
    variances = np.einsum("ij,jk,ik->i", gradient[:, reached], inner, gradient[:, reached])
    return 1.6448536269514722 * float(np.sqrt(np.mean(np.maximum(variances, 0.0))))


def information(fit: OvenFit, run: Run) -> Array:
    """What a run would tell about the fit's free unknowns, (free, free): its own sheet and sensors taken as unknown as
    any, and marginalised (a Schur complement).
    """
    runs: Sequence[Run] = [run]
    own = layout(fit.card, runs, fit.settings)
    # The fitted values of oven and polymers; the new sheet and its sensors as stated.
    xi = np.zeros(len(own.all))
    at = {(one.kind, one.of, one.name): i for i, one in enumerate(fit.layout.all)}
    for i, one in enumerate(own.all):
        place = at.get((one.kind, one.of, one.name)) if one.kind in ("oven", "polymer") else None
        if place is not None:
            value = float(fit.layout.all[place].value(fit.xi[place]))
            xi[i] = one.xi(value)
    start: Array = np.linalg.lstsq(own.ties, xi, rcond=None)[0].astype(np.float64)
    _, jacobian = HeatModel(runs, own, fit.wander_k).both(start)
    shared: list[int] = []
    mine: list[int] = []
    for j, name in enumerate(own.names):
        (shared if name in fit.layout.names and not name.startswith("heat ") else mine).append(j)
    theirs, ours = jacobian.take(shared, axis=1), jacobian.take(mine, axis=1)
    inner, cross = ours.T @ ours + np.eye(len(mine)), ours.T @ theirs
    schur = theirs.T @ theirs - cross.T @ np.linalg.solve(inner, cross)
    result = np.zeros((len(fit.layout.names),) * 2)
    where = [fit.layout.names.index(own.names[j]) for j in shared]
    result[np.ix_(where, where)] = schur
    return result
