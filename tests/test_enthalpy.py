"""The material's closed forms by inversion, differences and quadrature; the step's linear systems by numpy's solver."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from thermal.banded import factor
from thermal.enthalpy import Flow, Follower, Material, material
from thermal.grid import inward_order, second_differences, storage_weights

Array = NDArray[np.float64]


def random_tables(seed: int, knots: int = 7, batch: int = 3) -> tuple[Array, Array, Array]:
    """Knots, capacities up to a sharp melting peak, conductivities."""
    random = np.random.default_rng(seed)
    t = np.cumsum(random.uniform(0.5, 60.0, (knots, batch)), axis=0) - 20.0
    return t, random.uniform(800.0, 30e3, (knots, batch)), random.uniform(50.0, 400.0, (knots, batch))


@settings(max_examples=40)
@given(st.integers(0, 2**32 - 1), st.integers(2, 9), st.sampled_from([1, 3]))
def test_temperature_inverts_enthalpy(seed: int, knots: int, batch: int) -> None:
    t, c, k = random_tables(seed, knots, batch)
    stuff = material(t, c, k)
    places = np.concatenate([np.linspace(t[0] - 50.0, t[-1] + 80.0, 101), t])
    h = stuff.enthalpy(places)
    np.testing.assert_allclose(stuff.temperature(h), places, rtol=0.0, atol=1e-9)
    ordered = stuff.enthalpy(np.sort(places, axis=0))
    assert np.all(np.diff(ordered, axis=0) >= 0.0)


@settings(max_examples=20)
@given(st.integers(0, 2**32 - 1))
def test_enthalpy_is_continuous_and_its_slope_is_the_capacity(seed: int) -> None:
    t, c, k = random_tables(seed)
    stuff = material(t, c, k)
    below, above = (stuff.enthalpy(t + d) for d in (-1e-9, 1e-9))
    assert np.all(np.abs(above - below) < 1e-4)  # 2e-9 K times at most 30 kJ/(kg K)
    middle = 0.5 * (t[1:] + t[:-1])
    step = 1e-3
    slope = (stuff.enthalpy(middle + step) - stuff.enthalpy(middle - step)) / (2 * step)
    np.testing.assert_allclose(stuff.capacity(stuff.enthalpy(middle)), slope, rtol=1e-5)
    wanted = np.stack([np.interp(middle[:, i], t[:, i], c[:, i]) for i in range(t.shape[1])], axis=1)
    np.testing.assert_allclose(stuff.capacity(stuff.enthalpy(middle)), wanted, rtol=1e-9)


def test_heat_between_two_temperatures_is_the_area_under_the_capacity() -> None:
    t, c, k = random_tables(5, batch=1)
    stuff = material(t, c, k)
    ends = np.array([[t[0, 0] - 30.0], [t[-1, 0] + 40.0]])
    fine = np.linspace(ends[0, 0], ends[1, 0], 400_001)
    area = np.trapezoid(np.interp(fine, t[:, 0], c[:, 0]), fine)
    assert float(np.diff(stuff.enthalpy(ends), axis=0)[0, 0]) == pytest.approx(area, rel=1e-7)


def flow_of(stuff: Material, h: Array, follower: Follower | None = None) -> dict[str, Array]:
    follower = follower or Follower(stuff, len(h))
    into = follower.flow(h, Flow(*h.shape))
    return {name: getattr(into, name).copy() for name in ("theta", "slope", "capacity", "temperature_c")}


def test_heat_flow_potential() -> None:
    t, c, k = random_tables(11, batch=2)
    stuff = material(t, c, k)
    places = np.linspace(t.min(axis=0) - 20.0, t.max(axis=0) + 20.0, 40_001)
    got = flow_of(stuff, stuff.enthalpy(places))
    for i in range(2):
        conductivity = np.interp(places[:, i], t[:, i], k[:, i])
        # d(theta)/dH = k/c, and theta is the integral of k: by trapezoids.
        np.testing.assert_allclose(got["slope"][:, i] * got["capacity"][:, i], conductivity, rtol=1e-9)
        area = np.concatenate([[0.0], np.cumsum(0.5 * (conductivity[1:] + conductivity[:-1]) * np.diff(places[:, i]))])
        np.testing.assert_allclose(got["theta"][:, i] - got["theta"][0, i], area, rtol=1e-6, atol=1e-3)


@settings(max_examples=25)
@given(st.integers(0, 2**32 - 1))
def test_follower_forgets_nothing_and_remembers_nothing_false(seed: int) -> None:
    random = np.random.default_rng(seed)
    stuff = material(*random_tables(seed, batch=5))
    low, high = stuff.knot_h[0] - 1e5, stuff.knot_h[-1] + 1e5
    follower = Follower(stuff, 9)
    h = random.uniform(low, high, (9, 5))
    for turn in range(6):
        # Small moves, jumps anywhere, values exactly on knots; half-way some columns are dropped and reordered.
        if turn == 3:
            keep = np.array([3, 0, 4])
            follower, stuff, h = follower.columns(keep), stuff.columns(keep), np.ascontiguousarray(h[:, keep])
            low, high = low[keep], high[keep]
        got = flow_of(stuff, h, follower)
        for name, value in flow_of(stuff, h).items():
            np.testing.assert_array_equal(got[name], value, name)
        np.testing.assert_allclose(got["temperature_c"], stuff.temperature(h), rtol=1e-12, atol=1e-9)
        np.testing.assert_allclose(got["capacity"], stuff.capacity(h), rtol=1e-9)
        h = h + random.normal(0.0, 2e3, h.shape)
        jumps = random.random(h.shape) < 0.3
        h = np.where(jumps, random.uniform(low, high, h.shape), h)
        h[random.integers(9)] = stuff.knot_h[random.integers(len(stuff.knot_h))]


# --- the linear systems of a step ---


@pytest.mark.parametrize("seed", [0, 1, 2])
@pytest.mark.parametrize(("intervals", "batch"), [(18, 1), (18, 12), (18, 40), (48, 1), (48, 40), (6, 40)])
def test_both_eliminations_solve_the_assembled_matrix(intervals: int, batch: int, seed: int) -> None:
    # Up to 16 columns of short systems by dense inverses, the rest by sweeps: both against numpy.linalg.solve.
    random = np.random.default_rng(seed)
    order = inward_order(intervals)
    weights = storage_weights(intervals)[np.ix_(order, order)] / intervals
    differences = second_differences(intervals)[np.ix_(order, order)]
    weight = random.uniform(0.5, 200.0, batch)
    slope = 10.0 ** random.uniform(-3.0, 1.5, (intervals + 1, batch))
    at_face = random.uniform(0.0, 5.0, (2, batch))
    right = random.normal(0.0, 100.0, (intervals + 1, batch))
    wanted = np.empty_like(right)
    for i in range(batch):
        matrix = weight[i] * weights - differences * slope[:, i]
        matrix[0, 0] += at_face[0, i]
        matrix[1, 1] += at_face[1, i]
        wanted[:, i] = np.linalg.solve(matrix, right[:, i])
    got = factor(weights, weight, differences, slope, at_face)(right.copy())
    np.testing.assert_allclose(got, wanted, rtol=1e-8, atol=1e-9 * np.abs(wanted).max())


def test_storage_weights_hold_all_the_heat() -> None:
    # What is stored by a uniform rise is the rise times the thickness, whatever the grid.
    for intervals in (6, 18, 36):
        assert storage_weights(intervals).sum() / intervals == pytest.approx(1.0, rel=1e-13)
