"""A board as a source: connections that come and go, silence, a busy port. Time is a clock that the test owns."""

from __future__ import annotations

import os
import random
import socket
import sys
import threading
from collections.abc import Callable
from itertools import pairwise

import pytest

from board_lines import BANNER, BANNER_LINE, CHANNELS, data_line, values
from board_server import Board, Server, pulled_at_random, rfc2217_talk, until_asked, until_left
from logger.board import encode_banner, encode_data, tag_of
from logger.board_source import LAST_RETRY_S, REOPEN_S, SILENT_S, BoardSource
from logger.clock import FastClock, ManualClock
from logger.reading import Arrival, Fault, FaultKind, Frame, Link, LinkState
from logger.transport import NoSuchPort, PortBusy, SerialTransport, Transport, TransportLost, open_transport

Step = bytes | Exception


class Script:
    """A port in memory: each opening gives the next list of what is read, an error at its place; then nothing comes."""

    def __init__(self, *openings: Exception | list[Step]) -> None:
        self.openings = list(openings)
        self.opened_at_s: list[float] = []
        self.written: list[bytes] = []
        self.open_now = 0
        self.clock = ManualClock()
        self.waited_s: list[float] = []

    def __call__(self) -> Transport:
        self.opened_at_s.append(self.clock.monotonic_s())
        steps = self.openings.pop(0) if self.openings else NoSuchPort("there is no port X: plug the board in")
        if isinstance(steps, Exception):
            raise steps
        self.open_now += 1
        return ScriptedPort(self, steps)

    def source(self) -> BoardSource:
        return BoardSource("north", self, self.clock)


class ScriptedPort:
    def __init__(self, script: Script, steps: list[Step]) -> None:
        self._script, self._steps, self._closed = script, steps, False

    def read(self, timeout_s: float) -> bytes:
        self._script.waited_s.append(timeout_s)
        step = self._steps.pop(0) if self._steps else b""
        if isinstance(step, Exception):
            raise step
        return step

    def write(self, data: bytes) -> None:
        self._script.written.append(data)

    def close(self) -> None:
        self._script.open_now -= not self._closed
        self._closed = True


def gone() -> TransportLost:
    return TransportLost("the connection at X broke off: check cable and plug")


def polled(source: BoardSource, seconds: float, clock: ManualClock) -> list[Arrival]:
    end_s, out = clock.monotonic_s() + seconds, []
    while clock.monotonic_s() < end_s - 1e-9:
        out += source.poll(end_s - clock.monotonic_s())
    return out


def links(arrivals: list[Arrival]) -> list[LinkState]:
    return [arrival.what.state for arrival in arrivals if isinstance(arrival.what, Link)]


def link_texts(arrivals: list[Arrival]) -> list[str]:
    return [arrival.what.text for arrival in arrivals if isinstance(arrival.what, Link)]


def numbers(arrivals: list[Arrival]) -> list[int | None]:
    return [arrival.what.sequence for arrival in arrivals if isinstance(arrival.what, Frame)]


def faults(arrivals: list[Arrival]) -> list[Fault]:
    return [arrival.what for arrival in arrivals if isinstance(arrival.what, Fault)]


def test_runs_and_stamps() -> None:
    script = Script([b"", b"", BANNER_LINE, data_line(0), data_line(1)])
    assert script.source().banner is None
    source = script.source()
    out = polled(source, 1.0, script.clock)
    assert links(out) == [LinkState.OPENING, LinkState.RUNNING]
    assert link_texts(out)[1] == "north: board test-board sends air_upper, tc_1, drop"
    assert numbers(out) == [0, 1]
    assert source.banner == BANNER
    assert script.written == [b"?\n"]
    assert [(a.utc - ManualClock().utc()).total_seconds() for a in out] == pytest.approx([a.monotonic_s for a in out])
    assert out[-1].monotonic_s == pytest.approx(0.04)


def test_poll_returns_at_once_when_something_came_and_waits_no_longer_than_asked() -> None:
    script = Script([BANNER_LINE + data_line(0)])
    source = script.source()
    assert len(source.poll(10.0)) == 3
    assert script.clock.monotonic_s() == 0.0
    assert source.poll(0.25) == []
    assert script.clock.monotonic_s() == pytest.approx(0.25)
    assert max(script.waited_s) <= 0.02
    assert source.poll(0.0) == []
    assert script.waited_s[-1] == 0.0


