"""An oven under watch in words, for terminal and page."""

from __future__ import annotations

from calibration.control_chart import FEWEST
from calibration.drift import BASE_POINTS, What
from dashboard.oven_card_words import day_words
from dashboard.oven_drift import OvenWatch

#: What each chart shows.
NAMES: dict[What, str] = {
    "upper": "heat transfer, upper face",
    "lower": "heat transfer, lower face",
    "ready": "ready time",
}


def state_words(of: OvenWatch) -> str:
    """How it stands with the oven in one sentence, without its full stop."""
    lasting = [one for one in of.drift.alarms if one.kind == "lasting"]
    if lasting:
        return "It has changed"
    if of.drift.alarms:
        return "One heat stands out; no lasting change is seen"
    if all(one.base is None for one in of.drift.series):
        return f"Not known yet: {len(of.estimates)} heats say something of it, {FEWEST} are needed"
    return "No change is seen"


def due_words(of: OvenWatch) -> str:
    """By when to calibrate anew, a sentence without its full stop."""
    due = of.drift.due
    return "Nothing says a day" if due is None else f"Recalibrate by {due.day.isoformat()}: {due.why}"


def basis_words(of: OvenWatch) -> list[str]:
    """What the charts rest on, sentences without full stops."""
    since = "" if of.since is None else f" since {day_words(of.since)}"
    lines = [f"{_count(len(of.estimates))}{since} estimated the oven against its card"]
    found = [one for one in of.drift.series if one.base is not None]
    if found:
        most = max(int(one.base.points) for one in found if one.base is not None)
        settled = "" if most >= BASE_POINTS else f" (until there are {BASE_POINTS})"
        lines.append(f"What is usual comes from the first {most} of them{settled}")
    if len(of.drift.series[2].values):
        lines.append(
            "Ready times were measured: by core thermocouples, and marks that a sheet was clear through"
            if of.drift.how == "measured"
            else "Ready times are computed with the heat that the faces got: in few heats they were measured"
        )
    if of.waiting:
        lines.append(f"{_count(of.waiting)} not looked at yet")
    return lines


def _count(number: int) -> str:
    return f"{number} heat{'' if number == 1 else 's'}"
