"""What the measured air alone says of a heat: where it settled against the display, and whether the door was opened
though nobody marked it.

The air since the door is a constant, exponentials of the oven's recovery, and a thermostat's swing that hides both. An
opening is one more fall that recovers; each moment is tried, and the likelihoods are averaged over them, so that many
tries do not add up to a finding.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calibration import recovery
from calibration.air import doors_s
from calibration.observed import AIR, Observed
from thermal.build import face_air_k, steady_air_c
from thermal.case import Case

Array = NDArray[np.float64]

#: The air is averaged over this long, s, coarser in a long heat.
_BIN_S, _MOST = 5.0, 240
#: A thermostat's swing and a slow wander: K, and forgotten in so long, s; a sensor's own noise, K (estimated).
_SWING_K, _SWING_S, _SLOW_K, _SLOW_S, _NOISE_K = 1.5, 30.0, 1.5, 300.0, 0.3
#: Recoveries that a course may be made of, as factors of the card's, and how far each may fall, K.
_RECOVERIES, _FALL_K = (0.35, 0.6, 1.0, 1.7), 60.0
#: An oven off its display is off by so much, K; an opened door lets the air fall by so much, K (estimated).
OFF_K, OPENED_K = 10.0, 20.0
#: Openings are looked for from this long after the door on, s.
_QUIET_S = 60.0


@dataclass(frozen=True)
class AirSigns:
    """What the air says.

    Attributes:
        settled_c: where it was going, °C, with settled_std_k. expected_c: where the card says. off: logarithm of how
        much likelier the readings are in an oven that is off its display.
        opened: the same for a door that was opened unmarked; opened_s, opened_k: when, and by how much the air fell.
    """

    settled_c: float
    settled_std_k: float
    expected_c: float
    off: float
    opened: float
    opened_s: float
    opened_k: float


def air_signs(case: Case, seen: Observed, end_s: float) -> AirSigns | None:
    """The signs in the air from the sheet's entry to `end_s`; None where too little of it was measured."""
    binned = _binned(seen, end_s)
    if binned is None:
        return None
    at_s, air_c = binned
    openings = (0.0, *(at for at in doors_s(seen) if at < end_s))
    rows = [np.ones_like(at_s)]
    for opening in openings:
        rows += [-_recovering(at_s, opening, case.oven.recovery_s * factor) for factor in _RECOVERIES]
    expected_c = steady_air_c(case.oven, case.set_c) + _faces_k(case, seen)
    prior_k = np.array([100.0] + [_FALL_K] * (len(rows) - 1))
    root = np.linalg.inv(np.linalg.cholesky(_noise(at_s)))
    white, off = root @ (np.stack(rows, axis=1) * prior_k), root @ (air_c - expected_c)
    inverse = np.linalg.inv(np.eye(len(prior_k)) + white.T @ white)
    found = prior_k * (inverse @ (white.T @ off))
    settled_k, std_k = float(found[0]), float(prior_k[0] * np.sqrt(inverse[0, 0]))
    usual = std_k**2 + recovery.STEADY_STD_K**2
    wide = usual + OFF_K**2
    off_sign = 0.5 * (settled_k**2 / usual - settled_k**2 / wide + np.log(usual / wide))
    opened = _opening(at_s, root, white, inverse, off, openings, case.oven.recovery_s)
    return AirSigns(expected_c + settled_k, std_k, expected_c, float(off_sign), *opened)


def _opening(
    at_s: Array, root: Array, white: Array, inverse: Array, off: Array, openings: tuple[float, ...], recovery_s: float
) -> tuple[float, float, float]:
    """Logarithm of the likelihood ratio of one more opening, when, and its fall, K."""
    tried = [t for t in at_s[:-2] if min(abs(t - o) for o in openings) > _QUIET_S]
    if not tried:
        return 0.0, 0.0, 0.0
    steps = root @ np.stack([-_recovering(at_s, t, 0.7 * recovery_s) for t in tried], axis=1)
    # What the course could not take up of each fall, and how the readings stand to it.
    steps_left = steps - white @ (inverse @ (white.T @ steps))
    precision = np.sum(steps * steps_left, axis=0)
    along = steps_left.T @ off
    wide = 1.0 + OPENED_K**2 * precision
    fall_k = OPENED_K**2 * along / wide
    # A door lets air fall, it never lifts it: only that half of the prior counts.
    gain = np.where(along > 0.0, 0.5 * OPENED_K**2 * along**2 / wide - 0.5 * np.log(wide) + np.log(2.0), -20.0)
    best = int(np.argmax(gain))
    mean = float(np.log(np.mean(np.exp(gain - gain[best]))) + gain[best])
    return mean, float(tried[best]), float(fall_k[best])


def _recovering(at_s: Array, opening_s: float, recovery_s: float) -> Array:
    since = at_s - opening_s
    return np.where(since >= 0.0, np.exp(-np.maximum(since, 0.0) / max(recovery_s, 1.0)), 0.0)


def _noise(at_s: Array) -> Array:
    apart = np.abs(at_s[:, None] - at_s)
    swing = _SWING_K**2 * np.exp(-apart / _SWING_S) + _SLOW_K**2 * np.exp(-apart / _SLOW_S)
    result: Array = swing + _NOISE_K**2 * np.eye(len(at_s))
    return result


def _faces_k(case: Case, seen: Observed) -> float:
    """How the air where it is measured stands to the oven's, K, by the card."""
    offsets = [float(np.asarray(k).ravel()[0]) for k in face_air_k(case.oven)]
    measured = [k for k, role in zip(offsets, AIR, strict=True) if seen.of_role(role)]
    return float(np.mean(measured)) if measured else 0.0


def _binned(seen: Observed, end_s: float) -> tuple[Array, Array] | None:
    columns = [seen.columns[name] for role in AIR for name in seen.of_role(role)]
    inside = (seen.time_s >= 5.0) & (seen.time_s <= end_s)
    if not columns or not inside.any():
        return None
    stacked = np.stack(columns)[:, inside]
    count = np.isfinite(stacked).sum(axis=0)
    good = count > 0
    if np.count_nonzero(good) < 20:
        return None
    at_s = seen.time_s[inside][good]
    air_c = np.nansum(stacked[:, good], axis=0) / count[good]
    place = np.floor(at_s / max(_BIN_S, (end_s / _MOST))).astype(np.intp)
    n = np.bincount(place)
    there = n > 0
    when, mean = (np.bincount(place, of)[there] / n[there] for of in (at_s, air_c))
    return when, mean
