"""How an oven's air comes back after the door: fitted to what was measured since, to say where it is going.

    air(t) = steady - fall exp(-(t - t_door)/recovery)

Linear in steady and fall, which have normal priors; the recovery is tried at a few values about the oven card's, and
the results are averaged by how well each explains the readings.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

#: Priors: steady air about the card's, K, and about a recorded preheat's; fall, share of the card's; ln(recovery).
STEADY_STD_K, AFTER_PREHEAT_STD_K, FALL_REL_STD, RECOVERY_LN_STD = 3.0, 1.0, 0.3, 0.35
#: A thermostat's swing, K, which hides the course and is forgotten in so long, s (estimated).
_SWING_K, _SWING_S = 1.5, 30.0
_FACTORS = np.exp(RECOVERY_LN_STD * np.linspace(-2.0, 2.0, 9))
#: The door stands open meanwhile, s.
_DOOR_S = 5.0
_MOST = 240


@dataclass(frozen=True)
class Recovery:
    """Course of the air since the door was last closed.

    Attributes:
        door_s: when. steady_c: where it goes, with std_k. fall_k, recovery_s: how it gets there.
    """

    door_s: float
    steady_c: float
    std_k: float
    fall_k: float
    recovery_s: float

    def at(self, time_s: Array) -> Array:
        """The course, °C; before the door it is the steady air."""
        since = time_s - self.door_s
        decay = np.exp(-np.maximum(since, 0.0) / max(self.recovery_s, 1.0))
        course: Array = self.steady_c - np.where(since >= 0.0, self.fall_k * decay, 0.0)
        return course


def fit(
    time_s: Array, air_c: Array, door_s: float, steady_c: float, steady_std_k: float, fall_k: float, recovery_s: float
) -> Recovery:
    """The course that explains the readings since the door, given what was expected.

    Args:
        time_s, air_c: readings, (n,), without gaps; only those after the door count. steady_c, steady_std_k, fall_k,
        recovery_s: as expected.
    """
    there = np.flatnonzero(time_s >= door_s + _DOOR_S)
    there = there[:: max(1, len(there) // _MOST)]
    since, off = time_s[there] - door_s, air_c[there] - steady_c + 0.0
    spread = np.array([steady_std_k, max(FALL_REL_STD * fall_k, 1.0)])
    step_s = float(np.median(np.diff(since))) if len(since) > 1 else 1.0
    # Readings within a swing say the same: their noise is raised by how many there are.
    noise_k = _SWING_K * np.sqrt(max(1.0, 2.0 * _SWING_S / max(step_s, 1e-3)))
    weights, means, variances = [], [], []
    for factor in _FACTORS:
        slope = np.stack([np.ones_like(since), -np.exp(-since / max(recovery_s * factor, 1.0))], axis=1) * spread
        precision = np.eye(2) + slope.T @ slope / noise_k**2
        right = slope.T @ (off + fall_k * np.exp(-since / max(recovery_s * factor, 1.0))) / noise_k**2
        mean = np.linalg.solve(precision, right)
        left = off + fall_k * np.exp(-since / max(recovery_s * factor, 1.0)) - slope @ mean
        cost = float(left @ left) / noise_k**2 + float(mean @ mean) + (np.log(factor) / RECOVERY_LN_STD) ** 2
        weights.append(-0.5 * cost - 0.5 * np.linalg.slogdet(precision)[1])
        means.append([steady_c + spread[0] * mean[0], fall_k + spread[1] * mean[1], recovery_s * factor])
        variances.append(spread[0] ** 2 * np.linalg.inv(precision)[0, 0])
    share = np.exp(np.array(weights) - max(weights))
    share /= share.sum()
    table = np.array(means)
    steady, fall, recovery = share @ table
    std_k = np.sqrt(share @ (np.array(variances) + (table[:, 0] - steady) ** 2))
    return Recovery(door_s, float(steady), float(std_k), float(fall), float(recovery))
