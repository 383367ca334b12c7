"""Transient conduction through a sheet, for a batch of parameter sets at once.

    m0 dH/dt = (lambda2/m0) d2(theta)/dx2 + lambda s(x)        x = mass fraction from the upper face, 0..1

with H(T) the enthalpy (melting included), theta = ∫ k rho dT, m0 the mass per original area, lambda the area
stretch of a sagging sheet (1 for a flat one) and s absorbed infrared. Mass coordinates hold for a sheet that
expands in gauge only; with a constant density this is the ordinary equation at constant gauge.

Space: uniform nodes with the faces as nodes, fourth order. The balance weighted with a hat function at a node is
exact for theta; the storage term uses weights 1/12, 10/12, 1/12 inside and 7/24, 6/24, -1/24 at a face (the
integral of a cubic under the half hat). All weights add up so that the heat stored equals what came in.

Time: Rodas3, a linearly implicit (Rosenbrock) method of order 3, L-stable, stiffly accurate, with an embedded
order 2 (A. Sandu, J.G. Verwer, J.G. Blom, E.J. Spee, G.R. Carmichael, F.A. Potra, Atmospheric Environment 31 (1997)
3459-3472). No iteration, so nothing can fail to converge; linear invariants such as the heat balance are kept
exactly. Each column of the batch has a time and a step of its own.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from thermal import banded
from thermal.absorption import Absorption
from thermal.enthalpy import Material
from thermal.sag import Sag, SagState
from thermal.surroundings import Drive, Surroundings

Array = NDArray[np.float64]

#: Intervals across the sheet on the production grid: core and face within 0.03 K at the Biot numbers of ovens.
INTERVALS = 18
#: Allowed error of one step, root mean square over the nodes, K. The opening time is then within 0.5 s for 95 % of
#: random problems (benchmarks/solver.py has the table).
TOLERANCE_K = 0.01
_FIRST_STEP_S = 0.25
_LARGEST_GROWTH = 4.0
_SMALLEST_STEP_S = 1e-7
#: Finished columns are dropped from the arrays once they are this share of them.
_DONE_SHARE = 0.2


@dataclass(frozen=True)
class Lump:
    """A thin layer on a face, all at one temperature: a tray, a protective film.

    Attributes:
        capacity_j_m2k: heat capacity per area, (batch,). conductance_w_m2k: to the sheet's face, (batch,).
        start_c: its temperature at the start, (batch,).
    """

    capacity_j_m2k: Array
    conductance_w_m2k: Array
    start_c: Array

    def columns(self, keep: NDArray[np.intp]) -> Lump:
        """The same for some columns of the batch."""
        return Lump(self.capacity_j_m2k[keep], self.conductance_w_m2k[keep], self.start_c[keep])


@dataclass(frozen=True)
class Slab:
    """A sheet and everything that heats it, for a batch.

    Attributes:
        material: see `Material`; its conductivity is k(T) rho(T), W kg/(m4 K), over mass coordinates.
        mass_kg_m2: mass per original area, (batch,).
        start_c: uniform (batch,) or as profile (nodes, batch) from the upper face, °C.
        surroundings: exchange at the outer side of each face (of the lump where there is one).
        lumps: layer on the upper and on the lower face.
        absorption: infrared absorbed in depth.
        sag: how the clamped sheet sags; None for a sheet that lies flat.
    """

    material: Material
    mass_kg_m2: Array
    start_c: Array
    surroundings: Surroundings
    lumps: tuple[Lump | None, Lump | None] = (None, None)
    absorption: Absorption | None = None
    sag: Sag | None = None

    @property
    def batch(self) -> int:
        """Number of parameter sets."""
        return len(self.mass_kg_m2)

    def columns(self, keep: NDArray[np.intp]) -> Slab:
        """The same for some columns of the batch."""
        upper, lower = self.lumps
        return Slab(
            self.material.columns(keep),
            self.mass_kg_m2[keep],
            self.start_c[..., keep],
            self.surroundings.columns(keep),
            (upper and upper.columns(keep), lower and lower.columns(keep)),
            self.absorption and self.absorption.columns(keep),
            self.sag and self.sag.columns(keep),
        )


@dataclass(frozen=True)
class Moment:
    """The state that a step starts from (a refused step shows its start once more).

    Attributes:
        columns: which columns of the batch the arrays are for, (n,).
        time_s: each column's time, (n,). h: enthalpy at the sheet's nodes, J/kg, (nodes, n).
        inflow_w_m2: right side of the heat balance at the nodes, (nodes, n); see `Grid.rate`.
        drop_ratio: drop over clamp radius, (n,); zero without sag.
    """

    columns: NDArray[np.intp]
    time_s: Array
    h: Array
    inflow_w_m2: Array
    drop_ratio: Array


class Observer(Protocol):
    """Is shown every moment of a march and says which columns need no more."""

    def see(self, moment: Moment) -> NDArray[np.bool_]:
        """Columns of the moment that are done, (n,)."""


@dataclass(frozen=True)
class End:
    """Where a march ended.

    Attributes:
        time_s: (batch,). lump_c: temperatures of the layers, °C, (upper, lower), None where there is none.
        heat_j_m2: taken up from outside per original area, (batch,).
        stored_j_m2: what sheet and layers hold more than at the start; equal to `heat_j_m2` but for rounding.
    """

    time_s: Array
    lump_c: tuple[Array | None, Array | None]
    heat_j_m2: Array
    stored_j_m2: Array


def hermite(part: Array, step: Array, y0: Array, y1: Array, rate0: Array, rate1: Array) -> Array:
    """Cubic through two values and two rates; `part` of the step, 0 to 1."""
    rest = 1.0 - part
    return rest * rest * ((1.0 + 2.0 * part) * y0 + part * step * rate0) + part * part * (
        (3.0 - 2.0 * part) * y1 - rest * step * rate1
    )


def storage_weights(intervals: int) -> Array:
    """Storage matrix in units of one interval, (nodes, nodes); see the module's text for the rows."""
    nodes = intervals + 1
    weights = np.diag(np.full(nodes, 10.0)) + np.diag(np.ones(intervals), 1) + np.diag(np.ones(intervals), -1)
    weights /= 12.0
    for row, order in ((0, slice(None)), (-1, slice(None, None, -1))):
        weights[row] = 0.0
        weights[row, order][:3] = [7 / 24, 6 / 24, -1 / 24]
    return weights


