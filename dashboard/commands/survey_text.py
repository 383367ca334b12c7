"""A survey in words and columns, and as JSON."""

from __future__ import annotations

from dataclasses import asdict
from typing import Any

from calibration.survey import Opening, Survey, place_words
from calibration.uncertainty_budget import Budget
from dashboard.units import Units


def survey_json(name: str, of: Survey, sure: Budget) -> dict[str, Any]:
    """All of it; null where a number is infinite."""
    budget: dict[str, Any] = {**asdict(sure), "components": [{**asdict(c), "std_k": c.std_k} for c in sure.components]}
    for one in (budget, *budget["components"]):
        one.update({key: None for key, value in one.items() if value == float("inf")})
    return {"name": name, **asdict(of), "uncertainty": budget}


def survey_text(name: str, of: Survey, sure: Budget, steady_words: str) -> str:
    """What was found, places from hot to cold, door, uncertainty; lines of at most 80 signs but for long names."""
    lines = [
        f"{name}: {len(of.places)} places, set {of.set_c:g} °C",
        f"steady from {Units.seconds(of.steady_s)} to {Units.seconds(of.end_s)}",
        f"({steady_words})",
        f"on the whole {of.mean_off_k:+.1f} K from the setting, swinging by ± {of.swing_k:.1f} K",
        f"means within {of.uniformity_k:.1f} K; at one moment at most {of.spread_k:.1f} K apart",
        "",
        *_places(of),
    ]
    if of.zone_k:
        zones = ", ".join(f"{zone} {off:+.1f} K" for zone, off in of.zone_k.items())
        lines += ["", "halves against the mean:", f"  {zones}"]
    lines += ["", *(_opening(one) for one in of.openings)] if of.openings else ["", "the door was not opened"]
    lines += ["", "measurement uncertainty of one place's mean (JCGM 100)"]
    lines += [f"  {one.name:32s} {one.std_k:6.3f} K" for one in sure.components]
    lines += [f"  {'combined':32s} {sure.combined_k:6.3f} K",
              f"  {'expanded, k = ' + format(sure.factor, '.2f'):32s} {sure.expanded_k:6.3f} K"]  # fmt: skip
    return "\n".join(lines)


def _places(of: Survey) -> list[str]:
    names = {one.column: place_words(one) for one in of.places}
    wide = max(len("place"), *(len(name) for name in names.values()))
    found = [f"{'place':{wide}s} mean °C   off K   std K  over K   steady"]
    for one in sorted(of.places, key=lambda one: -one.mean_c):
        mark = {of.hottest: " hottest", of.coldest: " coldest"}.get(one.column, "")
        row = f"{one.mean_c:7.2f} {one.off_k:+7.2f} {one.std_k:7.2f} {one.overshoot_k:7.1f}"
        found.append(f"{names[one.column]:{wide}s} {row} {Units.seconds(one.steady_s):>8s}{mark}")
    return [*found, "(off: against the setting; std: of its readings; over: above what it came to)"]


def _opening(one: Opening) -> str:
    back = "not back by the end" if one.recovery_s is None else f"back after {Units.seconds(one.recovery_s)}"
    return f"door at {Units.seconds(one.at_s)}: fell by {one.fall_k:.0f} K, {back}"
