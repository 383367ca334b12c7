"""Held-out check: each heat in turn is left out, its ready time predicted from the others' card, and compared."""

from __future__ import annotations

import datetime
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from calibration.fitted_card import fitted_card
from calibration.oven_fit import OvenFit, fit
from calibration.run import Run, Series
from thermal.build import slab
from thermal.crossing import Threshold, first_times
from thermal.oven import OvenCard
from thermal.uncertainty import draw
from thermal.window import horizon_s

Array = NDArray[np.float64]

_DRAWS = 200
#: A core that never got to its forming temperature is judged where it got to, this far below its highest reading, K.
_BELOW_K = 3.0
#: A thermocouple within this share of the gauge of the middle stands for the core.
_CORE = 0.15


@dataclass(frozen=True)
class HeldOut:
    """One heat predicted from the others.

    Attributes:
        run: number. name. level_c: core temperature that was judged, °C. measured_s, predicted_s: when the core got
        there; predicted infinity: never. interval_s: 5 and 95 %. held: whether it holds the measured time.
    """

    run: int
    name: str
    level_c: float
    measured_s: float
    predicted_s: float
    interval_s: tuple[float, float]
    held: bool

    @property
    def error(self) -> float:
        """Predicted less measured, share of the measured."""
        return (self.predicted_s - self.measured_s) / self.measured_s


def held_out(of: OvenFit, prior: OvenCard | None = None) -> list[HeldOut]:
    """The check for every heat with a core thermocouple; needs two heats.

    The prediction is a plan's, from the card that the other heats leave: its air is the card's, not the recorded one.
    The forming temperature itself is given, so its uncertainty does not count.
    """
    found = []
    if len(of.runs) < 2:
        return []
    for number, run in enumerate(of.runs):
        core = next((one for one in run.series if one.place == "core" and abs(one.depth - 0.5) <= _CORE), None)
        others = [other for i, other in enumerate(of.runs) if i != number]
        if core is None or not any(other.series for other in others):
            continue
        level, measured = reached(run, core)
        if measured is None:
            continue
        fitted = fit(of.card, others, of.settings, prior, starts=1, noise_rounds=1)
        # Its date plays no part in a prediction.
        card = fitted_card(fitted, datetime.date(2000, 1, 1))
        found.append(_one(number, run, card, level, measured))
    return found


def reached(run: Run, core: Series) -> tuple[float, float | None]:
    """The core temperature that a heat is judged by, °C, and when it got there, s, its sensor's lag taken off; None
    where its readings never rise through it.
    """
    smooth = _smoothed(core)
    level = min(run.case.polymer.forming.core_min_c, float(np.max(smooth)) - _BELOW_K)
    at = int(np.argmax(smooth >= level))
    if at == 0:
        return level, None
    low, high = smooth[at - 1], smooth[at]
    part = (level - low) / (high - low) if high > low else 1.0
    time = core.time_s[at - 1] + part * (core.time_s[at] - core.time_s[at - 1])
    return level, float(time - core.lag_s)


def _smoothed(core: Series) -> Array:
    """Medians of five readings: one spike must not be taken for a core that is ready."""
    values = core.values - core.bias_k
    padded = np.concatenate([np.repeat(values[:1], 2), values, np.repeat(values[-1:], 2)])
    result: Array = np.median(np.stack([padded[i : len(values) + i] for i in range(5)]), axis=0)
    return result


def _one(number: int, run: Run, card: OvenCard, level_c: float, measured_s: float) -> HeldOut:
    case = replace(run.case, oven=card, measured=None)
    drawn = draw(case, _DRAWS).departures
    until = horizon_s(case.gauge_m * 1.1)
    problem = slab(case, drawn)
    times = first_times(problem, [Threshold("coldest", np.full(problem.batch, level_c), True)], until)[0]
    times = np.where(np.isnan(times), np.inf, times)
    low, high = (float(t) for t in np.quantile(times[1:], [0.05, 0.95], method="nearest"))
    held = low <= measured_s <= high
    return HeldOut(number, run.name, level_c, measured_s, float(times[0]), (low, high), held)
