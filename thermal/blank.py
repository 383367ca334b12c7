"""The blank for draping: the mold's girths unrolled, with room for seam and overhang."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from thermal.mold import Mold, meridian

Array = NDArray[np.float64]

#: Allowances, m; common practice, no source: each edge of the seam, and sheet beyond the mold at either end.
SEAM_M = 0.030
OVERHANG_M = 0.040
#: Draped sheet is pulled tight by hand and vacuum: wall over gauge, 5 and 95 %, and in the middle (estimated).
DRAPED = (0.85, 0.94, 1.0)


@dataclass(frozen=True)
class Blank:
    """A cutting pattern, symmetric about its long middle line.

    Attributes:
        along_m: distance along the sheet from its distal edge, (points,). width_m: of the sheet there, (points,).
        level_m: levels of the mold whose girths these are; NaN at the overhangs. seam_m, overhang_m: as asked.
    """

    along_m: tuple[float, ...]
    width_m: tuple[float, ...]
    level_m: tuple[float, ...]
    seam_m: float
    overhang_m: float

    @property
    def length_m(self) -> float:
        """Length of the blank, m."""
        return self.along_m[-1]

    @property
    def breadth_m(self) -> float:
        """Largest width of the blank, m."""
        return max(self.width_m)

    @property
    def area_m2(self) -> float:
        """Area of the pattern, m2."""
        return float(np.trapezoid(self.width_m, self.along_m))


def draped_blank(mold: Mold, gauge_m: float, seam_m: float = SEAM_M, overhang_m: float = OVERHANG_M) -> Blank:
    """The pattern that wraps a mold once and meets in a seam along it.

    Widths are girths around the middle of the sheet, girth + pi gauge, and two seam allowances. Lengths run along the
    outline, not along the axis. Over the distal end the sheet keeps the width of the first level that is measured: it
    closes over the end and is pinched there.
    """
    outline = meridian(mold, 800)
    along = np.concatenate([[0.0], np.cumsum(np.hypot(np.diff(outline.radius_m), np.diff(outline.level_m)))])
    levels = np.array([level for level in mold.level_m if level > 0.0])
    start = int(np.flatnonzero(outline.level_m <= outline.level_m[0] + 1e-12)[-1])
    at = overhang_m + np.interp(levels, outline.level_m[start:], along[start:])
    width = np.interp(levels, mold.level_m, mold.girth_m) + np.pi * gauge_m + 2.0 * seam_m
    places = np.concatenate([[0.0], at, [at[-1] + overhang_m]])
    return Blank(
        tuple(places.tolist()),
        (float(width[0]), *width.tolist(), float(width[-1])),
        (float("nan"), *levels.tolist(), float("nan")),
        seam_m,
        overhang_m,
    )


def fits(width_m: float, depth_m: float, inside_m: tuple[float, float] | None) -> bool:
    """Whether a rectangle lies in another, either way round; anything fits where that is not known."""
    if inside_m is None:
        return True
    (a, b), (c, d) = sorted((width_m, depth_m)), sorted(inside_m)
    return a <= c and b <= d
