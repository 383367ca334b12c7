"""What a plan advises and what it warns of, in sentences without full stops."""

from __future__ import annotations

import math

from dashboard.plan_words import followed
from dashboard.units import Units
from thermal.advice import WANTED_S, Change
from thermal.build import steady_air_c
from thermal.plan import Plan
from thermal.window import DROP_LARGE

#: Gauges that are draped, and above which a bubble suits, mm (common practice, no source).
DRAPED_MM = (3.0, 5.0)
#: The same in the sizes sheet is sold in.
DRAPED_IN = "1/8 to 3/16 in"
#: Air this much hotter than a face may get leaves little time for a mistake, K (our choice).
FAR_ABOVE_K = 30.0
#: The hazards of any hot sheet.
HOT_SHEET = (
    "Sheet and frame come out hot enough to burn: heat-proof gloves and sleeves, and a clear way to the mold",
    "Hot plastic gives off fumes: run the extraction",
    "Never leave a heating sheet unattended: one that drops onto an element burns",
)
#: What this tool is not.
ADVICE_ONLY = (
    "This is advice and controls no oven: the sheet's instructions for use, its safety data sheet, the shop's "
    "procedures and local codes come first"
)
_NO_MARGIN = "stay well below it, it has no margin"


def advice(plan: Plan, units: Units | None = None) -> list[str]:
    """What to do: first what would make a window or a better one, then how to go about the heat."""
    units = units or Units()
    return [*changes(plan, units), *practice(plan, units)]


# ---------------------------------------------------------------- what to change


def changes(plan: Plan, units: Units) -> list[str]:
    """The options that were computed, with their numbers; what else to try where none of them helps."""
    if plan.case.measured is not None:
        return []  # what was recorded cannot be set otherwise
    exists = plan.opens.time_s is not None
    found = [_set_words(plan, units)]
    if plan.options.both_faces is not None:
        how = "lift it off the tray and heat" if plan.case.support == "tray" else "heat"
        found.append(f"Both faces: {how} both as well as the better one; {_times(plan.options.both_faces, units)}")
    if plan.options.thinner is not None:
        gauge = units.length(plan.options.thinner.gauge_m)
        found.append(f"Thinner sheet: at most {gauge} at this set temperature; {_times(plan.options.thinner, units)}")
    if not exists:
        if plan.spoilt_by == DROP_LARGE:
            found.append(
                "The drop spoils it: want a larger drop, make more room below the frame, or take a smaller opening"
            )
        if words := _in_vain(plan):
            found.append(words)
        if not any(vars(plan.options).values()) and plan.spoilt_by != DROP_LARGE:
            found.append(
                f"No set temperature, no heating of both faces and no thinner gauge leaves {units.seconds(WANTED_S)} "
                "here: take another oven or another polymer"
            )
    return [words for words in found if words is not None]


def _in_vain(plan: Plan) -> str | None:
    """What was computed and does not help, where something else does."""
    case, options = plan.case, plan.options
    if not any(vars(options).values()):
        return None
    tried = []
    if options.both_faces is None and (case.support == "tray" or case.oven.upper != case.oven.lower):
        tried.append("heating both faces alike")
    if options.thinner is None:
        tried.append("a thinner sheet")
    return f"No help at this set temperature: {' and '.join(tried)}" if tried else None


def _set_words(plan: Plan, units: Units) -> str | None:
    """The highest set temperature that leaves a window, worded by where the asked one lies."""
    best = plan.options.highest_set
    width = units.seconds(WANTED_S)
    if best is None:
        if plan.opens.time_s is None:
            return None
        return f"No set temperature leaves a window of {width}: be at the oven early"
    set_to = units.temperature(best.set_c)
    note = _outside_card(plan, best.set_c, units)
    if plan.opens.time_s is None:
        way = "higher" if best.set_c > plan.case.set_c else "lower"
        return f"Set it {way}: at most {set_to} ({_times(best, units)}); {_NO_MARGIN}{note}"
    if best.set_c > plan.case.set_c:
        return (
            f"Quicker: the highest set temperature that leaves {width} is {set_to} ({_times(best, units)}); "
            f"{_NO_MARGIN}{note}"
        )
    return f"Wider window: set it no higher than {set_to} ({_times(best, units)}){note}"


