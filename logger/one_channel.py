"""One channel of a source, reading by reading: for whoever looks at a single sensor while it settles."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

from logger.bench import Role
from logger.clock import Clock
from logger.conversion import type_of
from logger.reading import Frame, Source, State, Value
from logger.thermocouple import checked_type, to_celsius
from thermal.fields import InputError, near_matches

#: Reads of a buffer before what is newest there is taken as the newest.
_MOST_WAITING = 50


def channel_reader(
    source: Source,
    role: Role,
    registered: str,
    clock: Clock,
    announced: Callable[[], str] = lambda: "",
    timeout_s: float = 5.0,
) -> Callable[[], Value]:
    """A function that gives the newest reading of a role's channel in °C, without the sensor's correction.

    Args:
        source: stays the caller's to close. role: which channel it is. registered: the sensor's type in the register.
        announced: gives the type that the board says of the channel, '' for none. timeout_s: how long to wait for a
            frame; then the reading is MISSING.

    Raises:
        InputError: no such type, or the role says another. The function raises it for a channel that the frames do
            not have (near matches are named) or that is no temperature, and where the board says another type.
    """
    checked_type(type_of(role, "", registered))

    def read() -> Value:
        end_s = clock.monotonic_s() + timeout_s
        while (left_s := end_s - clock.monotonic_s()) > 0.0:
            newest = _newest(source, left_s)
            if newest is not None:
                for _ in range(_MOST_WAITING):  # what waited in a buffer while nobody looked is old
                    later = _newest(source, 0.0)
                    if later is None:
                        break
                    newest = later
                return _celsius(newest, role.channel, type_of(role, announced(), registered))
        return Value(role.channel, "C", None, State.MISSING)

    return read


def _newest(source: Source, timeout_s: float) -> Frame | None:
    frames = [one.what for one in source.poll(timeout_s) if isinstance(one.what, Frame) and one.what.values]
    return frames[-1] if frames else None


def _celsius(frame: Frame, channel: str, kind: str) -> Value:
    names = [value.channel for value in frame.values]
    if channel not in names:
        raise InputError(
            f"channel {channel!r} is not there{near_matches(channel, names)}: expected one of {', '.join(names)}"
        )
    value = frame.values[names.index(channel)]
    if value.unit == "uV":
        return to_celsius(value, kind)
    if value.unit != "C":
        raise InputError(f"channel {channel!r} is in {value.unit}: expected a temperature; name another channel")
    return replace(value, value=value.value if value.state is State.OK else None)
