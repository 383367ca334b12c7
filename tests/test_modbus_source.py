"""Modbus modules: read over a real socket and a real serial pair, and every way in which they fail to answer."""

from __future__ import annotations

import math
import socket
import struct
import sys
import time
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager, suppress
from itertools import pairwise
from pathlib import Path
from threading import Event
from typing import Any

import pytest
from pymodbus.client.mixin import ModbusClientMixin
from pymodbus.framer import FramerType
from pymodbus.framer.rtu import FramerRTU
from pymodbus.pdu import ModbusPDU

from logger.backoff import Backoff
from logger.clock import Clock, ManualClock, SystemClock
from logger.modbus_answers import EXCEPTIONS
from logger.modbus_map import TYPES, read_modbus_map
from logger.modbus_source import SILENT_AFTER, ModbusSource
from logger.reading import Arrival, Fault, FaultKind, Frame, Link, LinkState, State
from modbus_modules import Listener, listener, module, serial_pair
from source_polls import PATIENCE_S, fault, first, frame, link, shortest_poll_s, until

CONVERTER = ModbusClientMixin[ModbusPDU]
CHANNEL = {"name": "tc_1", "unit": "C", "table": "input", "address": 0, "type": "int16", "scale": 0.1}
WAIT_S = 0.02  # machine time that a poll may wait for loopback or a pseudo-terminal

needs_pty = pytest.mark.skipif(sys.platform == "win32", reason="Windows has no pseudo-terminals")


@contextmanager
def source(*channels: dict[str, Any], clock: Clock | None = None, **options: Any) -> Iterator[ModbusSource]:
    place = {"transport": "tcp", "host": "127.0.0.1"} if "port" in options else {"transport": "rtu"}
    tables = {"module": place | options, "channel": list(channels) or [CHANNEL]}
    one = ModbusSource(read_modbus_map(tables, "m.toml"), clock or ManualClock())
    try:
        yield one
    finally:
        one.close()


def pass_time(one: ModbusSource, clock: ManualClock, duration_s: float) -> list[Any]:
    """What comes while nothing answers and this much time goes by."""
    found: list[Any] = []
    for _ in range(math.ceil(duration_s / 0.1)):
        clock.sleep(0.1)
        found += [arrival.what for arrival in one.poll(0.0)]
    return found


TRANSPORTS = ["tcp", pytest.param("rtu", marks=needs_pty), "rtu over a socket"]


@contextmanager
def pair(transport: str, *channels: dict[str, Any], **options: Any) -> Iterator[tuple[Any, ModbusSource]]:
    """A module behind each kind of wire, and a source that asks it."""
    if transport == "tcp":
        with module() as device, source(*channels, port=device.port, **options) as one:
            yield device, one
    elif transport == "rtu":
        line = options | {"baud": 19200, "parity": "none"}
        with (
            serial_pair() as (near, far),
            module(serial_port=far) as device,
            source(*channels, serial_port=near, **line) as one,
        ):
            yield device, one
    else:
        with (
            module(framer=FramerType.RTU) as device,
            source(*channels, serial_port=f"socket://127.0.0.1:{device.port}", **options) as one,
        ):
            yield device, one


@pytest.mark.parametrize("transport", TRANSPORTS)
def test_all_types_tables_and_orders_arrive(transport: str) -> None:
    channels, expected = [], []
    numbers = {"int16": -1234, "uint16": 54321, "int32": -70_000, "uint32": 3_000_000_000, "float32": 25.5}
    for table in ("input", "holding"):
        for at, (kind, order) in enumerate((k, o) for k in TYPES for o in ("big", "little")):
            one = CHANNEL | {"name": f"{table}_{at}", "table": table, "address": 3 * at, "type": kind, "scale": 1.0}
            one["limits"] = [-4e9, 4e9]
            if TYPES[kind][1] > 1:
                one["word_order"] = order
            words = CONVERTER.convert_to_registers(numbers[kind], CONVERTER.DATATYPE[kind.upper()], order)  # type: ignore[arg-type]
            channels.append(one)
            expected.append((table, 3 * at, words, float(numbers[kind])))
    with pair(transport, *channels, largest_gap=2) as (device, source_):
        for table, address, words, _ in expected:
            device.put(table, address, words)
        found = until(source_, frame)
        assert device.requests == [(3, 0, 29), (4, 0, 29)]
    assert [value.value for value in first(found, Frame).values] == [number for *_, number in expected]
    assert [what.state for what in found if isinstance(what, Link)] == [LinkState.OPENING, LinkState.RUNNING]


