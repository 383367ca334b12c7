"""The calibration of an oven: its unknowns and the heats' own, fitted together; and what is recorded of the result."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from calibration import nonlinear
from calibration.heat_model import HeatModel
from calibration.nonlinear import Solution
from calibration.residual_tests import ResidualTests, residual_tests
from calibration.run import Place, Run
from calibration.sensing import BIAS_K, WANDER_K, binned, effective_size
from calibration.unknowns import Layout, Settings, Unknown, label, layout, priors
from calibration.wander import found_wander
from thermal.fields import InputError
from thermal.oven import OvenCard

Array = NDArray[np.float64]

#: Starts that are tried in one batch, and how many of them are followed.
STARTS, FOLLOWED = 16, 2
#: How often the sensors' wander is found anew.
_NOISE_ROUNDS = 1
#: Relative, of the cost: starts are compared at the first, the best is finished at the second; and the heating's own
#: tolerance meanwhile, K (it moves no value by more than a hundredth of its standard error).
_ROUGH, _TOLERANCE = 3e-3, 3e-4
_ROUGH_K = 1e-2
#: Two starts that ended this near, in twice the logarithm of the likelihood, found the same.
_SAME = 1.0
#: Of a normal distribution: 5 and 95 %.
_Z = 1.6448536269514722
#: Whitened residuals beyond this (root mean square) say that the model does not fit.
_MISFIT = 1.5


@dataclass(frozen=True)
class Column:
    """One sensor's readings after the fit.

    Attributes:
        run: number of the heat. column; time_s, measured, predicted: (bins,), °C. whitened: residuals in their
        standard deviations, each what the ones before do not explain. noise_k, wander_k: as found. bias_k: constant
        error that its residuals suggest. independent: how many independent readings it is worth. tests: of `whitened`.
    """

    run: int
    column: str
    time_s: Array
    measured: Array
    predicted: Array
    whitened: Array
    noise_k: float
    wander_k: float
    bias_k: float
    independent: float
    tests: ResidualTests | None


@dataclass(frozen=True)
class Value:
    """One unknown as found.

    Attributes:
        name: see `unknowns.label`. kind: see `Unknown`. stated, value: before and after. std: of the value; infinite
        where nothing determines it. interval: 5 and 95 %. prior_std: standard uncertainty before; None: no prior
        counted. learned: share of that variance (of the usual one where no prior counted) that the heats took away,
        0 to 1. fixed, at_bound.
    """

    name: str
    kind: str
    stated: float
    value: float
    std: float
    interval: tuple[float, float]
    prior_std: float | None
    learned: float
    fixed: bool
    at_bound: bool


@dataclass(frozen=True)
class OvenFit:
    """What came out of a calibration.

    Attributes:
        card: that it started from. runs: that were fitted, in order. settings. values: every unknown, the oven's first.
        order: names of the rows of covariance and correlation: the oven's free values (and the polymers', where they
        were sought), in the values' own units. columns: every sensor. wander_k: see `HeatModel`; integrated over.
        misfit: root mean square of the whitened residuals, about 1 where all is as assumed. readings: recorded and
        compared; independent: how many independent ones they are worth. status: 'converged', or what went wrong.
        starts, agreeing: followed starts, and how many ended at the best one's minimum. fingerprints: of the heats'
        data.
        solution, layout: for what is computed from the fit.
    """

    card: OvenCard
    runs: tuple[Run, ...]
    settings: Settings
    values: tuple[Value, ...]
    order: tuple[str, ...]
    covariance: tuple[tuple[float, ...], ...]
    correlation: tuple[tuple[float, ...], ...]
    columns: tuple[Column, ...]
    wander_k: Mapping[Place, float]
    misfit: float
    readings: int
    independent: float
    status: str
    starts: int
    agreeing: int
    evaluations: int
    fingerprints: tuple[tuple[str, str], ...]
    solution: Solution = field(repr=False)
    layout: Layout = field(repr=False)

    def value(self, name: str) -> Value | None:
        """One of the values by its name."""
        return next((one for one in self.values if one.name == name), None)

    @property
    def fits(self) -> bool:
        """Whether the residuals are as large as the noise explains."""
        return self.misfit <= _MISFIT

    @property
    def xi(self) -> Array:
        """All unknowns at the solution, (all,)."""
        result: Array = self.layout.ties @ self.solution.x
        return result


def fit(
    card: OvenCard, runs: Sequence[Run], settings: Settings | None = None, prior: OvenCard | None = None,
    starts: int = STARTS, noise_rounds: int = _NOISE_ROUNDS,
) -> OvenFit:  # fmt: skip
    """Fit an oven's coefficients to heats.

    Args:
        card: values to start from, about which the weak priors lie. prior: card whose uncertainty is the oven's prior
        (usually the same card); None: the weak ones of `unknowns`. starts: tried; 1: only the card's values.
        noise_rounds: how often the wander is found and the fit finished with it; 0: taken as usual.

    Raises:
        InputError: no heat, or none with a reading of the sheet.
        ArithmeticError: a value is so extreme that the heating cannot be computed.
    """
    settings = settings or Settings()
    if not any(run.series for run in runs):
        raise InputError(
            "no heat has a reading of the sheet: expected face_upper_c, face_lower_c or core_c in at least one of them"
        )
    of = layout(card, runs, settings)
    before = priors(of, settings, prior)
    low, high = of.bounds()
    wander: Mapping[Place, float] = {}
    begin = _starts(of, starts, low, high)
    model = HeatModel(runs, of, wander, tolerance_k=_ROUGH_K)
    solution = nonlinear.solve(model, begin, before, low, high, follow=FOLLOWED, tolerance=_ROUGH)
    evaluations = solution.evaluations
    found = (len(solution.starts), sum(cost <= solution.cost + _SAME for cost in solution.starts))
    for _ in range(max(noise_rounds, 1)):
        if noise_rounds:
            wander = found_wander(model, solution, before).amplitude_k
        model = HeatModel(runs, of, wander)
        solution = nonlinear.solve(model, solution.x[:, None], before, low, high, tolerance=_TOLERANCE)
        evaluations += solution.evaluations
    if noise_rounds:
        mixed = found_wander(model, solution, before).covariance
        known = np.isfinite(np.diag(solution.covariance))
        covariance = np.where(np.outer(known, known), mixed, solution.covariance)
        solution = replace(solution, covariance=covariance)
    return _record(card, tuple(runs), settings, prior, of, model, solution, wander, found, evaluations)


def _starts(of: Layout, count: int, low: Array, high: Array) -> Array:
    """The card's values, and others spread over what is possible of the oven and the polymers, (free, count)."""
    zero = np.zeros((len(of.names), 1))
    if count < 2:
        return zero
    about = nonlinear.starts_about(np.ones(len(of.names)), count, 1.0)[:, 1:]
    leads = [of.lead(j).kind for j in range(len(of.names))]
    spread: Array = np.where(np.isin(leads, ("oven", "polymer")), 1.0, 0.0)[:, None] * np.log(about)
    result: Array = np.clip(np.concatenate([zero, spread], axis=1), low[:, None], high[:, None])
    return result


