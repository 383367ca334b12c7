"""Enthalpy, temperature and heat flow of a sheet's material, for a batch of parameter sets at once.

The heat capacity is linear between knots (melting included, as a triangle), so the enthalpy is piecewise
quadratic in temperature and inverts in closed form: no iteration, smooth in every parameter, and no heat is
lost or made at a melting peak however long the time step. The conductivity is linear between the same knots.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Material:
    """Piecewise quadratic H(T) and theta(T) of a batch; build it with `material`.

    Segment 0 lies below the first knot and the last above the last knot, both with constant properties;
    segment j starts at knot j-1. All per-segment arrays have shape (segments, batch).

    Attributes:
        knot_h: enthalpy at the knots, J/kg, shape (segments - 1, batch).
        h, t: enthalpy J/kg and temperature °C at each segment's start.
        c, c_slope: heat capacity J/(kg K) there and its slope J/(kg K2).
        theta, k, k_slope: integral of the conductivity W/m, conductivity W/(m K), slope W/(m K2).
    """

    knot_h: Array
    h: Array
    t: Array
    c: Array
    c_slope: Array
    theta: Array
    k: Array
    k_slope: Array

    @property
    def batch(self) -> int:
        """Number of parameter sets."""
        return int(self.h.shape[1])

    def columns(self, keep: NDArray[np.intp]) -> Material:
        """The material of some of the batch's columns."""
        return Material(*(getattr(self, f).take(keep, axis=1) for f in self.__dataclass_fields__))

    def segment(self, h: Array) -> NDArray[np.intp]:
        """Flat index of each value's segment into the raveled (segments, batch) arrays."""
        if self.batch == 1:
            return np.searchsorted(self.knot_h[:, 0], h, "right")
        count = np.zeros(h.shape, np.uint8)
        for knot in self.knot_h:
            count += h >= knot
        index = count.astype(np.intp)
        index *= self.batch
        index += np.arange(self.batch)
        return index

    def _rise(self, h: Array, index: NDArray[np.intp]) -> tuple[Array, Array]:
        """Temperature above the segment's start, K, and heat capacity there, J/(kg K).

        From h = c x + c_slope x2/2 as x = 2 h/(c + sqrt(c2 + 2 c_slope h)), the form without cancellation.
        """
        above = h - self.h.take(index)
        start = self.c.take(index)
        capacity = self.c_slope.take(index)
        capacity *= above
        capacity *= 2.0
        capacity += start * start
        np.sqrt(capacity, out=capacity)
        start += capacity
        above *= 2.0
        above /= start
        return above, capacity

    def temperature(self, h: Array) -> Array:
        """Temperature, °C, of enthalpy `h`, J/kg, shape (..., batch)."""
        index = self.segment(h)
        rise, _ = self._rise(h, index)
        rise += self.t.take(index)
        return rise

    def capacity(self, h: Array) -> Array:
        """Heat capacity dH/dT, J/(kg K), melting included, at enthalpy `h`, shape (..., batch)."""
        return self._rise(h, self.segment(h))[1]

    def enthalpy(self, t_c: Array) -> Array:
        """Enthalpy, J/kg, of temperature `t_c`, °C, shape (..., batch)."""
        t_c = np.broadcast_to(t_c, (*np.shape(t_c)[:-1], self.batch))
        count = np.zeros(t_c.shape, np.intp)
        for knot in self.t[1:]:
            count += t_c >= knot
        index = count * self.batch + np.arange(self.batch)
        rise = t_c - self.t.take(index)
        result: Array = self.h.take(index) + rise * (self.c.take(index) + 0.5 * self.c_slope.take(index) * rise)
        return result


class Flow:
    """All that the conduction step needs at the nodes' enthalpies; memory that is written again and again.

    Attributes (nodes, batch): theta: ∫ k dT times the follower's `per`. slope: d(theta)/dH. capacity: dH/dT, J/(kg K).
    temperature_c: °C.
    """

    def __init__(self, nodes: int, batch: int) -> None:
        self.theta, self.slope, self.capacity, self.temperature_c = (np.empty((nodes, batch)) for _ in range(4))