def coldest_c(profile_c: Array) -> Array:
    """Lowest temperature of profiles, °C: the vertex of the parabola through the coldest node and its neighbours.

    Args:
        profile_c: (nodes, batch), °C.
    """
    at = np.clip(np.argmin(profile_c, axis=0), 1, len(profile_c) - 2)
    column = np.arange(profile_c.shape[1])
    left, middle, right = (profile_c[at + i, column] for i in (-1, 0, 1))
    bend = left - 2.0 * middle + right
    lean = 0.5 * (right - left)
    at_vertex = np.clip(-lean / np.where(bend > 0, bend, np.inf), -1.0, 1.0)
    vertex = middle + at_vertex * (lean + 0.5 * bend * at_vertex)
    result: Array = np.minimum(vertex, np.min(profile_c, axis=0))
    return result


class Grid:
    """Rows of the linear systems and the constant weights on them: layer, nodes of the sheet, layer."""

    def __init__(self, intervals: int, layers: tuple[bool, bool] = (False, False)) -> None:
        self.intervals = intervals
        self.top = int(layers[0])
        self.bottom = self.top + intervals
        self.rows = intervals + 1 + sum(layers)
        self.sheet = slice(self.top, self.bottom + 1)
        weights = storage_weights(intervals)
        self._inverse = np.linalg.inv(weights) * intervals
        full = np.eye(self.rows)  # a layer's heat is carried as J per kg of sheet
        full[self.sheet, self.sheet] = weights / intervals
        self.share = full.sum(axis=0)[:, None]
        self.diagonal = np.diag(full).copy()[:, None]
        self.lower = np.diag(full, -1).copy()[:, None]
        self.upper = np.diag(full, 1).copy()[:, None]
        self.corner = float(full[self.top, self.top + 2])

    def rate(self, inflow_w_m2: Array, mass_kg_m2: Array) -> Array:
        """dH/dt at the sheet's nodes, W/kg, from the balance's right side, (nodes, batch)."""
        result: Array = self._inverse @ inflow_w_m2 / mass_kg_m2
        return result


