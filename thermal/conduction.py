"""Transient conduction through a sheet, for a batch of parameter sets at once.

    m0 dH/dt = (lambda2/m0) d2(theta)/dx2 + lambda s(x)        x = mass fraction from the upper face, 0..1

with H(T) the enthalpy (melting included), theta = ∫ k rho dT, m0 the mass per original area, lambda the area
stretch of a sagging sheet (1 for a flat one) and s absorbed infrared. Mass coordinates hold for a sheet that
expands in gauge only; with a constant density this is the ordinary equation at constant gauge. Space: see `grid`.

Time: Rodas3, a linearly implicit (Rosenbrock) method of order 3, L-stable, stiffly accurate, with an embedded
order 2 (A. Sandu, J.G. Verwer, J.G. Blom, E.J. Spee, G.R. Carmichael, F.A. Potra, Atmospheric Environment 31 (1997)
3459-3472). No iteration, so nothing can fail to converge; linear invariants such as the heat balance are kept
exactly. Each column of the batch has a time and a step of its own.

Inside, nodes stand from the faces inward, upper and lower in turn (`grid.inward_order`): whatever is done to a node is
done to its mirror image in the same operation, which halves the number of operations over a batch and keeps symmetric
problems symmetric.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple, Protocol

import numpy as np
from numpy.typing import NDArray

from thermal import banded
from thermal.enthalpy import Flow, Follower
from thermal.grid import INTERVALS, inward_order, natural_order, second_differences, storage_weights
from thermal.sag import SagState
from thermal.slab import Lump, Slab
from thermal.surroundings import Drive

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]

#: Allowed error of one step, root mean square over the nodes, K. The opening time is then within 0.5 s for 95 % of
#: random problems (docs/numerics.md has the table).
TOLERANCE_K = 0.012
_FIRST_STEP_S = 0.25
_LARGEST_GROWTH = 4.0
_SMALLEST_STEP_S = 1e-7
#: A heat takes 40 to 400 steps, one driven by recorded air one for each of its readings: more than this is no heat.
_MOST_STEPS = 50_000
#: Largest growth of ln(stretch) expected of a step: more is a bubble that is falling, whose size the sag settles.
_MOST_GROWTH = 0.5
#: A change of the air at one moment counts as a jump from here on, K.
_JUMP_K = 1e-6
#: Finished columns are dropped from the arrays once they are this share of them.
_DONE_SHARE = 0.25


class Moment(NamedTuple):
    """The state that a step starts from (a refused step shows its start once more).

    Attributes:
        columns: which columns of the batch the arrays are for, (n,).
        time_s: each column's time, (n,).
        inward_h: enthalpy at the nodes in `grid.inward_order`, J/kg, (nodes, n).
        inward_c: temperature there, °C, (nodes, n); overwritten once the moment has been shown.
        inward_inflow: right side of the heat balance there, W/m2, (nodes, n); see `grid.Rates`.
        drop_ratio: drop over clamp radius, (n,); zero without sag.
    """

    columns: NDArray[np.intp]
    time_s: Array
    inward_h: Array
    inward_c: Array
    inward_inflow: Array
    drop_ratio: Array


class Observer(Protocol):
    """Is shown every moment of a march and says which columns need no more."""

    def see(self, moment: Moment) -> Flags | None:
        """Columns of the moment that are done, (n,); None: none is."""


@dataclass(frozen=True)
class End:
    """Where a march ended.

    Attributes:
        time_s: (batch,). layer_c: temperatures of the layers on upper and lower face, °C, (2, batch); NaN: no layer.
        stored_j_m2: what sheet and layers hold more than at the start, per original area, (batch,).
        heat_j_m2: taken up from outside, equal to `stored_j_m2` but for rounding; None where not audited.
    """

    time_s: Array
    layer_c: Array
    stored_j_m2: Array
    heat_j_m2: Array | None


class _Layers:
    """Layers on the faces, as (2, batch) arrays: unknowns of their own, eliminated by hand.

    A face without a layer has a dummy one that nothing flows into. `has`: whether there is a real one, by column.
    """

    def __init__(self, slab: Slab) -> None:
        lumps = [Lump.none(slab.batch) if lump is None else lump for lump in slab.lumps]
        capacity = np.stack([lump.capacity_j_m2k for lump in lumps])
        self.has = capacity > 0.0
        self.capacity = np.where(self.has, capacity, 1.0)
        self.conductance = np.where(self.has, np.stack([lump.conductance_w_m2k for lump in lumps]), 0.0)
        self.start_c = np.stack([lump.start_c for lump in lumps])


class _Balance:
    """Heat balance of every node at one state: right side, and what its derivative is made of.

    Attributes:
        right: W per m2 of original area, (nodes, batch). layers: the same for the layers, (2, batch).
        outer_c: temperature of what faces the oven on each side, °C, (2, batch).
        outside: heat flow from outside on each side, W/m2, (2, batch).
    """

    def __init__(self, run: _Run, drive: Drive, flow: Flow, layer_c: Array | None, right: Array) -> None:
        np.matmul(run.differences, flow.theta, out=right)
        if run.sag is not None:
            right *= run.stretch * run.stretch
        # A stretch that grows by dln(lambda) changes conduction twice as fast as what comes from outside.
        self.conducted = None if run.sag is None else right.copy()
        if run.source is not None:
            right += run.stretch * run.source
        self.outer_c = flow.temperature_c[:2]
        self.layers: Array | None = None
        if layer_c is None:
            self.outside = run.slab.surroundings.flux(drive, self.outer_c)
            if run.sag is not None:
                self.outside *= run.stretch
            right[:2] += self.outside
        else:
            layers = run.layers
            inward = layers.conductance * (layer_c - self.outer_c) * run.stretch
            self.outer_c = np.where(layers.has, layer_c, self.outer_c)
            self.outside = run.slab.surroundings.flux(drive, self.outer_c) * run.stretch
            right[:2] += np.where(layers.has, inward, self.outside)
            self.layers = layers.has * (self.outside - inward)
        self.right = right
        self.stretch = run.stretch

    def taken(self, source: Array | None) -> Array:
        """Heat flow from outside, W/m2, (batch,), what is absorbed in depth included."""
        total: Array = self.outside[0] + self.outside[1]
        return total if source is None else total + self.stretch * source.sum(axis=0)


class _Work:
    """Memory of one step, used again in the next: fresh pages cost as much as the arithmetic on them."""

    def __init__(self, nodes: int, batch: int) -> None:
        self.start, self.stage = Flow(nodes, batch), Flow(nodes, batch)
        self.u1, self.u2, self.u3, self.u4, self.stored, self.slope = (np.empty((nodes, batch)) for _ in range(6))


class _Run:
    """The columns still under way; `columns` maps them to the batch."""

    def __init__(self, slab: Slab, intervals: int, until_s: Array, audit: bool) -> None:
        batch = slab.batch
        order = inward_order(intervals)
        self.natural = natural_order(intervals)
        self.weights = storage_weights(intervals)[np.ix_(order, order)] / intervals
        self.differences = second_differences(intervals)[np.ix_(order, order)]
        profile = np.broadcast_to(slab.start_c, (intervals + 1, batch))
        self.intervals, self.until_s = intervals, until_s
        self.columns = np.arange(batch)
        self.t, self.step = np.zeros(batch), np.full(batch, _FIRST_STEP_S)
        self.h = slab.material.enthalpy(profile)[order]
        self.heat = np.zeros(batch) if audit else None
        self.sag: SagState | None = None if slab.sag is None else slab.sag.start(profile)
        self.source = None if slab.absorption is None else slab.absorption.loads_w_m2(intervals)[order]
        self.follower = Follower(slab.material, intervals + 1, intervals / slab.mass_kg_m2)
        self._take(slab)
        self.layer_c = self.layers.start_c if self.layers.has.any() else None

    def _take(self, slab: Slab) -> None:
        self.slab = slab
        self.layers = _Layers(slab)
        self.work = _Work(self.intervals + 1, slab.batch)
        # Area of the sheet over its original area.
        self.stretch: Array | float = 1.0 if self.sag is None else self.sag.stretch
        self.flat = np.zeros(slab.batch)
        self.drive = slab.surroundings.air.drive(self.t)

    def keep(self, alive: NDArray[np.intp]) -> None:
        """Drop all other columns."""

        def cut(values: Array | None) -> Array | None:
            return None if values is None else values.take(alive, axis=-1)

        self.columns, self.until_s = self.columns[alive], self.until_s[alive]
        self.t, self.step = self.t[alive], self.step[alive]
        self.h = self.h.take(alive, axis=1)
        self.heat, self.source, self.layer_c = cut(self.heat), cut(self.source), cut(self.layer_c)
        self.sag = None if self.sag is None else self.sag.columns(alive)
        self.follower = self.follower.columns(alive)
        self._take(self.slab.columns(alive))


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
        intervals: across the sheet, even. tolerance_k: allowed error of a step, K.
        audit: also add up the heat taken from outside.

    Raises:
        ArithmeticError: the step fell below 1e-7 s, or the steps are too many (values so extreme that no step is
        good enough).
    """
    run = _Run(slab, intervals, np.broadcast_to(np.asarray(until_s, float), (slab.batch,)).copy(), audit)
    layers = run.layers
    start, end_h, end_layer_c = run.h, run.h.copy(), layers.start_c.copy()
    end_t, heat = np.zeros(slab.batch), np.zeros(slab.batch)
    for _ in range(_MOST_STEPS):
        flow = run.follower.flow(run.h, run.work.start)
        if run.sag is not None:
            run.sag.arrive(flow.temperature_c[run.natural])
            run.stretch = run.sag.stretch
        balance = _Balance(run, run.drive, flow, run.layer_c, np.empty_like(run.h))
        ratio = run.flat if run.sag is None else run.sag.ratio
        done = run.t >= run.until_s
        if (arriving := _before_jump(run, balance)) is not None:
            seen = observer.see(Moment(run.columns, run.t, run.h, flow.temperature_c, arriving, ratio))
            if seen is not None:
                done |= seen
        seen = observer.see(Moment(run.columns, run.t, run.h, flow.temperature_c, balance.right, ratio))
        if seen is not None:
            done |= seen
        finished = np.count_nonzero(done)
        if finished:
            end_t[run.columns], end_h[:, run.columns] = run.t, run.h
            if run.layer_c is not None:
                end_layer_c[:, run.columns] = run.layer_c
            if run.heat is not None:
                heat[run.columns] = run.heat
            if finished == len(done):
                break
            if finished > _DONE_SHARE * len(done):
                run.keep(np.flatnonzero(~done))
                continue
        _advance(run, flow, balance, tolerance_k, done if finished else None)
    else:
        raise ArithmeticError(
            f"the heating equation was not solved in {_MOST_STEPS} steps: a value among the inputs is too extreme"
        )
    stored = slab.mass_kg_m2 * (run.weights @ (end_h - start)).sum(axis=0)
    stored += (layers.has * layers.capacity * (end_layer_c - layers.start_c)).sum(axis=0)
    return End(end_t, np.where(layers.has, end_layer_c, np.nan), stored, heat if audit else None)


