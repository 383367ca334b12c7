"""What the cue says, in words: shared by the terminal's panel, its plain lines and the JSON."""

from __future__ import annotations

from collections.abc import Mapping

from calibration.cue import State
from calibration.estimate import Estimate, Moment, Spread
from calibration.observed import Observed
from dashboard.after_pull import After
from dashboard.follower import Followed, Told
from dashboard.plan_measured import column_name
from dashboard.plan_settings import carries_words
from dashboard.plan_words import note_words, percent
from dashboard.units import Units
from thermal.heat import role_of
from thermal.sag import equivalent_radius_m

#: What to do in each state: our words.
TO_DO: Mapping[State | After, str] = {
    State.HEATING: "Leave it in; stay with it.",
    State.CLOSE: "Gloves on, way to the mold clear, vacuum ready.",
    State.PULL: "Pull the sheet, if it also looks ready.",
    State.LAST: "Pull it now: soon it is most likely spoilt.",
    State.LATE: "Take it out. Use it only if the sheet's instructions allow what it has been through.",
    State.UNKNOWN: "Go by the look and the drop of the sheet, as its instructions say.",
    After.CARRY: "To the mold.",
    After.COLD: "Do not force it over the mold.",
    After.MOLD: "The heat is over.",
}
_TO = {"ready": "likely ready in", "spoilt": "may be spoilt in", "too cold": "formable for another"}
CAUTION = (
    "Hot sheet and frame: gloves and sleeves; run the extraction; never leave it. This is advice: the sheet's "
    "instructions, its safety data sheet and the shop's procedures come first."
)
#: A measured column is shown while its last reading is not older than this, s.
_RECENT_S = 10.0


def countdown_words(told: Told, units: Units) -> str:
    """'likely ready in 2:13'; '' where there is nothing to count."""
    if told.countdown_s is None or told.countdown_to is None:
        return ""
    if _waits(told):
        return "likely ready by now, but not yet sure enough"
    return f"{_TO[told.countdown_to]} {units.seconds(told.countdown_s)}"


def clock_words(told: Told, units: Units) -> str:
    """The countdown as '2:13', to be drawn large; '' where a zero would call for a pull that is not asked for."""
    return "" if told.countdown_s is None or _waits(told) else units.seconds(told.countdown_s)


def _waits(told: Told) -> bool:
    """Whether the likely opening has passed, and 'pull now' still waits to be sure."""
    return told.countdown_to == "ready" and told.countdown_s is not None and told.countdown_s < 0.5


def reason_words(told: Told, units: Units) -> str:
    """Why this state, as a sentence without its full stop."""
    return note_words(told.reason, units)


def note_lines(told: Told, units: Units) -> list[str]:
    """What the technician should know besides, most important first; sentences without full stops."""
    estimate = told.estimate
    if estimate is None:
        return []
    return [
        *(note_words(note, units) for note in (*estimate.alarms, *estimate.notes)),
        *([_sag_words(told.cue.sag, estimate, units)] if told.cue is not None and told.cue.sag else []),
        *(set_aside_words(column, reason) for column, reason in estimate.set_aside),
    ]


def set_aside_words(column: str, reason: str) -> str:
    """What is not believed, why, and how it is taken back."""
    if role_of(column) is None:
        return f"Set aside: {column.replace('_', ' ')}: {reason}"
    return f"Set aside: {column_name(column).lower()}: {reason}; --trust {column} takes it back"


def _sag_words(sag: str, estimate: Estimate, units: Units) -> str:
    apart = (
        ""
        if estimate.thermal is None
        else f": without it the core is at {_spread_words(estimate.thermal.core_c, units)}"
    )
    way = "further than" if sag == "ahead" else "behind what"
    return (
        f"The bubble is {way} the temperatures explain{apart}. 'Pull now' waits until both say ready; 'too late' comes "
        "when the first says so"
    )


# ---------------------------------------------------------------- rows of the panel


