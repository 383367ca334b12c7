"""The wall that a bubble gives over a mold: by level, with an interval, the thinnest place, and the stretch there.

The bubble's own shape and thickness (`bubble`) are drawn over the mold's outline with sticking contact (`sticking`).
Only geometry enters: how thick the sheet gets does not depend on its temperature as long as that is even.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from thermal.bubble import Bubble, even_cap, sagged
from thermal.fields import InputError
from thermal.mold import Meridian, Mold, meridian
from thermal.sag import VALID_RATIO, equivalent_radius_m
from thermal.sticking import Laid, draw_over
from thermal.uncertainty import GAUGE_REL_STD

Array = NDArray[np.float64]

#: The mold stands this far above the platen on its pipe or a block, m (our choice; a mold that stands on the platen
#: itself is webbed and thinned at its foot).
STAND_M = 0.04
#: How well the bubble's drop is known when it is pulled, m (estimated).
DROP_STD_M = 0.006
#: Sheet that slides before it sticks evens the wall out: up to this share of the way to one thickness all over
#: (estimated; nylon over plaster lets hot sheet slide a little).
SLIP_MOST = 0.3
#: Departure of a real mold from a body of revolution and of a real sheet from one temperature: standard deviation of
#: the logarithm of the wall at a place (estimated).
LOCAL_STD = 0.08
#: A bubble that is hotter at its middle thins there: up to this share of the way from the film of one temperature to
#: the cap of one thickness (estimated).
EVEN_MOST = 0.5
DRAWS = 500
_SEED = 1
_DROPS = np.array([-2.0, 0.0, 2.0])


@dataclass(frozen=True)
class Pull:
    """How a bubble is pulled over a mold.

    Attributes:
        mold: what it is pulled over. opening_m: diameter, or two sides, of the free area in the frame, m.
        drop_m: of the bubble when it is pulled, m. gauge_m: of the sheet, m. stand_m: mold's foot above the platen, m.
    """

    mold: Mold
    opening_m: tuple[float, ...]
    drop_m: float
    gauge_m: float
    stand_m: float = STAND_M

    def __post_init__(self) -> None:
        across = self.mold.widest[1] / np.pi
        least = min(self.opening_m)
        if least <= across:
            raise InputError(
                f"opening {least * 1e3:.0f} mm: expected more than the mold's widest part, {across * 1e3:.0f} mm "
                "across; take a larger frame, or drape"
            )
        if not 0.0 <= self.ratio <= VALID_RATIO:
            raise InputError(
                f"drop {self.drop_m * 1e3:.0f} mm: expected 0 to {VALID_RATIO * self.sag_radius_m * 1e3:.0f} mm, "
                f"{VALID_RATIO:g} times the clamp radius, beyond which the sheet hangs as a sack; take a larger opening"
            )

    @property
    def sag_radius_m(self) -> float:
        """Radius of the circle that sags alike, m."""
        return equivalent_radius_m(self.opening_m)

    @property
    def ratio(self) -> float:
        """Drop over clamp radius."""
        return self.drop_m / self.sag_radius_m

    @property
    def ring_m(self) -> float:
        """Radius of the circle with the opening's area, m."""
        sides = self.opening_m
        return sides[0] / 2.0 if len(sides) == 1 else float(np.sqrt(sides[0] * sides[1] / np.pi))


@dataclass(frozen=True)
class Place:
    """The wall at one level: m, with the 5 and 95 % of what it may be."""

    level_m: float
    wall_m: float
    interval_m: tuple[float, float]


@dataclass(frozen=True)
class Wall:
    """The wall over the mold, tip to last level.

    Attributes:
        pull: what was asked. level_m, radius_m, wall_m: along the mold, (points,), m. interval_m: 5 and 95 %,
        (2, points). thinnest: the least wall with its interval, which is that of the least wall in each draw.
        mean_m: by area. folds_m2: sheet that finds no mold: webs and folds, m2. volume_error: share of the sheet's
        volume that the laid sheet lacks.
    """

    pull: Pull
    level_m: Array
    radius_m: Array
    wall_m: Array
    interval_m: Array
    thinnest: Place
    mean_m: float
    folds_m2: float
    volume_error: float

    @property
    def stretch(self) -> float:
        """Largest area stretch: gauge over the thinnest wall."""
        return self.pull.gauge_m / self.thinnest.wall_m

    def of_gauge(self, gauge_m: float) -> Wall:
        """The same pull with sheet of another gauge, m: everything is in proportion."""
        share = gauge_m / self.pull.gauge_m
        low, high = self.thinnest.interval_m
        return replace(
            self,
            pull=replace(self.pull, gauge_m=gauge_m),
            wall_m=self.wall_m * share,
            interval_m=self.interval_m * share,
            thinnest=Place(self.thinnest.level_m, self.thinnest.wall_m * share, (low * share, high * share)),
            mean_m=self.mean_m * share,
        )

    def at(self, level_m: float) -> Place:
        """The wall at a level, m."""
        low, high = (float(np.interp(level_m, self.level_m, edge)) for edge in self.interval_m)
        return Place(level_m, float(np.interp(level_m, self.level_m, self.wall_m)), (low, high))

    @property
    def places(self) -> tuple[Place, ...]:
        """The wall at the tip and at each level of the mold."""
        levels = self.pull.mold.level_m
        return tuple(self.at(level) for level in ((0.0, *levels) if levels[0] > 0.0 else levels))


