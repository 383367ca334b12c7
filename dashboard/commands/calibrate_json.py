"""A calibration as one JSON object."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import asdict
from typing import Any

from calibration.calibrate import Calibration
from dashboard.oven_file import card_table
from thermal.oven import OvenCard


def calibration_json(of: Calibration, card: OvenCard, notes: Sequence[str]) -> dict[str, Any]:
    """All of it but what became of the card; null where a number is infinite."""
    fit = of.fit
    return {
        "oven": card.id,
        "heats": [{"name": name, "sha256": digest} for name, digest in fit.fingerprints],
        "values": [plain(asdict(one)) for one in fit.values],
        "order": list(fit.order),
        "covariance": plain(fit.covariance),
        "correlation": plain(fit.correlation),
        "status": fit.status,
        "starts": fit.starts,
        "starts_agreeing": fit.agreeing,
        "evaluations": fit.evaluations,
        "misfit": fit.misfit,
        "readings": fit.readings,
        "independent_readings": fit.independent,
        "settings": {
            "prior": of.prior,
            "fixed": sorted(fit.settings.fixed),
            "tied": sorted(fit.settings.tied),
            "seek_polymer": fit.settings.seek_polymer,
            "gauge_rel_std": fit.settings.gauge_rel_std,
        },
        "sensors": [
            {
                "heat": fit.runs[one.run].name,
                "column": one.column,
                "noise_k": one.noise_k,
                "wander_k": one.wander_k,
                "bias_k": one.bias_k,
                "independent_readings": one.independent,
                "tests": None if one.tests is None else asdict(one.tests),
                "time_s": [round(float(t), 3) for t in one.time_s],
                "residual_k": [round(float(r), 4) for r in one.measured - one.predicted],
                "measured_c": [round(float(r), 4) for r in one.measured],
            }
            for one in fit.columns
        ],
        "set_aside": [asdict(one) for one in of.odd],
        "findings": [asdict(one) for one in of.findings],
        "ready": [
            {
                "polymer": one.case.polymer.id,
                "gauge_mm": one.case.gauge_m * 1e3,
                "set_c": one.case.set_c,
                "time_s": plain(one.time_s),
                "half_width_s": plain(one.half_width_s(fit.solution.covariance)),
            }
            for one in of.ready
        ],
        "held_out": [plain({**asdict(one), "error": one.error}) for one in of.checks],
        "next_heats": [plain(asdict(one)) for one in of.advice],
        "doubts": list(of.doubts),
        "notes": list(notes),
        "card": plain(card_table(card)),
    }


def plain(value: Any) -> Any:
    """What JSON can hold."""
    if isinstance(value, dict):
        return {key: plain(one) for key, one in value.items()}
    if isinstance(value, list | tuple):
        return [plain(one) for one in value]
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    return value.isoformat() if hasattr(value, "isoformat") else value
