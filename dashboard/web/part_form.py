"""What is asked of a part on the plan page: the mold, the wall wanted; as its form has it, as an address holds it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, cast
from urllib.parse import urlencode

from dashboard.equipment import equipment_of
from dashboard.making import OnTheMold
from dashboard.mold_file import MoldFile
from dashboard.plan_question import GAUGE_MM, START_C, Question, checked_c, millimetres_as_m
from dashboard.shop import Shop
from dashboard.units import Units
from dashboard.web.part_kit import kit_of_query, kit_query
from dashboard.web.shown_values import length_mm
from logger.girths import DISTAL, check
from thermal.fields import InputError, Range, shown
from thermal.method import Equipment, Method
from thermal.mold import Distal, Mold
from thermal.mold_cooling import PLASTERS

METHODS = ("chosen", "bubble", "drape")
WALL_MM = Range("mm", at_least=0.5, at_most=20.0)
#: Levels that a page takes: a mold of the largest length every 20 mm has 75.
MOST_LEVELS = 100
_LONGEST_NAME = 60


@dataclass(frozen=True)
class PartForm:
    """The values of the part's form, in mm and °C whatever units are shown; None where nothing is asked.

    Attributes:
        level_mm, girth_mm: the mold's table. mesh: key of a mesh that was opened, '' for none. wall_mm: least wall
        wanted. sheet_mm: gauge that is to be taken; None: the thinnest that gives the wall. mold_c: None: as the room.
        equipment: what is at hand; None: what the shop's file says.
    """

    level_mm: tuple[float, ...] = ()
    girth_mm: tuple[float, ...] = ()
    distal: str = DISTAL[0]
    mold: str = ""
    mesh: str = ""
    wall_mm: float | None = None
    sheet_mm: float | None = None
    method: str = METHODS[0]
    plaster: str = "dry"
    mold_c: float | None = None
    equipment: Equipment | None = None


#: What stands in the form before anything is asked: nothing but a wall of common strength (estimated).
FIRST = PartForm(wall_mm=4.0)
_TEXTS = ("distal", "mold", "mesh", "method", "plaster")
_NUMBERS = ("wall_mm", "sheet_mm", "mold_c")
_TABLES = ("level_mm", "girth_mm")
#: What an address says for a number that is not asked for, where one stands in the form at first.
_NONE = "none"


@dataclass(frozen=True)
class PartQuestion:
    """A part whose every value was checked. `heat` has polymer, oven, set temperature and room of the plan."""

    mold: MoldFile
    equipment: Equipment
    wanted_m: float | None
    gauge_m: float | None
    method: Method | None
    on_mold: OnTheMold
    heat: Question


# ---------------------------------------------------------------- as typed


def rows_from(table: Any, units: Units) -> tuple[tuple[float, ...], tuple[float, ...]]:
    """Levels and girths, mm, of the table's rows: pairs of texts in the units shown; empty rows are passed over.

    Raises:
        InputError: a cell that is no number, half a row, or what no mold measures.
    """
    if not isinstance(table, list) or len(table) > 4 * MOST_LEVELS:
        raise InputError("the mold's table cannot be read: reload the page")
    rows = [(number, _pair(row)) for number, row in enumerate(table, 1)]
    read = [tuple(_cell(number, what, text) for what, text in zip(("level", "girth"), row, strict=True))
            for number, row in rows if any(row)]  # fmt: skip
    if not read:
        raise InputError("the mold has no girths: type the girth at two or more levels, or open a file")
    if len(read) > MOST_LEVELS:
        raise InputError(f"the mold has {len(read)} levels: expected {MOST_LEVELS} at most; every 20 mm is enough")
    levels, girths = (tuple(column) for column in zip(*read, strict=True))
    unit, per = ("mm", 1e-3) if units.system == "metric" else ("in", 25.4e-3)
    check(tuple(v * per for v in levels), tuple(v * per for v in girths), "mold", unit)
    as_mm = [tuple(length_mm(value, units) or 0.0 for value in column) for column in (levels, girths)]
    return as_mm[0], as_mm[1]


def _pair(row: Any) -> tuple[str, str]:
    if not isinstance(row, list) or len(row) != 2 or not all(isinstance(cell, str) for cell in row):
        raise InputError("the mold's table cannot be read: reload the page")
    return row[0].strip(), row[1].strip()


def _cell(row: int, what: str, text: str) -> float:
    if not text:
        raise InputError(f"mold: row {row}: the {what} is missing: state it, or empty the row")
    try:
        if text.isascii() and "_" not in text and len(text) < 20:
            return float(text)
    except ValueError:
        pass
    raise InputError(f"mold: row {row}: {what} {shown(text)}: expected a number with a decimal point; correct it")


# ---------------------------------------------------------------- in an address


def query_of(form: PartForm) -> str:
    """The form as a part of an address; what is as at first is left out."""
    found: dict[str, str] = {}
    for name in _TABLES:
        if values := getattr(form, name):
            found[name] = " ".join(f"{value:.6g}" for value in values)
    for name in (*_TEXTS, *_NUMBERS):
        value = getattr(form, name)
        if value != getattr(FIRST, name):
            found[name] = _NONE if value is None else f"{value:.10g}" if isinstance(value, float) else value
    return urlencode({**found, **({} if form.equipment is None else kit_query(form.equipment))})


def form_of_query(query: Mapping[str, str]) -> PartForm:
    """The form that an address holds.

    Raises:
        InputError: a value is no number, or an equipment's value is out of range.
    """
    values: dict[str, Any] = {name: query.get(name, getattr(FIRST, name)) for name in _TEXTS}
    values["mold"] = tidy_name(values["mold"])
    for name in _NUMBERS:
        text = query.get(name, "").strip()
        values[name] = getattr(FIRST, name) if not text else None if text == _NONE else _number(name, text)
    for name in _TABLES:
        values[name] = tuple(_number(name, text) for text in query.get(name, "").split())
    return PartForm(**values, equipment=kit_of_query(query))


def _number(name: str, text: str) -> float:
    try:
        return float(text) if text.isascii() and "_" not in text else float("nan")
    except ValueError:
        raise InputError(f"{name} = {shown(text)}: expected a number") from None


def tidy_name(name: object) -> str:
    """A mold's name as it may stand on a page and on paper."""
    return "".join(one for one in str(name or "") if one.isprintable())[:_LONGEST_NAME].strip()


