"""One sheet in one oven, and what is uncertain about it: from these a batch of heating problems is made."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, fields

import numpy as np
from numpy.typing import NDArray

from thermal.absorption import Absorption
from thermal.constants import STEFAN_BOLTZMANN_W_M2K4, ZERO_C_IN_K
from thermal.enthalpy import Material, material
from thermal.fields import InputError
from thermal.oven import OvenCard
from thermal.polymer import Polymer
from thermal.sag import Melt, Sag, equivalent_radius_m
from thermal.slab import Lump, Slab
from thermal.surroundings import Air, OvenAir, OvenFaces, SeriesAir, lagged_wall_c

Array = NDArray[np.float64]

_Wide = Callable[[Array | float], Array]

#: Room temperature at which gauge and density are taken, °C.
ROOM_C = 23.0
#: Knots of a material lie at least this far apart, K: a batch's melting points may cross its tables' points.
_KNOT_GAP_K = 1e-6


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

    Factors (1: as stated): gauge, density, conductivity, heat_capacity, melting_heat, h_upper, h_lower,
    emissivity_upper, emissivity_lower, recovery, wall_lag, viscosity, expansion, contact, emitter, absorption.
    Shifts (0: as stated): melting_k, air_k, upper_air_k, lower_air_k, door_drop_k, wall_k, set_k, start_k, emitter_k in
    kelvin; orientation in strain.
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

    @property
    def batch(self) -> int:
        """Size of the batch: the longest of the arrays."""
        return max(int(np.size(getattr(self, f.name))) for f in fields(self))


def departures(values: Mapping[str, Array]) -> Departures:
    """Departures from arrays by name."""
    return Departures(**values)


NONE = Departures()


def slab(case: Case, by: Departures = NONE) -> Slab:
    """The batch of heating problems of a case with each set of departures.

    Raises:
        InputError: the case cannot be: support 'tray' without a tray on the card, a tray with film in between.
    """
    batch = by.batch

    def wide(value: Array | float) -> Array:
        return np.ascontiguousarray(np.broadcast_to(np.asarray(value, float), (batch,)))

    mass = wide(float(case.polymer.density.at(ROOM_C)) * case.gauge_m * by.density * by.gauge)
    return Slab(
        material=sheet_material(case.polymer, by, batch),
        mass_kg_m2=mass,
        start_c=wide(case.start_c + by.start_k),
        surroundings=_faces(case, by, wide),
        lumps=_lumps(case, by, wide),
        absorption=None if case.oven.kind == "convection" else _absorption(case, by, wide),
        sag=_sag(case, by, wide),
    )


def sheet_material(polymer: Polymer, by: Departures, batch: int) -> Material:
    """Heat capacity with melting, and k rho, at the union of all tables' points of each column."""
    shift = np.broadcast_to(np.asarray(by.melting_k, float), (batch,))
    fixed = sorted(
        {
            *polymer.heat_capacity.temperature_c,
            *polymer.conductivity.temperature_c,
            *polymer.density.temperature_c,
        }
    )
    corners = [c for m in polymer.melting for c in (m.onset_c, m.peak_c, m.end_c)]
    knots = np.concatenate(
        [
            np.broadcast_to(np.array(fixed)[:, None], (len(fixed), batch)),
            np.array(corners)[:, None] + shift if corners else np.empty((0, batch)),
        ]
    )
    if len(knots) == 1:
        knots = np.concatenate([knots, knots + 100.0])
    knots = np.sort(knots, axis=0)
    spread = np.arange(len(knots))[:, None] * _KNOT_GAP_K
    knots = np.maximum.accumulate(knots - spread, axis=0) + spread
    capacity = polymer.heat_capacity.at(knots) * by.heat_capacity
    for melting in polymer.melting:
        capacity = capacity + melting.excess_j_kgk(knots - shift) * by.melting_heat
    conductivity = polymer.conductivity.at(knots) * polymer.density.at(knots) * by.conductivity * by.density
    return material(knots, np.asarray(capacity), np.asarray(conductivity))


def steady_air_c(card: OvenCard, set_c: float) -> float:
    """Air at the sheet once the oven is steady, °C, with the display at `set_c`."""
    return set_c + card.dial_offset_k + card.air_offset_k


def steady_wall_c(card: OvenCard, set_c: float) -> float:
    """Walls once the oven is steady, °C, with the display at `set_c`."""
    return set_c + card.dial_offset_k + card.wall_offset_k


def _air(case: Case, by: Departures, wide: _Wide) -> Air:
    card = case.oven
    lag = wide(card.wall_lag_s * by.wall_lag)
    if case.measured is None:
        return OvenAir(
            air_c=wide(steady_air_c(card, case.set_c) + by.set_k + by.air_k),
            wall_c=wide(steady_wall_c(card, case.set_c) + by.set_k + by.wall_k),
            drop_k=np.maximum(wide(card.door_drop_k + by.door_drop_k), 0.0) * (card.door_drop_k > 0),
            recovery_s=wide(card.recovery_s * by.recovery),
            lag_s=lag,
            openings_s=case.openings_s,
        )
    air = case.measured
    both = np.stack([air.upper_c, air.lower_c], axis=1)[:, :, None] + wide(by.air_k)
    if air.wall_c is None:
        offset = wide(card.wall_offset_k - card.air_offset_k + by.wall_k)
        time = np.concatenate([air.before_s, air.time_s])
        mean = np.concatenate([air.before_c, 0.5 * (air.upper_c + air.lower_c)])
        wall = lagged_wall_c(time, mean, lag, offset)[len(air.before_s) :]
    else:
        wall = air.wall_c[:, None] + wide(by.wall_k)
    return SeriesAir(air.time_s, both, wall)


