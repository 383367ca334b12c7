"""Entries of a heat in a technician's words."""

from __future__ import annotations

from collections.abc import Mapping

_ENTRIES: Mapping[str, str] = {
    "polymer": "Polymer", "gauge_mm": "Gauge, mm", "oven": "Oven", "support": "Held by", "opening_mm": "Opening, mm",
    "set_c": "Set, °C", "start_c": "Sheet before, °C", "sheet_label": "Label", "job_number": "Job", "initials":
    "Operator", "colour": "Colour", "dried_hours": "Dried, h", "dried_c": "Dried at, °C", "heated_before":
    "Heated before", "other_sheets": "Other sheets in the oven", "notes": "Note", "outcome": "Outcome",
    "outcome_kind": "Failed how", "start_s": "Start, s of the run", "end_s": "End, s of the run",
    "checks.sheet_undamaged": "Check: sheet undamaged", "checks.label_kept": "Check: label kept",
    "checks.film_off": "Check: film off", "checks.frame_locked": "Check: frame locked",
    "checks.clearance": "Check: clearance",
}  # fmt: skip
#: The checks among them, by their own name.
CHECK_WORDS = {name.removeprefix("checks."): words for name, words in _ENTRIES.items() if name.startswith("checks.")}


def entry_words(name: str) -> str:
    """An entry's name in a technician's words; others are shown by their name."""
    return _ENTRIES.get(name, name)
