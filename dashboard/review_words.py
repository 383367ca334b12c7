"""A review in a technician's words: what was found, with its evidence."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from typing import Protocol

import numpy as np

from calibration.alternative_fit import Beside
from calibration.diagnosis import NOTHING, UNEXPLAINED, Finding
from calibration.doubt import SetAside
from calibration.estimate import Spread
from dashboard.heat_form import one_line
from dashboard.pull_facts import WORTH_TELLING, pull_facts
from dashboard.review import Review
from dashboard.spread_words import length, margin_words, two_figures
from dashboard.units import Units
from thermal.sag import equivalent_radius_m
from thermal.window import DROP_LARGE, TOO_LONG

#: From this probability on a finding is told as likely; below the second it is left out of short lists.
LIKELY, LISTED = 0.5, 0.02
#: From this probability on, and where it makes the readings likelier than a heat with nothing unusual by so much
#: (logarithm), it is told what a finding cannot be told from; hardly, where the other is so many times less likely.
SHOWN = 0.2
_ODDS_TOLD, _HARDLY = 4.0, 5.0
#: How strongly readings speak for what makes them so many times likelier; beyond the most no number is told.
_STRENGTHS = (("very strongly ", 150.0), ("strongly ", 20.0), ("", 3.0), ("weakly ", 1.0))
_MOST_TIMES = 1000
#: From so much on it is told how much longer the core needed, s.
_NEEDED_S = 5.0
#: Below this misfit readings and model agree.
_AGREE = 1.5
_FACES = {"upper": "the upper face", "lower": "the lower face", "both": "both faces"}
_COLUMNS = {"line_1": "the mark of line 1", "line_2": "the mark of line 2", "line_3": "the mark of line 3",
            "clear_through": "the mark 'clear through'", "air": "the air", "walls": "the walls"}  # fmt: skip
UNEXPLAINED_WORDS = "Nothing that was tried explains the readings well: look at sensors, door and polymer"
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
    "air sensor off": _signed(
        "Air sensor reads too high: the oven was colder", "Air sensor reads too low: the oven was hotter"
    ),
    "emitters": _signed("Emitters colder than the oven card says", "Emitters hotter than the oven card says"),
    "tray contact": _signed("Sheet lay badly on its tray", "Sheet lay better on its tray than the card says"),
    "tray cold": lambda one, units: "Tray cold",
    "oven not ready": lambda one, units: "Put in before the oven was ready",
    "door opened": lambda one, units: "Door opened during the heat",
    "loose": lambda one, units: f"Thermocouple {column_words(one.of)} loose",
    "drifting": lambda one, units: f"Thermocouple {column_words(one.of)} drifting",
    "frozen": lambda one, units: f"Thermocouple {column_words(one.of)} frozen: it stood still",
    "swapped": lambda one, units: "Thermocouples of the upper and the lower face swapped",
    "plugs swapped": lambda one, units: f"Plugs of {column_words(one.of)} and of the air swapped",
    "air sensor out of place": lambda one, units: f"Thermocouple {column_words(one.of)} out of its place",
    "pulled early": lambda one, units: "Pulled before the core was ready",
    "pulled late": lambda one, units: "Pulled late",
    "face overheated": lambda one, units: "Face overheated (oven set too high, or the door side)",
    "carried too long": lambda one, units: "Carried too long",
}


def evidence_words(one: Finding, of: Review, units: Units) -> str:
    """What speaks for a finding and where it shows, without the full stop."""
    parts = [part for part in (_size_words(one, of, units), _place_words(one, units), _odds_words(one)) if part]
    near, far = alike(one, of.diagnosis)
    for others, words in ((near, "cannot tell it"), (far, "can hardly tell it")):
        if others:
            parts.append(f"these readings {words} from: {'; '.join(small(title(other, units)) for other in others)}")
    told = "; ".join(parts)
    return told[:1].upper() + told[1:]


def alike(one: Finding, of: Ranked) -> tuple[list[Finding], list[Finding]]:
    """What the readings cannot tell a finding from, and what they hardly can; nothing where it is itself unlikely."""
    if one.probability < SHOWN or one.odds is None or one.odds <= _ODDS_TOLD:
        return [], []
    others = [each for each in of.findings if each.name in one.alike and each.probability >= LISTED]
    near = [each for each in others if one.probability <= _HARDLY * each.probability]
    return near, [each for each in others if each not in near]


def limits_passed(of: Review, units: Units) -> str:
    """'drop over 180 mm: over 99 %; core over what it stands (190 °C as stated): 16 %': the limits that make a pull
    late, as far as it is worth telling; '' where none is.
    """
    state = of.diagnosis.at_pull
    often = sorted(state.p_passed.items(), key=lambda entry: -entry[1])
    told = [entry for entry in often if entry[1] >= WORTH_TELLING]
    if not told and state.p_late >= WORTH_TELLING:
        told = often[:1]  # several together
    return "; ".join(f"{_limit(of, name, units)}: {percent(share)}" for name, share in told)


def _limit(of: Review, name: str, units: Units) -> str:
    limits, opening_m = of.of, of.case.opening_m
    if name == DROP_LARGE and limits.drop_max is not None and opening_m is not None:
        return f"drop over {length(limits.drop_max * equivalent_radius_m(opening_m) * 1e3, units)}"
    if name == TOO_LONG and limits.dose is not None:
        stated = f"{Units.seconds(limits.dose.limit_s)} at {units.temperature(limits.dose.reference_c)}"
        return f"time at temperature over what a face stands ({stated} as stated)"
    return f"core over what it stands ({units.temperature(limits.core_max_c)} as stated)"


def _size_words(one: Finding, of: Review, units: Units) -> str:
    size, state = one.size, of.diagnosis.at_pull
    if one.kind == NOTHING:
        return _nothing_words(of)
    if one.kind == "pulled early":
        margin = margin_words(state.above_k, units, " its least")
        return f"core {margin}{_needed_words(state.before_ready_s)}"
    if one.kind == "pulled late":
        return f"passed before it: {limits_passed(of, units)}"
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
        if one.column is None:
            return f"marked; without it the core would have been about {units.difference(abs(size), 1)} hotter"
        return f"the air fell by about {units.difference(abs(size))}"
    if one.kind == "oven not ready":
        return f"{units.difference(abs(size))} {'below' if size < 0.0 else 'above'} where it should have been"
    return f"by about {units.difference(abs(size))}" + (f" (± {units.difference(std)})" if std else "")


def _nothing_words(of: Review) -> str:
    off = _off(of.diagnosis.as_stated)
    if off is None:
        words = "nothing was measured of the sheet that could speak against it"
    else:
        fits = "agree" if off < _AGREE else "agree roughly" if off < UNEXPLAINED else "do not agree"
        words = f"readings and model {fits} (misfit {off:.1f}, about 1 where all is explained)"
    return "; ".join([words, *(f"but {words}" for words in _likely_facts(of))])


def _off(beside: Sequence[Beside]) -> float | None:
    """How far readings are from the sheet as stated, in standard deviations of the measuring, root mean square."""
    off = np.concatenate([one.off for one in beside]) if beside else np.zeros(0)
    return float(np.sqrt(np.mean(off**2))) if len(off) else None


def _likely_facts(of: Review) -> list[str]:
    facts = pull_facts(of.diagnosis, of.pulled).all()
    return [f"{one.probably} ({percent(one.probability)})" for one in facts if one.probability >= LIKELY]


def _needed_words(before: Spread | None) -> str:
    if before is None or before.middle < _NEEDED_S:
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
    """How strongly the readings speak for or against a finding; steps of Kass and Raftery (1995), from memory."""
    if one.odds is None or one.kind == NOTHING or abs(one.odds) < math.log(2.0):
        return ""
    times = math.exp(min(abs(one.odds), math.log(2.0 * _MOST_TIMES)))
    how = next(words for words, least in _STRENGTHS if times >= least)
    number = f"more than {_MOST_TIMES}" if times > _MOST_TIMES else f"about {two_figures(times)}"
    side, more = ("for", "likelier") if one.odds > 0.0 else ("against", "less likely")
    return f"the readings speak {how}{side} it ({number} times {more} than with nothing unusual)"


class Ranked(Protocol):
    """Findings, the likeliest first: a diagnosis, or what was kept of one."""

    @property
    def findings(self) -> tuple[Finding, ...]:
        """All of them."""

    @property
    def first(self) -> Finding:
        """The likeliest."""


def likely(of: Ranked) -> list[Finding]:
    """Findings that are told: all that are likely, else the first."""
    told = [one for one in of.findings if one.probability >= LIKELY]
    return told or [of.first]


def headline(of: Review, units: Units) -> str:
    """The diagnosis in a sentence without its full stop: causes with their probabilities, and what is sure of the pull
    where no cause is.
    """
    told = likely(of.diagnosis)
    facts = _likely_facts(of)
    if told[0].kind == NOTHING and told[0].probability >= LIKELY and of.diagnosis.misfit is None:
        return _unmeasured(of, told[0], facts)
    unsure = told[0].probability < LIKELY
    if told[0].kind == NOTHING and facts:
        none = "No single cause stands out" if unsure else "No cause found in the readings"
        return f"{none}, but {' and '.join(facts)}"
    either = [_either(one, told, of.diagnosis, units) for one in told]
    words = (", and " if any(" or " in one for one in either) else " and ").join([either[0], *map(small, either[1:])])
    if any(_near(one, told, of.diagnosis) for one in told):
        words += ": these readings cannot tell which"
    if not unsure:
        return words
    return "; ".join([f"No single cause stands out; likeliest: {words}", *facts])


def _unmeasured(of: Review, nothing: Finding, facts: Sequence[str]) -> str:
    """That nothing was found is little where nobody measured the sheet."""
    but = f", but {' and '.join(facts)}" if facts else ""
    if of.diagnosis.air is None:
        return f"Nothing was measured that could show anything unusual{but}"
    return f"Nothing unusual in the air ({percent(nothing.probability)}), and nobody measured the sheet{but}"


def _either(one: Finding, told: Sequence[Finding], of: Ranked, units: Units) -> str:
    """'Sheet thicker than its label (60 %) or oven colder than it showed (30 %)'."""
    words = [f"{briefly(each, units)} ({percent(each.probability)})" for each in (one, *_near(one, told, of))]
    return " or ".join([words[0], *map(small, words[1:])])


def _near(one: Finding, told: Sequence[Finding], of: Ranked) -> list[Finding]:
    names = {each.name for each in told}
    return [each for each in alike(one, of)[0] if each.name not in names]


def briefly(one: Finding, units: Units) -> str:
    """A title without what it says in brackets."""
    return title(one, units).partition(" (")[0]


def doubt_lines(of: Review, units: Units) -> list[str]:
    """What to doubt in a ranking, without full stops: a card of another oven, what these sensors cannot show, that
    nothing explains the readings or that an explanation was not computed to rest, and readings that are not believed.
    """
    unexplained = [UNEXPLAINED_WORDS] if of.diagnosis.unexplained else []
    aside = [f"Not believed: {aside_words(one, units)}" for one in of.diagnosis.aside]
    return [*aside, *_card_words(of), *unexplained, *_unsettled_words(of, units), *of.unseen]


def _card_words(of: Review) -> list[str]:
    stated, used = of.heat.oven, of.case.oven.id
    if stated in (None, used):
        return []
    return [f"Heated in oven {one_line(str(stated))}, reviewed with the card of {one_line(used)}: every cause is told "
            "against that card"]  # fmt: skip


def _unsettled_words(of: Review, units: Units) -> list[str]:
    if not of.unsettled:
        return []
    named = {one.name: small(briefly(one, units)) for one in of.diagnosis.findings}
    told = "; ".join(" with ".join(named.get(name, name) for name in names) for names in of.unsettled)
    return [f"Not computed to rest, so take probability and size as rough: {told}"]


def aside_words(one: SetAside, units: Units) -> str:
    """'face upper from 3:20 on: stands still while others move'."""
    return f"{column_words(one_line(one.column))} from {units.seconds(one.from_s)} on: {one.reason}"


def small(words: str) -> str:
    """Beginning small, to go on in a sentence."""
    return words[0].lower() + words[1:]
