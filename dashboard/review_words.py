"""A review in a technician's words: findings with their evidence, the state at the pull, what goes with a failure."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Protocol

from calibration.diagnosis import NOTHING, Diagnosis, Finding
from calibration.estimate import Spread
from dashboard.failures import Failure
from dashboard.review import Review
from dashboard.units import Units

#: From this probability on a finding is told as likely; below the second it is left out of short lists.
LIKELY, LISTED = 0.5, 0.02
_FACES = {"upper": "the upper face", "lower": "the lower face", "both": "both faces"}
_COLUMNS = {"line_1": "the mark of line 1", "line_2": "the mark of line 2", "line_3": "the mark of line 3",
            "clear_through": "the mark 'clear through'", "air": "the air", "walls": "the walls"}  # fmt: skip
CAUTION = (
    "The review compares what was measured with a model; it is advice. It does not replace the judgement of the "
    "licensed practitioner, the sheet's instructions for use and safety data sheet, or local codes. Hot sheet and "
    "frame burn: gloves; fumes: extraction; an oven in use is never left alone."
)


def percent(share: float) -> str:
    """'73 %', 'under 1 %', 'over 99 %'."""
    if share < 0.01:
        return "under 1 %"
    return "over 99 %" if share > 0.99 else f"{100.0 * share:.0f} %"


def column_words(column: str) -> str:
    """'face_upper_c' as 'the upper face's reading'; a mark as a mark."""
    if column in _COLUMNS:
        return _COLUMNS[column]
    return column.rpartition("_")[0].replace("_", " ") if "_" in column else column


def title(one: Finding, units: Units) -> str:
    """A finding in a few words."""
    make = _TITLES.get(one.kind)
    return one.name if make is None else make(one, units)


def _signed(low: str, high: str) -> Callable[[Finding, Units], str]:
    return lambda one, units: high if (one.size or 0.0) > 0.0 else low


def _face(one: Finding, units: Units) -> str:
    face = _FACES[one.of]
    if (one.size or 0.0) > 0.0:
        return f"{face[0].upper()}{face[1:]} got more heat than the oven card says (door side, element, fan)"
    return f"{face[0].upper()}{face[1:]} stayed cold (fan, element, or blocked)"


_TITLES: dict[str, Callable[[Finding, Units], str]] = {
    NOTHING: lambda one, units: "Nothing unusual in the heating",
    "gauge": _signed("Sheet thinner than its label", "Sheet thicker than its label"),
    "start": _signed("Sheet cold from storage", "Sheet warmer than stated when it went in"),
    "film": lambda one, units: f"Protective film left on {_FACES[one.of]}",
    "polymer": lambda one, units: f"Other polymer than stated: {one.of} fits",
    "face": _face,
    "oven drifted": _signed(
        "Oven heats less than its card says: it has drifted", "Oven heats more than its card says: it has drifted"
    ),
    "oven off": _signed("Oven colder than it showed", "Oven hotter than it showed"),
    "emitters": _signed("Emitters colder than the oven card says", "Emitters hotter than the oven card says"),
    "tray contact": _signed("Sheet lay badly on its tray", "Sheet lay better on its tray than the card says"),
    "tray cold": lambda one, units: "Tray cold",
    "oven not ready": lambda one, units: "Put in before the oven was ready",
    "door opened": lambda one, units: "Door opened during the heat",
    "loose": lambda one, units: f"Thermocouple {column_words(one.of)} loose",
    "drifting": lambda one, units: f"Thermocouple {column_words(one.of)} drifting",
    "frozen": lambda one, units: f"Thermocouple {column_words(one.of)} frozen: it stood still",
    "swapped": lambda one, units: "Thermocouples of the upper and the lower face swapped",
    "pulled early": lambda one, units: "Pulled before the core was ready",
    "pulled late": lambda one, units: "Pulled late",
    "face overheated": lambda one, units: "Face overheated (oven set too high, or the door side)",
    "carried too long": lambda one, units: "Carried too long",
}


def evidence_words(one: Finding, of: Review, units: Units) -> str:
    """What speaks for a finding and where it shows, without the full stop."""
    parts = [part for part in (_size_words(one, of, units), _place_words(one, units), _odds_words(one)) if part]
    if one.alike:
        others = "; ".join(alike_words(name, of.diagnosis, units) for name in one.alike)
        parts.append(f"these readings cannot tell it from: {others}")
    words = "; ".join(parts)
    return words[:1].upper() + words[1:]