def wall(pull: Pull) -> Wall:
    """Predict the wall of one pull.

    Raises:
        InputError: the opening is no wider than the mold, the drop beyond the bubble's reach (by `Pull`).
    """
    body = meridian(pull.mold)
    outline = _stood(body, pull)
    pieces = len(body.radius_m) - 1
    bubble = sagged(pull.ratio)
    laid = _lay(outline, pull, bubble)
    share = _thickness(laid, bubble, pull)[:pieces]
    middle = 0.5 * (body.level_m[1:] + body.level_m[:-1])
    draws = _draws(pull, outline, pieces, share, body.areas_m2)
    at = int(np.argmin(share))
    least = draws.min(axis=1)
    low, high = (float(x) for x in np.quantile(least, [0.05, 0.95]))
    gauge = pull.gauge_m
    return Wall(
        pull,
        middle,
        0.5 * (body.radius_m[1:] + body.radius_m[:-1]),
        share * gauge,
        np.quantile(draws, [0.05, 0.95], axis=0) * gauge,
        Place(float(middle[at]), float(share[at]) * gauge, (low * gauge, high * gauge)),
        float(np.average(share, weights=body.areas_m2)) * gauge,
        laid.spare_m2,
        _volume_error(laid, bubble, pull),
    )


def least_share(pull: Pull) -> float:
    """Thinnest wall over the mold divided by the gauge, without an interval: quick, to search with."""
    body = meridian(pull.mold)
    bubble = sagged(pull.ratio)
    laid = _lay(_stood(body, pull), pull, bubble)
    return float(_thickness(laid, bubble, pull)[: len(body.radius_m) - 1].min())


def _stood(body: Meridian, pull: Pull) -> Meridian:
    """The mold's outline, on down its stand to the platen and out to the ring."""
    foot, down = float(body.radius_m[-1]), float(body.level_m[-1]) + pull.stand_m
    spacing = float(np.hypot(*np.diff([body.radius_m[:2], body.level_m[:2]], axis=1).ravel()))
    stand = max(2, round(pull.stand_m / spacing)) if pull.stand_m > 0.0 else 1
    table = max(4, round((pull.ring_m - foot) / spacing))
    return Meridian(
        np.concatenate([body.radius_m, np.full(stand - 1, foot), np.linspace(foot, pull.ring_m, table + 1)]),
        np.concatenate([body.level_m, np.linspace(body.level_m[-1], down, stand + 1)[1:], np.full(table, down)]),
    )


def _lay(outline: Meridian, pull: Pull, bubble: Bubble, thickens: bool = True) -> Laid:
    return draw_over(outline, float(bubble.area[-1]) * pull.ring_m**2, thickens)


def _thickness(laid: Laid, bubble: Bubble, pull: Pull) -> Array:
    """Thickness over gauge of each piece: the volume of the material it took over its own area."""
    scale = pull.ring_m**2
    start, end = (np.interp(at / scale, bubble.area, bubble.volume) for at in (laid.start_m2, laid.end_m2))
    result: Array = (end - start) * scale / laid.outline.areas_m2
    return result


def _volume_error(laid: Laid, bubble: Bubble, pull: Pull) -> float:
    """Laid and folded volume against that of the flat sheet, relative."""
    flat = np.pi * pull.ring_m**2
    start, end = (np.interp(at / pull.ring_m**2, bubble.area, bubble.volume) for at in (laid.start_m2, laid.end_m2))
    folded = float(np.sum(start[1:] - end[:-1])) * pull.ring_m**2
    on_outline = float(np.sum(_thickness(laid, bubble, pull) * laid.outline.areas_m2))
    return abs(on_outline + folded - flat) / flat


def _draws(pull: Pull, outline: Meridian, pieces: int, nominal: Array, areas: Array) -> Array:
    """Thickness over stated gauge in draws of what is uncertain, (draws, pieces)."""
    radius, largest = pull.sag_radius_m, VALID_RATIO
    ratios = np.clip((pull.drop_m + DROP_STD_M * _DROPS) / radius, 0.0, largest)
    by_kind = []  # sagged thickening, sagged folding, even thickening: (kinds, drops, pieces)
    for shape, thickens in ((sagged, True), (sagged, False), (even_cap, True)):
        bubbles = [shape(float(ratio)) for ratio in ratios]
        laid = [_lay(outline, pull, one, thickens) for one in bubbles]
        by_kind.append([_thickness(*pair, pull)[:pieces] for pair in zip(laid, bubbles, strict=True)])
    by_drop = np.array(by_kind)
    random = np.random.default_rng(_SEED)
    at = np.clip(random.standard_normal(DRAWS), _DROPS[0], _DROPS[-1])
    below = np.clip(np.searchsorted(_DROPS, at, "right") - 1, 0, len(_DROPS) - 2)
    part = ((at - _DROPS[below]) / np.diff(_DROPS)[below])[:, None]
    kinds = (1.0 - part) * by_drop[:, below] + part * by_drop[:, below + 1]
    folding = random.uniform(0.0, 1.0, DRAWS)[:, None]
    even = random.uniform(0.0, EVEN_MOST, DRAWS)[:, None]
    found = kinds[0] + folding * (kinds[1] - kinds[0]) + even * (kinds[2] - kinds[0])
    slip = random.uniform(0.0, SLIP_MOST, DRAWS)[:, None]
    found = (1.0 - slip) * found + slip * np.average(found, axis=1, weights=areas)[:, None]
    scale = np.exp(GAUGE_REL_STD * random.standard_normal(DRAWS) + LOCAL_STD * random.standard_normal(DRAWS))
    result: Array = found * scale[:, None]
    return result
