"""The oven card that a calibration leaves: values, covariance, where they hold, and what they rest on."""

from __future__ import annotations

import datetime
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from calibration.air_course import AirCourse, air_course
from calibration.oven_fit import OvenFit
from thermal.oven import Emitter, Face, OvenCard, Uncertainty, Valid

Array = NDArray[np.float64]

#: Beyond what was heated a card may be used this far: K of set temperature, factor of gauge (our choice).
SET_BEYOND_K, GAUGE_BEYOND = 15.0, 1.5
#: A card is to be found anew after so many days (our choice: a year, as measuring equipment is usually checked).
VALID_DAYS = 365
#: The view factor was found for the stated emitters' temperature: that one's own spread is in it already, K.
_EMITTER_K = 1.0
#: Digits that a card is written with.
_DIGITS = 6


def fitted_card(fit: OvenFit, today: datetime.date) -> OvenCard:
    """The card.

    Walls and air are found against each other; the card has both against the setting. What the model holds fixed, or
    does not know, keeps the value and, as far as the old card stated one, the uncertainty it had.
    """
    course = air_course(fit.card, fit.runs)
    values = {one.name: one.value for one in fit.values if one.kind == "oven"}
    air = course.offset_k.value
    views = [one.value / one.stated for one in fit.values if one.name.endswith("emitter.view_factor")]
    view = views[0] if views else 1.0
    card = replace(
        fit.card,
        air_offset_k=_r(air),
        door_drop_k=fit.card.door_drop_k if course.fall_k is None else _r(course.fall_k.value),
        recovery_s=fit.card.recovery_s if course.recovery_s is None else _r(course.recovery_s.value),
        wall_offset_k=_r(air + values.get("wall.offset_k", fit.card.wall_offset_k - fit.card.air_offset_k)),
        wall_lag_s=_r(values.get("wall.lag_s", fit.card.wall_lag_s)),
        upper=_face(fit.card.upper, "upper", values, view),
        lower=_face(fit.card.lower, "lower", values, view),
        uncertainty=_uncertainty(fit, course),
        valid=_valid(fit, today),
        evidence=_evidence(fit, today),
    )
    if card.tray is not None and "tray.contact_w_m2k" in values:
        card = replace(card, tray=replace(card.tray, contact_w_m2k=_r(values["tray.contact_w_m2k"])))
    return card


def _r(value: float) -> float:
    return float(f"{value:.{_DIGITS}g}")


def _face(face: Face, side: str, values: dict[str, float], view: float) -> Face:
    """A face with what was found; `view`: factor on the emitters' share of the view, one for both faces."""
    emitter = face.emitter
    return Face(
        _r(values.get(f"{side}.h_w_m2k", face.h_w_m2k)),
        _r(values.get(f"{side}.emissivity_eff", face.emissivity_eff)),
        _r(values.get(f"{side}.air_offset_k", face.air_offset_k)),
        emitter and Emitter(emitter.temperature_c, _r(min(emitter.view_factor * view, 1.0))),
    )


def _uncertainty(fit: OvenFit, course: AirCourse) -> Uncertainty | None:
    keep = [i for i, name in enumerate(fit.order) if np.isfinite(fit.covariance[i][i])]
    # A polymer's own values belong into its file, not into an oven's card.
    keep = [i for i in keep if ":" not in fit.order[i]]
    order = [fit.order[i] for i in keep]
    matrix = np.array(fit.covariance)[np.ix_(keep, keep)]
    more: list[tuple[str, float]] = [("air.offset_k", course.offset_k.std)]
    if course.fall_k is not None and course.recovery_s is not None:
        more += [("air.door_drop_k", course.fall_k.std), ("air.recovery_s", course.recovery_s.std)]
    emitters = [side for side in ("upper", "lower") if getattr(fit.card, side).emitter is not None]
    if emitters and any(name.endswith("view_factor") for name in order):
        more.append((f"{emitters[0]}.emitter.temperature_c", _EMITTER_K))
    whole = np.zeros((len(order) + len(more),) * 2)
    whole[: len(order), : len(order)] = matrix
    for i, (_, std) in enumerate(more, start=len(order)):
        whole[i, i] = std**2
    names = [*order, *(name for name, _ in more)]
    if "wall.offset_k" in names:
        # Found against the air: against the setting it moves with it.
        wall, air = names.index("wall.offset_k"), names.index("air.offset_k")
        whole[wall, wall] += whole[air, air]
        whole[wall, air] = whole[air, wall] = whole[air, air]
    return Uncertainty(tuple(names), tuple(tuple(_r(float(x)) for x in row) for row in 0.5 * (whole + whole.T)))


def _valid(fit: OvenFit, today: datetime.date) -> Valid:
    sets = [run.case.set_c for run in fit.runs]
    gauges = [run.case.gauge_m * 1e3 for run in fit.runs]
    return Valid(
        (round(max(min(sets) - SET_BEYOND_K, 20.0), 1), round(min(max(sets) + SET_BEYOND_K, 400.0), 1)),
        (round(min(gauges) / GAUGE_BEYOND, 2), round(min(max(gauges) * GAUGE_BEYOND, 50.0), 2)),
        today + datetime.timedelta(days=VALID_DAYS),
    )


def _evidence(fit: OvenFit, today: datetime.date) -> dict[str, Any]:
    """What the card rests on; read by people."""
    return {
        "status": "proposed",
        "found": today,
        "heats": [name for name, _ in fit.fingerprints],
        "sha256": [digest for _, digest in fit.fingerprints],
        "polymers": sorted({run.case.polymer.id for run in fit.runs}),
        "sensors": sorted({f"{one.column} at {one.depth:.2f} of the gauge" for run in fit.runs for one in run.series}),
        "fit": fit.status,
        "misfit": round(fit.misfit, 3),
        "readings": fit.readings,
        "independent_readings": round(fit.independent, 1),
        "fixed": sorted(fit.settings.fixed),
        "tied": sorted(fit.settings.tied),
        "oven_priors": fit.settings.oven_priors,
        "simulated": any(run.simulated for run in fit.runs),
    }
