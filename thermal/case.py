"""One sheet in one oven, and by how much what is uncertain about it departs from what is stated: values only."""

from __future__ import annotations

from dataclasses import dataclass, field, fields

import numpy as np
from numpy.typing import NDArray

from thermal.oven import OvenCard
from thermal.polymer import Polymer

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Film:
    """Protective film left on a face: a thin layer with a resistance. Values of a common polyethylene film of
    0.08 mm with a thin air gap (estimated); of an emitter's radiation it keeps `absorptance`.
    """

    mass_kg_m2: float = 0.08e-3 * 920.0
    heat_capacity_j_kgk: float = 2300.0
    resistance_m2k_w: float = 0.08e-3 / 0.33 + 0.1e-3 / 0.03
    absorptance: float = 0.3


def _nothing() -> Array:
    return np.empty(0)


@dataclass(frozen=True)
class MeasuredAir:
    """Recorded oven temperatures that drive the model in place of the card's air.

    Attributes:
        time_s: (times,), strictly increasing. upper_c, lower_c: air at each face, °C, (times,).
        measured_at: the face (0 upper, 1 lower) at which each of both was measured; where it is the other, the card's
        offsets of the faces' air tell the difference.
        wall_c: °C, (times,); None: the walls follow the mean air with the card's lag and offset.
        before_s, before_c: mean air before `time_s[0]`, strictly increasing, (earlier,): what the walls followed until
        the sheet went in; empty: the walls are in balance with the first air.
    """

    time_s: Array
    upper_c: Array
    lower_c: Array
    wall_c: Array | None = None
    before_s: Array = field(default_factory=_nothing)
    before_c: Array = field(default_factory=_nothing)
    measured_at: tuple[int, int] = (0, 1)


@dataclass(frozen=True)
class Case:
    """One sheet in one oven.

    Attributes:
        gauge_m: thickness, m. set_c: the oven's set temperature as displayed, °C. start_c: sheet when it goes in.
        support: 'frame' (both faces free, it sags) or 'tray' (lies flat on the card's tray).
        opening_m: free area inside the frame: (diameter,) or (side, side), m; None: the drop is not predicted.
            Nor is it for a polymer without viscosity, or on a tray: see `drops`.
        colour: 'natural' or 'pigmented'. film: protective film left on (upper, lower).
        openings_s: when the door is opened; 0 is the sheet going in. measured: recorded air, None: the card's model.
    """

    polymer: Polymer
    gauge_m: float
    oven: OvenCard
    set_c: float
    start_c: float = 22.0
    support: str = "frame"
    opening_m: tuple[float, ...] | None = None
    colour: str = "natural"
    film: tuple[Film | None, Film | None] = (None, None)
    openings_s: tuple[float, ...] = (0.0,)
    measured: MeasuredAir | None = None

    @property
    def drops(self) -> bool:
        """Whether the drop of the sheet is predicted."""
        return self.support == "frame" and self.opening_m is not None and self.polymer.viscosity is not None


@dataclass(frozen=True)
class Departures:
    """By how much each uncertain quantity departs from its stated value, for a batch: all (batch,) or one number.

    Factors (1: as stated): gauge, density, conductivity, heat_capacity, melting_heat (of the main melting range),
    h_upper, h_lower, emissivity_upper, emissivity_lower, recovery, wall_lag, viscosity, expansion, contact, emitter,
    absorption.
    Shifts (0: as stated): melting_k (all melting ranges), air_k, upper_air_k, lower_air_k, door_drop_k, wall_k, set_k,
    start_k, emitter_k and the forming limits' core_min_k, core_max_k, face_max_k in kelvin; orientation in strain;
    lesser_melting, the heat of every melting range but the main one, in standard deviations of its logarithm.
    """

    gauge: Array | float = 1.0
    density: Array | float = 1.0
    conductivity: Array | float = 1.0
    heat_capacity: Array | float = 1.0
    melting_heat: Array | float = 1.0
    h_upper: Array | float = 1.0
    h_lower: Array | float = 1.0
    emissivity_upper: Array | float = 1.0
    emissivity_lower: Array | float = 1.0
    recovery: Array | float = 1.0
    wall_lag: Array | float = 1.0
    viscosity: Array | float = 1.0
    expansion: Array | float = 1.0
    contact: Array | float = 1.0
    emitter: Array | float = 1.0
    absorption: Array | float = 1.0
    melting_k: Array | float = 0.0
    air_k: Array | float = 0.0
    upper_air_k: Array | float = 0.0
    lower_air_k: Array | float = 0.0
    door_drop_k: Array | float = 0.0
    wall_k: Array | float = 0.0
    set_k: Array | float = 0.0
    start_k: Array | float = 0.0
    emitter_k: Array | float = 0.0
    orientation: Array | float = 0.0
    lesser_melting: Array | float = 0.0
    core_min_k: Array | float = 0.0
    core_max_k: Array | float = 0.0
    face_max_k: Array | float = 0.0

    @property
    def batch(self) -> int:
        """Size of the batch: the longest of the arrays."""
        return max(int(np.size(getattr(self, f.name))) for f in fields(self))


NONE = Departures()
