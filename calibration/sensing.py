"""From the sheet's temperatures to what a sensor in it reads, and how uncertain that reading is."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calibration.run import Place, Series

Array = NDArray[np.float64]

#: A sensor's constant error, K, and its slow wander, K, forgotten with this time constant, s (estimated: taped to a
#: face, and moulded into the sheet; the constant error is the tolerance of class 2 thermocouples as a standard
#: deviation, IEC 60584-1, a face's contact added).
BIAS_K: Mapping[Place, float] = {"upper": 2.0, "lower": 2.0, "core": 1.2}
WANDER_K: Mapping[Place, float] = {"upper": 0.4, "lower": 0.4, "core": 0.2}
WANDER_S = 60.0
#: The model's own roughness, K.
MODEL_K = 0.05


@dataclass(frozen=True)
class Binned:
    """Readings averaged about the times of the model.

    Attributes:
        at_s, values, count: (bins,). before: which time of the model is at or before each. part: how far to the next.
    """

    at_s: Array
    values: Array
    count: Array
    before: NDArray[np.intp]
    part: Array


def binned(one: Series, time_s: Array) -> Binned:
    """A sensor's readings on the model's grid, its known error taken off."""
    place = np.searchsorted(0.5 * (time_s[1:] + time_s[:-1]), one.time_s, "right")
    count = np.bincount(place, minlength=len(time_s))
    there = count > 0
    n = count[there].astype(float)
    at = np.bincount(place, one.time_s, len(time_s))[there] / n
    values = np.bincount(place, one.values, len(time_s))[there] / n - one.bias_k
    before = np.clip(np.searchsorted(time_s, at, "right") - 1, 0, len(time_s) - 2)
    part = np.clip((at - time_s[before]) / (time_s[before + 1] - time_s[before]), 0.0, 1.0)
    return Binned(at, values, n, before, part)


def covariance(one: Series, at: Binned, wander_k: float) -> Array:
    """Covariance of a sensor's averaged readings about what it should read, K2, (bins, bins): white noise, a constant
    error, a slow wander (Ornstein-Uhlenbeck), so that a reading every second says no more than one every minute.
    """
    result: Array = wander_k**2 * np.exp(-np.abs(at.at_s[:, None] - at.at_s) / WANDER_S) + BIAS_K[one.place] ** 2
    result[np.diag_indices(len(at.at_s))] += one.noise_k**2 / at.count + MODEL_K**2
    return result


def effective_size(one: Series, at: Binned, wander_k: float) -> float:
    """How many independent readings say as much about a constant as these, the sensor's constant error left out:
    variance of one, times the sum of the inverse covariance (generalised least squares; A.C. Aitken, 1935).
    """
    whole = covariance(one, at, wander_k) - BIAS_K[one.place] ** 2
    single = wander_k**2 + one.noise_k**2
    return float(single * np.sum(np.linalg.solve(whole, np.ones(len(whole)))))


def depth_weights(depth: float, nodes: int) -> tuple[Array, Array]:
    """Weights of the nodes for the temperature at a depth, and their slope in the depth, each (nodes,): the cubic
    through the four nearest nodes (Lagrange).

    Args:
        depth: share of the gauge from the upper face; clipped to the sheet.
    """
    s = min(max(depth, 0.0), 1.0) * (nodes - 1)
    first = min(max(math.floor(s) - 1, 0), nodes - 4)
    u = s - first
    a, b, c = u - 1.0, u - 2.0, u - 3.0  # from the other three of the four nodes, in nodes
    four = slice(first, first + 4)
    weights, slopes = np.zeros(nodes), np.zeros(nodes)
    weights[four] = (-a * b * c / 6.0, u * b * c / 2.0, -u * a * c / 2.0, u * a * b / 6.0)
    slopes[four] = (
        -(a * b + a * c + b * c) / 6.0,
        (u * b + u * c + b * c) / 2.0,
        -(u * a + u * c + a * c) / 2.0,
        (u * a + u * b + a * b) / 6.0,
    )
    slopes *= nodes - 1
    return weights, slopes


def felt(time_s: Array, truth: Array, lag_s: Array) -> Array:
    """First-order answer of sensors, exact for a truth that is straight between the times, (times, columns).

    Args:
        truth: (times, columns), °C. lag_s: (columns,).
    """
    reading = np.empty_like(truth)
    reading[0] = truth[0]
    lag = np.maximum(lag_s, 1e-3)
    step = np.diff(time_s)[:, None]
    rise = (truth[1:] - truth[:-1]) / step * lag
    settled, decay = truth[1:] - rise, np.exp(-step / lag)
    behind = truth[:-1] - rise
    for i in range(len(step)):
        reading[i + 1] = settled[i] + (reading[i] - behind[i]) * decay[i]
    return reading