@pytest.mark.parametrize("transport", TRANSPORTS)
def test_open_circuit_limits_and_nan_are_states(transport: str) -> None:
    wide = CHANNEL | {"type": "float32", "scale": 1.0}
    channels = [
        CHANNEL | {"open_codes": [0x7FFF]},
        CHANNEL | {"name": "tc_2", "address": 1, "limits": [0, 250]},
        wide | {"name": "tc_3", "address": 2},
        wide | {"name": "tc_4", "address": 4},
    ]
    with pair(transport, *channels) as (device, one):
        device.put("input", 0, [0x7FFF, 3000, 0x7FC0, 0, 0x41CC, 0])
        values = first(until(one, frame), Frame).values
    assert [(value.state, value.value) for value in values] == [
        (State.OPEN, None),
        (State.OUT_OF_RANGE, None),
        (State.MISSING, None),
        (State.OK, 25.5),
    ]


def test_asked_on_its_period_by_the_clock_it_was_given() -> None:
    clock = ManualClock()
    with module() as device, source(port=device.port, period_s=0.25, clock=clock) as one:
        stamps: list[float] = []
        while len(stamps) < 5:
            stamps += [a.monotonic_s for a in one.poll(WAIT_S) if isinstance(a.what, Frame)]
    assert stamps == pytest.approx([0.0, 0.25, 0.5, 0.75, 1.0])


def test_periods_missed_are_not_made_up_for() -> None:
    clock = ManualClock()
    with module() as device, source(port=device.port, period_s=1.0, clock=clock) as one:
        until(one, frame)
        clock.sleep(7.4)
        stamps: list[float] = []
        while len(stamps) < 2:
            stamps += [a.monotonic_s for a in one.poll(WAIT_S) if isinstance(a.what, Frame)]
        assert len(device.requests) == 3
    assert stamps == pytest.approx([7.4, 8.0])


@pytest.mark.parametrize("code", sorted(EXCEPTIONS))
def test_an_exception_is_said_in_plain_words(code: int) -> None:
    with module() as device, source(port=device.port) as one:
        device.refuse_with = code
        found = until(one, fault(FaultKind.REFUSED))
        said = first(found, Fault).text
        assert f"exception {code}: {EXCEPTIONS[code]}" in said
        assert "input registers 0 to 0" in said
        assert not any(frame(what) for what in found)
        device.refuse_with = None
        assert first(until(one, frame), Frame).values[0].value == 0.0


def test_registers_that_are_not_there_leave_the_others_readable() -> None:
    far = CHANNEL | {"name": "tc_2", "address": 5000}
    with module() as device, source(CHANNEL, far, port=device.port) as one:
        device.put("input", 0, [231])
        found = until(one, frame)
    assert "exception 2" in first(found, Fault).text
    assert [(v.state, v.value) for v in first(found, Frame).values] == [
        (State.OK, pytest.approx(23.1)),
        (State.MISSING, None),
    ]


def test_a_module_id_that_is_not_there() -> None:
    """pymodbus's server answers for it with an exception, as a gateway does (with 4, where 11 would be right)."""
    with module(device_id=9) as device, source(port=device.port, device_id=2) as one:
        found = until(one, fault(FaultKind.REFUSED))
        assert "exception 4" in first(found, Fault).text
        assert device.requests == []
        assert not any(frame(what) for what in found)


@pytest.mark.parametrize("transport", TRANSPORTS)
def test_another_module_answers(transport: str) -> None:
    def from_seven(data: bytes) -> bytes:
        if transport == "tcp":
            return data[:6] + b"\x07" + data[7:]
        return b"\x07" + data[1:-2] + FramerRTU.compute_CRC(b"\x07" + data[1:-2]).to_bytes(2, "big")

    with pair(transport) as (device, one):
        device.rewrite = from_seven
        found = until(one, fault(FaultKind.FOREIGN))
        assert "module 1 was asked and module 7 answered" in first(found, Fault).text
        device.rewrite = bytes
        found += until_back(one)
    assert sum(frame(what) for what in found) == 1


def until_back(one: ModbusSource) -> list[Any]:
    """Until a frame comes, while time goes by."""
    clock = one._clock
    assert isinstance(clock, ManualClock)
    found: list[Any] = []
    give_up = time.monotonic() + PATIENCE_S
    while not any(frame(what) for what in found):
        assert time.monotonic() < give_up, f"waited in vain after {found}"
        found += [arrival.what for arrival in one.poll(WAIT_S)]
        clock.sleep(0.1)
    return found