def test_asks_until_the_banner_is_known() -> None:
    script = Script([b"", data_line(0), *[b""] * 120, BANNER_LINE, *[data_line(n) for n in range(1, 200)]])
    out = polled(script.source(), 6.0, script.clock)
    assert [fault.kind for fault in faults(out)] == [FaultKind.NO_BANNER]
    assert numbers(out) == list(range(1, 200))
    assert 3 <= len(script.written) <= 4, "at once and then every second"


def test_asks_when_values_come_that_go_with_another_banner() -> None:
    """The board's program was changed, and its new banner came damaged."""
    crossed = encode_banner("test-board", CHANNELS[::-1])
    new = [encode_data(n, 100 * n, tag_of(crossed), values(n)[::-1]) for n in range(5, 50)]
    quiet = [b""] * 100  # 2 s
    script = Script([BANNER_LINE, data_line(0), *quiet, crossed[3:] + new[0], *quiet, crossed, *new[1:]])
    source, out = script.source(), []
    while not script.written[1:]:
        out += source.poll(0.02)
    asked_s, lost_s = script.clock.monotonic_s(), out[-1].monotonic_s
    assert asked_s - lost_s <= 1.0
    assert faults(out)[-1].kind is FaultKind.NO_BANNER
    out += polled(source, 4.0, script.clock)
    assert numbers(out) == [0, *range(6, 50)]
    got = [a.what.values for a in out if isinstance(a.what, Frame)]
    assert got == [values(0), *[values(n)[::-1] for n in range(6, 50)]]


def test_silent_then_back() -> None:
    script = Script([BANNER_LINE, data_line(0), *[b""] * 200, data_line(40)])
    out = polled(script.source(), 6.0, script.clock)
    assert links(out) == [LinkState.OPENING, LinkState.RUNNING, LinkState.SILENT, LinkState.RUNNING]
    silent_at = next(a.monotonic_s for a in out if isinstance(a.what, Link) and a.what.state is LinkState.SILENT)
    assert silent_at == pytest.approx(SILENT_S, abs=0.05)
    assert "check the board's power" in link_texts(out)[2]
    assert len(script.written) == 3, "asked at the start, and each second of silence"
    assert [fault.missing for fault in faults(out)] == [39]


def test_unreadable_bytes_are_told_apart_from_silence() -> None:
    script = Script([random.Random(3).randbytes(50) for _ in range(1000)])
    source, out = script.source(), []
    for _ in range(1000):
        out += source.poll(0.02)
        script.clock.sleep(0.01)
    assert links(out) == [LinkState.OPENING, LinkState.SILENT]
    assert "compare the baud rate" in link_texts(out)[1]
    assert numbers(out) == []


def test_a_port_that_stays_silent_is_opened_afresh() -> None:
    script = Script([BANNER_LINE, data_line(0)], [BANNER_LINE, data_line(1)])
    source = script.source()
    out = polled(source, REOPEN_S + 2.0, script.clock)
    assert links(out) == [LinkState.OPENING, LinkState.RUNNING, LinkState.SILENT, LinkState.RUNNING]
    assert numbers(out) == [0, 1]
    assert script.open_now == 1


def test_cable_pulled_within_a_line() -> None:
    script = Script([BANNER_LINE, data_line(0) + data_line(1)[:11], gone()], [BANNER_LINE, data_line(5)])
    out = polled(script.source(), 1.0, script.clock)
    assert links(out) == [
        LinkState.OPENING, LinkState.RUNNING, LinkState.LOST, LinkState.OPENING, LinkState.RUNNING
    ]  # fmt: skip
    assert [(f.kind, f.raw, f.missing) for f in faults(out)] == [
        (FaultKind.SHORT_LINE, data_line(1)[:11], 0),
        (FaultKind.GAP, data_line(5)[:-1], 4),
    ]
    assert link_texts(out)[2] == "the connection at X broke off: check cable and plug; it comes back by itself"
    assert numbers(out) == [0, 5]


