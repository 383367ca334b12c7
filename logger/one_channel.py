"""One channel of a source, reading by reading: for whoever looks at a single sensor while it settles."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

from logger.clock import Clock
from logger.reading import Frame, Source, State, Value
from logger.thermocouple import checked_type, to_celsius
from thermal.fields import InputError, near_matches

#: Reads of a buffer before what is newest there is taken as the newest.
_MOST_WAITING = 50


def channel_reader(
    source: Source, channel: str, kind: str, clock: Clock, timeout_s: float = 5.0
) -> Callable[[], Value]:
    """A function that gives the channel's newest reading in °C.

    Args:
        source: stays the caller's to close. channel: name in the source's frames. kind: the sensor's type, by which a
            voltage becomes a temperature. timeout_s: how long to wait for a frame; then the reading is MISSING.

    Raises:
        InputError: no such type. The function raises it for a channel that the frames do not have (near matches
            are named) or that is no temperature.
    """
    checked_type(kind)

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
                return _celsius(newest, channel, kind)
        return Value(channel, "C", None, State.MISSING)

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
