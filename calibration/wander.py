"""How far the sensors wander: found along with everything else, and what not knowing it exactly costs.

A sensor's slow wander (`sensing.covariance`) has one amplitude for each place, upper, lower or core. Residuals after a
fit are smaller than the wander was, since the fit follows it where it can: their size would make the intervals too
narrow. So the amplitudes are judged by the marginal likelihood, everything else integrated out about the fit, where
the model is taken as straight and the readings' robust weights as fixed:

    -2 ln p(w) = cost(w) + ln|C(w)| + ln|J'C(w)^-1 J + P| + (ln w/w0)2/s2

(restricted likelihood: H.D. Patterson, R. Thompson, Biometrika 58 (1971) 545-554). What the amplitudes leave open is
integrated over a grid: the covariance of the unknowns is that of the mixture.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import product

import numpy as np
from numpy.typing import NDArray

from calibration.heat_model import HeatModel, Seen
from calibration.nonlinear import HUBER, Priors, Solution
from calibration.run import Place
from calibration.sensing import WANDER_K, covariance

Array = NDArray[np.float64]

#: Spread of the logarithm of a place's amplitude beforehand (estimated), and the amplitudes tried, in that spread.
WANDER_LN = 0.6
_TRIED = np.linspace(-2.5, 4.0, 14)
#: An amplitude this much less likely (twice a logarithm) than the best, the other places' at theirs, is left out.
_UNLIKELY = 10.0
#: Sweeps over the places until each is at its best beside the others.
_SWEEPS = 3
#: Keeps an unknown that nothing determines from making the determinant zero; it is the same for all amplitudes.
_RIDGE = 1e-6


@dataclass(frozen=True)
class Wander:
    """Amplitudes and what they leave open.

    Attributes:
        amplitude_k: by place, the posterior's geometric mean. covariance: of the free unknowns about where the fit
        stands, the amplitudes integrated over, (free, free).
    """

    amplitude_k: Mapping[Place, float]
    covariance: Array


@dataclass(frozen=True)
class _Part:
    """A place's share of the cost at one amplitude, or at several side by side: constant + 2 g's + s'I s for a step s
    of the free unknowns.
    """

    constant: Array
    gradient: Array
    information: Array

    @classmethod
    def side_by_side(cls, parts: Sequence[_Part]) -> _Part:
        """Several as one, along a first axis."""
        return cls(*(np.stack([getattr(one, name) for one in parts]) for name in cls.__dataclass_fields__))


def found_wander(model: HeatModel, at: Solution, before: Priors) -> Wander:
    """The wander of each place's sensors, from a fit.

    Args:
        model: of the heats. at: where its fit with about the right amplitudes ended.
    """
    seen_off = model.unwhitened(at.residuals, at.jacobian)
    places = sorted({seen.series.place for seen in model.seen})
    parts = []
    for place in places:
        mine = [one for one in seen_off if one[0].series.place == place]
        parts.append(_Part.side_by_side([_part(mine, float(WANDER_LN * t)) for t in _TRIED]))
    precision = before.root.T @ before.root + _RIDGE * np.eye(len(at.x))
    prior = _Part(np.zeros(()), precision @ (at.x - before.centre), precision)
    best = [int(np.argmin(np.abs(_TRIED)))] * len(places)
    for _ in range(_SWEEPS):
        for i in range(len(places)):
            costs, _, _ = _judged(prior, parts, [(*best[:i], k, *best[i + 1 :]) for k in range(len(_TRIED))])
            best[i] = int(np.argmin(costs))
    likely = []
    for i in range(len(places)):
        costs, _, _ = _judged(prior, parts, [(*best[:i], k, *best[i + 1 :]) for k in range(len(_TRIED))])
        likely.append([int(k) for k in np.flatnonzero(costs - costs.min() < _UNLIKELY)])
    tried = list(product(*likely))
    costs, steps, covariances = _judged(prior, parts, tried)
    weight = np.exp(-0.5 * (costs - costs.min()))
    weight /= weight.sum()
    logs = np.array([[WANDER_LN * _TRIED[k] for k in one] for one in tried]).reshape(len(tried), len(places))
    amplitude = np.exp(weight @ logs)
    mixed = np.einsum("k,kij->ij", weight, covariances) + np.einsum("k,ki,kj->ij", weight, steps, steps)
    return Wander({place: float(a) * WANDER_K[place] for place, a in zip(places, amplitude, strict=True)}, mixed)


def _part(mine: Sequence[tuple[Seen, Array, Array]], ln: float) -> _Part:
    free = mine[0][2].shape[1]
    constant, gradient, information = 0.0, np.zeros(free), np.zeros((free, free))
    for seen, off, slope in mine:
        root = np.linalg.cholesky(covariance(seen.series, seen.at, float(np.exp(ln)) * WANDER_K[seen.series.place]))
        both = np.linalg.solve(root, np.column_stack([off, slope]))
        white, slope = both[:, 0], both[:, 1:]
        size = np.abs(white)
        # Huber's loss as the quadratic that touches it: one sensor gone wild must not set the others' wander.
        weight = np.minimum(1.0, HUBER / np.maximum(size, HUBER))
        loss = np.where(size > HUBER, 2.0 * HUBER * size - HUBER**2, white**2)
        constant += float(np.sum(loss)) + 2.0 * float(np.sum(np.log(np.diag(root))))
        gradient += slope.T @ (weight * white)
        information += slope.T @ (weight[:, None] * slope)
    return _Part(np.asarray(constant + (ln / WANDER_LN) ** 2), gradient, information)


def _judged(prior: _Part, parts: Sequence[_Part], tried: Sequence[tuple[int, ...]]) -> tuple[Array, Array, Array]:
    """Of sets of amplitudes: -2 ln p, (sets,); step to the best unknowns, (sets, free); covariance there."""
    constant = np.full(len(tried), float(prior.constant))
    gradient, information = (np.repeat(of[None], len(tried), axis=0) for of in (prior.gradient, prior.information))
    for part, at in zip(parts, np.transpose(tried), strict=True):
        constant += part.constant[at]
        gradient += part.gradient[at]
        information += part.information[at]
    inverse = np.linalg.inv(information).astype(np.float64)
    step = -np.einsum("kij,kj->ki", inverse, gradient)
    cost: Array = constant + np.einsum("ki,ki->k", gradient, step) + np.linalg.slogdet(information)[1]
    return cost, step, inverse
