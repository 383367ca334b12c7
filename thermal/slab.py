"""A sheet and everything that heats it, as the conduction solver sees it: one batch of problems."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from thermal.absorption import Absorption
from thermal.enthalpy import Material
from thermal.sag import Sag
from thermal.surroundings import Surroundings

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Lump:
    """A thin layer on a face, all at one temperature: a tray, a protective film.

    Attributes:
        capacity_j_m2k: heat capacity per area, (batch,); zero where a column has no layer.
        conductance_w_m2k: to the sheet's face, (batch,). start_c: its temperature at the start, (batch,).
    """

    capacity_j_m2k: Array
    conductance_w_m2k: Array
    start_c: Array

    @staticmethod
    def none(batch: int) -> Lump:
        """No layer on any column."""
        return Lump(np.zeros(batch), np.zeros(batch), np.zeros(batch))

    def columns(self, keep: NDArray[np.intp]) -> Lump:
        """The same for some columns of the batch."""
        return Lump(self.capacity_j_m2k[keep], self.conductance_w_m2k[keep], self.start_c[keep])


@dataclass(frozen=True)
class Slab:
    """A sheet and everything that heats it, for a batch.

    Attributes:
        material: see `Material`; its conductivity is k(T) rho(T), W kg/(m4 K), over mass coordinates.
        mass_kg_m2: mass per original area, (batch,).
        start_c: uniform (batch,) or as profile (nodes, batch) from the upper face, °C.
        surroundings: exchange at the outer side of each face (of the lump where there is one).
        lumps: layer on the upper and on the lower face.
        absorption: infrared absorbed in depth.
        sag: how the clamped sheet sags; None for a sheet that lies flat.
    """

    material: Material
    mass_kg_m2: Array
    start_c: Array
    surroundings: Surroundings
    lumps: tuple[Lump | None, Lump | None] = (None, None)
    absorption: Absorption | None = None
    sag: Sag | None = None

    @property
    def batch(self) -> int:
        """Number of parameter sets."""
        return len(self.mass_kg_m2)

    def columns(self, keep: NDArray[np.intp]) -> Slab:
        """The same for some columns of the batch."""
        upper, lower = self.lumps
        return Slab(
            self.material.columns(keep),
            self.mass_kg_m2[keep],
            self.start_c[..., keep],
            self.surroundings.columns(keep),
            (upper and upper.columns(keep), lower and lower.columns(keep)),
            self.absorption and self.absorption.columns(keep),
            self.sag and self.sag.columns(keep),
        )
