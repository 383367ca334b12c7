"""What one ordinary heat says of its oven: the heat transfer of each face, and when its sheet was ready.

A card says what the oven was. A heat in it, with whatever thermocouples it has, is fitted alone with all else as well
known as the card says, and its ready time is set beside the one that the card gives for its sheet.
"""

from __future__ import annotations

import datetime
import math
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from calibration.held_out import reached
from calibration.oven_fit import fit
from calibration.run import Run
from calibration.unknowns import Settings
from thermal.build import slab
from thermal.case import Case, Departures
from thermal.crossing import Threshold, first_times
from thermal.oven import OvenCard, Uncertainty
from thermal.window import horizon_s

How = Literal["core", "clear", ""]

#: What is left open in the card, and the share of its variance that a heat must take away to be heard: from less, the
#: value would be the card's own.
WATCHED = ("upper.h_w_m2k", "lower.h_w_m2k")
_LEARNED = 0.75
#: A thermocouple within this share of the gauge of the middle stands for the core.
_CORE = 0.15


@dataclass(frozen=True)
class Estimate:
    """What one heat says of the oven.

    Attributes:
        day; heat: name. upper, lower: logarithm of the heat transfer over the card's, NaN where the heat says nothing
        of that face; stds: their standard errors.
        ready: logarithm of the measured ready time over the card's, NaN where it was not. how: 'core', by a
        thermocouple there; 'clear', by the mark that the sheet was clear through; '' not. found_s, planned_s: the two
        times. computed: the same not measured, but with the heat transfer that the heat shows; NaN where that of a
        face is unknown or the sheet never gets ready.
    """

    day: datetime.date
    heat: str
    upper: float
    lower: float
    stds: tuple[float, float]
    ready: float = math.nan
    how: How = ""
    found_s: float = math.nan
    planned_s: float = math.nan
    computed: float = math.nan


def estimate(card: OvenCard, run: Run, day: datetime.date, clear_s: float | None = None) -> Estimate:
    """The oven as one heat sees it.

    Args:
        clear_s: when the sheet was marked clear through, s since it went in.

    Raises:
        InputError: a heat without any reading of its sheet. ArithmeticError: it cannot be computed.
    """
    found = fit(card, [run], Settings(), prior=_open(card), starts=1, noise_rounds=0)
    logs, stds = [], []
    for name in WATCHED:
        one = found.value(name)
        told = one is not None and one.learned >= _LEARNED and not one.at_bound
        logs.append(math.log(one.value / one.stated) if told and one is not None else math.nan)
        stds.append(one.std / one.value if told and one is not None else math.nan)
    case = replace(run.case, oven=card, measured=None)
    ready = _measured(case, run, clear_s)
    return Estimate(day, run.name, logs[0], logs[1], (stds[0], stds[1]), *ready, _computed(case, logs))


def _open(card: OvenCard) -> OvenCard:
    """The card with what is watched left open in its uncertainty."""
    if card.uncertainty is None:
        return card
    keep = [i for i, name in enumerate(card.uncertainty.order) if name not in WATCHED]
    matrix = np.array(card.uncertainty.covariance)[np.ix_(keep, keep)]
    order = tuple(card.uncertainty.order[i] for i in keep)
    stated = Uncertainty(order, tuple(tuple(float(x) for x in row) for row in matrix)) if order else None
    return replace(card, uncertainty=stated)


def _measured(case: Case, run: Run, clear_s: float | None) -> tuple[float, How, float, float]:
    """The best there is of when the sheet was ready, beside what its oven's card gives."""
    core = next((one for one in run.series if one.place == "core" and abs(one.depth - 0.5) <= _CORE), None)
    if core is not None:
        level_c, at_s = reached(run, core)
        if at_s is not None:
            return _beside(at_s, "core", coldest_at_s(case, level_c))
    melting = case.polymer.main_melting
    if clear_s is not None and melting is not None:
        return _beside(clear_s, "clear", coldest_at_s(case, melting.end_c))
    return math.nan, "", math.nan, math.nan


def _computed(case: Case, logs: list[float]) -> float:
    if not all(map(math.isfinite, logs)):
        return math.nan
    by = Departures(h_upper=np.array([1.0, math.exp(logs[0])]), h_lower=np.array([1.0, math.exp(logs[1])]))
    card_s, found_s = _coldest_at_s(case, case.polymer.forming.core_min_c, by)
    return _beside(found_s, "", card_s)[0]


def _beside(found_s: float, how: How, planned_s: float) -> tuple[float, How, float, float]:
    if not (math.isfinite(found_s) and math.isfinite(planned_s) and found_s > 0.0):
        return math.nan, "", math.nan, math.nan
    return math.log(found_s / planned_s), how, found_s, planned_s


def coldest_at_s(case: Case, level_c: float, by: Departures | None = None) -> float:
    """When the coldest point of a sheet gets to a temperature, s; infinity: never."""
    return _coldest_at_s(case, level_c, by or Departures(h_upper=np.ones(1)))[0]


def _coldest_at_s(case: Case, level_c: float, by: Departures) -> list[float]:
    """The same for a batch of departures."""
    level = np.full(by.batch, level_c)
    at = first_times(slab(case, by), [Threshold("coldest", level, True)], horizon_s(case.gauge_m))[0]
    return [float(one) if np.isfinite(one) else math.inf for one in at]