def test_another_board_on_the_same_wire_gets_its_own_names() -> None:
    script = Script([BANNER_LINE, data_line(0), gone()], [data_line(1), BANNER_LINE, data_line(2)])
    out = polled(script.source(), 1.0, script.clock)
    assert numbers(out) == [0, 2]
    assert FaultKind.NO_BANNER in [fault.kind for fault in faults(out)]


def test_attempts_grow_apart_up_to_five_seconds() -> None:
    script = Script()
    out = polled(script.source(), 40.0, script.clock)
    gaps = [b - a for a, b in pairwise(script.opened_at_s)]
    assert gaps == pytest.approx([0.2, 0.4, 0.8, 1.6, 3.2, *[LAST_RETRY_S] * (len(gaps) - 5)])
    assert len(gaps) > 8
    assert links(out) == [LinkState.LOST]
    assert link_texts(out) == ["there is no port X: plug the board in; trying again"]


def test_attempts_are_close_again_after_a_good_line() -> None:
    absent = [NoSuchPort("absent")] * 6
    script = Script(*absent, [BANNER_LINE, gone()], [BANNER_LINE])
    polled(script.source(), 20.0, script.clock)
    assert script.opened_at_s[7] - script.opened_at_s[6] == pytest.approx(0.2, abs=0.03)


def test_busy_port_is_told_and_taken_when_it_is_free() -> None:
    script = Script(*[PortBusy("X is in use by another program")] * 3, [BANNER_LINE, data_line(0)])
    out = polled(script.source(), 3.0, script.clock)
    assert links(out) == [LinkState.BUSY, LinkState.OPENING, LinkState.RUNNING]
    assert link_texts(out)[0] == "X is in use by another program; trying again"
    assert numbers(out) == [0]


def test_close_frees_the_port_and_ends() -> None:
    script = Script([BANNER_LINE])
    source = script.source()
    source.poll(0.1)
    assert script.open_now == 1
    source.close()
    source.close()
    assert script.open_now == 0
    assert source.poll(1.0) == []
    assert len(script.opened_at_s) == 1


def test_silence_is_not_believed_after_one_long_wait_of_a_fast_clock() -> None:
    machine = ManualClock()

    class Slow(ScriptedPort):
        def read(self, timeout_s: float) -> bytes:
            machine.sleep(0.02)  # 12 s of the fast clock
            return super().read(timeout_s)

    script = Script()
    source = BoardSource("fast", lambda: Slow(script, [BANNER_LINE, b"", b"", data_line(0)]), FastClock(600.0, machine))
    out = [arrival for _ in range(4) for arrival in source.poll(1.0)]
    assert links(out) == [LinkState.OPENING, LinkState.RUNNING]
    assert numbers(out) == [0]


# Against a real network connection and a real terminal


def poll_until(source: BoardSource, done: Callable[[list[Arrival]], bool], tries: int = 3000) -> list[Arrival]:
    out: list[Arrival] = []
    for _ in range(tries):
        out += source.poll(0.1)
        if done(out):
            return out
    raise AssertionError(f"it did not come about; the last: {out[-3:]}")


@pytest.mark.parametrize("seed", [1, 2])
def test_cable_pulled_a_hundred_times_at_random(seed: int) -> None:
    board = pulled_at_random(seed)
    with Server(board) as server:
        source = BoardSource("north", lambda: open_transport(server.url, 115200), ManualClock())
        out = poll_until(source, lambda out: links(out).count(LinkState.LOST) == 100)
        source.close()
    got = numbers(out)
    assert got == board.sent[: len(got)], "each line that came whole is given once, in order, and no other"
    assert len(board.sent) - len(got) <= 12, "but for the connection that was under way when the test ended"
    assert links(out).count(LinkState.RUNNING) == 100
    gaps = [fault for fault in faults(out) if fault.kind is FaultKind.GAP]
    assert {fault.kind for fault in faults(out)} <= {FaultKind.GAP, FaultKind.SHORT_LINE}
    assert got[0] is not None
    assert got[-1] is not None
    assert sum(fault.missing for fault in gaps) == got[-1] - got[0] + 1 - len(got), "counted to the line"


