"""Small heating problems put together from the product's own parts, one column each."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from thermal.absorption import Absorption
from thermal.conduction import TOLERANCE_K
from thermal.enthalpy import Material, material
from thermal.grid import INTERVALS
from thermal.history import History, record
from thermal.slab import Lump, Slab
from thermal.surroundings import OvenAir, OvenFaces

Array = NDArray[np.float64]


def constant_material(k: float, rho: float, c: float) -> Material:
    """Constant properties; conductivity over mass coordinates is k rho."""
    knots = np.array([[0.0], [200.0]])
    return material(knots, np.full((2, 1), c), np.full((2, 1), k * rho))


def slab(
    stuff: Material,
    mass_kg_m2: float,
    start_c: float | Array,
    h: tuple[float, float] = (0.0, 0.0),
    air_c: tuple[float, float] = (0.0, 0.0),
    loss: tuple[float, float] = (0.0, 0.0),
    wall_gain: tuple[float, float] | None = None,
    wall_c: float = 0.0,
    flux_w_m2: tuple[float, float] = (0.0, 0.0),
    absorption: Absorption | None = None,
    lumps: tuple[Lump | None, Lump | None] = (None, None),
) -> Slab:
    """A slab in steady surroundings; per-face values upper first. `air_c` may differ by face."""

    def column(pair: tuple[float, float]) -> Array:
        return np.array(pair, float)[:, None]

    zero = np.zeros(1)
    air = OvenAir(zero + air_c[0], zero + wall_c, zero, zero, zero, ())
    offset = column((0.0, air_c[1] - air_c[0]))
    gain = column(loss if wall_gain is None else wall_gain)
    faces = OvenFaces(air, column(h), offset, column(loss), gain, column(flux_w_m2))
    start = np.full(1, start_c) if isinstance(start_c, float | int) else start_c[:, None]
    return Slab(stuff, np.array([mass_kg_m2]), start, faces, lumps, absorption)


def profiles(
    problem: Slab, times_s: Array, intervals: int = INTERVALS, tolerance_k: float = TOLERANCE_K
) -> tuple[Array, History]:
    """Temperatures at the nodes at given times, °C, (nodes, times), and the history."""
    history = record(problem, float(np.max(times_s)), intervals, tolerance_k)
    return history.temperature_at(np.asarray(times_s, float)), history
