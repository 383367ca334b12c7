"""Reading sheet polymers: from a mapping as a TOML reader gives it, and the shipped ones by id.

What a file may say is in `thermal.polymer`. Reading believes no mistake: an unknown key, a unit mistaken,
sections that contradict each other are refused with file, key, value and what was expected.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from importlib.resources import files
from importlib.resources.abc import Traversable
from itertools import pairwise
from typing import Any, cast

from thermal.fields import FRACTION, TEMPERATURE_C, Fields, InputError, Range, near_matches
from thermal.polymer import (
    DEFAULT_SOLID_RATIO,
    Basis,
    Dose,
    Drying,
    Expansion,
    Forming,
    Infrared,
    Law,
    Melting,
    Polymer,
    Provenance,
    Surface,
    Table,
    Viscosity,
)

#: Relative standard uncertainty where a file states none: our estimate, by how the number came about.
DEFAULT_REL_STD: Mapping[Basis, float] = {
    "published": 0.05,
    "derived": 0.07,
    "recalled": 0.15,
    "estimated": 0.25,
}
#: The same for viscosity, as standard deviation of its natural logarithm: grades differ by decades.
DEFAULT_LN_VISCOSITY_STD = 1.0
#: The same for the forming limits, relative to the Celsius value: a few kelvin, as trade pages differ (estimate).
DEFAULT_FORMING_REL_STD = 0.03
#: Total emissivity of a face where a file states none: most organic surfaces, recalled.
DEFAULT_EMISSIVITY = 0.93
#: The same for the temperatures of a melting range, K.
DEFAULT_MELTING_STD_K = 3.0

# Plausible ranges. Their purpose is to catch a unit mistaken (g/cm3, kJ, kelvin, percent), so they are wide.
DENSITY_KG_M3 = Range("kg/m3", at_least=300.0, at_most=3000.0)
CONDUCTIVITY_W_MK = Range("W/(m K)", at_least=0.02, at_most=2.0)
HEAT_CAPACITY_J_KGK = Range("J/(kg K)", at_least=500.0, at_most=6000.0)
ENTHALPY_J_KG = Range("J/kg", at_least=1000.0, at_most=400_000.0)
EXPANSION_1_K = Range("1/K", at_least=1e-6, at_most=1e-3)
ABSORPTION_1_M = Range("1/m", at_least=10.0, at_most=1e7)
VISCOSITY_PA_S = Range("Pa s", at_least=1.0, at_most=1e20)
ACTIVATION_J_MOL = Range("J/mol", at_least=0.0, at_most=500_000.0)
LEAST_ACTIVATION_J_MOL = 1000.0
STRAIN = Range(at_least=0.0, at_most=0.3)
MODULUS_PA = Range("Pa", at_least=1000.0, at_most=1e9)
FIRST_TABLE_TEMPERATURE_C = Range("°C", at_least=-60.0, at_most=200.0)


def _provenance(section: Fields, default_rel_std: float | None = None) -> Provenance:
    """A section's source, basis and rel_std. What has no source is shown as such and counts as estimated."""
    bases = ("published", "derived", "recalled", "estimated")
    sourced = section.has("source")
    basis = cast(Basis, section.text("basis", bases, default="estimated"))
    if basis in ("published", "derived") and not sourced:
        raise section.refuse("basis", basis, f"a key source beside it, naming where it was {basis}")
    fallback = DEFAULT_REL_STD[basis] if default_rel_std is None else default_rel_std
    return Provenance(
        source=section.text("source", default="not stated"),
        basis=basis,
        rel_std=section.number("rel_std", Range(at_least=0.0, at_most=3.0), default=fallback),
    )


