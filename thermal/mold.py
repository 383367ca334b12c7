"""A mold as the trade measures it: girths by level, made into a body of revolution.

Levels run from the distal end (0), where the sheet touches first, to the proximal end. A girth becomes the radius of
the circle with that girth: the mold is taken as axisymmetric, which is stated wherever a wall is shown.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from thermal.fields import InputError

Array = NDArray[np.float64]

#: Shape of the distal end between its tip and the first level that was measured.
Distal = Literal["round", "flat", "conical"]
DISTAL: tuple[Distal, ...] = ("round", "flat", "conical")
#: Points of the meridian that the wall is computed on.
POINTS = 160
_FINE = 2001


@dataclass(frozen=True)
class Mold:
    """A mold's girths.

    Attributes:
        level_m: distance from the distal tip along the axis, m, rising, none below 0. girth_m: circumference there, m.
        distal: the end between the tip and the first level; without meaning where the first level is 0.
    """

    level_m: tuple[float, ...]
    girth_m: tuple[float, ...]
    distal: Distal = "round"

    def __post_init__(self) -> None:
        levels, girths = self.level_m, self.girth_m
        if len(levels) != len(girths) or len(levels) < 2:
            raise InputError(
                f"mold: {len(levels)} levels and {len(girths)} girths: expected two or more levels with one girth each"
            )
        if not all(np.isfinite([*levels, *girths])) or min(girths) <= 0.0 or levels[0] < 0.0:
            raise InputError("mold: expected levels from 0 on and girths above 0")
        for before, after in pairwise(levels):
            if after <= before:
                raise InputError(
                    f"mold: level {after * 1e3:g} mm stands after level {before * 1e3:g} mm: expected levels that rise "
                    "from the distal end; put them in order"
                )

    @property
    def length_m(self) -> float:
        """From the distal tip to the last level, m."""
        return self.level_m[-1]

    @property
    def widest(self) -> tuple[float, float]:
        """Level and girth of the largest girth measured, m."""
        at = int(np.argmax(self.girth_m))
        return self.level_m[at], self.girth_m[at]

    def girth_at(self, level_m: Array | float) -> Array:
        """Girth at levels of any shape, m; beyond the last level that of the last."""
        curve = meridian(self, _FINE)
        # A flat end has several radii at level 0: the outermost counts.
        start = int(np.flatnonzero(curve.level_m == curve.level_m[0])[-1])
        result = 2.0 * np.pi * np.interp(level_m, curve.level_m[start:], curve.radius_m[start:])
        return np.asarray(result)


@dataclass(frozen=True)
class Meridian:
    """The outline of a body of revolution from the axis outward and down: radius and level, m, each (points,)."""

    radius_m: Array
    level_m: Array

    @property
    def areas_m2(self) -> Array:
        """Area of the surface between neighbouring points (cone frustums), m2, (points - 1,)."""
        return frustum_areas(self.radius_m, self.level_m)

    @property
    def volume_m3(self) -> float:
        """Volume enclosed down to the last level, m3 (cone frustums)."""
        r, z = self.radius_m, self.level_m
        return float(np.sum(np.pi / 3.0 * (r[1:] ** 2 + r[1:] * r[:-1] + r[:-1] ** 2) * np.diff(z)))


def frustum_areas(radius: Array, level: Array) -> Array:
    """Lateral areas of the cone frustums between neighbouring points of a meridian."""
    result: Array = np.pi * (radius[1:] + radius[:-1]) * np.hypot(np.diff(radius), np.diff(level))
    return result


def meridian(mold: Mold, points: int = POINTS) -> Meridian:
    """The mold's outline, points evenly spaced along it, from the tip to the last level.

    Between levels the radius (squared for a round end, so that it is round) is a monotone cubic that adds no waist or
    bulge that was not measured (F.N. Fritsch, R.E. Carlson, SIAM J. Numer. Anal. 17 (1980) 238).
    """
    from scipy.interpolate import PchipInterpolator

    level, radius = np.array(mold.level_m), np.array(mold.girth_m) / (2.0 * np.pi)
    tip = level[0] > 0.0
    if tip:
        level = np.concatenate([[0.0], level])
        radius = np.concatenate([[radius[0] if mold.distal == "flat" else 0.0], radius])
    power = 2.0 if tip and mold.distal == "round" else 1.0
    # Denser towards the tip, where a round end turns fast.
    at = level[-1] * np.linspace(0.0, 1.0, _FINE) ** 2
    found = np.maximum(PchipInterpolator(level, radius**power)(at), 0.0) ** (1.0 / power)
    if found[0] > 0.0:
        found, at = np.concatenate([[0.0], found]), np.concatenate([[0.0], at])
    return evenly(found, at, points)


def evenly(radius: Array, level: Array, points: int) -> Meridian:
    """A fine outline with points evenly spaced along it; its corners (a flat end's edge) stay points."""
    along = np.concatenate([[0.0], np.cumsum(np.hypot(np.diff(radius), np.diff(level)))])
    corners = _corners(radius, level)
    ends = np.concatenate([[0], corners, [len(along) - 1]])
    shares = np.maximum(1, np.round(np.diff(along[ends]) / along[-1] * (points - 1)).astype(int))
    places = [
        np.linspace(along[i], along[j], n, endpoint=False) for i, j, n in zip(ends, ends[1:], shares, strict=False)
    ]
    s = np.concatenate([*places, [along[-1]]])
    return Meridian(np.interp(s, along, radius), np.interp(s, along, level))


def _corners(radius: Array, level: Array) -> NDArray[np.intp]:
    """Inner points at which the outline turns by more than a sixth of a right angle."""
    heading = np.unwrap(np.arctan2(np.diff(level), np.diff(radius)))
    result: NDArray[np.intp] = np.flatnonzero(np.abs(np.diff(heading)) > np.pi / 12.0) + 1
    return result
