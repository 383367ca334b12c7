"""Fixed points: how well they are known, when readings have settled, and what is judged."""

from __future__ import annotations

import math
import random
from collections.abc import Callable, Iterator

import pytest

from logger.clock import ManualClock
from logger.fixed_point import (
    BOILING_STD_K,
    Point,
    Rules,
    Settled,
    Settling,
    Verdict,
    boiling_point,
    boiling_point_at_altitude,
    ice_point,
    judge,
    judged,
    of_typed,
    wait_until_settled,
)
from logger.reading import State, Value
from thermal.fields import InputError

RULES = Rules()


def settled(mean_c: float, scatter_k: float = 0.0) -> Settled:
    return Settled(Settling.SETTLED, mean_c, scatter_k, 0.0, 10)


def known(expected_c: float, std_k: float) -> Point:
    return Point("ice", expected_c, std_k, "said so")


def celsius(value: float | None, state: State = State.OK) -> Value:
    return Value("tc_1", "C", value, state)


# ---------------------------------------------------------------- points


def test_ice() -> None:
    point = ice_point()
    assert (point.expected_c, point.corrects, point.pressure_kpa) == (0.0, True, None)
    assert point.std_k == pytest.approx(0.1 / math.sqrt(3.0))  # JCGM 100:2008, 4.3.7


def test_boiling_under_a_known_pressure() -> None:
    point = boiling_point(101.325)
    assert point.expected_c == pytest.approx(99.974, abs=1e-3)  # IAPWS-95: 373.124 K
    # 0.3 kPa at 0.2765 K/kPa (Clausius-Clapeyron with steam-table values) beside the bath
    assert point.std_k == pytest.approx(math.hypot(BOILING_STD_K, 0.3 * 0.2765), rel=0.005)
    assert boiling_point(101.325, 1.0).std_k > 1.5 * point.std_k
    assert point.corrects


def test_altitude_alone_is_coarse_and_corrects_nothing() -> None:
    alone, reported = boiling_point_at_altitude(500.0), boiling_point_at_altitude(500.0, 101.325)
    assert alone.expected_c == pytest.approx(reported.expected_c)
    assert alone.pressure_kpa == pytest.approx(95.461, abs=1e-3)  # ISO 2533
    assert alone.std_k > 2.0 * reported.std_k
    assert (alone.corrects, reported.corrects) == (False, True)
    assert "estimate" in alone.how
    assert "weather is not known" in alone.how


@pytest.mark.parametrize(
    ("make", "message"),
    [
        (lambda: boiling_point(1013.0), r"1013 hPa \(mbar\) are 101.3 kPa"),
        (lambda: boiling_point(98.0, -0.1), "uncertainty of the pressure = -0.1 kPa"),
        (lambda: boiling_point(98.0, math.nan), "uncertainty of the pressure = nan kPa"),
        (lambda: boiling_point_at_altitude(9000.0), "altitude = 9000"),
        (lambda: boiling_point_at_altitude(5500.0, 86.0), "air pressure = 42"),
    ],
)
def test_points_that_cannot_be(make: Callable[[], Point], message: str) -> None:
    with pytest.raises(InputError, match=message):
        make()


# ---------------------------------------------------------------- settling


def every_two_s(values: list[float]) -> list[float]:
    return [2.0 * i for i in range(len(values))]


def test_steady_readings_have_settled() -> None:
    noise = random.Random(7)
    values = [0.4 + noise.gauss(0.0, 0.05) for _ in range(30)]
    stand = judged(every_two_s(values), values, RULES)
    assert stand.how is Settling.SETTLED
    assert stand.mean_c == pytest.approx(0.4, abs=0.04)
    assert stand.scatter_k == pytest.approx(0.05, abs=0.02)
    assert stand.count == 20  # those of the last 40 s


def test_a_straight_line_drifts_by_its_own_rise() -> None:
    values = [20.0 - 0.02 * i for i in range(30)]  # 0.01 K/s: 0.38 K from the first to the last of 20 readings
    stand = judged(every_two_s(values), values, RULES)
    assert stand.drift_k == pytest.approx(-0.38, abs=1e-9)
    assert stand.how is Settling.WAITING


@pytest.mark.parametrize("count", [1, 2, 9, 20])
def test_too_few_or_too_short_is_not_settled(count: int) -> None:
    values = [0.1] * count
    assert judged(every_two_s(values), values, RULES).how is Settling.WAITING


def test_scatter_is_not_settled() -> None:
    values = [0.5 * (-1) ** i for i in range(40)]
    stand = judged(every_two_s(values), values, RULES)
    assert stand.how is Settling.WAITING
    assert stand.scatter_k == pytest.approx(0.5, rel=0.03)


