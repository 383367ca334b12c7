"""How a yes or no goes with one number: logistic regression by maximum likelihood, with intervals.

    P(yes) = 1 / (1 + exp(-(a + b x)))

Fisher scoring (Newton's method: the two are one for this link), intervals after Wald, the test of b = 0 by the
likelihood ratio: A. Agresti, An Introduction to Categorical Data Analysis, 2nd ed., Wiley 2007, chapter 4.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import erfc, exp, sqrt
from typing import Literal

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]

#: Half of a 95 % interval, in standard errors.
_Z = 1.959964
_STEPS, _SMALL = 60, 1e-10
#: So many of the rarer answer are needed for one slope: with fewer, estimates and intervals are not to be relied on
#: (P. Peduzzi and others, J. Clin. Epidemiol. 49 (1996) 1373-1379).
FEWEST = 10
Refusal = Literal["few", "separated", "alike"]


@dataclass(frozen=True)
class Logistic:
    """A fit.

    Attributes:
        a, b: intercept, slope. covariance: of both, (2, 2). log_likelihood, null_log_likelihood: with and without x.
        count, yes: answers, and how many were yes.
    """

    a: float
    b: float
    covariance: Array
    log_likelihood: float
    null_log_likelihood: float
    count: int
    yes: int

    @property
    def b_interval(self) -> tuple[float, float]:
        """95 % of the slope."""
        half = _Z * sqrt(float(self.covariance[1, 1]))
        return self.b - half, self.b + half

    @property
    def odds_ratio(self) -> tuple[float, float, float]:
        """By how much one unit of x multiplies the odds: estimate and 95 %."""
        low, high = self.b_interval
        return exp(self.b), exp(low), exp(high)

    @property
    def p_value(self) -> float:
        """Of the likelihood ratio against b = 0: chi squared with one degree of freedom."""
        ratio = max(0.0, 2.0 * (self.log_likelihood - self.null_log_likelihood))
        return erfc(sqrt(ratio / 2.0))

    def curve(self, x: Array) -> Array:
        """Probability at x, (n,), and its 95 %: (3, n), low, middle, high."""
        middle = self.a + self.b * x
        c = self.covariance
        half = _Z * np.sqrt(c[0, 0] + 2.0 * c[0, 1] * x + c[1, 1] * x**2)
        found: Array = _sigmoid(np.stack([middle - half, middle, middle + half]))
        return found


def refusal(x: Array, yes: Flags, fewest: int = FEWEST) -> Refusal | None:
    """Why there can be no fit: too few of one answer; x is alike everywhere; or a value of x parts yes from no, so that
    the slope has no maximum (A. Albert, J.A. Anderson, Biometrika 71 (1984) 1-10). None: there can be one.
    """
    there = int(yes.sum())
    if min(there, len(yes) - there) < max(fewest, 1):
        return "few"
    if float(np.ptp(x)) == 0.0:
        return "alike"
    with_, without = x[yes], x[~yes]
    apart = with_.min() >= without.max() or with_.max() <= without.min()
    return "separated" if apart else None


def logistic(x: Array, yes: Flags, fewest: int = FEWEST) -> Logistic:
    """Fit.

    Args:
        x: (n,). yes: (n,).

    Raises:
        ValueError: there can be no fit, see `refusal`.
    """
    why = refusal(x, yes, fewest)
    if why is not None:
        raise ValueError(why)
    # About the mean and in standard deviations, so that no step is lost to rounding.
    centre, scale = float(x.mean()), float(x.std())
    rows = np.column_stack([np.ones(len(x)), (x - centre) / scale])
    share = float(yes.mean())
    found = np.array([np.log(share / (1.0 - share)), 0.0])
    value = _likelihood(rows, yes, found)
    for _ in range(_STEPS):
        p = _sigmoid(rows @ found)
        information = rows.T @ (rows * (p * (1.0 - p))[:, None])
        step = np.linalg.solve(information, rows.T @ (yes - p))
        while (new := _likelihood(rows, yes, found + step)) < value and float(np.abs(step).max()) > _SMALL:
            step = step / 2.0
        found, value = found + step, max(new, value)
        if float(np.abs(step).max()) < _SMALL:
            break
    p = _sigmoid(rows @ found)
    covariance = np.linalg.inv(rows.T @ (rows * (p * (1.0 - p))[:, None]))
    back = np.array([[1.0, -centre / scale], [0.0, 1.0 / scale]])
    a, b = (float(one) for one in back @ found)
    null = len(x) * (share * np.log(share) + (1.0 - share) * np.log(1.0 - share))
    return Logistic(a, b, back @ covariance @ back.T, value, float(null), len(x), int(yes.sum()))


def _sigmoid(z: Array) -> Array:
    found: Array = 0.5 * (1.0 + np.tanh(0.5 * z))
    return found


def _likelihood(rows: Array, yes: Flags, at: Array) -> float:
    z = rows @ at
    return float(np.sum(np.where(yes, z, 0.0) - np.logaddexp(0.0, z)))
