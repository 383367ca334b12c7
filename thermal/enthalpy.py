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
        return Material(*(np.ascontiguousarray(getattr(self, f)[:, keep]) for f in self.__dataclass_fields__))

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

    Attributes (nodes, batch): theta: ∫ k dT, W/m. slope: d(theta)/dH, kg/(m s). capacity: dH/dT, J/(kg K).
    temperature_c: °C.
    """

    def __init__(self, nodes: int, batch: int) -> None:
        self.theta, self.slope, self.capacity, self.temperature_c = (np.empty((nodes, batch)) for _ in range(4))


class Follower:
    """Evaluates a material at enthalpies that change little from call to call.

    Looking up a value's segment costs more than evaluating it, so each place's segment is remembered and looked up
    again only where the value has left it. The results do not depend on what was asked before.
    """

    def __init__(self, of: Material, nodes: int) -> None:
        ends = np.full((1, of.batch), np.inf)
        low, high = np.concatenate([-ends, of.knot_h]), np.concatenate([of.knot_h, ends])
        parts = (low, high, of.h, of.t, of.c, of.c * of.c, 2.0 * of.c_slope, of.theta, of.k, 0.5 * of.k_slope)
        self._of = of
        self._table = np.stack([part.ravel() for part in parts])
        self._here = np.full((len(parts), nodes, of.batch), np.nan)
        self._here[0] = np.inf  # nobody's segment is known yet
        self._below, self._above = (np.empty((nodes, of.batch), np.bool_) for _ in range(2))
        self._work = np.empty((nodes, of.batch))

    def columns(self, keep: NDArray[np.intp]) -> Follower:
        """The follower of some columns, with what it remembers."""
        fewer = Follower(self._of.columns(keep), self._here.shape[1])
        fewer._here = np.ascontiguousarray(self._here[:, :, keep])
        return fewer

    def flow(self, h: Array, into: Flow) -> Flow:
        """Evaluate at enthalpy `h`, J/kg, (nodes, batch), into memory of that size; returns it."""
        self._look_up(h)
        _, _, start, t, c, c_squared, c_slope, theta, k, k_slope = self._here
        work, rise, capacity = self._work, into.temperature_c, into.capacity
        # See Material: rise = 2 h/(c + sqrt(c2 + 2 c_slope h)).
        np.subtract(h, start, out=rise)
        np.multiply(c_slope, rise, out=capacity)
        np.add(capacity, c_squared, out=capacity)
        np.sqrt(capacity, out=capacity)
        np.add(c, capacity, out=work)
        np.add(rise, rise, out=rise)
        np.divide(rise, work, out=rise)
        np.multiply(k_slope, rise, out=work)
        np.add(k, work, out=into.slope)
        np.multiply(into.slope, rise, out=into.theta)
        np.add(into.theta, theta, out=into.theta)
        np.add(into.slope, work, out=into.slope)
        np.divide(into.slope, capacity, out=into.slope)
        np.add(rise, t, out=rise)
        return into

    def _look_up(self, h: Array) -> None:
        here, left = self._here, self._below
        np.less(h, here[0], out=left)
        np.greater_equal(h, here[1], out=self._above)
        np.logical_or(left, self._above, out=left)
        if left.any():
            at = np.flatnonzero(left)
            column = at % self._of.batch
            segment = np.count_nonzero(h.ravel()[at] >= self._of.knot_h[:, column], axis=0)
            here.reshape(len(here), -1)[:, at] = self._table[:, segment * self._of.batch + column]


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
