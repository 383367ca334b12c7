"""Walls of a part as people type and read them: mm, or inches to three decimals; kept in mm whatever was typed."""

from __future__ import annotations

import math
import re
from collections.abc import Iterable

from dashboard.units import Units
from dashboard.wall_compare import Compared
from logger.walls import LEVEL_MM, WALL_MM, Wall, tidy_place
from thermal.fields import InputError, Range, shown

_MM_PER_IN = 25.4
_UNIT_MM = {"mm": 1.0, "in": _MM_PER_IN, '"': _MM_PER_IN, "″": _MM_PER_IN}
_NUMBER = re.compile(r"""(?P<number>-?(?:[0-9]{1,9}(?:\.[0-9]*)?|\.[0-9]+))\s*(?P<unit>mm|in|"|″)?""", re.ASCII)
#: A wall is drawn out of its sheet: thicker than the sheet with what its label may be off by, it is a slip of unit or a
#: place that lies double. A twelfth is more than sheet draws without tearing (common practice, no source), and less
#: than a reading in one unit taken for the other comes to (1/25.4).
_THICKER, _THICKER_MM, _THINNEST = 1.10, 0.2, 1.0 / 12.0


class Doubtful(InputError):
    """A reading that can hardly be so: it is kept only when whoever measured says that it was measured again."""


def wall_length(mm: float, units: Units) -> str:
    """'2.85 mm' or '0.112 in'."""
    return f"{round(mm, 2):g} mm" if units.system == "metric" else f"{mm / _MM_PER_IN:.3f} in"


def level_length(mm: float, units: Units) -> str:
    """A level above the distal end: '120 mm' or '4.72 in'."""
    return f"{round(mm, 1):g} mm" if units.system == "metric" else f"{mm / _MM_PER_IN:.2f} in"


def unit_of(units: Units) -> str:
    """'mm' or 'in'."""
    return "mm" if units.system == "metric" else "in"


def wall_of(place: str, level: str, wall: str, units: Units) -> Wall:
    """A reading as it was typed; a number without a unit is in the unit shown.

    Args:
        level: above the distal end; '' where it was not said.

    Raises:
        InputError: what is no number, or lies outside of what there is.
    """
    where = tidy_place(place)
    high = None if not level.strip() else _mm(f"level of {where}", level, LEVEL_MM, units)
    return Wall(where, high, _mm(f"wall at {where}", wall, WALL_MM, units))


def _mm(name: str, text: str, allowed: Range, units: Units) -> float:
    match = _NUMBER.fullmatch(text.strip())
    if match is None:
        raise InputError(f"{name} = {shown(text)}: expected a number with a decimal point, in {unit_of(units)}")
    unit = match["unit"] or unit_of(units)
    value = round(float(match["number"]) * _UNIT_MM[unit], 4)
    if not allowed.holds(value):
        raise InputError(f"{name} = {shown(text)}: expected {_range_words(allowed, unit)}")
    return value


def _range_words(allowed: Range, unit: str) -> str:
    if unit == "mm":
        return str(allowed)
    low, high = allowed.at_least or 0.0, allowed.at_most or math.inf
    return f"a number at least {low / _MM_PER_IN:.3g} and at most {high / _MM_PER_IN:.3g} in"


def must_fit(walls: Iterable[Wall], gauge_mm: float | None, units: Units) -> None:
    """Question readings that a part of this sheet can hardly have.

    Args:
        gauge_mm: of the sheet; None: not stated, nothing can be said.

    Raises:
        Doubtful: one is thicker than the sheet, or thinner than sheet can be drawn.
    """
    if gauge_mm is None:
        return
    for one in walls:
        told = f"wall at {one.place} = {wall_length(one.wall_mm, units)}"
        sheet = wall_length(gauge_mm, units)
        if one.wall_mm > gauge_mm * _THICKER + _THICKER_MM:
            raise Doubtful(f"{told} is thicker than its sheet, {sheet}: expected less, unless it lies double there; "
                           f"look at the unit ({unit_of(units)}) and measure again")  # fmt: skip
        if one.wall_mm < gauge_mm * _THINNEST:
            raise Doubtful(f"{told} is less than a twelfth of its sheet, {sheet}: expected more; "
                           f"look at the unit ({unit_of(units)}) and measure again")  # fmt: skip


def wall_json(one: Compared) -> dict[str, object]:
    """A wall and its comparison as a JSON object."""
    return {
        "place": one.wall.place,
        "level_mm": one.wall.level_mm,
        "wall_mm": one.wall.wall_mm,
        "earlier_parts": one.parts,
        "least_mm": one.least_mm,
        "median_mm": one.median_mm,
        "most_mm": one.most_mm,
        "thinner_than_all": one.thinner,
    }


def wall_row(one: Compared, units: Units) -> tuple[str, str, str, str]:
    """Place, level, wall and earlier parts of a table."""
    level = "" if one.wall.level_mm is None else level_length(one.wall.level_mm, units)
    thin = " (thinner than all)" if one.thinner else ""
    return one.wall.place, level, f"{wall_length(one.wall.wall_mm, units)}{thin}", earlier_words(one, units)


def earlier_words(one: Compared, units: Units) -> str:
    """'12 earlier parts 2.6 to 3.3 mm, median 3 mm'."""
    if one.least_mm is None or one.median_mm is None or one.most_mm is None:
        few = "no earlier part" if not one.parts else f"only {one.parts} earlier part{'s' if one.parts > 1 else ''}"
        return f"{few} to compare with"
    low, unit = wall_length(one.least_mm, units).split(" ")
    high, middle = wall_length(one.most_mm, units), wall_length(one.median_mm, units)
    assert high.endswith(unit)
    return f"{one.parts} earlier parts {low} to {high}, median {middle}"


def wall_words(one: Compared, units: Units) -> str:
    """'distal end: 2.8 mm; 12 earlier parts 2.6 to 3.3 mm, median 3 mm'."""
    level = "" if one.wall.level_mm is None else f" at {level_length(one.wall.level_mm, units)}"
    thin = ": thinner than all of them" if one.thinner else ""
    return f"{one.wall.place}{level}: {wall_length(one.wall.wall_mm, units)}; {earlier_words(one, units)}{thin}"