def oven_faces(case: Case) -> OvenFaces:
    """What the two faces meet with the stated values, one column."""
    return _faces(case, NONE, lambda value: np.atleast_1d(np.asarray(value, float)))


def _faces(case: Case, by: Departures, wide: _Wide) -> OvenFaces:
    card, moved_k = case.oven, case.set_c - case.oven.set_c
    sides = (
        (card.upper, by.h_upper, by.emissivity_upper, by.upper_air_k),
        (card.lower, by.h_lower, by.emissivity_lower, by.lower_air_k),
    )
    h, offset, loss, wall_gain, emitter_gain = [], [], [], [], []
    for side, (face, h_factor, emissivity_factor, air_k) in enumerate(sides):
        h.append(wide(face.h_w_m2k * h_factor))
        offset.append(wide(face.air_offset_k + air_k))
        emissivity = np.minimum(wide(face.emissivity_eff * emissivity_factor), 1.0)
        loss.append(emissivity)
        view = np.minimum(wide(face.emitter.view_factor * by.emitter), 1.0) if face.emitter else wide(0.0)
        wall_gain.append(emissivity * (1.0 - view))
        gain = wide(0.0)
        if face.emitter:
            # Absorbed at the face unless the sheet takes it up in depth (see `_absorption`).
            kelvin = wide(face.emitter.temperature_c + moved_k + by.emitter_k) + ZERO_C_IN_K
            in_depth = _translucent(case) and not (side == 1 and case.support == "tray")
            share = _kept_by_film(case, side) if in_depth else 1.0
            gain = share * emissivity * view * STEFAN_BOLTZMANN_W_M2K4 * kelvin**4
        emitter_gain.append(gain)
    return OvenFaces(_air(case, by, wide), *(np.stack(part) for part in (h, offset, loss, wall_gain, emitter_gain)))


def _translucent(case: Case) -> bool:
    infrared = case.polymer.surface.infrared.get(case.colour)
    return infrared is not None and bool(infrared.bands)


def _kept_by_film(case: Case, side: int) -> float:
    film = case.film[side]
    return film.absorptance if film else 0.0


def _absorption(case: Case, by: Departures, wide: _Wide) -> Absorption | None:
    """What emitters send into a translucent sheet: sigma F T_e4 (1 - R) past each face, absorbed by bands."""
    infrared = case.polymer.surface.infrared.get(case.colour)
    if infrared is None or not infrared.bands:
        return None
    moved_k = case.set_c - case.oven.set_c
    entering = []
    for side, face in enumerate((case.oven.upper, case.oven.lower)):
        if face.emitter is None or (side == 1 and case.support == "tray"):
            entering.append(wide(0.0))
            continue
        kelvin = wide(face.emitter.temperature_c + moved_k + by.emitter_k) + ZERO_C_IN_K
        view = np.minimum(wide(face.emitter.view_factor * by.emitter), 1.0)
        passing = (1.0 - infrared.reflectance) * (1.0 - _kept_by_film(case, side))
        entering.append(passing * view * STEFAN_BOLTZMANN_W_M2K4 * kelvin**4)
    gauge = case.gauge_m * wide(by.gauge)
    return Absorption(
        np.stack(entering),
        np.stack([wide(fraction) for fraction, _ in infrared.bands]),
        np.stack([per_m * gauge * wide(by.absorption) for _, per_m in infrared.bands]),
    )


def _lumps(case: Case, by: Departures, wide: _Wide) -> tuple[Lump | None, Lump | None]:
    layers: list[Lump | None] = []
    for film in case.film:
        layers.append(
            None
            if film is None
            else Lump(
                wide(film.mass_kg_m2 * film.heat_capacity_j_kgk),
                wide(1.0 / film.resistance_m2k_w),
                wide(case.start_c + by.start_k),
            )
        )
    if case.support == "tray":
        tray, film = case.oven.tray, case.film[1]
        if tray is None:
            raise InputError(
                f"oven card {case.oven.id}: support 'tray' needs the tray's data: add [tray] mass_kg_m2, "
                "heat_capacity_j_kgk, contact_w_m2k, start_c to the card"
            )
        contact = 1.0 / (1.0 / (tray.contact_w_m2k * by.contact) + (film.resistance_m2k_w if film else 0.0))
        layers[1] = Lump(wide(tray.mass_kg_m2 * tray.heat_capacity_j_kgk), wide(contact), wide(tray.start_c))
    return layers[0], layers[1]


def _sag(case: Case, by: Departures, wide: _Wide) -> Sag | None:
    polymer, opening_m = case.polymer, case.opening_m
    v, e = polymer.viscosity, polymer.expansion
    if v is None or opening_m is None or not case.drops:
        return None
    shift = wide(by.melting_k) if polymer.semi_crystalline else wide(0.0)
    melt = Melt(
        reference_pa_s=v.reference_pa_s * wide(by.viscosity),
        reference_c=wide(v.reference_c),
        activation_j_mol=wide(v.activation_j_mol if v.law == "arrhenius" else np.nan),
        c1=wide(v.c1),
        c2_k=wide(v.c2_k),
        solid_below_c=v.solid_below_c + shift,
        solid_ratio=wide(v.solid_ratio),
    )
    return Sag(
        radius_m=wide(equivalent_radius_m(opening_m)),
        density_kg_m3=float(polymer.density.at(polymer.forming.core_min_c)) * wide(by.density),
        melt=melt,
        expansion_1_k=e.linear_1_k * wide(by.expansion),
        orientation_strain=np.maximum(e.orientation_strain + wide(by.orientation), 0.0),
        rubber_modulus_pa=wide(v.rubber_modulus_pa if v.rubber_modulus_pa is not None else np.inf),
    )
