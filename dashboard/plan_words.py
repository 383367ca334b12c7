"""A plan in short words: the answer, what limits it, why there is no window. Shared by terminal, page and picture."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from dashboard.units import Units
from thermal.notes import Note
from thermal.plan import SURE, Edge, Plan
from thermal.sag import equivalent_radius_m
from thermal.window import CORE, CORE_HOT, DROP, DROP_LARGE, LOWER_FACE, TOO_LONG, UPPER_FACE, horizon_s

#: Below this no moment is good enough to pull by the clock (our choice: less likely right than wrong).
BY_THE_CLOCK = 0.5
#: A chance of a window below this is not held out to anyone who has none (our choice).
_WORTH_SAYING = 0.05
#: A drop smaller than this is not told by eye at the oven, m (our choice).
_SEEN_M = 0.01


@dataclass(frozen=True)
class Row:
    """One line of the answer: what, when, and how sure or why."""

    label: str
    value: str
    detail: str


def percent(share: float) -> str:
    """'95 %'; never a certainty that some hundred draws cannot give."""
    if share > 0.995:
        return "more than 99 %"
    if share < 0.005:
        return "less than 1 %"
    return f"{100.0 * share:.0f} %"


def note_words(note: Note, units: Units) -> str:
    """A note of the plan with its quantities in the units asked for."""
    words = note.text
    show: dict[str, Callable[[float], str]] = {
        "temperature_c": units.temperature,
        "difference_k": units.difference,
        "length_m": units.length,
    }
    for number, quantity in enumerate(note.quantities):
        words = words.replace(f"{{{number}}}", show[quantity.kind](quantity.value))
    return words


def followed(plan: Plan) -> str:
    """How long the heat was followed before something counts as never: '4 h'."""
    return f"{horizon_s(plan.case.gauge_m * 1.1) / 3600.0:.1f}".removesuffix(".0") + " h"


def drop_m(plan: Plan, ratio: float) -> float:
    """A drop ratio in metres of drop; only for a plan with an opening."""
    assert plan.case.opening_m is not None
    return ratio * equivalent_radius_m(plan.case.opening_m)


def drop_at_m(plan: Plan, time_s: float) -> float | None:
    """Predicted drop at a time on the curve, m; None where none is predicted: no opening, or a sheet like a sack."""
    if plan.curve.drop_mm is None:
        return None
    drop_mm = float(np.interp(time_s, plan.curve.time_s, plan.curve.drop_mm))
    return drop_mm * 1e-3 if math.isfinite(drop_mm) else None


def drops_of_window_m(plan: Plan) -> tuple[float | None, float | None]:
    """Drop as the window opens and as it closes, m: the limit itself where that is what opens or closes it."""
    return (
        _drop_of_edge_m(plan, plan.opens, DROP, plan.of.drop_min),
        _drop_of_edge_m(plan, plan.closes, DROP_LARGE, plan.of.drop_max),
    )


def _drop_of_edge_m(plan: Plan, edge: Edge, limit: str, ratio: float | None) -> float | None:
    if edge.time_s is None:
        return None
    return drop_m(plan, ratio) if edge.limit == limit and ratio is not None else drop_at_m(plan, edge.time_s)


def limit_words(plan: Plan, limit: str, units: Units) -> str:
    """What happens when a limit is met, as a clause: 'the core reaches 165 °C'."""
    of = plan.of
    if limit == CORE:
        return f"the core reaches {units.temperature(of.core_min_c)}"
    if limit in (UPPER_FACE, LOWER_FACE):
        return f"the {limit} passes {units.temperature(of.face_max_c)}"
    if limit == CORE_HOT:
        return f"the core passes {units.temperature(of.core_max_c)}"
    if limit == DROP and of.drop_min is not None:
        return f"the drop reaches {units.length(drop_m(plan, of.drop_min))}"
    if limit == DROP_LARGE and of.drop_max is not None:
        return f"the drop passes {units.length(drop_m(plan, of.drop_max))}"
    if limit == TOO_LONG and of.dose is not None:
        stands = f"{units.seconds(of.dose.limit_s)} at {units.temperature(of.dose.reference_c)}"
        return f"a face has been hot too long (it stands {stands}, less where hotter)"
    raise ValueError(f"limit {limit!r}: not one of this plan's")


def between(plan: Plan, edge: Edge, units: Units) -> str:
    """The interval of an edge in words."""
    low, high = edge.interval_s
    if low is None:
        return f"in 95 of 100 cases not within {followed(plan)}"
    if high is None:
        return f"in 5 of 100 cases before {units.seconds(low)}, in as many not within {followed(plan)}"
    return f"90 of 100 times between {units.seconds(low)} and {units.seconds(high)}"


def answer(plan: Plan, units: Units) -> list[Row]:
    """The answer, biggest facts first: ready, pull, spoilt; or that there is no window, and how likely one is."""
    if plan.opens.time_s is None or plan.target is None:
        none = Row("No window", why_none(plan, units), "")
        if plan.window_probability < _WORTH_SAYING:
            return [none]
        chance = percent(plan.window_probability)
        return [none, Row("Chance of one", chance, "since sheet and oven are not known exactly")]
    return [
        Row("Ready from", units.seconds(plan.opens.time_s), between(plan, plan.opens, units)),
        _pull(plan, units),
        _spoilt(plan, units),
    ]


def _pull(plan: Plan, units: Units) -> Row:
    assert plan.target is not None
    over = plan.case.measured is not None
    label, at_words = ("Pull would have been", "at ") if over else ("Pull at", "")
    at, sure = units.seconds(plan.target.time_s), percent(plan.target.probability)
    if plan.target.probability < BY_THE_CLOCK:
        label = label.removesuffix(" at")
        drop = drop_at_m(plan, plan.target.time_s)
        there = "" if drop is None else f" (about {units.length(drop)})"
        clock = f"not by the clock: best guess {at}{there}, only {sure} sure"
        if (by_drop := _by_drop(plan, units)) is not None:
            return Row(label, by_drop[0], f"{by_drop[1]}{clock}")
        look = "by the look of the sheet" if plan.curve.drop_mm is None else "by the look of the bubble"
        return Row(label, look, clock)
    if plan.target.probability >= SURE - 0.005:
        return Row(label, at_words + at, f"{sure} sure that it is ready and not spoilt")
    if over:
        return Row(label, at_words + at, f"only {sure} sure: no moment would have been surer")
    return Row(label, at_words + at, f"only {sure} sure: no moment is surer, so look at the sheet before you pull")


def _by_drop(plan: Plan, units: Units) -> tuple[str, str] | None:
    """The drops between which to pull, and why not at the wanted one; None where none is predicted, or seen."""
    low, high = drops_of_window_m(plan)
    if low is None or low < _SEEN_M:
        return None
    wanted = plan.opens.limit == DROP
    first = units.length(low) if wanted else f"about {units.length(low)}"
    value = f"by the drop, from {first}" + (f" to {units.length(high)}" if high is not None and high > low else " on")
    why = ""
    if plan.of.drop_min is not None and not wanted:
        why = f"at the wanted {units.length(drop_m(plan, plan.of.drop_min))} the core is not expected to be ready; "
    return value, why


def _spoilt(plan: Plan, units: Units) -> Row:
    if plan.closes.time_s is not None and plan.closes.limit is not None:
        detail = f"{limit_words(plan, plan.closes.limit, units)}; {between(plan, plan.closes, units)}"
        return Row("Spoilt from", units.seconds(plan.closes.time_s), detail)
    early = plan.closes.interval_s[0]
    detail = "" if early is None else f"but in 5 of 100 cases before {units.seconds(early)}"
    return Row("Spoilt", f"not within {followed(plan)}", detail)


def why_none(plan: Plan, units: Units) -> str:
    """Why there is no window, as a sentence without its full stop."""
    spoilt = None
    if plan.spoilt_s is not None and plan.spoilt_by is not None:
        spoilt = f"{limit_words(plan, plan.spoilt_by, units)} at {units.seconds(plan.spoilt_s)}"
    if plan.ready_s is None:
        end = _never(plan, units)
        return end if spoilt is None else f"{spoilt}, and {end}"
    ready = f"{limit_words(plan, plan.opens.limit or CORE, units)} at {units.seconds(plan.ready_s)}"
    return f"{spoilt}, before {ready}" if spoilt is not None else f"{ready}, too late"


def _never(plan: Plan, units: Units) -> str:
    of, warmest = plan.of, plan.coldest_end_c
    if of.drop_min is not None and (warmest is None or warmest >= of.core_min_c):
        return f"the drop does not reach {units.length(drop_m(plan, of.drop_min))} within {followed(plan)}"
    end = units.seconds(float(plan.curve.time_s[-1]))
    # Rounded down, so that a core which stays just below its limit is not shown at it.
    shown = units.temperature(math.floor(plan.curve.core_c[-1]))
    return f"the core is at {shown} after {end} and does not reach {units.temperature(of.core_min_c)}"


def subject(plan: Plan, units: Units) -> str:
    """What was planned, in one line."""
    case = plan.case
    place = "lying on a tray" if case.support == "tray" else "in a frame"
    return (
        f"{case.polymer.name}, {units.length(case.gauge_m)}, {place}, "
        f"in oven {case.oven.id} set to {units.temperature(case.set_c)}"
        f"{', with its air as recorded' if case.measured is not None else ''}"
    )


def opening_words(opening_m: tuple[float, ...], units: Units) -> str:
    """'300 mm across' or '300 mm by 200 mm'."""
    return f"{units.length(opening_m[0])} across" if len(opening_m) == 1 else " by ".join(map(units.length, opening_m))