def test_an_answer_with_too_few_registers() -> None:
    two = CHANNEL | {"name": "tc_2", "address": 1}
    with module() as device, source(CHANNEL, two, port=device.port) as one:
        device.rewrite = lambda data: data[:4] + b"\x00\x05" + data[6:8] + b"\x02" + data[9:11]
        found = until(one, fault(FaultKind.WRONG_COUNT))
        assert "sent 1 of input registers 0 to 1" in first(found, Fault).text
        assert not any(frame(what) for what in found)
        device.rewrite = bytes
        until(one, frame)


@pytest.mark.parametrize("transport", TRANSPORTS)
def test_an_answer_that_breaks_off(transport: str) -> None:
    with pair(transport) as (device, one):
        answered = Event()

        def broken_off(data: bytes) -> bytes:
            answered.set()
            return data[:-1]

        device.rewrite = broken_off
        until(one, link(LinkState.OPENING))
        one.poll(WAIT_S)  # the request is out
        assert answered.wait(PATIENCE_S)
        found = until_over(one)
        assert [what.kind for what in found if isinstance(what, Fault)] == [FaultKind.SHORT_LINE]
        assert not any(frame(what) for what in found)
        device.rewrite = bytes
        assert not any(isinstance(what, Fault) for what in until_back(one))


def until_over(one: ModbusSource) -> list[Any]:
    """Give an answer that is on the wire real time to come, then let the module's time pass."""
    found = [arrival.what for _ in range(10) for arrival in one.poll(WAIT_S)]
    clock = one._clock
    assert isinstance(clock, ManualClock)
    clock.sleep(0.5)
    return found + [arrival.what for arrival in one.poll(0.0)]


@pytest.mark.parametrize("transport", TRANSPORTS[1:])
def test_a_wrong_checksum_gives_no_number(transport: str) -> None:
    with pair(transport) as (device, one):
        device.rewrite = lambda data: data[:3] + bytes([data[3] ^ 1]) + data[4:]
        found = until(one, fault(FaultKind.CHECKSUM)) + until_over(one)
        assert not any(frame(what) or fault(FaultKind.SILENT)(what) for what in found)
        device.rewrite = bytes
        until_back(one)


@pytest.mark.parametrize("transport", TRANSPORTS)
def test_a_silent_module_is_said_and_comes_back(transport: str) -> None:
    with pair(transport) as (device, one):
        until(one, frame)
        device.swallow = True
        clock = one._clock
        assert isinstance(clock, ManualClock)
        found: list[Any] = []
        give_up = time.monotonic() + PATIENCE_S
        while not any(link(LinkState.SILENT)(what) for what in found):
            assert time.monotonic() < give_up
            found += pass_time(one, clock, 0.1)
        # a serial line is left quiet for long after the first, so it is said at once
        times = SILENT_AFTER if transport == "tcp" else 1
        assert [what.kind for what in found if isinstance(what, Fault)] == [FaultKind.SILENT] * times
        assert not any(frame(what) for what in found)
        device.swallow = False
        found = until_back(one)
        assert [what.state for what in found if isinstance(what, Link)] == [LinkState.RUNNING]


def test_a_port_that_accepts_and_never_answers() -> None:
    clock = ManualClock()
    with listener() as far, source(port=far.port, clock=clock) as one:
        found = pass_time(one, clock, 8.0)
        assert len(far.plugs()) >= 2, "a module that was switched off and on has forgotten its connections"
    kinds = [what.kind for what in found if isinstance(what, Fault)]
    assert kinds == [FaultKind.SILENT] * len(kinds)
    assert 6 <= len(kinds) <= 8
    assert [what.state for what in found if isinstance(what, Link)] == [LinkState.OPENING, LinkState.SILENT]
    assert "no answer for input registers from 0 within 0.3 s" in first(found, Fault).text


def answer(connection: socket.socket, request: bytes, word: int) -> None:
    connection.sendall(request[:4] + b"\x00\x05" + request[6:8] + b"\x02" + word.to_bytes(2, "big"))


