"""What a workshop has at hand for forming: `equipment.toml` in its folder, and what is said otherwise.

The line of a command says it in options, the plan page in fields; the page may keep it in the file.
"""

from __future__ import annotations

import datetime
from collections.abc import Sequence
from pathlib import Path

from dashboard.oven_file import toml_of, write_card
from dashboard.plan_question import millimetres_as_m, opening_from
from dashboard.shop import Shop
from dashboard.tomlfile import read_toml
from thermal.fields import Fields, InputError, Range
from thermal.method import BORDER_M, GAUGES_M, Equipment

_NAME = "equipment.toml"
_ROOM_MM = Range("mm", above=20.0, at_most=3000.0)
_BORDER_MM = Range("mm", at_least=0.0, at_most=200.0)
_GAUGE_MM = Range("mm", at_least=1.0, at_most=25.0)


def equipment_of(shop: Shop) -> Equipment:
    """A shop's equipment; nothing known where it has no file.

    Raises:
        InputError: the file cannot be used.
    """
    path = shop.folder / _NAME
    if not path.exists():
        return Equipment()
    fields = Fields(read_toml(path, _NAME), _NAME)
    openings = fields.raw("openings_mm")
    oven = fields.numbers("oven_mm", _ROOM_MM, 2) if fields.has("oven_mm") else None
    rack = fields.maybe_number("rack_mm", _ROOM_MM)
    gauges = fields.numbers("gauges_mm", _GAUGE_MM) if fields.has("gauges_mm") else [g * 1e3 for g in GAUGES_M]
    found = Equipment(
        openings_m=_openings(openings, fields),
        border_m=fields.number("border_mm", _BORDER_MM, default=BORDER_M * 1e3) * 1e-3,
        rack_m=None if rack is None else rack * 1e-3,
        oven_m=None if oven is None else (oven[0] * 1e-3, oven[1] * 1e-3),
        vacuum=fields.flag("vacuum", default=True),
        gauges_m=tuple(gauge * 1e-3 for gauge in gauges),
    )
    fields.close()
    return found


def equipment_in_mm(
    frames: Sequence[str],
    border_mm: float | None,
    rack_mm: float | None,
    oven_mm: tuple[float | None, float | None],
    vacuum: bool,
    stock_mm: Sequence[float],
) -> Equipment:
    """Equipment as fields state it.

    Args:
        frames: openings, each a diameter '300' or two sides '300x400'; none: not known. border_mm, rack_mm, oven_mm:
        None where not stated. stock_mm: gauges; none: those that are commonly sold.

    Raises:
        InputError: a value is out of range, or one side of the oven alone.
    """
    if (oven_mm[0] is None) != (oven_mm[1] is None):
        raise InputError("inside of the oven: one side is missing: state width and depth, or neither")
    wide, deep = (None if v is None else millimetres_as_m("inside of the oven", v, _ROOM_MM) for v in oven_mm)
    return Equipment(
        tuple(opening_from("frame", one) for one in frames),
        BORDER_M if border_mm is None else millimetres_as_m("sheet under the clamp", border_mm, _BORDER_MM),
        None if rack_mm is None else millimetres_as_m("room below the frame", rack_mm, _ROOM_MM),
        None if wide is None or deep is None else (wide, deep),
        vacuum,
        tuple(millimetres_as_m("sheet in stock", one, _GAUGE_MM) for one in stock_mm) or GAUGES_M,
    )


def frame_text(opening_m: Sequence[float], per_m: float = 1e3) -> str:
    """'300' or '300x400' of an opening; `per_m`: of the unit shown."""
    return "x".join(f"{round(side * per_m, 3):g}" for side in opening_m)


def keep_equipment(shop: Shop, equipment: Equipment, today: datetime.date) -> Path | None:
    """Write a shop's `equipment.toml`, whole or not at all.

    Returns:
        Where the file before is kept; None where there was none.

    Raises:
        InputError: it is the demo shop, or its folder cannot be written to.
    """
    if shop.is_demo:
        raise InputError(
            "the demo shop is read-only: make a shop of your own, a folder with a shop.toml, to keep what is at hand"
        )
    table = {
        "openings_mm": [frame_text(one) for one in equipment.openings_m],
        "border_mm": round(equipment.border_m * 1e3, 3),
        "rack_mm": None if equipment.rack_m is None else round(equipment.rack_m * 1e3, 3),
        "oven_mm": None if equipment.oven_m is None else [round(side * 1e3, 3) for side in equipment.oven_m],
        "vacuum": equipment.vacuum,
        "gauges_mm": [round(gauge * 1e3, 3) for gauge in equipment.gauges_m],
    }
    text = f"# What the workshop has at hand for forming, as kept on the plan page on {today.isoformat()}.\n" + toml_of(
        {name: value for name, value in table.items() if value is not None}
    )
    return write_card(text, shop.folder / _NAME, today, replacing=True)


def _openings(value: object, fields: Fields) -> tuple[tuple[float, ...], ...]:
    if value is None:
        return ()
    expected = 'a list of openings as texts, a diameter "300" or two sides "300x400", mm'
    if not isinstance(value, list) or not all(isinstance(one, str) for one in value):
        raise fields.refuse("openings_mm", value, expected)
    return tuple(opening_from("openings_mm", one) for one in value)


def sides_from(name: str, text: str) -> tuple[float, float]:
    """Two sides, m, from 'WxD' in mm.

    Raises:
        InputError: anything else.
    """
    opening = opening_from(name, text)
    if len(opening) != 2:
        raise InputError(f"{name} {text!r}: expected two sides as 600x500, mm")
    return opening[0], opening[1]
