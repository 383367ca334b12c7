"""Lines of a board for tests, and a judge of what a parser may give, written apart from the parser."""

from __future__ import annotations

import random
import re

from logger.board import Banner, BoardParser, Channel, encode_banner, encode_button, encode_data, tag_of
from logger.reading import Fault, FaultKind, Frame, State, Value

CHANNELS = (Channel("air_upper", "C"), Channel("tc_1", "uV", "K"), Channel("drop", "mm"))
BANNER = Banner("test-board", CHANNELS)
BANNER_LINE = encode_banner(BANNER.board, CHANNELS)
TAG = tag_of(BANNER_LINE)


def bitwise_crc(data: bytes) -> int:
    """CRC-16/CCITT-FALSE bit by bit, as its definition has it: polynomial 0x1021, start 0xFFFF."""
    crc = 0xFFFF
    for byte in data:
        for bit in range(7, -1, -1):
            top = crc >> 15 ^ byte >> bit & 1
            crc = (crc << 1 & 0xFFFF) ^ (0x1021 if top else 0)
    return crc


def hand_made(sequence: int, ms: int, words: bytes) -> bytes:
    """A line of values that go with the banner here, word for word as given."""
    return signed(b"d %d %d %b %b" % (sequence, ms, TAG.encode(), words))


def signed(body: bytes) -> bytes:
    """A line with its right checksum and end."""
    return body + b" %04X\n" % bitwise_crc(body)


def values(n: int) -> tuple[Value, ...]:
    return (
        Value("air_upper", "C", 180.0 + n / 8),
        Value("tc_1", "uV", 6539.25 + n, State.OK, 25.0625),
        Value("drop", "mm", None, State.OPEN) if n % 3 == 2 else Value("drop", "mm", float(n)),
    )


def data_line(n: int, ms: int | None = None) -> bytes:
    return encode_data(n % 2**32, (100 * n if ms is None else ms) % 2**32, TAG, values(n % 2**32))


def stream(count: int) -> bytes:
    """A banner, `count` lines numbered from 0, every fifth of them a button."""
    lines = [encode_button(n, 100 * n, "mark") if n % 5 == 4 else data_line(n) for n in range(count)]
    return BANNER_LINE + b"".join(lines)


def frames(out: list[Frame | Banner | Fault]) -> list[Frame]:
    return [what for what in out if isinstance(what, Frame)]


def faults(out: list[Frame | Banner | Fault]) -> list[Fault]:
    return [what for what in out if isinstance(what, Fault)]


def kinds(out: list[Frame | Banner | Fault]) -> list[FaultKind]:
    return [fault.kind for fault in faults(out)]


def believable(data: bytes) -> set[tuple[int, int]]:
    """Number and ms of every line in `data` that ends in its right checksum: no frame may come from elsewhere."""
    found = set()
    for line in data.split(b"\n"):
        match = re.fullmatch(rb"([db] ([0-9]+) ([0-9]+) .+) ([0-9A-F]{4})\r?", line, re.DOTALL)
        if match and bitwise_crc(match[1]) == int(match[4], 16):
            found.add((int(match[2]), int(match[3])))
    return found


def judge(data: bytes, cuts: list[int]) -> None:
    """Feed `data` cut at these places: nothing raises, nothing is believed without a checksum, memory is bounded."""
    parser, out, start = BoardParser(), [], 0
    for cut in [*sorted(cuts), len(data)]:
        out += parser.feed(data[start : max(cut, start)])
        start = max(cut, start)
        assert len(parser._part) < 512
    assert {(frame.sequence, frame.source_ms) for frame in frames(out)} <= believable(data)
    for frame in frames(out):
        for value in frame.values:
            assert (value.value is None) == (value.state is not State.OK)
            assert value.value is None or abs(value.value) <= 100_000.0
    whole = BoardParser().feed(data)
    assert whole == out, "what is found must not depend on how the bytes were cut up"


def judge_input(data: bytes) -> None:
    """Judge one input of the fuzzer, see fuzz/board_fuzz.py: a byte of cuts, then what the board sends.

    The bytes are judged as they are, and once more with every line given its right checksum, to get behind it.
    """
    if not data:
        return
    cuts = [(i + 1) * len(data) // (data[0] % 8 + 1) for i in range(data[0] % 8)]
    judge(data[1:], cuts)
    judge(b"".join(signed(line.rpartition(b" ")[0] or line) for line in data[1:].split(b"\n")), cuts)


def corrupted(line: bytes, draw: random.Random) -> bytes:
    """A line with one to four bytes replaced, dropped, doubled or swapped, or bits turned; never the line itself."""
    body = line.rstrip(b"\n")
    while True:
        bytes_ = bytearray(body)
        for _ in range(draw.randint(1, 4)):
            at = draw.randrange(len(bytes_))
            match draw.randrange(6):
                case 0:
                    bytes_[at] = draw.randrange(256)
                case 1:
                    bytes_[at] = draw.choice(b"0123456789.-/ dbABCDEF")
                case 2:
                    del bytes_[at]
                case 3:
                    bytes_.insert(at, bytes_[at])
                case 4:
                    other = draw.randrange(len(bytes_))
                    bytes_[at], bytes_[other] = bytes_[other], bytes_[at]
                case _:
                    bytes_[at] ^= 1 << draw.randrange(8)
        if body not in bytes(bytes_).replace(b"\r", b"\n").split(b"\n"):
            return bytes(bytes_) + b"\n"
