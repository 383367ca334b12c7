"""When a batch of sheets first passes thresholds of temperature or drop, found while the heating is solved.

Only the step in which a threshold is passed is kept; inside it the profile follows a cubic in time.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from thermal.conduction import TOLERANCE_K, Moment, march
from thermal.grid import INTERVALS, Rates, coldest_c, hermite, natural_order
from thermal.polymer import Dose
from thermal.slab import Slab

Array = NDArray[np.float64]
Place = Literal["coldest", "upper", "lower", "drop", "dose"]

#: Columns solved together: fewer cost more calls a column, more leave the cache (docs/numerics.md).
CHUNK = 2048
_ROOT_STEPS = 6
#: How far past a step's end, in steps, a place between nodes is looked for.
_BEYOND = 1.5


@dataclass(frozen=True)
class Threshold:
    """A value to be passed on the way up.

    Attributes:
        place: 'coldest' point or 'upper' or 'lower' face, °C; 'drop' over clamp radius; 'dose' of the hotter face, s.
        value: (batch,); infinity is never passed.
        needed: minimum that opens the window (True) or maximum that closes it (False).
        dose: law of a 'dose'.
    """

    place: Place
    value: Array
    needed: bool
    dose: Dose | None = None


class _DoseMeter:
    """Time at temperature of the hotter face, as seconds at the dose's reference temperature."""

    def __init__(self, slab: Slab, dose: Dose) -> None:
        self._law = dose
        self.dose_s, self._rate, self._time = (np.zeros(slab.batch) for _ in range(3))

    def read(self, moment: Moment) -> tuple[Array, Array]:
        """(dose before, dose now) of the moment's columns, s; the rate is exponential in time within a step."""
        columns = moment.columns
        hotter = np.maximum(moment.inward_c[0], moment.inward_c[1])
        rate, rate_before = self._law.rate(hotter), self._rate[columns]
        ratio = rate / np.where(rate_before > 0, rate_before, rate)
        even = np.abs(ratio - 1.0) < 1e-6
        mean = np.where(even, rate, (rate - rate / ratio) / np.log(np.where(even, 2.0, ratio)))
        before = self.dose_s[columns]
        self.dose_s[columns] = before + mean * (moment.time_s - self._time[columns])
        self._rate[columns], self._time[columns] = rate, moment.time_s
        return before, self.dose_s[columns]


