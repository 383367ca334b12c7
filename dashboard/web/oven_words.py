"""What the page at the oven says of one bench, in words: from a look to plain texts. Nothing is computed here."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from calibration.crosswise import SWAPPED
from calibration.cue import State
from calibration.observed import AIR, Observed
from dashboard.after_pull import After
from dashboard.bench_look import Look
from dashboard.commands.pull_words import score_words
from dashboard.commands.watch_words import TO_DO, clock_words, countdown_words, reason_words, rows
from dashboard.live_service import Aged
from dashboard.plan_measured import column_name
from dashboard.plan_words import note_words
from dashboard.units import Units
from logger.heat_export import event_name
from logger.marks import FORM
from logger.reading import State as Reading
from logger.records import Mark
from thermal.heat import role_of

#: A look that is older than this is not shown as the present, s of the machine: three are missing then. On a clock that
#: runs fast each look is more work (our choice, both).
OLD_S, OLD_FAST_S = 3.0, 6.0
#: A bench from which nothing comes is said aloud after so long, s of its clock.
STALE_S = 5.0
NO_SHEET, NOT_LIVE = "no-sheet", "not-live"
#: What each state is called in the page's own files: a part of a class, a shape, a sound.
KEYS: Mapping[State | After, str] = {state: state.value.replace(" ", "-") for state in (*State, *After)}
_NO_SHEET_WORD, _NOT_LIVE_WORD = "no sheet in", "not live"
_BLIND = "Go by the look and the drop of the sheet, as its instructions say."


@dataclass(frozen=True)
class CueWords:
    """The cue as it is shown.

    Attributes:
        key: of the state. word: in large letters. count, to: '2:13' and what it leads to; '' where nothing is counted.
        todo: what to do. why: the reason.
    """

    key: str
    word: str
    count: str
    to: str
    todo: str
    why: str


def is_live(aged: Aged) -> bool:
    """Whether a look may be shown as the present."""
    return aged.look.failure is None and aged.age_s <= (OLD_FAST_S if aged.fast else OLD_S)


def cue_words(aged: Aged, units: Units) -> CueWords:
    """The cue; where the bench is not live, that, and no number."""
    look = aged.look
    if not is_live(aged):
        why = look.failure or "Nothing new comes from the recorder"
        if look.failure is None and not np.isfinite(aged.age_s):
            return CueWords(NOT_LIVE, "starting", "", "", "Pullcue has just been started.", "Waiting for the recorder")
        return CueWords(NOT_LIVE, _NOT_LIVE_WORD, "", "", _BLIND, why)
    told = look.told
    if told is None and look.cut_off_s is not None:
        return CueWords(KEYS[State.UNKNOWN], "sheet still in?", units.seconds(look.cut_off_s), "since it went in",
                        "Still in: 'Go on with it'. Out: 'It is out'. Whoever works here presses it.",
                        "Pullcue had stopped while a heat was going on")  # fmt: skip
    if told is None:
        return CueWords(NO_SHEET, _NO_SHEET_WORD, "", "", "Fill in the form, then say when the sheet goes in.",
                        "No heat is open on this bench")  # fmt: skip
    count = clock_words(told, units)
    to = countdown_words(told, units).removesuffix(count).rstrip()
    return CueWords(KEYS[told.state], told.state.value, count, to, TO_DO[told.state], reason_words(told, units))


def loud(aged: Aged, units: Units) -> list[str]:
    """What is not well, in large type; the worst first."""
    look = aged.look
    if not is_live(aged):
        return []  # the cue itself says so
    found = []
    if look.unsaved:
        found.append(f"NOT SAVED, in memory only: {look.unsaved}")
    if stale(aged, units):
        found.append("What is shown is computed on from before")
    else:
        found += _to_see_to(look, units)
    return [*found, *look.links]


def _to_see_to(look: Look, units: Units) -> list[str]:
    """What is wrong with the air or the sensors, and what to do; columns of which the same is said in one line."""
    told = look.told
    if told is not None and told.pulled is not None:
        return []
    estimate = None if told is None else told.estimate
    troubles, remarks = dict(look.troubles), dict(look.remarks)
    set_aside = () if estimate is None else estimate.set_aside
    aside = {name: f"not believed: {why}" for name, why in set_aside if role_of(name) is not None}  # no mark
    if estimate is not None:
        # It has judged by all sensors which of two is on the wrong plug, or none; the recorder knows only the two.
        remarks = {name: words for name, words in remarks.items() if name in aside or not words.endswith(SWAPPED)}
    columns: dict[str, list[str]] = {}
    for column in dict.fromkeys((*troubles, *aside, *remarks)):
        if column in troubles:
            if not _matters(column, troubles[column], look):
                continue
            words = ": ".join(one for one in (troubles[column], remarks.get(column)) if one)
        else:
            words = aside.get(column) or remarks[column]
        columns.setdefault(words, []).append(column_name(column))
    alarms = () if estimate is None else estimate.alarms
    return [*(note_words(one, units) for one in alarms),
            *(f"{_listed(names)}: {words}" for words, names in columns.items())]  # fmt: skip


def _listed(names: Sequence[str]) -> str:
    """'Upper face, lower air and wall'."""
    first, *rest = names
    small = [first, *(one[0].lower() + one[1:] for one in rest)]
    return small[0] if not rest else f"{', '.join(small[:-1])} and {small[-1]}"


def _matters(column: str, state: str, look: Look) -> bool:
    """A drop that nothing reads is no fault where the sheet has no stated opening to drop through, nor is a sheet's
    sensor while no sheet is in; that channels give nothing need not be said one by one beside the source that is lost.
    """
    if look.links and state == Reading.MISSING:
        return False
    role = role_of(column)
    if look.told is None:
        return role in (*AIR, "wall_c")
    return role != "drop_mm" or look.followed is None or look.followed.case.opening_m is not None


def stale(aged: Aged, units: Units) -> str:
    """For how long nothing has been measured of a sheet in the oven, '1:01'; '' where readings come."""
    look = aged.look
    heating = is_live(aged) and look.told is not None and look.told.pulled is None
    if not heating or look.silent_s is None or look.silent_s <= STALE_S:
        return ""
    return units.seconds(look.silent_s)


def phase(look: Look) -> str:
    """'none' without a sheet, 'in' the oven, 'out' of it, 'over' once the heat is closed."""
    if look.heat is None:
        return "none"
    if look.told is None or look.told.pulled is None:
        return "in"
    return "out" if look.open else "over"


def title(look: Look, units: Units) -> str:
    """Which sheet in which oven."""
    if look.followed is None:
        return f"Oven {look.oven}"
    case = look.followed.case
    opening = "" if case.opening_m is None else f", opening {' x '.join(units.length(m) for m in case.opening_m)}"
    return (
        f"{case.polymer.name}, {units.length(case.gauge_m)}, oven {case.oven.id} set to "
        f"{units.temperature(case.set_c)}{opening}"
    )


def table(look: Look, units: Units) -> list[tuple[str, str]]:
    """What is known now: core, faces, drop, window; without a sheet what the oven's sensors read."""
    if look.told is None or look.followed is None:
        return measured_rows(look.measured, units)
    at = np.array([look.told.time_s])
    seen = Observed(at, {name: np.array([value]) for name, value in look.measured.items()})
    found = rows(look.told, seen, look.followed, units)
    airs = {name: value for name, value in look.measured.items() if role_of(name) in AIR}
    return [*found, *measured_rows(airs, units)]


