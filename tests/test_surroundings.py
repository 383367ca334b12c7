"""Air, walls and faces of an oven against their own differential equations and laws, by other means."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.integrate import solve_ivp

from thermal.surroundings import Drive, OvenAir, OvenFaces, SeriesAir, lagged_wall_c

Array = NDArray[np.float64]
ONE = np.ones(1)
OPENINGS = (0.0, 200.0, 260.0)


def oven(
    drop_k: float = 40.0,
    recovery_s: float = 90.0,
    lag_s: float = 300.0,
    openings_s: tuple[float, ...] = (0.0,),
) -> OvenAir:
    """Air at 185, walls at 180 °C once steady."""
    return OvenAir(185.0 * ONE, 180.0 * ONE, drop_k * ONE, recovery_s * ONE, lag_s * ONE, openings_s)


def air_at(air: OvenAir | SeriesAir, time_s: float, before: bool = False) -> float:
    """Air at the upper face, °C."""
    return float(air.drive(time_s * ONE, before).air[0, 0])


def wall_at(air: OvenAir | SeriesAir, time_s: float) -> float:
    """Walls, °C."""
    return float(air.drive(time_s * ONE).wall_k4[0] ** 0.25) - 273.15


# --- the small oven model ---


@pytest.mark.parametrize(("recovery_s", "lag_s"), [(90.0, 300.0), (200.0, 50.0), (90.0, 90.0), (90.0, 90.0001)])
def test_oven_air_solves_its_equations(recovery_s: float, lag_s: float) -> None:
    # dd/dt = -d/recovery with a fall at each opening, dw/dt = (d - w)/lag: scipy's DOP853, from jump to jump.
    air = oven(40.0, recovery_s, lag_s, OPENINGS)

    def rates(_: float, y: Array) -> list[float]:
        return [-y[0] / recovery_s, (y[0] - y[1]) / lag_s]

    state = np.array([-40.0, 0.0])
    for start, end in zip(OPENINGS, (*OPENINGS[1:], 900.0), strict=True):
        at = np.linspace(start, end, 7)[1:-1]
        solved = solve_ivp(rates, (start, end), state, "DOP853", t_eval=[*at, end], rtol=1e-11, atol=1e-10)
        for i, t in enumerate(at):
            assert air_at(air, t) - 185.0 == pytest.approx(solved.y[0, i], abs=1e-6)
            assert wall_at(air, t) - 180.0 == pytest.approx(solved.y[1, i], abs=1e-3)
        state = solved.y[:, -1] - [40.0, 0.0]


def test_walls_where_recovery_and_lag_agree() -> None:
    # The equations' double root: w = -drop (t/tau) exp(-t/tau), exact.
    air = oven(40.0, 120.0, 120.0)
    for t in (10.0, 120.0, 400.0):
        assert wall_at(air, t) == pytest.approx(180.0 - 40.0 * t / 120.0 * np.exp(-t / 120.0), abs=1e-3)


@pytest.mark.parametrize(("drop_k", "recovery_s"), [(40.0, 0.0), (0.0, 90.0)])
def test_without_recovery_time_or_drop_nothing_falls(drop_k: float, recovery_s: float) -> None:
    air = oven(drop_k, recovery_s, 300.0, OPENINGS)
    for t in (0.0, 1.0, 200.0, 300.0):
        assert air_at(air, t) == 185.0
        assert wall_at(air, t) == pytest.approx(180.0, abs=1e-9)


def test_limits_on_either_side_of_an_opening() -> None:
    air = oven(openings_s=(0.0, 200.0))
    left = 40.0 * np.exp(-200.0 / 90.0)  # of the first fall
    assert air_at(air, 0.0) == pytest.approx(145.0, abs=1e-9)  # the sheet is in: the air has fallen
    assert air_at(air, 200.0, before=True) == pytest.approx(185.0 - left, abs=1e-9)
    assert air_at(air, 200.0) == pytest.approx(145.0 - left, abs=1e-9)
    assert air.drive(200.0 * ONE, True).air_rate[0, 0] == pytest.approx(left / 90.0, rel=1e-9)
    assert air.drive(200.0 * ONE).air_rate[0, 0] == pytest.approx((40.0 + left) / 90.0, rel=1e-9)


def test_breaks_of_the_oven_air() -> None:
    assert oven(openings_s=(0.0,)).next_break_s(ONE) is None
    found = oven(openings_s=OPENINGS).next_break_s(np.array([0.0, 199.9, 200.0, 260.0]))
    assert found is not None
    assert found.tolist() == [200.0, 200.0, 260.0, np.inf]


def check_rates(air: OvenAir | SeriesAir, time_s: Array) -> None:
    """Stated rates against central differences in time."""
    step = 1e-3
    now, low, high = (air.drive(time_s + d) for d in (0.0, -step, step))
    np.testing.assert_allclose(now.air_rate + 0.0 * now.air, (high.air - low.air) / (2 * step), atol=1e-6)
    np.testing.assert_allclose(now.wall_k4_rate, (high.wall_k4 - low.wall_k4) / (2 * step), rtol=1e-5, atol=1.0)


def test_rates_of_the_oven_air() -> None:
    check_rates(oven(openings_s=OPENINGS), np.array([50.0]))
    check_rates(oven(openings_s=OPENINGS), np.array([233.0]))


def test_columns_keep_their_own_values() -> None:
    both = OvenAir(
        np.array([185.0, 160.0]), np.array([180.0, 150.0]), np.array([40.0, 10.0]), np.array([90.0, 30.0]),
        np.array([300.0, 100.0]),
    )  # fmt: skip
    one = both.columns(np.array([1]))
    assert air_at(one, 20.0) == both.drive(np.full(2, 20.0)).air[0, 1] == pytest.approx(160 - 10 * np.exp(-2 / 3))


# --- recorded air ---

TIMES = np.array([0.0, 10.0, 30.0, 60.0])
SERIES = SeriesAir(
    TIMES,
    np.array([[100.0, 90.0], [140.0, 120.0], [150.0, 150.0], [120.0, 130.0]])[:, :, None],
    np.array([[80.0, 80.0], [90.0, 100.0], [95.0, 110.0], [96.0, 110.0]]),
)


def test_series_are_linear_between_their_times_and_constant_beyond() -> None:
    at = np.array([20.0, 45.0])
    drive = SERIES.drive(at)
    assert drive.air.tolist() == [[145.0, 135.0], [135.0, 140.0]]
    np.testing.assert_allclose(drive.wall_k4**0.25 - 273.15, [92.5, 110.0], atol=1e-9)
    outside = SERIES.drive(np.array([-5.0, 99.0]))
    assert outside.air.tolist() == [[100.0, 120.0], [90.0, 130.0]]
    assert not outside.air_rate.any()
    assert not outside.wall_k4_rate.any()


def test_series_rates_and_their_jumps() -> None:
    check_rates(SERIES, np.array([20.0, 45.0]))
    assert SERIES.drive(np.full(2, 30.0), before=True).air_rate[0, 0] == pytest.approx(0.5)
    assert SERIES.drive(np.full(2, 30.0)).air_rate[0, 0] == pytest.approx(-1.0)
    assert SERIES.next_break_s(np.array([-1.0, 10.0, 59.9, 60.0])).tolist() == [  # type: ignore[union-attr]
        0.0, 30.0, 60.0, np.inf,
    ]  # fmt: skip


def test_series_columns() -> None:
    one = SERIES.columns(np.array([1]))
    assert wall_at(one, 20.0) == pytest.approx(105.0)
    assert air_at(one, 20.0) == 145.0


# --- lagging walls ---


def test_lagged_walls_solve_their_equation() -> None:
    time = np.array([0.0, 5.0, 12.0, 40.0, 41.0, 120.0, 300.0])
    air = np.array([150.0, 120.0, 135.0, 170.0, 140.0, 180.0, 180.0])
    lag, offset = np.array([60.0, 300.0]), np.array([-5.0, 2.0])
    got = lagged_wall_c(time, air, lag, offset)
    for column in range(2):
        # scipy's DOP853 from reading to reading.
        wall = air[0] + offset[column]
        for i in range(len(time) - 1):

            def rate(t: float, y: Array) -> Array:
                return np.asarray((np.interp(t, time, air) + offset[column] - y) / lag[column])  # noqa: B023

            solved = solve_ivp(rate, (time[i], time[i + 1]), [wall], "DOP853", rtol=1e-11, atol=1e-10)
            wall = float(solved.y[0, -1])
            assert got[i + 1, column] == pytest.approx(wall, abs=1e-6)


def test_walls_without_lag_are_the_air() -> None:
    air = np.array([150.0, 120.0, 135.0])
    walls = lagged_wall_c(np.array([0.0, 5.0, 9.0]), air, 0.0 * ONE, 4.0 * ONE)[:, 0]
    np.testing.assert_allclose(walls, air + 4.0, atol=0.01)


# --- faces ---

FACES = OvenFaces(
    oven(openings_s=(0.0,)),
    np.array([[18.0], [12.0]]),
    np.array([[1.0], [-6.0]]),
    np.array([[0.9], [0.85]]),
    np.array([[0.5], [0.85]]),
    np.array([[3000.0], [0.0]]),
)


def test_heat_flow_into_the_faces() -> None:
    # Incropera et al., Fundamentals of Heat and Mass Transfer, 6th ed., eqs. 1.3a and 1.7, summed by hand.
    drive = Drive(np.array([[180.0]]), np.array([450.0**4]), np.zeros((1, 1)), np.zeros(1))
    got = FACES.flux(drive, np.array([[120.0], [100.0]]))
    sigma = 5.670374419e-8
    upper = 18.0 * (181.0 - 120.0) + 3000.0 + sigma * (0.5 * 450.0**4 - 0.9 * 393.15**4)
    lower = 12.0 * (174.0 - 100.0) + sigma * 0.85 * (450.0**4 - 373.15**4)
    assert got[:, 0].tolist() == pytest.approx([upper, lower], rel=1e-9)


def test_no_heat_flows_in_equilibrium() -> None:
    one, none = np.ones((2, 1)), np.zeros((2, 1))
    still = OvenFaces(oven(0.0), 15.0 * one, none, one, one, none)
    drive = Drive(np.array([[160.0]]), np.array([433.15**4]), np.zeros((1, 1)), np.zeros(1))
    np.testing.assert_allclose(still.flux(drive, np.full((2, 1), 160.0)), 0.0, atol=1e-9)


def test_slopes_of_the_heat_flow() -> None:
    face = np.array([[110.0], [70.0]])
    by_face, by_time = FACES.slopes(FACES.air.drive(30.0 * ONE), face)
    step = 1e-3
    drive = FACES.air.drive(30.0 * ONE)
    numeric = (FACES.flux(drive, face + step) - FACES.flux(drive, face - step)) / (2 * step)
    np.testing.assert_allclose(by_face, numeric, rtol=1e-6)
    low, high = (FACES.flux(FACES.air.drive((30.0 + d) * ONE), face) for d in (-step, step))
    np.testing.assert_allclose(by_time, (high - low) / (2 * step), rtol=1e-5)