def _table(section: Fields, allowed: Range) -> Table:
    """A [section] with `value = x`, or with `temperature_c = [...]` and `value = [...]`."""
    if section.has("temperature_c"):
        temperature_c = section.numbers("temperature_c", TEMPERATURE_C)
        if not FIRST_TABLE_TEMPERATURE_C.holds(temperature_c[0]):
            raise section.refuse(
                "temperature_c",
                list(temperature_c),
                "a table that starts at 200 °C or below (°C, not kelvin)",
            )
        if any(b <= a for a, b in pairwise(temperature_c)):
            raise section.refuse("temperature_c", list(temperature_c), "strictly increasing temperatures")
        value = section.numbers("value", allowed, count=len(temperature_c))
    else:
        if isinstance(section.raw("value"), list):
            raise section.refuse("value", section.raw("value"), f"{allowed}, or also a list temperature_c")
        temperature_c, value = (23.0,), (section.number("value", allowed),)
    table = Table(temperature_c, value, _provenance(section))
    section.close()
    return table


def _melting(section: Fields, falling: bool = False) -> Melting:
    """A [melting] table, or with `falling` [crystallisation], whose onset is met first on the way down."""
    onset_c, peak_c, end_c = (section.number(key, TEMPERATURE_C) for key in ("onset_c", "peak_c", "end_c"))
    low_c, high_c = (end_c, onset_c) if falling else (onset_c, end_c)
    if not low_c < peak_c < high_c:
        order = "onset_c > peak_c > end_c (on the way down)" if falling else "onset_c < peak_c < end_c"
        raise section.refuse("peak_c", peak_c, f"{order}, and onset_c is {onset_c:g}, end_c {end_c:g}")
    melting = Melting(
        onset_c=low_c,
        peak_c=peak_c,
        end_c=high_c,
        enthalpy_j_kg=section.number("enthalpy_j_kg", ENTHALPY_J_KG),
        temperature_std_k=section.number(
            "temperature_std_k", Range("K", at_least=0.0, at_most=30.0), default=DEFAULT_MELTING_STD_K
        ),
        provenance=_provenance(section),
    )
    section.close()
    return melting


def _meltings(top: Fields) -> tuple[Melting, ...]:
    meltings = tuple(_melting(section) for section in top.tables("melting"))
    peaks = [melting.peak_c for melting in meltings]
    if any(b <= a for a, b in pairwise(peaks)):
        raise top.refuse("melting", peaks, "[[melting]] tables in ascending order of peak_c")
    return meltings


def _infrared(section: Fields) -> Infrared:
    bands: tuple[tuple[float, float], ...] = ()
    if section.has("fraction") or section.has("absorption_1_m"):
        fraction = section.numbers("fraction", FRACTION)
        absorption = section.numbers("absorption_1_m", ABSORPTION_1_M, count=len(fraction))
        if abs(sum(fraction) - 1.0) > 1e-6:
            raise section.refuse("fraction", list(fraction), f"fractions that add up to 1, not {sum(fraction):g}")
        bands = tuple(zip(fraction, absorption, strict=True))
    infrared = Infrared(section.number("reflectance", FRACTION), bands, _provenance(section))
    section.close()
    return infrared


def _surface(section: Fields | None) -> Surface:
    if section is None:
        return Surface(DEFAULT_EMISSIVITY, Provenance("not stated; most plastics", "recalled", 0.05), {})
    infrared: dict[str, Infrared] = {}
    colours = section.maybe_table("infrared")
    if colours is not None:
        for colour in ("natural", "pigmented"):
            table = colours.maybe_table(colour)
            if table is not None:
                infrared[colour] = _infrared(table)
        colours.close()
    emissivity = section.number("emissivity", Range(above=0.0, at_most=1.0))
    surface = Surface(emissivity, _provenance(section), infrared)
    section.close()
    return surface


