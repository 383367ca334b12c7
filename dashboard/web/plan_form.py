"""What is asked on the plan page: its values, as an address holds them, and the question they put."""

from __future__ import annotations

import datetime
from collections.abc import Mapping
from dataclasses import dataclass, fields
from urllib.parse import urlencode

from dashboard.plan_question import (
    DEFAULT_START_C,
    DROP_MM,
    FORMING_C,
    GAUGE_MM,
    ROOM_C,
    SET_C,
    START_C,
    Question,
    checked_c,
    granted,
    millimetres_as_m,
)
from dashboard.shop import Shop
from thermal.case import Case
from thermal.fields import InputError, shown
from thermal.heat import OPENING_MM, SUPPORTS

#: Sheet that many a workshop has in stock, where nothing is asked yet.
FIRST_POLYMER, FIRST_GAUGE_MM = "pp-homopolymer", 6.0
#: Colours a plan tells apart.
COLOURS = ("natural", "pigmented")


@dataclass(frozen=True)
class PlanForm:
    """The values of the form, in mm and °C whatever units are shown; None where nothing is asked.

    Attributes:
        opening_mm: diameter, or the first of two sides. other_side_mm: the second side.
    """

    polymer: str
    oven: str
    gauge_mm: float
    set_c: float
    support: str = "frame"
    colour: str = "natural"
    opening_mm: float | None = None
    other_side_mm: float | None = None
    drop_mm: float | None = None
    clearance_mm: float | None = None
    start_c: float | None = None
    room_c: float | None = None


_TEXTS = ("polymer", "oven", "support", "colour")


def first_form(shop: Shop) -> PlanForm:
    """What the page shows before anything is asked.

    Raises:
        InputError: the shop has no ovens, or the first one's card cannot be used.
    """
    ovens, polymers = shop.oven_ids(), shop.polymer_ids()
    if not ovens:
        raise InputError(f"the shop {shop.name!r} has no ovens; put a card into {shop.folder / 'ovens'}")
    polymer = FIRST_POLYMER if FIRST_POLYMER in polymers else polymers[0]
    return PlanForm(polymer, ovens[0], FIRST_GAUGE_MM, shop.oven(ovens[0]).set_c)


def form_of_query(query: Mapping[str, str], shop: Shop) -> PlanForm:
    """The form that an address holds; what it leaves out is as at first, the set temperature as on the oven's card.

    Raises:
        InputError: a value is no number, or the shop has no such oven.
    """
    first = first_form(shop)
    values: dict[str, str | float | None] = {name: query.get(name, getattr(first, name)) for name in _TEXTS}
    for field in fields(PlanForm):
        if field.name not in _TEXTS:
            values[field.name] = _number(field.name, query.get(field.name), getattr(first, field.name))
    if "set_c" not in query:
        values["set_c"] = shop.oven(str(values["oven"])).set_c
    return PlanForm(**values)  # type: ignore[arg-type]  # texts and numbers were told apart above


def _number(name: str, text: str | None, otherwise: float | None) -> float | None:
    if text is None or not text.strip():
        return otherwise
    try:
        return float(text) if text.isascii() and "_" not in text else float("nan")
    except ValueError:
        raise InputError(f"{name} = {shown(text)}: expected a number") from None


def query_of(form: PlanForm) -> str:
    """The form as the part of an address behind the '?'; what is not asked is left out."""
    values = {field.name: getattr(form, field.name) for field in fields(form)}
    return urlencode({n: f"{v:.10g}" if isinstance(v, float) else v for n, v in values.items() if v is not None})


def question_of(form: PlanForm, shop: Shop, today: datetime.date) -> Question:
    """The case that the form describes, every value checked.

    Raises:
        InputError: a value is out of range or unknown, or a file of the shop cannot be used.
    """
    oven, polymer = shop.oven(form.oven), shop.polymer(form.polymer)
    for name, value, known in (("support", form.support, SUPPORTS), ("colour", form.colour, COLOURS)):
        if value not in known:
            raise InputError(f"{name} {shown(value)}: expected one of {', '.join(known)}")
    notes = [note for note in (shop.polymer_note(polymer.id),) if note]
    opening = _opening_m(form)
    if form.support == "frame" and opening is None:
        notes.append("No opening stated: the drop is not predicted")
    free = form.support == "frame"
    case = Case(
        polymer=polymer,
        gauge_m=millimetres_as_m("gauge", form.gauge_mm, GAUGE_MM),
        oven=oven,
        set_c=checked_c("set temperature", form.set_c, SET_C[oven.kind], FORMING_C),
        start_c=DEFAULT_START_C if form.start_c is None else checked_c("sheet goes in at", form.start_c, START_C),
        support=form.support,
        opening_m=opening if free else None,
        colour=form.colour,
    )
    return Question(
        case,
        _optional_m("drop wanted", form.drop_mm) if free else None,
        _optional_m("room below the frame", form.clearance_mm) if free else None,
        shop.room_c if form.room_c is None else checked_c("room", form.room_c, ROOM_C),
        None,
        (*notes, *granted(oven, today)),
    )


def _opening_m(form: PlanForm) -> tuple[float, ...] | None:
    if form.opening_mm is None:
        if form.other_side_mm is not None:
            raise InputError("opening: the second side is stated and the first is not: state both, or a diameter alone")
        return None
    sides = [form.opening_mm] if form.other_side_mm is None else [form.opening_mm, form.other_side_mm]
    return tuple(millimetres_as_m("opening", side, OPENING_MM) for side in sides)


def _optional_m(name: str, value_mm: float | None) -> float | None:
    return None if value_mm is None else millimetres_as_m(name, value_mm, DROP_MM)