def test_connection_torn_down_a_hundred_times() -> None:
    """As above, but the connection is reset, which throws away what was under way: fewer lines, none of them wrong."""
    board = pulled_at_random(3, abrupt=True)
    with Server(board) as server:
        source = BoardSource("north", lambda: open_transport(server.url, 115200), ManualClock())
        out = poll_until(source, lambda out: links(out).count(LinkState.LOST) == 100)
        source.close()
    got = [number for number in numbers(out) if number is not None]
    assert set(got) <= set(board.sent)
    assert got == sorted(set(got))
    assert {fault.kind for fault in faults(out)} <= {FaultKind.GAP, FaultKind.SHORT_LINE}


def test_server_that_goes_away_and_comes_back() -> None:
    with Server(Board(lambda: 2)) as server:
        port = server.port
        source = BoardSource("north", lambda: open_transport(f"socket://127.0.0.1:{port}", 115200), ManualClock())
        poll_until(source, lambda out: len(numbers(out)) == 2)
        source.close()
    clock = ManualClock()
    source = BoardSource("north", lambda: open_transport(f"socket://127.0.0.1:{port}", 115200), clock)
    assert links(polled(source, 2.0, clock)) == [LinkState.LOST]
    listener = socket.socket()
    listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    listener.bind(("127.0.0.1", port))
    listener.listen()

    def serve() -> None:
        connection, _ = listener.accept()
        with connection:
            connection.settimeout(60.0)
            Board(lambda: 3)(connection)

    thread = threading.Thread(target=serve, daemon=True)
    thread.start()
    out = poll_until(source, lambda out: len(numbers(out)) == 3)
    assert links(out) == [LinkState.OPENING, LinkState.RUNNING]
    source.close()
    thread.join(60.0)
    listener.close()


def test_two_hundred_frames_a_second_are_not_lost_over_a_socket() -> None:
    """More than that: 2000 lines at once, which is ten seconds' worth."""
    with Server(Board(lambda: 2000)) as server:
        source = BoardSource("north", lambda: open_transport(server.url, 115200), ManualClock())
        out = poll_until(source, lambda out: len(numbers(out)) == 2000)
        source.close()
    assert numbers(out) == list(range(2000))
    assert faults(out) == []


@pytest.mark.filterwarnings("ignore:set(Daemon|Name).*:DeprecationWarning")  # in pyserial 3.5's own threads
def test_rfc2217() -> None:
    with Server(rfc2217_talk(lambda heard: BANNER_LINE + data_line(0) if b"?\n" in heard else b"")) as server:
        url = f"rfc2217://127.0.0.1:{server.port}"
        source = BoardSource("north", lambda: open_transport(url, 9600), ManualClock())
        out = poll_until(source, lambda out: numbers(out) == [0])
        assert links(out) == [LinkState.OPENING, LinkState.RUNNING]
        source.close()


@pytest.mark.skipif(sys.platform == "win32", reason="this system has no pseudo terminals")
def test_second_program_on_a_serial_port() -> None:
    import tty

    board, computer = os.openpty()
    tty.setraw(board)
    tty.setraw(computer)
    name = os.ttyname(computer)
    other_program = SerialTransport(name, 115200)
    clock = ManualClock()
    source = BoardSource("north", lambda: open_transport(name, 115200), clock)
    out = polled(source, 1.0, clock)
    assert links(out) == [LinkState.BUSY]
    assert name in link_texts(out)[0]
    other_program.close()
    out = poll_until(source, lambda out: LinkState.OPENING in links(out))
    os.write(board, BANNER_LINE + data_line(0))
    out = poll_until(source, lambda out: numbers(out) == [0])
    source.close()
    SerialTransport(name, 115200).close()  # free at once
    os.close(computer)
    os.close(board)


def test_server_with_a_mute_board() -> None:
    def mute(connection: socket.socket) -> None:
        until_asked(connection)
        until_left(connection)

    with Server(mute) as server:
        machine = ManualClock()
        source = BoardSource("north", lambda: open_transport(server.url, 115200), machine)
        out = source.poll(0.02)
        machine.sleep(SILENT_S)  # the test does not wait
        out = [*out, *poll_until(source, lambda out: bool(links(out)))]
        assert links(out) == [LinkState.OPENING, LinkState.SILENT]
        source.close()
