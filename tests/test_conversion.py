"""Which type a thermocouple is taken for, where bench file, board and register may each say one or nothing."""

from __future__ import annotations

import itertools
from datetime import UTC, datetime
from typing import Any

import pytest

from logger.bench import Bench, Role, bench_from_mapping
from logger.board import Banner
from logger.board_format import Channel
from logger.board_source import BoardSource
from logger.clock import ManualClock
from logger.conversion import type_of
from logger.one_channel import channel_reader
from logger.reading import Arrival, Frame, State, Value
from logger.readings import NO_SENSORS, BenchReader, Reading
from logger.sensors import Register, Sensor
from logger.transport import Transport
from thermal.fields import InputError

NOON = datetime(2026, 1, 5, 12, 0, tzinfo=UTC)
#: Printed in the tables of NIST Monograph 175 (read), mV: J 1.277 at 25 and 5.269 at 100 °C; K 1.000 at 25, 4.961 at
#: 121 and 5.002 at 122 °C. So 3.992 mV at a cold junction of 25 °C are 100 °C of J, and of K 121 + 31/41 °C. Three
#: roundings of 0.5 µV are at most 0.04 K.
UV, COLD_C, SHOWN_C, ROUNDING_K = 3992.0, 25.0, {"J": 100.0, "K": 121.756}, 0.04
SAID = ("", "K", "J")
PAIRINGS = list(itertools.product(SAID, SAID, SAID))


def outcome(bench_file: str, board: str, register: str) -> str:
    """The type, or what becomes of it: written down case by case, not by the rule of the program."""
    if register:
        if bench_file and bench_file != register:
            return "refused"
        return "fault" if board and board != register else register
    return bench_file or board


class Announcing(BoardSource):
    """A board that sends one channel in µV without end; '' announces nothing."""

    def __init__(self, kind: str, clock: ManualClock) -> None:
        super().__init__("board", self._no_port, clock)
        self._kind, self._time = kind, clock

    @staticmethod
    def _no_port() -> Transport:
        raise AssertionError("nothing is opened")

    @property
    def banner(self) -> Banner | None:
        return Banner("b", (Channel("a", "uV", self._kind),)) if self._kind else None

    def poll(self, timeout_s: float) -> list[Arrival]:
        self._time.sleep(timeout_s)
        frame = Frame(None, None, (Value("a", "uV", UV, State.OK, COLD_C),))
        return [Arrival(self._time.monotonic_s(), NOON, frame)] if timeout_s else []


def bench(bench_file: str, register: str) -> Bench:
    role: dict[str, Any] = {"channel": "board/a"}
    role |= {"thermocouple": bench_file} if bench_file else {}
    role |= {"serial": "T-1"} if register else {}
    source = {"id": "board", "kind": "board", "url": "COM3"}
    return bench_from_mapping({"id": "b", "oven": "north", "source": [source], "role": {"wall": role}}, "b.toml")


def register_of(kind: str) -> Register:
    return Register((Sensor("T-1", kind, "1"),)) if kind else NO_SENSORS


def read(bench_file: str, board: str, register: str) -> tuple[Reading, BenchReader]:
    clock = ManualClock()
    reader = BenchReader(bench(bench_file, register), [Announcing(board, clock)], clock, register_of(register))
    (arrival,) = reader.poll(1.0)
    return arrival.readings[0], reader


@pytest.mark.parametrize(("bench_file", "board", "register"), PAIRINGS)
def test_type_of_every_pairing(bench_file: str, board: str, register: str) -> None:
    role = Role("wall", "board", "a", bench_file, "T-1")
    expected = outcome(bench_file, board, register)
    if expected in ("refused", "fault"):
        with pytest.raises(InputError, match="T-1"):
            type_of(role, board, register)
    else:
        assert type_of(role, board, register) == expected


@pytest.mark.parametrize(("bench_file", "board", "register"), PAIRINGS)
def test_readings_of_every_pairing(bench_file: str, board: str, register: str) -> None:
    expected = outcome(bench_file, board, register)
    if expected == "refused":
        words = rf"bench b: role.wall.thermocouple = '{bench_file}': expected '{register}'"
        with pytest.raises(InputError, match=words):
            read(bench_file, board, register)
        return
    reading, reader = read(bench_file, board, register)
    if expected == "fault":
        assert (reading.value, reading.state) == (None, State.FAULT)
        assert f"the board says type {board}, the register type {register} for sensor T-1" in reading.text
        assert reading.text in reader.notes
    elif expected:
        assert reading.value == pytest.approx(SHOWN_C[expected], abs=ROUNDING_K)
        contradicted = bool(board) and board != expected
        assert any("the bench file's is used" in note for note in reader.notes) == contradicted
    else:
        assert (reading.value, reading.state) == (None, State.FAULT)
        assert "type is not known" in reading.text


@pytest.mark.parametrize(("bench_file", "board", "register"), [one for one in PAIRINGS if one[2]])
def test_one_channel_of_every_pairing(bench_file: str, board: str, register: str) -> None:
    clock = ManualClock()
    role = Role("wall", "board", "a", bench_file, "T-1")
    expected = outcome(bench_file, board, register)

    def value() -> float | None:
        return channel_reader(Announcing(board, clock), role, register, clock, lambda: board)().value

    if expected in ("refused", "fault"):
        with pytest.raises(InputError, match="look at the plug's colour"):
            value()
    else:
        assert value() == pytest.approx(SHOWN_C[expected], abs=ROUNDING_K)
