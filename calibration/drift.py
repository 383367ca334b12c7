"""Whether an oven drifts: every ordinary heat estimates it a little, and control charts watch the estimates.

Charts by ISO 7870-2 (individuals and moving range) and ISO 7870-6 (EWMA), see `control_chart`.
"""

from __future__ import annotations

import datetime
import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy.special import stdtrit

from calibration import control_chart
from calibration.control_chart import Base, Chart
from calibration.heat_estimate import Estimate, coldest_at_s
from thermal.case import Case, Departures
from thermal.oven import OvenCard

Array = NDArray[np.float64]
What = Literal["upper", "lower", "ready"]
Kind = Literal["lasting", "single", "scatter"]

#: An alarm says what it does to sheets of these gauges, m.
TOLD_M = (6e-3, 12e-3)
#: The first so many heats are what an oven is when it is in control; as long as there are fewer, all of them (our
#: choice).
BASE_POINTS = 20
#: What lies further back than so many heats stands in the chart and is no alarm any more (our choice).
RECENT = 10
#: The oven is to be calibrated anew by the day on which its trend reaches this change of a ready time, share (our
#: choice: a tenth of the window's usual length).
ALLOWED = 0.05
#: A trend needs so many heats, and is carried on for so many days at most.
_TREND_HEATS, _LONGEST_DAYS = 8, 365


@dataclass(frozen=True)
class Watched:
    """One series of an oven under watch.

    Attributes:
        what: heat transfer of the 'upper' or the 'lower' face, or 'ready' time. days, heats: of the points. values:
        (points,), logarithms of found over the card's. base: of the first of them. individuals, ranges, averages:
        charts; None where there are too few points for a base.
    """

    what: What
    days: tuple[datetime.date, ...]
    heats: tuple[str, ...]
    values: Array
    base: Base | None = None
    individuals: Chart | None = None
    ranges: Chart | None = None
    averages: Chart | None = None


def watched(what: What, days: Sequence[datetime.date], heats: Sequence[str], values: Array) -> Watched:
    """Charts of a series in order of time; points that are NaN are left out."""
    there: list[int] = np.flatnonzero(np.isfinite(values)).tolist()
    kept = values[there]
    bare = Watched(what, tuple(days[i] for i in there), tuple(heats[i] for i in there), kept)
    base = control_chart.base_of(kept[:BASE_POINTS])
    if base is None:
        return bare
    return replace(
        bare,
        base=base,
        individuals=control_chart.individuals(kept, base),
        ranges=control_chart.moving_ranges(kept, base),
        averages=control_chart.ewma(kept, base),
    )


@dataclass(frozen=True)
class Effect:
    """What a change does to one sheet: its gauge, m, and when it is ready before and after, s; infinity: never."""

    gauge_m: float
    before_s: float
    after_s: float

    @property
    def late_s(self) -> float:
        """How much later it is ready, s; negative: earlier."""
        return self.after_s - self.before_s


@dataclass(frozen=True)
class Alarm:
    """A change of an oven that its charts have found.

    Attributes:
        oven; what: see `Watched`. kind: 'lasting'; 'single', one heat stands out; 'scatter', heats differ more than
        they did. since: day of the first heat after the change; heat: its name. change: factor, 0.9 for a tenth less;
        of 'scatter' the factor of the moving range. effects: on sheets of the trade; none of 'scatter'.
        text: one sentence without its full stop.
    """

    oven: str
    what: What
    kind: Kind
    since: datetime.date
    heat: str
    change: float
    effects: tuple[Effect, ...]
    text: str


