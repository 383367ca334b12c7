"""Control charts of single values: individuals with moving range, and exponentially weighted moving averages.

Shewhart's individuals chart as in ISO 7870-2, the EWMA chart as in ISO 7870-6. Values in, values out: what the points
stand for is the caller's business (`drift`).
"""

from __future__ import annotations

from dataclasses import dataclass
from math import inf, log, log1p, pi, sqrt

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]

#: Mean and standard deviation of the range of two normal values, in standard deviations: 2/sqrt(pi), sqrt(2 - 4/pi).
D2, D3 = 2.0 / sqrt(pi), sqrt(2.0 - 4.0 / pi)
#: Upper limit of moving ranges over their mean: 1 + 3 D3/D2, 3.267; the lower one is zero.
D4 = 1.0 + 3.0 * D3 / D2
#: Of the EWMA: a false alarm in 500 points on average, a shift of one standard deviation seen after about 10
#: (J.M. Lucas, M.S. Saccucci, Technometrics 32 (1990) 1-12).
WEIGHT, WIDTH = 0.2, 2.962
#: What a point is multiplied by when no double knows of it any more.
_FORGOTTEN = 1e-18
#: A base of fewer points sets no limits.
FEWEST = 6


@dataclass(frozen=True)
class Base:
    """What a process is when it is in control: mean and standard deviation of one point, and how many points it rests
    on; infinity where it is known.

    A mean of n points is itself uncertain by std/sqrt(n), and limits are wider by that. Without it a chart with a base
    of 20 points cries wolf after 120 points (median) instead of 650 (our simulation, 4000 series of normal values).
    """

    mean: float
    std: float
    points: float = inf


@dataclass(frozen=True)
class Chart:
    """Points with their limits, each (points,).

    Attributes:
        points. centre: one value. low, high: limits. beyond: points outside them.
    """

    points: Array
    centre: float
    low: Array
    high: Array
    beyond: Flags


def base_of(values: Array) -> Base | None:
    """Base from points in control, (n,), in order: mean, and mean moving range over D2, which a slow drift among them
    hardly widens; None for fewer than `FEWEST` points, or where they do not differ.
    """
    if len(values) < FEWEST:
        return None
    std = float(np.mean(np.abs(np.diff(values)))) / D2
    return Base(float(np.mean(values)), std, len(values)) if std > 0.0 else None


def individuals(values: Array, base: Base) -> Chart:
    """Each value against three standard deviations, and what the base's own mean leaves open."""
    wide = np.full(len(values), 3.0 * base.std * sqrt(1.0 + 1.0 / base.points))
    return _chart(values, base.mean, base.mean - wide, base.mean + wide)


def moving_ranges(values: Array, base: Base) -> Chart:
    """Differences of neighbours, (n - 1,), against D4 times their mean."""
    ranges = np.abs(np.diff(values))
    centre = D2 * base.std
    return _chart(ranges, centre, np.zeros(len(ranges)), np.full(len(ranges), D4 * centre))


def ewma(values: Array, base: Base, weight: float = WEIGHT, width: float = WIDTH, settled: bool = False) -> Chart:
    """Exponentially weighted moving averages z_i = weight x_i + (1 - weight) z_(i-1), from the base's mean, against

        mean ± width std sqrt(weight/(2 - weight) (1 - (1 - weight)^(2 i)) + 1/points)

    Args:
        settled: take the limits of many points from the first on.
    """
    averages = base.mean + _averages(values - base.mean, weight)
    filled = 1.0 if settled else 1.0 - (1.0 - weight) ** (2.0 * np.arange(1, len(values) + 1))
    open_mean = 1.0 / base.points
    wide = width * base.std * np.sqrt(weight / (2.0 - weight) * filled + open_mean) * np.ones(len(values))
    return _chart(averages, base.mean, base.mean - wide, base.mean + wide)


def _averages(off: Array, weight: float) -> Array:
    """Averages of departures, (n,), from zero: the recursion written out, as far back as a double can tell."""
    reach = 1 if weight >= 1.0 else int(log(_FORGOTTEN) / log1p(-weight)) + 1
    parts = weight * (1.0 - weight) ** np.arange(min(reach, max(len(off), 1)))
    found: Array = np.convolve(off, parts)[: len(off)] if len(off) else off
    return found


def _chart(points: Array, centre: float, low: Array, high: Array) -> Chart:
    return Chart(points, centre, low, high, (points < low) | (points > high))


@dataclass(frozen=True)
class Shift:
    """A lasting change: from which point on, and to where (difference of the means)."""

    first: int
    size: float


def shift(values: Array, base: Base) -> Shift:
    """Where a change most likely began, (n,), n > 0; whether there is one at all is for a chart to say.

    The point that maximises the likelihood of one step of the mean, the base being known: sum^2/n of all later
    departures (D.V. Hinkley, Biometrika 57 (1970) 1-17).
    """
    off = values - base.mean
    later = np.cumsum(off[::-1])[::-1]
    count = np.arange(len(values), 0, -1)
    first = int(np.argmax(later**2 / count))
    return Shift(first, float(later[first] / count[first]))
