"""Checking a thermocouple where the temperature is known: ice point and boiling water. Waiting, and judging.

What is judged is everything from the wire's tip to the number: the wire, the extension, the cold junction and what
reads it. The limit is the class of the wire, since that is what a workshop bought.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from enum import StrEnum
from statistics import fmean, stdev
from typing import Literal

from logger.clock import Clock
from logger.reading import State, Value
from logger.tolerance import tolerance_k
from logger.water import ICE_C, boiling_c, boiling_slope_k_kpa, checked_pressure_kpa, pressure_at_altitude_kpa
from thermal.fields import InputError, Range

PointName = Literal["ice", "boiling"]
POINTS: tuple[PointName, ...] = ("ice", "boiling")

#: Standard uncertainties of what a workshop can make. Estimates: a stirred bath of crushed ice made with tap water
#: stays within 0.1 K of 0 °C (half-width), water boiling hard in an open pot is at most 0.3 K above its boiling
#: point (superheat, dissolved salts, 3 cm of depth); half-widths of rectangular distributions (JCGM 100:2008, 4.3.7).
ICE_STD_K = 0.1 / math.sqrt(3.0)
BOILING_STD_K = 0.3 / math.sqrt(3.0)
#: A household barometer or telephone (estimate), kPa: standard uncertainty.
BAROMETER_STD_KPA = 0.3
#: Weather moves the pressure at one place by about ±3 kPa (estimate), kPa: standard uncertainty without a barometer.
WEATHER_STD_KPA = 3.0 / math.sqrt(3.0)
#: A weather report's pressure at sea level brought to a known altitude (estimate), kPa: standard uncertainty.
REPORT_STD_KPA = 0.5
PRESSURE_STD_KPA = Range("kPa", at_least=0.0, at_most=5.0)


@dataclass(frozen=True)
class Point:
    """A temperature that is known, and how well.

    Attributes:
        expected_c: °C. std_k: standard uncertainty, K. how: where the temperature comes from, in words.
        corrects: whether it is known well enough to correct a sensor by. pressure_kpa: of boiling water.
    """

    name: PointName
    expected_c: float
    std_k: float
    how: str
    corrects: bool = True
    pressure_kpa: float | None = None


def ice_point() -> Point:
    """Crushed ice in water."""
    return Point("ice", ICE_C, ICE_STD_K, "melting ice")


def boiling_point(pressure_kpa: float, std_kpa: float = BAROMETER_STD_KPA) -> Point:
    """Boiling water under a pressure read in the same room.

    Args:
        pressure_kpa: not reduced to sea level, kPa. std_kpa: its standard uncertainty, kPa.

    Raises:
        InputError: a pressure that cannot be (with the unit it looks like), or such an uncertainty.
    """
    if not PRESSURE_STD_KPA.holds(std_kpa):
        raise InputError(f"uncertainty of the pressure = {std_kpa} kPa: expected {PRESSURE_STD_KPA}")
    how = f"water boiling under {pressure_kpa:.2f} kPa, IAPWS R7-97(2012)"
    return _boiling(pressure_kpa, std_kpa, how, corrects=True)


def boiling_point_at_altitude(altitude_m: float, sea_level_kpa: float | None = None) -> Point:
    """Boiling water where only the altitude is known, or also the pressure a weather report gives for sea level.

    Raises:
        InputError: an altitude or a pressure that cannot be.
    """
    if sea_level_kpa is None:
        pressure_kpa = pressure_at_altitude_kpa(altitude_m)
        how = (
            f"water boiling under an estimated {pressure_kpa:.1f} kPa (standard atmosphere at {altitude_m:g} m, "
            "ISO 2533; the weather is not known)"
        )
        return _boiling(pressure_kpa, WEATHER_STD_KPA, how, corrects=False)
    pressure_kpa = pressure_at_altitude_kpa(altitude_m, sea_level_kpa)
    how = (
        f"water boiling under {pressure_kpa:.2f} kPa ({sea_level_kpa:g} kPa at sea level brought to {altitude_m:g} m, "
        "ISO 2533), IAPWS R7-97(2012)"
    )
    return _boiling(pressure_kpa, REPORT_STD_KPA, how, corrects=True)


def _boiling(pressure_kpa: float, std_kpa: float, how: str, corrects: bool) -> Point:
    checked_pressure_kpa(pressure_kpa)
    from_pressure_k = boiling_slope_k_kpa(pressure_kpa) * std_kpa
    std_k = math.hypot(BOILING_STD_K, from_pressure_k)
    return Point("boiling", boiling_c(pressure_kpa), std_k, how, corrects, pressure_kpa)


# ---------------------------------------------------------------- waiting


class Settling(StrEnum):
    """How the readings at a point stand, in words that a screen shows as they are."""

    WAITING = "settling"
    SETTLED = "settled"
    NOT_SETTLED = "not settled"
    NO_READING = "no reading"


@dataclass(frozen=True)
class Rules:
    """When readings count as settled.

    Attributes:
        window_s: the readings of so many seconds are looked at. at_least: so many of them are needed.
        most_drift_k: most that their straight line rises or falls over the window, K.
        most_scatter_k: most standard deviation about their mean, K.
        every_s: time between two readings. give_up_s: when to stop waiting.
    """

    window_s: float = 40.0
    at_least: int = 10
    most_drift_k: float = 0.1
    most_scatter_k: float = 0.2
    every_s: float = 2.0
    give_up_s: float = 600.0


@dataclass(frozen=True)
class Settled:
    """Where the readings have come to.

    Attributes:
        mean_c, scatter_k, drift_k: of the readings looked at: mean, standard deviation, rise of their straight line
        over the window; NaN where there are too few. count: readings looked at. state: the last reading's, where it
        had no value. waited_s: since the first look.
    """

    how: Settling
    mean_c: float = math.nan
    scatter_k: float = math.nan
    drift_k: float = math.nan
    count: int = 0
    state: State = State.OK
    waited_s: float = 0.0


def judged(times_s: Sequence[float], readings_c: Sequence[float], rules: Rules) -> Settled:
    """Whether readings have settled, by those of the last `window_s`.

    Args:
        times_s: rising, s. readings_c: °C, of the same length.
    """
    recent = [(t, c) for t, c in zip(times_s, readings_c, strict=True) if t > times_s[-1] - rules.window_s]
    values = [c for _, c in recent]
    if len(values) < max(rules.at_least, 3):
        return Settled(Settling.WAITING, count=len(values))
    mean_c, scatter_k = fmean(values), stdev(values)
    mean_s = fmean(t for t, _ in recent)
    spread = math.fsum((t - mean_s) ** 2 for t, _ in recent)
    slope = math.fsum((t - mean_s) * (c - mean_c) for t, c in recent) / spread if spread > 0.0 else 0.0
    drift_k = slope * (recent[-1][0] - recent[0][0])
    calm = abs(drift_k) <= rules.most_drift_k and scatter_k <= rules.most_scatter_k
    long_enough = times_s[-1] - times_s[0] >= rules.window_s
    how = Settling.SETTLED if calm and long_enough else Settling.WAITING
    return Settled(how, mean_c, scatter_k, drift_k, len(values))


def wait_until_settled(
    read: Callable[[], Value], clock: Clock, rules: Rules, tell: Callable[[Settled], None] = lambda _: None
) -> Settled:
    """Take readings until they have settled or the time is up. A reading without value starts the wait anew.

    Args:
        read: gives the sensor's present reading, unit C. tell: is shown how it stands after each reading.
    """
    times_s: list[float] = []
    readings_c: list[float] = []
    start_s = clock.monotonic_s()
    while True:
        value = read()
        now_s = clock.monotonic_s()
        if value.state is State.OK and value.value is not None and math.isfinite(value.value):
            times_s.append(now_s)
            readings_c.append(value.value)
            stand = judged(times_s, readings_c, rules)
        else:
            times_s, readings_c = [], []
            state = State.MISSING if value.state is State.OK else value.state
            stand = Settled(Settling.WAITING, state=state)
        waited_s = now_s - start_s
        if stand.how is Settling.WAITING and waited_s >= rules.give_up_s:
            how = Settling.NO_READING if stand.state is not State.OK else Settling.NOT_SETTLED
            stand = Settled(how, stand.mean_c, stand.scatter_k, stand.drift_k, stand.count, stand.state)
        stand = Settled(stand.how, stand.mean_c, stand.scatter_k, stand.drift_k, stand.count, stand.state, waited_s)
        tell(stand)
        if stand.how is not Settling.WAITING:
            return stand
        clock.sleep(rules.every_s)


def of_typed(readings_c: Sequence[float], rules: Rules) -> Settled:
    """How readings stand that a person wrote down: settled unless they are apart; of one alone there is no scatter."""
    if not readings_c:
        return Settled(Settling.NO_READING, state=State.MISSING)
    scatter_k = stdev(readings_c) if len(readings_c) > 1 else math.nan
    apart = scatter_k > rules.most_scatter_k
    how = Settling.NOT_SETTLED if apart else Settling.SETTLED
    return Settled(how, fmean(readings_c), scatter_k, readings_c[-1] - readings_c[0], len(readings_c))


# ---------------------------------------------------------------- judging


class Verdict(StrEnum):
    """What a check says about the sensor, in words that a screen shows as they are."""

    WITHIN = "within"
    OUTSIDE = "outside"
    UNDECIDED = "undecided"
    NO_LIMIT = "no limit"


@dataclass(frozen=True)
class Judgement:
    """A sensor at a point.

    Attributes:
        deviation_k: reading - expected, K. limit_k: ± of its class there, None where the class says nothing.
        uncertainty_k: expanded uncertainty (k = 2) of the deviation, K.
    """

    point: Point
    settled: Settled
    deviation_k: float
    uncertainty_k: float
    limit_k: float | None
    verdict: Verdict


def judge(point: Point, settled: Settled, kind: str, tolerance_class: str) -> Judgement:
    """Compare settled readings with a known temperature and the limits of a class.

    Within only if the limit holds even where the uncertainty is against it, outside only if it is broken even where
    the uncertainty is for it (decision rule with guard bands, JCGM 106:2012, 8.3); else undecided.

    Raises:
        InputError: no such type or class, or readings that have not settled.
    """
    if settled.how is not Settling.SETTLED:
        raise InputError(f"readings = {settled.how}: expected settled readings; wait or take them again")
    limit_k = tolerance_k(kind, tolerance_class, point.expected_c)
    scatter_k = 0.0 if math.isnan(settled.scatter_k) else settled.scatter_k
    uncertainty_k = 2.0 * math.hypot(point.std_k, scatter_k)
    deviation_k = settled.mean_c - point.expected_c
    if limit_k is None:
        verdict = Verdict.NO_LIMIT
    elif abs(deviation_k) + uncertainty_k <= limit_k:
        verdict = Verdict.WITHIN
    elif abs(deviation_k) - uncertainty_k > limit_k:
        verdict = Verdict.OUTSIDE
    else:
        verdict = Verdict.UNDECIDED
    return Judgement(point, settled, deviation_k, uncertainty_k, limit_k, verdict)
