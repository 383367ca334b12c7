"""A plan in rows: why its window is where it is, how oven, sheet and frame are set, and when to pull by a clock."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from dashboard.plan_words import BY_THE_CLOCK, answer, drop_at_m, drop_m, limit_words, opening_words, percent, why_none
from dashboard.plan_words import followed as within
from dashboard.units import Units
from thermal.carries import CarryIn
from thermal.plan import SURE, Plan
from thermal.window import CORE


@dataclass(frozen=True)
class ByTheClock:
    """When to pull with nothing but a watch.

    Attributes:
        heading: in large letters. trust: how far, as sentences without the last full stop. sure: whether there is a
        moment at which the sheet is surely ready and surely not spoilt.
    """

    heading: str
    trust: str
    sure: bool = False


def by_the_clock(plan: Plan, units: Units) -> ByTheClock:
    """What whoever has no computer any more is told.

    The span goes from when 95 of 100 such sheets are ready until 5 of 100 are spoilt. Where there is none, no moment is
    sure, and the window of the stated values is only the likeliest.
    """
    if plan.opens.time_s is None or plan.target is None:
        return ByTheClock("Do not heat this: no window", why_none(plan, units))
    surest, percent_then = units.seconds(plan.target.time_s), percent(plan.target.probability)
    first_s, last_s = plan.opens.interval_s[1], plan.closes.interval_s[0]
    if first_s is not None and (last_s is None or math.ceil(first_s) < math.floor(last_s)):
        return _sure(plan, math.ceil(first_s), last_s, units)
    if plan.target.probability >= SURE - 0.005:
        said = f"{percent_then} sure that the sheet is then ready and not spoilt, and less sure before and after"
        return ByTheClock(f"Pull at {surest}", f"{said}. Its look comes first", True)
    return _unsure(plan, f"at best {percent_then} sure, at {surest}", units)


def _sure(plan: Plan, first_s: int, last_s: float | None, units: Units) -> ByTheClock:
    first = units.seconds(first_s)
    ready = f"At {first} 95 of 100 such sheets are ready"
    look = "Its look comes first"
    if last_s is None:
        never = f"in as many cases nothing spoils it within {within(plan)}"
        return ByTheClock(f"Pull from {first} on", f"{ready}, and {never}. {look}", True)
    last = units.seconds(math.floor(last_s))
    trust = f"{ready}, and until {last} as many are not spoilt. {look}"
    return ByTheClock(f"Pull between {first} and {last}", trust, True)


def _unsure(plan: Plan, at_best: str, units: Units) -> ByTheClock:
    assert plan.opens.time_s is not None
    assert plan.target is not None
    first = units.seconds(plan.opens.time_s)
    last = None if plan.closes.time_s is None else units.seconds(plan.closes.time_s)
    likely = f"from {first} on" if last is None else f"{first} to {last}"
    most_likely = f"ost likely the window is {likely}, {at_best}"
    if plan.target.probability < BY_THE_CLOCK:
        return ByTheClock(f"Pull {answer(plan, units)[1].value}", f"No moment is sure: m{most_likely}")
    what = "sheet" if plan.curve.drop_mm is None else "bubble"
    drop = drop_at_m(plan, plan.target.time_s)
    then = "" if drop is None else f" (drop about {units.length(drop)})"
    be_there = f"Be at the oven from {first} on and pull by the look of the {what}"
    return ByTheClock(f"Watch the {what}: no moment is sure", f"M{most_likely}{then}. {be_there}")


def watch_words(plan: Plan, units: Units) -> str:
    """The same in a line, as it stands beside an answer; '' where there is no window, or the heat is over."""
    if plan.opens.time_s is None or plan.case.measured is not None:
        return ""
    told = by_the_clock(plan, units)
    return f"With a watch alone: {told.heading[:1].lower()}{told.heading[1:]}. {told.trust}."


def why(plan: Plan, units: Units) -> list[tuple[str, str]]:
    """What opens and closes the window, its chance, the sheet at the pull and the carry: label and words each."""
    rows = []
    if plan.opens.time_s is not None and plan.opens.limit is not None:
        coldest = " (core: its coldest plane)" if plan.opens.limit == CORE else ""
        rows.append(("Opens", limit_words(plan, plan.opens.limit, units) + coldest))
        closes = plan.closes.limit
        rows.append(("Closes", _never_closes(plan, units) if closes is None else limit_words(plan, closes, units)))
    if plan.opens.time_s is not None and plan.window_probability < 0.995:
        rows.append(("Chance", f"{percent(plan.window_probability)} that this sheet in this oven has a window at all"))
    if plan.state_c is not None:
        core, upper, lower = (units.temperature(plan.state_c[name]) for name in ("core", "upper", "lower"))
        then = "would have been: " if plan.case.measured is not None else ""
        state = f"{then}core {core}, upper face {upper}, lower face {lower}{_drop_then(plan, units)}"
        rows.append(("At the pull", state))
    if plan.carry is not None:
        rows.append(("Carry", _carry(plan, units)))
        rows.append(("Else", carries_words(plan.carries, units)))
    return rows


def _never_closes(plan: Plan, units: Units) -> str:
    hottest = units.temperature(plan.of.face_max_c)
    return f"nothing does: no face passes {hottest}, the core stays below {units.temperature(plan.of.core_max_c)}"


def _drop_then(plan: Plan, units: Units) -> str:
    drop = None if plan.target is None else drop_at_m(plan, plan.target.time_s)
    return "" if drop is None else f"; drop about {units.length(drop)}"


def _carry(plan: Plan, units: Units) -> str:
    assert plan.carry is not None
    until = units.temperature(plan.case.polymer.forming.form_until_c)
    room = f"(room {units.temperature(plan.carry.room_c)}, still air)"
    if plan.carry.formable_s is None:
        return f"no face falls below {until} within 30 min {room}"
    time = units.seconds(plan.carry.formable_s)
    return f"{time} from the oven door until the {plan.carry.limit} falls below {until} {room}"


def carries_words(carries: Sequence[CarryIn], units: Units) -> str:
    """'1:10 on a cold morning (12 °C); 0:50 in a draught (1 m/s); ...'."""
    return "; ".join(_carry_in(one, units) for one in carries)


def _carry_in(one: CarryIn, units: Units) -> str:
    formable, room = one.carry.formable_s, one.room
    time = "over 30 min" if formable is None else units.seconds(formable)
    if room.draught_m_s:
        return f"{time} {one.name} ({room.draught_m_s:g} m/s)"
    if room.mold_c is not None:
        return f"{time} {one.name}" + ("" if room.mold_c == room.air_c else f" ({units.temperature(room.mold_c)})")
    return f"{time} {one.name} ({units.temperature(room.air_c)})"


def settings(plan: Plan, units: Units) -> list[tuple[str, str]]:
    """How oven, sheet and frame are to be set: label and words each."""
    case, of = plan.case, plan.of
    air = "recorded air" if case.measured is not None else f"set to {units.temperature(case.set_c)}"
    rows = [("Oven", f"{case.oven.id}, {case.oven.kind}, {air}")]
    if case.measured is None and round(plan.preheat_s) > 0:
        rows.append(("Preheat", f"{units.seconds(plan.preheat_s)} after the air has reached its set temperature"))
    faces = "on a tray" if case.support == "tray" else "in a frame, both faces free"
    rows.append(("Sheet", f"{case.colour}, {faces}, goes in at {units.temperature(case.start_c)}"))
    if case.opening_m is not None:
        rows.append(("Opening", opening_words(case.opening_m, units)))
    if of.drop_min is not None:
        rows.append(("Drop wanted", units.length(drop_m(plan, of.drop_min))))
    if of.drop_max is not None:
        rows.append(("Drop at most", units.length(drop_m(plan, of.drop_max))))
    return rows