@dataclass
class _Run:
    """The columns still under way; `columns` maps them to the batch."""

    slab: Slab
    columns: NDArray[np.intp]
    until_s: Array
    t: Array
    step: Array
    h: Array
    heat: Array
    sag: SagState | None
    source: Array | None

    def keep(self, alive: NDArray[np.intp]) -> None:
        self.slab = self.slab.columns(alive)
        self.columns, self.until_s, self.t = self.columns[alive], self.until_s[alive], self.t[alive]
        self.step, self.heat = self.step[alive], self.heat[alive]
        self.h = np.ascontiguousarray(self.h[:, alive])
        self.sag = self.sag and self.sag.columns(alive)
        self.source = None if self.source is None else np.ascontiguousarray(self.source[:, alive])


def march(
    slab: Slab,
    until_s: Array | float,
    observer: Observer,
    intervals: int = INTERVALS,
    tolerance_k: float = TOLERANCE_K,
) -> End:
    """Solve the batch from time 0 to `until_s`, or until the observer has seen enough of each column.

    Args:
        slab: the problems.
        until_s: end time, s, (batch,) or one for all.
        observer: is shown every step.
        intervals: across the sheet. tolerance_k: allowed error of a step, K.

    Raises:
        ArithmeticError: the step fell below 1e-7 s (values so extreme that no step is good enough).
    """
    grid = Grid(intervals, (slab.lumps[0] is not None, slab.lumps[1] is not None))
    run = _start(slab, grid, np.broadcast_to(np.asarray(until_s, float), (slab.batch,)).copy())
    start, end_h = run.h, run.h.copy()
    end_t, heat = np.zeros(slab.batch), np.zeros(slab.batch)
    flat = np.zeros(slab.batch)
    while True:
        drive = run.slab.surroundings.air.drive(run.t)
        balance = _Balance(run, grid, drive, run.h)
        if run.sag is not None:
            run.sag.arrive(run.slab.material.temperature(run.h[grid.sheet]))
        ratio = flat[: len(run.t)] if run.sag is None else run.sag.ratio
        done = observer.see(Moment(run.columns, run.t, run.h[grid.sheet], balance.right[grid.sheet], ratio))
        done = done | (run.t >= run.until_s)
        finished = np.count_nonzero(done)
        if finished:
            end_t[run.columns], end_h[:, run.columns], heat[run.columns] = run.t, run.h, run.heat
            if finished == len(done):
                break
            if finished > _DONE_SHARE * len(done):
                run.keep(np.flatnonzero(~done))
                continue
        _advance(run, grid, drive, balance, tolerance_k, done)
    lumps = [
        None if lump is None else end_h[row] * slab.mass_kg_m2 / lump.capacity_j_m2k
        for lump, row, _ in _layers(slab, grid)
    ]
    stored = slab.mass_kg_m2 * (grid.share * (end_h - start)).sum(axis=0)
    return End(end_t, (lumps[0], lumps[1]), heat, stored)


def _start(slab: Slab, grid: Grid, until_s: Array) -> _Run:
    batch = slab.batch
    profile = np.broadcast_to(slab.start_c, (grid.intervals + 1, batch))
    h = np.empty((grid.rows, batch))
    h[grid.sheet] = slab.material.enthalpy(profile)
    for lump, row in zip(slab.lumps, (0, grid.rows - 1), strict=True):
        if lump:
            h[row] = lump.capacity_j_m2k * lump.start_c / slab.mass_kg_m2
    return _Run(
        slab,
        np.arange(batch),
        until_s,
        np.zeros(batch),
        np.full(batch, _FIRST_STEP_S),
        h,
        np.zeros(batch),
        None if slab.sag is None else slab.sag.start(profile),
        None if slab.absorption is None else slab.absorption.loads_w_m2(grid.intervals),
    )