def reading(values: Iterator[Value]) -> Callable[[], Value]:
    return lambda: next(values)


def test_waiting_for_a_sensor_with_lag() -> None:
    clock = ManualClock()
    shown: list[Settled] = []
    stand = wait_until_settled(
        lambda: celsius(0.3 + 21.7 * math.exp(-clock.monotonic_s() / 8.0)), clock, RULES, shown.append
    )
    # lag of 8 s: 21.7 K are down to 0.1 K after 8 * ln(217) = 43 s, and the window of 40 s is calm within another
    assert stand.how is Settling.SETTLED
    assert stand.mean_c == pytest.approx(0.3, abs=0.1)
    assert 60.0 < stand.waited_s < 120.0
    assert clock.monotonic_s() == stand.waited_s
    assert [one.how for one in shown[:-1]] == [Settling.WAITING] * (len(shown) - 1)


def test_a_reading_that_never_settles_is_given_up() -> None:
    clock = ManualClock()
    stand = wait_until_settled(lambda: celsius(20.0 * math.sin(clock.monotonic_s())), clock, RULES)
    assert (stand.how, stand.waited_s) == (Settling.NOT_SETTLED, 600.0)


@pytest.mark.parametrize("state", [State.OPEN, State.OUT_OF_RANGE, State.MISSING])
def test_no_reading_is_given_up_with_its_reason(state: State) -> None:
    stand = wait_until_settled(lambda: celsius(None, state), ManualClock(), RULES)
    assert (stand.how, stand.state) == (Settling.NO_READING, state)
    assert math.isnan(stand.mean_c)


def test_nan_is_no_reading() -> None:
    stand = wait_until_settled(lambda: celsius(math.nan), ManualClock(), RULES)
    assert (stand.how, stand.state) == (Settling.NO_READING, State.MISSING)


def test_a_gap_starts_the_wait_anew() -> None:
    values = iter([celsius(5.0)] * 15 + [celsius(None, State.OPEN)] + [celsius(0.2)] * 100)
    stand = wait_until_settled(reading(values), ManualClock(), RULES)
    assert stand.mean_c == pytest.approx(0.2)
    assert stand.waited_s == pytest.approx(16 * 2.0 + 40.0)


def test_typed_readings() -> None:
    assert of_typed([], RULES).how is Settling.NO_READING
    one = of_typed([0.4], RULES)
    assert (one.how, one.mean_c, math.isnan(one.scatter_k)) == (Settling.SETTLED, 0.4, True)
    three = of_typed([0.3, 0.5, 0.4], RULES)
    assert three.mean_c == pytest.approx(0.4)
    assert three.scatter_k == pytest.approx(0.1)
    assert of_typed([0.1, 0.9, 0.1], RULES).how is Settling.NOT_SETTLED


# ---------------------------------------------------------------- judging


@pytest.mark.parametrize(
    ("deviation_k", "verdict"),
    [
        (1.29, Verdict.WITHIN), (-1.29, Verdict.WITHIN), (1.31, Verdict.UNDECIDED), (-1.69, Verdict.UNDECIDED),
        (1.71, Verdict.OUTSIDE), (-1.71, Verdict.OUTSIDE),
    ],
)  # fmt: skip
def test_guard_bands(deviation_k: float, verdict: Verdict) -> None:
    # K class 1 allows 1.5 K (IEC 60584-1); 0.1 K standard is 0.2 K expanded: within to 1.3, outside from 1.7 K
    result = judge(known(0.0, 0.1), settled(deviation_k), "K", "1")
    assert result.limit_k == 1.5
    assert result.uncertainty_k == pytest.approx(0.2)
    assert result.deviation_k == pytest.approx(deviation_k)
    assert result.verdict is verdict


def test_scatter_counts() -> None:
    result = judge(known(0.0, 0.3), settled(0.0, 0.4), "K", "1")
    assert result.uncertainty_k == pytest.approx(1.0)  # 2 * hypot(0.3, 0.4)


def test_a_class_that_ends_below_has_no_limit() -> None:
    result = judge(known(99.6, 0.1), settled(150.0), "K", "3")
    assert (result.limit_k, result.verdict) == (None, Verdict.NO_LIMIT)


def test_nothing_is_judged_unsettled() -> None:
    with pytest.raises(InputError, match="readings = not settled"):
        judge(ice_point(), Settled(Settling.NOT_SETTLED, 0.1, 0.5), "K", "1")