def alarm(card: OvenCard, series: Watched, usual: Case | None = None) -> Alarm | None:
    """The alarm of a series, None without one.

    Args:
        usual: the sheet that the oven usually heats; of its polymer, at its setting, are the sheets whose ready times
        an alarm tells.
    """
    if series.base is None or series.averages is None or series.individuals is None or series.ranges is None:
        return None
    found = control_chart.shift(series.values, series.base)
    last = found.first == len(series.values) - 1
    if series.averages.beyond[-RECENT:].any() and not (last and len(series.values) > 1):
        return _changed(card, series, "lasting", found.first, found.size, usual)
    out = np.flatnonzero(series.individuals.beyond)
    if len(out) and out[-1] >= len(series.values) - RECENT:
        return _changed(card, series, "single", int(out[-1]), float(series.values[out[-1]] - series.base.mean), usual)
    wild = np.flatnonzero(series.ranges.beyond)
    if len(wild) and wild[-1] >= len(series.ranges.points) - RECENT:
        return _scattered(card, series, int(wild[-1]))
    return None


_FACE = "the heat that the {} face gets from the air"


def _changed(card: OvenCard, series: Watched, kind: Kind, first: int, size: float, usual: Case | None) -> Alarm:
    change, since, heat = math.exp(size), series.days[first], series.heats[first]
    effects = () if usual is None else _effects(card, series.what, change, usual)
    when = f"since {since.isoformat()} ({heat})" if kind == "lasting" else f"on {since.isoformat()} ({heat})"
    text = f"Oven {card.id}: {when} {_change_words(series.what, kind, 100.0 * (change - 1.0))}"
    if usual is not None and effects:
        told = ", ".join(_effect_words(one) for one in effects)
        text += f"; {usual.polymer.id} at {usual.set_c:g} °C: {told}"
    todo = "find the cause, then calibrate it anew" if kind == "lasting" else "look at what was different in that heat"
    return Alarm(card.id, series.what, kind, since, heat, change, effects, f"{text}; {todo}")


def _change_words(what: What, kind: Kind, percent: float) -> str:
    if what == "ready":
        late = "later" if percent > 0.0 else "earlier"
        verb = "sheets are" if kind == "lasting" else "one sheet was"
        return f"{verb} ready {abs(percent):.0f} % {late} than before"
    verb = "has been" if kind == "lasting" else "was"
    return f"{_FACE.format(what)} {verb} {abs(percent):.0f} % {'more' if percent > 0.0 else 'less'}"


def _effect_words(one: Effect) -> str:
    sheet = f"{one.gauge_m * 1e3:g} mm"
    if not math.isfinite(one.after_s):
        return f"{sheet} never gets ready"
    return f"{sheet} ready {abs(one.late_s):.0f} s {'later' if one.late_s > 0.0 else 'earlier'}"


def _scattered(card: OvenCard, series: Watched, at: int) -> Alarm:
    assert series.ranges is not None
    since, heat = series.days[at + 1], series.heats[at + 1]
    change = float(series.ranges.points[at]) / series.ranges.centre
    what = "ready times" if series.what == "ready" else _FACE.format(series.what)
    text = (
        f"Oven {card.id}: on {since.isoformat()} ({heat}) {what} differed from the heat before by {change:.1f} times "
        "what is usual; is the oven steady before the sheet goes in, and the fan even?"
    )
    return Alarm(card.id, series.what, "scatter", since, heat, change, (), text.removesuffix("?"))


def _effects(card: OvenCard, what: What, change: float, usual: Case) -> tuple[Effect, ...]:
    found = []
    for gauge_m in TOLD_M:
        case = replace(usual, gauge_m=gauge_m, oven=card, opening_m=None, measured=None)
        level_c = case.polymer.forming.core_min_c
        before_s = coldest_at_s(case, level_c)
        if not math.isfinite(before_s):
            continue  # this sheet never gets ready in this oven at this setting, change or not
        if what == "ready":
            after_s = before_s * change
        else:
            after_s = coldest_at_s(case, level_c, Departures(**{f"h_{what}": np.array([change])}))
        found.append(Effect(gauge_m, before_s, after_s))
    return tuple(found)