def _before_jump(run: _Run, balance: _Balance) -> Array | None:
    """Right side of the heat balance just before the surroundings jumped, where they jump now; None: nowhere."""
    air = run.slab.surroundings.air
    if not air.jumps:
        return None
    earlier = air.drive(run.t, before=True)
    if np.all(np.abs(earlier.air - run.drive.air) < _JUMP_K):
        return None
    right = balance.right.copy()
    fall = (run.slab.surroundings.flux(earlier, balance.outer_c) * run.stretch) - balance.outside
    right[:2] += np.where(run.layers.has, 0.0, fall)
    return right


def _advance(run: _Run, flow: Flow, balance: _Balance, tolerance_k: float, done: Flags | None) -> None:
    """One step of Rodas3 (gamma = 1/2), in the form that needs no matrix products but the storage:

        (2 W/h - J) u1 = f0 + h/2 f_t
        (2 W/h - J) u2 = f0 + 4 W u1/h + 3 h/2 f_t
        (2 W/h - J) u3 = f(y + 2 u1) + W (u1 - u2)/h
        (2 W/h - J) u4 = f(y + 2 u1 + u3) + W (u1 - u2 - 8/3 u3)/h        y' = y + 2 u1 + u3 + u4,  error u4

    with W the storage weights.
    """
    slab, air = run.slab, run.slab.surroundings.air
    h = np.minimum(run.step, run.until_s - run.t)
    following = air.next_break_s(run.t)
    if following is not None:
        h = np.minimum(h, following - run.t)
    if done is not None:
        h = np.where(done, 1.0, h)  # finished columns are carried along but never moved
    by_outer, by_time = slab.surroundings.slopes(run.drive, balance.outer_c)
    by_time *= h
    if run.sag is not None:
        by_outer, by_time = by_outer * run.stretch, by_time * run.stretch
    system = _System(run, flow, by_outer, h)
    growth: Array | None = None
    by_stretch: Array | None = None
    if run.sag is not None and balance.conducted is not None:
        growth = np.minimum(run.sag.stretch_growth_1_s() * h, _MOST_GROWTH)
        by_stretch = growth * (balance.right + balance.conducted)
        run.stretch = run.stretch * np.exp(growth)
    end = air.drive(run.t + h, before=True)
    per_step = slab.mass_kg_m2 / h

    work = run.work

    def store(u: Array, factor: float = 1.0) -> Array:
        np.matmul(run.weights, u, out=work.stored)
        np.multiply(work.stored, per_step * factor, out=work.stored)
        return work.stored

    np.copyto(work.u1, balance.right)
    if by_stretch is not None:
        work.u1 += 0.5 * by_stretch
    u1, l1 = system.solve(work.u1, balance.layers, 0.5 * by_time, None)
    np.add(store(u1, 4.0), balance.right, out=work.u2)
    if by_stretch is not None:
        work.u2 += 1.5 * by_stretch
    u2, l2 = system.solve(work.u2, balance.layers, 1.5 * by_time, None if l1 is None else 4.0 * l1)
    y = u1 + u1
    y += run.h
    layer_y = None if run.layer_c is None or l1 is None else run.layer_c + 2.0 * l1
    outer = [] if run.heat is None else [_outer_change(run, flow, u, c) for u, c in ((u1, l1), (u2, l2))]
    u1 -= u2
    layer_change = None if l1 is None or l2 is None else l1 - l2
    middle = _Balance(run, end, run.follower.flow(y, work.stage, True), layer_y, work.u3)
    work.u3 += store(u1)
    u3, l3 = system.solve(work.u3, middle.layers, None, layer_change)
    y += u3
    layer_y = None if layer_y is None or l3 is None else layer_y + l3
    last = _Balance(run, end, run.follower.flow(y, work.stage, True), layer_y, work.u4)
    np.multiply(u3, 8.0 / 3.0, out=work.slope)
    u1 -= work.slope
    work.u4 += store(u1)
    layer_before = None if layer_change is None or l3 is None else layer_change - (8.0 / 3.0) * l3
    u4, l4 = system.solve(work.u4, last.layers, None, layer_before)
    y += u4
    layer_y = None if layer_y is None or l4 is None else layer_y + l4

    np.divide(u4, flow.capacity, out=work.slope)
    size: Array = np.sqrt(np.einsum("ij,ij->j", work.slope, work.slope) / (run.intervals + 1))
    if l4 is not None:
        size = np.maximum(size, np.max(np.abs(l4) * run.layers.has, axis=0))
    size /= tolerance_k
    good = size <= 1.0
    moved = good if done is None else good & ~done
    all_moved = bool(moved.all())
    if not all_moved and np.any(h[~good] < _SMALLEST_STEP_S):
        raise ArithmeticError("the heating equation could not be solved: a value among the inputs is too extreme")
    size = np.where(size < 1e6, np.maximum(size, 1e-6), 1e6)  # also where it is no number
    wanted = h * np.minimum(np.maximum(0.9 / np.cbrt(size), 0.2), _LARGEST_GROWTH)
    cut_short = good & (h < run.step)  # by a break or the end, not by its error
    wanted = np.where(cut_short, np.maximum(wanted, run.step), wanted)
    if run.heat is not None:
        outer += [_outer_change(run, flow, u, c) for u, c in ((u3, l3), (u4, l4))]
        taken = _heat(run, (balance, middle, last), by_outer, by_time, h, outer, growth)
        run.heat = run.heat + np.where(moved, taken, 0.0)
    if run.sag is not None:
        run.sag.leave(moved, h)
        wanted = np.minimum(wanted, run.sag.longest_step_s())
    run.step = wanted
    before = run.drive
    run.drive = end if following is None else air.drive(run.t + h)
    if all_moved:
        run.h, run.t, run.layer_c = y, run.t + h, layer_y
        return
    refused = np.flatnonzero(~moved)
    y[:, refused] = run.h[:, refused]
    run.h, run.t = y, np.where(moved, run.t + h, run.t)
    if run.layer_c is not None and layer_y is not None:
        run.layer_c = np.where(moved, layer_y, run.layer_c)
    run.drive = Drive(*(np.where(moved, new, old) for new, old in zip(run.drive, before, strict=True)))


