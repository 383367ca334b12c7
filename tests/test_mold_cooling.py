"""Cooling on the mold against the exact composite slab, the exact cylinder, and what must hold."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.optimize import brentq
from scipy.special import j0, j1

import exact
from cases import polymer_of
from thermal.mold_cooling import DAMP, DRY, Layers, OnMold, Plaster, cool, temperatures
from thermal.polymer import Polymer
from thermal.polymer_data import shipped_polymer

FACE_C = np.linspace(-60.0, 340.0, 81)


def convection(h: float, air_c: float) -> tuple[np.ndarray, np.ndarray]:
    """Heat into a face by a constant coefficient."""
    return FACE_C, h * (air_c - FACE_C)


def plain(k: float, c: float, rho: float) -> Polymer:
    return polymer_of(((0.0,), (c,)), ((0.0,), (k,)), density=((23.0,), (rho,)))


# 5 mm polymer (k 0.20, rho c 905 x 2100) at 180 °C on 40 mm plaster (k 0.40, rho c 1100 x 1090) at 30 °C, h 10 to
# 22 °C, back insulated, perfect contact: Laplace transform with Talbot inversion (derived; H.S. Carslaw, J.C. Jaeger,
# Conduction of Heat in Solids, 2nd ed. 1959, sec. 12.8 has the method): outer face, polymer's middle, plaster's back.
TWO_LAYERS = {
    30.0: (158.26557, 151.25591, 30.0),
    60.0: (136.47990, 132.04228, 30.0),
    120.0: (108.06927, 108.59031, 30.0011),
    300.0: (73.859656, 77.158304, 30.6429),
    600.0: (55.338779, 58.384997, 35.3505),
    1200.0: (42.984580, 45.257350, 42.7732),
}


def test_exact_composite_slab() -> None:
    of = OnMold(
        plain(0.20, 2100.0, 905.0),
        0.005,
        180.0,
        30.0,
        22.0,
        Plaster(1100.0, 1090.0, 0.40),
        None,
        0.040,
        contact_m2k_w=0.0,
    )
    layers = Layers(of, outside=convection(10.0, 22.0))
    found = temperatures(layers, np.array([0.0, *TWO_LAYERS]))[:, 1:]
    middle = 0.5 * (found[layers.wall_cells // 2 - 1] + found[layers.wall_cells // 2])
    outer, wanted_outer = layers.outer_face_c(found[0]), [row[0] for row in TWO_LAYERS.values()]
    # 0.35 K of 150 K in the first half minute, when the contact is a jump; 24 and 36 cells are second order.
    np.testing.assert_allclose(outer, wanted_outer, atol=0.35)
    np.testing.assert_allclose(middle, [row[1] for row in TWO_LAYERS.values()], atol=0.35)
    np.testing.assert_allclose(found[-1], [row[2] for row in TWO_LAYERS.values()], atol=0.35)


def test_contact_resistance_against_the_exact_slab() -> None:
    wall = exact.Layer(0.005, 0.20, 905.0 * 2100.0, 180.0)
    mold = exact.Layer(0.040, 0.40, 1100.0 * 1090.0, 30.0)
    of = OnMold(
        plain(0.20, 2100.0, 905.0),
        0.005,
        180.0,
        30.0,
        22.0,
        Plaster(1100.0, 1090.0, 0.40),
        None,
        0.040,
        contact_m2k_w=3e-3,
    )
    layers = Layers(of, outside=convection(10.0, 22.0))
    found = temperatures(layers, np.array([0.0, 300.0]))[:, 1]
    wanted = exact.two_layers_c([0.0025, 0.045], 300.0, wall, mold, h_w_m2k=10.0, air_c=22.0, contact_m2k_w=3e-3)
    middle = 0.5 * (found[layers.wall_cells // 2 - 1] + found[layers.wall_cells // 2])
    assert [middle, found[-1]] == pytest.approx(wanted.tolist(), abs=0.2)


def test_exact_cylinder() -> None:
    # Wall and mold of one stuff and one temperature are a cylinder that cools: theta = sum C J0(z r/R) exp(-z2 Fo),
    # z J1(z) = Bi J0(z), C = 2 J1/(z (J0^2 + J1^2)) (Carslaw & Jaeger sec. 7.7; Incropera eq. 5.50, recalled).
    k, c, rho, h, radius = 0.30, 1520.0, 998.0, 12.0, 0.050
    of = OnMold(plain(k, c, rho), 0.005, 100.0, 100.0, 20.0, Plaster(rho, c, k), radius - 0.005, contact_m2k_w=0.0)
    time = np.array([0.0, 600.0, 1800.0, 5400.0])
    found = temperatures(Layers(of, outside=convection(h, 20.0)), time)[-1, 1:]
    biot = h * radius / k
    roots = [brentq(lambda z: z * j1(z) - biot * j0(z), lo, lo + np.pi) for lo in _brackets(12)]
    z = np.array(roots)
    weights = 2.0 * j1(z) / (z * (j0(z) ** 2 + j1(z) ** 2))
    fourier = k / (rho * c) * time[1:] / radius**2
    wanted = 20.0 + 80.0 * (weights * np.exp(-np.outer(fourier, z * z))).sum(axis=1)
    np.testing.assert_allclose(found, wanted, atol=0.15)


def _brackets(count: int) -> np.ndarray:
    # The roots lie between the zeros of J1 (where the function is -Bi J0) and those of J0.
    from scipy.special import jn_zeros

    return np.concatenate([[1e-9], jn_zeros(1, count - 1)])


def test_heat_is_kept() -> None:
    pp = shipped_polymer("pp-homopolymer")
    of = OnMold(pp, 0.006, 170.0, 22.0, 22.0)
    layers = Layers(of, outside=(FACE_C, np.zeros_like(FACE_C)))
    end = temperatures(layers, np.array([0.0, 86400.0]))[:, 1]
    # Insulated outside, wall and mold meet at the temperature that shares the heat out, the crystals' included.
    assert np.ptp(end) < 0.05
    mold = DRY.density_kg_m3 * DRY.heat_capacity_j_kgk * layers.volume[layers.wall_cells :].sum()
    wall = layers.volume[: layers.wall_cells].sum() * layers.density

    def gained(t_c: float) -> float:
        lost = layers.material.enthalpy(np.array([[170.0]])) - layers.material.enthalpy(np.array([[t_c]]))
        return float(mold * (t_c - 22.0) - wall * lost[0, 0])

    assert end.mean() == pytest.approx(brentq(gained, 22.0, 100.0), abs=0.05)


def test_wall_on_plaster() -> None:
    pp = shipped_polymer("pp-homopolymer")
    found = cool(OnMold(pp, 0.006, 165.0, 22.0, 22.0))
    assert found.strip_s is not None
    low, high = found.interval_s
    assert low is not None
    assert high is not None
    assert 60.0 < low < found.strip_s < high < 3600.0
    assert np.interp(found.strip_s, found.time_s, found.core_c) == pytest.approx(pp.forming.demold_c, abs=0.5)
    # The hottest place is inside: the room and the mold both cool.
    at = found.time_s == 60.0
    assert found.core_c[at] > max(found.outer_c[at], found.inner_c[at])


def test_what_makes_it_slower() -> None:
    pp = shipped_polymer("pp-homopolymer")
    base = OnMold(pp, 0.006, 165.0, 22.0, 22.0)

    def strip_s(of: OnMold) -> float:
        layers = Layers(of)
        time = np.linspace(0.0, 3600.0, 361)
        return float(time[np.argmax(temperatures(layers, time)[: layers.wall_cells].max(axis=0) < 88.0)])

    first = strip_s(base)
    assert strip_s(replace(base, wall_m=0.009)) > 1.3 * first
    assert strip_s(replace(base, mold_c=45.0)) > 1.1 * first
    assert strip_s(replace(base, plaster=DAMP)) < 0.9 * first
    assert strip_s(replace(base, contact_m2k_w=5e-3)) > first
    # Crystals give their heat back on the way down.
    assert strip_s(replace(base, polymer=replace(pp, crystallisation=None))) < 0.8 * first


def test_never_cold_enough() -> None:
    pp = shipped_polymer("pp-homopolymer")
    warm = replace(pp, forming=replace(pp.forming, demold_c=21.0))
    found = cool(OnMold(warm, 0.006, 165.0, 22.0, 22.0))
    assert (found.strip_s, found.interval_s) == (None, (None, None))
