"""The course of an oven's air after the door, fitted to its readings."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from calibration.recovery import Recovery, fit

EXPECTED: dict[str, Any] = {"steady_c": 182.0, "steady_std_k": 3.0, "fall_k": 40.0, "recovery_s": 90.0}


def course(truth: Recovery, until_s: float, swing_k: float = 0.0) -> tuple[np.ndarray, np.ndarray]:
    time_s = np.arange(0.0, until_s, 1.0)
    return time_s, truth.at(time_s) + swing_k * np.sin(2.0 * np.pi * time_s / 140.0)


def test_a_long_course_is_found_again() -> None:
    truth = Recovery(0.0, 184.5, 0.0, 33.0, 70.0)
    found = fit(*course(truth, 600.0), 0.0, **EXPECTED)
    later = np.array([700.0, 1200.0])
    np.testing.assert_allclose(found.at(later), truth.at(later), atol=0.5)
    assert found.std_k < 1.0


def test_without_readings_it_is_what_was_expected() -> None:
    found = fit(np.empty(0), np.empty(0), 0.0, **EXPECTED)
    assert found.steady_c == pytest.approx(182.0, abs=1e-9)
    assert found.std_k == pytest.approx(3.0, rel=0.01)
    assert found.fall_k == pytest.approx(40.0, abs=1e-9)


def test_where_it_is_going_is_held_by_its_uncertainty() -> None:
    # Truths drawn from the same expectations, a minute and a half after the door: 90 % within 1.645 deviations.
    random = np.random.default_rng(8)
    held = []
    for _ in range(120):
        truth = Recovery(
            0.0,
            182.0 + 3.0 * random.standard_normal(),
            0.0,
            40.0 * (1.0 + 0.3 * random.standard_normal()),
            90.0 * np.exp(0.35 * random.standard_normal()),
        )
        found = fit(*course(truth, 90.0, swing_k=1.0), 0.0, **EXPECTED)
        held.append(abs(found.steady_c - truth.steady_c) < 1.645 * found.std_k)
    assert 0.8 < np.mean(held) <= 1.0


def test_only_the_last_door_counts() -> None:
    truth = Recovery(300.0, 180.0, 0.0, 50.0, 60.0)
    time_s = np.arange(0.0, 800.0, 1.0)
    before = np.where(time_s < 300.0, 120.0, truth.at(time_s))
    assert fit(time_s, before, 300.0, **EXPECTED).at(np.array([790.0]))[0] == pytest.approx(180.0, abs=0.5)


def test_before_the_door_the_air_is_steady() -> None:
    assert Recovery(100.0, 180.0, 1.0, 40.0, 90.0).at(np.array([99.0]))[0] == 180.0
