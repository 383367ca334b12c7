"""Bytes of a text board in, frames and faults out; no port, no clock. docs/board-protocol.md has the line format.

Nothing is taken on trust: a line counts only with its checksum, values get names only from the banner whose tag they
carry, and what does not fit is told as a `Fault`, never mended.
"""

from __future__ import annotations

import re
from typing import NamedTuple

from logger.board_format import (
    CHANNEL,
    LONGEST_LINE,
    MARKS,
    NAME,
    TAG,
    VERSION,
    Banner,
    Channel,
    checksum,
    encode_banner,
    encode_button,
    encode_data,
    tag_of,
)
from logger.board_order import Order
from logger.reading import Fault, FaultKind, Frame, State, Unit, Value
from logger.thermocouple import COLD_JUNCTION_C

__all__ = ["Banner", "BoardParser", "Channel", "encode_banner", "encode_button", "encode_data", "tag_of"]

_NUMBER_BYTES = b"0123456789.+-eE"
_COUNT = re.compile(rb"(?:0|[1-9][0-9]{0,9})")
_CHECKSUM_WORD = re.compile(rb" [0-9A-F]{4}")
_KINDS = (b"d ", b"b ", b"board ")
_NAN, _DIGITS = rb"[+-]?(?:nan|inf(?:inity)?)", rb"[0-9.+eE-]+"
#: A mark, known or not, or how C and Python print what is no number: the channel is at fault, not the line.
_NO_NUMBER = re.compile(
    b"![a-z]{1,16}|%b|%b/(?:%b|%b)|%b/%b" % (_NAN, _NAN, _NAN, _DIGITS, _DIGITS, _NAN), re.IGNORECASE
)
_NOT_TEXT = re.compile(rb"[^\x20-\x7e]")
#: What a sensor of this unit can give at all, well beyond what an oven needs. A number outside is no measurement:
#: absolute zero and the hottest thermocouples (°C), 80 mV of the strongest thermocouple, 10 m, a vacuum to 10 bar.
_POSSIBLE: dict[Unit, tuple[float, float]] = {
    "C": (-273.15, 2500.0),
    "uV": (-100_000.0, 100_000.0),
    "mm": (-10_000.0, 10_000.0),
    "kPa": (-110.0, 1000.0),
}


class _Refused(Exception):
    """A line with the right checksum that does not say what the format allows."""


class _Slot(NamedTuple):
    """One announced channel, made ready for reading its values."""

    name: str
    unit: Unit
    lowest: float
    highest: float


