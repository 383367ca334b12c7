"""Where the sensors of a bench sit and how they answer, kept with each heat as JSON, and given back to its heat file.

    {"core_1": {"depth_mm": 3.0, "lag_s": 1.5, "thermocouple": "K", "serial": "T-017"}}

Names are the bench file's roles, which are the names of a heat file's sensors too. A sensor of which the bench file
says nothing is left out.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any

from logger.bench import Bench
from logger.chain import canonical
from logger.metadata import sensor_keys
from thermal.heat import Heat

#: Stands for `depth_mm` where the sheet is thinner than that: the sensor was not in it at that depth.
OUTSIDE = "stated_depth_mm"


def sensors_text(bench: Bench) -> str | None:
    """What the bench file says of its sensors, as JSON; None where it says nothing."""
    told = {}
    for role in bench.roles:
        words = {"thermocouple": role.thermocouple, "serial": role.serial}
        keys: dict[str, Any] = sensor_keys(role.sensor) | {key: word for key, word in words.items() if word}
        if keys:
            told[role.name] = keys
    return canonical(told).decode() if told else None


def for_heat_file(text: str | None, gauge_mm: float | None) -> dict[str, dict[str, Any]]:
    """Tables `[sensor.NAME]` of a heat file.

    Args:
        text: what `sensors_text` gave. gauge_mm: of the sheet; a depth that is not inside it is kept as `OUTSIDE`.
    """
    tables: dict[str, dict[str, Any]] = {}
    for name, keys in (json.loads(text) if text else {}).items():
        outside = gauge_mm is not None and keys.get("depth_mm", 0.0) > gauge_mm
        tables[name] = {OUTSIDE if outside and key == "depth_mm" else key: value for key, value in keys.items()}
    return tables


def of_heat(heat: Heat, extra: Mapping[str, Any]) -> str | None:
    """What a heat file says of its sensors, as `sensors_text` has it.

    Args:
        extra: by sensor, the keys that the heat does not know: serial, thermocouple.
    """
    told = {}
    for name, sensor in heat.sensors.items():
        more = extra.get(name, {})
        keys: dict[str, Any] = sensor_keys(sensor)
        keys |= {key: more[key] for key in ("thermocouple", "serial") if isinstance(more.get(key), str)}
        if isinstance(more.get(OUTSIDE), float):
            keys["depth_mm"] = more[OUTSIDE]
        if keys:
            told[name] = keys
    return canonical(told).decode() if told else None
