"""Infrared absorbed inside a translucent sheet (Beer-Lambert), as loads on the conduction grid."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Absorption:
    """Radiation that has passed a face and is absorbed in depth, in bands:

        s(x) = sum_i q f_i b_i exp(-b_i x)      from the upper face, likewise from the lower

    (Beer-Lambert law; e.g. R. Siegel, J.R. Howell, Thermal Radiation Heat Transfer, recalled). What passes through
    the whole sheet is lost.

    Attributes:
        entering_w_m2: flux inside each face, (2, batch). fraction: share of each band, (bands, batch), sums to 1.
        depth: absorption coefficient times gauge, (bands, batch), positive.
    """

    entering_w_m2: Array
    fraction: Array
    depth: Array

    def columns(self, keep: NDArray[np.intp]) -> Absorption:
        """The same for some columns of the batch."""
        return Absorption(self.entering_w_m2[:, keep], self.fraction[:, keep], self.depth[:, keep])

    def loads_w_m2(self, intervals: int) -> Array:
        """Absorbed power at each node, W/m2, (intervals + 1, batch): the source weighted with the node's hat
        function, integrated exactly, so that the loads add up to q sum f (1 - exp(-b)) on any grid.
        """
        x = np.linspace(0.0, 1.0, intervals + 1)[:, None, None]
        # Twice integrated source per unit flux, g(x) = exp(-b x)/b: a hat's weight is its second difference.
        g = np.exp(-self.depth * x) / self.depth
        steps = np.diff(g, axis=0) * intervals
        load = np.empty_like(g)
        load[1:-1] = np.diff(steps, axis=0)
        load[0] = 1.0 + steps[0]
        load[-1] = -np.exp(-self.depth) - steps[-1]
        per_flux = (self.fraction * load).sum(axis=1)
        result: Array = self.entering_w_m2[0] * per_flux + self.entering_w_m2[1] * per_flux[::-1]
        return result