class Follower:
    """Evaluates a material at enthalpies that change little from call to call.

    Looking up a value's segment costs more than evaluating it, so each place's segment is remembered and looked up
    again only where the value has left it. The results do not depend on what was asked before.
    """

    def __init__(self, of: Material, nodes: int, per: Array | float = 1.0) -> None:
        """`per`, (batch,) or one number, multiplies theta and its slope."""
        ends = np.full((1, of.batch), np.inf)
        low, high = np.concatenate([-ends, of.knot_h]), np.concatenate([of.knot_h, ends])
        capacity = (0.5 * of.c, 0.25 * of.c * of.c, 0.5 * of.c_slope)
        conduction = (per * of.theta, per * of.k, 0.5 * per * of.k_slope)
        # A segment's parts lie side by side in the table, so that each is fetched at once.
        table = np.stack([low, high, of.h, of.t, *capacity, *conduction], axis=-1)
        here = np.full((table.shape[-1], nodes, of.batch), np.nan)
        here[0] = np.inf  # nobody's segment is known yet
        self._take(of.knot_h, table, here)

    def _take(self, knot_h: Array, table: Array, here: Array) -> None:
        self._knot_h, self._table, self._here = knot_h, table, here
        self._below, self._above = (np.empty(here.shape[1:], np.bool_) for _ in range(2))
        self._work = np.empty(here.shape[1:])

    def columns(self, keep: NDArray[np.intp]) -> Follower:
        """The follower of some columns, with what it remembers."""
        fewer = Follower.__new__(Follower)
        fewer._take(self._knot_h.take(keep, axis=1), self._table.take(keep, axis=1), self._here.take(keep, axis=2))
        return fewer

    def flow(self, h: Array, into: Flow, theta_only: bool = False) -> Flow:
        """Evaluate at enthalpy `h`, J/kg, (nodes, batch), into memory of that size; returns it.

        With `theta_only` nothing else is set but the first two nodes' temperatures.
        """
        self._look_up(h)
        _, _, start, t, half_c, square, half_c_slope, theta, k, half_k_slope = self._here
        work, rise, half, slope = self._work, into.temperature_c, into.capacity, into.slope
        # See Material, all halved: rise = h/(c/2 + sqrt(c2/4 + c_slope h/2)).
        np.subtract(h, start, out=rise)
        np.multiply(half_c_slope, rise, out=half)
        np.add(half, square, out=half)
        np.sqrt(half, out=half)
        np.add(half, half_c, out=work)
        np.divide(rise, work, out=rise)
        np.multiply(half_k_slope, rise, out=work)
        np.add(work, k, out=slope)
        np.multiply(slope, rise, out=into.theta)
        np.add(into.theta, theta, out=into.theta)
        if theta_only:
            rise[:2] += t[:2]
            return into
        np.add(half, half, out=half)
        np.add(slope, work, out=slope)
        np.divide(slope, half, out=slope)
        np.add(rise, t, out=rise)
        return into

    def _look_up(self, h: Array) -> None:
        here, left = self._here, self._below
        np.less(h, here[0], out=left)
        np.greater_equal(h, here[1], out=self._above)
        np.logical_or(left, self._above, out=left)
        if left.any():
            batch, parts = self._table.shape[1:]
            at = np.flatnonzero(left)
            column = at % batch
            passed = self._knot_h.take(column, axis=1) <= h.take(at)
            segment = np.add.reduce(passed, axis=0, dtype=np.uint8).astype(np.intp)
            found = self._table.reshape(-1, parts).take(segment * batch + column, axis=0)
            here.reshape(parts, -1)[:, at] = found.T


def material(knot_c: Array, capacity: Array, conductivity: Array) -> Material:
    """A batch's material from values at knots.

    Args:
        knot_c: temperatures of the knots, °C, strictly increasing along axis 0, shape (knots, batch).
        capacity: heat capacity with melting at the knots, J/(kg K), positive, same shape.
        conductivity: conductivity at the knots, W/(m K), positive, same shape.
    """

    def integral(value: Array) -> Array:
        total = np.zeros_like(value)
        np.cumsum(0.5 * (value[1:] + value[:-1]) * np.diff(knot_c, axis=0), axis=0, out=total[1:])
        return total

    def slope(value: Array) -> Array:
        result = np.zeros((len(value) + 1, value.shape[1]))
        result[1:-1] = np.diff(value, axis=0) / np.diff(knot_c, axis=0)
        return result

    def start(value: Array) -> Array:
        return np.concatenate([value[:1], value])

    knot_h = integral(capacity)
    return Material(
        knot_h=knot_h,
        h=start(knot_h),
        t=start(knot_c),
        c=start(capacity),
        c_slope=slope(capacity),
        theta=start(integral(conductivity)),
        k=start(conductivity),
        k_slope=slope(conductivity),
    )
