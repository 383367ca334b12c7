"""Lengths and temperatures as people write them and want to read them. Inside, all is metres and °C.

A bare number is refused with both readings shown: 5 may be millimetres or inches, 185 may be °C or °F, and
a wrong guess costs a sheet or a burn. Conversions are exact rationals (1 in = 25.4 mm and
0 °C = 32 °F = 273.15 K by definition), rounded once.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from fractions import Fraction
from typing import Literal

from thermal.fields import TEMPERATURE_C, InputError, Range

#: Any length a sheet, frame or mold has; longer is a slip of unit (estimate).
LENGTH_MM = Range("mm", above=0.0, at_most=5000.0)

_MM = Fraction(1)
_IN = Fraction(254, 10)
_MM_PER: Mapping[str, Fraction] = {
    "mm": _MM, "cm": Fraction(10),
    "in": _IN, "inch": _IN, "inches": _IN, '"': _IN, "''": _IN, "″": _IN, "”": _IN,
}  # fmt: skip
_LENGTH_UNITS = "mm, cm or in"
_TO_C: Mapping[str, Callable[[Fraction], Fraction]] = {
    "c": lambda value: value,
    "f": lambda value: (value - 32) * Fraction(5, 9),
    "k": lambda value: value - Fraction(27315, 100),
}
_DECIMAL = r"[0-9]+(?:\.[0-9]*)?|\.[0-9]+"
_LENGTH = re.compile(
    rf"(?:(?:(?P<whole>[0-9]+)[ -]+)?(?P<over>[0-9]+) ?/ ?(?P<under>[0-9]+)|(?P<decimal>{_DECIMAL}))"
    r"\s*(?P<unit>[^0-9\s.,/-]*)"
)
_TEMPERATURE = re.compile(rf"(?P<number>[+-]?(?:{_DECIMAL}))\s*(?:°|deg)?\s*(?P<unit>[a-z]*)")
_COMMA = re.compile(r"[+-]?[0-9]*,[0-9]+")
#: Longer than any length or temperature; also keeps Python's limit on digits out of reach.
_LONGEST = 40


def _tidy(text: str) -> str:
    """Lower case, one kind of minus sign and of degree sign."""
    if len(text) > _LONGEST:
        raise InputError(f"{text[:_LONGEST]!r}...: expected a number and its unit, {_LONGEST} characters at most")
    for sign, plain in (("−", "-"), ("º", "°"), ("℃", "°c"), ("℉", "°f")):
        text = text.replace(sign, plain)
    text = text.strip().lower()
    if comma := _COMMA.match(text):
        number = comma[0]
        raise InputError(
            f"{text!r}: the comma may mean decimals or thousands: "
            f"expected a decimal point, {number.replace(',', '.')}{text[comma.end() :]}"
        )
    return text


def parse_length_m(text: str, allowed: Range = LENGTH_MM) -> float:
    """Metres of a length with its unit: `5mm`, `0.5 cm`, `0.187in`, `3/16in`, `1 1/2 in`, `3/16"`.

    Args:
        text: a decimal number, a fraction, or a whole number and a fraction; then mm, cm or in.
        allowed: range in mm.

    Raises:
        InputError: for a bare number (both readings shown), another unit, a value outside the range, junk.
    """
    tidy = _tidy(text)
    match = _LENGTH.fullmatch(tidy)
    if match is None or (match["under"] is not None and int(match["under"]) == 0):
        raise InputError(
            f"{text!r} is no length: expected a number above zero and its unit ({_LENGTH_UNITS}), as 5mm or 3/16in"
        )
    if match["decimal"] is not None:
        number = Fraction(match["decimal"])
    else:
        number = Fraction(int(match["over"]), int(match["under"])) + int(match["whole"] or 0)
    unit = match["unit"]
    if not unit:
        raise InputError(
            f"{tidy} has no unit: write {tidy}mm ({_brief_mm(number)}) or {tidy}in ({_brief_mm(number * _IN)})"
        )
    if unit not in _MM_PER:
        raise InputError(f"{text!r}: the unit {unit!r} is not known: expected {_LENGTH_UNITS}, as 5mm or 3/16in")
    length_mm = number * _MM_PER[unit]
    if not allowed.holds(float(length_mm)):
        raise InputError(f"{text!r} is {_brief_mm(length_mm)}: expected {allowed}")
    return float(length_mm / 1000)


def parse_temperature_c(text: str, allowed: Range = TEMPERATURE_C) -> float:
    """°C of a temperature with its unit: `365F`, `185C`, `185 °C`, `458.15K`.

    Args:
        text: a decimal number, then C, F or K, with or without a degree sign.
        allowed: range in °C.

    Raises:
        InputError: for a bare number (both readings shown), another unit, a value outside the range, junk.
    """
    tidy = _tidy(text)
    match = _TEMPERATURE.fullmatch(tidy)
    unit = {"celsius": "c", "fahrenheit": "f", "kelvin": "k"}.get(match["unit"], match["unit"]) if match else ""
    if match is None or (unit and unit not in _TO_C):
        raise InputError(f"{text!r} is no temperature: expected a number and its unit (C, F or K), as 185C or 365F")
    number = Fraction(match["number"])
    if not unit:
        bare = match["number"]
        fahrenheit, celsius = float(number * Fraction(9, 5) + 32), float(_TO_C["f"](number))
        raise InputError(
            f"{bare} has no unit: write {bare}C ({_plain(fahrenheit, 0)} °F) or {bare}F ({_plain(celsius, 0)} °C)"
        )
    value_c = float(_TO_C[unit](number))
    if not allowed.holds(value_c):
        raise InputError(f"{text!r} is {_plain(value_c, 0)} °C: expected {allowed}")
    return value_c


def _plain(value: float, digits: int) -> str:
    """Fixed digits, without a minus sign on what rounds to zero."""
    return f"{round(value, digits) + 0.0:.{digits}f}"


def _brief_mm(length_mm: Fraction) -> str:
    """A length in mm as one reads it: more digits the smaller it is."""
    value = float(length_mm)
    return f"{value:.{2 if value < 10.0 else 1}f} mm"


def _finite(name: str, value: float) -> float:
    if not math.isfinite(value):
        raise InputError(f"{name} = {value}: expected a finite number to show")
    return float(value)


def _sixteenths(inches: float) -> str | None:
    """'3/16', '1 1/2', '2' where the length is that to 0.02 mm, else None: 5 mm is not 3/16."""
    count = round(inches * 16)
    if count == 0 or abs(inches - count / 16) * 25.4 > 0.02:
        return None
    whole, rest = divmod(count, 16)
    part = str(Fraction(rest, 16)) if rest else ""
    return f"{whole or ''} {part}".strip()


@dataclass(frozen=True)
class Units:
    """How values are shown: `metric` (°C, mm) or `us` (°F, inches with the millimetres behind).

    Every method raises `InputError` for NaN and infinity.
    """

    system: Literal["metric", "us"] = "metric"

    @property
    def temperature_unit(self) -> str:
        """'°C' or '°F'."""
        return "°C" if self.system == "metric" else "°F"

    def temperature_value(self, temperature_c: float) -> float:
        """The number to show (or plot) for a temperature in °C."""
        value = _finite("temperature", temperature_c)
        return value if self.system == "metric" else value * 1.8 + 32.0

    def temperature(self, temperature_c: float, digits: int = 0) -> str:
        """'160 °C' or '320 °F'."""
        return f"{_plain(self.temperature_value(temperature_c), digits)} {self.temperature_unit}"

    def difference(self, kelvin: float, digits: int = 0) -> str:
        """A difference of temperatures: '10 K' or '18 °F', with no 32 in it."""
        value = _finite("temperature difference", kelvin)
        if self.system == "metric":
            return f"{_plain(value, digits)} K"
        return f"{_plain(value * 1.8, digits)} °F"

    def length(self, length_m: float) -> str:
        """'4.8 mm'; '3/16 in (4.8 mm)', or '0.197 in (5.0 mm)' where it is no sixteenth of an inch."""
        length_mm = _finite("length", length_m) * 1e3
        size = abs(length_mm)
        metric = f"{_plain(length_mm, 2 if size < 1.0 else 1 if size < 100.0 else 0)} mm"
        if self.system == "metric":
            return metric
        inches = length_mm / 25.4
        fraction = _sixteenths(inches) if inches > 0.0 else None
        return f"{fraction or _plain(inches, 3 if size < 25.4 else 2)} in ({metric})"

    @staticmethod
    def seconds(seconds: float) -> str:
        """'29:03' (min:s), from an hour on '1:02:03' (h:min:s)."""
        whole = round(_finite("time", seconds))
        minutes, rest = divmod(abs(whole), 60)
        hours, minutes = divmod(minutes, 60)
        shown = f"{hours}:{minutes:02d}:{rest:02d}" if hours else f"{minutes}:{rest:02d}"
        return f"-{shown}" if whole < 0 else shown
