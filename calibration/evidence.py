"""What was measured beside what every member predicts for it, with the uncertainty of the measuring.

- A face: first-order lag of its sensor, white noise, a constant bias, and a slow wander of the contact.
- The drop: as the logarithm of the sag's flow integral, in which the melt's viscosity is a mere shift, so that a bubble
  that runs away is as nearly linear as one that creeps; levelled off to millimetres where it is small, in which the
  sensor's zero and the sheet's bow by expansion are straight.
- Marks ('bubble at line 2', 'clear through'): as the time at which a member gets there. Of one that was made twice the
  last counts: the first was too early, or it would not have been made again. That nothing was marked says nothing:
  people forget.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calibration.members import EXTRAS, Members
from calibration.observed import FACES, Observed
from thermal.case import Case
from thermal.sag import LOST_RATIO, equivalent_radius_m, flow_integral, ratio_after_flow

Array = NDArray[np.float64]

#: A face's sensor where nothing is stated: noise of a reading, K; constant bias, K; slow wander, K, forgotten with this
#: time constant, s; answer time, s, and the spread of its logarithm. Estimated, of taped thermocouples.
NOISE_K, BIAS_K, WANDER_K, WANDER_S = 1.0, 2.0, 0.4, 60.0
LAG_S, LAG_LN_STD = 2.0, 0.4
#: The model's own roughness, K.
_MODEL_K = 0.05
#: Readings of the first seconds are of a sheet that is still being pushed in, s.
SETTLED_S = 5.0
#: A drop sensor: noise, mm; zero, mm. The sag law: slow wander of the flow integral's logarithm (estimated; the cap
#: law is within 2 % of the membrane in the drop, 6 % in the integral).
NOISE_MM, ZERO_MM, SAG_LN_STD, SAG_S = 2.0, 3.0, 0.1, 60.0
#: Below this drop ratio (12 mm of a 300 mm opening) the logarithm is levelled off: bow and zero rule there.
BOW_RATIO = 0.08
_LEVEL = float(np.cbrt(flow_integral(BOW_RATIO)))
_FLAT = 3.0 * float(np.log(_LEVEL))
#: How exactly people mark, s (estimated): a line passed, and a sheet turned clear, which comes gradually.
LINE_S, CLEAR_S = 4.0, 8.0

LINES = ("line_1", "line_2", "line_3")
CLEAR = "clear_through"


@dataclass(frozen=True)
class Evidence:
    """Readings of one kind beside the members' predictions.

    Attributes:
        name: column or mark. at_s: (readings,). measured: (readings,). predicted: (readings, members).
        covariance: of the measuring, (readings, readings).
    """

    name: str
    at_s: Array
    measured: Array
    predicted: Array
    covariance: Array


@dataclass(frozen=True)
class _Binned:
    at_s: Array
    values: Array
    count: Array


def evidence(
    case: Case,
    seen: Observed,
    members: Members,
    line_mm: Mapping[str, float],
) -> list[Evidence]:
    """All evidence of a heat so far.

    Args:
        seen: what is believed of it. line_mm: what each drop line stands for, mm.
    """
    found = [_face(seen, members, column, role) for role in FACES for column in seen.of_role(role)]
    if members.drop_ratio is not None and case.opening_m is not None:
        radius_mm = equivalent_radius_m(case.opening_m) * 1e3
        found += [_drop(seen, members, column, radius_mm) for column in seen.of_role("drop_mm")]
        for name in LINES:
            at = seen.when(name)
            if at and name in line_mm:
                reached = first_passed(members.time_s, members.drop_ratio, line_mm[name] / radius_mm)
                found.append(_mark(name, at[-1], reached, LINE_S))
    at = seen.when(CLEAR)
    if at and members.clear_c is not None:
        found.append(_mark(CLEAR, at[-1], first_passed(members.time_s, members.coldest_c, members.clear_c), CLEAR_S))
    return [one for one in found if one is not None]


def first_passed(time_s: Array, values: Array, limit: Array | float) -> Array:
    """When each member first reaches a limit, s, (members,), by straight lines; infinity where it does not.

    Args:
        values: (times, members), NaN where a member was no longer followed.
    """
    above = values >= limit
    at = np.argmax(above, axis=0)
    column = np.arange(values.shape[1])
    found = above[at, column]
    before = np.maximum(at - 1, 0)
    low, high = values[before, column], values[at, column]
    with np.errstate(invalid="ignore"):
        part = np.clip((limit - low) / np.where(high > low, high - low, 1.0), 0.0, 1.0)
        when = time_s[before] + part * (time_s[at] - time_s[before])
    return np.where(found, np.where(at == 0, time_s[0], when), np.inf)


def at_time(time_s: Array, values: Array, wanted_s: Array) -> Array:
    """Members' values at other times, by straight lines, (wanted, members)."""
    at = np.clip(np.searchsorted(time_s, wanted_s, "right") - 1, 0, len(time_s) - 2)
    part = np.clip((wanted_s - time_s[at]) / (time_s[at + 1] - time_s[at]), 0.0, 1.0)[:, None]
    # A member that is no longer followed keeps its last value.
    low, high = values[at], values[at + 1]
    return low + part * np.where(np.isnan(high), 0.0, high - low)


def about(time_s: Array, at_s: float) -> slice:
    """The two times between which a moment lies: what `at_time` needs of long tables for that moment alone."""
    first = min(max(int(np.searchsorted(time_s, at_s, "right")) - 1, 0), len(time_s) - 2)
    return slice(first, first + 2)


