"""The ready window: from when a sheet may be pulled until it is spoilt, for a batch.

It opens when every minimum holds (coldest point warm enough; for a bubble the wanted drop) and closes when the first
maximum is broken (a face or the core too hot, the drop too large).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from thermal.case import NONE, Departures
from thermal.conduction import TOLERANCE_K
from thermal.crossing import Place, Threshold, first_times
from thermal.grid import INTERVALS
from thermal.polymer import Dose, Forming
from thermal.slab import Slab

Array = NDArray[np.float64]

#: A sheet of 15 mm or less is followed this long, s; a thicker one longer, with the square of its gauge.
HORIZON_S = 4 * 3600.0
_HORIZON_GAUGE_M = 0.015


def horizon_s(gauge_m: float) -> float:
    """How long a heating is followed before it is said that something never happens, s."""
    return HORIZON_S * max(1.0, (gauge_m / _HORIZON_GAUGE_M) ** 2)


@dataclass(frozen=True)
class Limits:
    """Minima and maxima of a window.

    Attributes:
        core_min_c, core_max_c: of the coldest point. face_max_c: of either face.
        drop_min, drop_max: drop over clamp radius; None: not asked for, not limited.
        dose: time at temperature that a face stands; None: not limited.
    """

    core_min_c: float
    core_max_c: float
    face_max_c: float
    drop_min: float | None = None
    drop_max: float | None = None
    dose: Dose | None = None


def limits(forming: Forming, drop_min: float | None = None, drop_max: float | None = None) -> Limits:
    """A polymer's forming limits with those of the bubble."""
    return Limits(forming.core_min_c, forming.core_max_c, forming.face_max_c, drop_min, drop_max, forming.dose)


#: What a limit is called: minima, then maxima.
CORE, DROP = "core", "drop"
UPPER_FACE, LOWER_FACE, CORE_HOT, DROP_LARGE = "upper face", "lower face", "core too hot", "drop too large"
TOO_LONG = "too long hot"


@dataclass(frozen=True)
class Windows:
    """Windows of a batch; times in s, infinity for never, each (batch,).

    Attributes:
        minima: when each minimum is first met. maxima: when each maximum is first broken. Both by name; a maximum
        that was not yet broken when the window was known to be over counts as never.
    """

    minima: dict[str, Array]
    maxima: dict[str, Array]

    @property
    def ready_s(self) -> Array:
        """When the last minimum is met, whatever was broken before."""
        latest: Array = np.maximum.reduce(list(self.minima.values()))
        return latest

    @property
    def spoilt_s(self) -> Array:
        """When the first maximum is broken."""
        earliest: Array = np.minimum.reduce(list(self.maxima.values()))
        return earliest

    @property
    def exists(self) -> NDArray[np.bool_]:
        """Whether there is a time at which all minima and all maxima hold."""
        ready = self.ready_s
        return np.isfinite(ready) & (ready < self.spoilt_s)

    @property
    def width_s(self) -> Array:
        """Length of the window, 0 where there is none."""
        with np.errstate(invalid="ignore"):
            return np.where(self.exists, self.spoilt_s - self.ready_s, 0.0)

    def opening_limit(self, column: int) -> str:
        """The minimum that is met last."""
        return max(self.minima, key=lambda name: float(self.minima[name][column]))

    def closing_limit(self, column: int) -> str | None:
        """The maximum that is broken first, None where none is."""
        name = min(self.maxima, key=lambda name: float(self.maxima[name][column]))
        return name if np.isfinite(self.maxima[name][column]) else None


def windows(
    slab: Slab,
    of: Limits,
    until_s: float,
    intervals: int = INTERVALS,
    tolerance_k: float = TOLERANCE_K,
    by: Departures = NONE,
) -> Windows:
    """Find the windows of a batch of heating problems, followed to `until_s`.

    Limits on the drop need a slab that sags. `by`: the departures the slab was made with, for those of the limits.
    """
    wide = np.ones(slab.batch)
    wanted: dict[str, tuple[Place, Array | float, bool]] = {
        CORE: ("coldest", of.core_min_c + by.core_min_k, True),
        UPPER_FACE: ("upper", of.face_max_c + by.face_max_k, False),
        LOWER_FACE: ("lower", of.face_max_c + by.face_max_k, False),
        CORE_HOT: ("coldest", of.core_max_c + by.core_max_k, False),
    }
    if of.drop_min is not None:
        wanted[DROP] = ("drop", of.drop_min, True)
    if of.drop_max is not None:
        wanted[DROP_LARGE] = ("drop", of.drop_max, False)
    if of.dose is not None:
        wanted[TOO_LONG] = ("dose", of.dose.limit_s, False)
    thresholds = [
        Threshold(place, value * wide, needed, of.dose if place == "dose" else None)
        for place, value, needed in wanted.values()
    ]
    times = first_times(slab, thresholds, until_s, intervals, tolerance_k)
    times = np.where(np.isnan(times), np.inf, times)
    named = {name: (times[i], needed) for i, (name, (_, _, needed)) in enumerate(wanted.items())}
    return Windows(
        {name: time for name, (time, needed) in named.items() if needed},
        {name: time for name, (time, needed) in named.items() if not needed},
    )
