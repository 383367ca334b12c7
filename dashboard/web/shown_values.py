"""Values of the form in the units shown, and back: millimetres or inches, °C or °F."""

from __future__ import annotations

from dashboard.units import Units

_MM_PER_IN = 25.4


def shown_length(value_mm: float | None, units: Units) -> float | None:
    """A length for a field, in mm or in."""
    if value_mm is None:
        return None
    return round(value_mm, 2) if units.system == "metric" else round(value_mm / _MM_PER_IN, 4)


def shown_temperature(value_c: float | None, units: Units) -> float | None:
    """A temperature for a field, in °C or °F."""
    return None if value_c is None else round(units.temperature_value(value_c), 2)


def length_mm(shown: float | None, units: Units) -> float | None:
    """Millimetres of a field."""
    if shown is None:
        return None
    return float(shown) if units.system == "metric" else round(float(shown) * _MM_PER_IN, 4)


def temperature_c(shown: float | None, units: Units) -> float | None:
    """°C of a field."""
    if shown is None:
        return None
    return float(shown) if units.system == "metric" else round((float(shown) - 32.0) / 1.8, 4)
