"""The judgement of a practice pull in words."""

from __future__ import annotations

from dashboard.pull_score import Score
from dashboard.units import Units


def score_words(found: Score, units: Units) -> list[str]:
    """The judgement in sentences without full stops, the verdict first."""
    core = f"its coldest point was {units.difference(abs(found.above_k), 1)} " + (
        "above" if found.above_k >= 0.0 else "below"
    )
    least = f"{core} the least it must have"
    if found.verdict == "right":
        first = f"RIGHT: pulled at {units.seconds(found.at_s)}, {least}"
    elif found.verdict == "late":
        first = (
            f"LATE by {units.seconds(found.off_s or 0.0)}: pulled at {units.seconds(found.at_s)}, spoilt before "
            f"({found.closes_by}); {least}"
        )
    elif found.off_s is None:
        first = f"EARLY: pulled at {units.seconds(found.at_s)}; this sheet would never have got ready; {least}"
    else:
        first = f"EARLY by {units.seconds(found.off_s)}: pulled at {units.seconds(found.at_s)}; {least}"
    return [first, _window_words(found, units)]


def _window_words(found: Score, units: Units) -> str:
    if found.opens_s is None:
        return "The true sheet never got ready"
    end = (
        "nothing would have closed it"
        if found.closes_s is None
        else f"closed at {units.seconds(found.closes_s)} ({found.closes_by})"
    )
    if found.closes_s is not None and found.closes_s <= found.opens_s:
        return (
            f"There was no window: ready at {units.seconds(found.opens_s)}, spoilt at {units.seconds(found.closes_s)}"
        )
    return f"The true window opened at {units.seconds(found.opens_s)}; {end}"