def _viscosity(section: Fields | None) -> Viscosity | None:
    if section is None:
        return None
    law = cast(Law, section.text("law", ("arrhenius", "wlf"), default="arrhenius"))
    reference_c = section.number("reference_c", TEMPERATURE_C)
    solid_below_c = section.number("solid_below_c", TEMPERATURE_C)
    activation_j_mol = c1 = c2_k = 0.0
    if law == "arrhenius":
        activation_j_mol = section.number("activation_j_mol", ACTIVATION_J_MOL)
        if 0.0 < activation_j_mol < LEAST_ACTIVATION_J_MOL:
            raise section.refuse(
                "activation_j_mol",
                activation_j_mol,
                f"0, or at least {LEAST_ACTIVATION_J_MOL:g} J/mol (J, not kJ)",
            )
    else:
        c1 = section.number("c1", Range(above=0.0, at_most=60.0))
        c2_k = section.number("c2_k", Range("K", above=0.0, at_most=500.0))
        if solid_below_c <= reference_c - c2_k:
            raise section.refuse(
                "solid_below_c",
                solid_below_c,
                f"above {reference_c - c2_k:g} °C, where the wlf law has its pole",
            )
    viscosity = Viscosity(
        law=law,
        reference_pa_s=section.number("reference_pa_s", VISCOSITY_PA_S),
        reference_c=reference_c,
        solid_below_c=solid_below_c,
        activation_j_mol=activation_j_mol,
        c1=c1,
        c2_k=c2_k,
        solid_ratio=section.number("solid_ratio", Range(at_least=1.0, at_most=1e8), default=DEFAULT_SOLID_RATIO),
        rubber_modulus_pa=section.maybe_number("rubber_modulus_pa", MODULUS_PA),
        provenance=_provenance(section, DEFAULT_LN_VISCOSITY_STD),
    )
    section.close()
    return viscosity


def _forming(section: Fields) -> Forming:
    names = ("demold_c", "form_until_c", "core_min_c", "core_max_c", "face_max_c")
    limits = {name: section.number(name, TEMPERATURE_C) for name in names}
    for lower, upper, strict in (
        ("core_min_c", "core_max_c", True),
        ("core_min_c", "face_max_c", True),
        ("form_until_c", "core_min_c", False),
        ("demold_c", "core_min_c", True),
    ):
        if limits[lower] > limits[upper] or (strict and limits[lower] == limits[upper]):
            word = "below" if strict else "at most"
            raise section.refuse(lower, limits[lower], f"a temperature {word} {upper} ({limits[upper]:g} °C)")
    forming = Forming(
        **limits,
        stretch_max=section.maybe_number("stretch_max", Range(above=1.0, at_most=20.0)),
        dose=_dose(section.maybe_table("dose")),
        provenance=_provenance(section, DEFAULT_FORMING_REL_STD),
    )
    section.close()
    return forming


def _dose(section: Fields | None) -> Dose | None:
    """Optional [forming.dose]: how long a face stands its reference temperature."""
    if section is None:
        return None
    dose = Dose(
        limit_s=section.number("limit_s", Range("s", above=0.0, at_most=360_000.0)),
        reference_c=section.number("reference_c", TEMPERATURE_C),
        activation_j_mol=section.number("activation_j_mol", Range("J/mol", at_least=1000.0, at_most=500_000.0)),
    )
    section.close()
    return dose


def _expansion(section: Fields | None) -> Expansion:
    if section is None:
        return Expansion(linear_1_k=0.0, provenance=Provenance("not stated", "estimated", 0.0))
    expansion = Expansion(
        linear_1_k=section.number("linear_1_k", EXPANSION_1_K),
        orientation_strain=section.number("orientation_strain", STRAIN, default=0.0),
        orientation_strain_std=section.number("orientation_strain_std", STRAIN, default=0.0),
        provenance=_provenance(section),
    )
    section.close()
    return expansion


def _drying(section: Fields | None) -> Drying | None:
    if section is None:
        return None
    needed = section.flag("needed", default=True)
    temperature = Range("°C", at_least=30.0, at_most=200.0)
    hours = Range("h per mm", above=0.0, at_most=24.0)
    drying = Drying(
        needed=needed,
        temperature_c=section.number("temperature_c", temperature)
        if needed
        else section.maybe_number("temperature_c", temperature),
        hours_per_mm=section.number("hours_per_mm", hours) if needed else section.maybe_number("hours_per_mm", hours),
        provenance=_provenance(section),
    )
    section.close()
    return drying


