"""How an oven's own air stands against its setting, falls at the door and recovers, from the air of several heats.

    air(t) = steady - fall exp(-t/recovery)

Each heat's course is fitted by itself; the oven's is their mean, and its uncertainty that of the next heat: ovens do
not repeat themselves. With few heats the spread between them leans on what is usual (a scaled inverse chi-squared
prior with as many degrees of freedom as `_USUAL_HEATS`; Gelman et al., Bayesian Data Analysis, 3rd ed., sec. 2.6).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calibration import nonlinear
from calibration.run import Run
from thermal.oven import OvenCard

Array = NDArray[np.float64]

#: Usual spread from heat to heat: steady air, K; ln of fall and recovery (our estimates).
_SPREAD = {"steady": 1.0, "fall": 0.2, "recovery": 0.2}
_USUAL_HEATS = 2.0
#: A thermostat's swing hides the course, K, and is forgotten in so long, s (estimated; as in `recovery`).
_SWING_K, _SWING_S = 1.5, 30.0
#: Priors of one heat: steady about the card's, K; ln of fall and recovery about the card's.
_STEADY_K, _FALL_LN, _RECOVERY_LN = 10.0, 0.7, 0.8
#: The door stands open meanwhile, s.
_DOOR_S = 6.0


@dataclass(frozen=True)
class Known:
    """A value with its standard uncertainty for the next heat, and what each heat gave."""

    value: float
    std: float
    each: tuple[float, ...]


@dataclass(frozen=True)
class AirCourse:
    """The oven's air: offset from the setting, K; fall, K; recovery, s (None where its air never falls)."""

    offset_k: Known
    fall_k: Known | None
    recovery_s: Known | None


@dataclass(frozen=True)
class _Course:
    time_s: Array
    air_c: Array
    steady_c: float
    fall_k: float
    recovery_s: float
    noise_k: float

    def residuals(self, x: Array) -> Array:
        """(times, sets) from xi of steady, fall, recovery, (3, sets)."""
        steady, fall, recovery = self.values(x)
        course = steady - fall * np.exp(-self.time_s[:, None] / recovery)
        result: Array = (course - self.air_c[:, None]) / self.noise_k
        return result

    def values(self, x: Array) -> tuple[Array, Array, Array]:
        return (
            self.steady_c + _STEADY_K * x[0],
            self.fall_k * np.exp(_FALL_LN * x[1]),
            self.recovery_s * np.exp(_RECOVERY_LN * x[2]),
        )


def air_course(card: OvenCard, runs: Sequence[Run]) -> AirCourse:
    """The course of an oven's air, from at least one run."""
    found = [_one(card, run) for run in runs]
    offsets = [steady - run.case.set_c - card.dial_offset_k for (steady, _, _), run in zip(found, runs, strict=True)]
    offset = _together(np.array(offsets), _SPREAD["steady"])
    if card.door_drop_k <= 0.0:
        return AirCourse(offset, None, None)
    fall = _factor(_together(np.log([fall for _, fall, _ in found]), _SPREAD["fall"]))
    recovery = _factor(_together(np.log([recovery for _, _, recovery in found]), _SPREAD["recovery"]))
    return AirCourse(offset, fall, recovery)


def _one(card: OvenCard, run: Run) -> tuple[float, float, float]:
    expected = run.case.set_c + card.dial_offset_k + card.air_offset_k
    there = run.air_s >= _DOOR_S
    time, air = (run.air_s[there], run.air_c[there]) if np.count_nonzero(there) > 3 else (run.air_s, run.air_c)
    step = float(np.median(np.diff(time)))
    noise = _SWING_K * np.sqrt(max(1.0, 2.0 * _SWING_S / step))
    course = _Course(time, air, expected, max(card.door_drop_k, 1.0), max(card.recovery_s, 10.0), noise)
    model = nonlinear.Differences(course.residuals, np.ones(3))
    found = nonlinear.solve(model, np.zeros((3, 1)), nonlinear.Priors(np.zeros(3), np.eye(3)))
    steady, fall, recovery = (float(value[0]) for value in course.values(found.x[:, None]))
    return steady, fall, recovery


def _together(each: Array, usual: float) -> Known:
    """Mean, and standard uncertainty of the next one: spread between them, times 1 + 1/n.

    The air is meant as its thermocouples read it; their own error is in the faces' air offsets, found with it.
    """
    n = len(each)
    mean = float(each.mean())
    variance = (_USUAL_HEATS * usual**2 + float(np.sum((each - mean) ** 2))) / (_USUAL_HEATS + n - 1)
    return Known(mean, float(np.sqrt(variance * (1.0 + 1.0 / n))), tuple(float(x) for x in each))


def _factor(of: Known) -> Known:
    value = float(np.exp(of.value))
    return Known(value, value * of.std, tuple(float(np.exp(x)) for x in of.each))
