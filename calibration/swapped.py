"""Channels that are swapped in some of the heats, looked for in all heats together: a fit of them all may average two
swapped faces into an oven that fits each heat well enough.

Exchanging two channels changes readings, not the model. About a fit the model is taken as straight; then the cost of
any set of exchanges S, all unknowns at their best, needs no sheet to be heated:

    cost(S) = c + sum d_i - (g + sum e_i)' I^-1 (g + sum e_i)

with the sum of squares c, gradient g and information I of readings and priors, and what an exchange adds to the first
two. What wins so is then fitted in earnest.

An oven does not say which of its faces is the upper one, and neither do two heats of which one has its faces swapped:
the set of the other heats would serve as well. Fewer mistakes are then believed, where the sets differ in that.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from calibration import nonlinear
from calibration.heat_model import HeatModel, Seen
from calibration.oven_fit import OvenFit
from calibration.run import Run, Series
from calibration.sensing import WANDER_K
from calibration.single_heat import MOST, ROUGH, ROUGH_K, determinants
from calibration.unknowns import priors
from thermal.oven import OvenCard

Array = NDArray[np.float64]

#: An explanation must lower the misfit by so much (twice a log-likelihood) to be named, and be so much better than
#: another one: even odds of 20 for 6. Of 250 sound thermocouples one is swapped (as the review takes it, estimated):
#: that asks for 2 ln 250 = 11 of each exchange; the rest is for what model and noise do not know of a real oven.
CLEAR, BETTER = 25.0, 6.0
#: Sensors within this share of the gauge read so nearly the same that nothing tells them apart.
_NEAR = 0.2
#: Keeps an unknown that nothing determines from making the information singular.
_RIDGE = 1e-6


@dataclass(frozen=True)
class Exchange:
    """Two channels of a heat, by its number, that would change places."""

    run: int
    columns: tuple[str, str]
    faces: bool


@dataclass(frozen=True)
class Swaps:
    """Exchanges that the heats ask for; instead: others that would serve as well, empty where none would."""

    found: tuple[Exchange, ...]
    instead: tuple[Exchange, ...]


def pairs(run: Run) -> Iterator[tuple[Series, Series]]:
    """Sensors of a heat that can be told apart."""
    for first, second in combinations(run.series, 2):
        if first.place != second.place or abs(first.depth - second.depth) > _NEAR:
            yield first, second


def exchanged(run: Run, columns: tuple[str, str]) -> Run:
    """The heat with the readings of two channels in each other's place."""
    first, second = (next(one for one in run.series if one.column == column) for column in columns)
    others = {first.column: second, second.column: first}
    series = tuple(
        replace(s, time_s=o.time_s, values=o.values, noise_k=o.noise_k) if (o := others.get(s.column)) else s
        for s in run.series
    )
    return replace(run, series=series)


def found_swaps(of: OvenFit, prior: OvenCard | None = None) -> Swaps | None:
    """Channels that are swapped, from a fit of all heats; None where no exchange explains them clearly better.

    Args:
        prior: as it was fitted with.
    """
    straight = Straight(of, prior)
    best = straight.best()
    if not best:
        return None
    other = straight.other(best)
    none, cost = straight.earnest(()), straight.earnest(best)
    if none - cost < CLEAR * len(best):
        return None
    apart = straight.earnest(other) + CLEAR * len(other) - cost - CLEAR * len(best) if other else np.inf
    first, second = (best, other) if apart > -BETTER else (other, best)
    return Swaps(straight.named(first), straight.named(second) if abs(apart) <= BETTER else ())


