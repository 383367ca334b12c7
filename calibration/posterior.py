"""Conditioning an ensemble on evidence.

Members are drawn from a normal proposal z = mean + factor xi, with xi a fixed design whose mean is zero and whose
covariance is exactly the identity. The slopes of every prediction over the design are the regression over the
proposal's whole width, not a derivative at a point (statistical linearisation; A.H. Jazwinski, Stochastic Processes and
Filtering Theory, 1970, ch. 9, recalled); with them the normal prior and the evidence give the posterior in closed form,
and members move with it. Where the posterior has moved far from its proposal the members are heated anew from the
posterior, so that in the end prediction and posterior agree (A.F. Garcia-Fernandez, L. Svensson, M.R. Morelande, S.
Sarkka, IEEE Trans. Signal Processing 63 (2015) 5561, posterior linearisation, recalled).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calibration.evidence import Evidence

Array = NDArray[np.float64]


#: No unknown is more than so many of its standard deviations from what is stated: evidence that asks for more is wrong.
FURTHEST = 5.0
#: Rows that say how evidence stands now, of its last.
_LATEST = 4
#: On the way to a posterior evidence is weakened by this factor again and again, and to no less than the second.
_WEAKER, _LEAST_PART = 0.7, 1e-6


def design(unknowns: int, members: int, seed: int = 1) -> Array:
    """Standard normal columns, (unknowns, members), with mean zero and covariance the identity to rounding.

    Raises:
        ValueError: fewer members than twice the unknowns: slopes over them would be noise.
    """
    if members < 2 * unknowns:
        raise ValueError(f"members = {members}: expected at least twice the {unknowns} unknowns")
    half = np.random.default_rng(seed).standard_normal((unknowns, members // 2))
    both = np.concatenate([half, -half], axis=1)
    lower = np.linalg.cholesky(both @ both.T / both.shape[1])
    result: Array = np.linalg.solve(lower, both)
    return result


@dataclass(frozen=True)
class Proposal:
    """Normal distribution of the unknowns: mean (unknowns,), factor (unknowns, unknowns), covariance factor factorT."""

    mean: Array
    factor: Array

    def members(self, xi: Array) -> Array:
        """Members at the design's points, (unknowns, members)."""
        result: Array = self.mean[:, None] + self.factor @ xi
        return result


def prior(unknowns: int) -> Proposal:
    """Everything as stated, standard normal."""
    return Proposal(np.zeros(unknowns), np.eye(unknowns))


@dataclass(frozen=True)
class Update:
    """Posterior within a proposal: xi' = shift + narrowing xi.

    Attributes:
        shift: (unknowns,), in standard deviations of the proposal. narrowing: symmetric, (unknowns, unknowns).
        misfit: root mean square of the evidence's departures from the posterior in their own standard deviations,
        by evidence's name; about one where the model explains the heat.
        bent: how far the members' latest predictions are from straight in the unknowns, in standard deviations of the
        measuring, the worst evidence.
    """

    shift: Array
    narrowing: Array
    misfit: dict[str, float]
    bent: float

    def moved(self, xi: Array) -> Array:
        """The design's points after the evidence."""
        result: Array = self.shift[:, None] + self.narrowing @ xi
        return result

    def proposal(self, of: Proposal) -> Proposal:
        """The posterior as a proposal of its own, its mean no further out than anything that exists."""
        mean = np.clip(of.mean + of.factor @ self.shift, -FURTHEST, FURTHEST)
        return Proposal(mean, of.factor @ self.narrowing)

    def far(self) -> float:
        """How far the posterior has gone from its proposal: 0 not at all; a shift of one standard deviation, or a
        narrowing by a factor e squared, count as one.

        Narrowings count half: slopes over some hundred members are uncertain enough to make one by a factor e^0.5 to
        e^0.9 in some direction again and again, round after round, with the mean at rest.
        """
        least = float(np.min(np.linalg.eigvalsh(self.narrowing)))
        return max(float(np.max(np.abs(self.shift))), -0.5 * math.log(max(least, 1e-9)))


@dataclass(frozen=True)
class Whitened:
    """Evidence in its own standard deviations: slopes over the design, (readings, unknowns), and how far the measured
    lies from the members' mean, (readings,).

    `bent`: how far the members' latest predictions are from straight, in standard deviations of the measuring.
    `log_scale`: logarithm of the determinant of what it was whitened by.
    """

    name: str
    slope: Array
    off: Array
    bent: float
    log_scale: float


def whitened(xi: Array, one: Evidence) -> Whitened:
    """Evidence against the design, (unknowns, members), at whose points it was predicted.

    Raises:
        ArithmeticError: a prediction is no number; members are to be asked only about times they were followed to.
    """
    mean = one.predicted.mean(axis=1)
    if not np.all(np.isfinite(mean)):
        raise ArithmeticError(f"{one.name}: some members have no prediction of it")
    slope = (one.predicted - mean[:, None]) @ xi.T / xi.shape[1]
    # What a straight line leaves of the members' scatter counts as uncertainty of the prediction.
    left = np.mean((one.predicted - mean[:, None] - slope @ xi) ** 2, axis=1)
    bent = float(np.sqrt(np.mean((left / np.diag(one.covariance))[-_LATEST:])))
    lower = np.linalg.cholesky(one.covariance + np.diag(left))
    white = np.linalg.solve(lower, np.column_stack([slope, one.measured - mean]))
    return Whitened(one.name, white[:, :-1], white[:, -1], bent, float(np.sum(np.log(np.diag(lower)))))


