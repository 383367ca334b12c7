"""An oven under watch as one JSON object."""

from __future__ import annotations

import math
from typing import Any

from calibration.control_chart import Base, Chart
from calibration.drift import Alarm, Watched
from calibration.heat_estimate import Estimate
from dashboard.oven_drift import OvenWatch


def drift_json(of: OvenWatch) -> dict[str, Any]:
    """All of it; changes and chart values are natural logarithms of found over the card's, null where there is none."""
    return {
        "oven": of.card.id,
        "since": None if of.since is None else of.since.isoformat(),
        "recalibrate_by": None if of.drift.due is None else of.drift.due.day.isoformat(),
        "recalibrate_why": None if of.drift.due is None else of.drift.due.why,
        "alarms": [_alarm(one) for one in of.drift.alarms],
        "ready_times": of.drift.how,
        "charts": {one.what: _watched(one) for one in of.drift.series},
        "heats": [_estimate(one) for one in of.estimates],
        "left_out": [{"heat": heat, "why": why} for heat, why in of.left_out],
        "waiting": of.waiting,
    }


def _alarm(one: Alarm) -> dict[str, Any]:
    return {
        "what": one.what,
        "kind": one.kind,
        "since": one.since.isoformat(),
        "heat": one.heat,
        "factor": _number(one.change),
        "effects": [
            {"gauge_mm": e.gauge_m * 1e3, "ready_before_s": _number(e.before_s), "ready_after_s": _number(e.after_s)}
            for e in one.effects
        ],
        "words": one.text,
    }


def _watched(one: Watched) -> dict[str, Any]:
    return {
        "days": [day.isoformat() for day in one.days],
        "heats": list(one.heats),
        "values": [_number(value) for value in one.values],
        "base": _base(one.base),
        "individuals": _chart(one.individuals),
        "moving_range": _chart(one.ranges),
        "ewma": _chart(one.averages),
    }


def _base(base: Base | None) -> dict[str, Any] | None:
    return None if base is None else {"mean": _number(base.mean), "std": _number(base.std), "points": base.points}


def _chart(chart: Chart | None) -> dict[str, Any] | None:
    if chart is None:
        return None
    return {
        "points": [_number(value) for value in chart.points],
        "centre": _number(chart.centre),
        "low": [_number(value) for value in chart.low],
        "high": [_number(value) for value in chart.high],
        "beyond": [bool(value) for value in chart.beyond],
    }


def _estimate(one: Estimate) -> dict[str, Any]:
    return {
        "day": one.day.isoformat(),
        "heat": one.heat,
        "upper": _number(one.upper),
        "lower": _number(one.lower),
        "upper_std": _number(one.stds[0]),
        "lower_std": _number(one.stds[1]),
        "ready": _number(one.ready),
        "ready_by": one.how or None,
        "ready_computed": _number(one.computed),
        "found_s": _number(one.found_s),
        "planned_s": _number(one.planned_s),
    }


def _number(value: float) -> float | None:
    return round(float(value), 5) if math.isfinite(value) else None
