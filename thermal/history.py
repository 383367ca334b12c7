"""What a march went through: every step kept, for curves and for readings at places in the sheet."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from thermal.conduction import End, Moment, march
from thermal.grid import INTERVALS, Rates, hermite, natural_order
from thermal.slab import Slab

Array = NDArray[np.float64]


#: Allowed error of one step where the whole curve is wanted, K: between two steps a cubic must follow every node
#: through the melting peak, which long steps would not allow (0.25 K off at 0.012 K a step, below 0.05 K at this).
CURVE_TOLERANCE_K = 0.0025


class _Recorder:
    def __init__(self) -> None:
        self.moments: list[Moment] = []

    def see(self, moment: Moment) -> None:
        self.moments.append(moment)


@dataclass(frozen=True)
class History:
    """Every step of a batch that was solved to one common end.

    Attributes:
        slab: what was solved. time_s: (steps, batch). h: enthalpy at the nodes, J/kg, (steps, nodes, batch).
        rate: dH/dt, W/kg, same shape. drop_ratio: drop over clamp radius, (steps, batch).
        end: see `End`.
    """

    slab: Slab
    time_s: Array
    h: Array
    rate: Array
    drop_ratio: Array
    end: End

    def temperature_at(self, time_s: Array, column: int = 0) -> Array:
        """Temperatures of one column at given times, °C, (nodes, times), by cubic Hermite interpolation.

        Times outside the march keep its first or last state.
        """
        # A time that stands twice is a refused step, or a jump of the surroundings: before it, then after it.
        times, h, rate = self.time_s[:, column], self.h[:, :, column], self.rate[:, :, column]
        at = np.clip(np.searchsorted(times, time_s, "right") - 1, 0, max(len(times) - 2, 0))
        after = np.minimum(at + 1, len(times) - 1)
        step = times[after] - times[at]
        part = np.clip((time_s - times[at]) / np.where(step > 0, step, 1.0), 0.0, 1.0)
        now = hermite(part[:, None], step[:, None], h[at], h[after], rate[at], rate[after])
        return self.slab.material.columns(np.array([column])).temperature(now[..., None])[..., 0].T

    def drop_ratio_at(self, time_s: Array, column: int = 0) -> Array:
        """Drop over clamp radius of one column at given times, (times,)."""
        times, first = np.unique(self.time_s[:, column], return_index=True)
        result: Array = np.interp(time_s, times, self.drop_ratio[first, column])
        return result


def record(slab: Slab, until_s: float, intervals: int = INTERVALS, tolerance_k: float = CURVE_TOLERANCE_K) -> History:
    """Solve the batch to `until_s` and keep every step. For the arguments see `march`.

    The drop is kept at the steps, which sag shortens so that a straight line between them serves.
    """
    recorder = _Recorder()
    end = march(slab, until_s, recorder, intervals, tolerance_k, audit=True)
    # Some columns may end a step earlier and be dropped: they repeat their last state.
    shape = (len(recorder.moments), intervals + 1, slab.batch)
    time, ratio = np.empty((shape[0], slab.batch)), np.empty((shape[0], slab.batch))
    h, inflow = np.empty(shape), np.empty(shape)
    for i, moment in enumerate(recorder.moments):
        for whole, part in (
            (time, moment.time_s),
            (ratio, moment.drop_ratio),
            (h, moment.inward_h),
            (inflow, moment.inward_inflow),
        ):
            if len(moment.columns) < slab.batch:
                whole[i] = whole[i - 1]
            whole[i][..., moment.columns] = part
    natural = natural_order(intervals)
    rate = Rates(intervals)(inflow[:, natural], slab.mass_kg_m2)
    return History(slab, time, h[:, natural], rate, ratio, end)
