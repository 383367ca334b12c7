"""Whether residuals look like noise: runs, autocorrelation, normality, and how many independent values they hold."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import chdtrc, ndtr

Array = NDArray[np.float64]

#: Fewer residuals than this tell nothing about their kind.
FEWEST = 8
_LAGS = 10


@dataclass(frozen=True)
class ResidualTests:
    """Tests of one series of residuals; probabilities of what was seen, or worse, if they were white normal noise.

    Attributes:
        count: residuals. rms: in their standard deviations, 1 where the noise is as assumed.
        runs: of equal sign; runs_p: two-sided (A. Wald, J. Wolfowitz, Ann. Math. Statist. 11 (1940) 147-162).
        lag_1: autocorrelation of neighbours; lags_p: of all up to ten (G.M. Ljung, G.E.P. Box, Biometrika 65 (1978)
        297-303). normal_p: of skewness and kurtosis (C.M. Jarque, A.K. Bera, Econ. Lett. 6 (1980) 255-259).
        independent: count / (1 + 2 sum of the leading positive autocorrelations).
    """

    count: int
    rms: float
    runs: int
    runs_p: float
    lag_1: float
    lags_p: float
    normal_p: float
    independent: float


def residual_tests(residuals: Array) -> ResidualTests | None:
    """Test residuals in order of time, (n,); None for fewer than `FEWEST`, or where they are all the same."""
    n = len(residuals)
    if n < FEWEST or np.ptp(residuals) == 0.0:
        return None
    runs, runs_p = _runs(residuals > np.median(residuals))
    centred = residuals - residuals.mean()
    rho = autocorrelation(centred, min(_LAGS, n // 4))
    box = n * (n + 2) * float(np.sum(rho**2 / (n - np.arange(1, len(rho) + 1))))
    std = centred.std()
    skew, excess = float(np.mean(centred**3)) / std**3, float(np.mean(centred**4)) / std**4 - 3.0
    bera = n / 6.0 * (skew**2 + excess**2 / 4.0)
    return ResidualTests(
        n,
        float(np.sqrt(np.mean(residuals**2))),
        runs,
        runs_p,
        float(rho[0]),
        float(chdtrc(len(rho), box)),
        float(chdtrc(2, bera)),
        independent(centred),
    )


def autocorrelation(centred: Array, lags: int) -> Array:
    """Autocorrelations of a series without mean at lags 1, 2, ..., (lags,)."""
    total = float(centred @ centred)
    return np.array([float(centred[:-k] @ centred[k:]) / total for k in range(1, lags + 1)])


def independent(centred: Array) -> float:
    """How many independent values say as much about a mean as these: n/(1 + 2 sum rho), the sum up to the first pair
    that is not positive (C.J. Geyer, Statistical Science 7 (1992) 473-483). All of them where they do not differ.
    """
    n, square = len(centred), float(centred @ centred)
    if square == 0.0:
        return float(n)
    total = 0.0
    for k in range(0, n - 1, 2):
        pair = sum(float(centred[: n - lag] @ centred[lag:]) for lag in (k, k + 1)) / square
        if pair <= 0.0:
            break
        total += pair
    return float(min(n, n / max(2.0 * total - 1.0, 1.0)))


def _runs(above: NDArray[np.bool_]) -> tuple[int, float]:
    first, second = int(np.count_nonzero(above)), int(np.count_nonzero(~above))
    n = first + second
    runs = 1 + int(np.count_nonzero(above[1:] != above[:-1]))
    mean = 1.0 + 2.0 * first * second / n
    variance = (mean - 1.0) * (mean - 2.0) / (n - 1)
    z = (runs - mean) / np.sqrt(variance) if variance > 0.0 else 0.0
    return runs, float(2.0 * ndtr(-abs(z)))
