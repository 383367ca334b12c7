"""The line format of text boards, version 1: what a banner says, and lines written out. docs/board-protocol.md has it.

The reading side is `logger.board`; this side serves the practice oven and the tests.
"""

from __future__ import annotations

import math
import re
from binascii import crc_hqx
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import NamedTuple

from logger.reading import State, Unit, Value

VERSION = 1
#: Bytes of a line with its end, at most.
LONGEST_LINE = 512
COUNTER = 2**32
#: What the PC sends to be told the channels.
ASK = b"?\n"

NAME = re.compile(rb"[A-Za-z0-9_][A-Za-z0-9_.-]{0,31}")
#: What a line of values says of the banner it goes with.
TAG = re.compile(rb"[0-9A-F]{4}")
CHANNEL = re.compile(rb"([A-Za-z][A-Za-z0-9_]{0,31}):(?:(C|mm|kPa)|(uV):([BEJKNRST]))")
#: What stands in place of a value.
MARKS = {
    b"!open": State.OPEN,
    b"!short": State.SHORT,
    b"!range": State.OUT_OF_RANGE,
    b"!fault": State.FAULT,
}
_MARK_OF = {state: mark.decode() for mark, state in MARKS.items()}


class Channel(NamedTuple):
    """One channel as the board announces it. `thermocouple`: the type's letter where the unit is uV, else ''."""

    name: str
    unit: Unit
    thermocouple: str = ""


@dataclass(frozen=True)
class Banner:
    """How a board introduces itself: its name, and its channels in the order of the values."""

    board: str
    channels: tuple[Channel, ...]


def checksum(body: bytes) -> bytes:
    """CRC-16/CCITT-FALSE (polynomial 0x1021, start 0xFFFF, not reflected) as four upper-case hex digits.

    Its check value over b"123456789" is 29B1 (Williams, A Painless Guide to CRC Error Detection Algorithms, 1993,
    names the parameters; the catalogue of parametrised CRC algorithms lists it as CRC-16/IBM-3740; recalled).
    """
    return b"%04X" % crc_hqx(body, 0xFFFF)


def _line(body: str) -> bytes:
    data = body.encode("ascii")
    line = data + b" " + checksum(data) + b"\n"
    if len(line) > LONGEST_LINE:
        raise ValueError(f"a line of {len(line)} bytes: expected at most {LONGEST_LINE}; use fewer channels")
    return line


def _stamp(sequence: int, ms: int) -> str:
    if not (0 <= sequence < COUNTER and 0 <= ms < COUNTER):
        raise ValueError(f"sequence {sequence}, ms {ms}: expected both in 0 to {COUNTER - 1}; take them modulo 2**32")
    return f"{sequence} {ms}"


def encode_banner(board: str, channels: Iterable[tuple[str, Unit, str]]) -> bytes:
    """The line that announces a board's channels, each a `Channel` or as one: name, unit, thermocouple type or ''.

    Raises:
        ValueError: a name the format cannot hold or that stands twice, or a line that would be too long.
    """
    words = [f"{name}:{unit}{':' if kind else ''}{kind}" for name, unit, kind in channels]
    for word in words:
        if not CHANNEL.fullmatch(word.encode()):
            raise ValueError(f"channel {word!r}: expected NAME:C, NAME:mm, NAME:kPa or NAME:uV:TYPE")
    if not words or len({word.partition(":")[0] for word in words}) != len(words):
        raise ValueError(f"channels {words}: expected one or more, each name once")
    if not NAME.fullmatch(board.encode()):
        raise ValueError(f"board name {board!r}: expected 1 to 32 letters, digits, '_', '-' or '.'")
    return _line(" ".join([f"board {VERSION} {board}", *words]))


def tag_of(banner_line: bytes) -> str:
    """What the lines of values that go with this banner carry: the banner's own checksum."""
    return banner_line.rstrip(b"\r\n")[-4:].decode("ascii")


def encode_data(sequence: int, ms: int, tag: str, values: Sequence[Value]) -> bytes:
    """A line of values, each with all its digits; a value that is None goes out as the mark of its state.

    Args:
        tag: of the banner that names the values, see `tag_of`.

    Raises:
        ValueError: a number that is not finite, microvolts without a cold junction, counters out of 32 bits, or no tag.
    """
    if not TAG.fullmatch(tag.encode()):
        raise ValueError(f"tag {tag!r}: expected the banner's checksum, four digits of 0-9 A-F")
    return _line(" ".join([f"d {_stamp(sequence, ms)} {tag}", *map(_word, values)]))


def encode_button(sequence: int, ms: int, name: str) -> bytes:
    """The line of a pressed button.

    Raises:
        ValueError: a name the format cannot hold, counters out of 32 bits.
    """
    if not NAME.fullmatch(name.encode()):
        raise ValueError(f"button {name!r}: expected 1 to 32 letters, digits, '_', '-' or '.'")
    return _line(f"b {_stamp(sequence, ms)} {name}")


def _word(value: Value) -> str:
    if value.value is None:
        return _MARK_OF.get(value.state, "!fault")
    if value.unit != "uV":
        return _number(value.channel, value.value)
    if value.cold_junction_c is None:
        raise ValueError(f"{value.channel}: microvolts without a cold junction: expected both, or a value of None")
    return f"{_number(value.channel, value.value)}/{_number(value.channel, value.cold_junction_c)}"


def _number(channel: str, number: float) -> str:
    if not math.isfinite(number):
        raise ValueError(f"{channel} = {number}: expected a finite number, or None with a state")
    return repr(float(number))
