"""The conduction solver against exact solutions, published worked examples and its own orders of convergence."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

import exact
from slabs import constant_material, profiles, slab
from thermal.absorption import Absorption
from thermal.enthalpy import material
from thermal.grid import coldest_c, storage_weights
from thermal.slab import Lump
from worked_examples import CONDUCTION, Example

Array = NDArray[np.float64]

# Round properties of PP, as in the check tables; L is half the gauge.
K, RHO, C = 0.20, 905.0, 2100.0
ALPHA = K / (RHO * C)
HALF_M = 3e-3
START_C, AIR_C = 20.0, 180.0  # the 160 K step
FOURIER = np.array([0.05, 0.1, 0.2, 0.5, 1.0, 2.0, 5.0])
BIOT = [0.01, 0.1, 0.3, 0.5, 1.0, 1.49, 2.0, 5.0, 10.0, 50.0, 100.0]
PP = constant_material(K, RHO, C)


def plane_wall_error_k(biot: float, intervals: int, tolerance_k: float = 0.01, fourier: Array = FOURIER) -> float:
    """Largest error of core and face over the Fourier numbers."""
    h = biot * K / HALF_M
    times = fourier * HALF_M**2 / ALPHA
    problem = slab(PP, RHO * 2 * HALF_M, START_C, (h, h), (AIR_C, AIR_C))
    got, _ = profiles(problem, times, intervals, tolerance_k)
    errors = []
    for i, fo in enumerate(fourier):
        for node, place in ((0, 1.0), (intervals // 2, 0.0), (intervals, 1.0)):
            wanted = AIR_C - (AIR_C - START_C) * float(exact.plane_wall(place, fo, biot))
            errors.append(abs(got[node, i] - wanted))
    return float(max(errors))


# Carslaw & Jaeger, Conduction of Heat in Solids, 2nd ed. 1959, sec. 3.11: exact series, 120 terms.
@pytest.mark.parametrize("biot", BIOT)
def test_plane_wall_on_the_production_grid(biot: float) -> None:
    # 0.12 K anywhere; 0.03 K at the Biot numbers of ovens (h 30 W/m2K on 15 mm of PP: 1.1).
    assert plane_wall_error_k(biot, 18) < (0.03 if biot < 1.5 else 0.12)


@pytest.mark.parametrize("biot", BIOT)
def test_plane_wall_on_twice_the_nodes(biot: float) -> None:
    assert plane_wall_error_k(biot, 36, 3e-3) < 0.02


def test_one_term_table_of_incropera() -> None:
    # Incropera et al., Fundamentals of Heat and Mass Transfer, Table 5.1: zeta_1, C_1 (four digits, recalled).
    for biot, zeta, c_1 in ((0.1, 0.3111, 1.0161), (0.5, 0.6533, 1.0701), (1.0, 0.8603, 1.1191), (5.0, 1.3138, 1.2402)):
        fo = 1.0
        h = biot * K / HALF_M
        problem = slab(PP, RHO * 2 * HALF_M, START_C, (h, h), (AIR_C, AIR_C))
        got, _ = profiles(problem, np.array([fo * HALF_M**2 / ALPHA]))
        theta = (AIR_C - got[9, 0]) / (AIR_C - START_C)
        # At Fo = 1 the second term is below 1e-4; the table's rounding moves theta by 2e-4 at most.
        assert theta == pytest.approx(c_1 * np.exp(-(zeta**2) * fo), abs=3e-4)


@pytest.mark.parametrize("biot", [0.5, 1.0])
def test_order_in_space(biot: float) -> None:
    errors = [plane_wall_error_k(biot, n, 1e-6, np.array([0.2, 0.5, 1.0])) for n in (6, 12, 24, 48)]
    orders = np.log2(np.array(errors[:-1]) / np.array(errors[1:]))
    assert orders.min() > 3.5, orders


def test_order_in_time() -> None:
    # Rodas3 is of order 3, so errors shrink as the number of steps to the power -3. The grid is fixed and the
    # reference is the same grid at a far smaller tolerance, so only time is measured.
    h = 1.0 * K / HALF_M
    problem = slab(PP, RHO * 2 * HALF_M, START_C, (h, h), (AIR_C, AIR_C))
    at = np.array([200.0])
    reference, _ = profiles(problem, at, 8, 1e-8)
    errors, steps = [], []
    for tolerance in (1e-2, 1e-3, 1e-4):
        got, history = profiles(problem, at, 8, tolerance)
        errors.append(float(np.abs(got - reference).max()))
        steps.append(len(np.unique(history.time_s)))
    order = -np.log(errors[-1] / errors[0]) / np.log(steps[-1] / steps[0])
    assert 2.5 < order < 4.0, (errors, steps)


def test_unequal_faces_and_their_coldest_place() -> None:
    # Carslaw & Jaeger sec. 3.11, Bi 0.75 above and 0.25 below; the coldest plane lies at X = 0.721 late on.
    d = 2 * HALF_M
    times = np.array([0.1, 0.2, 0.5, 1.0]) * d**2 / ALPHA
    h = (0.75 * K / d, 0.25 * K / d)
    got, _ = profiles(slab(PP, RHO * d, START_C, h, (AIR_C, AIR_C)), times)
    x = np.linspace(0.0, 1.0, 19)
    for i, fo in enumerate((0.1, 0.2, 0.5, 1.0)):
        wanted = AIR_C - 160.0 * exact.unequal_faces(x, fo, 0.75, 0.25)
        np.testing.assert_allclose(got[:, i], wanted, atol=0.03)
    fine = exact.unequal_faces(np.array([0.721]), 1.0, 0.75, 0.25)
    assert coldest_c(got[:, -1:])[0] == pytest.approx(AIR_C - 160.0 * float(fine[0]), abs=0.01)


def test_different_surroundings() -> None:
    d = 2 * HALF_M
    times = np.array([60.0, 200.0, 900.0])
    got, _ = profiles(slab(PP, RHO * d, START_C, (25.0, 8.0), (180.0, 90.0)), times)
    z = np.linspace(0.0, d, 19)
    for i, t in enumerate(times):
        wanted = exact.two_surroundings(
            z, t, thickness_m=d, k_w_mk=K, rho_c_j_m3k=RHO * C, h_w_m2k=(25.0, 8.0),
            surroundings_c=(180.0, 90.0), start_c=START_C,
        )  # fmt: skip
        np.testing.assert_allclose(got[:, i], wanted, atol=0.03)


def test_one_face_insulated() -> None:
    # The insulated half is a mirror: the series with L the full thickness.
    d = 2 * HALF_M
    h = 1.0 * K / d
    fourier = np.array([0.05, 0.2, 0.5, 1.0])
    got, _ = profiles(slab(PP, RHO * d, START_C, (h, 0.0), (AIR_C, AIR_C)), fourier * d**2 / ALPHA)
    x = np.linspace(1.0, 0.0, 19)
    for i, fo in enumerate(fourier):
        np.testing.assert_allclose(got[:, i], AIR_C - 160.0 * exact.plane_wall(x, fo, 1.0), atol=0.03)


@pytest.mark.parametrize("sides", ["both", "one"])
def test_constant_flux(sides: str) -> None:
    # Carslaw & Jaeger sec. 3.8.
    q = 2000.0
    length = HALF_M if sides == "both" else 2 * HALF_M
    fourier = np.array([0.05, 0.2, 0.5, 1.0])
    times = fourier * length**2 / ALPHA
    problem = slab(PP, RHO * 2 * HALF_M, START_C, flux_w_m2=(q, q if sides == "both" else 0.0))
    got, _ = profiles(problem, times)
    x = np.linspace(1.0, -1.0, 19) if sides == "both" else np.linspace(1.0, 0.0, 19)
    for i, fo in enumerate(fourier):
        wanted = START_C + q * length / K * exact.constant_flux(np.abs(x), fo)
        np.testing.assert_allclose(got[:, i], wanted, atol=0.05)


def test_semi_infinite_solid_with_convection() -> None:
    # Incropera eq. 5.60; 40 mm of sheet is endless for 120 s (7 sqrt(alpha t) = 25 mm).
    d, h = 40e-3, 25.0
    times = np.array([30.0, 60.0, 120.0])
    got, _ = profiles(slab(PP, RHO * d, START_C, (h, 0.0), (AIR_C, AIR_C)), times, intervals=80)
    for i, t in enumerate(times):
        for node in range(0, 9):
            wanted = exact.semi_infinite_convection(node * d / 80, t, k_w_mk=K, alpha_m2_s=ALPHA, h_w_m2k=h)
            assert got[node, i] == pytest.approx(START_C + 160.0 * float(wanted), abs=0.05)


def test_semi_infinite_solid_with_a_held_face() -> None:
    # Incropera eq. 5.57, the face held by a very large coefficient.
    d = 40e-3
    times = np.array([60.0, 120.0, 300.0])
    got, _ = profiles(slab(PP, RHO * d, START_C, (1e7, 0.0), (AIR_C, AIR_C)), times, intervals=120)
    for i, t in enumerate(times):
        for depth_m in (1e-3, 2e-3, 3e-3):
            node = round(depth_m / d * 120)
            wanted = START_C + 160.0 * float(exact.semi_infinite_temperature(depth_m, t, ALPHA))
            assert got[node, i] == pytest.approx(wanted, abs=0.05)


def test_neumann_melting_front() -> None:
    # Carslaw & Jaeger sec. 11.2: half-space of PP-like sheet melting at 165 °C. The melting range is 1 K wide here,
    # so the front is where half has melted, and temperatures are compared off the range. So sharp a range needs a
    # fine grid. 12 mm are endless for two minutes.
    c, latent, melting_c, face_c = 2200.0, 100e3, 165.0, 185.0
    half_width = 0.5
    knots = np.array([0.0, melting_c - half_width, melting_c, melting_c + half_width, 400.0])[:, None]
    capacity = np.full((5, 1), c)
    capacity[2] += latent / half_width
    stuff = material(knots, capacity, np.full((5, 1), K * RHO))
    d, nodes = 12e-3, 240
    neumann = exact.Neumann(25.0, melting_c, face_c, K / (RHO * c), c, latent)
    times = np.array([30.0, 60.0, 120.0])
    got, _ = profiles(slab(stuff, RHO * d, 25.0, (1e7, 0.0), (face_c, face_c)), times, nodes, 0.03)
    z = np.linspace(0.0, d, nodes + 1)
    for i, t in enumerate(times):
        front = float(np.interp(-melting_c, -got[:, i], z))
        assert front == pytest.approx(neumann.front_m(t), abs=0.02e-3)
        off = (np.abs(z - neumann.front_m(t)) > 0.15e-3) & (z < 5e-3)
        np.testing.assert_allclose(got[off, i], neumann.temperature_c(z[off], t), atol=0.5)


def test_absorption_in_depth_between_insulated_faces() -> None:
    # Beer-Lambert slab, cosine series; all that is absorbed stays.
    case = exact.Absorbing(3e-3, 1000.0, 5000.0, K, RHO * C)
    column = np.ones((1, 1))
    absorbing = Absorption(np.array([[5000.0], [0.0]]), column, 3.0 * column)
    times = np.array([5.0, 20.0, 60.0, 120.0])
    got, history = profiles(slab(PP, RHO * 3e-3, START_C, absorption=absorbing), times)
    z = np.linspace(0.0, 3e-3, 19)
    for i, t in enumerate(times):
        np.testing.assert_allclose(got[:, i] - START_C, case.insulated_rise_k(z, t), atol=0.02)
    absorbed = 5000.0 * case.absorbed_fraction * 120.0
    assert history.end.stored_j_m2[0] == pytest.approx(absorbed, rel=1e-10)


@pytest.mark.parametrize("lit", ["one", "two"])
def test_absorption_in_depth_steady(lit: str) -> None:
    case = exact.Absorbing(3e-3, 1000.0, 5000.0, K, RHO * C)
    column = np.ones((1, 1))
    entering = np.array([[5000.0], [5000.0 if lit == "two" else 0.0]])
    problem = slab(PP, RHO * 3e-3, 60.0, (25.0, 25.0), (60.0, 60.0),
                   absorption=Absorption(entering, column, 3.0 * column))  # fmt: skip
    got, _ = profiles(problem, np.array([20_000.0]))
    z = np.linspace(0.0, 3e-3, 19)
    wanted = case.steady_two_sides_c(z, 25.0, 60.0) if lit == "two" else case.steady_one_side_c(z, 25.0, 60.0)
    np.testing.assert_allclose(got[:, 0], wanted, atol=0.02)


def test_strong_absorption_is_a_flux_into_the_face() -> None:
    column = np.ones((1, 1))
    opaque = Absorption(np.array([[2000.0], [2000.0]]), column, 1e5 * column)
    times = np.array([0.5]) * HALF_M**2 / ALPHA
    deep, _ = profiles(slab(PP, RHO * 2 * HALF_M, START_C, absorption=opaque), times)
    face, _ = profiles(slab(PP, RHO * 2 * HALF_M, START_C, flux_w_m2=(2000.0, 2000.0)), times)
    np.testing.assert_allclose(deep, face, atol=0.01)


@pytest.mark.parametrize(
    ("gauge_m", "faces", "emissivity", "rho_c", "wall_c", "start_c", "end_c"),
    [(1e-3, 1, 0.9, 2.0e6, 400.0, 20.0, 150.0), (3e-3, 2, 0.9, 1.9005e6, 300.0, 20.0, 180.0),
     (5e-3, 2, 0.9, 2.0815e6, 22.0, 190.0, 160.0)],
)  # fmt: skip
def test_radiation_alone_on_a_sheet_without_gradient(
    gauge_m: float, faces: int, emissivity: float, rho_c: float, wall_c: float, start_c: float, end_c: float
) -> None:
    # Incropera eq. 5.18 (recalled), closed form; a large conductivity takes the gradient away.
    time = exact.radiating_lump_time_s(rho_c * gauge_m, faces, emissivity, wall_c, start_c, end_c)
    stuff = constant_material(1000.0, 1000.0, rho_c / 1000.0)
    loss = (emissivity, emissivity if faces == 2 else 0.0)
    got, _ = profiles(slab(stuff, 1000.0 * gauge_m, start_c, loss=loss, wall_c=wall_c), np.array([time]))
    np.testing.assert_allclose(got[:, 0], end_c, atol=0.05)


@pytest.mark.parametrize("example", CONDUCTION, ids=lambda example: str(example.key))
def test_published_worked_examples(example: Example) -> None:
    """Solved examples of heat transfer textbooks, exact answers recomputed from the printed inputs."""
    problem = example.slab
    assert problem is not None
    sides = (problem.upper, problem.lower)
    step = max(abs(s.held_c - problem.start_c) if s.held_c is not None else abs(s.surroundings_c - problem.start_c)
               for s in sides)  # fmt: skip
    stuff = constant_material(problem.k_w_mk, 1000.0, problem.rho_c_j_m3k / 1000.0)
    built = slab(
        stuff,
        1000.0 * problem.thickness_m,
        problem.start_c,
        (_h(sides[0].h_w_m2k, sides[0].held_c, problem.k_w_mk, problem.thickness_m),
         _h(sides[1].h_w_m2k, sides[1].held_c, problem.k_w_mk, problem.thickness_m)),
        (_air(sides[0].surroundings_c, sides[0].held_c), _air(sides[1].surroundings_c, sides[1].held_c)),
        loss=(sides[0].emissivity, sides[1].emissivity),
        wall_c=sides[0].surroundings_c,
        flux_w_m2=(sides[0].flux_w_m2, sides[1].flux_w_m2),
    )  # fmt: skip
    intervals = 120
    times = np.array([check.time_s for check in example.checks])
    got, _ = profiles(built, times, intervals, 1e-3)
    nodes = np.linspace(0.0, problem.thickness_m, intervals + 1)
    for i, check in enumerate(example.checks):
        value = float(np.interp(check.depth_m, nodes, got[:, i]))
        # 0.1 % of the temperature step, for the interpolation between nodes, or what a lumped answer leaves out.
        allowed = max(1e-3 * max(step, 1.0), example.lumped_tolerance_k)
        assert value == pytest.approx(check.exact_c, abs=allowed), (example.key, check)


def _h(h: float, held_c: float | None, k: float, thickness_m: float) -> float:
    return h if held_c is None else 1e6 * k / thickness_m


def _air(surroundings_c: float, held_c: float | None) -> float:
    return surroundings_c if held_c is None else held_c


def test_heat_balance_closes() -> None:
    # Every term at once: melting, convection, radiation, absorption in depth, a film above and a tray below.
    knots = np.array([0.0, 120.0, 162.0, 170.0, 220.0])[:, None]
    capacity = np.array([1650.0, 2150.0, 2350.0 + 3600.0, 2400.0, 2650.0])[:, None]
    stuff = material(knots, capacity, np.array([200.0, 190.0, 170.0, 150.0, 150.0])[:, None])
    one = np.ones(1)
    lumps = (Lump(170.0 * one, 250.0 * one, 22.0 * one), Lump(7000.0 * one, 150.0 * one, 80.0 * one))
    absorbing = Absorption(np.array([[3000.0], [1000.0]]), np.array([[0.6], [0.4]]), np.array([[4.0], [0.7]]))
    problem = slab(stuff, 5.4, 22.0, (18.0, 14.0), (185.0, 180.0), (0.9, 0.8), (0.7, 0.8), 178.0,
                   (50.0, 0.0), absorbing, lumps)  # fmt: skip
    _, history = profiles(problem, np.array([1500.0]))
    assert history.end.heat_j_m2 is not None
    assert history.end.heat_j_m2[0] == pytest.approx(history.end.stored_j_m2[0], rel=1e-10)
    assert history.end.stored_j_m2[0] > 1e6


def test_storage_weights_keep_the_total() -> None:
    # Columns add up to the quadrature weights of a cubic: they integrate 1, x, x2 and x3 over the sheet exactly.
    weights = storage_weights(18).sum(axis=0) / 18
    x = np.linspace(0.0, 1.0, 19)
    for power in range(4):
        assert weights @ x**power == pytest.approx(1.0 / (power + 1), abs=1e-12)


def test_lumped_tray_warms_with_its_own_time_constant() -> None:
    # A tray that hardly touches the sheet: C dT/dt = h (air - T), closed form.
    one = np.ones(1)
    tray = Lump(5000.0 * one, 1e-6 * one, 20.0 * one)
    problem = slab(PP, RHO * 3e-3, START_C, (0.0, 20.0), (180.0, 180.0), lumps=(None, tray))
    _, history = profiles(problem, np.array([300.0]), tolerance_k=1e-3)
    assert np.isnan(history.end.layer_c[0, 0])
    assert history.end.layer_c[1, 0] == pytest.approx(180.0 - 160.0 * np.exp(-20.0 * 300.0 / 5000.0), abs=0.05)


def test_symmetric_input_gives_symmetric_output() -> None:
    problem = slab(PP, RHO * 2 * HALF_M, START_C, (18.0, 18.0), (185.0, 185.0), (0.9, 0.9), wall_c=180.0)
    got, _ = profiles(problem, np.linspace(0.0, 1200.0, 40))
    np.testing.assert_allclose(got, got[::-1], atol=1e-9)


def test_too_extreme_inputs_are_an_error_not_a_number() -> None:
    problem = slab(PP, RHO * 2 * HALF_M, START_C, (np.nan, 18.0), (185.0, 185.0))
    with pytest.raises(ArithmeticError, match="could not be solved"):
        profiles(problem, np.array([100.0]))