class BoardParser:
    """Turns a board's bytes into what they say, however they are cut up.

    Memory stays bounded: at most one line of 512 bytes and the last 64 lines' numbers are kept.

    Attributes:
        banner: the channels as last announced, None while they are not known.
        good_lines: banners, data and button lines with the right checksum so far.
    """

    def __init__(self) -> None:
        self.banner: Banner | None = None
        self.good_lines = 0
        self._slots: tuple[_Slot, ...] = ()
        self._tag: bytes | None = None  # of the lines that this banner names
        self._part = b""
        self._skipping = False
        self._joined_late = True
        self._order = Order()

    def feed(self, data: bytes) -> list[Frame | Banner | Fault]:
        """Take bytes as they come; what became complete with them, in order."""
        out: list[Frame | Banner | Fault] = []
        *lines, part = data.split(b"\n")
        for line in lines:
            whole, self._part = self._part + line, b""
            if self._skipping:
                self._skipping = False
            elif len(whole) >= LONGEST_LINE:
                out.append(_too_long(whole))
            elif whole := whole.removesuffix(b"\r"):
                self._line(whole, out)
            self._joined_late = False
        self._part += part
        if len(self._part) >= LONGEST_LINE and not self._skipping:
            out.append(_too_long(self._part))
            self._skipping = True
        if self._skipping:
            self._part = b""
        return out

    def disconnected(self) -> Fault | None:
        """Forget the channels and drop a line that was cut off; the fault to report where there was one.

        Another board may be on the wire next; the counters are kept, so that it is seen how much was missed.
        """
        part, self._part = self._part, b""
        self._skipping, self._joined_late = False, True
        self._forget_banner()
        if not part:
            return None
        return Fault(FaultKind.SHORT_LINE, "The connection ended within a line; that line was dropped.", part)

    def _forget_banner(self) -> None:
        self.banner, self._slots, self._tag = None, (), None

    def _line(self, line: bytes, out: list[Frame | Banner | Fault]) -> None:
        body, checked = line[:-5], line[-5:]
        if checked != b" " + checksum(body):
            out.append(self._unreadable(line))
            return
        kind, _, rest = body.partition(b" ")
        try:
            if kind == b"d":
                self._data(line, rest, out)
            elif kind == b"board":
                self._banner(rest, line[-4:], out)
            elif kind == b"b":
                self._button(line, rest, out)
            else:
                raise _Refused(f"a line of an unknown kind {_shown(kind)} came; is the board's program newer?")
        except _Refused as refused:
            out.append(Fault(FaultKind.GARBAGE, f"The board's checksum is right, but {refused}", line))

    def _banner(self, rest: bytes, tag: bytes, out: list[Frame | Banner | Fault]) -> None:
        self._forget_banner()  # whatever it says, the old one no longer holds
        version, *words = rest.split(b" ")
        if version != b"%d" % VERSION:
            raise _Refused(
                f"it speaks version {_shown(version)} of the line format, and this program version {VERSION}: "
                "update the older of the two"
            )
        if len(words) < 2 or not NAME.fullmatch(words[0]):
            raise _Refused("its banner lacks a name or channels: correct the top of the board's program")
        channels = tuple(map(_channel, words[1:]))
        if len({channel.name for channel in channels}) != len(channels):
            raise _Refused("its banner names a channel twice: correct the top of the board's program")
        self.good_lines += 1
        self.banner = Banner(words[0].decode(), channels)
        self._slots = tuple(_Slot(c.name, c.unit, *_POSSIBLE[c.unit]) for c in channels)
        self._tag = tag
        out.append(self.banner)

    def _placed(self, line: bytes, sequence: int, ms: int, out: list[Frame | Banner | Fault]) -> bool:
        """Compare a line's counters with those before; whether its frame is to be given."""
        self.good_lines += 1
        fault = self._order.place(sequence, ms, line)
        if fault is not None:
            out.append(fault)
            if fault.kind is FaultKind.DUPLICATE:
                return False
        return True

    def _data(self, line: bytes, rest: bytes, out: list[Frame | Banner | Fault]) -> None:
        words = rest.split(b" ")
        sequence, ms = _counters(words)
        tag, count = words[2], len(words) - 3
        if count < 1 or not TAG.fullmatch(tag):
            raise _Refused("a line lacks its banner's tag or values: correct the board's program")
        known = tag == self._tag
        fits = known and count == len(self._slots)
        values = tuple(map(_value, self._slots, words[3:])) if fits else ()  # first, for it may refuse the line
        if not self._placed(line, sequence, ms, out):
            return
        if self.banner is None:
            text = "Values came before the board announced its channels, so they have no names; it is being asked."
            out.append(Fault(FaultKind.NO_BANNER, text, line))
        elif not known:
            text = (
                "Values came that go with another banner than the last one that was heard, so they have no names; the "
                "board is being asked. If this stays, its program sends a wrong tag."
            )
            out.append(Fault(FaultKind.NO_BANNER, text, line))
            self._forget_banner()
        elif not fits:
            text = (
                f"A line has {count} values where the board announced {len(self._slots)} channels; it was dropped "
                "and the board is asked again. If this stays, the board's program has an error."
            )
            out.append(Fault(FaultKind.WRONG_COUNT, text, line))
            self._forget_banner()
        else:
            for value, word in zip(values, words[3:], strict=True):
                if value.state is State.FAULT and word not in MARKS:
                    text = f"{value.channel} = {_shown(word)} is no reading: correct the board's program."
                    out.append(Fault(FaultKind.GARBAGE, text, line))
            out.append(Frame(sequence, ms, values))

    def _button(self, line: bytes, rest: bytes, out: list[Frame | Banner | Fault]) -> None:
        words = rest.split(b" ")
        sequence, ms = _counters(words)
        if len(words) != 3 or not NAME.fullmatch(words[2]):
            raise _Refused("a button line came without one name: correct the board's program")
        if self._placed(line, sequence, ms, out):
            out.append(Frame(sequence, ms, (), words[2].decode()))

    def _unreadable(self, line: bytes) -> Fault:
        if _NOT_TEXT.search(line):
            return Fault(
                FaultKind.GARBAGE,
                "Bytes came that are no text. Either the baud rate here is not the board's, or the cable picks up "
                "noise: compare the baud rates, then keep the cable away from heater wiring.",
                line,
            )
        if not _CHECKSUM_WORD.fullmatch(line[-5:]):
            if line.startswith(_KINDS):
                text = "A line ends before its checksum and was dropped: bytes got lost between board and computer."
                return Fault(FaultKind.SHORT_LINE, text, line)
            text = "Text came that is no line of a board: check that this port is the board's and its program runs."
            return Fault(FaultKind.GARBAGE, text, line)
        if line.startswith(_KINDS):
            text = (
                "A line came damaged (its checksum is wrong) and was dropped. If it happens often, use a shorter or "
                "shielded cable and keep it away from heater wiring."
            )
            return Fault(FaultKind.CHECKSUM, text, line)
        begun = "The connection began within a line" if self._joined_late else "A line came without its beginning"
        return Fault(FaultKind.SHORT_LINE, f"{begun}; that line was dropped.", line)