def measured_rows(measured: Mapping[str, float], units: Units) -> list[tuple[str, str]]:
    """Readings as they stand: label and words."""
    found = []
    for column, value in measured.items():
        words = units.length(value * 1e-3) if role_of(column) == "drop_mm" else units.temperature(value, 1)
        found.append((column_name(column).lower(), words))
    return found


def notes(look: Look, units: Units) -> list[str]:
    """What to know besides, most important first; sentences without full stops."""
    estimate = None if look.told is None else look.told.estimate
    found = []
    if estimate is not None:
        found += [note_words(note, units) for note in estimate.notes]
        if look.told is not None and look.told.cue is not None and look.told.cue.sag:
            way = "further than" if look.told.cue.sag == "ahead" else "behind what"
            found.append(f"The bubble is {way} the temperatures explain: 'pull now' waits until both say ready")
        # Sensors are named in large type above.
        marks = ((name, why) for name, why in estimate.set_aside if role_of(name) is None)
        found += [f"Set aside: {name.replace('_', ' ')}: {why}" for name, why in marks]
    # The first of the recorder's words counts seconds: the page has its own.
    return [*found, *look.notes, *look.words[1:]]


def mark_words(mark: Mark, start_s: float, units: Units) -> str:
    """'12:31 pulled, AB (signed in, technician)'."""
    name = event_name(mark.name).replace("_", " ")
    by = mark.by or {"door": "seen in the air", "button": "the board's button"}.get(mark.source, "")
    note = f", {mark.note}" if mark.note and mark.note != by else ""
    return f"{units.seconds(mark.at_s - start_s)} {name}{f', {by}' if by else ''}{note}"


def last_of(marks: Sequence[Mark]) -> Mark | None:
    """The mark that one click takes back: the last one given. A door seen in the air is not: nobody gave it, and it
    comes after the pull that somebody may have marked by mistake; `pullcue mark --undo` takes it back too.
    """
    of_door = ("door_open", "door_closed")
    can = [one for one in marks if not one.of_machine and one.name != FORM]
    return next((one for one in reversed(can) if not (one.source == "door" and one.name in of_door)), None)


def judgement(look: Look, units: Units) -> list[str]:
    """The pull against the hidden truth, in sentences without full stops; empty where nothing is judged."""
    return [] if look.score is None else score_words(look.score, units)
