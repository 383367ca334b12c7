"""Nonlinear least squares with normal priors: the one fitting path of all calibrations.

    minimise  sum rho(r_i(x)2) + |R (x - c)|2        within bounds

scipy's trust region (`scipy.optimize.least_squares`, M.A. Branch, T.F. Coleman, Y. Li, SIAM J. Sci. Comput. 21 (1999)
1-23) on a model that gives its residuals and their Jacobian for the price of one batch. rho is Huber's loss on the
residuals alone: a prior is no reading that may be wrong. Starts are tried in one batch and the best are followed.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]

#: Huber's threshold, in standard deviations of a residual: beyond it a reading counts linearly.
HUBER = 3.0
#: A direction with less curvature than this share of the best known one is not determined at all.
_FLAT = 1e-13
#: A follow-up is the same minimum where its cost is that of the best within this share.
_SAME_COST = 1e-4
_PENALTY = 1e30
_POLISHING = 30


class Model(Protocol):
    """What is fitted."""

    def both(self, x: Array) -> tuple[Array, Array]:
        """Residuals (m,) in their standard deviations, and their Jacobian (m, n), at unknowns (n,)."""

    def costs(self, x: Array) -> Array:
        """Sum of squares for several sets of unknowns, (sets,), from (n, sets); infinity where there is none."""


@dataclass(frozen=True)
class Priors:
    """Normal priors as rows of a root of their precision: |root (x - centre)|2, root (rows, n); no rows: none."""

    centre: Array
    root: Array

    @classmethod
    def none(cls, unknowns: int) -> Priors:
        """No prior at all."""
        return cls(np.zeros(unknowns), np.empty((0, unknowns)))


@dataclass(frozen=True)
class Solution:
    """Where a fit ended.

    Attributes:
        x: (n,). residuals: (m,), without the priors'. jacobian: (m, n). weights: robust ones, (m,), 1 for a reading
        that counts fully. cost: what was minimised. covariance: (n, n), infinite on the diagonal where nothing
        determines an unknown. information: J'WJ of the readings alone, (n, n). at_bound: -1, 0, 1 each, (n,).
        scale: residual standard deviation that the covariance was multiplied with, squared; 1 where it is known.
        converged; message: scipy's; evaluations; starts: costs that the followed starts ended at, best first.
    """

    x: Array
    residuals: Array
    jacobian: Array
    weights: Array
    cost: float
    covariance: Array
    information: Array
    at_bound: NDArray[np.int_]
    scale: float
    converged: bool
    message: str
    evaluations: int
    starts: tuple[float, ...] = field(default=())

    @property
    def same_minimum(self) -> int:
        """How many of the followed starts ended where the best one did."""
        return sum(cost <= self.cost * (1.0 + _SAME_COST) + 1e-9 for cost in self.starts)


def solve(
    model: Model,
    starts: Array,
    priors: Priors | None = None,
    lower: Array | None = None,
    upper: Array | None = None,
    *,
    follow: int = 1,
    huber: float | None = HUBER,
    estimate_scale: bool = False,
    tolerance: float = 1e-8,
    most: int = 100,
    scaled_by_jacobian: bool = False,
    polish: bool = False,
) -> Solution:
    """Fit.

    Args:
        starts: (n, starts). follow: so many of them, of least cost, are followed to their end; the best is kept.
        lower, upper: bounds, (n,). huber: threshold of the robust loss; None: plain squares.
        estimate_scale: the residuals' unit is not known: the covariance is multiplied with their mean square,
        cost/(m - n). tolerance: of cost and unknowns, relative. most: evaluations for each start.
        scaled_by_jacobian: for unknowns of very different size without priors. polish: end with undamped Gauss-Newton
        steps, which find the last digits along a narrow valley (only where neither loss nor bounds bend the way).

    Raises:
        ArithmeticError: the model has no finite value at any start.
    """
    n = len(starts)
    priors = priors or Priors.none(n)
    low = np.full(n, -np.inf) if lower is None else lower
    high = np.full(n, np.inf) if upper is None else upper
    order = np.arange(starts.shape[1])
    if starts.shape[1] > 1:
        costs = model.costs(starts) + np.sum((priors.root @ (starts - priors.centre[:, None])) ** 2, axis=0)
        order = np.argsort(np.where(np.isfinite(costs), costs, np.inf), kind="stable")
    found = []
    for column in order[:follow]:
        one = _from(model, starts[:, column], priors, low, high, huber, tolerance, most, scaled_by_jacobian, polish)
        if one is not None:
            found.append(one)
    if not found:
        raise ArithmeticError("the model has no finite value at any of the starts")
    best = min(found, key=lambda one: one.cost)
    ends = tuple(sorted(one.cost for one in found))
    return _with_covariance(best, priors, estimate_scale, ends)


@dataclass(frozen=True)
class _Raw:
    x: Array
    residuals: Array
    jacobian: Array
    weights: Array
    cost: float
    at_bound: NDArray[np.int_]
    converged: bool
    message: str
    evaluations: int


class _Joined:
    """Residuals and priors stacked, each point evaluated once: scipy asks for the Jacobian where it last was."""

    def __init__(self, model: Model, priors: Priors) -> None:
        self._model, self._priors = model, priors
        self._at: bytes | None = None
        self.residuals = self.jacobian = np.empty(0)
        self.evaluations = 0

    def move(self, x: Array) -> None:
        key = x.tobytes()
        if key != self._at:
            with np.errstate(all="ignore"):
                self.residuals, self.jacobian = self._model.both(x)
            self._at = key
            self.evaluations += 1

    def value(self, x: Array) -> Array:
        self.move(x)
        stacked = np.concatenate([self.residuals, self._priors.root @ (x - self._priors.centre)])
        return np.where(np.isfinite(stacked), stacked, _PENALTY)

    def slope(self, x: Array) -> Array:
        self.move(x)
        return np.concatenate([np.nan_to_num(self.jacobian), self._priors.root])


def _from(
    model: Model,
    start: Array,
    priors: Priors,
    low: Array,
    high: Array,
    huber: float | None,
    tolerance: float,
    most: int,
    scaled: bool,
    polish: bool,
) -> _Raw | None:
    from scipy.optimize import least_squares  # only here: its import takes a second

    joined = _Joined(model, priors)
    readings = len(joined.value(start)) - len(priors.root)
    if not np.all(np.abs(joined.value(start)) < _PENALTY):
        return None
    loss: str | Callable[[Array], Array] = "linear" if huber is None else _loss(readings, huber)
    with np.errstate(all="ignore"):
        end = least_squares(
            joined.value,
            np.clip(start, low, high),
            joined.slope,
            bounds=(low, high),
            method="trf",
            ftol=tolerance,
            xtol=tolerance,
            gtol=tolerance,
            x_scale="jac" if scaled else 1.0,
            loss=loss,  # type: ignore[arg-type]  # the stubs know no function that takes and gives plain arrays
            max_nfev=most,
        )
    x, cost = _polished(joined, end.x) if polish else (end.x, 2.0 * float(end.cost))
    joined.move(x)
    weights = np.ones(readings)
    if huber is not None:
        weights = np.minimum(1.0, huber / np.maximum(np.abs(joined.residuals), huber))
    return _Raw(
        x,
        joined.residuals.copy(),
        joined.jacobian.copy(),
        weights,
        cost,
        np.asarray(end.active_mask, np.int_),
        end.status > 0,
        str(end.message),
        joined.evaluations,
    )


def _polished(joined: _Joined, x: Array) -> tuple[Array, float]:
    """Undamped Gauss-Newton steps as long as they lower the sum of squares; where they end, and that sum."""
    cost = float(np.sum(joined.value(x) ** 2))
    for _ in range(_POLISHING):
        slope = joined.slope(x)
        size = np.maximum(np.linalg.norm(slope, axis=0), np.finfo(float).tiny)
        moved = x - np.linalg.lstsq(slope / size, joined.value(x), rcond=None)[0] / size
        lower = float(np.sum(joined.value(moved) ** 2))
        if not lower < cost:
            break
        x, cost = moved, lower
    return x, cost


def _loss(readings: int, threshold: float) -> Callable[[Array], Array]:
    """Huber's loss of squared residuals for the readings, plain squares for the priors behind them; rows rho, rho',
    rho'' as scipy wants them (P.J. Huber, Ann. Math. Statist. 35 (1964) 73-101).
    """

    def loss(z: Array) -> Array:
        rho = np.stack([z, np.ones_like(z), np.zeros_like(z)])
        far = np.flatnonzero(z[:readings] > threshold * threshold)
        root = np.sqrt(z[far])
        rho[0, far] = 2.0 * threshold * root - threshold * threshold
        rho[1, far] = threshold / root
        rho[2, far] = -0.5 * threshold / (root * z[far])
        return rho

    return loss


def _with_covariance(raw: _Raw, priors: Priors, estimate_scale: bool, ends: tuple[float, ...]) -> Solution:
    weighted = raw.jacobian * raw.weights[:, None]
    information = raw.jacobian.T @ weighted
    freedom = max(len(raw.residuals) - len(raw.x), 1)
    scale = raw.cost / freedom if estimate_scale else 1.0
    if len(priors.root) == 0:
        covariance = _from_rows(raw.jacobian * np.sqrt(raw.weights)[:, None])
    else:
        covariance = inverse(information + priors.root.T @ priors.root)
    return Solution(
        raw.x,
        raw.residuals,
        raw.jacobian,
        raw.weights,
        raw.cost,
        scale * covariance,
        information,
        raw.at_bound,
        scale,
        raw.converged,
        raw.message,
        raw.evaluations,
        ends,
    )


def _from_rows(jacobian: Array) -> Array:
    """Inverse of J'J without forming it: twice the digits where unknowns are nearly confounded."""
    size = np.linalg.norm(jacobian, axis=0)
    used = np.where(size > 0.0, size, 1.0)
    _, singular, rows = np.linalg.svd(jacobian / used, full_matrices=False)
    known = singular > np.sqrt(_FLAT) * 1e-6 * singular.max(initial=0.0)
    half = rows[known].T / singular[known]
    covariance = half @ half.T / np.outer(used, used)
    return _open(covariance, rows[~known], size == 0.0)


