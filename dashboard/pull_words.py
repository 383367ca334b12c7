"""The sheet at the pull and after it, in a technician's words."""

from __future__ import annotations

from calibration.estimate import Spread
from dashboard.pull_facts import WORTH_TELLING
from dashboard.review import Review
from dashboard.review_words import LIKELY, limits_passed, percent
from dashboard.spread_words import drop_range, drop_words, margin_words, stretch_words, temperatures
from dashboard.units import Units

#: A window that opened so shortly before or after the pull opened at it, s.
_AT_ONCE_S = 5.0
#: Of a drop that may be so many times as much as its least, and by so much more, mm, nothing is known (our choice).
_ANYTHING, _ANYTHING_MM = 2.0, 20.0


def state_lines(of: Review, units: Units) -> list[tuple[str, str]]:
    """The sheet at the pull and after it: what, and the words."""
    state = of.diagnosis.at_pull
    lines = [
        ("Pulled" if of.pulled else "Record ends", Units.seconds(state.time_s)),
        ("Core (coldest point)", f"{temperatures(state.core_c, units)}; {_least_words(of, units)}"),
        ("Core against its least", margin_words(state.above_k, units) + _fact("below it", state.p_early)),
        ("Hotter face", temperatures(state.hottest_c, units) + _fact("over its limit at any time", state.p_face)),
    ]
    if passed := limits_passed(of, units):
        lines.append(("Limit passed", passed))
    lines.append(("Window", window_words(of)))
    if state.drop_mm is not None:
        lines.append(("Drop", _drop(of, state.drop_mm, units)))
    lines.append(("Time at temperature", dose_words(of, units)))
    formable = "over 30 min" if of.carry.formable_s is None else f"about {Units.seconds(of.carry.formable_s)}"
    lines.append(("Formable after the pull" if of.pulled else "Formable if pulled then", formable))
    if of.carried_s is not None:
        left = of.left_s
        mold = "formable" if left is None or left >= 0.0 else "too cold: a face below its forming temperature"
        lines.append(("On the mold", f"after {Units.seconds(of.carried_s)}, {mold}"))
    return lines


def _least_words(of: Review, units: Units) -> str:
    """What the core must have: of this sheet as far as it is known, and as its polymer's file states."""
    least = temperatures(of.diagnosis.at_pull.least_c, units)
    return f"must have {least} to be formed, {units.temperature(of.of.core_min_c)} as stated"


def _fact(words: str, share: float) -> str:
    """A limit that may not have been kept, after what is said of it."""
    return f"; {words}: {percent(share)}" if share >= WORTH_TELLING else ""


def window_words(of: Review) -> str:
    """When the window opened beside the pull; where it had not, when it would have, or that it would not."""
    state, end = of.diagnosis.at_pull, "the pull" if of.pulled else "the record's end"
    if state.before_ready_s is None:
        sure = "would not" if state.p_never >= LIKELY else "may not"
        return f"{sure} have opened within {Units.seconds(state.followed_s)} after {end} ({percent(state.p_never)})"
    return _opening_words(state.before_ready_s, end)


def _opening_words(of: Spread, end: str) -> str:
    """When the window opened, with its interval; `of`: s after the end, negative before it."""
    later = of.middle > 0.0
    opened = "would have opened" if later else "opened"
    if of.low * of.high <= 0.0:  # nobody knows on which side
        between = f"between {Units.seconds(-of.low)} before and {Units.seconds(of.high)} after"
        if abs(of.middle) < _AT_ONCE_S:
            return f"opened about at {end} ({between})"
        side = "after" if later else "before"
        return f"{opened} about {Units.seconds(abs(of.middle))} {side} {end} ({between})"
    first, last = sorted((abs(of.low), abs(of.high)))
    interval = f"({'at once' if first < 0.5 else Units.seconds(first)} to {Units.seconds(last)})"
    if later:
        return f"{opened} {Units.seconds(of.middle)} after {end} {interval}; the core was not ready"
    return f"{opened} {Units.seconds(-of.middle)} before {end} {interval}"


def dose_words(of: Review, units: Units) -> str:
    """For how long a face was hot, and what share of what it stands that used up, where the polymer says so."""
    state, dose = of.diagnosis.at_pull, of.of.dose
    hot = state.hot_s
    least = units.temperature(of.of.core_min_c)
    told = f"no face came to {least}" if hot.high < 1.0 else f"a face was at {least} or hotter for {stretch_words(hot)}"
    if dose is None or state.dose is None:
        return f"{told}; {of.case.polymer.id} states no limit for it"
    stands = f"{Units.seconds(dose.limit_s)} at {units.temperature(dose.reference_c)}"
    return (
        f"{told}; {_whole(state.dose.middle)} % ({_whole(state.dose.low)} to {_whole(state.dose.high)} %) of the heat "
        f"that a face stands was used up (it stands {stands}, less where hotter)"
    )


def _whole(share: float) -> str:
    return f"{100.0 * share:.0f}"


def _drop(of: Review, drop_mm: Spread, units: Units) -> str:
    """The drop at the pull; one that was not measured and that may be anything is not put down as a figure."""
    if of.diagnosis.at_pull.drop_measured:
        return drop_words(drop_mm, units)
    if drop_mm.high > _ANYTHING * drop_mm.low and drop_mm.high - drop_mm.low > _ANYTHING_MM:
        return f"not measured; computed it may be anything from {drop_range(drop_mm, units)}"
    return f"{drop_words(drop_mm, units)}, computed" + ("" if _drop_seen(of) else ": nobody measured it")


def _drop_seen(of: Review) -> bool:
    return any(one.name.startswith(("drop", "line_")) for one in of.diagnosis.beside)
