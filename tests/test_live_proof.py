"""The live estimate on virtual heats whose truth is known: a small seeded part of benchmarks/live_estimate.py and
benchmarks/live_cue.py (tables in docs/numerics.md). Truth is drawn from the estimate's own priors.
"""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache

import numpy as np
import pytest

from calibration.estimator import Estimator
from calibration.observed import Observed
from live_cases import ROUGH, cell
from live_cue import KINDS, follow_heats, upper_limit
from live_estimate import Row, run
from virtual_heats import LINE_MM, readings, virtual_heats

HEATS = 14


@lru_cache
def row_of(sensors: str) -> Row:
    return run(sensors, 3.0, HEATS, 21, 96)


@pytest.mark.parametrize("sensors", ["air", "face", "clear"])
def test_the_error_is_what_the_data_allow_and_the_intervals_hold(sensors: str) -> None:
    row = row_of(sensors)
    # With 14 heats a root mean square is within 31 % of its value 9 times of 10: 1.25 becomes 1.65.
    assert row.ratio < 1.65
    # 90 % of 14 is 12.6; 9 or fewer of 14 happen once in 100 times (binomial).
    assert min(*row.opens_held, *row.core_held) > 9 / HEATS


def test_more_sensors_lower_the_bound_and_the_error() -> None:
    air, face = row_of("air"), row_of("face")
    assert face.bound_k < 0.6 * air.bound_k
    assert face.error_k < 0.7 * air.error_k


def test_the_first_pull_now_is_seldom_false_and_not_late() -> None:
    kind = replace(KINDS["calibrated-6"], gauge_mm=3.0)
    found = follow_heats(kind, 10, 31, 0.01, 96)
    assert all(np.isfinite(one.at_s) for one in found)
    assert sum(one.short_k > 1.0 for one in found) <= 1  # two of 10 at a rate of 1 % happen once in 200 times
    delays = np.array([one.at_s - one.opens_s for one in found])
    costs = np.array([(2.326 * one.bound_k - 1.0) / one.rate_k_s for one in found])
    assert np.median(delays) < 2.0 * np.median(costs) + 5.0


def test_a_restart_under_a_falling_bubble_finds_the_same_place() -> None:
    # One of the drop sensor's heats in benchmarks/live_estimate.py, 200 s slower than planned: sought in one go from
    # the prior, its opening came out 88 s early and far outside its interval, at a misfit of 2.4.
    case, of = cell(4.0, ROUGH, (0.3,))
    nominal_s = Estimator(case, of).at(Observed(np.zeros(1), {}), 0.0).opens.middle
    assert nominal_s is not None
    truth, worst = virtual_heats(case, of, 24, 7, 2.2 * nominal_s), 21
    seen, at_s = readings(truth, worst, frozenset({"air", "drop"}), 7), float(truth.core_s[worst]) - 60.0
    found = Estimator(case, of, LINE_MM).at(seen, at_s)
    assert found.misfit is not None
    assert found.misfit < 1.2
    assert found.opens.low is not None
    assert found.opens.high is not None
    assert found.opens.low - 10.0 < truth.core_s[worst] < found.opens.high + 10.0


def test_upper_limit_of_a_share() -> None:
    # The 'rule of three' (J.A. Hanley, A. Lippman-Hand, JAMA 249 (1983) 1743): none of n leaves at most about 3/n.
    assert upper_limit(0, 300) == pytest.approx(3.0 / 300, rel=0.01)
    assert upper_limit(5, 5) == 1.0
