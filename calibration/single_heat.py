"""One heat fitted by itself, with what the other heats say of the oven as its prior: what each explanation of an odd
heat is judged by.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calibration import nonlinear
from calibration.heat_model import HeatModel
from calibration.nonlinear import Priors
from calibration.oven_fit import OvenFit, fit
from calibration.run import Run, Series
from calibration.unknowns import Layout, Settings, layout
from thermal.oven import OvenCard

Array = NDArray[np.float64]

#: How exactly a hypothesis is fitted, relative, of the cost, and the heating's tolerance, K: explanations differ by
#: far more than either moves them.
ROUGH, ROUGH_K = 3e-3, 1e-2
#: Evaluations at most.
MOST = 12


@dataclass(frozen=True)
class Alone:
    """A heat fitted by itself under what the others say of the oven: twice its negative log-likelihood, and model."""

    cost: float
    model: HeatModel
    x: Array


def known_from(card: OvenCard, others: Sequence[Run], settings: Settings, prior: OvenCard | None) -> OvenFit | None:
    """What other heats say of the oven; None where there are none."""
    return fit(card, others, settings, prior, starts=1, noise_rounds=0) if others else None


def alone(run: Run, card: OvenCard, settings: Settings, known: OvenFit | None, most: int = MOST) -> Alone:
    """Fit one heat.

    Args:
        known: see `known_from`. most: evaluations at most.

    Raises:
        ArithmeticError: it cannot be heated so.
    """
    of = layout(card, [run], settings)
    model = HeatModel([run], of, tolerance_k=ROUGH_K)
    low, high = of.bounds()
    before = _prior_from(of, known)
    start = np.clip(before.centre, low, high)
    found = nonlinear.solve(model, start[:, None], before, low, high, tolerance=ROUGH, most=most)
    return Alone(found.cost + determinants(model), model, found.x)


def determinants(model: HeatModel) -> float:
    """What the whitening leaves out of twice the negative log-likelihood: hypotheses whiten different readings."""
    return -2.0 * float(sum(np.sum(np.log(np.diag(seen.root))) for seen in model.seen))


def seen_from(run: Run, one: Series, rest: Alone, base: Alone) -> Array:
    """What a sensor should have read, from the fit of the heat's other sensors, (bins,)."""
    whole = base.model
    x = np.zeros(len(whole.layout.names))
    for j, name in enumerate(whole.layout.names):
        if name in rest.model.layout.names:
            x[j] = rest.x[rest.model.layout.names.index(name)]
    for seen, found in zip(whole.seen, whole.predictions(whole.layout.ties @ x), strict=True):
        if seen.series.column == one.column:
            return found.value
    raise AssertionError(f"{run.name} has no sensor {one.column}")


def _prior_from(of: Layout, known: OvenFit | None) -> Priors:
    """The other heats' posterior of oven and polymers, and the usual priors of the rest."""
    n = len(of.names)
    if known is None:
        return Priors(np.zeros(n), np.eye(n))
    shared = [j for j, name in enumerate(of.names) if name in known.layout.names and not name.startswith("heat ")]
    theirs = [known.layout.names.index(of.names[j]) for j in shared]
    covariance_of = known.solution.covariance[np.ix_(theirs, theirs)].copy()
    open_ended = ~np.isfinite(np.diag(covariance_of))
    covariance_of[open_ended, open_ended] = 1e4
    centre = np.zeros(n)
    for j, k in zip(shared, theirs, strict=True):
        # Stated values differ where the faces' measured air does: carried over by value.
        ours, lead = of.lead(j), known.layout.lead(k)
        centre[j] = ours.xi(float(lead.value(known.solution.x[k])))
    rows = np.eye(n)
    # Ovens do not repeat themselves to the last digit: a tenth of the prior's spread is left to each heat.
    values, vectors = np.linalg.eigh(covariance_of + 0.01 * np.eye(len(shared)))
    block = np.zeros((len(shared), n))
    block[:, shared] = (vectors / np.sqrt(values)).T
    kept = [i for i in range(n) if i not in shared]
    return Priors(centre, np.concatenate([rows[kept], block]))
