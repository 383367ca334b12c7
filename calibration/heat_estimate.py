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
from calibration.oven_fit import OvenFit, fit
from calibration.run import Run
from calibration.unknowns import Settings
from thermal.build import slab
from thermal.case import Case, Departures
from thermal.crossing import Threshold, first_times
from thermal.oven import OvenCard, Uncertainty
from thermal.window import horizon_s

How = Literal["core", "clear", "faces", ""]

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
        ready: logarithm of the ready time over the card's, NaN where it is not known. how: 'core', by a thermocouple
        there; 'clear', by the mark that the sheet was clear through; 'faces', not measured but computed with the heat
        transfer that the faces show; '' unknown. found_s, planned_s: the two times, NaN where unknown.
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
    ready, how, found_s, planned_s = _ready(card, run, found, logs, clear_s)
    return Estimate(day, run.name, logs[0], logs[1], (stds[0], stds[1]), ready, how, found_s, planned_s)


def _open(card: OvenCard) -> OvenCard:
    """The card with what is watched left open in its uncertainty."""
    if card.uncertainty is None:
        return card
    keep = [i for i, name in enumerate(card.uncertainty.order) if name not in WATCHED]
    matrix = np.array(card.uncertainty.covariance)[np.ix_(keep, keep)]
    order = tuple(card.uncertainty.order[i] for i in keep)
    stated = Uncertainty(order, tuple(tuple(float(x) for x in row) for row in matrix)) if order else None
    return replace(card, uncertainty=stated)


def _ready(
    card: OvenCard, run: Run, found: OvenFit, logs: list[float], clear_s: float | None
) -> tuple[float, How, float, float]:
    """The best there is of when the sheet was ready, beside the card's own."""
    case = replace(run.case, oven=card, measured=None)
    core = next((one for one in run.series if one.place == "core" and abs(one.depth - 0.5) <= _CORE), None)
    if core is not None:
        level_c, at_s = reached(run, core)
        if at_s is not None:
            return _beside(at_s, "core", coldest_at_s(case, level_c))
    melting = run.case.polymer.main_melting
    if clear_s is not None and clear_s > 0.0 and melting is not None:
        return _beside(clear_s, "clear", coldest_at_s(case, melting.end_c))
    if not all(map(math.isfinite, logs)):
        return math.nan, "", math.nan, math.nan
    level_c = case.polymer.forming.core_min_c
    by = Departures(h_upper=np.array([math.exp(logs[0])]), h_lower=np.array([math.exp(logs[1])]))
    return _beside(coldest_at_s(case, level_c, by), "faces", coldest_at_s(case, level_c))


def _beside(found_s: float, how: How, planned_s: float) -> tuple[float, How, float, float]:
    if not (math.isfinite(found_s) and math.isfinite(planned_s) and found_s > 0.0):
        return math.nan, "", math.nan, math.nan
    return math.log(found_s / planned_s), how, found_s, planned_s


def coldest_at_s(case: Case, level_c: float, by: Departures | None = None) -> float:
    """When the coldest point of a sheet gets to a temperature, s; infinity: never."""
    problem = slab(case, by or Departures(h_upper=np.ones(1), h_lower=np.ones(1)))
    at = first_times(problem, [Threshold("coldest", np.full(1, level_c), True)], horizon_s(case.gauge_m))[0]
    return float(at[0]) if np.isfinite(at[0]) else math.inf
