"""A plan as one JSON object: numbers in metric units named by their keys, words in the units asked for."""

from __future__ import annotations

import json
import math
from collections.abc import Sequence
from importlib.metadata import PackageNotFoundError, version
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from dashboard.plan_advice import advice, cautions
from dashboard.plan_measured import preheat_words, residual_words, summary_words
from dashboard.plan_words import drop_m, note_words
from dashboard.units import Units
from thermal.advice import Change
from thermal.carries import CarryIn
from thermal.plan import Plan

if TYPE_CHECKING:
    from thermal.measured import Recorded, Residual
    from thermal.preheat import Preheat

Array = NDArray[np.float64]


def plan_json(
    plan: Plan,
    recorded: Recorded | None = None,
    notes: Sequence[str] = (),
    units: Units | None = None,
    room_c: float | None = None,
) -> dict[str, Any]:
    """The whole plan; None (null) where there is no such time or value.

    Args:
        recorded: the recorded heat beside the model; None where no heat was given.
        notes: assumptions besides the plan's own. units: of the words. room_c: as it was asked, for `inputs`.
    """
    words = units or Units()
    target, carry, state = plan.target, plan.carry, plan.state_c
    return {
        "window": {
            "opens_s": _number(plan.opens.time_s),
            "closes_s": _number(plan.closes.time_s),
            "opens_limit": plan.opens.limit if plan.opens.time_s is not None else None,
            "closes_limit": plan.closes.limit if plan.closes.time_s is not None else None,
            "opens_interval_s": [_number(t) for t in plan.opens.interval_s],
            "closes_interval_s": [_number(t) for t in plan.closes.interval_s],
            "probability": _number(plan.window_probability),
            "ready_s": _number(plan.ready_s),
            "spoilt_s": _number(plan.spoilt_s),
            "spoilt_by": plan.spoilt_by,
            "coldest_end_c": _number(plan.coldest_end_c),
        },
        "target": None if target is None else {"time_s": _number(target.time_s), "probability": target.probability},
        "at_target": None
        if state is None
        else {f"{'core' if name == 'core' else f'face_{name}'}_c": _number(t) for name, t in state.items()},
        "curve": _curve(plan),
        "carry": None
        if carry is None
        else {
            "formable_s": _number(carry.formable_s),
            "limit": carry.limit,
            "mean_c": _number(carry.mean_c),
            "room_c": carry.room_c,
            "otherwise": [_carry_in(one) for one in plan.carries],
        },
        "preheat_s": _number(plan.preheat_s),
        "options": {
            "highest_set": _change(plan.options.highest_set),
            "both_faces": _change(plan.options.both_faces),
            "thinner": _change(plan.options.thinner),
        },
        "comparison": None if recorded is None else [_residual(one, plan, words) for one in recorded.residuals],
        "comparison_words": None if recorded is None else summary_words(recorded),
        "preheat": None if recorded is None else _preheat(recorded.preheat, words),
        "advice": advice(plan, words),
        "cautions": cautions(plan, words),
        "notes": [*(note_words(note, words) for note in plan.notes), *notes],
        "inputs": {**_inputs(plan), "room_c": room_c},
    }


def dumps(content: dict[str, Any]) -> str:
    """The object as text: a line for each key of a section, so that curves do not run over a thousand lines.

    Raises:
        ValueError: for NaN or infinity.
    """

    def compact(value: object) -> str:
        return json.dumps(value, ensure_ascii=False, allow_nan=False)

    def section(value: object) -> str:
        if not isinstance(value, dict) or not value:
            return compact(value)
        inner = ",\n".join(f"  {compact(key)}: {compact(part)}" for key, part in value.items())
        return f"{{\n{inner}\n }}"

    return "{\n" + ",\n".join(f" {compact(key)}: {section(value)}" for key, value in content.items()) + "\n}"


def _number(value: float | None) -> float | None:
    """To a thousandth: milliseconds, millikelvins, micrometres are far below what is known."""
    return None if value is None else round(float(value), 3)


def _numbers(values: Array) -> list[float | None]:
    """As `_number`; null where there is no value."""
    return [value if math.isfinite(value) else None for value in np.round(values, 3).tolist()]


