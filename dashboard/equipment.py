"""What a workshop has at hand for forming: `equipment.toml` in its folder, and what a command line says otherwise."""

from __future__ import annotations

from dashboard.plan_question import opening_from
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
