"""Conditioning an ensemble: against the closed form of the linear normal problem, and what must not matter."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import stats

from calibration.evidence import Evidence
from calibration.posterior import Proposal, carried, design, prior, surprise, update, whitened

Array = NDArray[np.float64]
UNKNOWNS, MEMBERS = 5, 64
XI = design(UNKNOWNS, MEMBERS)


def linear(slopes: Array, measured: Array, std: float, proposal: Proposal, name: str = "a") -> Evidence:
    predicted = slopes @ proposal.members(XI) + 3.0
    at_s = np.arange(len(measured), dtype=float)
    return Evidence(name, at_s, measured, predicted, std**2 * np.eye(len(measured)))


def answer(found: list[Evidence], proposal: Proposal) -> tuple[Array, Array]:
    """Posterior mean and covariance of the unknowns."""
    after = update(proposal, [whitened(XI, one) for one in found]).proposal(proposal)
    return after.mean, after.factor @ after.factor.T


def test_the_design_is_exactly_standard() -> None:
    np.testing.assert_allclose(XI.mean(axis=1), 0.0, atol=1e-12)
    np.testing.assert_allclose(XI @ XI.T / MEMBERS, np.eye(UNKNOWNS), atol=1e-12)


def test_too_few_members_are_refused() -> None:
    with pytest.raises(ValueError, match=r"members = 9: expected at least twice the 5 unknowns"):
        design(5, 9)


@pytest.mark.parametrize("moved", [False, True])
def test_linear_evidence_gives_the_closed_form(moved: bool) -> None:
    # C.E. Rasmussen, C.K.I. Williams, Gaussian Processes for Machine Learning, 2006, eqs. 2.7-2.8 (linear model with a
    # normal prior): covariance (I + A'A/s2)^-1, mean = covariance A'y/s2. A proposal elsewhere must not change it.
    random = np.random.default_rng(3)
    slopes, measured, std = random.standard_normal((7, UNKNOWNS)), random.standard_normal(7) + 3.0, 0.6
    proposal = prior(UNKNOWNS)
    if moved:
        proposal = Proposal(random.standard_normal(UNKNOWNS), 0.5 * np.eye(UNKNOWNS) + 0.1)
    mean, covariance = answer([linear(slopes, measured, std, proposal)], proposal)
    wanted = np.linalg.inv(np.eye(UNKNOWNS) + slopes.T @ slopes / std**2)
    np.testing.assert_allclose(covariance, wanted, atol=1e-9)
    np.testing.assert_allclose(mean, wanted @ slopes.T @ (measured - 3.0) / std**2, atol=1e-9)


def test_neither_order_nor_division_of_the_evidence_matters() -> None:
    random = np.random.default_rng(4)
    slopes, measured = random.standard_normal((8, UNKNOWNS)), random.standard_normal(8)
    proposal = prior(UNKNOWNS)
    whole = answer([linear(slopes, measured, 0.5, proposal)], proposal)
    parts = [linear(slopes[i : i + 2], measured[i : i + 2], 0.5, proposal, str(i)) for i in (6, 0, 4, 2)]
    for one, other in zip(answer(parts, proposal), whole, strict=True):
        np.testing.assert_allclose(one, other, atol=1e-10)


def test_no_evidence_leaves_the_prior() -> None:
    mean, covariance = answer([], prior(UNKNOWNS))
    np.testing.assert_allclose(mean, 0.0, atol=1e-12)
    np.testing.assert_allclose(covariance, np.eye(UNKNOWNS), atol=1e-12)


def test_carried_values_follow_the_posterior() -> None:
    # A linear quantity's members must have the closed form's mean and spread.
    random = np.random.default_rng(5)
    slopes, weights = random.standard_normal((3, UNKNOWNS)), random.standard_normal(UNKNOWNS)
    proposal = prior(UNKNOWNS)
    after = update(proposal, [whitened(XI, linear(slopes, np.array([4.0, 2.5, 3.0]), 0.4, proposal))])
    values = carried(weights @ XI, XI, after.moved(XI))
    covariance = np.linalg.inv(np.eye(UNKNOWNS) + slopes.T @ slopes / 0.16)
    mean = covariance @ slopes.T @ (np.array([1.0, -0.5, 0.0]) / 0.16)
    assert values.mean() == pytest.approx(weights @ mean, abs=1e-9)
    assert values.std() == pytest.approx(np.sqrt(weights @ covariance @ weights), rel=1e-6)


def test_never_stays_never() -> None:
    values = np.where(np.arange(MEMBERS) < 3, np.inf, XI[0])
    after = update(prior(UNKNOWNS), [whitened(XI, linear(np.eye(UNKNOWNS)[:1], np.array([4.0]), 0.1, prior(UNKNOWNS)))])
    found = carried(values, XI, after.moved(XI))
    np.testing.assert_array_equal(np.isinf(found), np.isinf(values))
    # The evidence says 1 (4 less the 3 of `linear`), nearly exactly.
    assert np.mean(found[3:]) == pytest.approx(1.0, abs=0.05)


def test_what_is_not_straight_counts_as_uncertain() -> None:
    proposal = prior(UNKNOWNS)
    straight = linear(np.eye(UNKNOWNS)[:1], np.array([4.0]), 0.1, proposal)
    bent = Evidence("b", straight.at_s, straight.measured, straight.predicted + XI[:1] ** 2 - 1.0, straight.covariance)
    sure = update(proposal, [whitened(XI, straight)])
    unsure = update(proposal, [whitened(XI, bent)])
    assert unsure.bent > 5.0 > 0.1 > sure.bent
    assert unsure.narrowing[0, 0] > 2.0 * sure.narrowing[0, 0]


def test_surprise_is_the_departure_in_standard_deviations() -> None:
    # Prior predictive of y = z + 3 + noise: normal with variance 1 + s2.
    proposal = prior(UNKNOWNS)
    one = linear(np.eye(UNKNOWNS)[:1], np.array([8.0]), 0.5, proposal)
    nothing = update(proposal, [])
    wanted = (8.0 - 3.0) / np.sqrt(1.25)
    assert surprise(XI, nothing, one) == pytest.approx(wanted, rel=1e-6)
    assert stats.norm.sf(wanted) < 1e-5


def test_a_prediction_that_is_no_number_is_refused() -> None:
    one = linear(np.eye(UNKNOWNS)[:1], np.array([1.0]), 0.5, prior(UNKNOWNS), "face_upper_c")
    broken = Evidence(one.name, one.at_s, one.measured, np.full_like(one.predicted, np.nan), one.covariance)
    with pytest.raises(ArithmeticError, match="face_upper_c: some members have no prediction"):
        whitened(XI, broken)
