"""From channels to roles: conversion, correction, several sources, and what cannot be converted."""

from __future__ import annotations

import threading
from datetime import UTC, date, datetime
from typing import Any

import pytest

from logger.bench import Bench, bench_from_mapping
from logger.clock import FastClock, ManualClock
from logger.reading import Arrival, Fault, FaultKind, Frame, Link, LinkState, State, Value
from logger.readings import NO_SENSORS, BenchReader
from logger.sensors import Correction, Register, Sensor
from thermal.fields import InputError

#: Of the clock where threads run, and how long what must come may take, s of the machine's time.
SPEED, PATIENCE_S = 100.0, 60.0
NOON = datetime(2026, 1, 5, 12, 0, tzinfo=UTC)


class Canned:
    """A source that gives what it was handed, one list a poll."""

    def __init__(self, id: str, *polls: list[Frame | Fault | Link]) -> None:
        self.id = id
        self.closed = False
        self._polls = list(polls)
        self._time_s = 0.0

    def poll(self, timeout_s: float) -> list[Arrival]:
        self._time_s += 1.0
        return [Arrival(self._time_s, NOON, what) for what in (self._polls.pop(0) if self._polls else [])]

    def close(self) -> None:
        self.closed = True


def bench(roles: dict[str, Any], *sources: str) -> Bench:
    return bench_from_mapping(
        {
            "id": "b",
            "oven": "north",
            "source": [{"id": one, "kind": "board", "url": "x"} for one in sources or ("board",)],
            "role": roles,
        },
        "bench.toml",
    )


def frame(*values: Value, ms: int | None = None) -> Frame:
    return Frame(None, ms, values)


def read(roles: dict[str, Any], *values: Value, register: Register = NO_SENSORS) -> dict[str, Any]:
    reader = BenchReader(bench(roles), [Canned("board", [frame(*values)])], ManualClock(), register)
    (arrival,) = reader.poll(1.0)
    return {reading.role: reading for reading in arrival.readings}


def test_microvolts_become_degrees_through_the_cold_junction() -> None:
    # NIST Monograph 175 by way of two packages that agree: type K 6.000 mV at 25.0 °C is 171.4923 °C, type J 8.500 mV
    # at 30.0 °C is 186.6250 °C.
    found = read(
        {
            "air_upper": {"channel": "board/a", "thermocouple": "K"},
            "air_lower": {"channel": "board/b", "thermocouple": "J"},
            "wall": "board/c",
        },
        Value("a", "uV", 6000.0, cold_junction_c=25.0),
        Value("b", "uV", 8500.0, cold_junction_c=30.0),
        Value("c", "C", 175.5),
    )
    assert found["air_upper"].value == pytest.approx(171.4923, abs=1e-3)
    assert found["air_lower"].value == pytest.approx(186.6250, abs=1e-3)
    assert (found["wall"].value, found["wall"].unit, found["wall"].source_text) == (175.5, "C", "board/c")


def test_every_way_to_have_no_value() -> None:
    found = read(
        {
            "air_upper": "board/a",
            "air_lower": {"channel": "board/b", "thermocouple": "K"},
            "face_upper": {"channel": "board/c", "thermocouple": "B"},
            "face_lower": {"channel": "board/d", "thermocouple": "K"},
            "wall": "board/drop",
            "drop": "board/e",
            "room": "board/gone",
        },
        Value("a", "uV", 6000.0, cold_junction_c=25.0),
        Value("b", "uV", 6000.0),
        Value("c", "uV", 150.0, cold_junction_c=25.0),
        Value("d", "uV", None, State.OPEN),
        Value("drop", "mm", 10.0),
        Value("e", "mm", None, State.SHORT),
    )
    assert {name: reading.state for name, reading in found.items()} == {
        "air_upper": State.FAULT,  # nobody says which type it is
        "air_lower": State.MISSING,  # no cold junction
        "face_upper": State.NOT_MEASURABLE,  # type B below 0.291 mV
        "face_lower": State.OPEN,
        "wall": State.FAULT,  # a length is no temperature
        "drop": State.SHORT,
        "room": State.MISSING,
    }
    assert {reading.value for reading in found.values()} == {None}
    assert 'add thermocouple = "K"' in found["air_upper"].text
    assert "channel is in mm, the role wants C" in found["wall"].text
    assert "no channel 'gone'" in found["room"].text


REGISTER = Register(
    (Sensor("T-1", "K", "1", due=date(2026, 1, 5)),),
    corrections=(Correction("T-1", date(2025, 6, 1), (0.5, 100.9), (0.5, 0.9)),),
)


def test_sensor_gives_its_type_and_correction() -> None:
    found = read(
        {"air_upper": {"channel": "board/a", "serial": "T-1"}},
        Value("a", "uV", 6000.0, cold_junction_c=25.0),
        register=REGISTER,
    )
    # Beyond its last point the correction stays at 0.9 K.
    assert found["air_upper"].value == pytest.approx(171.4923 - 0.9, abs=1e-3)


def test_overdue_sensor_is_noted_from_its_day_on() -> None:
    reader = BenchReader(
        bench({"wall": {"channel": "board/a", "serial": "T-1"}}), [Canned("board")], ManualClock(NOON), REGISTER
    )
    assert any("sensor T-1 of role wall was due on 2026-01-05" in note for note in reader.notes)


