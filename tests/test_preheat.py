"""Whether the oven is steady enough to put the sheet in."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from cases import CARD
from thermal.preheat import WALL_SETTLED_K, judge_preheat, preheat_s
from thermal.surroundings import lagged_wall_c

TIME = np.arange(-600.0, 0.0, 10.0)
SET_C = 185.0
AIR_C, WALL_C = 182.0, 180.0  # what the card expects: offsets of -3 and -5 K
STEADY = np.full_like(TIME, AIR_C)


def test_after_the_wait_the_walls_are_settled() -> None:
    # The walls' own equation, air at its steady value from the start: lagged_wall_c (checked in test_surroundings.py).
    wait = preheat_s(CARD, SET_C, 20.0)
    time = np.array([0.0, 1e-3, wait])
    walls = lagged_wall_c(time, np.array([20.0, WALL_C, WALL_C]), np.array([CARD.wall_lag_s]), np.zeros(1))
    assert WALL_C - walls[-1, 0] == pytest.approx(WALL_SETTLED_K, rel=1e-3)
    assert preheat_s(replace(CARD, dial_offset_k=-20.0), SET_C, 20.0) < wait
    assert preheat_s(CARD, 25.0, 22.0) == 0.0  # no warmer than the room
    assert preheat_s(replace(CARD, wall_lag_s=0.0), SET_C, 20.0) == 0.0


def test_steady_air() -> None:
    verdict = judge_preheat(CARD, SET_C, TIME, STEADY + 0.5 * np.sin(TIME / 7.0))
    assert verdict.steady is True
    assert verdict.of == "air"
    assert verdict.departure_k == pytest.approx(0.0, abs=0.2)


@pytest.mark.parametrize(("slope_k_min", "moving"), [(0.4, False), (0.6, True), (-0.6, True), (-0.4, False)])
def test_drift_of_half_a_kelvin_a_minute_is_the_limit(slope_k_min: float, moving: bool) -> None:
    verdict = judge_preheat(CARD, SET_C, TIME, STEADY + slope_k_min * (TIME + 150.0) / 60.0)
    assert (verdict.finding == "moving") is moving
    assert verdict.drift_k_min == pytest.approx(slope_k_min, abs=1e-6)


@pytest.mark.parametrize(("departure_k", "finding"), [(4.5, "steady"), (5.5, "off"), (-5.5, "off")])
def test_steady_but_elsewhere(departure_k: float, finding: str) -> None:
    verdict = judge_preheat(CARD, SET_C, TIME, STEADY + departure_k)
    assert verdict.finding == finding
    assert verdict.departure_k == pytest.approx(departure_k)


def test_the_display_offset_belongs_to_what_is_expected() -> None:
    assert judge_preheat(replace(CARD, dial_offset_k=8.0), SET_C, TIME, STEADY + 8.0).steady is True
    assert judge_preheat(CARD, SET_C, TIME, STEADY + 8.0).steady is False


def test_only_the_last_five_minutes_count() -> None:
    early = np.where(TIME < -320.0, STEADY - 100.0, STEADY)
    assert judge_preheat(CARD, SET_C, TIME, early).steady is True


@pytest.mark.parametrize("readings", [0, 4, 12])
def test_too_few_readings_tell_nothing(readings: int) -> None:
    # None, fewer than five, and two minutes instead of five.
    verdict = judge_preheat(CARD, SET_C, TIME[:readings], STEADY[:readings])
    assert verdict.finding == "too few readings"
    assert verdict.steady is None


def test_gaps_are_no_readings() -> None:
    gappy = STEADY.copy()
    gappy[::2] = np.nan
    assert judge_preheat(CARD, SET_C, TIME, gappy).steady is True
    gappy[-28:] = np.nan
    assert judge_preheat(CARD, SET_C, TIME, gappy).steady is None


def test_cold_walls_are_seen_through_steady_air() -> None:
    walls = WALL_C - 40.0 * np.exp(-(TIME + 600.0) / CARD.wall_lag_s)
    verdict = judge_preheat(CARD, SET_C, TIME, STEADY, walls)
    assert (verdict.finding, verdict.of) == ("moving", "walls")
    assert verdict.drift_k_min is not None
    assert verdict.drift_k_min > 1.0
    assert judge_preheat(CARD, SET_C, TIME, STEADY, np.full_like(TIME, WALL_C)).steady is True
