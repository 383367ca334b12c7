"""From a mold to a part: what to take, the heat, the carry, the wall, the cooling; put together from the parts."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from dashboard.mold_file import MoldFile
from thermal.case import Case
from thermal.method import Choice
from thermal.mold import meridian
from thermal.mold_cooling import PLASTERS, Cooling, OnMold, cool
from thermal.oven import OvenCard
from thermal.plan import Plan
from thermal.plan import plan as plan_heat
from thermal.wall import Pull, Wall, wall


@dataclass(frozen=True)
class OnTheMold:
    """How the mold and the room are: °C, and the plaster's kind ('dry' or 'damp'); mold_c None: as the room."""

    room_c: float
    mold_c: float | None = None
    plaster: str = "dry"


@dataclass(frozen=True)
class Making:
    """All of one part.

    Attributes:
        mold: as read. choice: method, sheet, frame, drop, wall. sectors: the wall of each sector of a mesh, as if the
        whole mold were so. plan: of the heat; None where no oven was named. cooling: of the thickest wall; None where
        no method can be done. thickest_m: that wall.
    """

    mold: MoldFile
    choice: Choice
    sectors: tuple[Wall, ...]
    plan: Plan | None
    cooling: Cooling | None
    thickest_m: float | None
    on_mold: OnTheMold


def making(mold: MoldFile, choice: Choice, on_mold: OnTheMold, oven: OvenCard | None, set_c: float | None) -> Making:
    """Follow a choice through heat, carry and cooling.

    Raises:
        InputError: a heat that cannot be (see `thermal.plan.plan`).
    """
    plan = None if oven is None or choice.method is None else plan_heat(*_heat(choice, oven, set_c, on_mold.room_c))
    thickest = _thickest_m(choice)
    return Making(
        mold,
        choice,
        _sectors(mold, choice),
        plan,
        None if thickest is None else cool(_wall_on_mold(choice, thickest, on_mold, plan)),
        thickest,
        on_mold,
    )


def _heat(choice: Choice, oven: OvenCard, set_c: float | None, room_c: float) -> tuple[Case, float | None, None, float]:
    """A plan's arguments."""
    gauge = gauge_of(choice)
    assert gauge is not None
    case = Case(choice.polymer, gauge, oven, oven.set_c if set_c is None else set_c)
    if choice.method == "bubble" and choice.bubble is not None:
        case = replace(case, opening_m=choice.bubble.opening_m)
        return case, choice.bubble.drop_m if case.drops else None, None, room_c
    return (replace(case, support="tray") if oven.tray is not None else case), None, None, room_c


def gauge_of(choice: Choice) -> float | None:
    """Gauge of the sheet to take, m; None where nothing can be done."""
    taken = {"bubble": choice.bubble, "drape": choice.drape}.get(choice.method or "")
    return None if taken is None else taken.gauge_m


def _thickest_m(choice: Choice) -> float | None:
    if choice.method == "bubble" and choice.bubble is not None:
        return float(choice.bubble.wall.wall_m.max())
    return choice.drape.wall_m[2] if choice.method == "drape" and choice.drape is not None else None


def _wall_on_mold(choice: Choice, thickest_m: float, on_mold: OnTheMold, plan: Plan | None) -> OnMold:
    mold = choice.mold
    start = choice.polymer.forming.core_min_c
    if plan is not None and plan.state_c is not None:
        start = plan.state_c["core"]
    return OnMold(
        choice.polymer,
        thickest_m,
        start,
        on_mold.room_c if on_mold.mold_c is None else on_mold.mold_c,
        on_mold.room_c,
        PLASTERS[on_mold.plaster],
        radius_m=float(np.sqrt(meridian(mold).volume_m3 / (np.pi * mold.length_m))),
        height_m=mold.length_m,
    )


def _sectors(mold: MoldFile, choice: Choice) -> tuple[Wall, ...]:
    """The bubble's wall of each sector; none where one is wider than the frame."""
    bubble = choice.bubble
    if choice.method != "bubble" or bubble is None:
        return ()
    across = min(bubble.opening_m)
    molds = mold.sectors()
    if any(one.widest[1] / np.pi >= across for one in molds):
        return ()
    return tuple(wall(Pull(one, bubble.opening_m, bubble.drop_m, bubble.gauge_m)) for one in molds)
