"""What is told at one moment as a JSON object; docs/watch.md has the keys."""

from __future__ import annotations

import json
from collections.abc import Sequence
from typing import Any

from calibration.estimate import Estimate, Moment, Spread
from dashboard.after_pull import Pulled
from dashboard.commands.watch_words import note_lines
from dashboard.follower import Told
from dashboard.plan_words import note_words
from dashboard.units import Units

#: Keys of every object, in this order.
KEYS = (
    "time_s", "cue", "core_c", "core_interval_c", "p_ready", "opens_s", "opens_interval_s", "closes_s",
    "closes_interval_s", "drop_mm", "misfit", "notes", "reason", "countdown_s", "countdown_to", "drop_measured_mm",
    "set_aside", "carries", "least_c", "least_interval_c",
)  # fmt: skip


def told_json(told: Told, also: Sequence[str] = ()) -> dict[str, Any]:
    """One moment; None for what is not known.

    Args:
        also: further notes.
    """
    units = Units()
    estimate = told.estimate
    found: dict[str, Any] = dict.fromkeys(KEYS)
    found |= {
        "time_s": told.time_s,
        "cue": told.state.value,
        "notes": [*note_lines(told, units), *also],
        "reason": note_words(told.reason, units),
        "countdown_s": _rounded(told.countdown_s, 1),
        "countdown_to": told.countdown_to,
        "set_aside": [],
        "carries": _carries(told.pulled),
    }
    return found if estimate is None else found | _estimated(estimate)


def _carries(pulled: Pulled | None) -> list[dict[str, Any]] | None:
    """Seconds that the sheet stays formable from the oven door: in a still room, and otherwise; None before it is out
    and while they are computed.
    """
    if pulled is None or pulled.carry is None:
        return None
    every = [("still room", pulled.carry), *((one.name, one.carry) for one in pulled.carries)]
    return [{"case": name, "formable_s": _rounded(carry.formable_s, 1)} for name, carry in every]


def line(content: dict[str, Any]) -> str:
    """The object on one line."""
    return json.dumps(content, ensure_ascii=False, allow_nan=False)


def _estimated(estimate: Estimate) -> dict[str, Any]:
    drop = estimate.drop_mm
    return {
        "core_c": _rounded(estimate.core_c.middle, 2),
        "core_interval_c": _ends(estimate.core_c),
        "least_c": _rounded(estimate.least_c.middle, 2),
        "least_interval_c": _ends(estimate.least_c),
        "p_ready": round(estimate.p_ready, 4),
        "opens_s": _rounded(estimate.opens.middle, 1),
        "opens_interval_s": _edges(estimate.opens),
        "closes_s": _rounded(estimate.closes.middle, 1),
        "closes_interval_s": _edges(estimate.closes),
        "drop_mm": None if drop is None else _rounded(drop.middle, 1),
        "misfit": _rounded(estimate.misfit, 2),
        "drop_measured_mm": _rounded(estimate.drop_measured_mm, 1),
        "set_aside": [{"column": column, "reason": reason} for column, reason in estimate.set_aside],
    }


def _rounded(value: float | None, digits: int) -> float | None:
    return None if value is None else round(value, digits) + 0.0


def _ends(spread: Spread) -> list[float | None]:
    return [_rounded(spread.low, 2), _rounded(spread.high, 2)]


def _edges(moment: Moment) -> list[float | None]:
    return [_rounded(moment.low, 1), _rounded(moment.high, 1)]
