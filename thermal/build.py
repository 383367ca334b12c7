"""From a case and its departures to the batch of heating problems that is solved."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from thermal.absorption import Absorption
from thermal.case import NONE, Case, Departures
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
#: Absorption coefficient times gauge at which all is absorbed at the face (a part in 10^7 goes deeper than a node).
_OPAQUE_DEPTH = 1e9


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
        lesser = np.exp(melting.provenance.rel_std * np.asarray(by.lesser_melting, float))
        heat = by.melting_heat if melting is polymer.main_melting else lesser
        capacity = capacity + melting.excess_j_kgk(knots - shift) * heat
    conductivity = polymer.conductivity.at(knots) * polymer.density.at(knots) * by.conductivity * by.density
    return material(knots, np.asarray(capacity), np.asarray(conductivity))


def steady_air_c(card: OvenCard, set_c: float) -> float:
    """Air at the sheet once the oven is steady, °C, with the display at `set_c`."""
    return set_c + card.dial_offset_k + card.air_offset_k


def steady_wall_c(card: OvenCard, set_c: float) -> float:
    """Walls once the oven is steady, °C, with the display at `set_c`."""
    return set_c + card.dial_offset_k + card.wall_offset_k


def face_air_k(card: OvenCard, by: Departures = NONE) -> tuple[Array | float, Array | float]:
    """Air at the upper and at the lower face against the oven's, K."""
    return card.upper.air_offset_k + by.upper_air_k, card.lower.air_offset_k + by.lower_air_k


def _air(case: Case, by: Departures, wide: _Wide) -> Air:
    """The oven's air; measured at a face, it is the oven's with that face's offset."""
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
    own = np.stack([wide(k) for k in face_air_k(card, by)])[list(air.measured_at)]
    both = np.stack([air.upper_c, air.lower_c], axis=1)[:, :, None] + wide(by.air_k) - own
    if air.wall_c is None:
        offset = wide(card.wall_offset_k - card.air_offset_k + by.wall_k)
        time = np.concatenate([air.before_s, air.time_s])
        stated_k = float(np.mean(np.array(face_air_k(card))[list(air.measured_at)]))
        mean = np.concatenate([air.before_c, 0.5 * (air.upper_c + air.lower_c)]) - stated_k
        wall = lagged_wall_c(time, mean, lag, offset)[len(air.before_s) :]
    else:
        wall = air.wall_c[:, None] + wide(by.wall_k)
    return SeriesAir(air.time_s, both, wall)


def oven_faces(case: Case) -> OvenFaces:
    """What the two faces meet with the stated values, one column."""
    return _faces(case, NONE, lambda value: np.atleast_1d(np.asarray(value, float)))


def _faces(case: Case, by: Departures, wide: _Wide) -> OvenFaces:
    card = case.oven
    sides = ((card.upper, by.h_upper, by.emissivity_upper), (card.lower, by.h_lower, by.emissivity_lower))
    h, loss, wall_gain, emitter_gain = [], [], [], []
    for side, (face, h_factor, emissivity_factor) in enumerate(sides):
        h.append(wide(face.h_w_m2k * h_factor))
        emissivity = np.minimum(wide(face.emissivity_eff * emissivity_factor), 1.0)
        loss.append(emissivity)
        view, power = _emitter(case, side, by, wide)
        wall_gain.append(emissivity * (1.0 - view))
        emitter_gain.append(_taken(case, side, emissivity)[0] * power)
    offset = [wide(k) for k in face_air_k(card, by)]
    return OvenFaces(_air(case, by, wide), *(np.stack(part) for part in (h, offset, loss, wall_gain, emitter_gain)))


def _emitter(case: Case, side: int, by: Departures, wide: _Wide) -> tuple[Array, Array]:
    """Share of a face's view that its emitter fills, and what it sends there, sigma F T_e4, W/m2; each (batch,)."""
    emitter = (case.oven.upper, case.oven.lower)[side].emitter
    if emitter is None:
        return wide(0.0), wide(0.0)
    view = np.minimum(wide(emitter.view_factor * by.emitter), 1.0)
    moved_k = case.set_c - case.oven.set_c
    kelvin = wide(emitter.temperature_c + moved_k + by.emitter_k) + ZERO_C_IN_K
    return view, view * STEFAN_BOLTZMANN_W_M2K4 * kelvin**4


def _bands(case: Case) -> tuple[tuple[float, float], ...]:
    """Shares of an emitter's power and their absorption coefficients, 1/m; empty for an opaque sheet."""
    infrared = case.polymer.surface.infrared.get(case.colour)
    return infrared.bands if infrared is not None else ()


def _taken(case: Case, side: int, emissivity: Array) -> tuple[Array, Array]:
    """Shares of an emitter's power taken by what is outermost on a face, and by the sheet behind its face.

    A bare opaque sheet, or a tray, takes it at the face; a translucent sheet in depth, 1 - R of it. A film left on
    keeps its `absorptance` and lets the rest through. What neither takes is reflected.
    """
    film, infrared = case.film[side], case.polymer.surface.infrared.get(case.colour)
    nothing = 0.0 * emissivity
    if side == 1 and case.support == "tray":
        return emissivity, nothing
    kept = film.absorptance if film else 0.0
    if infrared is not None and not infrared.opaque:
        return kept * emissivity, (1.0 - kept) * (1.0 - infrared.reflectance) + nothing
    return (kept * emissivity, (1.0 - kept) * emissivity) if film else (emissivity, nothing)


def _absorption(case: Case, by: Departures, wide: _Wide) -> Absorption | None:
    """What emitters send into the sheet past its faces: in depth, by bands, where it is translucent; where it is opaque
    only what a film lets through, all at the face. None where nothing passes.
    """
    bands = _bands(case)
    if not bands and case.film == (None, None):
        return None
    entering = []
    for side, (face, factor) in enumerate(
        ((case.oven.upper, by.emissivity_upper), (case.oven.lower, by.emissivity_lower))
    ):
        emissivity = np.minimum(wide(face.emissivity_eff * factor), 1.0)
        entering.append(_taken(case, side, emissivity)[1] * _emitter(case, side, by, wide)[1])
    gauge = case.gauge_m * wide(by.gauge)
    depths = [per_m * gauge * wide(by.absorption) for _, per_m in bands] or [wide(_OPAQUE_DEPTH)]
    return Absorption(
        np.stack(entering),
        np.stack([wide(fraction) for fraction, _ in bands or ((1.0, 0.0),)]),
        np.stack(depths),
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