def polymer_from_mapping(mapping: Mapping[str, Any], where: str) -> Polymer:
    """A polymer from the tables of its file.

    Args:
        mapping: as a TOML reader gives it.
        where: the file's name, for messages.

    Raises:
        InputError: a key missing, unknown or out of range, or keys that contradict each other.
    """
    top = Fields(mapping, where)
    version = top.number("version", Range(at_least=1.0, at_most=1e9), default=1.0)
    if version != int(version):
        raise top.refuse("version", version, "a whole number")
    crystallisation = top.maybe_table("crystallisation")
    meltings = _meltings(top)
    polymer = Polymer(
        id=top.text("id"),
        name=top.text("name"),
        note=top.text("note", default=""),
        version=int(version),
        density=_table(top.table("density"), DENSITY_KG_M3),
        conductivity=_table(top.table("conductivity"), CONDUCTIVITY_W_MK),
        heat_capacity=_table(top.table("heat_capacity"), HEAT_CAPACITY_J_KGK),
        melting=meltings,
        crystallisation=None if crystallisation is None else _melting(crystallisation, falling=True),
        expansion=_expansion(top.maybe_table("expansion")),
        surface=_surface(top.maybe_table("surface")),
        viscosity=_viscosity(top.maybe_table("viscosity")),
        forming=_forming(top.table("forming")),
        drying=_drying(top.maybe_table("drying")),
        clears_when_melted=top.flag("clears_when_melted", default=bool(meltings)),
        # Common practice, no source: sheet that melts (PP, PE, EVA, ionomer) welds to itself, glassy sheet does not.
        sticks_to_itself=top.flag("sticks_to_itself", default=bool(meltings)),
    )
    top.close()
    _check_together(polymer, top)
    return polymer


def _check_together(polymer: Polymer, top: Fields) -> None:
    """Refuse sections that are fine alone and impossible together."""
    if polymer.crystallisation is not None:
        main = polymer.main_melting
        if main is None:
            raise top.refuse("crystallisation", "given", "a [melting] table too")
        if polymer.crystallisation.peak_c >= main.peak_c:
            raise top.refuse(
                "crystallisation.peak_c",
                polymer.crystallisation.peak_c,
                f"a temperature below melting.peak_c ({main.peak_c:g} °C)",
            )
    if polymer.viscosity is not None and polymer.viscosity.solid_below_c > polymer.forming.core_max_c:
        raise top.refuse(
            "viscosity.solid_below_c",
            polymer.viscosity.solid_below_c,
            f"a temperature at most forming.core_max_c ({polymer.forming.core_max_c:g} °C)",
        )
    if polymer.clears_when_melted and not polymer.semi_crystalline:
        raise top.refuse("clears_when_melted", True, "false, because no [melting] is given")


# ---------------------------------------------------------------- the shipped ones


def _folder() -> Traversable:
    return files("thermal").joinpath("polymers")


def polymer_ids() -> tuple[str, ...]:
    """Ids of the shipped polymers, sorted; reads no file."""
    names = (entry.name for entry in _folder().iterdir())
    return tuple(sorted(name.removesuffix(".toml") for name in names if name.endswith(".toml")))


def shipped_polymer(polymer_id: str) -> Polymer:
    """One shipped polymer; only its own file is read.

    Raises:
        InputError: no such id; the message names near matches and all ids.
    """
    ids = polymer_ids()
    if polymer_id not in ids:
        raise InputError(
            f"polymer {polymer_id!r} is not known{near_matches(polymer_id, ids)}: expected one of {', '.join(ids)}"
        )
    name = f"{polymer_id}.toml"
    return polymer_from_mapping(tomllib.loads(_folder().joinpath(name).read_text(encoding="utf-8")), name)


def shipped_polymers() -> dict[str, Polymer]:
    """All shipped polymers by id, in the order of their ids."""
    return {polymer_id: shipped_polymer(polymer_id) for polymer_id in polymer_ids()}
