"""What is known about a polymer in words and numbers with units, section by section."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from thermal.polymer import Expansion, Infrared, Melting, Polymer, Provenance, Table


@dataclass(frozen=True)
class Item:
    """One section of a polymer for people: heading, values with units, uncertainty in words, source.

    What is not known has neither uncertainty nor provenance.
    """

    heading: str
    lines: tuple[str, ...]
    uncertainty: str = ""
    provenance: Provenance | None = None


def _item(heading: str, lines: Sequence[str], provenance: Provenance, extra: str = "") -> Item:
    return Item(heading, tuple(lines), f"±{100 * provenance.rel_std:.2g} %{extra}", provenance)


def _table_item(heading: str, table: Table, unit: str) -> Item:
    if len(table.value) == 1:
        return _item(heading, [f"{table.value[0]:g} {unit} at all temperatures"], table.provenance)
    lines = [f"{value:g} {unit} at {t:g} °C" for t, value in zip(table.temperature_c, table.value, strict=True)]
    return _item(heading, lines, table.provenance)


def _melting_item(heading: str, melting: Melting, falling: bool = False) -> Item:
    first, last = (melting.end_c, melting.onset_c) if falling else (melting.onset_c, melting.end_c)
    lines = [
        f"{first:g} to {last:g} °C, peak {melting.peak_c:g} °C",
        f"{melting.enthalpy_j_kg / 1000:g} kJ/kg",
    ]
    return _item(heading, lines, melting.provenance, f" of the enthalpy, ±{melting.temperature_std_k:g} K")


def _infrared_item(colour: str, infrared: Infrared) -> Item:
    lines = [f"reflects {100 * infrared.reflectance:.2g} %"]
    lines += [f"{100 * share:g} % absorbed with {coefficient:g} 1/m" for share, coefficient in infrared.bands]
    return _item(f"infrared, {colour}", lines + ["opaque"] * infrared.opaque, infrared.provenance)


def _viscosity_item(polymer: Polymer) -> Item:
    viscosity = polymer.viscosity
    if viscosity is None:
        return Item("viscosity", ("not stated; the drop cannot be predicted",))
    law = (
        f"arrhenius, {viscosity.activation_j_mol / 1000:g} kJ/mol"
        if viscosity.law == "arrhenius"
        else f"wlf, c1 {viscosity.c1:g}, c2 {viscosity.c2_k:g} K"
    )
    lines = [
        f"{viscosity.reference_pa_s:.6g} Pa s at {viscosity.reference_c:g} °C",
        law,
        f"solid below {viscosity.solid_below_c:g} °C, {viscosity.solid_ratio:.4g} times the melt law there",
    ]
    if viscosity.rubber_modulus_pa is not None:
        lines.append(f"rubber modulus {viscosity.rubber_modulus_pa / 1e6:g} MPa")
    factor = f"within a factor of {math.exp(viscosity.provenance.rel_std):.2g} (one standard deviation of ln)"
    return Item("viscosity", tuple(lines), factor, viscosity.provenance)


def _expansion_item(expansion: Expansion) -> Item:
    if expansion.linear_1_k == 0.0:  # no file may say 0: none was stated
        return Item("expansion", ("not stated; taken as none",))
    strain, strain_std = 100 * expansion.orientation_strain, 100 * expansion.orientation_strain_std
    lines = [f"{1e6 * expansion.linear_1_k:g}e-6 1/K", f"frozen-in strain {strain:g} ± {strain_std:g} %"]
    return _item("expansion", lines, expansion.provenance)


def _forming_item(polymer: Polymer) -> Item:
    forming = polymer.forming
    lines = [
        f"core {forming.core_min_c:g} to {forming.core_max_c:g} °C, face at most {forming.face_max_c:g} °C",
        f"formable until {forming.form_until_c:g} °C on the way down, demold below {forming.demold_c:g} °C",
    ]
    if forming.stretch_max is not None:
        lines.append(f"area stretch at most {forming.stretch_max:g}")
    if polymer.clears_when_melted:
        lines.append("natural sheet turns clear when its core has melted")
    if polymer.sticks_to_itself:
        lines.append("hot sheet sticks to itself: it can be draped with a seam")
    return _item("forming", lines, forming.provenance, " of the °C")


def _drying_item(polymer: Polymer) -> Item | None:
    drying = polymer.drying
    if drying is None:
        return None
    lines = ["needed before heating" if drying.needed else "only for sheet that has become damp"]
    if drying.temperature_c is not None and drying.hours_per_mm is not None:
        lines.append(f"{drying.hours_per_mm:g} h per mm of gauge at {drying.temperature_c:g} °C")
    return _item("drying", lines, drying.provenance)


def items(polymer: Polymer) -> list[Item]:
    """Everything known about a polymer, in the order of its file."""
    surface = polymer.surface
    found = [
        _forming_item(polymer),
        _drying_item(polymer),
        _table_item("density", polymer.density, "kg/m3"),
        _table_item("conductivity", polymer.conductivity, "W/(m K)"),
        _table_item("heat capacity", polymer.heat_capacity, "J/(kg K)"),
        *(_melting_item("melting", melting) for melting in polymer.melting),
        _melting_item("crystallisation", polymer.crystallisation, falling=True) if polymer.crystallisation else None,
        _expansion_item(polymer.expansion),
        _item("surface", [f"emissivity {surface.emissivity:g}"], surface.provenance),
        *(_infrared_item(colour, infrared) for colour, infrared in surface.infrared.items()),
        _viscosity_item(polymer),
    ]
    return [item for item in found if item is not None]
