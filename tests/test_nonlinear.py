"""The fitting path by itself: priors, bounds, robust loss, what is not determined."""

from __future__ import annotations

import numpy as np
import pytest

from calibration.nonlinear import Differences, Priors, inverse, solve, starts_about

X = np.linspace(0.0, 4.0, 41)


def line(noise: np.ndarray) -> Differences:
    return Differences(lambda b: b[0] + b[1] * X[:, None] - (1.0 + 2.0 * X + noise)[:, None], np.ones(2))


def test_a_line_is_the_normal_equations_solution() -> None:
    noise = np.random.default_rng(1).standard_normal(41)
    found = solve(line(noise), np.zeros((2, 1)), huber=None)
    design = np.stack([np.ones(41), X], axis=1)
    assert found.x == pytest.approx(np.linalg.lstsq(design, 1.0 + 2.0 * X + noise)[0], abs=1e-7)
    assert found.covariance == pytest.approx(np.linalg.inv(design.T @ design), rel=1e-6)
    assert found.converged


def test_priors_add_their_precision() -> None:
    """Conjugate normal model: posterior precision is the sum, posterior mean the weighted mean (Gelman et al.,
    Bayesian Data Analysis, 3rd ed., sec. 14.8).
    """
    noise = np.random.default_rng(2).standard_normal(41)
    design = np.stack([np.ones(41), X], axis=1)
    root = np.array([[4.0, 0.0], [1.0, 3.0]])
    centre = np.array([0.5, 2.5])
    found = solve(line(noise), np.zeros((2, 1)), Priors(centre, root), huber=None)
    precision = design.T @ design + root.T @ root
    mean = np.linalg.solve(precision, design.T @ (1.0 + 2.0 * X + noise) + root.T @ root @ centre)
    assert found.x == pytest.approx(mean, abs=1e-7)
    assert found.covariance == pytest.approx(np.linalg.inv(precision), rel=1e-6)


def test_a_bound_is_kept_and_said() -> None:
    found = solve(line(np.zeros(41)), np.zeros((2, 1)), upper=np.array([np.inf, 1.5]), huber=None)
    assert found.x[1] == pytest.approx(1.5, abs=1e-6)
    assert list(found.at_bound) == [0, 1]


def test_outliers_do_not_move_a_robust_fit_much() -> None:
    noise = 0.1 * np.random.default_rng(3).standard_normal(41)
    noise[[5, 20, 33]] += 50.0
    tenth = Differences(lambda b: line(noise).residuals(b) / 0.1, np.ones(2))
    plain = solve(tenth, np.zeros((2, 1)), huber=None)
    robust = solve(tenth, np.zeros((2, 1)))
    assert abs(plain.x[0] - 1.0) > 1.0
    assert robust.x == pytest.approx([1.0, 2.0], abs=0.1)
    assert np.flatnonzero(robust.weights < 0.1).tolist() == [5, 20, 33]


def test_a_prior_is_never_taken_for_an_outlier() -> None:
    """Thirty standard deviations between prior and reading of equal weight: halfway, as for normal ones."""
    one = Differences(lambda b: b - 2.0, np.ones(1))
    found = solve(one, np.zeros((1, 1)), Priors(np.zeros(1), np.ones((1, 1))), huber=3.0)
    assert found.x == pytest.approx([1.0], abs=1e-6)


def test_what_nothing_determines_has_no_finite_uncertainty() -> None:
    both = Differences(lambda b: b[0] + b[1] + 0.0 * b[2] - X[:, None], np.ones(3))
    found = solve(both, np.zeros((3, 1)), huber=None)
    assert np.all(np.isinf(np.diag(found.covariance)))
    known = solve(both, np.zeros((3, 1)), Priors(np.zeros(3), np.eye(3)), huber=None)
    assert np.all(np.isfinite(known.covariance))
    assert known.covariance[2, 2] == pytest.approx(1.0)


def test_inverse_of_a_singular_precision() -> None:
    covariance = inverse(np.diag([4.0, 0.0]))
    assert covariance[0, 0] == pytest.approx(0.25)
    assert np.isinf(covariance[1, 1])


def test_several_starts_find_the_lower_minimum() -> None:
    """y = sin(b x) has minima about every period: from 1 alone the wrong one is found."""
    x = np.linspace(0.0, 10.0, 60)
    wave = Differences(lambda b: np.sin(b[0] * x[:, None]) - np.sin(3.1 * x)[:, None], np.ones(1))
    assert solve(wave, np.ones((1, 1)), huber=None).cost > 1.0
    found = solve(wave, starts_about(np.ones(1), 60, 1.0), follow=4, huber=None)
    assert found.x == pytest.approx([3.1], abs=1e-6)
    assert found.starts[0] == pytest.approx(found.cost)


def test_no_finite_start_is_refused() -> None:
    nowhere = Differences(lambda b: np.log(b - 10.0), np.ones(1))
    with pytest.raises(ArithmeticError, match="no finite value"):
        solve(nowhere, np.zeros((1, 1)))