def _times(change: Change, units: Units) -> str:
    ready = f"ready at {units.seconds(change.ready_s)}"
    if not math.isfinite(change.width_s):
        return f"{ready}, spoilt by no temperature"
    return f"{ready}, open for {units.seconds(change.width_s)}"


def _outside_card(plan: Plan, set_c: float, units: Units) -> str:
    valid = plan.case.oven.valid.set_c
    if valid is None or valid[0] <= set_c <= valid[1]:
        return ""
    low, high = (units.temperature(limit) for limit in valid)
    return f"; outside what the card of oven {plan.case.oven.id} was found for ({low} to {high}), so less sure"


# ---------------------------------------------------------------- how to go about it


def practice(plan: Plan, units: Units) -> list[str]:
    """Preparation, method and what to look for."""
    case, polymer = plan.case, plan.case.polymer
    if case.measured is not None:
        return []  # that heat is over
    gauge_mm = case.gauge_m * 1e3
    found = []
    if plan.preheat_s > 0:
        wait = max(1, round(plan.preheat_s / 60.0))
        found.append(
            f"Put the sheet in only when the oven is steady: from cold, wait {wait} min after its air has reached the "
            "set temperature, since the walls lag behind"
        )
    found.append("Take the protective film off both faces; look for scratches and moisture")
    drying = polymer.drying
    if drying is not None and drying.temperature_c is not None and drying.hours_per_mm is not None:
        hours = f"{drying.hours_per_mm * gauge_mm:.1f}".removesuffix(".0")
        how = f"{hours} h at {units.temperature(drying.temperature_c)}"
        found.append(
            f"Dry the sheet first, about {how} for this gauge: damp sheet blisters"
            if drying.needed
            else f"Sheet that has become damp is dried first, about {how} for this gauge"
        )
    if gauge_mm >= DRAPED_MM[0]:
        span = f"{DRAPED_MM[0]:g} to {DRAPED_MM[1]:g} mm"
        if units.system == "us":
            span = f"{DRAPED_IN} ({span})"
        found.append(
            f"Method: soft sheet of {span} is usually draped, a bubble suits the thicker gauges (common practice)"
            if gauge_mm <= DRAPED_MM[1]
            else f"Method: at this gauge a bubble suits; draping is for soft sheet of {span} (common practice)"
        )
    if polymer.clears_when_melted and case.colour == "natural":
        found.append("Natural sheet turns clear when its core has melted: wait for it, whatever the clock says")
    if plan.closes.time_s is None and plan.opens.time_s is not None:
        found.append(
            f"That nothing spoils it within {followed(plan)} counts temperatures only: plastic ages in the heat, so "
            "pull it when it is ready"
        )
    if case.support == "tray":
        found.append("On a tray the lower face is heated through the tray: heat the tray with the oven")
    return found


# ---------------------------------------------------------------- what to beware of


def cautions(plan: Plan, units: Units | None = None) -> list[str]:
    """The hazards of this heat; the limits of this tool last."""
    units = units or Units()
    of, case = plan.of, plan.case
    found = list(HOT_SHEET)
    above = steady_air_c(case.oven, case.set_c) - of.face_max_c
    if case.measured is None and above > FAR_ABOVE_K:
        found.append(
            f"The air is {units.difference(above)} hotter than a face may get ({units.temperature(of.face_max_c)}): "
            "a sheet forgotten in it yellows, then decomposes and smokes"
        )
    if case.oven.kind == "infrared":
        found.append(
            "Emitters are far hotter than the sheet may get: a face goes on heating until it is out of their sight"
        )
    found.append(ADVICE_ONLY)
    return found
