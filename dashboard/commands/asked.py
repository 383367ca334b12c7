"""What the live commands share on their lines: ranges, and the refusal that names the option."""

from __future__ import annotations

from thermal.fields import InputError, Range

SPEED = Range("times real time", at_least=0.1, at_most=200.0)
SECONDS = Range("s", above=0.0, at_most=86400.0)


def checked(option: str, value: float, allowed: Range) -> float:
    """A number of the command line inside its range.

    Raises:
        InputError: it is outside, or no number.
    """
    if not allowed.holds(value):
        raise InputError(f"{option} {value:g}: expected {allowed}")
    return value