class _Balance:
    """Heat balance of every row at one state: right side, and what its derivative is made of.

    Attributes:
        right: W per m2 of original area, (rows, batch).
        outer_c: temperature of the outermost layer on each side, °C, (2, batch).
        taken: heat flow from outside, W/m2, (batch,).
    """

    def __init__(self, run: _Run, grid: Grid, drive: Drive, h: Array) -> None:
        slab = run.slab
        self.flow = slab.material.flow(h[grid.sheet], (0, -1))
        self.stretch: Array | float = 1.0 if run.sag is None else run.sag.stretch
        self.conductance = self.stretch * self.stretch * (grid.intervals / slab.mass_kg_m2)
        passed = self.flow.theta[1:] - self.flow.theta[:-1]
        passed *= self.conductance
        right = np.empty_like(h)
        right[grid.top : grid.bottom] = passed
        right[grid.bottom] = 0.0
        right[grid.top + 1 : grid.bottom + 1] -= passed
        if run.source is not None:
            right[grid.sheet] += self.stretch * run.source
        self.outer_c = self.flow.face_t_c
        if any(slab.lumps):
            self.outer_c = self.outer_c.copy()
            for side, (lump, row, face) in enumerate(_layers(slab, grid)):
                if lump:
                    self.outer_c[side] = h[row] * slab.mass_kg_m2 / lump.capacity_j_m2k
                    inward = lump.conductance_w_m2k * (self.outer_c[side] - self.flow.face_t_c[side]) * self.stretch
                    right[face] += inward
                    right[row] = -inward
        outside = slab.surroundings.flux(drive, self.outer_c)
        outside *= self.stretch
        right[0] += outside[0]
        right[-1] += outside[1]
        self.right = right
        self.taken = outside[0] + outside[1]
        if run.source is not None:
            self.taken = self.taken + self.stretch * run.source.sum(axis=0)


def _layers(slab: Slab, grid: Grid) -> tuple[tuple[Lump | None, int, int], tuple[Lump | None, int, int]]:
    """(layer, its row, its face's row) of both sides."""
    return (slab.lumps[0], 0, grid.top), (slab.lumps[1], grid.rows - 1, grid.bottom)


def _advance(
    run: _Run, grid: Grid, drive: Drive, balance: _Balance, tolerance_k: float, done: NDArray[np.bool_]
) -> None:
    """One step of Rodas3 (gamma = 1/2), in the form that needs no matrix products but the storage:

        (2 W/h - J) u1 = f0 + h/2 f_t
        (2 W/h - J) u2 = f0 + 4 W u1/h + 3 h/2 f_t
        (2 W/h - J) u3 = f(y + 2 u1) + W (u1 - u2)/h
        (2 W/h - J) u4 = f(y + 2 u1 + u3) + W (u1 - u2 - 8/3 u3)/h        y' = y + 2 u1 + u3 + u4,  error u4

    with W the storage weights. The heat taken from outside is one more unknown of the same method, so that it
    equals the heat stored but for rounding.
    """
    slab, mass = run.slab, run.slab.mass_kg_m2
    air = slab.surroundings.air
    h = np.minimum(run.step, np.minimum(run.until_s, air.next_break_s(run.t)) - run.t)
    h = np.where(done, 1.0, h)  # finished columns are carried along but never moved
    by_face, by_time = slab.surroundings.slopes(drive, balance.outer_c)
    by_face *= balance.stretch
    by_time *= balance.stretch * h
    outer_slope = _outer_slope(run, grid, balance)
    by_outer = by_face * outer_slope  # d(outer flux)/d(outermost unknown)
    per_step = mass / h
    solve = _linear_system(run, grid, balance, by_outer, 2.0 * per_step)
    end = air.drive(run.t + h, before=True)
    time_rate = by_time[0] + by_time[1]

    def heat(taken: Array, u: Array, before: Array | float, time_weight: float) -> Array:
        """The same stage for the heat taken from outside, J/m2."""
        driven = by_outer[0] * u[0] + by_outer[1] * u[-1]
        result: Array = 0.5 * (h * (taken + time_weight * time_rate + driven) + before)
        return result

    def stage(right: Array, before: Array | None) -> Array:
        if before is not None:
            before *= per_step
            stored = grid.diagonal * before
            stored[1:] += grid.lower * before[:-1]
            stored[:-1] += grid.upper * before[1:]
            stored[grid.top] += grid.corner * before[grid.top + 2]
            stored[grid.bottom] += grid.corner * before[grid.bottom - 2]
            right += stored
        return solve(right)

    def driven_by_time(weight: float) -> Array:
        right = balance.right.copy()
        right[0] += weight * by_time[0]
        right[-1] += weight * by_time[1]
        return right

    u1 = stage(driven_by_time(0.5), None)
    e1 = heat(balance.taken, u1, 0.0, 0.5)
    u2 = stage(driven_by_time(1.5), 4.0 * u1)
    e2 = heat(balance.taken, u2, 4.0 * e1, 1.5)
    y = run.h + 2.0 * u1
    middle = _Balance(run, grid, end, y)
    change = u1 - u2
    u3 = stage(middle.right, change.copy())
    e3 = heat(middle.taken, u3, e1 - e2, 0.0)
    y += u3
    last = _Balance(run, grid, end, y)
    u4 = stage(last.right, change - (8.0 / 3.0) * u3)
    e4 = heat(last.taken, u4, e1 - e2 - (8.0 / 3.0) * e3, 0.0)
    y += u4

    error = u4[grid.sheet] / balance.flow.capacity
    size = np.sqrt(np.einsum("ij,ij->j", error, error) / (grid.intervals + 1))
    for lump, row, _ in _layers(slab, grid):
        if lump:
            size = np.maximum(size, np.abs(u4[row]) * mass / lump.capacity_j_m2k)
    size /= tolerance_k
    with np.errstate(invalid="ignore"):
        good = size <= 1.0
    size = np.where(np.isfinite(size), np.maximum(size, 1e-6), 1e6)
    growth = np.clip(0.9 * np.cbrt(1.0 / size), 0.2, _LARGEST_GROWTH)
    if np.any(~good & ~done & (h < _SMALLEST_STEP_S)):
        raise ArithmeticError("the heating equation could not be solved: a value among the inputs is too extreme")
    moved = good & ~done
    wanted = h * growth
    cut_short = good & (h < run.step)  # by a break or the end, not by its error
    wanted = np.where(cut_short, np.maximum(wanted, run.step), wanted)
    if run.sag is not None:
        run.sag.leave(moved, h)
        wanted = np.minimum(wanted, run.sag.longest_step_s())
    run.step = wanted
    if moved.all():
        run.h, run.t, run.heat = y, run.t + h, run.heat + 2.0 * e1 + e3 + e4
    else:
        run.h = np.where(moved, y, run.h)
        run.t = np.where(moved, run.t + h, run.t)
        run.heat = np.where(moved, run.heat + 2.0 * e1 + e3 + e4, run.heat)


