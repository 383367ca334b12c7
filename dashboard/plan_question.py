"""What is asked of a plan, whoever asks it: the question, the ranges its values lie in, and their refusals."""

from __future__ import annotations

import datetime
import re
from dataclasses import dataclass

from thermal.case import Case
from thermal.fields import InputError, Range, shown
from thermal.heat import OPENING_MM, Heat
from thermal.oven import OvenCard

#: Sheet of the trade is 0.5 to 16 mm (common practice, no source); the range catches a slip of unit.
GAUGE_MM = Range("mm", at_least=0.3, at_most=50.0)
#: An infrared oven may show its emitter's setting; the air of a convection oven for forming is never that hot.
SET_C = {
    "convection": Range("°C", at_least=20.0, at_most=320.0),
    "infrared": Range("°C", at_least=20.0, at_most=400.0),
}
START_C = Range("°C", at_least=-30.0, at_most=80.0)
ROOM_C = Range("°C", at_least=-30.0, at_most=60.0)
DROP_MM = Range("mm", above=0.0, at_most=2000.0)
#: A set temperature that another unit would explain lies here, °C: where sheet is heated to be formed.
FORMING_C = Range("°C", at_least=100.0, at_most=260.0)

DEFAULT_START_C = 22.0
_OPENING = re.compile(r"([0-9]+(?:\.[0-9]+)?)(?:\s*[x×]\s*([0-9]+(?:\.[0-9]+)?))?", re.IGNORECASE)


@dataclass(frozen=True)
class Question:
    """A sheet in an oven and what is wanted of it, ready to be planned.

    Attributes:
        drop_m, clearance_m: wanted drop, room for it, m; None: not asked. heat: recorded, beside which the model
        is set. notes: what was taken because nothing stated it.
    """

    case: Case
    drop_m: float | None
    clearance_m: float | None
    room_c: float
    heat: Heat | None
    notes: tuple[str, ...]


def granted(oven: OvenCard, today: datetime.date) -> list[str]:
    """What every plan takes for granted, and that a card is past its date."""
    notes = ["Protective film taken off both faces; room and its walls at one temperature, air still"]
    if oven.valid.until is not None and oven.valid.until < today:
        notes.append(f"The card of oven {oven.id} was valid until {oven.valid.until}: calibrate the oven again")
    return notes


def opening_from(name: str, text: str) -> tuple[float, ...]:
    """Diameter, or two sides, m, of a word such as '300' or '300x200' in mm.

    Raises:
        InputError: it is no such word, or a side is out of range; `name` says whose it is.
    """
    match = _OPENING.fullmatch(text.strip())
    sides = [float(side) for side in match.groups() if side] if match else []
    if not sides or not all(map(OPENING_MM.holds, sides)):
        raise InputError(
            f"{name} {shown(text)}: expected 300 (diameter of a circle) or 300x200 (sides of a rectangle), each "
            f"{OPENING_MM}"
        )
    return tuple(side * 1e-3 for side in sides)


def millimetres_as_m(option: str, value_mm: float, allowed: Range) -> float:
    """Metres of an option in mm."""
    if allowed.holds(value_mm):
        return value_mm * 1e-3
    hint = f" ({value_mm:g} m is {value_mm * 1e3:g} mm)" if 0 < value_mm < 1 and allowed.holds(value_mm * 1e3) else ""
    raise InputError(f"{option} {value_mm:g}: expected {allowed}{hint}")


def checked_c(option: str, value: float, allowed: Range, plausible: Range | None = None) -> float:
    """°C of an option, with the slip of unit that would explain a value out of range."""
    if allowed.holds(value):
        return value
    likely = plausible or allowed
    slips = [
        f"{value:g} {unit} is {celsius:.0f} °C"
        for unit, celsius in (("K", value - 273.15), ("°F", (value - 32.0) / 1.8))
        if likely.holds(celsius)
    ]
    hint = f": {', '.join(slips)}" if slips else ""
    raise InputError(f"{option} {value:g}: expected {allowed}{hint}")