# ---------------------------------------------------------------- the question


def question_of(form: PartForm, heat: Question, shop: Shop, mesh: MoldFile | None) -> PartQuestion:
    """The part that the form describes, every value checked. `mesh`: the one that `form.mesh` names.

    Raises:
        InputError: a value is out of range or unknown, or the shop's equipment cannot be used.
    """
    for name, value, known in (
        ("distal end", form.distal, DISTAL),
        ("method", form.method, METHODS),
        ("plaster", form.plaster, tuple(PLASTERS)),
    ):
        if value not in known:
            raise InputError(f"{name} {shown(value)}: expected one of {', '.join(known)}")
    if form.wall_mm is None and form.sheet_mm is None:
        raise InputError("neither wall nor sheet is stated: state the least wall wanted, or the sheet to take")
    mold_c = None if form.mold_c is None else checked_c("mold", form.mold_c, START_C)
    return PartQuestion(
        mold_of(form) if mesh is None else mesh,
        equipment_of(shop) if form.equipment is None else form.equipment,
        None if form.wall_mm is None else millimetres_as_m("least wall", form.wall_mm, WALL_MM),
        None if form.sheet_mm is None else millimetres_as_m("sheet to take", form.sheet_mm, GAUGE_MM),
        None if form.method == METHODS[0] else cast(Method, form.method),
        OnTheMold(heat.room_c, mold_c, form.plaster),
        heat,
    )


def mold_of(form: PartForm) -> MoldFile:
    """The mold of a table that was typed.

    Raises:
        InputError: what no mold measures.
    """
    levels, girths = (tuple(value * 1e-3 for value in column) for column in (form.level_mm, form.girth_mm))
    if not levels and not girths:
        raise InputError("the mold has no girths: type the girth at two or more levels, or open a file")
    if len(levels) > MOST_LEVELS:
        raise InputError(f"the mold has {len(levels)} levels: expected {MOST_LEVELS} at most")
    check(levels, girths, "mold", "mm")
    return MoldFile(Mold(levels, girths, cast(Distal, form.distal)), form.mold or "mold")


def table_of(levels_m: Sequence[float], girths_m: Sequence[float], units: Units) -> list[list[str]]:
    """A mold's table as texts in the units shown."""
    per, digits = (1e3, 1) if units.system == "metric" else (1.0 / 25.4e-3, 3)
    return [[f"{round(value * per, digits):.10g}" for value in row] for row in zip(levels_m, girths_m, strict=True)]
