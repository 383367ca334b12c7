"""A recorded heat beside its plan, in words: what differs, what that means, the oven before the sheet."""

from __future__ import annotations

from typing import TYPE_CHECKING

from dashboard.plan_words import percent
from dashboard.units import Units
from thermal.heat import sensor_of

if TYPE_CHECKING:
    from thermal.measured import Recorded, Residual
    from thermal.plan import Plan
    from thermal.preheat import Preheat

#: A column counts as possible while at most this share of its readings lies outside the 5 to 95 % band.
_CHANCE = 0.1
_SIDES = {"K": ("warmer", "colder"), "mm": ("deeper", "higher")}


def recorded_words(recorded: Recorded, plan: Plan, units: Units) -> list[str]:
    """Everything worth saying, the conclusion first."""
    return [
        summary_words(recorded),
        preheat_words(recorded.preheat, units),
        *(residual_words(one, units) for one in recorded.residuals),
        *(words for one in recorded.residuals if (words := ready_words(one, plan, units))),
    ]


def summary_words(recorded: Recorded) -> str:
    """What the comparison comes to, in one sentence without its full stop."""
    if not recorded.residuals:
        return "Nothing to compare: the file has no face, core or drop column"
    odd = [one for one in recorded.residuals if not one.agrees and one.outside > _CHANCE]
    if odd:
        what = ", ".join(f"{_named(one).lower()} {_side(one)}" for one in odd)
        return (
            f"Not as predicted: {what}, by more than what is uncertain about sheet and oven explains. Check the oven "
            "(fan, door, setting, the age of its card), the sheet's gauge and polymer, and the sensors"
        )
    apart = [one for one in recorded.residuals if not one.agrees]
    if apart:
        what = ", ".join(f"{_named(one).lower()} {_side(one)}" for one in apart)
        return f"As predicted within what is uncertain about sheet and oven; {what}"
    return "As predicted"


def preheat_words(preheat: Preheat | None, units: Units) -> str:
    """How the oven was when the sheet went in, as a sentence without its full stop."""
    if preheat is None:
        return "Whether the oven was steady when the sheet went in is not known: the air before it was not recorded"
    if preheat.drift_k_min is None or preheat.departure_k is None:
        return (
            "Whether the oven was steady when the sheet went in is not known: too few readings of its "
            f"{preheat.of} before (5 min wanted)"
        )
    drift, apart = abs(preheat.drift_k_min), abs(preheat.departure_k)
    where = f"{units.difference(apart, 1)} {'above' if preheat.departure_k > 0 else 'below'} what the oven card expects"
    if preheat.finding == "moving":
        way = "rising" if preheat.drift_k_min > 0 else "falling"
        return (
            f"Oven not steady when the sheet went in: its {preheat.of} still {way} by {units.difference(drift, 1)} a "
            f"minute; {where}"
        )
    if preheat.finding == "off":
        return f"Oven steady when the sheet went in, but its {preheat.of} {where}"
    still = f"by {units.difference(drift, 1)}" if drift >= 0.05 else f"by less than {units.difference(0.1, 1)}"
    return f"Oven steady when the sheet went in: its {preheat.of} drifted {still} a minute; {where}"


def residual_words(one: Residual, units: Units) -> str:
    """One column's finding as a sentence without its full stop."""
    if one.agrees:
        verdict = f"as predicted, typically {_size(one.rms, one, units)} apart"
    else:
        worst = _SIDES[one.unit][0 if one.worst > 0 else 1]
        verdict = (
            f"{_size(one.mean, one, units)} {_side(one)} than predicted on average, at most "
            f"{_size(one.worst, one, units)} {worst}, at {units.seconds(one.worst_s)}"
        )
    if one.outside <= _CHANCE:
        return f"{_named(one)}: {verdict}; the plan holds that possible"
    return f"{_named(one)}: {verdict}; {percent(one.outside)} of the readings are outside what the plan holds possible"


def ready_words(one: Residual, plan: Plan, units: Units) -> str | None:
    """When a core sensor reached what the polymer needs, against the prediction; None for other columns."""
    if not one.column.startswith("core"):
        return None
    level = units.temperature(plan.of.core_min_c)
    measured, predicted = one.reached_s(plan.of.core_min_c)
    if measured is None:
        end = ", as predicted" if predicted is None else f"; predicted at {units.seconds(predicted)}"
        return f"{_named(one)} did not reach {level} in the record{end}"
    if predicted is None:
        return f"{_named(one)} reached {level} at {units.seconds(measured)}; not predicted to in the record"
    late = measured - predicted
    size = units.seconds(abs(late))
    when = "as predicted" if abs(late) < 1.0 else f"{size} {'later' if late > 0 else 'earlier'} than predicted"
    return f"{_named(one)} reached {level} at {units.seconds(measured)}, {when}"


def column_name(column: str) -> str:
    """'Upper face', 'Lower air', 'Core 2', 'Drop' for a column of a heat file."""
    words = sensor_of(column).split("_")
    if words[0] in ("face", "air") and len(words) > 1:
        words = [words[1], words[0], *words[2:]]
    return " ".join(words).capitalize()


def _named(one: Residual) -> str:
    return column_name(one.column)


def _side(one: Residual) -> str:
    return _SIDES[one.unit][0 if one.mean > 0 else 1]


def _size(value: float, one: Residual, units: Units) -> str:
    return units.difference(abs(value), 1) if one.unit == "K" else units.length(abs(value) * 1e-3)