def alike_words(name: str, of: Diagnosis, units: Units) -> str:
    """The title of another finding by its name, beginning small."""
    other = next((each for each in of.findings if each.name == name), None)
    words = name if other is None else title(other, units)
    return words[0].lower() + words[1:]


def _size_words(one: Finding, of: Review, units: Units) -> str:
    size, state = one.size, of.diagnosis.at_pull
    if one.kind == NOTHING:
        return _nothing_words(of)
    if one.kind == "pulled early":
        return f"core {spread_words(state.above_k, units)} against its least{_needed_words(state.before_ready_s)}"
    if one.kind == "pulled late":
        return f"core {units.temperature(state.core_c.middle)} at the pull; a limit was passed before it"
    if one.kind == "face overheated":
        return f"hotter face {units.temperature(state.hottest_c.middle)}, limit {units.temperature(of.of.face_max_c)}"
    if one.kind == "carried too long" and of.carried_s is not None and of.carry.formable_s is not None:
        return (
            f"on the mold after {Units.seconds(of.carried_s)}; formable for about {Units.seconds(of.carry.formable_s)}"
        )
    if size is None:
        return ""
    std = one.size_std or 0.0
    if one.kind == "gauge":
        return f"about {units.length(of.case.gauge_m * math.exp(size))} instead of {units.length(of.case.gauge_m)}"
    if one.kind in ("face", "oven drifted", "tray contact"):
        share = 100.0 * (math.exp(size) - 1.0)
        more = "more" if share > 0.0 else "less"
        return f"takes up about {abs(share):.0f} % {more} heat than the card says (± {100.0 * std:.0f} %)"
    if one.kind == "door opened":
        return f"the air fell by about {units.difference(abs(size))}"
    if one.kind == "oven not ready":
        return f"{units.difference(abs(size))} {'below' if size < 0.0 else 'above'} where it should have been"
    plus = "+" if size > 0.0 else ""
    return f"by {plus}{units.difference(size, 1)}" + (f" ± {units.difference(std, 1)}" if std else "")


def _nothing_words(of: Review) -> str:
    found = of.diagnosis
    if found.misfit is None:
        return "nothing measured of the sheet speaks against it"
    fits = "agree" if found.misfit < 1.5 else "agree roughly"
    return f"readings and model {fits} (misfit {found.misfit:.1f}, about 1 where all is explained)"


def _needed_words(before: Spread | None) -> str:
    if before is None or before.middle <= 0.0:
        return ""
    return f"; it needed about {Units.seconds(before.middle)} more"


def _place_words(one: Finding, units: Units) -> str:
    if one.kind in (NOTHING, "pulled early", "pulled late", "face overheated", "carried too long"):
        return ""
    told = f"shows in {column_words(one.column)}" if one.column else ""
    if one.from_s is None or one.to_s is None:
        return told
    if one.to_s - one.from_s < 1.0:
        return f"{told or 'shows'} at {Units.seconds(one.from_s)}"
    if one.from_s < 0.0:
        return f"{told or 'shows'} before the sheet went in"
    return f"{told or 'shows'} from {Units.seconds(one.from_s)} to {Units.seconds(one.to_s)}"


def _odds_words(one: Finding) -> str:
    if one.odds is None or one.kind == NOTHING or abs(one.odds) < math.log(2.0):
        return ""
    times = math.exp(min(abs(one.odds), math.log(1e6)))
    number = "over a million" if times >= 0.99e6 else f"{times:,.0f}".replace(",", " ")
    more = "likelier" if one.odds > 0.0 else "less likely"
    return f"makes the readings {number} times {more}"


def spread_words(of: Spread, units: Units) -> str:
    """'-4 K (-7 to -1)', in the units of the shop."""
    low, middle, high = (units.difference(value) for value in (of.low, of.middle, of.high))
    return f"{middle} ({low} to {high})"


def temperatures(of: Spread, units: Units) -> str:
    """'164 °C (161 to 167 °C)'."""
    return f"{units.temperature(of.middle)} ({units.temperature(of.low)} to {units.temperature(of.high)})"


class Ranked(Protocol):
    """Findings, the likeliest first: a diagnosis, or what was kept of one."""

    @property
    def findings(self) -> tuple[Finding, ...]:
        """All of them."""

    @property
    def first(self) -> Finding:
        """The likeliest."""


def likely(of: Ranked) -> list[Finding]:
    """Findings that are told: all that are likely, else the first, and what cannot be told from it."""
    told = [one for one in of.findings if one.probability >= LIKELY]
    return told or [of.first]