class _Crossings:
    """Observer that keeps each threshold's step; done with a column when all minima, and one maximum where there are
    any, are passed.
    """

    def __init__(self, slab: Slab, thresholds: Sequence[Threshold], intervals: int) -> None:
        self.slab, self.thresholds, self.rates = slab, thresholds, Rates(intervals)
        batch = slab.batch
        self.time = np.full((len(thresholds), batch), np.nan)
        self._natural = natural_order(intervals)
        self._waiting = np.ones((len(thresholds), batch), np.bool_)
        self._limit = [t.value if t.place in ("drop", "dose") else slab.material.enthalpy(t.value) for t in thresholds]
        self._meters = {i: _DoseMeter(slab, t.dose) for i, t in enumerate(thresholds) if t.dose is not None}
        self._brackets: list[tuple[int, NDArray[np.intp], Array, Array, Array, Array, Array, Array]] = []
        self._previous: Moment | None = None

    def see(self, moment: Moment) -> NDArray[np.bool_] | None:
        previous, self._previous = self._previous, moment
        if previous is not None and len(previous.columns) != len(moment.columns):
            return None  # finished columns were dropped; nothing has moved
        news = False
        for i, threshold in enumerate(self.thresholds):
            before, now = (
                self._meters[i].read(moment) if i in self._meters else _signal(previous, moment, threshold.place)
            )
            passed = now >= self._limit[i][moment.columns]
            passed &= self._waiting[i, moment.columns]
            if passed.any():
                news = True
                at = np.flatnonzero(passed)
                self._keep(i, at, previous, moment)
                if before is not None:
                    self._interpolate(i, at, before[at], now[at], previous, moment)
        if not news:
            return None
        needed = np.array([t.needed for t in self.thresholds])
        waiting = self._waiting[:, moment.columns]
        done: NDArray[np.bool_] = ~waiting[needed].any(axis=0)
        if not needed.all():
            done &= ~waiting[~needed].all(axis=0)
        return done

    def _keep(self, i: int, passed: NDArray[np.intp], previous: Moment | None, moment: Moment) -> None:
        columns = moment.columns[passed]
        self._waiting[i, columns] = False
        self.time[i, columns] = moment.time_s[passed]
        if previous is None or self.thresholds[i].place in ("drop", "dose"):
            return
        t0, t1 = previous.time_s[passed], moment.time_s[passed]
        self._brackets.append(
            (
                i,
                columns,
                t0,
                t1,
                previous.inward_h[:, passed],
                moment.inward_h[:, passed],
                previous.inward_inflow[:, passed],
                moment.inward_inflow[:, passed],
            )
        )

    def _interpolate(
        self, i: int, at: NDArray[np.intp], low: Array, high: Array, previous: Moment | None, moment: Moment
    ) -> None:
        """Straight line in a step of a drop or a dose, whose steps are short enough for it."""
        if previous is None:
            return
        columns = moment.columns[at]
        t0, t1 = previous.time_s[at], moment.time_s[at]
        part = (self._limit[i][columns] - low) / np.where(high > low, high - low, 1.0)
        self.time[i, columns] = t0 + np.clip(part, 0.0, 1.0) * (t1 - t0)

    def refine(self) -> Array:
        """Times of passing, s, (thresholds, batch), NaN where never."""
        for i in range(len(self.thresholds)):
            mine = [b[1:] for b in self._brackets if b[0] == i]
            if mine:
                columns, t0, t1, h0, h1, f0, f1 = (np.concatenate(part, axis=-1) for part in zip(*mine, strict=True))
                self.time[i, columns] = self._root(i, columns, t0, t1, h0, h1, f0, f1)
        return self.time

    def _root(
        self,
        i: int,
        columns: NDArray[np.intp],
        t0: Array,
        t1: Array,
        h0: Array,
        h1: Array,
        f0: Array,
        f1: Array,
    ) -> Array:
        """Illinois false position on the place's temperature; (columns,)."""
        place, limit = self.thresholds[i].place, self.thresholds[i].value[columns]
        material, mass = self.slab.material.columns(columns), self.slab.mass_kg_m2[columns]
        h0, h1, f0, f1 = (a[self._natural] for a in (h0, h1, f0, f1))
        rate0, rate1 = self.rates(f0, mass), self.rates(f1, mass)
        rows = _rows(place, h1)
        h0, h1, rate0, rate1 = (np.take_along_axis(a, rows, axis=0) for a in (h0, h1, rate0, rate1))
        step = t1 - t0

        def excess(part: Array) -> Array:
            profile = material.temperature(hermite(part, step, h0, h1, rate0, rate1))
            value: Array = coldest_c(profile) if place == "coldest" else profile[0]
            return value - limit

        low, high = np.zeros_like(step), np.ones_like(step)
        at_low, at_high = excess(low), excess(high)
        if np.any(at_high < 0):
            # The coldest point may lie between nodes and below them: passed a little after the nodes were.
            high = np.where(at_high < 0, _BEYOND, 1.0)
            at_high = excess(high)
        part = high
        for _ in range(_ROOT_STEPS):
            part = low - at_low * (high - low) / np.where(at_high > at_low, at_high - at_low, 1.0)
            part = np.clip(part, low, high)
            now = excess(part)
            above = now >= 0
            # The end that stays is halved in weight, or one end would never move.
            at_low = np.where(above, 0.5 * at_low, now)
            at_high = np.where(above, now, 0.5 * at_high)
            low, high = np.where(above, low, part), np.where(above, part, high)
        result: Array = t0 + np.where(step > 0, part, 0.0) * step
        return result


def _signal(previous: Moment | None, moment: Moment, place: Place) -> tuple[Array | None, Array]:
    """What is compared with the threshold while marching: (before, now); before only where a straight line between
    the two serves. Enthalpy rises with temperature, so it stands for it.
    """
    if place == "drop":
        return None if previous is None else previous.drop_ratio, moment.drop_ratio
    h = moment.inward_h
    return None, np.minimum.reduce(h, axis=0) if place == "coldest" else h[int(place == "lower")]


def _rows(place: Place, h: Array) -> NDArray[np.intp]:
    """Nodes that decide about a place, (1 or 3, columns)."""
    if place == "coldest":
        middle = np.clip(np.argmin(h, axis=0), 1, len(h) - 2)
        return np.stack([middle - 1, middle, middle + 1])
    return np.full((1, h.shape[1]), 0 if place == "upper" else len(h) - 1)


def in_chunks(slab: Slab, work: Callable[[Slab, NDArray[np.intp]], Array]) -> Array:
    """Run `work(part, its columns)` on parts of the batch and join the results along the last axis."""
    parts = np.array_split(np.arange(slab.batch), max(1, -(-slab.batch // CHUNK)))
    if len(parts) == 1:
        return work(slab, parts[0])
    return np.concatenate([work(slab.columns(part), part) for part in parts], axis=-1)


def first_times(
    slab: Slab,
    thresholds: Sequence[Threshold],
    until_s: float,
    intervals: int = INTERVALS,
    tolerance_k: float = TOLERANCE_K,
) -> Array:
    """When each threshold is first passed, s, (thresholds, batch); NaN where not before `until_s`, or not before all
    minima, and one maximum where there are any, of a column were (it is then no longer followed).
    """

    def work(part: Slab, columns: NDArray[np.intp]) -> Array:
        mine = [replace(t, value=t.value[columns]) for t in thresholds]
        crossings = _Crossings(part, mine, intervals)
        march(part, until_s, crossings, intervals, tolerance_k)
        return crossings.refine()

    return in_chunks(slab, work)
