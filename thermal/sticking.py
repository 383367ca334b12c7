"""Sheet drawn onto a body of revolution with sticking contact: what has touched stretches no further.

The free sheet between two places that it touches stretches evenly over its area, so its material only has to be shared
out: while its area grows by dA_free and the mold takes dA_mold, its stretch grows by (dA_free + dA_mold)/A_free. That
is the volume balance of J.G. Williams, J. Strain Analysis 5 (1970) 49 (recalled), also in R.J. Crawford, Plastics
Engineering, 3rd ed. 1998, sec. 4.4.1, here for any outline and for a sheet that is unevenly thick from the start. Each
piece of outline takes a definite piece of the sheet, so that volume is conserved to rounding.

The free sheet is a straight cone as long as only the frame pulls it, and then, under vacuum, an arc (of a sphere over
the axis) that bends more and more. An arc of radius R touches the outline where a ball of that radius that rolls along
it touches: at points P whose tangent ball meets no other point Q, R <= |PQ|2/(2 n.PQ), n the normal at P.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from thermal.mold import Meridian

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Laid:
    """A sheet on its outline.

    Attributes:
        outline: mold, and what the sheet lies on beyond it. stretch: area of each piece of outline over that of the
        material it took, (points - 1,). start_m2, end_m2: area of the material from the first point to where each
        piece begins and ends, (points - 1,); what lies between two pieces found no outline: folds.
    """

    outline: Meridian
    stretch: Array
    start_m2: Array
    end_m2: Array

    @property
    def taken_m2(self) -> float:
        """Material that the outline took, m2."""
        return float(np.sum(self.end_m2 - self.start_m2))

    @property
    def spare_m2(self) -> float:
        """Material in folds, m2."""
        return max(0.0, float(np.sum(self.start_m2[1:] - self.end_m2[:-1])))


class _Sheet:
    """What is being laid: by piece its stretch and the folds beside it."""

    def __init__(self, outline: Meridian, thickens: bool) -> None:
        self.outline, self.thickens = outline, thickens
        self.areas = outline.areas_m2
        self.stretch = np.ones_like(self.areas)
        self.folds = np.zeros_like(self.areas)

    def lay(self, piece: int, stretch: float) -> float:
        """One piece of outline takes material at a stretch; returns how much, m2."""
        self.stretch[piece] = stretch
        return float(self.areas[piece]) / stretch

    def floor(self, stretch: float) -> float:
        """The stretch that sheet stretched so far cannot lose again: none, where it thickens."""
        return 1.0 if self.thickens else max(1.0, stretch)

    def laid(self) -> Laid:
        """All of it, once nothing is free."""
        taken = self.areas / self.stretch
        end = np.cumsum(taken + self.folds) - self.folds
        return Laid(self.outline, self.stretch, end - taken, end)


def draw_over(outline: Meridian, material_m2: float, thickens: bool = True) -> Laid:
    """Draw a sheet held in a ring over a body that stands up into it, then draw the rest on by vacuum.

    Args:
        outline: from the tip of the body, on the axis, along it and along what it stands on out to the ring, the last
            point. material_m2: area of the sheet (of the bubble) inside the ring, m2. Stretch counts from there; a
            bubble with more area than the body needs lies down unstretched first.
        thickens: what sheet does whose area shrinks as the vacuum draws it inward: it thickens again as far as it had
            been stretched, or (False) it keeps its stretch and gathers in folds.
    """
    sheet = _Sheet(outline, thickens)
    hull = _hull(outline)
    r, z = outline.radius_m, outline.level_m
    last = len(r) - 1
    spans, left, stretch = [], material_m2, 1.0
    if hull[0] > 0:  # a hollow tip: bridged at first, flat over the axis
        disc = float(np.pi * r[hull[0]] ** 2)
        stretch = max(1.0, np.pi * float(r[last]) ** 2 / left)
        spans.append(Span(0, int(hull[0]), disc / stretch, True, floor=sheet.floor(stretch)))
        left -= disc / stretch
    for i, j in pairwise(hull):
        if j == last:
            break
        # The ring comes down until the sheet lies along this edge of the hull.
        slope = (z[j] - z[i]) / (r[j] - r[i])
        stretch = max(1.0, _cone(r[i], z[i], r[last], z[i] + slope * (r[last] - r[i])) / left)
        if j == i + 1:
            left -= sheet.lay(i, stretch)
        else:
            bridge = _cone(r[i], z[i], r[j], z[j]) / stretch
            spans.append(Span(int(i), int(j), bridge, False, floor=sheet.floor(stretch)))
            left -= bridge
    foot = int(hull[-2])
    stretch = _cone(r[foot], z[foot], r[last], z[last]) / left
    spans.append(Span(foot, last, left, False, floor=sheet.floor(stretch)))
    _draw_in(sheet, spans, hull[0] > 0)
    return sheet.laid()


def draw_into(outline: Meridian, material_m2: float) -> Laid:
    """Draw a sheet held at the last point of an outline, its rim, into the hollow whose bottom is the first point."""
    sheet = _Sheet(outline, True)
    _draw_in(sheet, [Span(0, len(outline.radius_m) - 1, material_m2, True)], True)
    return sheet.laid()


@dataclass
class Span:
    """Free sheet between two points that it touches, or over the axis (`over_axis`) within its second one; `ball` is
    the radius of its arc, `floor` the stretch that it cannot lose.
    """

    i: int
    j: int
    material: float
    over_axis: bool
    ball: float = np.inf
    floor: float = 1.0


def _hull(outline: Meridian) -> NDArray[np.intp]:
    """Points that a tight sheet touches as the ring comes down, tip and ring included: the convex outside."""
    r, z = outline.radius_m, outline.level_m
    top = int(np.argmin(z))
    kept: list[int] = [] if top else [0]
    for k in range(top, len(r)) if top else range(1, len(r)):
        while len(kept) > 1:
            i, j = kept[-2], kept[-1]
            # Steeper and steeper downward: the middle point stays only where the outline turns down at it.
            if (r[j] - r[i]) * (z[k] - z[j]) - (z[j] - z[i]) * (r[k] - r[j]) > 0.0:
                break
            kept.pop()
        kept.append(k)
    return np.array(kept)


def _cone(r1: float, z1: float, r2: float, z2: float) -> float:
    return float(np.pi * (r1 + r2) * np.hypot(r2 - r1, z2 - z1))


def _draw_in(sheet: _Sheet, spans: list[Span], axial: bool) -> None:
    """Draw free spans onto the outline by vacuum, each with its material, until nothing is free."""
    radius = touch_radii(sheet.outline, axial)
    waiting = list(spans)
    while waiting:
        waiting += _draw_span(sheet, radius, waiting.pop())


def _draw_span(sheet: _Sheet, radius: Array, span: Span) -> list[Span]:
    """Shrink one span from its ends; where it touches in the middle it becomes two, which are returned."""
    while span.j - span.i > 1:
        inner = radius[span.i + 1 : span.j]
        ball = float(inner.max())
        alike = ball * (1.0 - _ALIKE)
        if inner[-1] >= alike:
            _shrink(sheet, span, ball, float(radius[span.j]), inner=False)
        elif inner[0] >= alike:
            span.over_axis = False  # the bottom is touched: what stays free is a ring
            _shrink(sheet, span, ball, float(radius[span.i]), inner=True)
        else:
            return _split(sheet.outline, span, span.i + 1 + int(np.argmax(inner)), ball)
    _close(sheet, span)
    return []


def _shrink(sheet: _Sheet, span: Span, ball: float, ball_at_end: float, inner: bool) -> None:
    """Lay the piece beside one end while the arc bends to `ball`: dm = -m dA/A_free for the free material m."""
    # The arc begins to leave its end when it is tangent there; at a corner, which has no tangent, at once.
    before = arc_area(sheet.outline, span, min(span.ball, max(ball_at_end, ball)))
    piece = span.i if inner else span.j - 1
    span.ball = ball
    span.i, span.j = (span.i + 1, span.j) if inner else (span.i, span.j - 1)
    after = arc_area(sheet.outline, span, ball)
    laid = float(sheet.areas[piece])
    span.floor = max(span.floor, sheet.floor(before / span.material))
    # Slack sheet keeps the stretch it has: that is whenever the balance would take more material than that.
    balance = span.material * float(np.exp(-laid / _log_mean(before, after)))
    left = max(balance, span.material - laid / span.floor)
    sheet.stretch[piece] = laid / (span.material - left)
    span.material = left


def _log_mean(a: float, b: float) -> float:
    """Mean that makes the integral of 1/A exact where A runs evenly from a to b."""
    return (a - b) / float(np.log(a / b)) if abs(a - b) > 1e-6 * a else 0.5 * (a + b)


#: Places whose touching balls differ by less than this share touch at once; the one beside the contact goes first.
_ALIKE = 1e-6


def _split(outline: Meridian, span: Span, k: int, ball: float) -> list[Span]:
    halves = [
        Span(span.i, k, 0.0, span.over_axis, ball, span.floor),
        Span(k, span.j, 0.0, False, ball, span.floor),
    ]
    areas = [arc_area(outline, half, ball) for half in halves]
    for half, area in zip(halves, areas, strict=True):
        half.material = span.material * area / sum(areas)
    return halves


def _close(sheet: _Sheet, span: Span) -> None:
    """Lay the last piece with what is left for it."""
    area = float(sheet.areas[span.i])
    stretch = max(span.floor, area / span.material)
    sheet.folds[span.i] = max(0.0, span.material - sheet.lay(span.i, stretch))


def touch_radii(outline: Meridian, axial: bool) -> Array:
    """Radius of the largest ball that touches each point from outside and meets no other, m, (points,).

    Args:
        axial: the free sheet reaches over the axis, so that the far side of the outline counts too.
    """
    r, z = outline.radius_m, outline.level_m
    r_all, z_all = (np.concatenate([r, -r]), np.concatenate([z, z])) if axial else (r, z)
    along = np.gradient(np.stack([r, z]), axis=1)
    along /= np.hypot(*along)
    normal = np.stack([along[1], -along[0]])  # up and outward for an outline that runs outward and down
    d_r, d_z = r_all[None, :] - r[:, None], z_all[None, :] - z[:, None]
    ahead = normal[0][:, None] * d_r + normal[1][:, None] * d_z
    square = d_r * d_r + d_z * d_z
    near = square <= (1e-12 * np.ptp(z)) ** 2
    with np.errstate(divide="ignore", invalid="ignore"):
        ball = np.where((ahead > 0.0) & ~near, square / (2.0 * ahead), np.inf)
    result: Array = ball.min(axis=1)
    return result


def arc_area(outline: Meridian, span: Span, ball: float) -> float:
    """Area of a span's free sheet of curvature radius `ball`, m2."""
    r, z = outline.radius_m, outline.level_m
    i, j = span.i, span.j
    if span.over_axis:
        if not np.isfinite(ball):
            return float(np.pi * r[j] ** 2)
        sphere = max(ball, float(r[j]))
        return float(2.0 * np.pi * sphere * (sphere - np.sqrt(sphere * sphere - r[j] * r[j])))
    chord = float(np.hypot(r[j] - r[i], z[j] - z[i]))
    if not np.isfinite(ball) or ball > 1e4 * chord:
        return _cone(r[i], z[i], r[j], z[j])
    half = float(np.arcsin(min(1.0, 0.5 * chord / ball)))
    # Pappus: the arc's length times the way of its centroid, which lies off the chord, towards the outline.
    off = ball * (np.sin(half) / half - np.cos(half))
    centroid = 0.5 * (r[i] + r[j]) - (z[j] - z[i]) / chord * off
    return float(2.0 * np.pi * max(centroid, 0.0) * 2.0 * half * ball)