def rows(told: Told, seen: Observed, followed: Followed, units: Units) -> list[tuple[str, str]]:
    """Label and words of what is known now, the core first."""
    estimate = told.estimate
    if estimate is None:
        return _after_rows(told, units)
    measured = latest(seen, told.time_s)
    found = [
        (
            "core",
            f"{_spread_words(estimate.core_c, units)}; must have {_spread_words(estimate.least_c, units)} to be formed",
        ),
        ("upper face", _face_words(estimate.upper_c, "face_upper_c", measured, units)),
        ("lower face", _face_words(estimate.lower_c, "face_lower_c", measured, units)),
    ]
    if estimate.drop_mm is not None:
        found.append(("drop", _drop_words(estimate, followed, units)))
    ready = f"{percent(estimate.p_ready)} sure that it is ready now"
    found += [("opens", f"{moment_words(estimate.opens, units)}; {ready}"), ("closes", _closes_words(estimate, units))]
    return found


def _after_rows(told: Told, units: Units) -> list[tuple[str, str]]:
    if told.pulled is None:
        return []
    then, carry = told.pulled.estimate, told.pulled.carry
    pulled = f"at {units.seconds(told.pulled.at_s)}"
    if then is None or carry is None:
        return [("pulled", pulled), ("carry", "being computed")]
    formable = "longer than 30 min" if carry.formable_s is None else units.seconds(carry.formable_s)
    return [
        ("pulled", f"{pulled}; it was ready with {percent(then.p_ready)}"),
        ("core then", _spread_words(then.core_c, units)),
        ("carry", f"{formable} from the oven door (room {units.temperature(carry.room_c)}, still air)"),
        ("else", carries_words(told.pulled.carries, units)),
    ]


def latest(seen: Observed, now_s: float) -> dict[str, float]:
    """The last reading of each column, where it is not old."""
    recent = (seen.time_s <= now_s) & (seen.time_s > now_s - _RECENT_S)
    found = {}
    for column, values in seen.columns.items():
        known = values[recent & (values == values)]  # NaN is not equal to itself
        if len(known):
            found[column] = float(known[-1])
    return found


def _face_words(predicted: Spread, role: str, measured: Mapping[str, float], units: Units) -> str:
    shown = [units.temperature(value, 1) for column, value in measured.items() if role_of(column) == role]
    return f"{_spread_words(predicted, units)}; {'measured ' + ', '.join(shown) if shown else 'not measured'}"


def _drop_words(estimate: Estimate, followed: Followed, units: Units) -> str:
    assert estimate.drop_mm is not None
    opening_m = followed.case.opening_m
    words = f"about {units.length(estimate.drop_mm.middle * 1e-3)}"
    measured = estimate.drop_measured_mm
    words += "; not measured" if measured is None else f"; measured {units.length(measured * 1e-3)}"
    if followed.of.drop_min is not None and opening_m is not None:
        words += f"; wanted {units.length(followed.of.drop_min * equivalent_radius_m(opening_m))}"
    return words


def _closes_words(estimate: Estimate, units: Units) -> str:
    if estimate.closes.middle is None and estimate.closes.low is None:
        return "nothing spoils it, as far as temperatures tell; plastic ages in the heat all the same"
    by = f" by {estimate.closes_by}" if estimate.closes_by else ""
    return f"{moment_words(estimate.closes, units)}{by}"


def moment_words(moment: Moment, units: Units) -> str:
    """'13:20 (90 of 100: 12:58 to 14:05)', times since the sheet went in."""
    if moment.middle is None:
        return "most likely never" + (f" (5 of 100: before {units.seconds(moment.low)})" if moment.low else "")
    low = "" if moment.low is None else units.seconds(moment.low)
    high = "never" if moment.high is None else units.seconds(moment.high)
    return f"{units.seconds(moment.middle)} (90 of 100: {low} to {high})"


def _spread_words(spread: Spread, units: Units) -> str:
    """'158 °C (155 to 161)'."""
    low, high = (f"{units.temperature_value(value):.0f}" for value in (spread.low, spread.high))
    return f"{units.temperature(spread.middle)} ({low} to {high})"