def test_a_late_answer_is_no_reading_and_is_not_taken_for_the_next() -> None:
    clock = ManualClock()
    with listener() as far, source(port=far.port, clock=clock) as one:
        until(one, link(LinkState.OPENING))
        one.poll(WAIT_S)
        early = far.plugs()[0].recv(64)
        found = pass_time(one, clock, 0.5)
        assert [what.kind for what in found if isinstance(what, Fault)] == [FaultKind.SILENT]
        clock.sleep(0.6)
        one.poll(0.0)  # the next request is out
        later = far.plugs()[0].recv(64)
        answer(far.plugs()[0], early, 999)
        found = until(one, fault(FaultKind.LATE))
        assert not any(frame(what) for what in found)
        assert "make timeout_s longer" in first(found, Fault).text
        answer(far.plugs()[0], later, 231)
        values = first(until(one, frame), Frame).values
    assert values[0].value == pytest.approx(23.1)


def rtu(*words: int, device_id: int = 1) -> bytes:
    """An answer to a request for input registers, as a serial line carries it."""
    body = bytes([device_id, 4, 2 * len(words)]) + b"".join(word.to_bytes(2, "big") for word in words)
    return body + FramerRTU.compute_CRC(body).to_bytes(2, "big")


TWO = (CHANNEL | {"name": "air"}, CHANNEL | {"name": "sheet", "address": 10})
HUNDREDS = {0: 1000, 10: 2000}  # what the registers hold: 100 °C and 200 °C


class SlowLine:
    """A module on a serial server that answers each request in turn, the one for `late_address` this much late.

    The time is the manual clock's. `asked`: (time, address) of each request.
    """

    def __init__(self, far: Listener, clock: ManualClock, late_address: int, late_s: float) -> None:
        self._far, self._clock, self._late_address, self._late_s = far, clock, late_address, late_s
        self._owed: list[tuple[float, int]] = []
        self.asked: list[tuple[float, int]] = []

    def turn(self) -> None:
        """Take what was asked, and answer what is due; the first holds up those behind it."""
        for plug in self._far.plugs()[-1:]:
            plug.settimeout(0.0)
            with suppress(BlockingIOError):
                while request := plug.recv(8):
                    address, now_s = int.from_bytes(request[2:4], "big"), self._clock.monotonic_s()
                    self.asked.append((now_s, address))
                    self._owed.append((now_s + (self._late_s if address == self._late_address else 0.0), address))
            while self._owed and self._owed[0][0] <= self._clock.monotonic_s():
                plug.sendall(rtu(HUNDREDS[self._owed.pop(0)[1]]))


def run_slow_line(late_address: int, late_s: float, duration_s: float) -> tuple[list[Any], SlowLine]:
    clock = ManualClock()
    with listener() as far:
        line, found = SlowLine(far, clock, late_address, late_s), []
        url = f"socket://127.0.0.1:{far.port}"
        with source(*TWO, clock=clock, serial_port=url, period_s=0.5, timeout_s=0.3) as one:
            while clock.monotonic_s() < duration_s:
                for _ in range(4):  # question and answer of both, at the same moment
                    found += [arrival.what for arrival in one.poll(0.0)]
                    line.turn()
                    found += [arrival.what for arrival in one.poll(0.002)]
                clock.sleep(0.1)
    return found, line


@pytest.mark.parametrize("late_address", [0, 10])
@pytest.mark.parametrize("late_s", [0.6, 0.9, 1.05, 2.9])
def test_a_late_answer_on_a_serial_line_is_never_another_channels(late_address: int, late_s: float) -> None:
    """An RTU answer bears no address (MODBUS over Serial Line V1.02, 2.5.1): both answers here look the same."""
    found, line = run_slow_line(late_address, late_s, 10.0)
    values = [value for what in found if isinstance(what, Frame) for value in what.values]
    assert {value.value for value in values if value.channel == "air"} <= {100.0, None}
    assert {value.value for value in values if value.channel == "sheet"} <= {200.0, None}
    assert sum(fault(FaultKind.LATE)(what) for what in found) >= 3
    assert len(line.asked) >= 4, "it goes on asking"
    if late_address == 10:
        assert 100.0 in [value.value for value in values], "what answers in time is read"


def test_a_module_in_time_is_read_on_its_period_and_nothing_is_thrown_away() -> None:
    found, _ = run_slow_line(10, 0.2, 10.0)
    assert not any(isinstance(what, Fault) for what in found)
    assert [[v.value for v in what.values] for what in found if isinstance(what, Frame)] == [[100.0, 200.0]] * 20


