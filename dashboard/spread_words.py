"""Quantities with their intervals in words, in the units of the shop."""

from __future__ import annotations

from calibration.estimate import Spread
from dashboard.units import Units

#: A stretch of time shorter than this reads as none, s.
_NONE_S = 1.0


def temperatures(of: Spread, units: Units) -> str:
    """'164 °C (161 to 167 °C)'."""
    low, middle, high = (units.temperature(value) for value in (of.low, of.middle, of.high))
    return f"{middle} ({low.partition(' ')[0]} to {high})"


def spread_words(of: Spread, units: Units) -> str:
    """'-4 K (-7 to -1 K)'."""
    low, middle, high = (units.difference(value) for value in (of.low, of.middle, of.high))
    return f"{middle} ({low.partition(' ')[0]} to {high})"


def margin_words(of: Spread, units: Units, what: str = "") -> str:
    """'4 K below (7 to 1 K below)', '1 K above (2 K below to 16 K above)', 'just there (7 K below to 5 K above)';
    `what`: above and below what, as ' its least'.
    """
    (low, low_side), (middle, side), (high, high_side) = (_sided(k, units) for k in (of.low, of.middle, of.high))
    zero = units.difference(0.0)
    low_side, high_side = (high_side if low == zero else low_side), (low_side if high == zero else high_side)
    first = low.partition(" ")[0] if low_side == high_side else f"{low} {low_side}"
    told = f"{middle} {side}{what}" if middle.partition(" ")[0] != "0" else f"at{what}" if what else "just there"
    return f"{told} ({first} to {high} {high_side})"


def _sided(kelvin: float, units: Units) -> tuple[str, str]:
    return units.difference(abs(kelvin)), "below" if units.difference(kelvin).startswith("-") else "above"


def drop_words(of_mm: Spread, units: Units) -> str:
    """'about 112 mm (60 to 200 mm)', 'about 4.4 in (2.4 to 7.9 in)': known no better than to the mm."""
    return f"about {length(of_mm.middle, units)} ({drop_range(of_mm, units)})"


def drop_range(of_mm: Spread, units: Units) -> str:
    """'60 to 200 mm', '2.4 to 7.9 in'."""
    return f"{length(of_mm.low, units).partition(' ')[0]} to {length(of_mm.high, units)}"


def length(drop_mm: float, units: Units) -> str:
    """A drop, '112 mm', '4.4 in'; '0 mm' for one above the frame."""
    drop_mm = max(0.0, drop_mm)
    return f"{drop_mm:.0f} mm" if units.system == "metric" else f"{drop_mm / 25.4:.1f} in"


def stretch_words(of: Spread) -> str:
    """'3:10 min (2:40 to 3:30 min)', 'about 0:51 min (none to 1:23 min)', 'at most 1:23 min, perhaps not at all'."""
    low, middle, high = (Units.seconds(max(0.0, value)) for value in (of.low, of.middle, of.high))
    if of.middle < _NONE_S:
        return f"at most {high} min, perhaps not at all"
    if of.low < _NONE_S:
        return f"about {middle} min (none to {high} min)"
    return f"{middle} min ({low} to {high} min)"


def two_figures(value: float) -> str:
    """'3.4', '34', '340': of a value of one or more."""
    return f"{value:.1f}" if value < 9.95 else f"{float(f'{value:.1e}'):.0f}"
