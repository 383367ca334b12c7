"""An independent solver of the full heating problem, slow and tight, that the product is compared with.

Method of lines: second-order finite volumes with a node on each face, temperature as the unknown with an
apparent heat capacity (the product carries enthalpy), exact Kirchhoff fluxes, and LSODA with a banded
Jacobian at a tight tolerance. At such a tolerance the apparent heat capacity loses no latent heat: the
integrator resolves the peak. `richardson` removes the second-order error in space. Nothing of the product
is imported. SI units, degC except in radiation terms.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from math import exp

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.integrate import solve_ivp

Array = NDArray[np.float64]

SIGMA_W_M2K4 = 5.670374419e-8
ZERO_C_K = 273.15


@dataclass(frozen=True)
class Table:
    """A property linear in temperature between points, constant beyond them."""

    temperature_c: tuple[float, ...]
    value: tuple[float, ...]

    @cached_property
    def _knots(self) -> tuple[Array, Array, Array]:
        """Temperatures and values of the points, and the integral from the first point to each."""
        nodes, values = np.array(self.temperature_c), np.array(self.value)
        return nodes, values, np.concatenate([[0.0], np.cumsum(0.5 * (values[1:] + values[:-1]) * np.diff(nodes))])

    def at(self, t_c: ArrayLike) -> Array:
        """The property at t."""
        nodes, values, _ = self._knots
        return np.asarray(np.interp(np.asarray(t_c, dtype=np.float64), nodes, values), dtype=np.float64)

    def integral(self, t_c: ArrayLike) -> Array:
        """Its exact integral from the first point of the table to t."""
        t, (nodes, values, to_node) = np.asarray(t_c, dtype=np.float64), self._knots
        i = np.minimum(np.maximum(np.searchsorted(nodes, t) - 1, 0), max(nodes.size - 2, 0))
        inside = np.minimum(np.maximum(t, nodes[0]), nodes[-1])
        within = to_node[i] + 0.5 * (values[i] + self.at(inside)) * (inside - nodes[i])
        return np.asarray(within + self.at(t) * (t - inside), dtype=np.float64)


def constant(value: float) -> Table:
    """A property that does not change with temperature."""
    return Table((20.0,), (value,))


@dataclass(frozen=True)
class Melting:
    """Triangle of excess heat capacity: zero at onset and end, highest at the peak, area the enthalpy."""

    onset_c: float
    peak_c: float
    end_c: float
    enthalpy_j_kg: float

    def excess_heat_capacity(self, t_c: Array) -> Array:
        """J/(kg K) above the table."""
        height = 2.0 * self.enthalpy_j_kg / (self.end_c - self.onset_c)
        corners = (self.onset_c, self.peak_c, self.end_c)
        return np.asarray(np.interp(t_c, corners, (0.0, height, 0.0)), dtype=np.float64)


@dataclass(frozen=True)
class Oven:
    """Air and wall of a convection oven after the sheet went in at t = 0.

    air(t) = set + air_offset - drop exp(-t/recovery); wall(t) = set + wall_offset + w with
    dw/dt = (-drop exp(-t/recovery) - w)/lag, w(0) = 0. Lag zero: the wall deviates as the air does.
    """

    set_c: float
    air_offset_k: float = 0.0
    door_drop_k: float = 0.0
    recovery_s: float = 60.0
    wall_offset_k: float = 0.0
    wall_lag_s: float = 0.0

    def air_deviation_k(self, time_s: float) -> float:
        """Air against its steady value."""
        return -self.door_drop_k * exp(-time_s / self.recovery_s)


@dataclass(frozen=True)
class Lump:
    """A tray or film without gradient between oven and face: capacity J/(m2 K), conductance W/(m2 K)."""

    capacity_j_m2k: float
    conductance_w_m2k: float
    start_c: float


@dataclass(frozen=True)
class Face:
    """What one face meets: convection, radiation to the wall (and an emitter), a constant flux, a lump.

    `air_offset_k` is added to the oven's air for this face. Radiation: emissivity sigma (V Te^4 +
    (1 - V) Tw^4 - T^4) with V the view factor of the emitter.
    """

    h_w_m2k: float = 0.0
    emissivity: float = 0.0
    air_offset_k: float = 0.0
    flux_w_m2: float = 0.0
    lump: Lump | None = None
    emitter_c: float = 0.0
    view_factor: float = 0.0

    def flux_into(self, t_c: float, air_c: float, wall_c: float) -> float:
        """Heat flux (W/m2) from the oven into a surface at t."""
        wall_4 = (1.0 - self.view_factor) * (wall_c + ZERO_C_K) ** 4
        seen_4 = wall_4 + self.view_factor * (self.emitter_c + ZERO_C_K) ** 4
        radiated = self.emissivity * SIGMA_W_M2K4 * (seen_4 - (t_c + ZERO_C_K) ** 4)
        return self.h_w_m2k * (air_c + self.air_offset_k - t_c) + radiated + self.flux_w_m2


@dataclass(frozen=True)
class Absorption:
    """Beer-Lambert absorption q a exp(-a x) of what has passed the upper and the lower face (W/m2)."""

    absorption_1_m: float
    upper_w_m2: float = 0.0
    lower_w_m2: float = 0.0


@dataclass(frozen=True)
class Problem:
    """A sheet in an oven. Upper face at z = 0, lower at z = gauge."""

    gauge_m: float
    density_kg_m3: float
    conductivity_w_mk: Table
    heat_capacity_j_kgk: Table
    start_c: float
    oven: Oven
    upper: Face
    lower: Face
    melting: tuple[Melting, ...] = ()
    absorption: Absorption | None = None


@dataclass(frozen=True)
class Solution:
    """Temperatures (degC) at the asked times, and when the coldest point reached each limit (NaN: never)."""

    time_s: Array
    z_m: Array
    temperature_c: Array  # time x node
    reached_s: Array = field(default_factory=lambda: np.empty(0))

    @property
    def coldest_c(self) -> Array:
        """Coldest point inside, time by time."""
        return np.array([coldest(row) for row in self.temperature_c])

    @property
    def mean_c(self) -> Array:
        """Mean over the gauge (trapezoid)."""
        inner = self.temperature_c[:, 1:-1].sum(axis=1)
        ends = 0.5 * (self.temperature_c[:, 0] + self.temperature_c[:, -1])
        return np.asarray((inner + ends) / (self.z_m.size - 1), dtype=np.float64)


def coldest(nodes_c: Array) -> float:
    """Lowest temperature of the parabola through the coldest node and its neighbours."""
    i = int(np.argmin(nodes_c))
    if i in (0, nodes_c.size - 1):
        return float(nodes_c[i])
    below, here, above = nodes_c[i - 1 : i + 2]
    curvature = above - 2.0 * here + below
    return float(here - (above - below) ** 2 / (8.0 * curvature)) if curvature > 0.0 else float(here)


class _Lines:
    """The ordinary differential equations: [wall, lump] of the upper face, nodes, [lump, wall] of the lower.

    In this order every unknown depends on itself and its neighbours alone: a tridiagonal Jacobian.
    """

    def __init__(self, problem: Problem, cells: int) -> None:
        self.problem = problem
        self.step_m = problem.gauge_m / cells
        self.z_m = np.linspace(0.0, problem.gauge_m, cells + 1)
        self.width_m = np.full(cells + 1, self.step_m)
        self.width_m[[0, -1]] *= 0.5
        self.lagged = problem.oven.wall_lag_s > 0.0
        self.source_w_m2 = self._absorbed()
        walls = [0.0] if self.lagged else []
        upper = walls + ([problem.upper.lump.start_c] if problem.upper.lump else [])
        lower = ([problem.lower.lump.start_c] if problem.lower.lump else []) + walls
        self.sheet = slice(len(upper), len(upper) + cells + 1)
        self.start = np.concatenate([upper, np.full(cells + 1, problem.start_c), lower])

    def _absorbed(self) -> Array:
        """Power absorbed in each control volume: differences of the exact transmitted flux."""
        light = self.problem.absorption
        if light is None:
            return np.zeros(self.z_m.size)
        edges = np.concatenate([[0.0], 0.5 * (self.z_m[1:] + self.z_m[:-1]), [self.problem.gauge_m]])
        down = light.upper_w_m2 * np.exp(-light.absorption_1_m * edges)
        up = light.lower_w_m2 * np.exp(-light.absorption_1_m * (self.problem.gauge_m - edges))
        return np.asarray(-np.diff(down) + np.diff(up), dtype=np.float64)

    def heat_capacity(self, t_c: Array) -> Array:
        """Apparent heat capacity, melting included."""
        total = self.problem.heat_capacity_j_kgk.at(t_c)
        for peak in self.problem.melting:
            total = total + peak.excess_heat_capacity(t_c)
        return total

    def rates(self, time_s: float, y: Array) -> Array:
        """dy/dt."""
        p, oven = self.problem, self.problem.oven
        t = y[self.sheet]
        out = np.zeros_like(y)
        deviation = oven.air_deviation_k(time_s)
        air = oven.set_c + oven.air_offset_k + deviation
        flow = np.zeros(t.size + 1)  # downwards through the edges of the control volumes
        conducted = p.conductivity_w_mk.integral(t)
        flow[1:-1] = (conducted[:-1] - conducted[1:]) / self.step_m
        for face, outermost, side in ((p.upper, 0, 1), (p.lower, -1, -1)):
            wall = oven.set_c + oven.wall_offset_k + (float(y[outermost]) if self.lagged else deviation)
            if self.lagged:
                out[outermost] = (deviation - y[outermost]) / oven.wall_lag_s
            surface = float(t[outermost])
            if face.lump is None:
                flow[outermost] = side * face.flux_into(surface, air, wall)
                continue
            at = outermost + side * self.lagged
            layer = float(y[at])
            into_sheet = face.lump.conductance_w_m2k * (layer - surface)
            out[at] = (face.flux_into(layer, air, wall) - into_sheet) / face.lump.capacity_j_m2k
            flow[outermost] = side * into_sheet
        storage = p.density_kg_m3 * self.width_m * self.heat_capacity(t)
        out[self.sheet] = (flow[:-1] - flow[1:] + self.source_w_m2) / storage
        return out


def solve(
    problem: Problem,
    *,
    cells: int = 100,
    times_s: Sequence[float] = (),
    limits_c: Sequence[float] = (),
    until_s: float | None = None,
    rtol: float = 1e-9,
) -> Solution:
    """Temperatures at `times_s` and the times when the coldest point reaches each of `limits_c`.

    Integrates to `until_s`, by default the last of `times_s`; without `times_s` it stops at the highest
    limit. An even number of `cells` puts a node on the mid-plane.
    """
    lines = _Lines(problem, cells)
    end = until_s if until_s is not None else max(times_s)
    last = max(times_s, default=0.0)

    def passing(limit_c: float) -> Callable[[float, Array], float]:
        def distance(_time_s: float, y: Array) -> float:
            return coldest(y[lines.sheet]) - limit_c

        distance.direction = 1.0  # type: ignore[attr-defined]
        distance.terminal = bool(limit_c == max(limits_c) and last == 0.0)  # type: ignore[attr-defined]
        return distance

    done = solve_ivp(
        lines.rates,
        (0.0, end),
        lines.start,
        method="LSODA",
        t_eval=sorted(times_s),
        events=[passing(limit) for limit in limits_c] or None,
        rtol=rtol,
        atol=rtol * 10.0,
        lband=1,
        uband=1,
        max_step=max(problem.oven.recovery_s, 5.0),
    )
    if not done.success:
        raise RuntimeError(f"method of lines: {done.message}")
    reached = [float(times[0]) if times.size else np.nan for times in done.t_events or []]
    states = np.reshape(done.y, (lines.start.size, len(done.t))).T
    return Solution(np.array(done.t), lines.z_m, np.array(states[:, lines.sheet]), np.array(reached))


def richardson(
    problem: Problem,
    *,
    cells: int = 60,
    times_s: Sequence[float] = (),
    limits_c: Sequence[float] = (),
    until_s: float | None = None,
    rtol: float = 1e-9,
) -> Solution:
    """`solve` with `cells` and twice as many, extrapolated at the order 2 to the nodes of the coarse run."""
    coarse, fine = (
        solve(problem, cells=n, times_s=times_s, limits_c=limits_c, until_s=until_s, rtol=rtol)
        for n in (cells, 2 * cells)
    )
    shared = fine.temperature_c[:, ::2]
    return replace(
        coarse,
        temperature_c=shared + (shared - coarse.temperature_c) / 3.0,
        reached_s=fine.reached_s + (fine.reached_s - coarse.reached_s) / 3.0,
    )