@contextmanager
def quiet_line(timeout_s: float = 0.3) -> Iterator[tuple[ModbusSource, ManualClock, socket.socket]]:
    """A serial line on which the first request has had no answer within `timeout_s`."""
    clock = ManualClock()
    with listener() as far:
        url = f"socket://127.0.0.1:{far.port}"
        with source(clock=clock, serial_port=url, period_s=0.4, timeout_s=timeout_s) as one:
            until(one, link(LinkState.OPENING))
            one.poll(WAIT_S)
            plug = far.plugs()[0]
            assert len(plug.recv(64)) == 8
            found = pass_time(one, clock, timeout_s + 0.1)
            assert [what.kind for what in found if isinstance(what, Fault)] == [FaultKind.SILENT]
            plug.settimeout(0.0)
            yield one, clock, plug


def asked(plug: socket.socket) -> bool:
    try:
        return bool(plug.recv(64))
    except BlockingIOError:
        return False


def quiet_s(one: ModbusSource, clock: ManualClock, plug: socket.socket) -> float:
    """How long it is until the next request."""
    start_s = clock.monotonic_s()
    while not asked(plug):
        pass_time(one, clock, 0.1)
        assert clock.monotonic_s() < start_s + 60.0, "it never asks again"
    return clock.monotonic_s() - start_s


def test_the_answer_that_was_owed_brings_a_serial_line_into_step() -> None:
    with quiet_line() as (one, clock, plug):
        plug.sendall(rtu(999))
        found = until(one, fault(FaultKind.LATE))
        assert not any(frame(what) for what in found)
        assert quiet_s(one, clock, plug) == pytest.approx(0.4, abs=0.21)  # its timeout, then its period
        plug.sendall(rtu(231))
        assert first(until(one, frame), Frame).values[0].value == pytest.approx(23.1)


@pytest.mark.parametrize(("timeout_s", "silence_s"), [(0.3, 3.0), (0.5, 5.0)])
def test_else_a_serial_line_is_left_quiet_and_the_first_answer_thrown_away(timeout_s: float, silence_s: float) -> None:
    with quiet_line(timeout_s) as (one, clock, plug):
        assert quiet_s(one, clock, plug) == pytest.approx(silence_s, abs=0.41)  # and its period
        plug.sendall(rtu(999))  # is it the one that was owed, or the one just asked for?
        found = [what.what for _ in range(3) for what in one.poll(WAIT_S)]
        assert found == []
        assert quiet_s(one, clock, plug) == pytest.approx(timeout_s, abs=0.41)
        plug.sendall(rtu(231))
        assert first(until(one, frame), Frame).values[0].value == pytest.approx(23.1)


def test_an_answer_too_many_on_a_serial_line_puts_it_out_of_step() -> None:
    with quiet_line() as (one, clock, plug):
        for _ in range(2):
            plug.sendall(rtu(999))
            until(one, fault(FaultKind.LATE))
        pass_time(one, clock, 2.5)
        assert not asked(plug)


def test_two_answers_at_once_on_a_serial_line_are_none() -> None:
    with listener() as far, source(serial_port=f"socket://127.0.0.1:{far.port}") as one:
        until(one, link(LinkState.OPENING))
        one.poll(WAIT_S)
        far.plugs()[0].recv(64)
        far.plugs()[0].sendall(rtu(999) + rtu(231))
        found = until(one, fault(FaultKind.LATE)) + [what.what for _ in range(3) for what in one.poll(WAIT_S)]
    assert not any(frame(what) for what in found)


def test_another_modules_late_answer_does_not_bring_a_serial_line_into_step() -> None:
    with quiet_line() as (one, clock, plug):
        plug.sendall(rtu(999, device_id=7))
        until(one, fault(FaultKind.LATE))
        pass_time(one, clock, 2.4)
        assert not asked(plug)


def test_a_serial_server_that_hangs_up_may_deliver_the_answer_to_the_next_connection() -> None:
    clock = ManualClock()
    with listener() as far, source(clock=clock, serial_port=f"socket://127.0.0.1:{far.port}") as one:
        until(one, link(LinkState.OPENING))
        one.poll(WAIT_S)
        assert len(far.plugs()[0].recv(64)) == 8
        far.plugs()[0].close()
        until(one, link(LinkState.LOST))
        pass_time(one, clock, 2.5)  # two periods
        plug = far.plugs()[1]
        plug.settimeout(0.0)
        assert not asked(plug)
        plug.sendall(rtu(999))
        found = until(one, fault(FaultKind.LATE))
        assert not any(frame(what) for what in found)
        assert not asked(plug)


