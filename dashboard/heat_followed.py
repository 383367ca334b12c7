"""What is followed of a heat that is recorded: its form and its marks as a case, limits and a wanted drop."""

from __future__ import annotations

import datetime
import re
from collections.abc import Iterable, Mapping
from dataclasses import replace

from dashboard.commands.plan_inputs import Asked, question
from dashboard.commands.watch_inputs import Wanted, followed_of, lines_in_notes
from dashboard.commands.watch_live import filled
from dashboard.follower import Followed
from dashboard.shop import Shop
from dashboard.units import Units
from logger.records import HeatForm, Mark
from thermal.fields import InputError

_NO_SHEET = "Which sheet this is was not said ({0}): fill in the form, as far as it is known"
#: In the note of the mark that starts a heat: what is wanted of the bubble, which no entry of the form holds.
_WANTED = re.compile(r"\b(drop wanted|room below) ([0-9]+(?:\.[0-9]+)?) mm")
#: Entries of the form from which the estimate follows; others may change while the sheet is in the oven.
_ENTRIES = ("polymer", "gauge_mm", "oven", "set_c", "start_c", "support", "opening_mm", "colour")

Stated = tuple[object, ...]


def wanted_note(drop_mm: float | None, clearance_mm: float | None) -> str:
    """What is wanted of the bubble, as the note of a mark: 'drop wanted 90 mm; room below 150 mm'; '' for nothing."""
    told = (("drop wanted", drop_mm), ("room below", clearance_mm))
    return "; ".join(f"{words} {value:g} mm" for words, value in told if value is not None)


def wanted_in(marks: Iterable[Mark]) -> dict[str, float]:
    """What was wanted by the notes of marks, mm; the last word counts."""
    return {match[1]: float(match[2]) for mark in marks for match in _WANTED.finditer(mark.note)}


def stated(form: HeatForm, marks: Iterable[Mark]) -> Stated:
    """All from which `followed` follows: where it is the same, so is the answer."""
    kept = list(marks)
    lines = lines_in_notes((mark.name, mark.note) for mark in kept)
    return (
        *(getattr(form, name) for name in _ENTRIES), tuple(sorted(lines.items())),
        tuple(sorted(wanted_in(kept).items())),
    )  # fmt: skip


def followed(
    form: HeatForm, marks: Iterable[Mark], line_mm: Mapping[str, float], shop: Shop, today: datetime.date
) -> Followed:
    """What is followed.

    Args:
        marks: in force, for what their notes say. line_mm: what the bench file says of its lines.

    Raises:
        InputError: the sheet is not stated, or cannot be as it is stated.
    """
    kept = list(marks)
    missing = [name for name, value in (("polymer", form.polymer), ("gauge", form.gauge_mm)) if not value]
    if missing:
        raise InputError(_NO_SHEET.format(f"no {' and no '.join(missing)}"))
    wanted = wanted_in(kept)
    asked = replace(filled(Asked(), form), drop_mm=wanted.get("drop wanted"), clearance_mm=wanted.get("room below"))
    lines = {**line_mm, **lines_in_notes((mark.name, mark.note) for mark in kept)}
    return followed_of(question(asked, shop, today, Units()), Wanted({}, None, frozenset()), lines)
