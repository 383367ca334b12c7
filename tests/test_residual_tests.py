"""Residual tests against exact enumeration, scipy.stats and known processes."""

from __future__ import annotations

from itertools import combinations

import numpy as np
import pytest
from scipy import stats

from calibration.residual_tests import independent, residual_tests


def wander(n: int, rho: float, seed: int) -> np.ndarray:
    random = np.random.default_rng(seed)
    values = np.empty(n)
    values[0] = random.standard_normal()
    for i in range(1, n):
        values[i] = rho * values[i - 1] + np.sqrt(1.0 - rho * rho) * random.standard_normal()
    return values


def test_runs_have_the_mean_and_variance_of_all_orders() -> None:
    """All 70 orders of four above and four below: the probabilities are those of their own mean and variance."""
    counts, z = [], []
    for above in combinations(range(8), 4):
        values = np.where(np.isin(np.arange(8), above), 1.0, -1.0) * np.linspace(1.0, 1.1, 8)
        tests = residual_tests(values)
        assert tests is not None
        counts.append(tests.runs)
        z.append(-stats.norm.ppf(tests.runs_p / 2.0) * np.sign(tests.runs - 5.0))
    assert np.mean(counts) == pytest.approx(5.0)
    assert (np.array(counts) - 5.0) / np.std(counts) == pytest.approx(np.array(z), abs=1e-6)


def test_normality_is_scipys_jarque_bera() -> None:
    for values in (np.random.default_rng(1).standard_normal(200), np.random.default_rng(2).exponential(size=200)):
        tests = residual_tests(values)
        assert tests is not None
        assert tests.normal_p == pytest.approx(float(stats.jarque_bera(values).pvalue), rel=1e-6, abs=1e-12)


def test_white_noise_passes_and_wander_does_not() -> None:
    """A test at level 1 % rejects about 1 of 100 white series: between 0 and 5 (binomial, 99.9 %)."""
    white = [residual_tests(np.random.default_rng(seed).standard_normal(120)) for seed in range(100)]
    for name in ("runs_p", "lags_p"):
        assert sum(getattr(tests, name) < 0.01 for tests in white) <= 5
    wandering = residual_tests(wander(120, 0.8, 1))
    assert wandering is not None
    assert wandering.runs_p < 1e-3
    assert wandering.lags_p < 1e-6


def test_independent_readings_of_a_wander() -> None:
    """n (1 - rho)/(1 + rho) of a first-order process, the textbook factor; within 20 % for 20000 readings."""
    for rho in (0.5, 0.9):
        expected = 20000 * (1.0 - rho) / (1.0 + rho)
        assert independent(wander(20000, rho, 3)) == pytest.approx(expected, rel=0.2)
    assert independent(np.random.default_rng(1).standard_normal(5000)) > 4500


def test_too_few_say_nothing() -> None:
    assert residual_tests(np.arange(5.0)) is None
    assert residual_tests(np.ones(50)) is None
