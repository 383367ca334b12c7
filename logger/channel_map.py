"""A channel of a module or an instrument as its map describes it: from the number that came to a value or a state.

The number times `scale` plus `offset` is the value. A number that is none, or that lies outside the channel's limits,
becomes a state and never a value.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

from logger.reading import UNITS, State, Unit, Value
from thermal.fields import Fields, InputError

#: Limits where a map states none. °C and µV: the widest of the thermocouple reference functions of IEC 60584-1
#: (-270 °C to 1820 °C; type E -9835 µV, and 76 373 µV at its top), the latter rounded outwards. mm: estimate, the
#: drop a heat file can hold. kPa: estimate, below the room's pressure.
LIMITS: Mapping[Unit, tuple[float, float]] = {
    "C": (-270.0, 1820.0),
    "uV": (-10_000.0, 77_000.0),
    "mm": (-500.0, 2000.0),
    "kPa": (-10.0, 110.0),
}
NAME = re.compile(r"[a-z][a-z0-9_]{0,31}")


@dataclass(frozen=True)
class Channel:
    """What a map says of a channel whichever way its number travels.

    Attributes:
        scale, offset: value in `unit` = number x scale + offset.
        lowest, highest: limits of the value, in `unit`.
        cold_junction: for a channel in uV, the name of the channel (in C) with the temperature of its reference
            junction; '' for none.
    """

    name: str
    unit: Unit
    scale: float = 1.0
    offset: float = 0.0
    lowest: float = -math.inf
    highest: float = math.inf
    cold_junction: str = ""

    def missing(self, state: State = State.MISSING) -> Value:
        """No value, and why."""
        return Value(self.name, self.unit, None, state)

    def value(self, number: float) -> Value:
        """The value of a number as it came, or the state that takes its place."""
        value = number * self.scale + self.offset
        if math.isnan(value):
            return self.missing()
        if not self.lowest <= value <= self.highest:
            return self.missing(State.OUT_OF_RANGE)
        return Value(self.name, self.unit, value)


def read_channel(fields: Fields) -> Channel:
    """The keys that channels of all maps share; the caller reads its own and closes."""
    name = fields.text("name")
    if not NAME.fullmatch(name):
        raise fields.refuse("name", name, "small letters, digits and _, a letter first, at most 32 of them")
    unit: Unit = next(u for u in UNITS if u == fields.text("unit", UNITS))
    scale = fields.number("scale", default=1.0)
    if scale == 0.0:
        raise fields.refuse("scale", scale, "a number other than 0")
    lowest, highest = fields.numbers("limits", count=2) if fields.has("limits") else LIMITS[unit]
    if lowest >= highest:
        raise fields.refuse("limits", [lowest, highest], "the lower limit first, then the higher")
    if unit != "uV" and fields.has("cold_junction"):
        raise fields.refuse("cold_junction", fields.raw("cold_junction"), "none for a channel that is not in uV")
    junction = fields.text("cold_junction", default="")
    return Channel(name, unit, scale, fields.number("offset", default=0.0), lowest, highest, junction)


def check_channels(channels: Sequence[Channel], where: str) -> None:
    """Refuse no channels, a name that is there twice, and a cold junction that is no channel in C."""
    if not channels:
        raise InputError(f"{where}: channel is missing: expected one [[channel]] or more; add one")
    seen: set[str] = set()
    for channel in channels:
        if channel.name in seen:
            raise InputError(
                f"{where}: the channel {channel.name!r} is there twice: expected each name once; rename one"
            )
        seen.add(channel.name)
    celsius = [channel.name for channel in channels if channel.unit == "C"]
    for channel in channels:
        if channel.cold_junction and channel.cold_junction not in celsius:
            raise InputError(
                f"{where}: cold_junction of {channel.name} = {channel.cold_junction!r}: expected the name of a channel "
                f"in C{' (' + ', '.join(celsius) + ')' if celsius else ', and there is none'}"
            )


def with_cold_junctions(channels: Sequence[Channel], values: Iterable[Value]) -> tuple[Value, ...]:
    """The values, each in uV with the temperature of its reference junction where that has been read."""
    values = tuple(values)
    by_name = {value.channel: value.value for value in values}
    return tuple(
        replace(value, cold_junction_c=by_name.get(channel.cold_junction)) if channel.cold_junction else value
        for channel, value in zip(channels, values, strict=True)
    )