@dataclass(frozen=True)
class Due:
    """When an oven is to be calibrated anew, and why: a sentence without its full stop."""

    day: datetime.date
    why: str


def due(card: OvenCard, ready: Watched, alarms: Sequence[Alarm], today: datetime.date) -> Due | None:
    """The day by which an oven is to be calibrated anew: today with a lasting alarm, the last on which its card may be
    used, or the day on which its ready times drift too far, whichever comes first; None where nothing says one.
    """
    found = [Due(today, "its alarm says why") for one in alarms if one.kind == "lasting"][:1]
    if card.valid.until is not None:
        found.append(Due(card.valid.until, "the card may be used until then"))
    drifted = trend_reaches(ready, today)
    if drifted is not None:
        found.append(Due(drifted, f"by then its ready times may have drifted by {100.0 * ALLOWED:.0f} %"))
    return min(found, key=lambda one: one.day, default=None)


def trend_reaches(ready: Watched, today: datetime.date) -> datetime.date | None:
    """When ready times are `ALLOWED` off their base, should their trend go on; None without a trend.

    A straight line through the heats; the end of its 90 % interval (Student's t) that comes first counts.
    """
    at = np.array([(day - today).days for day in ready.days], float)
    if len(at) < _TREND_HEATS or np.ptp(at) == 0.0 or ready.base is None:
        return None
    design = np.stack([np.ones_like(at), at], axis=1)
    best, *_ = np.linalg.lstsq(design, ready.values - ready.base.mean, rcond=None)
    left = ready.values - ready.base.mean - design @ best
    freedom = len(at) - 2
    covariance = np.linalg.inv(design.T @ design) * float(left @ left) / freedom
    factor = float(stdtrit(freedom, 0.95))
    if abs(best[1]) <= factor * math.sqrt(covariance[1, 1]):
        return None
    ahead = np.arange(0.0, _LONGEST_DAYS + 1.0)
    wide = factor * np.sqrt(covariance[0, 0] + 2.0 * ahead * covariance[0, 1] + ahead**2 * covariance[1, 1])
    past = np.flatnonzero(np.abs(best[0] + best[1] * ahead) + wide > ALLOWED)
    return today + datetime.timedelta(days=int(ahead[past[0]])) if len(past) else None


@dataclass(frozen=True)
class Drift:
    """An oven under watch.

    Attributes:
        oven. series: of the upper face, the lower face and ready times. how: by what ready times are known: 'measured'
        (core thermocouples, marks that a sheet was clear through) or 'computed' with the heat transfer of both faces.
        alarms. due: None where nothing says a day. usual: the sheet that alarms tell of.
    """

    oven: str
    series: tuple[Watched, Watched, Watched]
    how: Literal["measured", "computed"]
    alarms: tuple[Alarm, ...]
    due: Due | None
    usual: Case | None


def drift(card: OvenCard, estimates: Sequence[Estimate], today: datetime.date, usual: Case | None = None) -> Drift:
    """Watch an oven.

    Args:
        estimates: of its heats, all against this card, in order of time. usual: see `alarm`.

    Ready times that were measured and those that were computed are not mixed: the measured ones count where at least
    as many heats have one.
    """
    days, heats = [one.day for one in estimates], [one.heat for one in estimates]
    measured, computed = (np.array([getattr(one, name) for one in estimates], float) for name in ("ready", "computed"))
    most = np.count_nonzero(np.isfinite(measured)) >= np.count_nonzero(np.isfinite(computed))
    series = (
        watched("upper", days, heats, np.array([one.upper for one in estimates], float)),
        watched("lower", days, heats, np.array([one.lower for one in estimates], float)),
        watched("ready", days, heats, measured if most else computed),
    )
    alarms = tuple(one for one in (alarm(card, part, usual) for part in series) if one is not None)
    how: Literal["measured", "computed"] = "measured" if most else "computed"
    return Drift(card.id, series, how, alarms, due(card, series[2], alarms, today), usual)