def _record(
    card: OvenCard, runs: tuple[Run, ...], settings: Settings, prior: OvenCard | None, of: Layout, model: HeatModel,
    solution: Solution, wander: Mapping[Place, float], starts: tuple[int, int], evaluations: int,
) -> OvenFit:  # fmt: skip
    columns = _columns(model, solution, wander)
    before = priors(of, settings, prior)
    prior_var = np.diag(nonlinear.inverse(before.root.T @ before.root))
    values = tuple(_value(of, i, solution, prior_var) for i in range(len(of.all)))
    shown = [j for j in range(len(of.names)) if _shown(of.lead(j), settings)]
    units = np.array([of.lead(j).slope(float(solution.x[j])) for j in shown])
    covariance_of = solution.covariance[np.ix_(shown, shown)] * np.outer(units, units)
    size = np.sqrt(np.diag(covariance_of))
    with np.errstate(invalid="ignore"):
        correlation = covariance_of / np.outer(size, size)
    whitened = [one.whitened for one in columns]
    white = np.concatenate(whitened) if whitened else np.zeros(1)
    return OvenFit(
        card,
        runs,
        settings,
        values,
        tuple(of.names[j] for j in shown),
        _rows(covariance_of),
        _rows(np.where(np.isfinite(correlation), correlation, 0.0)),
        columns,
        wander,
        float(np.sqrt(np.mean(white**2))),
        int(sum(float(np.sum(seen.at.count)) for seen in model.seen)),
        sum(one.independent for one in columns),
        "converged" if solution.converged else f"not converged: {solution.message}",
        *starts,
        evaluations,
        tuple((run.name, run.fingerprint) for run in runs),
        solution,
        of,
    )


def _shown(one: Unknown, settings: Settings) -> bool:
    return one.kind == "oven" or (settings.seek_polymer and one.name in ("conductivity", "heat_capacity"))


def _rows(matrix: Array) -> tuple[tuple[float, ...], ...]:
    return tuple(tuple(float(x) for x in row) for row in matrix)


def _value(of: Layout, i: int, solution: Solution, prior_var: Array) -> Value:
    one = of.all[i]
    free = np.flatnonzero(of.ties[i])
    if not len(free):
        return Value(label(one), one.kind, one.stated, one.stated, 0.0, (one.stated, one.stated), 0.0, 0.0, True, False)
    j = int(free[0])
    xi, std = float(solution.x[j]), float(np.sqrt(solution.covariance[j, j]))
    finite = np.isfinite(prior_var[j])
    low, high = (float(np.clip(one.value(xi + z * std), *one.bounds)) for z in (-_Z, _Z))
    if not np.isfinite(std):
        low, high = one.bounds
    # Without a prior the usual spread, xi's unit, is what a heat's say is measured by.
    learned = 1.0 - std**2 / (float(prior_var[j]) if finite else 1.0)
    return Value(
        label(one),
        one.kind,
        one.stated,
        float(one.value(xi)),
        std * one.slope(xi),
        (low, high),
        float(np.sqrt(prior_var[j])) * one.slope(0.0) if finite else None,
        float(np.clip(learned, 0.0, 1.0)),
        False,
        bool(solution.at_bound[j]),
    )


def _columns(model: HeatModel, solution: Solution, wander: Mapping[Place, float]) -> tuple[Column, ...]:
    found = []
    for seen, beyond, _ in model.unwhitened(solution.residuals, solution.jacobian):
        one, off = seen.series, -beyond
        amplitude = wander.get(one.place, WANDER_K[one.place])
        white = seen.root @ off
        # Conditional mean of a constant error among the correlated ones: B2 1' C^-1 r.
        bias = BIAS_K[one.place] ** 2 * float(np.sum(seen.root.T @ white))
        found.append(
            Column(
                seen.run,
                one.column,
                seen.at.at_s,
                seen.at.values,
                seen.at.values + beyond,
                white,
                one.noise_k,
                amplitude,
                bias,
                effective_size(one, binned(one, _grid(model, seen.run)), amplitude),
                residual_tests(white),
            )
        )
    return tuple(found)


def _grid(model: HeatModel, number: int) -> Array:
    return next(group.time_s for group in model.groups if number in group.runs)