def _outer_change(run: _Run, flow: Flow, u: Array, u_layer: Array | None) -> Array:
    """Change of what faces the oven, K, (2, batch)."""
    face = u[:2] / flow.capacity[:2]
    return face if u_layer is None else np.where(run.layers.has, u_layer, face)


class _System:
    """2 W/h - J of the nodes, factored, with the layers' unknowns (their temperatures) eliminated."""

    def __init__(self, run: _Run, flow: Flow, by_outer: Array, h: Array) -> None:
        weight = 2.0 * run.slab.mass_kg_m2 / h
        slope = flow.slope
        if run.sag is not None:
            slope = np.multiply(slope, run.stretch * run.stretch, out=run.work.slope)
        capacity = flow.capacity[:2]
        self._per_s = 1.0 / h
        self._layers = None
        if run.layer_c is None:
            at_face = -by_outer / capacity
        else:
            layers = run.layers
            passed = layers.conductance * run.stretch
            self._layer = 1.0 / (2.0 * layers.capacity / h + passed - layers.has * by_outer)
            self._from_face = passed / capacity
            self._onto_face = passed * self._layer
            at_face = self._from_face * (1.0 - self._onto_face) - ~layers.has * by_outer / capacity
            self._layers = layers
        self._solve = banded.factor(run.weights, weight, run.differences, slope, at_face)

    def solve(
        self, right: Array, layer_right: Array | None, by_time: Array | None, layer_before: Array | None
    ) -> tuple[Array, Array | None]:
        """Change of the nodes, J/kg, and of the layers, K. `by_time`: change of the flow from outside in the stage,
        W/m2; `layer_before`: earlier stages' combination for the layers, K.
        """
        layers = self._layers
        if layers is None or layer_right is None:
            if by_time is not None:
                right[:2] += by_time
            return self._solve(right), None
        total = layer_right
        if by_time is not None:
            total = total + layers.has * by_time
            right[:2] += ~layers.has * by_time
        if layer_before is not None:
            total = total + layers.capacity * layer_before * self._per_s
        right[:2] += self._onto_face * total
        u = self._solve(right)
        return u, self._layer * (total + self._from_face * u[:2])


def _heat(
    run: _Run,
    balances: tuple[_Balance, _Balance, _Balance],
    by_outer: Array,
    by_time: Array,
    h: Array,
    outer: list[Array],
    growth: Array | None,
) -> Array:
    """Heat taken from outside in the step, J/m2, (batch,): the four stages for one more unknown whose rate is that
    heat flow, so that it equals the heat stored but for rounding. `outer`: change of what faces the oven, K.
    """
    taken = [b.taken(run.source) for b in balances]
    rate = by_time[0] + by_time[1] + (0.0 if growth is None else growth * taken[0])
    driven = [(by_outer * u).sum(axis=0) for u in outer]
    e1 = 0.5 * h * (taken[0] + 0.5 * rate + driven[0])
    e2 = 0.5 * (h * (taken[0] + 1.5 * rate + driven[1]) + 4.0 * e1)
    e3 = 0.5 * (h * (taken[1] + driven[2]) + e1 - e2)
    e4 = 0.5 * (h * (taken[2] + driven[3]) + e1 - e2 - (8.0 / 3.0) * e3)
    result: Array = 2.0 * e1 + e3 + e4
    return result
