"""The drop of a clamped sheet: closed form, the exact membrane, what comes before the flow, and a whole heat."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray

import exact
from cases import CARD, VISCOSITY, case_of, polymer_of
from thermal.build import slab
from thermal.case import Case, Departures
from thermal.conduction import TOLERANCE_K
from thermal.history import History, record
from thermal.polymer_data import polymer_ids, shipped_polymer
from thermal.rheology import ln_wlf
from thermal.sag import LOST_RATIO, Melt, Sag, equivalent_radius_m, flow_integral, ratio_after_flow
from thermal.window import CORE, Limits, windows

Array = NDArray[np.float64]
RADIUS_M = 0.150


def sheet(
    viscosity_pa_s: float = 1e12,
    density_kg_m3: float = 760.0,
    expansion_1_k: float = 0.0,
    orientation: float = 0.0,
    modulus_pa: float = math.inf,
    solid_below_c: float = -200.0,
    solid_ratio: float = 1000.0,
    radius_m: float = RADIUS_M,
) -> Sag:
    """One sheet of constant melt viscosity; molten at every temperature met unless said otherwise."""
    one = np.ones(1)
    melt = Melt(viscosity_pa_s * one, 150.0 * one, 0.0 * one, 0.0 * one, one, solid_below_c * one, solid_ratio * one)
    return Sag(radius_m * one, density_kg_m3 * one, melt, expansion_1_k * one, orientation * one, modulus_pa * one)


def level(t_c: float, nodes: int = 19) -> Array:
    """A profile of one temperature."""
    return np.full((nodes, 1), t_c)


def bow(sag: Sag, start_c: float, end: Array) -> float:
    """Drop ratio after an instant change of temperature: no time to flow."""
    state = sag.start(level(start_c, len(end)))
    state.arrive(level(start_c, len(end)))
    state.leave(np.ones(1, np.bool_), np.full(1, 1e-9))
    state.arrive(end)
    return float(state.ratio[0])


# --- the law of flow ---


def test_flow_integral_is_the_cap_that_carries_its_weight() -> None:
    # tests/exact.py: closed form of ds/dt = (1 + s2)^3/(28 s2), checked there against quadrature.
    for s in (0.03, 0.1, 0.3, 0.7, 1.2, 2.5):
        assert 28.0 * float(flow_integral(s)) == pytest.approx(exact.sag_time(s), rel=1e-9)


def test_ratio_after_flow_inverts_it() -> None:
    s = np.concatenate([[0.0], np.geomspace(1e-3, 2.95, 200)])
    np.testing.assert_allclose(ratio_after_flow(flow_integral(s)), s, rtol=1e-7)
    for time in (0.01, 0.5, 2.7):
        assert ratio_after_flow(np.array([time / 28.0]))[0] == pytest.approx(exact.sag_drop(time), rel=1e-7)
    beyond = np.array([float(flow_integral(LOST_RATIO)) * 1.001, np.pi / 16, 50.0])
    assert np.all(ratio_after_flow(beyond) == LOST_RATIO)


def test_within_two_percent_of_the_exact_membrane() -> None:
    # Incremental variational solution of the axisymmetric Newtonian membrane (derived; itself checked in
    # test_exact.py); 30 elements hold it to 0.1 %.
    drops = [0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 1.0, 1.2]
    membrane = exact.newtonian_membrane(drops, elements=30, refine=2)
    np.testing.assert_allclose(28.0 * flow_integral(membrane.drop), membrane.time, rtol=0.02)


def test_small_sag_goes_with_the_cube_root_of_time() -> None:
    # H. Hencky, Z. Math. Phys. 63 (1915) 311, viscous analogue: s^3 = 0.10526 rho g a t/eta; the law's own 2 %. The
    # cube root: A.J. Giacomin, A.W. Mix, O. Mahmood, Polym. Eng. Sci. 50 (2010) 2060.
    time = np.array([1e-6, 8e-6, 64e-6])
    s = ratio_after_flow(time / 28.0)
    np.testing.assert_allclose(s**3 / time, exact.SMALL_SAG, rtol=0.02)
    np.testing.assert_allclose(s[1:] / s[:-1], 2.0, rtol=0.002)


@pytest.mark.parametrize(
    ("viscosity_pa_s", "radius_m", "times_s"),
    [(20e3, 0.150, (3.86, 14.0, 28.2)), (100e3, 0.150, (19.3, 70.0, 140.9)), (20e3, 0.100, (5.8, 21.0, 42.3))],
)
def test_worked_numbers(viscosity_pa_s: float, radius_m: float, times_s: tuple[float, ...]) -> None:
    # Derived: rho 760, times to drop 0.3, 0.5 and 0.7 clamp radii, to the digits given.
    state = sheet(viscosity_pa_s, radius_m=radius_m).start(level(180.0))
    step = 0.002 * times_s[-1]
    drop = []
    for _ in range(600):
        state.arrive(level(180.0))
        drop.append(float(state.ratio[0]))
        state.leave(np.ones(1, np.bool_), np.full(1, step))
    for ratio, wanted in zip((0.3, 0.5, 0.7), times_s, strict=True):
        got = float(np.interp(ratio, drop, step * np.arange(600)))
        assert got == pytest.approx(wanted, abs=0.05 if wanted > 4 else 0.005)


# --- openings ---


@pytest.mark.parametrize(("aspect", "constant", "radius"), exact.RECTANGLES)
def test_rectangles_sag_as_their_short_side_says(aspect: float, constant: float, radius: float) -> None:
    # Ritz method with 7 x 7 and 14 x 14 functions, converged to 1 % (derived); the strip exact.
    short = 0.2
    long = short * min(aspect, 1e6)
    got = equivalent_radius_m((long, short))
    assert got == pytest.approx(short / 2 * exact.rectangle_equivalent_radius(constant), rel=2e-3)
    assert got == equivalent_radius_m((short, long))
    equal_area = math.sqrt(long * short / math.pi)
    if aspect >= 2.0:
        assert equal_area > 1.25 * got


def test_circle_is_half_its_diameter() -> None:
    assert equivalent_radius_m((0.3,)) == 0.15


# --- before the flow ---


@pytest.mark.parametrize(("modulus_pa", "wanted_mm"), [(1e5, 22.2), (5e5, 13.0), (1e6, 10.3)])
def test_elastic_bow_of_a_rubbery_sheet(modulus_pa: float, wanted_mm: float) -> None:
    # H. Hencky (1915), nu = 1/2: w = 0.594879 a (rho g a/E)^(1/3); rho 1050, a 150 mm (derived numbers).
    sag = sheet(density_kg_m3=1050.0, modulus_pa=modulus_pa)
    drop_m = bow(sag, 150.0, level(150.0)) * RADIUS_M
    assert drop_m * 1e3 == pytest.approx(wanted_mm, abs=0.05)
    assert drop_m == pytest.approx(exact.elastic_drop_m(RADIUS_M, 1050.0, modulus_pa), rel=1e-6)


@pytest.mark.parametrize(
    ("expansion_1_k", "rise_k", "wanted"),
    [(1.0e-4, 100.0, 0.142), (1.5e-4, 100.0, 0.174), (2.0e-4, 100.0, 0.202), (7e-5, 120.0, 0.130)],
)
def test_thermal_bow_of_a_sheet_clamped_cold(expansion_1_k: float, rise_k: float, wanted: float) -> None:
    # s = sqrt(exp(2 alpha dT) - 1) (derived): 20 to 30 mm at a = 150 mm before anything has flowed.
    sag = sheet(expansion_1_k=expansion_1_k)
    got = bow(sag, 20.0, level(20.0 + rise_k))
    assert got == pytest.approx(wanted, abs=6e-4)
    assert got == pytest.approx(exact.thermal_bow(expansion_1_k, rise_k), rel=1e-6)


def test_thermal_bow_is_reversible() -> None:
    state = sheet(expansion_1_k=1.5e-4).start(level(20.0))
    for t_c in (20.0, 120.0, 20.0):
        state.arrive(level(t_c))
        state.leave(np.ones(1, np.bool_), np.full(1, 1.0))
    assert state.ratio[0] < 2e-3


def test_orientation_pulls_the_softened_sheet_taut() -> None:
    # Frozen-in extrusion strain of 2 to 5 % (recalled) relaxes when the sheet softens, and not before.
    solid, molten = level(150.0), level(170.0)
    oriented = sheet(expansion_1_k=1.5e-4, orientation=0.03, solid_below_c=160.0)
    plain = replace(oriented, orientation_strain=np.zeros(1))
    assert bow(oriented, 20.0, solid) == pytest.approx(bow(plain, 20.0, solid), rel=1e-9)
    assert bow(plain, 20.0, molten) > 0.2
    assert bow(oriented, 20.0, molten) < 1e-6


def test_a_cold_core_carries_the_load() -> None:
    sag = sheet(20e3, solid_below_c=160.0, solid_ratio=1000.0)
    profile = level(180.0, 31)
    hot = float(sag.kappa_1_s(profile)[0])
    assert hot == pytest.approx(760.0 * 9.80665 * RADIUS_M / (28.0 * 20e3), rel=1e-9)
    profile[10:21] = 140.0
    # 11 of 30 parts of the thickness are solid and a thousand times stiffer: their mean by hand.
    assert float(sag.kappa_1_s(profile)[0]) == pytest.approx(hot * 30.0 / (19.0 + 11.0 * 1000.0), rel=1e-9)


# --- a whole heat ---

CP = ((0.0, 50.0, 100.0, 200.0), (1570.0, 1920.0, 2350.0, 2700.0))
CONDUCTIVITY = ((0.0, 50.0, 100.0, 200.0), (0.22, 0.22, 0.20, 0.17))
PP = polymer_of(CP, CONDUCTIVITY, (125.0, 160.0, 170.0, 90e3), viscosity=replace(VISCOSITY, reference_pa_s=2e4))
UNTIL_S = 1100.0


def framed(gauge_mm: float = 6.0) -> Case:
    """A sheet over a round opening of 300 mm."""
    return replace(case_of(PP, gauge_mm, CARD, 190.0), opening_m=(2 * RADIUS_M,))


@pytest.fixture(scope="module")
def heated() -> History:
    return record(slab(framed()), UNTIL_S)


def test_the_drop_starts_late_and_then_runs_away() -> None:
    history = record(slab(framed(12.0)), 1800.0)
    at = np.arange(0.0, 1800.0, 5.0)
    profile, ratio = history.temperature_at(at), history.drop_ratio_at(at)
    # The melt becomes a solid over 4 K below 160 °C: faces long since molten, the core not yet softening.
    faces_molten = int(np.argmax(profile[[0, -1]].min(axis=0) > 160.0))
    core_softens = int(np.argmax(profile.min(axis=0) > 156.0))
    assert at[core_softens] - at[faces_molten] > 240.0
    # All that while no more than the bow of its expansion; then it hangs within minutes.
    bowed = math.sqrt(math.expm1(2.0 * 1.2e-4 * (160.0 - 22.0)))
    assert ratio[: core_softens + 1].max() < bowed + 0.02
    assert ratio[core_softens + 60] > 1.0


def test_a_sagging_heat_agrees_with_one_four_times_finer(heated: History, monkeypatch: pytest.MonkeyPatch) -> None:
    of = Limits(165.0, 400.0, 400.0)
    quick_s = float(windows(slab(framed()), of, 3600.0).minima[CORE][0])
    for name, value in (("_KAPPA_CHANGE", 0.7), ("_STRETCH_CHANGE", 0.1), ("_STRAIN_CHANGE", 0.001)):
        monkeypatch.setattr(f"thermal.sag.{name}", value / 4.0)
    fine = record(slab(framed()), UNTIL_S, intervals=72, tolerance_k=TOLERANCE_K / 64.0)
    fine_s = float(windows(slab(framed()), of, 3600.0, 72, TOLERANCE_K / 64.0).minima[CORE][0])
    at = np.arange(0.0, UNTIL_S, 2.0)
    wanted = fine.drop_ratio_at(at)
    below = wanted < 1.0
    assert wanted.max() > 1.0
    assert np.abs(heated.drop_ratio_at(at) - wanted)[below].max() * RADIUS_M < 3e-3
    assert quick_s == pytest.approx(fine_s, abs=3.0)


def test_the_heat_balance_closes_with_sag(heated: History) -> None:
    end = heated.end
    assert end.heat_j_m2 is not None
    assert heated.drop_ratio[-1, 0] > 0.5
    assert end.heat_j_m2[0] == pytest.approx(end.stored_j_m2[0], rel=1e-10)


def test_a_sagging_sheet_is_ready_sooner() -> None:
    # It is thinner and takes heat through more area: physics of the mass-coordinate equation, in sign only.
    of = Limits(172.0, 400.0, 400.0)
    flat, sagging = (replace(framed(), opening_m=opening) for opening in (None, (2 * RADIUS_M,)))
    times = [float(windows(slab(case), of, 3600.0).minima[CORE][0]) for case in (flat, sagging)]
    assert times[1] < times[0] - 5.0


# ---------------------------------------------------------------- viscosity as the drop uses it


@pytest.mark.parametrize("polymer_id", polymer_ids())
def test_the_drop_uses_the_viscosity_that_is_shown(polymer_id: str) -> None:
    polymer = shipped_polymer(polymer_id)
    case = Case(polymer, 5e-3, CARD, 185.0, opening_m=(0.3,))
    sag = slab(case).sag
    assert sag is not None
    assert polymer.viscosity is not None
    molten = np.linspace(polymer.viscosity.solid_below_c, 230.0, 30)
    used = sag.melt.viscosity_pa_s(molten[:, None])[:, 0]
    np.testing.assert_allclose(used, polymer.viscosity.melt_pa_s(molten), rtol=1e-9)
    assert np.all(np.diff(used) < 0)


def test_wlf_shift_of_polystyrene() -> None:
    # J.D. Ferry, Viscoelastic Properties of Polymers, 3rd ed. 1980, Table 11-II (recalled):
    # polystyrene c1 13.7, c2 50 K at 100 °C.
    shift = np.exp(ln_wlf(np.array([120.0, 140.0, 160.0, 180.0]), 100.0, 13.7, 50.0))
    np.testing.assert_allclose(shift, [1.22e-4, 8.15e-7, 3.37e-8, 3.71e-9], rtol=5e-3)


def test_an_amorphous_sheet_drops_when_it_is_hot() -> None:
    case = Case(shipped_polymer("petg"), 5e-3, CARD, 190.0, opening_m=(0.3,))
    ratio = record(slab(case), 900.0).drop_ratio_at(np.array([60.0, 900.0]))
    assert ratio[0] < 0.2
    assert ratio[1] > 0.4


def test_a_bubble_that_falls_at_once_overflows_nothing() -> None:
    # So thin a melt that it runs away within a step; a finished column beside it is carried along.
    case = Case(polymer_of(((23.0,), (2000.0,)), ((23.0,), (0.2,)), viscosity=VISCOSITY), 3e-3, CARD, 190.0,
                opening_m=(0.3,))  # fmt: skip
    by = Departures(viscosity=np.array([1.0, 1e-6, 1e-12]))
    found = windows(slab(case, by), Limits(165.0, 300.0, 300.0, 0.6, 1.2), 4 * 3600.0)
    assert np.all(np.isfinite(found.minima[CORE]))


def test_a_bubble_that_is_lost_stays_so_and_asks_for_no_short_steps() -> None:
    # It cools a little: its shrinkage would lift it by some thousandths, from where it falls again at once.
    state = sheet(viscosity_pa_s=1e4, expansion_1_k=1.5e-4).start(level(20.0))
    for t_c in (180.0, 180.0, 170.0):
        state.arrive(level(t_c))
        state.leave(np.ones(1, np.bool_), np.full(1, 60.0))
    assert state.ratio[0] == LOST_RATIO
    assert state.longest_step_s()[0] == np.inf
