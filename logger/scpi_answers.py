"""What a SCPI instrument's lines mean, without any port: text in, values, errors and faults out."""

from __future__ import annotations

import math
import re

from logger.channel_map import Channel, with_cold_junctions
from logger.reading import Fault, FaultKind, State, Value
from logger.scpi_map import INFINITY, NOT_A_NUMBER, ScpiMap

_NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?", re.ASCII)
_ERROR = re.compile(r"\s*([+-]?\d{1,5})\s*,\s*\"(.*)\"\s*", re.ASCII)
#: How instruments spell what is no number.
_WORDS = {
    "NAN": NOT_A_NUMBER,
    "INF": INFINITY,
    "+INF": INFINITY,
    "INFINITY": INFINITY,
    "-INF": -INFINITY,
    "NINF": -INFINITY,
}
#: Codes carry few digits; 9.9E37 and 9.91E37 differ by one in a thousand.
_CODE_TOLERANCE = 1e-6
#: Classes of error numbers (SCPI-1999, volume 2, section 21.8).
_CLASSES = {
    1: "it does not understand a command; compare identify, setup and measure with its manual",
    2: "it cannot carry out a command as it stands; check the command's channels and ranges, and what is plugged in",
    3: "something is wrong in the instrument itself; its manual has the meaning",
    4: "question and answer got out of step; it is asked again",
}


def values_in(line: str, instrument: ScpiMap) -> tuple[Value, ...] | Fault:
    """The channels' values in the answer to the measure query, numbers separated by commas.

    Returns:
        A fault where there are more or fewer numbers than channels, or where one is no number.
    """
    cells = [cell.strip() for cell in line.split(",")]
    raw = line.encode("ascii", "replace")
    if len(cells) != len(instrument.channels):
        text = (
            f"the instrument sent {len(cells)} values and {len(instrument.channels)} channels are in the map; "
            "correct the measure query or the channels"
        )
        return Fault(FaultKind.WRONG_COUNT, text, raw)
    numbers = [_number(cell) for cell in cells]
    values = []
    for cell, number, channel, codes in zip(cells, numbers, instrument.channels, instrument.open_codes, strict=True):
        if number is None:
            text = (
                f"the instrument sent {cell[:20]!r} where a number for {channel.name} was expected; turn units and "
                "other additions off in setup"
            )
            return Fault(FaultKind.GARBAGE, text, raw)
        values.append(_value(number, channel, codes))
    return with_cold_junctions(instrument.channels, values)


def _number(cell: str) -> float | None:
    """The number in a cell, None where it is none."""
    if cell.upper() in _WORDS:
        return _WORDS[cell.upper()]
    return float(cell) if _NUMBER.fullmatch(cell) else None


def _value(number: float, channel: Channel, codes: tuple[float, ...]) -> Value:
    if any(_same(number, code) for code in codes):
        return channel.missing(State.OPEN)
    if _same(number, NOT_A_NUMBER):
        return channel.missing()
    if abs(number) > INFINITY or _same(abs(number), INFINITY):
        return channel.missing(State.OUT_OF_RANGE)
    return channel.value(number)


def _same(number: float, code: float) -> bool:
    return math.isclose(number, code, rel_tol=_CODE_TOLERANCE)


def error_in(line: str) -> tuple[int, str] | None:
    """Number and text in the answer to the error query; None where the line is no such answer. 0: no error."""
    found = _ERROR.fullmatch(line)
    return (int(found[1]), found[2]) if found else None


def error_fault(number: int, text: str) -> Fault:
    """An entry of the instrument's error queue in a sentence."""
    meaning = _CLASSES.get(-number // 100, "its manual has the meaning")
    return Fault(FaultKind.REFUSED, f"the instrument reports error {number} ({text}): {meaning}")


def is_identity(line: str) -> bool:
    """Whether a line may be an answer to *IDN?: four parts (IEEE 488.2, 10.14), the first of them no number."""
    parts = line.split(",")
    return len(parts) >= 4 and _number(parts[0].strip()) is None