def headline(of: Review, units: Units) -> str:
    """The diagnosis in a sentence without its full stop."""
    told = likely(of.diagnosis)
    first = told[0]
    if first.probability < LIKELY:
        return f"No single cause stands out; likeliest: {title(first, units)} ({percent(first.probability)})"
    words = " and ".join(title(one, units) if one is first else _small(title(one, units)) for one in told)
    if first.alike:
        others = " or ".join(alike_words(name, of.diagnosis, units) for name in first.alike)
        words += f" (or {others}: these readings cannot tell)"
    return f"{words} ({percent(first.probability)})"


def _small(words: str) -> str:
    return words[0].lower() + words[1:]


def state_lines(of: Review, units: Units) -> list[tuple[str, str]]:
    """The sheet at the pull and after it: what, and the words."""
    state = of.diagnosis.at_pull
    lines = [
        ("Pulled" if of.pulled else "Record ends", Units.seconds(state.time_s)),
        ("Core (coldest point)", temperatures(state.core_c, units)),
        ("Core above its least", spread_words(state.above_k, units)),
        ("Hotter face", temperatures(state.hottest_c, units)),
    ]
    lines.append(("Window", window_words(of)))
    if state.drop_mm is not None:
        lines.append(("Drop", f"{units.length(state.drop_mm.middle * 1e-3)} (computed)"
                      if not _drop_seen(of) else units.length(state.drop_mm.middle * 1e-3)))  # fmt: skip
    lines.append(("Time at temperature", dose_words(of, units)))
    formable = "over 30 min" if of.carry.formable_s is None else Units.seconds(of.carry.formable_s)
    lines.append(("Formable after the pull", formable))
    if of.carried_s is not None:
        left = of.left_s
        mold = "formable" if left is None or left >= 0.0 else "too cold: a face below its forming temperature"
        lines.append(("On the mold", f"after {Units.seconds(of.carried_s)}, {mold}"))
    return lines


def window_words(of: Review) -> str:
    """When the window opened beside the pull; where it had not, when it would have, or that it would not."""
    state, end = of.diagnosis.at_pull, "the pull" if of.pulled else "the record's end"
    if state.before_ready_s is None:
        sure = "would not" if state.p_never >= LIKELY else "may not"
        return f"{sure} have opened within {Units.seconds(state.followed_s)} after {end} ({percent(state.p_never)})"
    when = state.before_ready_s.middle
    return (
        f"would have opened {Units.seconds(when)} after {end}; the core was not ready"
        if when > 0.0
        else f"opened {Units.seconds(-when)} before {end}"
    )


def dose_words(of: Review, units: Units) -> str:
    """For how long a face was hot, and what share of what it stands that used up, where the polymer says so."""
    state, dose = of.diagnosis.at_pull, of.of.dose
    hot = state.hot_s
    least = units.temperature(of.of.core_min_c)
    told = (
        f"no face came to {least}"
        if hot.high < 1.0
        else f"a face was at {least} or hotter for {Units.seconds(hot.middle)} "
        f"({Units.seconds(hot.low)} to {Units.seconds(hot.high)}) min"
    )
    if dose is None or state.dose is None:
        return f"{told}; {of.case.polymer.id} states no limit for it"
    stands = f"{Units.seconds(dose.limit_s)} at {units.temperature(dose.reference_c)}"
    return (
        f"{told}; {_whole(state.dose.middle)} % ({_whole(state.dose.low)} to {_whole(state.dose.high)} %) of the heat "
        f"that a face stands was used up (it stands {stands}, less where hotter)"
    )


def _whole(share: float) -> str:
    return f"{100.0 * share:.0f}"


def _drop_seen(of: Review) -> bool:
    return any(one.name.startswith(("drop", "line_")) for one in of.diagnosis.beside)


def failure_words(failure: Failure, of: Ranked, units: Units) -> list[str]:
    """What the heating usually has to do with a failure, and whether this heat's diagnosis goes with it."""
    lines = [f"{failure.kind[0].upper()}{failure.kind[1:]}: the heating has to do with it "
             f"{failure.heating or 'nothing'} (common practice, no source)"]  # fmt: skip
    going = [one for one in likely(of) if one.kind in failure.causes and one.probability >= LIKELY]
    if going:
        lines.append(f"Goes with it in this heat: {'; '.join(title(one, units) for one in going)}")
    else:
        lines.append("Nothing found in this heat's heating goes with it: look outside the oven first")
    lines.append(f"Outside the oven, never its fault: {failure.outside}")
    return lines
