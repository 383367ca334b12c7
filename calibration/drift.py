"""Whether an oven drifts: every ordinary heat estimates it a little, and control charts watch the estimates."""

from __future__ import annotations

import datetime
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from calibration import control_chart
from calibration.control_chart import Base, Chart
from calibration.oven_fit import fit
from calibration.run import Run
from calibration.unknowns import Settings
from thermal.build import slab
from thermal.case import Case, Departures
from thermal.crossing import Threshold, first_times
from thermal.oven import OvenCard, Uncertainty
from thermal.polymer import Polymer
from thermal.window import horizon_s

Array = NDArray[np.float64]

#: An alarm says what it does to sheets of these gauges, m.
TOLD_M = (6e-3, 12e-3)
#: The oven is to be calibrated anew by the day on which its trend reaches this change of a ready time, share (our
#: choice: a tenth of the window's usual length).
_ALLOWED = 0.05
#: A trend needs so many heats, and is carried on for so many days at most.
_TREND_HEATS, _LONGEST_DAYS = 8, 365
_WATCHED = ("upper.h_w_m2k", "lower.h_w_m2k")


@dataclass(frozen=True)
class Estimate:
    """What one heat says of the oven.

    Attributes:
        day; heat: name. upper, lower: logarithm of the heat transfer over the card's, NaN where the heat says nothing
        of that face; stds: their standard errors.
    """

    day: datetime.date
    heat: str
    upper: float
    lower: float
    stds: tuple[float, float]


def estimate(card: OvenCard, run: Run, day: datetime.date) -> Estimate:
    """The heat transfer of each face as one heat sees it, all else as well known as the card says.

    A face whose uncertainty the heat did not at least halve is left out: its value would be the card's own.
    """
    found = fit(card, [run], Settings(), prior=_open(card), starts=1, noise_rounds=0)
    logs, stds = [], []
    for name in _WATCHED:
        one = found.value(name)
        told = one is not None and one.learned >= 0.75 and not one.at_bound
        logs.append(float(np.log(one.value / one.stated)) if told and one is not None else float("nan"))
        stds.append(one.std / one.value if told and one is not None else float("nan"))
    return Estimate(day, run.name, logs[0], logs[1], (stds[0], stds[1]))


def _open(card: OvenCard) -> OvenCard:
    """The card with what is watched left open in its uncertainty."""
    if card.uncertainty is None:
        return card
    keep = [i for i, name in enumerate(card.uncertainty.order) if name not in _WATCHED]
    matrix = np.array(card.uncertainty.covariance)[np.ix_(keep, keep)]
    order = tuple(card.uncertainty.order[i] for i in keep)
    stated = Uncertainty(order, tuple(tuple(float(x) for x in row) for row in matrix)) if order else None
    return replace(card, uncertainty=stated)


@dataclass(frozen=True)
class Watched:
    """One series of an oven under watch.

    Attributes:
        what: 'upper', 'lower' or 'ready time'. days: of the points. values: (points,), logarithms. base: from the first
        of them. individuals, ranges, averages: charts; None where there are too few points for a base.
    """

    what: str
    days: tuple[datetime.date, ...]
    values: Array
    base: Base | None
    individuals: Chart | None
    ranges: Chart | None
    averages: Chart | None


def watched(what: str, days: Sequence[datetime.date], values: Array, base_points: int = 12) -> Watched:
    """Charts of a series; the first `base_points` that are numbers are its base."""
    there = np.isfinite(values)
    kept = values[there]
    when = tuple(day for day, known in zip(days, there, strict=True) if known)
    base = control_chart.base_of(kept[:base_points])
    if base is None:
        return Watched(what, when, kept, None, None, None, None)
    return Watched(
        what,
        when,
        kept,
        base,
        control_chart.individuals(kept, base),
        control_chart.moving_ranges(kept, base),
        control_chart.ewma(kept, base),
    )


@dataclass(frozen=True)
class Alarm:
    """A change of an oven that its charts have found.

    Attributes:
        oven; what: see `Watched`. since: day of the first heat after the change. change: share, as 0.9 for a tenth
        less. effect_s: by gauge, m, how much later a sheet gets ready, s; empty where that was not asked.
        text: one sentence without its full stop.
    """

    oven: str
    what: str
    since: datetime.date
    change: float
    effect_s: tuple[tuple[float, float], ...]
    text: str


def alarm(card: OvenCard, series: Watched, polymer: Polymer | None = None) -> Alarm | None:
    """The alarm of a series, None without one.

    Args:
        polymer: of the sheets whose ready times are given with an alarm on a face's heat transfer.
    """
    if series.base is None:
        return None
    found = control_chart.shift(series.values, series.base)
    if found is None:
        return None
    change, since = float(np.exp(found.size)), series.days[found.first]
    effects = (
        () if polymer is None or series.what not in ("upper", "lower") else _effects(card, series.what, change, polymer)
    )
    percent = 100.0 * (change - 1.0)
    if series.what == "ready time":
        words = f"sheets are ready {abs(percent):.0f} % {'later' if percent > 0 else 'earlier'} than planned"
    else:
        words = (
            f"the {series.what} face gets {abs(percent):.0f} % {'more' if percent > 0 else 'less'} heat from the air"
        )
    told = ", ".join(
        f"{abs(late):.0f} s {'later' if late > 0 else 'earlier'} at {gauge * 1e3:g} mm" for gauge, late in effects
    )
    text = f"Oven {card.id}: since {since.isoformat()} {words}" + (
        f"; {polymer.id} is ready {told}" if polymer and told else ""
    )
    return Alarm(card.id, series.what, since, change, effects, f"{text}; find the cause, then calibrate it anew")


def _effects(card: OvenCard, side: str, change: float, polymer: Polymer) -> tuple[tuple[float, float], ...]:
    found = []
    for gauge in TOLD_M:
        case = Case(polymer, gauge, card, card.set_c)
        by = Departures(**{f"h_{side}": np.array([1.0, change])})
        core = np.full(2, polymer.forming.core_min_c)
        before, after = first_times(slab(case, by), [Threshold("coldest", core, True)], horizon_s(gauge))[0]
        if np.isfinite(before) and np.isfinite(after):
            found.append((gauge, float(after - before)))
    return tuple(found)


def recalibrate_by(card: OvenCard, ready: Watched, today: datetime.date) -> datetime.date | None:
    """The day by which an oven is to be calibrated anew: the card's last, or earlier where ready times (logarithms of
    measured over planned) have a trend; None where neither says one.

    The trend is a straight line through the heats, taken at the end of its 90 % interval that comes first.
    """
    days = [card.valid.until] if card.valid.until is not None else []
    if len(ready.values) >= _TREND_HEATS:
        at = np.array([(day - today).days for day in ready.days], float)
        design = np.stack([np.ones_like(at), at], axis=1)
        if np.ptp(at) > 0.0:
            best, *_ = np.linalg.lstsq(design, ready.values, rcond=None)
            left = ready.values - design @ best
            covariance = np.linalg.inv(design.T @ design) * float(left @ left) / (len(at) - 2)
            ahead = np.arange(0.0, _LONGEST_DAYS + 1.0)
            line = best[0] + best[1] * ahead
            wide = 1.645 * np.sqrt(covariance[0, 0] + 2.0 * ahead * covariance[0, 1] + ahead**2 * covariance[1, 1])
            significant = abs(best[1]) > 1.645 * np.sqrt(covariance[1, 1])
            past = np.flatnonzero(np.abs(line) + wide > _ALLOWED)
            if significant and len(past):
                days.append(today + datetime.timedelta(days=int(ahead[past[0]])))
    return min(days) if days else None
