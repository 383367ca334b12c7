"""Measurement uncertainty of a temperature, put together as JCGM 100 (GUM) has it.

u_c2 = sum (c_i u_i)2        U = k u_c        nu_eff = u_c4 / sum (c_i u_i)4/nu_i        (GUM 5.1.2, 6.2, G.4.1)
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy.special import stdtrit

Array = NDArray[np.float64]
Shape = Literal["normal", "rectangular", "triangular", "expanded"]

#: What a stated half width is divided by to give a standard uncertainty (GUM 4.3.7, 4.3.9; 'expanded': k = 2).
DIVISORS: dict[Shape, float] = {
    "normal": 1.0, "rectangular": math.sqrt(3.0), "triangular": math.sqrt(6.0), "expanded": 2.0,
}  # fmt: skip
#: Coverage that an expanded uncertainty is for.
COVERAGE = 0.9545


@dataclass(frozen=True)
class Component:
    """One contribution.

    Attributes:
        name. half_width_k: as stated. shape. sensitivity. freedom: degrees of freedom, infinite where it is not from
        readings.
    """

    name: str
    half_width_k: float
    shape: Shape = "rectangular"
    sensitivity: float = 1.0
    freedom: float = math.inf

    @property
    def std_k(self) -> float:
        """Its standard uncertainty, times its sensitivity."""
        return abs(self.sensitivity) * self.half_width_k / DIVISORS[self.shape]


@dataclass(frozen=True)
class Budget:
    """Components, combined standard uncertainty, effective degrees of freedom, coverage factor, expanded; K."""

    components: tuple[Component, ...]
    combined_k: float
    freedom: float
    factor: float
    expanded_k: float


def budget(components: Sequence[Component], coverage: float = COVERAGE) -> Budget:
    """Combine independent components; the coverage factor is Student's for the effective degrees of freedom, truncated
    to whole ones (GUM G.6.4).
    """
    variances = np.array([one.std_k**2 for one in components])
    combined = float(np.sqrt(variances.sum()))
    spread = sum(one.std_k**4 / one.freedom for one in components)
    freedom = combined**4 / spread if spread > 0.0 else math.inf
    tail = 0.5 * (1.0 + coverage)
    if math.isfinite(freedom):
        # From whole readings rounding must not lose a degree.
        factor = float(stdtrit(max(math.floor(freedom + 1e-9), 1), tail))
    else:
        from statistics import NormalDist

        factor = NormalDist().inv_cdf(tail)
    return Budget(tuple(components), combined, freedom, factor, factor * combined)


def thermocouple_components(
    tolerance_k: float, reference_k: float, resolution_k: float, drift_k: float, readings: Array, independent: float
) -> list[Component]:
    """The usual components of a steady place's mean temperature.

    Args:
        tolerance_k: of its class (IEC 60584-1), half width. reference_k: expanded uncertainty of what it was checked
        against, k = 2. resolution_k: step of the reading. drift_k: since its last check, half width. readings: (n,),
        steady, °C. independent: how many of them are (`residual_tests.independent`).
    """
    worth = max(min(independent, float(len(readings))), 2.0)
    repeat = float(np.std(readings, ddof=1)) / math.sqrt(worth)
    return [
        Component("thermocouple class", tolerance_k),
        Component("reference", reference_k, "expanded"),
        Component("resolution of the reading", 0.5 * resolution_k),
        Component("drift since the last check", drift_k),
        Component("repeatability", repeat, "normal", freedom=worth - 1.0),
    ]