def _curve(plan: Plan) -> dict[str, list[float | None]]:
    curve = plan.curve
    return {
        "time_s": _numbers(curve.time_s),
        "core_c": _numbers(curve.core_c),
        "face_upper_c": _numbers(curve.face_upper_c),
        "face_lower_c": _numbers(curve.face_lower_c),
        "air_c": _numbers(curve.air_c),
        "wall_c": _numbers(curve.wall_c),
        "drop_mm": [None] * len(curve.time_s) if curve.drop_mm is None else _numbers(curve.drop_mm),
    }


def _change(change: Change | None) -> dict[str, Any] | None:
    if change is None:
        return None
    return {
        "set_c": change.set_c,
        "gauge_mm": _number(change.gauge_m * 1e3),
        "support": change.support,
        "ready_s": _number(change.ready_s),
        # A window that is never spoilt has no end to count to.
        "width_s": _number(change.width_s) if np.isfinite(change.width_s) else None,
    }


def _carry_in(one: CarryIn) -> dict[str, Any]:
    """A carry where the room is not still; `mold_c` null where there is no mold below."""
    room = one.room
    return {
        "case": one.name,
        "room_c": room.air_c,
        "draught_m_s": room.draught_m_s,
        "mold_c": room.mold_c,
        "formable_s": _number(one.carry.formable_s),
        "limit": one.carry.limit,
    }


def _preheat(preheat: Preheat | None, units: Units) -> dict[str, Any]:
    """How the oven was when the sheet went in; nulls where that is not known."""
    return {
        "steady": preheat.steady if preheat else None,
        "of": preheat.of if preheat else None,
        "drift_k_min": _number(preheat.drift_k_min if preheat else None),
        "departure_k": _number(preheat.departure_k if preheat else None),
        "words": preheat_words(preheat, units),
    }


def _residual(one: Residual, plan: Plan, units: Units) -> dict[str, Any]:
    """Differences are measured less predicted; p05 and p95 are the band of the prediction."""
    unit = one.unit.lower()
    reading = "c" if unit == "k" else unit
    ready = one.reached_s(plan.of.core_min_c) if one.column.startswith("core") else (None, None)
    return {
        "name": one.column,
        "unit": one.unit,
        f"mean_{unit}": _number(one.mean),
        f"rms_{unit}": _number(one.rms),
        f"worst_{unit}": _number(one.worst),
        "worst_s": _number(one.worst_s),
        "outside_share": _number(one.outside),
        "ready_measured_s": _number(ready[0]),
        "ready_predicted_s": _number(ready[1]),
        "words": residual_words(one, units),
        "time_s": _numbers(one.time_s),
        f"measured_{reading}": _numbers(one.measured),
        f"predicted_{reading}": _numbers(one.predicted),
        f"p05_{reading}": _numbers(one.band[0]),
        f"p95_{reading}": _numbers(one.band[1]),
    }


def _inputs(plan: Plan) -> dict[str, Any]:
    case, of = plan.case, plan.of
    return {
        "polymer": case.polymer.id,
        "gauge_mm": _number(case.gauge_m * 1e3),
        "oven": case.oven.id,
        "oven_kind": case.oven.kind,
        "set_c": case.set_c,
        "start_c": case.start_c,
        "support": case.support,
        "colour": case.colour,
        "opening_mm": None if case.opening_m is None else [_number(side * 1e3) for side in case.opening_m],
        "drop_mm": None if of.drop_min is None else _number(drop_m(plan, of.drop_min) * 1e3),
        "drop_max_mm": None if of.drop_max is None else _number(drop_m(plan, of.drop_max) * 1e3),
        "core_min_c": of.core_min_c,
        "core_max_c": of.core_max_c,
        "face_max_c": of.face_max_c,
        "form_until_c": case.polymer.forming.form_until_c,
        "air": "oven card" if case.measured is None else "recorded",
        "versions": {"pullcue": _version(), "polymer": case.polymer.version},
    }


def _version() -> str | None:
    """The tool's version; None in a folder that was never installed."""
    try:
        return version("pullcue")
    except PackageNotFoundError:
        return None