def test_a_serial_adapter_that_hears_itself() -> None:
    with listener() as far, source(serial_port=f"socket://127.0.0.1:{far.port}") as one:
        until(one, link(LinkState.OPENING))
        one.poll(WAIT_S)
        request = far.plugs()[0].recv(64)
        far.plugs()[0].sendall(request[:5])
        one.poll(WAIT_S)
        far.plugs()[0].sendall(request[5:] + bytes.fromhex("010402 00E7 F97A"))
        assert first(until(one, frame), Frame).values[0].value == pytest.approx(23.1)


def test_an_answer_to_another_request() -> None:
    with module() as device, source(port=device.port) as one:
        device.rewrite = lambda data: data[:7] + b"\x03" + data[8:]  # holding registers where input were asked for
        found = until(one, fault(FaultKind.GARBAGE))
    assert "answered another request" in first(found, Fault).text
    assert not any(frame(what) for what in found)


def test_answers_that_are_no_modbus() -> None:
    with listener() as far, source(port=far.port) as one:
        until(one, link(LinkState.OPENING))
        one.poll(WAIT_S)
        request = far.plugs()[0].recv(64)
        far.plugs()[0].sendall(request[:4] + b"\x00\x03\x01\x63\x00")  # a function nobody knows
        found = until(one, fault(FaultKind.GARBAGE))
        assert not any(frame(what) for what in found)
        far.plugs()[0].sendall(b"SSH-2.0-something\r\n")
        assert [w.kind for w in until_over(one) if isinstance(w, Fault)] == [FaultKind.SHORT_LINE]
        one.poll(WAIT_S)
        assert len(far.plugs()) == 2, "a stream out of step is begun anew"


def test_the_connection_is_lost_and_comes_back() -> None:
    clock = ManualClock()
    with module() as device, source(port=device.port, clock=clock) as one:
        until(one, frame)
        port = device.port
        device.stop()
        found = until(one, link(LinkState.LOST))
        assert "broke off" in first(found, Link).text
        found = pass_time(one, clock, 5.0)
        assert [what.state for what in found] == [LinkState.LOST], "nobody there, said once"
        assert "no module answers" in found[0].text
        with module(port=port) as back:
            back.put("input", 0, [500])
            found = until_back(one)
            back.stop()
            until(one, link(LinkState.LOST))
            assert one._retry_s - clock.monotonic_s() == pytest.approx(0.5), "once it worked, waits are short again"
    assert first(found, Link).state is LinkState.RUNNING
    assert first(found, Frame).values[0].value == pytest.approx(50.0)


def test_a_connection_is_tried_again_ever_less_often() -> None:
    clock, tries = ManualClock(), []
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
    with source(port=port, clock=clock) as one:
        wire_open = one._wire.open

        def counted(timeout_s: float) -> None:
            tries.append(clock.monotonic_s())
            wire_open(timeout_s)

        one._wire.open = counted  # type: ignore[method-assign]
        while clock.monotonic_s() < 40.0:
            one.poll(0.0)
            clock.sleep(0.1)
    assert [b - a for a, b in pairwise(tries)] == pytest.approx([0.5, 1.0, 2.0, 4.0, 8.0, 10.0, 10.0], abs=0.21)


def test_a_hundred_cut_connections() -> None:
    """Cut before, in and after question and answer, gently and with a reset; only whole answers give frames."""
    clock, frames, whole = ManualClock(), 0, 0
    with listener() as far, source(port=far.port, period_s=0.05, clock=clock) as one:
        for cut in range(100):
            before = len(far.plugs())
            while len(far.plugs()) == before:
                clock.sleep(0.5)
                frames += sum(frame(arrival.what) for arrival in one.poll(0.0))
                assert clock.monotonic_s() < 2000.0, "it did not connect again"
            plug = far.plugs()[-1]
            if cut % 4:
                request = plug.recv(64)
                if cut % 4 == 2:
                    plug.sendall(request[:4] + b"\x00\x05\x01")
                elif cut % 4 == 3:
                    answer(plug, request, 231)
                    whole += 1
                    frames += sum(frame(what) for what in until(one, frame))
            if cut % 2:
                plug.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
            plug.close()
    assert (frames, whole) == (25, 25)