def test_unknown_sensor_is_refused_with_near_ones() -> None:
    with pytest.raises(InputError, match="did you mean T-1"):
        BenchReader(
            bench({"wall": {"channel": "board/a", "serial": "T-2"}}), [Canned("board")], ManualClock(), REGISTER
        )


def test_sources_must_be_those_of_the_bench() -> None:
    with pytest.raises(InputError, match=r"\['board'\]: expected these to be opened, not \['bord'\]"):
        BenchReader(bench({}), [Canned("bord")], ManualClock())


def test_faults_links_and_buttons_are_told() -> None:
    lost = Link(LinkState.LOST, "the cable is out")
    source = Canned("board", [Fault(FaultKind.CHECKSUM, "damaged"), Frame(3, 0, (), "door_open"), lost])
    reader = BenchReader(bench({"wall": "board/a"}), [source], ManualClock())
    kinds = [type(one.what) for one in reader.poll(1.0)]
    assert kinds == [Fault, Frame, Link]
    assert reader.faults == {("board", FaultKind.CHECKSUM): 1}
    assert reader.links == {"board": lost}
    assert reader.now()["wall"].state is State.MISSING
    assert "connection lost" in reader.now()["wall"].text
    reader.close()
    reader.close()
    assert source.closed


def test_frames_of_one_read_keep_the_boards_own_spacing() -> None:
    """Ten frames a second apart that come in one read: 5 K a second is no spike, 45 K at once would be."""
    frames: list[Frame | Fault | Link] = [frame(Value("a", "C", 100.0 + 5.0 * i), ms=1000 * i) for i in range(10)]
    reader = BenchReader(bench({"face_upper": "board/a"}), [Canned("board", frames[:1], frames[1:])], ManualClock())
    readings = [one.readings[0] for _ in range(2) for one in reader.poll(1.0)]
    assert [reading.state for reading in readings] == [State.OK] * 10


def test_slow_clock_of_a_board_is_not_believed_for_long() -> None:
    """A frame a second by a clock that runs at half speed: after 20 s it would be 10 s behind, and all of it stale."""
    clock = ManualClock()
    frames: list[list[Frame | Fault | Link]] = [[frame(Value("a", "C", 100.0 + i), ms=500 * i)] for i in range(20)]
    reader = BenchReader(bench({"face_upper": "board/a"}), [Canned("board", *frames)], clock)
    for _ in frames:
        clock.sleep(1.0)
        reader.poll(0.0)
        assert reader.now()["face_upper"].state is State.OK
    assert reader.now()["face_upper"].value == 119.0


def test_link_that_runs_explains_nothing() -> None:
    wire: list[Frame | Fault | Link] = [Link(LinkState.RUNNING, "it runs"), frame(Value("b", "C", 20.0))]
    reader = BenchReader(bench({"wall": "board/a"}), [Canned("board", wire)], ManualClock())
    reader.poll(0.0)
    assert reader.now()["wall"].text == reader.notes[-1]
    assert "(running)" not in reader.now()["wall"].text


def test_bench_without_sources_keeps_time() -> None:
    clock = ManualClock()
    empty = bench_from_mapping({"id": "b", "oven": "north"}, "bench.toml")
    reader = BenchReader(empty, [], clock)
    assert reader.poll(2.0) == []
    assert clock.monotonic_s() == 2.0
    assert reader.now() == {}
    assert "only the clock and your marks" in reader.notes[0]


class Stuck:
    """A source that hangs in its poll until it is let go."""

    def __init__(self, id: str) -> None:
        self.id = id
        self.let_go = threading.Event()

    def poll(self, timeout_s: float) -> list[Arrival]:
        self.let_go.wait(PATIENCE_S)
        return []

    def close(self) -> None:
        self.let_go.set()


class Steady:
    """A source that gives a frame at each poll, twenty in all."""

    def __init__(self, id: str, clock: FastClock) -> None:
        self.id = id
        self._clock, self._left = clock, 20

    def poll(self, timeout_s: float) -> list[Arrival]:
        self._clock.sleep(timeout_s)
        self._left -= 1
        if self._left < 0:
            return []
        return [Arrival(self._clock.monotonic_s(), self._clock.utc(), frame(Value("a", "C", 170.0)))]

    def close(self) -> None:
        """Nothing is open."""


def test_slow_source_holds_up_no_other() -> None:
    clock = FastClock(100.0)
    stuck, steady = Stuck("slow"), Steady("quick", clock)
    two = bench({"wall": "quick/a", "room": "slow/b"}, "slow", "quick")
    reader = BenchReader(two, [stuck, steady], clock)
    try:
        end_s = clock.monotonic_s() + PATIENCE_S * SPEED
        while reader.frames["quick"] < 20 and clock.monotonic_s() < end_s:
            reader.poll(1.0)
        assert reader.frames["quick"] == 20
        assert reader.now()["wall"].value == 170.0
        assert reader.now()["room"].state is State.MISSING
    finally:
        stuck.let_go.set()
        reader.close()


class Broken(Canned):
    """A source with an error in its program."""

    def poll(self, timeout_s: float) -> list[Arrival]:
        raise ZeroDivisionError("a mistake")


def test_error_in_a_thread_is_not_silent() -> None:
    clock = FastClock(SPEED)
    two = bench({"wall": "one/a"}, "one", "two")
    reader = BenchReader(two, [Broken("one"), Canned("two")], clock)
    try:
        with pytest.raises(ZeroDivisionError, match="a mistake"):
            reader.poll(PATIENCE_S * SPEED)
    finally:
        reader.close()