class Straight:
    """Heats about their fit, the model taken as straight, and all exchanges that may be tried; a set of them is a
    tuple of their numbers, at most one for a heat.
    """

    def __init__(self, of: OvenFit, prior: OvenCard | None) -> None:
        self._of = of
        self._before = priors(of.layout, of.settings, prior)
        # The wander that was found where it is larger than usual: else it would make evidence of what it explains.
        self._wander_k = {place: max(usual, of.wander_k.get(place, usual)) for place, usual in WANDER_K.items()}
        fitted = HeatModel(of.runs, of.layout, of.wander_k)
        roots = [one.root for one in HeatModel(of.runs, of.layout, self._wander_k).seen]
        parts = [
            (seen, root, root @ off, root @ slope)
            for (seen, off, slope), root in zip(
                fitted.unwhitened(of.solution.residuals, of.solution.jacobian), roots, strict=True
            )
        ]
        root = self._before.root
        self._gradient = root.T @ (root @ (of.solution.x - self._before.centre)) + sum(s.T @ r for _, _, r, s in parts)
        information = root.T @ root + sum(s.T @ s for _, _, _, s in parts) + _RIDGE * np.eye(len(self._gradient))
        self._inverse = np.linalg.inv(information)
        self._all = [
            Exchange(number, (first.column, second.column), {first.place, second.place} == {"upper", "lower"})
            for number, run in enumerate(of.runs)
            for first, second in pairs(run)
        ]
        self._adds = [_added(one, parts) for one in self._all]

    def cost(self, chosen: tuple[int, ...]) -> float:
        """Of a set, with `CLEAR` for each exchange, less that of none."""
        gradient = self._gradient + sum(self._adds[i][1] for i in chosen)
        gained = gradient @ self._inverse @ gradient - self._gradient @ self._inverse @ self._gradient
        return sum(self._adds[i][0] for i in chosen) - float(gained) + CLEAR * len(chosen)

    def best(self) -> tuple[int, ...]:
        """The set of least cost, as far as adding one exchange after the other finds it."""
        chosen: tuple[int, ...] = ()
        while True:
            taken = {self._all[i].run for i in chosen}
            sets = [(*chosen, i) for i, one in enumerate(self._all) if one.run not in taken]
            better = min(sets, key=self.cost, default=chosen)
            if self.cost(better) >= self.cost(chosen):
                return chosen
            chosen = better

    def other(self, chosen: tuple[int, ...]) -> tuple[int, ...]:
        """The set that has the faces swapped in the other heats, without those where it makes no difference; empty:
        there is none.
        """
        taken = {self._all[i].run for i in chosen}
        if not any(self._all[i].faces for i in chosen):
            return ()
        kept = tuple(i for i in chosen if not self._all[i].faces)
        kept += tuple(i for i, one in enumerate(self._all) if one.faces and one.run not in taken)
        while len(kept) > 1:
            fewer = min((tuple(i for i in kept if i != left) for left in kept), key=self.cost)
            if self.cost(fewer) >= self.cost(kept):
                break
            kept = fewer
        return kept

    def earnest(self, chosen: tuple[int, ...]) -> float:
        """Twice the negative log-likelihood of the heats with a set exchanged, fitted from where the straight model
        has its best.
        """
        runs = list(self._of.runs)
        for i in chosen:
            runs[self._all[i].run] = exchanged(runs[self._all[i].run], self._all[i].columns)
        model = HeatModel(runs, self._of.layout, self._wander_k, tolerance_k=ROUGH_K)
        low, high = self._of.layout.bounds()
        step = self._inverse @ (self._gradient + sum(self._adds[i][1] for i in chosen))
        start = np.clip(self._of.solution.x - step, low, high)
        found = nonlinear.solve(model, start[:, None], self._before, low, high, tolerance=ROUGH, most=MOST)
        return found.cost + determinants(model)

    def named(self, chosen: tuple[int, ...]) -> tuple[Exchange, ...]:
        """The exchanges of a set in the order of the heats."""
        return tuple(sorted((self._all[i] for i in chosen), key=lambda one: one.run))


def _added(one: Exchange, parts: Sequence[tuple[Seen, Array, Array, Array]]) -> tuple[float, Array]:
    """What an exchange adds to the sum of squares and to its half gradient."""
    mine = [part for part in parts if part[0].run == one.run and part[0].series.column in one.columns]
    squares, gradient = 0.0, np.zeros(mine[0][3].shape[1])
    for (seen, root, off, slope), (other, _, _, _) in zip(mine, reversed(mine), strict=True):
        values = np.interp(seen.at.at_s, other.at.at_s, other.at.values, left=np.nan, right=np.nan)
        # Where the other one read nothing, nothing speaks against it.
        moved = off + root @ np.nan_to_num(seen.at.values - values)
        squares += float(moved @ moved - off @ off)
        gradient += slope.T @ (moved - off)
    return squares, gradient
