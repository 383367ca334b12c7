"""A polymer as JSON objects: sections as in its file, units in the keys."""

from __future__ import annotations

from dataclasses import asdict
from typing import Any

from thermal.polymer import Infrared, Polymer, Table


def summary_json(polymer: Polymer) -> dict[str, Any]:
    """One row of the list as a JSON object."""
    main = polymer.main_melting
    return {
        "id": polymer.id,
        "name": polymer.name,
        "core_min_c": polymer.forming.core_min_c,
        "core_max_c": polymer.forming.core_max_c,
        "face_max_c": polymer.forming.face_max_c,
        "form_until_c": polymer.forming.form_until_c,
        "demold_c": polymer.forming.demold_c,
        "melting_peak_c": main.peak_c if main else None,
        "glass_c": None if main or polymer.viscosity is None else polymer.viscosity.solid_below_c,
        "drying_needed": polymer.drying is not None and polymer.drying.needed,
    }


def _section_json(section: Any) -> dict[str, Any]:
    """A section's fields, its provenance beside them instead of inside; for a dataclass with `provenance`."""
    content = asdict(section)
    provenance = content.pop("provenance")
    return {**content, **provenance}


def _table_json(table: Table, unit: str) -> dict[str, Any]:
    content = _section_json(table)
    return {"temperature_c": content.pop("temperature_c"), f"value_{unit}": content.pop("value"), **content}


def _crystallisation_json(polymer: Polymer) -> dict[str, Any] | None:
    """As in the file: onset first on the way down."""
    if polymer.crystallisation is None:
        return None
    content = _section_json(polymer.crystallisation)
    return {**content, "onset_c": content["end_c"], "end_c": content["onset_c"]}


def _infrared_json(infrared: Infrared) -> dict[str, Any]:
    content = _section_json(infrared)
    content["bands"] = [{"fraction": share, "absorption_1_m": a_1_m} for share, a_1_m in infrared.bands]
    return content


def polymer_json(polymer: Polymer) -> dict[str, Any]:
    """All of a polymer as one JSON object: sections as in its file, units in the keys.

    `rel_std` is a share of the value; of viscosity the standard deviation of its natural logarithm. What the file
    does not state is null (viscosity, crystallisation, drying), or stands with the source 'not stated'.
    """
    surface = _section_json(polymer.surface)
    colours = polymer.surface.infrared
    surface["infrared"] = {colour: _infrared_json(infrared) for colour, infrared in colours.items()}
    return {
        "id": polymer.id,
        "name": polymer.name,
        "note": polymer.note,
        "version": polymer.version,
        "clears_when_melted": polymer.clears_when_melted,
        "sticks_to_itself": polymer.sticks_to_itself,
        "density": _table_json(polymer.density, "kg_m3"),
        "conductivity": _table_json(polymer.conductivity, "w_mk"),
        "heat_capacity": _table_json(polymer.heat_capacity, "j_kgk"),
        "melting": [_section_json(melting) for melting in polymer.melting],
        "crystallisation": _crystallisation_json(polymer),
        "expansion": _section_json(polymer.expansion),
        "surface": surface,
        "viscosity": None if polymer.viscosity is None else _section_json(polymer.viscosity),
        "forming": _section_json(polymer.forming),
        "drying": None if polymer.drying is None else _section_json(polymer.drying),
    }
