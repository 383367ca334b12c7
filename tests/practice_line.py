"""A practice board at the end of a line that needs no port and no real time, for tests that run on a manual clock."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

from dashboard.practice_bench import CHANNEL_NAMES, SOURCE, practice_bench
from logger.board_source import BoardSource
from logger.clock import ManualClock
from logger.practice_board import PracticeBoard
from logger.practice_faults import fault_of
from logger.reading import Fault, FaultKind, Link, LinkState
from logger.readings import BenchArrival, BenchReader, Reading
from logger.wire_errors import NoSuchPort, TransportLost


class Kitchen:
    """An oven model without physics: faces that warm in a straight line under steady air."""

    def __init__(self, rate_k_s: float = 0.1) -> None:
        self._rate_k_s = rate_k_s

    def advance(self, to_s: float) -> Mapping[str, float]:
        face_c = min(22.0 + self._rate_k_s * to_s, 170.0)
        return {
            "air_upper": 180.0 + 2.0 * math.sin(to_s / 20.0),
            "air_lower": 176.0 + 2.0 * math.sin(to_s / 20.0),
            "face_upper": face_c,
            "face_lower": face_c - 2.0,
            "wall": 175.0,
            "room": 22.0,
            "drop": 0.05 * to_s,
        }


class Line:
    """The cable between board and PC; implements `logger.transport.Transport`."""

    def __init__(self, board: PracticeBoard, clock: ManualClock) -> None:
        self._board, self._clock = board, clock
        self._asked = False
        self._waiting = b""
        self.opened = 0

    def open(self) -> Line:
        self._board.due(self._clock.monotonic_s())
        if self._board.cable_out(self._clock.monotonic_s()):
            raise NoSuchPort("the cable is out: put it in")
        self._asked, self._waiting = False, b""
        self.opened += 1
        return self

    def read(self, timeout_s: float) -> bytes:
        said = self._board.due(self._clock.monotonic_s())
        if any(self._board.cable_out(at_s) for at_s, _ in said):
            raise TransportLost("the cable was pulled: put it back")
        data = self._waiting + (b"".join(line for _, line in said) if self._asked else b"")
        self._waiting = b""
        return data

    def write(self, data: bytes) -> None:
        if b"?" in data:
            self._asked = True
            self._waiting += self._board.banner()

    def close(self) -> None:
        self._asked = False


class Watched:
    """The practice bench on a manual clock, and all it went through."""

    def __init__(self, faults: Sequence[str] = (), seed: int = 1) -> None:
        self.clock = ManualClock()
        self.board = PracticeBoard(Kitchen(), [fault_of(text, CHANNEL_NAMES) for text in faults], seed)
        self.line = Line(self.board, self.clock)
        self.source = BoardSource(SOURCE, self.line.open, self.clock)
        self.reader = BenchReader(practice_bench("north"), [self.source], self.clock)
        self.arrivals: list[BenchArrival] = []
        self.now: dict[float, dict[str, Reading]] = {}

    def until(self, time_s: float) -> Watched:
        while self.clock.monotonic_s() < time_s:
            self.arrivals += self.reader.poll(0.2)
            self.now[self.clock.monotonic_s()] = self.reader.now()
        return self

    def states(self, role: str, from_s: float, to_s: float) -> set[str]:
        return {str(now[role].state) for at_s, now in self.now.items() if from_s <= at_s <= to_s}

    def readings(self, role: str, from_s: float, to_s: float) -> list[Reading]:
        return [now[role] for at_s, now in self.now.items() if from_s <= at_s <= to_s]

    def faults(self, from_s: float, to_s: float) -> set[FaultKind]:
        return {
            one.what.kind for one in self.arrivals if isinstance(one.what, Fault) and from_s <= one.monotonic_s <= to_s
        }

    def links(self, from_s: float, to_s: float) -> list[LinkState]:
        return [
            one.what.state for one in self.arrivals if isinstance(one.what, Link) and from_s <= one.monotonic_s <= to_s
        ]