def update(proposal: Proposal, found: Sequence[Whitened], part: float = 1.0) -> Update:
    """Condition a proposal on evidence that was whitened against the design of the same proposal.

    Args:
        part: how much of the evidence counts; of the prior's pull away from the proposal's mean counts as much, so that
        the less counts the less is moved.
    """
    precision = proposal.factor.T @ proposal.factor
    right = -proposal.factor.T @ proposal.mean
    for one in found:
        precision = precision + part * one.slope.T @ one.slope
        right = right + one.slope.T @ one.off
    values, vectors = np.linalg.eigh(precision)
    inverse = 1.0 / np.maximum(values, 1e-12)
    shift = vectors @ (inverse * (vectors.T @ (part * right)))
    narrowing = (vectors * np.sqrt(inverse)) @ vectors.T
    misfit = {one.name: float(np.sqrt(np.mean((one.off - one.slope @ shift) ** 2))) for one in found}
    return Update(shift, narrowing, misfit, max((one.bent for one in found), default=0.0))


def step(proposal: Proposal, found: Sequence[Whitened], most: float) -> Proposal:
    """The posterior as the next proposal, or as far on the way to it as no unknown moves by more than `most` of its
    prior's standard deviations (K. Levenberg, Quart. Appl. Math. 2 (1944) 164, recalled).
    """
    part, after = 1.0, update(proposal, found)
    while part > _LEAST_PART and float(np.max(np.abs(proposal.factor @ after.shift))) > most:
        part *= _WEAKER
        after = update(proposal, found, part)
    return after.proposal(proposal)


def merit(proposal: Proposal, found: Sequence[Whitened]) -> float:
    """Logarithm of how likely evidence and unknowns are at the members' mean, but for a constant."""
    off = sum(float(one.off @ one.off) for one in found)
    return -0.5 * off - sum(one.log_scale for one in found) - 0.5 * float(proposal.mean @ proposal.mean)


def log_evidence(proposal: Proposal, found: Sequence[Whitened], updated: Update) -> float:
    """Logarithm of how likely the evidence is under the prior, but for a constant that is the same for all that
    predicts the same readings.

    Laplace's approximation about the posterior (R.E. Kass, A.E. Raftery, J. Am. Statist. Assoc. 90 (1995) 773, from
    memory), exact where the predictions are straight in the unknowns:

        ln p(y) = -1/2 |off - slope shift|2 - ln det L - 1/2 |mean|2 - 1/2 ln det(precision)

    with L the whitening, mean the posterior's in standard deviations of the prior, and the precision relative to it.
    """
    left = sum(float(np.sum((one.off - one.slope @ updated.shift) ** 2)) for one in found)
    mean = proposal.mean + proposal.factor @ updated.shift
    log_width = np.linalg.slogdet(updated.narrowing)[1] + np.linalg.slogdet(proposal.factor)[1]
    return float(-0.5 * left - sum(one.log_scale for one in found) - 0.5 * mean @ mean + log_width)


def surprise(xi: Array, without: Update, one: Evidence) -> float:
    """How far evidence lies from what everything else lets expect of it now, in standard deviations, signed.

    Args:
        without: the update by all other evidence.
    """
    latest = slice(-_LATEST, None)
    expected = carried(one.predicted[latest].mean(axis=0), xi, without.moved(xi))
    spread = np.hypot(float(np.std(expected)), np.sqrt(float(one.covariance[latest, latest].mean())))
    return float((one.measured[latest].mean() - expected.mean()) / spread)


def carried(values: Array, xi: Array, moved: Array) -> Array:
    """Members' values of some quantity after the evidence: along the quantity's slope over the design.

    Args:
        values: (members,) or (quantities, members); infinite ones (never) stay as they are.
    """
    change = moved - xi
    finite = np.isfinite(values)
    if finite.all():
        slope = (values - values.mean(axis=-1, keepdims=True)) @ xi.T / xi.shape[1]
        result: Array = values + slope @ change
        return result
    if values.ndim == 2:
        result = values.copy()
        whole = finite.all(axis=1)
        result[whole] = carried(values[whole], xi, moved)
        for row in np.flatnonzero(~whole):
            result[row] = carried(values[row], xi, moved)
        return result
    if np.count_nonzero(finite) < 2 * len(xi):
        return values
    known = np.column_stack([np.ones(np.count_nonzero(finite)), xi[:, finite].T])
    slope = np.linalg.lstsq(known, values[finite], rcond=None)[0][1:]
    return np.where(finite, values + slope @ change, values)