def _too_long(line: bytes) -> Fault:
    return Fault(
        FaultKind.GARBAGE,
        f"More than {LONGEST_LINE} bytes came without a line's end and were dropped: check that the baud rate is the "
        "board's and that this port is the board's.",
        line[:LONGEST_LINE],
    )


def _counters(words: list[bytes]) -> tuple[int, int]:
    """Sequence number and milliseconds at the head of a line."""
    if len(words) > 2 and _COUNT.fullmatch(words[0]) and _COUNT.fullmatch(words[1]):
        sequence, ms = int(words[0]), int(words[1])
        if sequence <= 0xFFFFFFFF and ms <= 0xFFFFFFFF:
            return sequence, ms
    raise _Refused("a line lacks number, milliseconds or values: correct the board's program")


def _channel(word: bytes) -> Channel:
    match = CHANNEL.fullmatch(word)
    if match is None:
        raise _Refused(
            f"its banner has the channel {_shown(word)}: expected NAME:C, NAME:mm, NAME:kPa or NAME:uV:TYPE; correct "
            "the top of the board's program"
        )
    name, plain, microvolts, thermocouple = (part.decode() if part else "" for part in match.groups())
    return Channel(name, plain or microvolts, thermocouple)  # type: ignore[arg-type]  # the pattern has just these


def _value(slot: _Slot, word: bytes) -> Value:
    """What one word says of its channel; only a plain number that a sensor can give becomes a value."""
    name, unit, lowest, highest = slot
    cold_c: float | None = None
    if unit == "uV":
        word_uv, _, word_cold_c = word.partition(b"/")
        number, cold_c = _number(word_uv), _number(word_cold_c)
        known = number is not None and cold_c is not None
        possible = cold_c is not None and COLD_JUNCTION_C[0] <= cold_c <= COLD_JUNCTION_C[1]
    else:
        number = _number(word)
        known = possible = number is not None
    if number is None or not known:
        if not _NO_NUMBER.fullmatch(word):
            raise _Refused(f"{name} = {_shown(word)} is no value; the line was dropped: correct the board's program")
        return Value(name, unit, None, MARKS.get(word, State.FAULT))
    if not possible:  # a cold junction outside what its sensor can give: that sensor is broken
        return Value(name, unit, None, State.FAULT)
    if not lowest <= number <= highest:
        return Value(name, unit, None, State.OUT_OF_RANGE)
    return Value(name, unit, number, State.OK, cold_c)


def _number(word: bytes) -> float | None:
    """A number of digits, sign, point and exponent; None for nan, inf and whatever else float() would take."""
    if word.translate(None, _NUMBER_BYTES):
        return None
    try:
        return float(word)
    except ValueError:
        return None


def _shown(word: bytes) -> str:
    text = word[:40].decode("ascii", "backslashreplace")
    return f"'{text}{'...' if len(word) > 40 else ''}'"
