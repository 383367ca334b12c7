"""Transient conduction through a sheet, for a batch of parameter sets at once.

    m0 dH/dt = (lambda2/m0) d2(theta)/dx2 + lambda s(x)        x = mass fraction from the upper face, 0..1

with H(T) the enthalpy (melting included), theta = ∫ k rho dT, m0 the mass per original area, lambda the area
stretch of a sagging sheet (1 for a flat one) and s absorbed infrared. Mass coordinates hold for a sheet that
expands in gauge only; with a constant density this is the ordinary equation at constant gauge. Space: see `grid`.

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
from thermal.enthalpy import Follower
from thermal.grid import FACE_WEIGHTS, INNER_WEIGHTS, INTERVALS
from thermal.sag import SagState
from thermal.slab import Lump, Slab
from thermal.surroundings import Drive

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]

#: Allowed error of one step, root mean square over the nodes, K. The opening time is then within 0.5 s for 95 % of
#: random problems (docs/numerics.md has the table).
TOLERANCE_K = 0.01
_FIRST_STEP_S = 0.25
_LARGEST_GROWTH = 4.0
_SMALLEST_STEP_S = 1e-7
#: Finished columns are dropped from the arrays once they are this share of them.
_DONE_SHARE = 0.15


@dataclass(frozen=True)
class Moment:
    """The state that a step starts from (a refused step shows its start once more).

    Attributes:
        columns: which columns of the batch the arrays are for, (n,).
        time_s: each column's time, (n,). h: enthalpy at the sheet's nodes, J/kg, (nodes, n).
        inflow_w_m2: right side of the heat balance at the nodes, (nodes, n); see `grid.Rates`.
        drop_ratio: drop over clamp radius, (n,); zero without sag.
    """

    columns: NDArray[np.intp]
    time_s: Array
    h: Array
    inflow_w_m2: Array
    drop_ratio: Array


class Observer(Protocol):
    """Is shown every moment of a march and says which columns need no more."""

    def see(self, moment: Moment) -> Flags | None:
        """Columns of the moment that are done, (n,); None: none is."""


@dataclass(frozen=True)
class End:
    """Where a march ended.

    Attributes:
        time_s: (batch,). lump_c: temperatures of the layers, °C, (upper, lower), None where there is none.
        stored_j_m2: what sheet and layers hold more than at the start, per original area, (batch,).
        heat_j_m2: taken up from outside, equal to `stored_j_m2` but for rounding; None where not audited.
    """

    time_s: Array
    lump_c: tuple[Array | None, Array | None]
    stored_j_m2: Array
    heat_j_m2: Array | None


class _Rows:
    """Rows of the linear systems: layer, nodes of the sheet, layer; where there are layers."""

    def __init__(self, slab: Slab, intervals: int) -> None:
        self.intervals = intervals
        self.top = int(slab.lumps[0] is not None)
        self.bottom = self.top + intervals
        self.count = intervals + 1 + sum(lump is not None for lump in slab.lumps)
        self.sheet = slice(self.top, self.bottom + 1)

    def layers(self, slab: Slab) -> list[tuple[Lump, int, int]]:
        """(layer, its row, its face's row) of the layers there are."""
        both = ((slab.lumps[0], 0, self.top), (slab.lumps[1], self.count - 1, self.bottom))
        return [(lump, row, face) for lump, row, face in both if lump is not None]

    def store(self, u: Array, per_row: Array) -> Array:
        """Storage matrix times `u`, (rows, batch), times `per_row`, (batch,)."""
        near, own = INNER_WEIGHTS
        b = u * (per_row * (near / self.intervals))
        stored = np.empty_like(b)
        sheet, out = b[self.sheet], stored[self.sheet]
        inner = out[1:-1]
        np.multiply(sheet[1:-1], own / near, out=inner)
        inner += sheet[:-2]
        inner += sheet[2:]
        w0, w1, w2 = (w / near for w in FACE_WEIGHTS)
        out[0] = w0 * sheet[0] + w1 * sheet[1] + w2 * sheet[2]
        out[-1] = w0 * sheet[-1] + w1 * sheet[-2] + w2 * sheet[-3]
        if self.top:
            stored[0] = u[0] * per_row
        if self.bottom < self.count - 1:
            stored[-1] = u[-1] * per_row
        return stored

    def total(self, u: Array) -> Array:
        """Sum over all rows of the storage matrix times `u`, (batch,)."""
        result: Array = self.store(u, np.ones(u.shape[1])).sum(axis=0)
        return result


class _Balance:
    """Heat balance of every row at one state: right side, and what its derivative is made of.

    Attributes:
        right: W per m2 of original area, (rows, batch).
        outer_c: temperature of the outermost layer on each side, °C, (2, batch).
        outside: heat flow from outside on each side, W/m2, (2, batch).
    """

    def __init__(self, run: _Run, drive: Drive, h: Array) -> None:
        slab, rows = run.slab, run.rows
        self.flow = run.follower.flow(h[rows.sheet])
        passed = self.flow.theta[1:] - self.flow.theta[:-1]
        passed *= run.conductance
        right = np.empty_like(h)
        right[rows.top] = passed[0]
        np.subtract(passed[1:], passed[:-1], out=right[rows.top + 1 : rows.bottom])
        np.negative(passed[-1], out=right[rows.bottom])
        if run.source is not None:
            right[rows.sheet] += run.stretch * run.source
        self.outer_c = self.flow.face_t_c
        for lump, row, face in run.layers:
            side = 0 if row == 0 else 1
            face_c = self.flow.face_t_c[side].copy()
            layer_c = h[row] * slab.mass_kg_m2 / lump.capacity_j_m2k
            inward = lump.conductance_w_m2k * (layer_c - face_c) * run.stretch
            right[face] += inward
            right[row] = -inward
            self.outer_c[side] = layer_c
        self.outside = slab.surroundings.flux(drive, self.outer_c)
        if run.sag is not None:
            self.outside *= run.stretch
        right[0] += self.outside[0]
        right[-1] += self.outside[1]
        self.right = right


class _Run:
    """The columns still under way; `columns` maps them to the batch."""

    def __init__(self, slab: Slab, rows: _Rows, until_s: Array, audit: bool) -> None:
        batch = slab.batch
        profile = np.broadcast_to(slab.start_c, (rows.intervals + 1, batch))
        self.rows, self.until_s = rows, until_s
        self.columns = np.arange(batch)
        self.t, self.step = np.zeros(batch), np.full(batch, _FIRST_STEP_S)
        self.h = np.empty((rows.count, batch))
        self.h[rows.sheet] = slab.material.enthalpy(profile)
        for lump, row, _ in rows.layers(slab):
            self.h[row] = lump.capacity_j_m2k * lump.start_c / slab.mass_kg_m2
        self.heat = np.zeros(batch) if audit else None
        self.sag: SagState | None = None if slab.sag is None else slab.sag.start(profile)
        self.source = None if slab.absorption is None else slab.absorption.loads_w_m2(rows.intervals)
        self._take(slab)

    def _take(self, slab: Slab) -> None:
        self.slab = slab
        self.layers = self.rows.layers(slab)
        self.follower = Follower(slab.material)
        self._conductance = self.rows.intervals / slab.mass_kg_m2
        self.flat = np.zeros(slab.batch)
        self.drive = slab.surroundings.air.drive(self.t)

    def keep(self, alive: NDArray[np.intp]) -> None:
        """Drop all other columns."""
        self.columns, self.until_s, self.t = self.columns[alive], self.until_s[alive], self.t[alive]
        self.step, self.heat = self.step[alive], None if self.heat is None else self.heat[alive]
        self.h = np.ascontiguousarray(self.h[:, alive])
        self.sag = None if self.sag is None else self.sag.columns(alive)
        self.source = None if self.source is None else np.ascontiguousarray(self.source[:, alive])
        self._take(self.slab.columns(alive))

    @property
    def stretch(self) -> Array | float:
        """Area of the sagging sheet over its original area."""
        return 1.0 if self.sag is None else self.sag.stretch

    @property
    def conductance(self) -> Array:
        """Between neighbouring nodes, per unit of theta, (batch,)."""
        return self._conductance if self.sag is None else self._conductance * self.sag.stretch**2


def march(
    slab: Slab,
    until_s: Array | float,
    observer: Observer,
    intervals: int = INTERVALS,
    tolerance_k: float = TOLERANCE_K,
    audit: bool = False,
) -> End:
    """Solve the batch from time 0 to `until_s`, or until the observer has seen enough of each column.

    Args:
        slab: the problems.
        until_s: end time, s, (batch,) or one for all.
        observer: is shown every step.
        intervals: across the sheet. tolerance_k: allowed error of a step, K.
        audit: also add up the heat taken from outside.

    Raises:
        ArithmeticError: the step fell below 1e-7 s (values so extreme that no step is good enough).
    """
    rows = _Rows(slab, intervals)
    run = _Run(slab, rows, np.broadcast_to(np.asarray(until_s, float), (slab.batch,)).copy(), audit)
    start, end_h = run.h, run.h.copy()
    end_t, heat = np.zeros(slab.batch), np.zeros(slab.batch)
    while True:
        balance = _Balance(run, run.drive, run.h)
        if run.sag is not None:
            run.sag.arrive(balance.flow.temperature_c)
        ratio = run.flat if run.sag is None else run.sag.ratio
        done = run.t >= run.until_s
        seen = observer.see(Moment(run.columns, run.t, run.h[rows.sheet], balance.right[rows.sheet], ratio))
        if seen is not None:
            done |= seen
        finished = np.count_nonzero(done)
        if finished:
            end_t[run.columns], end_h[:, run.columns] = run.t, run.h
            if run.heat is not None:
                heat[run.columns] = run.heat
            if finished == len(done):
                break
            if finished > _DONE_SHARE * len(done):
                run.keep(np.flatnonzero(~done))
                continue
        _advance(run, balance, tolerance_k, done if finished else None)
    lumps: list[Array | None] = [None, None]
    for lump, row, _ in rows.layers(slab):
        lumps[0 if row == 0 else 1] = end_h[row] * slab.mass_kg_m2 / lump.capacity_j_m2k
    stored = slab.mass_kg_m2 * rows.total(end_h - start)
    return End(end_t, (lumps[0], lumps[1]), stored, heat if audit else None)


def _advance(run: _Run, balance: _Balance, tolerance_k: float, done: Flags | None) -> None:
    """One step of Rodas3 (gamma = 1/2), in the form that needs no matrix products but the storage:

        (2 W/h - J) u1 = f0 + h/2 f_t
        (2 W/h - J) u2 = f0 + 4 W u1/h + 3 h/2 f_t
        (2 W/h - J) u3 = f(y + 2 u1) + W (u1 - u2)/h
        (2 W/h - J) u4 = f(y + 2 u1 + u3) + W (u1 - u2 - 8/3 u3)/h        y' = y + 2 u1 + u3 + u4,  error u4

    with W the storage weights.
    """
    slab, rows, air = run.slab, run.rows, run.slab.surroundings.air
    h = np.minimum(run.step, run.until_s - run.t)
    following = air.next_break_s(run.t)
    if following is not None:
        h = np.minimum(h, following - run.t)
    if done is not None:
        h = np.where(done, 1.0, h)  # finished columns are carried along but never moved
    by_face, by_time = slab.surroundings.slopes(run.drive, balance.outer_c)
    by_time = by_time * h
    if run.sag is not None:
        by_face, by_time = by_face * run.stretch, by_time * run.stretch
    by_outer = by_face / _outer_capacity(run, balance)  # d(flux from outside)/d(outermost unknown)
    per_step = slab.mass_kg_m2 / h
    solve = _linear_system(run, balance, by_outer, 2.0 * per_step)
    end = air.drive(run.t + h, before=True)

    right = balance.right.copy()
    right[0] += 0.5 * by_time[0]
    right[-1] += 0.5 * by_time[1]
    u1 = solve(right)
    right = rows.store(u1, 4.0 * per_step)
    right += balance.right
    right[0] += 1.5 * by_time[0]
    right[-1] += 1.5 * by_time[1]
    u2 = solve(right)
    y = u1 + u1
    y += run.h
    middle = _Balance(run, end, y)
    change = rows.store(u1 - u2, per_step)
    middle.right += change
    u3 = solve(middle.right)
    y += u3
    last = _Balance(run, end, y)
    last.right += change
    last.right -= rows.store(u3, (8.0 / 3.0) * per_step)
    u4 = solve(last.right)
    y += u4

    size = _error_k(run, balance, u4) / tolerance_k
    good = size <= 1.0
    moved = good if done is None else good & ~done
    if np.any(h < _SMALLEST_STEP_S) and np.any(~(good | (h >= _SMALLEST_STEP_S))):
        raise ArithmeticError("the heating equation could not be solved: a value among the inputs is too extreme")
    size = np.where(size < 1e6, np.maximum(size, 1e-6), 1e6)  # also where it is no number
    wanted = h * np.clip(0.9 * np.cbrt(1.0 / size), 0.2, _LARGEST_GROWTH)
    cut_short = good & (h < run.step)  # by a break or the end, not by its error
    wanted = np.where(cut_short, np.maximum(wanted, run.step), wanted)
    if run.heat is not None:
        us = (u1, u2, u3, u4)
        run.heat = run.heat + np.where(moved, _heat(run, (balance, middle, last), by_outer, by_time, h, us), 0.0)
    if run.sag is not None:
        run.sag.leave(moved, h)
        wanted = np.minimum(wanted, run.sag.longest_step_s())
    run.step = wanted
    if moved.all():
        run.h, run.t = y, run.t + h
        run.drive = end if following is None else air.drive(run.t)
    else:
        run.h, run.t = np.where(moved, y, run.h), np.where(moved, run.t + h, run.t)
        run.drive = air.drive(run.t)


def _outer_capacity(run: _Run, balance: _Balance) -> Array:
    """d(unknown)/d(temperature) of the outermost row on each side, J/(kg K), (2, batch)."""
    capacity = balance.flow.capacity[:: run.rows.intervals]
    if run.layers:
        capacity = capacity.copy()
        for lump, row, _ in run.layers:
            capacity[0 if row == 0 else 1] = lump.capacity_j_m2k / run.slab.mass_kg_m2
    return capacity


def _error_k(run: _Run, balance: _Balance, u4: Array) -> Array:
    """Error of the step, K, (batch,): root mean square over the sheet's nodes, or that of a layer if larger."""
    error = u4[run.rows.sheet] / balance.flow.capacity
    size: Array = np.sqrt(np.einsum("ij,ij->j", error, error) / (run.rows.intervals + 1))
    for lump, row, _ in run.layers:
        size = np.maximum(size, np.abs(u4[row]) * run.slab.mass_kg_m2 / lump.capacity_j_m2k)
    return size


def _linear_system(run: _Run, balance: _Balance, by_outer: Array, weight: Array) -> banded.Solve:
    """Factor weight * W - J."""
    rows, mass = run.rows, run.slab.mass_kg_m2
    near, own = (weight * (w / rows.intervals) for w in INNER_WEIGHTS)
    face = [weight * (w / rows.intervals) for w in FACE_WEIGHTS]
    slope = balance.flow.slope * run.conductance
    diagonal = np.empty((rows.count, len(weight)))
    lower, upper = np.empty((rows.count - 1, len(weight))), np.empty((rows.count - 1, len(weight)))
    top, bottom = rows.top, rows.bottom
    np.multiply(slope, 2.0, out=diagonal[rows.sheet])
    diagonal[top + 1 : bottom] += own
    diagonal[top] = face[0] + slope[0]
    diagonal[bottom] = face[0] + slope[-1]
    np.subtract(near, slope[1:], out=upper[top:bottom])
    np.subtract(near, slope[:-1], out=lower[top:bottom])
    upper[top] = face[1] - slope[1]
    lower[bottom - 1] = face[1] - slope[-2]
    for lump, row, at in run.layers:
        passed = lump.conductance_w_m2k * run.stretch
        by_layer = passed * (mass / lump.capacity_j_m2k)
        by_face = passed / balance.flow.capacity[0 if row == 0 else -1]
        diagonal[row] = weight + by_layer
        diagonal[at] += by_face
        onto_face, onto_layer = (upper, lower) if row > at else (lower, upper)
        onto_face[min(row, at)] = -by_layer
        onto_layer[min(row, at)] = -by_face
    diagonal[0] -= by_outer[0]
    diagonal[-1] -= by_outer[1]
    return banded.factor(lower, diagonal, upper, (face[2], face[2].copy()), (top, bottom))


def _heat(
    run: _Run,
    balances: tuple[_Balance, _Balance, _Balance],
    by_outer: Array,
    by_time: Array,
    h: Array,
    us: tuple[Array, Array, Array, Array],
) -> Array:
    """Heat taken from outside in the step, J/m2, (batch,): the four stages for one more unknown whose rate is that
    heat flow, so that it equals the heat stored but for rounding."""
    taken = [b.outside[0] + b.outside[1] for b in balances]
    if run.source is not None:
        taken = [t + run.stretch * run.source.sum(axis=0) for t in taken]
    rate = by_time[0] + by_time[1]
    driven = [by_outer[0] * u[0] + by_outer[1] * u[-1] for u in us]
    e1 = 0.5 * h * (taken[0] + 0.5 * rate + driven[0])
    e2 = 0.5 * (h * (taken[0] + 1.5 * rate + driven[1]) + 4.0 * e1)
    e3 = 0.5 * (h * (taken[1] + driven[2]) + e1 - e2)
    e4 = 0.5 * (h * (taken[2] + driven[3]) + e1 - e2 - (8.0 / 3.0) * e3)
    result: Array = 2.0 * e1 + e3 + e4
    return result
