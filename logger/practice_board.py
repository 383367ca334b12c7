"""The practice board: sensors of an oven that is only computed, spoken in the line format of the text boards.

No port and no clock in here: told the time, it gives the bytes that are due. The oven and its sheet are a model that
the caller hands in; what its sensors would read passes through lag, noise and the converter's steps, and through the
faults of a schedule. The same seed and the same times give the same bytes.
"""

from __future__ import annotations

import math
import random
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Protocol

from logger.board_format import COUNTER, encode_banner, encode_button, encode_data, tag_of
from logger.practice_faults import Fault
from logger.reading import State, Unit, Value
from logger.thermocouple import emf_uv

BANNER_EVERY_S = 30.0
#: A board that was reset says nothing for this long, s (our choice; real ones take one or two).
BOOT_S = 1.5
#: The board's crystal runs fast by this, in parts of a million: usual crystals are good to 50 (common practice).
DRIFT_PPM = 30.0
#: The board sits outside of the oven, a little warmer than the room, K (our choice).
BOARD_ABOVE_ROOM_K = 4.0
#: Size of a practised spike, by unit: more than the rules of `logger.quality` allow, less than a role's range.
_SPIKE: Mapping[Unit, float] = {"C": 80.0, "uV": 3300.0, "mm": 160.0, "kPa": 50.0}


class OvenModel(Protocol):
    """An oven with its sheet. What its core truly is stays inside the model; the board has no channel for it."""

    def advance(self, to_s: float) -> Mapping[str, float]:
        """True values at a time, s from the start, which never falls from call to call.

        Returns:
            By place (air_upper, face_upper, wall, room, drop ...): °C or mm; NaN where nothing is there to measure.
        """


@dataclass(frozen=True)
class PracticeChannel:
    """One channel of the practice board.

    Attributes:
        of: place in the model. unit: as spoken on the wire. thermocouple: type, for µV.
        lag_s: first-order time constant. noise: standard deviation; step: of the converter; both in `unit`.
    """

    name: str
    of: str
    unit: Unit
    lag_s: float
    noise: float
    step: float
    thermocouple: str = ""


def _thermocouple(name: str, of: str, lag_s: float) -> PracticeChannel:
    # 2 µV are 0.05 K with type K: a usual converter of 18 bits or more (our choice).
    return PracticeChannel(name, of, "uV", lag_s, 2.0, 1.0, "K")


#: Lags: a bare bead of 0.5 to 1 mm in moving air takes 1 to 4 s, a sheathed sensor in the wall far longer (derived
#: from sphere and cylinder correlations).
CHANNELS = (
    _thermocouple("tc_1", "air_upper", 3.0),
    _thermocouple("tc_2", "air_lower", 3.0),
    _thermocouple("tc_3", "face_upper", 1.5),
    _thermocouple("tc_4", "face_lower", 1.5),
    PracticeChannel("wall", "wall", "C", 12.0, 0.05, 0.0625),
    PracticeChannel("room", "room", "C", 5.0, 0.05, 0.0625),
    PracticeChannel("drop", "drop", "mm", 0.3, 0.4, 0.1),
)