def _outer_slope(run: _Run, grid: Grid, balance: _Balance) -> Array:
    """d(temperature)/d(unknown) of the outermost row on each side, K kg/J, (2, batch)."""
    slopes = 1.0 / balance.flow.capacity[[0, -1]]
    for side, (lump, _, _) in enumerate(_layers(run.slab, grid)):
        if lump:
            slopes[side] = run.slab.mass_kg_m2 / lump.capacity_j_m2k
    return slopes


def _linear_system(run: _Run, grid: Grid, balance: _Balance, by_outer: Array, weight: Array) -> banded.Solve:
    """Factor weight * W - J."""
    slope = balance.flow.slope * balance.conductance
    diagonal = grid.diagonal * weight
    lower, upper = grid.lower * weight, grid.upper * weight
    sheet = diagonal[grid.sheet]
    sheet[1:] += slope[1:]
    sheet[:-1] += slope[:-1]
    inner = slice(grid.top, grid.bottom)
    upper[inner] -= slope[1:]
    lower[inner] -= slope[:-1]
    diagonal[0] -= by_outer[0]
    diagonal[-1] -= by_outer[1]
    for lump, row, face in _layers(run.slab, grid):
        if lump:
            passed = lump.conductance_w_m2k * balance.stretch
            by_layer = passed * (run.slab.mass_kg_m2 / lump.capacity_j_m2k)
            by_face = passed / balance.flow.capacity[0 if face == grid.top else -1]
            diagonal[row] += by_layer
            diagonal[face] += by_face
            between = min(row, face)
            onto_face, onto_layer = (upper, lower) if row > face else (lower, upper)
            onto_face[between] -= by_layer
            onto_layer[between] -= by_face
    corner = grid.corner * weight
    return banded.factor(lower, diagonal, upper, (corner, corner), (grid.top, grid.bottom))
