"""Which way to form a sheet over a mold, and with which sheet, frame and drop.

Common practice, no source: draping suits sheet of 3 to 5 mm that sticks to itself, gives an even wall and needs neither
frame nor rack, vacuum is optional; a bubble suits thicker sheet of any kind and needs frame, rack, vacuum and room for
the drop; it is let drop to about two thirds of the socket's length.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from thermal.blank import DRAPED, Blank, draped_blank, fits
from thermal.fields import InputError
from thermal.mold import Mold
from thermal.notes import Note, length
from thermal.plan import LARGEST_DROP
from thermal.polymer import Polymer
from thermal.sag import VALID_RATIO, equivalent_radius_m
from thermal.wall import Pull, Wall, wall

Method = Literal["bubble", "drape"]

#: Common practice, no source (see above).
DRAPE_GAUGE_M = (0.003, 0.005)
DROP_OF_LENGTH = 2.0 / 3.0
#: Gauges that sheet is commonly sold in, m (common practice, no source).
GAUGES_M = (0.003, 0.004, 0.005, 0.006, 0.008, 0.010, 0.012, 0.015)
#: Openings that are tried where no frame is named, m: squares in steps (our choice).
_OPENINGS_M = tuple((side, side) for side in np.arange(0.20, 0.61, 0.05).round(3).tolist())
#: Sheet under the clamp of a frame, each side, m (estimated).
BORDER_M = 0.025
_ROUND = 1e-9


@dataclass(frozen=True)
class Equipment:
    """What a workshop has at hand; None where not known.

    Attributes:
        openings_m: free areas of its frames, each a diameter or two sides, m; empty: none named. border_m: sheet under
        the clamp, each side. rack_m: room below the frame in the oven. oven_m: width and depth of its inside.
        vacuum: whether there is a vacuum. gauges_m: of the sheets, m.
    """

    openings_m: tuple[tuple[float, ...], ...] = ()
    border_m: float = BORDER_M
    rack_m: float | None = None
    oven_m: tuple[float, float] | None = None
    vacuum: bool = True
    gauges_m: tuple[float, ...] = GAUGES_M


@dataclass(frozen=True)
class Bubble:
    """A sheet pulled as a bubble: frame, blank (two sides, m), drop and the room it wants, and the wall."""

    opening_m: tuple[float, ...]
    blank_m: tuple[float, float]
    gauge_m: float
    drop_m: float
    room_m: float
    wall: Wall


@dataclass(frozen=True)
class Drape:
    """A sheet draped: the pattern, and what its wall is likely to be, m (5 %, middle, 95 %)."""

    blank: Blank
    gauge_m: float
    wall_m: tuple[float, float, float]


@dataclass(frozen=True)
class Choice:
    """What to take.

    Attributes:
        method: None where neither can be done. reasons: for it. bubble, drape: each where it can be done.
        against: why a method cannot be done, by method; empty where it can.
    """

    polymer: Polymer
    mold: Mold
    wanted_m: float | None
    method: Method | None
    reasons: tuple[Note, ...]
    bubble: Bubble | None
    drape: Drape | None
    against: dict[Method, tuple[Note, ...]]
    equipment: Equipment


def choose(
    polymer: Polymer,
    mold: Mold,
    equipment: Equipment,
    wanted_m: float | None = None,
    gauge_m: float | None = None,
    method: Method | None = None,
    drop_m: float | None = None,
) -> Choice:
    """Choose method, gauge, frame and drop.

    Args:
        wanted_m: least wall wanted anywhere, m. gauge_m: the sheet that is to be taken, m; None: the thinnest that
        gives the wall. method: the one that is to be used; None: chosen. drop_m: of the bubble; None: two thirds of
        the mold's length, as far as opening and room allow.

    Raises:
        InputError: neither wall nor gauge.
    """
    if wanted_m is None and gauge_m is None:
        raise InputError("expected a wall that is wanted or a gauge that is to be taken: give one or both")
    bubble, no_bubble = _bubble(mold, equipment, wanted_m, gauge_m, drop_m)
    drape, no_drape = _drape(polymer, mold, equipment, wanted_m, gauge_m)
    picked: Method | None = method
    possible: dict[Method, bool] = {"bubble": bubble is not None, "drape": drape is not None}
    if picked is None:
        picked = "drape" if possible["drape"] else "bubble" if possible["bubble"] else None
    elif not possible[picked]:
        picked = None
    reasons = _reasons(picked, polymer, bubble, drape, method is not None)
    against: dict[Method, tuple[Note, ...]] = {"bubble": no_bubble, "drape": no_drape}
    return Choice(polymer, mold, wanted_m, picked, reasons, bubble, drape, against, equipment)


def _reasons(
    method: Method | None, polymer: Polymer, bubble: Bubble | None, drape: Drape | None, asked: bool
) -> tuple[Note, ...]:
    if method is None:
        return ()
    reasons = [Note("It was asked for")] if asked else []
    if method == "drape" and drape is not None:
        reasons += [
            Note("Sheet of {0} that sticks to itself is commonly draped", (length(drape.gauge_m),)),
            Note("A draped wall is even, and no frame, rack or room for a drop is needed"),
        ]
    if method == "bubble" and bubble is not None:
        if not polymer.sticks_to_itself:
            reasons.append(Note(f"{polymer.name} does not stick to itself: no seam can be made"))
        elif bubble.gauge_m > DRAPE_GAUGE_M[1] + _ROUND:
            reasons.append(Note("Sheet of {0} is too thick to drape", (length(bubble.gauge_m),)))
        reasons.append(Note("Frame, vacuum and room for the drop are there, and the part has no seam"))
    return tuple(reasons)


def _drape(
    polymer: Polymer, mold: Mold, equipment: Equipment, wanted_m: float | None, gauge_m: float | None
) -> tuple[Drape | None, tuple[Note, ...]]:
    low, high = DRAPE_GAUGE_M
    against = []
    if not polymer.sticks_to_itself:
        against.append(Note(f"{polymer.name} does not stick to itself: no seam can be made"))
    least = 0.0 if wanted_m is None else wanted_m / DRAPED[0]
    if gauge_m is None:
        enough = [g for g in sorted(equipment.gauges_m) if max(low, least) - _ROUND <= g <= high + _ROUND]
        gauge_m = enough[0] if enough else max(least, low)
    if not low - _ROUND <= gauge_m <= high + _ROUND:
        against.append(Note("Sheet of {0} or more is wanted: {1} to {2} is commonly draped",
                            (length(gauge_m), length(low), length(high))))  # fmt: skip
    elif gauge_m < least - _ROUND:
        against.append(Note("Sheet of {0} would be thinner than wanted", (length(gauge_m),)))
    blank = draped_blank(mold, gauge_m)
    if not fits(blank.length_m, blank.breadth_m, equipment.oven_m):
        against.append(
            Note("A blank of {0} by {1} does not lie in the oven", (length(blank.length_m), length(blank.breadth_m)))
        )
    if against:
        return None, tuple(against)
    thin, middle, thick = (share * gauge_m for share in DRAPED)
    return Drape(blank, gauge_m, (thin, middle, thick)), ()


def _bubble(
    mold: Mold, equipment: Equipment, wanted_m: float | None, gauge_m: float | None, drop_m: float | None
) -> tuple[Bubble | None, tuple[Note, ...]]:
    if not equipment.vacuum:
        return None, (Note("There is no vacuum to draw the bubble on"),)
    against: list[Note] = []
    found: list[Bubble] = []
    for opening in equipment.openings_m or _OPENINGS_M:
        one, why = _with_opening(opening, mold, equipment, wanted_m, gauge_m, drop_m)
        if one is not None:
            found.append(one)
        elif why is not None:
            against.append(why)
    if not found:
        # Where frames were only tried, one reason is enough: that of the largest.
        return None, tuple(against if equipment.openings_m else against[-1:])
    if wanted_m is None:  # the gauge is given: the frame that gives the best wall
        return max(found, key=lambda one: one.wall.thinnest.wall_m), ()
    return min(found, key=lambda one: (one.gauge_m, one.blank_m[0] * one.blank_m[1])), ()


def _with_opening(
    opening_m: tuple[float, ...],
    mold: Mold,
    equipment: Equipment,
    wanted_m: float | None,
    gauge_m: float | None,
    drop_m: float | None,
) -> tuple[Bubble | None, Note | None]:
    """The bubble of one frame, or why not."""
    sides = (opening_m[0], opening_m[-1])
    across = mold.widest[1] / np.pi
    if min(sides) <= across:
        return None, _frame_note(opening_m, "the mold is {0} across at its widest part", across)
    blank = (sides[0] + 2.0 * equipment.border_m, sides[1] + 2.0 * equipment.border_m)
    if not fits(*blank, equipment.oven_m):
        return None, _frame_note(opening_m, "its blank of {0} by {1} does not go into the oven", blank[0], blank[1])
    most = VALID_RATIO * equivalent_radius_m(opening_m)
    drop = drop_m if drop_m is not None else min(DROP_OF_LENGTH * mold.length_m, most)
    if drop > most + _ROUND:
        return None, _frame_note(
            opening_m, "a drop of {0} is more than {1}, beyond which the sheet hangs as a sack", drop, most
        )
    room = LARGEST_DROP * drop
    if equipment.rack_m is not None and room > equipment.rack_m:
        if drop_m is not None:
            return None, _frame_note(
                opening_m, "a drop of {0} wants {1} of room, the rack leaves {2}", drop, room, equipment.rack_m
            )
        drop = equipment.rack_m / LARGEST_DROP
        room = equipment.rack_m
    trial = wall(Pull(mold, opening_m, drop, 1.0))
    share = trial.thinnest.interval_m[0]
    if gauge_m is None:
        assert wanted_m is not None
        enough = [g for g in sorted(equipment.gauges_m) if g * share >= wanted_m - _ROUND]
        if not enough:
            return None, _frame_note(opening_m, "sheet of {0} would be needed, more than there is", wanted_m / share)
        gauge_m = enough[0]
    elif wanted_m is not None and gauge_m * share < wanted_m - _ROUND:
        return None, _frame_note(opening_m, "sheet of {0} may be as thin as {1} somewhere", gauge_m, gauge_m * share)
    return Bubble(opening_m, blank, gauge_m, drop, room, trial.of_gauge(gauge_m)), None


def _frame_note(opening_m: tuple[float, ...], words: str, *values_m: float) -> Note:
    """'Frame of 300 mm by 400 mm: ...': what stands against one frame; `words` with {0}, {1} ... for the values, m."""
    sides = " by ".join(f"{{{i}}}" for i in range(len(opening_m)))
    after = words.format(*(f"{{{i + len(opening_m)}}}" for i in range(len(values_m))))
    return Note(f"Frame of {sides}: {after}", tuple(map(length, (*opening_m, *values_m))))
