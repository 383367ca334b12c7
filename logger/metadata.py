"""A heat's metadata between the TOML tree of a heat file and the typed fields of the Heat."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from decimal import Decimal
from typing import Any

from logger.comments import SENSOR, SENSOR_KEYS, TOP_KEYS
from thermal.fields import TEMPERATURE_C, Fields, InputError, Range
from thermal.heat import COLOURS, GAUGE_MM, OPENING_MM, START_C, SUPPORTS, Heat, Sensor

_SENSOR_RANGES: Mapping[str, Range] = {
    "depth_mm": Range("mm", at_least=0.0, at_most=50.0),
    "lag_s": Range("s", at_least=0.0, at_most=600.0),
    "x_mm": Range("mm", at_least=-10000.0, at_most=10000.0),
    "y_mm": Range("mm", at_least=-10000.0, at_most=10000.0),
    "z_mm": Range("mm", at_least=-10000.0, at_most=10000.0),
    "std_k": Range("K", at_least=0.0, at_most=50.0),
    "bias_k": Range("K", at_least=-50.0, at_most=50.0),
}
_SIDE = r"\s*([0-9]+(?:\.[0-9]+)?)\s*"
_RECTANGLE = re.compile(rf"{_SIDE}[x×]{_SIDE}")


def to_m(value_mm: float) -> float:
    """Metres of millimetres, correctly rounded: 4.7625 mm is the float64 nearest to 0.0047625 m."""
    return float(Decimal(repr(value_mm)).scaleb(-3))


def _to_mm(value_m: float) -> float:
    """The millimetres that `to_m` turns into this value, to the bit where a float64 does so."""
    near = float(Decimal(repr(float(value_m))).scaleb(3))
    for candidate in (near, math.nextafter(near, -math.inf), math.nextafter(near, math.inf)):
        if to_m(candidate) == value_m:
            return candidate
    return near


def typed_metadata(metadata: Mapping[str, Any], where: str) -> dict[str, Any]:
    """The known keys as arguments of `Heat`, with what is left under 'extra'."""
    top = Fields(metadata, where)
    gauge_mm = top.maybe_number("gauge_mm", GAUGE_MM)
    sensors, sensors_extra = _sensors(top.maybe_table(SENSOR), metadata)
    extra = {key: value for key, value in metadata.items() if key not in (*TOP_KEYS, SENSOR)}
    return {
        "polymer": top.text("polymer") if top.has("polymer") else None,
        "gauge_m": None if gauge_mm is None else to_m(gauge_mm),
        "oven": top.text("oven") if top.has("oven") else None,
        "support": top.text("support", SUPPORTS) if top.has("support") else None,
        "opening_m": _opening_m(top),
        "start_c": top.maybe_number("start_c", START_C),
        "set_c": top.maybe_number("set_c", TEMPERATURE_C),
        "colour": top.text("colour", COLOURS) if top.has("colour") else None,
        "simulated": top.flag("simulated", default=False),
        "sensors": sensors,
        "extra": extra | ({SENSOR: sensors_extra} if sensors_extra else {}),
    }


def _opening_m(top: Fields) -> tuple[float, ...] | None:
    """`300` is a circle's diameter; `"300x200"` or `[300, 200]` a rectangle's sides; mm."""
    value = top.raw("opening_mm")
    if value is None:
        return None
    if isinstance(value, str):
        match = _RECTANGLE.fullmatch(value)
        sides = tuple(map(float, match.groups())) if match else (math.nan,)
        if not all(map(OPENING_MM.holds, sides)):
            raise top.refuse("opening_mm", value, f'300 (circle) or "300x200" (rectangle), each {OPENING_MM}')
        return tuple(map(to_m, sides))
    if isinstance(value, list):
        return tuple(map(to_m, top.numbers("opening_mm", OPENING_MM, count=2)))
    return (to_m(top.number("opening_mm", OPENING_MM)),)


def _sensors(table: Fields | None, metadata: Mapping[str, Any]) -> tuple[dict[str, Sensor], dict[str, Any]]:
    """Sensors by name, and by name the keys of theirs that are not known."""
    sensors: dict[str, Sensor] = {}
    extra: dict[str, Any] = {}
    for name in table.names() if table else []:
        assert table is not None
        one = table.table(name)
        values = {key: one.maybe_number(key, allowed) for key, allowed in _SENSOR_RANGES.items()}
        sensors[name] = Sensor(
            **{
                key.replace("_mm", "_m"): to_m(value) if key.endswith("_mm") and value is not None else value
                for key, value in values.items()
            }
        )
        left = {key: value for key, value in metadata[SENSOR][name].items() if key not in SENSOR_KEYS}
        if left:
            extra[name] = left
    return sensors, extra


def metadata_of(heat: Heat) -> dict[str, Any]:
    """The TOML tree that `typed_metadata` reads back to the same fields."""
    known: dict[str, Any] = {
        "polymer": heat.polymer,
        "gauge_mm": None if heat.gauge_m is None else _to_mm(heat.gauge_m),
        "oven": heat.oven,
        "support": heat.support,
        "opening_mm": None if heat.opening_m is None else [_to_mm(side) for side in heat.opening_m],
        "start_c": heat.start_c,
        "set_c": heat.set_c,
        "colour": heat.colour,
        "simulated": heat.simulated or None,
    }
    if heat.opening_m is not None and len(heat.opening_m) == 1:
        known["opening_mm"] = known["opening_mm"][0]
    extra = dict(heat.extra)
    sensors_extra = extra.pop(SENSOR, {})
    clash = [key for key in extra if key in TOP_KEYS]
    clash += [f"{SENSOR}.{name}" for name in sensors_extra if name not in heat.sensors]
    clash += [f"{SENSOR}.{name}.{key}" for name, keys in sensors_extra.items() for key in keys if key in SENSOR_KEYS]
    if clash:
        raise InputError(f"extra metadata {clash[0]}: expected a key that is not the heat's own; set the field")
    tree = {key: value for key, value in known.items() if value is not None} | extra
    sensors = {name: sensor_keys(one) | sensors_extra.get(name, {}) for name, one in heat.sensors.items()}
    return tree | {SENSOR: sensors}


def sensor_keys(sensor: Sensor) -> dict[str, float]:
    """What is stated of a sensor, by the keys of a heat file."""
    pairs = ((key, getattr(sensor, key.replace("_mm", "_m"))) for key in SENSOR_KEYS)
    return {key: _to_mm(value) if key.endswith("_mm") else value for key, value in pairs if value is not None}