def inverse(precision: Array) -> Array:
    """Inverse of a precision matrix; infinite variances where it says nothing.

    Args:
        precision: symmetric, not negative, (n, n).
    """
    size = np.sqrt(np.diag(precision))
    used = np.where(size > 0.0, size, 1.0)
    values, vectors = np.linalg.eigh(precision / np.outer(used, used))
    known = values > _FLAT * max(float(values.max(initial=0.0)), 0.0)
    half = vectors[:, known] / np.sqrt(values[known])
    covariance = half @ half.T / np.outer(used, used)
    return _open(covariance, vectors[:, ~known].T, size == 0.0)


def _open(covariance: Array, flat: Array, untouched: Flags) -> Array:
    """Infinite variance for every unknown that a flat direction reaches."""
    reached = untouched.copy()
    if len(flat):
        reached |= np.max(np.abs(flat), axis=0) > 1e-3
    at = np.flatnonzero(reached)
    covariance[at, :], covariance[:, at] = 0.0, 0.0
    covariance[at, at] = np.inf
    return covariance


@dataclass(frozen=True)
class Differences:
    """A model from residuals of a batch alone, its Jacobian by central differences, all columns in one batch.

    Attributes:
        residuals: (n, sets) -> (m, sets). step: relative to each unknown's size (the cube root of the rounding error
        balances cut-off and rounding); least: size of an unknown at zero, (n,).
    """

    residuals: Callable[[Array], Array]
    least: Array
    step: float = 6e-6

    def both(self, x: Array) -> tuple[Array, Array]:
        """See `Model.both`."""
        step = self.step * np.maximum(np.abs(x), self.least)
        moved = x[:, None] + np.concatenate([np.zeros((len(x), 1)), np.diag(step), -np.diag(step)], axis=1)
        values = self.residuals(moved)
        up, down = values[:, 1 : len(x) + 1], values[:, len(x) + 1 :]
        return values[:, 0], (up - down) / (moved[:, 1 : len(x) + 1] - moved[:, len(x) + 1 :]).diagonal()

    def costs(self, x: Array) -> Array:
        """See `Model.costs`."""
        with np.errstate(all="ignore"):
            total: Array = np.sum(self.residuals(x) ** 2, axis=0)
        return np.where(np.isfinite(total), total, np.inf)


def starts_about(start: Array, count: int, spread: float, seed: int = 1) -> Array:
    """A start and others about it, (n, count): factors log-normal with this spread, evenly spread by a Latin
    hypercube (see `thermal.uncertainty`); signs are kept.
    """
    from statistics import NormalDist

    random = np.random.default_rng(seed)
    strata = np.array([NormalDist().inv_cdf((i + 0.5) / (count - 1)) for i in range(count - 1)])
    normals = np.stack([random.permutation(strata) for _ in start])
    return np.concatenate([start[:, None], start[:, None] * np.exp(spread * normals)], axis=1)