class PracticeBoard:
    """Bytes of a board, by time.

    Args:
        model: the oven. faults: what goes wrong. seed: of all noise and of the random parts of faults.
        period_s: between data lines. channels: what is wired to it.
    """

    def __init__(
        self,
        model: OvenModel,
        faults: Sequence[Fault] = (),
        seed: int = 1,
        period_s: float = 0.2,
        channels: Sequence[PracticeChannel] = CHANNELS,
    ) -> None:
        self.period_s = period_s
        self.channels = tuple(channels)
        self._tag = tag_of(self._banner())
        self._model = model
        self._faults = tuple(faults)
        # The time that was asked for last, and what held then: a line asks two dozen times.
        self._held_at: tuple[float, tuple[Fault, ...]] = (math.nan, ())
        self._noise, self._luck = random.Random(f"noise {seed}"), random.Random(f"faults {seed}")
        self._lagged: dict[str, float] = {}
        self._last: dict[str, Value] = {}
        self._ticks = 0
        self._sequence = 0
        self._booted_s = 0.0
        self._silent_until_s = 0.0
        self._banner_s = 0.0
        self._held: list[bytes] = []
        self._pressed: list[str] = []

    @property
    def next_s(self) -> float:
        """When the next line is due, s from the start."""
        return self._ticks * self.period_s

    def press(self, name: str) -> None:
        """A button on the board: spoken with the next line."""
        self._pressed.append(name)

    def add_faults(self, faults: Sequence[Fault]) -> None:
        """More that goes wrong."""
        self._faults = (*self._faults, *faults)
        self._held_at = (math.nan, ())

    def cable_out(self, time_s: float) -> bool:
        """Whether the cable is pulled at this time."""
        return self._on("cable", time_s)

    def banner(self) -> bytes:
        """The line that names the channels; nothing while the board is silent."""
        if self._on("silence", self.next_s) or self.next_s < self._silent_until_s:
            return b""
        return self._banner()

    def due(self, until_s: float) -> list[tuple[float, bytes]]:
        """All that the board says up to a time: pairs of when and bytes, in order; bytes may be empty."""
        said = []
        while self.next_s <= until_s:
            time_s = self.next_s
            self._ticks += 1
            said.append((time_s, self._tick(time_s)))
        return said

    # ------------------------------------------------------------ one line

    def _tick(self, time_s: float) -> bytes:
        values = self._values(time_s)
        if self._began("reset", time_s):
            self._sequence, self._booted_s = 0, time_s
            self._silent_until_s = time_s + BOOT_S
            self._banner_s = time_s - BANNER_EVERY_S  # a board that starts says its banner
            self._held = []
        if time_s < self._silent_until_s or self._on("silence", time_s):
            self._sequence += not time_s < self._silent_until_s  # a silent board counts on: the gap is seen
            return b""
        lines = []
        if time_s - self._banner_s >= BANNER_EVERY_S:
            self._banner_s = time_s
            lines.append(self._banner())
        ms = int((time_s - self._booted_s) * 1e3 * (1.0 + DRIFT_PPM * 1e-6)) % COUNTER
        while self._pressed:
            lines.append(encode_button(self._count(), ms, self._pressed.pop(0)))
        lines.append(encode_data(self._count(), ms, self._tag, values))
        return self._on_the_wire(lines, time_s)

    def _count(self) -> int:
        number = self._sequence
        self._sequence = (number + 1) % COUNTER
        return number

    def _banner(self) -> bytes:
        return encode_banner("practice", [(c.name, c.unit, c.thermocouple) for c in self.channels])

    # ------------------------------------------------------------ sensors

    def _values(self, time_s: float) -> tuple[Value, ...]:
        truth = self._model.advance(time_s)
        junction_c = _stepped(truth["room"] + BOARD_ABOVE_ROOM_K + self._noise.gauss(0.0, 0.02), 0.0625)
        plugs = {channel.name: channel.of for channel in self.channels}
        for fault in self._holding("swap", time_s):
            one, other = fault.channels
            plugs[one], plugs[other] = plugs[other], plugs[one]
        at_place = {place: self._behind_lag(place, truth[place]) for place in truth}
        values = []
        for channel in self.channels:
            value = self._read(channel, at_place[plugs[channel.name]], junction_c)
            values.append(self._spoilt(channel, value, time_s))
        self._last = {value.channel: value for value in values}
        return tuple(values)

    def _behind_lag(self, place: str, truth: float) -> float:
        lag_s = next((channel.lag_s for channel in self.channels if channel.of == place), 0.0)
        before = self._lagged.get(place, math.nan)
        share = 1.0 if lag_s <= 0.0 or math.isnan(before) else -math.expm1(-self.period_s / lag_s)
        now = truth if math.isnan(before) else before + share * (truth - before)
        self._lagged[place] = now
        return now

    def _read(self, channel: PracticeChannel, truth: float, junction_c: float) -> Value:
        noise = self._noise.gauss(0.0, channel.noise)  # drawn in any case: one fault must not shift all later noise
        if math.isnan(truth):
            return Value(channel.name, channel.unit, None, State.OUT_OF_RANGE)
        if channel.unit != "uV":
            return Value(channel.name, channel.unit, _stepped(truth + noise, channel.step))
        emf = emf_uv(channel.thermocouple, truth) - emf_uv(channel.thermocouple, junction_c)
        return Value(channel.name, "uV", _stepped(emf + noise, channel.step), cold_junction_c=junction_c)

    def _spoilt(self, channel: PracticeChannel, value: Value, time_s: float) -> Value:
        def here(name: str) -> bool:
            return any(channel.name in fault.channels for fault in self._holding(name, time_s))

        if here("frozen") and channel.name in self._last:
            return self._last[channel.name]
        for name, state in (("open", State.OPEN), ("short", State.SHORT)):
            if here(name):
                return Value(channel.name, channel.unit, None, state)
        if here("touch") and value.cold_junction_c is not None:
            return Value(channel.name, "uV", 0.0, cold_junction_c=value.cold_junction_c)
        spiked = any(channel.name in f.channels for f in self._faults if f.name == "spike" and self._begins(f, time_s))
        if spiked and value.value is not None:
            raised = value.value + _SPIKE[channel.unit]
            return Value(channel.name, channel.unit, raised, cold_junction_c=value.cold_junction_c)
        return value

    # ------------------------------------------------------------ the line to the PC

    def _on_the_wire(self, lines: list[bytes], time_s: float) -> bytes:
        if self._on("checksum", time_s):
            lines = [self._altered(line) if self._luck.random() < 0.5 else line for line in lines]
        if self._on("half-line", time_s):
            lines = [self._cut(line) if self._luck.random() < 0.5 else line for line in lines]
        if self._on("duplicate", time_s):
            lines = [line * (2 if self._luck.random() < 0.5 else 1) for line in lines]
        if self._on("garbage", time_s):
            lines = [self._noise_bytes() + line if self._luck.random() < 0.5 else line for line in lines]
        swaps, together = self._on("order", time_s), self._on("together", time_s)
        if (swaps or together) and not self._held:
            self._held = lines
            return b""
        lines = [*lines, *self._held] if swaps else [*self._held, *lines]
        self._held = []
        data = b"".join(lines)
        if self._on("baud", time_s):
            data = self._luck.randbytes(max(len(data) // 2, 1))
        return data

    def _noise_bytes(self) -> bytes:
        return self._luck.randbytes(self._luck.randrange(1, 40))

    def _cut(self, line: bytes) -> bytes:
        """The beginning of a line, with its line end or without."""
        return line[: self._luck.randrange(len(line))] + (b"\n" if self._luck.random() < 0.5 else b"")

    def _altered(self, line: bytes) -> bytes:
        """A line with one of its digits another."""
        digits = [i for i, byte in enumerate(line) if chr(byte).isdigit()]
        at = self._luck.choice(digits)
        return line[:at] + str((int(chr(line[at])) + self._luck.randrange(1, 10)) % 10).encode() + line[at + 1 :]

    # ------------------------------------------------------------ the schedule

    def _holding(self, name: str, time_s: float) -> list[Fault]:
        at_s, held = self._held_at
        if at_s != time_s:
            held = tuple(fault for fault in self._faults if fault.holds(time_s))
            self._held_at = (time_s, held)
        return [fault for fault in held if fault.name == name]

    def _on(self, name: str, time_s: float) -> bool:
        return bool(self._holding(name, time_s))

    def _began(self, name: str, time_s: float) -> bool:
        return any(fault.name == name and self._begins(fault, time_s) for fault in self._faults)

    def _begins(self, fault: Fault, time_s: float) -> bool:
        return fault.happens(time_s - self.period_s, time_s)


def _stepped(value: float, step: float) -> float:
    """The value as a converter with this step gives it, without the tail of binary fractions."""
    return round(round(value / step) * step, 6)