def test_nobody_there() -> None:
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
    with source(port=port) as one:
        said = until(one, link(LinkState.LOST))[-1].text
    assert said.startswith(f"no module answers at 127.0.0.1:{port}")


def test_no_such_serial_port() -> None:
    with source(serial_port="/dev/no-such-port") as one:
        assert "/dev/no-such-port" in until(one, link(LinkState.LOST))[-1].text


@needs_pty
def test_a_second_program_on_the_port() -> None:
    import serial

    with serial_pair() as (near, _), source(serial_port=near, parity="none") as one:
        with serial.Serial(near, exclusive=True):
            assert "in use by another program" in until(one, link(LinkState.BUSY))[-1].text
        one._clock.sleep(1.0)
        one.poll(WAIT_S)
        assert one._open


@needs_pty
def test_settings_that_a_port_refuses_are_named(monkeypatch: pytest.MonkeyPatch) -> None:
    """As an adapter without parity does: Linux's tcsetattr gives EINVAL, which pyserial lets through as it is."""
    import termios

    set_port = termios.tcsetattr

    def without_parity(fd: int, when: int, attributes: list[Any]) -> None:
        if attributes[2] & termios.PARENB:
            raise termios.error(22, "Invalid argument")
        set_port(fd, when, attributes)

    monkeypatch.setattr(termios, "tcsetattr", without_parity)
    clock = ManualClock()
    with serial_pair() as (near, _), source(clock=clock, serial_port=near, parity="even") as one:
        said = until(one, link(LinkState.LOST))[-1].text
        again = pass_time(one, clock, 8.0)
    assert said == (
        f"{near} cannot be opened with 9600 baud, parity even and 1 stop bits ((22, 'Invalid argument')): choose a "
        "baud, parity and stop_bits that this port can do, on the module too; it is tried again"
    )
    assert again == [], "said once"


@needs_pty
def test_a_serial_adapter_pulled_and_put_back(tmp_path: Path) -> None:
    plug = tmp_path / "port"
    with ExitStack() as cable:
        near, far = cable.enter_context(serial_pair())
        device = cable.enter_context(module(serial_port=far))
        plug.symlink_to(near)
        with source(serial_port=str(plug), parity="none", baud=19200) as one:
            until(one, frame)
            device.stop()
            plug.unlink()
            cable.close()
            found = until(one, link(LinkState.LOST))
            assert not any(frame(what) for what in found)
            with serial_pair() as (near, far), module(serial_port=far) as device:
                plug.symlink_to(near)
                device.put("input", 0, [500])
                found = until_back(one)
                one.close()
    assert [what.state for what in found if isinstance(what, Link)][-1] is LinkState.RUNNING
    assert first(found, Frame).values[0].value == pytest.approx(50.0)


def test_closed_before_it_was_ever_polled() -> None:
    with source(serial_port="/dev/no-such-port") as one:
        one.close()
        assert one.poll(0.0) == []


def test_a_poll_never_waits_longer_than_it_may() -> None:
    with listener() as far, source(port=far.port, timeout_s=5.0, clock=SystemClock()) as one:
        one.poll(0.0)
        for wait_s in (0.0, 0.01, 0.03):
            assert shortest_poll_s(one, wait_s) < wait_s + 0.02


def test_closing_twice_and_polling_after() -> None:
    with module() as device, source(port=device.port) as one:
        until(one, frame)
        one.close()
        one.close()
        assert one.poll(0.0) == []


def test_arrivals_are_stamped_by_the_clock() -> None:
    clock = ManualClock()
    clock.sleep(3.0)
    with module() as device, source(port=device.port, clock=clock) as one:
        arrivals: list[Arrival] = []
        while not any(isinstance(a.what, Frame) for a in arrivals):
            arrivals += one.poll(WAIT_S)
    assert {a.monotonic_s for a in arrivals} == {3.0}
    assert {a.utc for a in arrivals} == {clock.utc()}


def test_waits_double_up_to_the_longest_and_begin_again() -> None:
    waits = Backoff(0.3, 2.0)
    assert [waits.again() for _ in range(5)] == [0.3, 0.6, 1.2, 2.0, 2.0]
    waits.reset()
    assert waits.again() == 0.3
    for first_s, longest_s in ((0.0, 1.0), (2.0, 1.0), (math.nan, 1.0)):
        with pytest.raises(ValueError, match="expected 0 < first <= longest"):
            Backoff(first_s, longest_s)
