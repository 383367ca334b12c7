"""The practice oven on real loopback sockets: one PC at a time, nothing said unasked, the port free afterwards."""

from __future__ import annotations

import socket
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import suppress

import pytest

from dashboard.practice_bench import CHANNEL_NAMES, SOURCE, practice_bench
from logger.board import BoardParser
from logger.board_format import ASK, Banner
from logger.board_source import BoardSource
from logger.clock import FastClock
from logger.practice import HOST, PracticeServer
from logger.practice_board import PracticeBoard
from logger.practice_faults import fault_of
from logger.reading import Fault, Frame, Link, LinkState, State
from logger.readings import BenchReader
from logger.transport import open_transport
from practice_line import Kitchen

SPEED = 100.0
#: Longest a test waits for what must come, s of the machine's time.
PATIENCE_S = 60.0


def serve(*faults: str) -> PracticeServer:
    board = PracticeBoard(Kitchen(), [fault_of(text, CHANNEL_NAMES) for text in faults])
    return PracticeServer(board, FastClock(SPEED))


@pytest.fixture
def server() -> Iterator[PracticeServer]:
    with serve() as served:
        yield served


def call(server: PracticeServer) -> socket.socket:
    return socket.create_connection((HOST, server.port), timeout=PATIENCE_S)


def ask(server: PracticeServer) -> socket.socket:
    pc = call(server)
    pc.sendall(ASK)
    return pc


def until(condition: Callable[[], bool]) -> None:
    end_s = time.monotonic() + PATIENCE_S
    while not condition():
        assert time.monotonic() < end_s, "what must come did not come"
        time.sleep(0.002)


def test_says_nothing_unasked_then_banner_first(server: PracticeServer) -> None:
    with call(server) as pc:
        pc.settimeout(0.05)  # 5 s of the board's time
        with pytest.raises(TimeoutError):
            pc.recv(1)
        pc.settimeout(PATIENCE_S)
        pc.sendall(ASK)
        parser = BoardParser()
        found: list[Frame | Banner | Fault] = []
        while len(found) < 5:
            found += parser.feed(pc.recv(4096))
    assert isinstance(found[0], Banner)
    assert [channel.name for channel in found[0].channels] == list(CHANNEL_NAMES)
    assert all(isinstance(one, Frame) for one in found[1:])


def test_second_pc_is_sent_away(server: PracticeServer) -> None:
    with ask(server) as first, call(server) as second:
        assert first.recv(6) == b"board "
        second.sendall(ASK)
        with suppress(ConnectionResetError):  # as some systems word it
            assert second.recv(1) == b""
        assert first.recv(1) != b""
    until(lambda: _answers(server))


def _answers(server: PracticeServer) -> bool:
    with ask(server) as pc:
        try:
            return pc.recv(6) == b"board "
        except ConnectionResetError:
            return False


def test_port_is_free_afterwards() -> None:
    served = serve()
    served.start()
    with ask(served) as pc:
        pc.recv(1)
        served.close()
        served.close()
    with pytest.raises(ConnectionRefusedError):
        call(served)
    again = PracticeServer(PracticeBoard(Kitchen()), FastClock(SPEED), served.port)
    assert again.port == served.port
    again.close()


def test_button_arrives_as_a_frame(server: PracticeServer) -> None:
    clock = FastClock(SPEED)
    source = BoardSource(SOURCE, lambda: open_transport(server.url, 115200), clock)
    pressed: list[str] = []
    try:
        until(lambda: bool(source.poll(1.0)) and source.banner is not None)
        server.press("door_open")
        until(lambda: bool(_note_buttons(source, pressed)))
    finally:
        source.close()
    assert pressed == ["door_open"]


def _note_buttons(source: BoardSource, pressed: list[str]) -> list[str]:
    pressed += [one.what.button for one in source.poll(1.0) if isinstance(one.what, Frame) and one.what.button]
    return pressed


def test_cable_over_a_real_socket() -> None:
    """The board is gone, and back, while the PC tries again by itself."""
    clock = FastClock(SPEED)
    board = PracticeBoard(Kitchen(), [fault_of("cable@60+60", CHANNEL_NAMES)])
    with PracticeServer(board, clock) as server:
        source = BoardSource(SOURCE, lambda: open_transport(server.url, 115200), clock)
        reader = BenchReader(practice_bench("north"), [source], clock, stale_s=30.0)
        seen: list[LinkState] = []
        try:

            def well_again() -> bool:
                seen.extend(one.what.state for one in reader.poll(2.0) if isinstance(one.what, Link))
                air = reader.now()["air_upper"].state
                return server.time_s >= 125.0 and seen[-1:] == [LinkState.RUNNING] and air is State.OK

            until(well_again)
            assert LinkState.LOST in seen
        finally:
            reader.close()


class Mistaken:
    """A model with an error in its program."""

    def advance(self, to_s: float) -> Mapping[str, float]:
        raise ZeroDivisionError("a mistake")


def test_error_of_the_model_is_not_silent() -> None:
    def checked() -> bool:
        served.check()
        return False

    with (
        PracticeServer(PracticeBoard(Mistaken()), FastClock(SPEED)) as served,
        pytest.raises(ZeroDivisionError, match="a mistake"),
    ):
        until(checked)