def _binned(seen: Observed, column: str, time_s: Array) -> _Binned | None:
    values = seen.columns[column]
    good = np.isfinite(values) & (seen.time_s >= SETTLED_S)
    if not good.any():
        return None
    at, values = seen.time_s[good], values[good]
    place = np.searchsorted(0.5 * (time_s[1:] + time_s[:-1]), at, "right")
    count = np.bincount(place, minlength=len(time_s))
    there = count > 0
    n = count[there]
    when, mean = (np.bincount(place, of, len(time_s))[there] / n for of in (at, values))
    return _Binned(when, mean, n.astype(np.float64))


def _wandering(at_s: Array, std: float, forgotten_s: float) -> Array:
    """Covariance of a first-order (Ornstein-Uhlenbeck) wander."""
    result: Array = std * std * np.exp(-np.abs(at_s[:, None] - at_s) / forgotten_s)
    return result


def _face(seen: Observed, members: Members, column: str, role: str) -> Evidence | None:
    binned = _binned(seen, column, members.time_s)
    if binned is None:
        return None
    sensor = seen.sensor(column)
    normal = members.normals[len(members.normals) - len(EXTRAS) + (2 if role == FACES[0] else 3)]
    stated_s = LAG_S if sensor.lag_s is None else sensor.lag_s
    felt = members.kept.get((role, stated_s))
    if felt is None:
        truth = members.upper_c if role == FACES[0] else members.lower_c
        felt = _lagged(members.time_s, truth, stated_s * np.exp(LAG_LN_STD * normal))
        members.kept[role, stated_s] = felt
    noise_k = NOISE_K if sensor.std_k is None else sensor.std_k
    covariance = _wandering(binned.at_s, WANDER_K, WANDER_S) + BIAS_K**2
    covariance += np.diag(noise_k**2 / binned.count + _MODEL_K**2)
    return Evidence(
        column,
        binned.at_s,
        binned.values - (sensor.bias_k or 0.0),
        at_time(members.time_s, felt, binned.at_s),
        covariance,
    )


def _lagged(time_s: Array, truth: Array, lag_s: Array) -> Array:
    """First-order answer of each member's sensor, exact for a truth that is straight between the times."""
    reading = np.empty_like(truth)
    reading[0] = truth[0]
    lag = np.maximum(lag_s, 1e-3)
    for i, step in enumerate(np.diff(time_s)):
        slope = (truth[i + 1] - truth[i]) / step
        reading[i + 1] = truth[i + 1] - slope * lag + (reading[i] - truth[i] + slope * lag) * np.exp(-step / lag)
    return reading


def flow(ratio: Array) -> Array:
    """Levelled logarithm of the sag's flow integral G, 3 ln(cbrt G + cbrt G(BOW_RATIO)).

    As ln G far above the level, where it is a bubble's; as the drop itself far below, since cbrt G is then
    proportional to it, and straight on above the frame, where a sensor's zero and noise may put a flat sheet.
    """
    root = np.cbrt(flow_integral(np.clip(ratio, -LOST_RATIO, LOST_RATIO))) / _LEVEL
    result: Array = 3.0 * (np.log1p(np.maximum(root, 0.0)) + np.minimum(root, 0.0)) + _FLAT
    return result


def unflow(levelled: Array) -> Array:
    """Drop ratio whose `flow` this is."""
    part = (levelled - _FLAT) / 3.0
    root = _LEVEL * np.where(part > 0.0, np.expm1(part), part)
    result: Array = np.sign(root) * ratio_after_flow(np.abs(root) ** 3)
    return result


def _drop(seen: Observed, members: Members, column: str, radius_mm: float) -> Evidence | None:
    binned = _binned(seen, column, members.time_s)
    if binned is None or members.drop_ratio is None:
        return None
    sensor = seen.sensor(column)
    ratio = (binned.values - (sensor.bias_k or 0.0)) / radius_mm
    # The zero is an unknown of the members'.
    zero = ZERO_MM / radius_mm * members.normals[-len(EXTRAS) - 1]
    expected = at_time(members.time_s, members.drop_ratio, binned.at_s) + zero
    # What a millimetre is worth in the levelled logarithm, at the reading.
    s = np.clip(ratio, 1e-3, LOST_RATIO)
    root = np.cbrt(flow_integral(s))
    per_mm = s * s / (1.0 + s * s) ** 3 / (root * root * (root + _LEVEL)) / radius_mm
    noise_mm = NOISE_MM if sensor.std_k is None else sensor.std_k
    covariance = _wandering(binned.at_s, SAG_LN_STD, SAG_S)
    covariance += np.diag(noise_mm**2 / binned.count * per_mm**2 + 0.02**2)
    return Evidence(column, binned.at_s, flow(ratio), flow(expected), covariance)


def _mark(name: str, at_s: float, reached_s: Array, std_s: float) -> Evidence | None:
    """A mark; None where too few members ever get there for the mark to say anything about them."""
    finite = np.isfinite(reached_s)
    if np.count_nonzero(finite) < len(reached_s) // 4:
        return None
    # A member that never gets there is late at least as much as the latest that does.
    latest = float(np.max(reached_s[finite]))
    predicted = np.where(finite, reached_s, latest)[None]
    return Evidence(name, np.array([at_s]), np.array([at_s]), predicted, np.array([[std_s**2]]))
