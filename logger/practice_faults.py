"""What can go wrong on the practice bench, and when: a schedule that the practice board plays out."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from thermal.fields import InputError, Range, near_matches


@dataclass(frozen=True)
class FaultName:
    """One kind of fault: what it is in a few words, how long it lasts unless told, and how many channels it takes."""

    words: str
    lasts_s: float
    channels: int = 0


#: All kinds. Durations are our choice: long enough to be noticed by the rule that finds each.
FAULTS: Mapping[str, FaultName] = {
    "open": FaultName("thermocouple broken, as the converter reports it", 30.0, 1),
    "short": FaultName("thermocouple shorted to its case, as the converter reports it", 30.0, 1),
    "touch": FaultName("thermocouple wires touch behind the junction: the voltage is gone", 30.0, 1),
    "frozen": FaultName("converter repeats its last value", 90.0, 1),
    "spike": FaultName("one wild sample", 0.0, 1),
    "swap": FaultName("two thermocouples plugged in crosswise", 300.0, 2),
    "cable": FaultName("cable pulled, and put back", 10.0),
    "silence": FaultName("connected, but the board says nothing", 15.0),
    "reset": FaultName("board starts anew: sequence and clock back to zero", 0.0),
    "baud": FaultName("bytes as they look at a wrong baud rate", 10.0),
    "garbage": FaultName("random bytes between the lines", 10.0),
    "checksum": FaultName("lines with a digit changed on the way", 10.0),
    "half-line": FaultName("lines cut off", 10.0),
    "together": FaultName("two lines at once, late", 10.0),
    "duplicate": FaultName("lines sent twice", 10.0),
    "order": FaultName("lines in the wrong order", 10.0),
}
_TIME_S = Range("s", at_least=0.0, at_most=86400.0)
_FAULT = re.compile(r"(?P<name>[a-z-]+)(?::(?P<channels>[\w,]+))?@(?P<at>[0-9.]+)(?:\+(?P<lasts>[0-9.]+))?")
_FORM = "NAME@SECONDS, NAME:CHANNEL@SECONDS or NAME:CHANNEL@SECONDS+DURATION, as open:tc_3@120+30"


@dataclass(frozen=True)
class Fault:
    """One fault of the schedule.

    Attributes:
        name: of `FAULTS`. at_s: from the start of practice. lasts_s: 0 for what happens once.
        channels: those concerned; empty for faults of the whole board.
    """

    name: str
    at_s: float
    lasts_s: float
    channels: tuple[str, ...] = ()

    def holds(self, time_s: float) -> bool:
        """Whether it is on at this time."""
        return self.at_s <= time_s < self.at_s + self.lasts_s

    def happens(self, after_s: float, until_s: float) -> bool:
        """Whether it begins after one time and not later than the other."""
        return after_s < self.at_s <= until_s


def fault_of(text: str, channels: Iterable[str]) -> Fault:
    """The fault that a person wrote, as open:tc_3@120+30.

    Args:
        channels: of the practice board; a fault that names none takes the first that fit.

    Raises:
        InputError: not of this form, an unknown fault or channel (near matches are named), an impossible time.
    """
    match = _FAULT.fullmatch(text.strip())
    if match is None:
        raise InputError(f"fault {text!r}: expected {_FORM}")
    name, known = match["name"], tuple(channels)
    if name not in FAULTS:
        raise InputError(
            f"fault {text!r}: {name!r} is not known{near_matches(name, FAULTS)}: expected one of {', '.join(FAULTS)}"
        )
    kind = FAULTS[name]
    named = tuple(match["channels"].split(",")) if match["channels"] else known[: kind.channels]
    for channel in named:
        if channel not in known:
            raise InputError(
                f"fault {text!r}: the practice board has no channel {channel!r}{near_matches(channel, known)}: "
                f"expected {' or '.join(known)}"
            )
    if len(set(named)) != kind.channels:
        wanted = ("no channel", "one channel", "two channels with a comma between")[kind.channels]
        raise InputError(f"fault {text!r}: expected {wanted} for {name}, in the form {_FORM}")
    return Fault(name, _seconds(match["at"], text), _seconds(match["lasts"] or str(kind.lasts_s), text), named)


def _seconds(text: str, fault: str) -> float:
    try:
        value = float(text)
    except ValueError:
        raise InputError(f"fault {fault!r}: {text!r} is no number of seconds: expected {_FORM}") from None
    if not _TIME_S.holds(value):
        raise InputError(f"fault {fault!r}: {value:g}: expected {_TIME_S}")
    return value
