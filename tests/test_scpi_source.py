"""SCPI instruments: maps, answers, a simulated instrument (pyvisa-sim), and a socket and a serial line that speak SCPI
through pyvisa-py.
"""

from __future__ import annotations

import contextlib
import gc
import os
import socket
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from functools import partial
from pathlib import Path
from typing import Any

import pytest

import source_polls
from logger.clock import ManualClock, SystemClock
from logger.reading import Fault, FaultKind, Frame, Link, LinkState, State, Value
from logger.scpi_answers import error_in, is_identity, values_in
from logger.scpi_map import ScpiMap, read_scpi_map
from logger.scpi_source import ScpiSource
from modbus_modules import serial_pair
from source_polls import fault, first, frame, link, shortest_poll_s
from thermal.fields import InputError

TIMEOUT_S = 0.05  # the shortest a map may state
IDENTITY = "Example,Scanner,0001,1.0"
MEASURE = "MEAS:TEMP? TC,K,(@101:103)"
until = partial(source_polls.until, wait_s=1.0)  # its clock moves on by as much


def channel(name: str = "tc_1", **changes: Any) -> dict[str, Any]:
    return {"name": name, "unit": "C"} | changes


def instrument(*channels: dict[str, Any], **changes: Any) -> ScpiMap:
    head = {"resource": "TCPIP::localhost::5025::SOCKET", "measure": MEASURE, "timeout_s": TIMEOUT_S}
    return read_scpi_map({"instrument": head | changes, "channel": list(channels) or [channel()]}, "i.toml")


def test_what_is_not_said_has_a_stated_default() -> None:
    found = read_scpi_map(
        {"instrument": {"resource": "ASRL3::INSTR", "measure": "READ?"}, "channel": [channel()]}, "i.toml"
    )
    assert (found.identify, found.errors, found.setup, found.identity) == ("*IDN?", "SYST:ERR?", (), "")
    assert (found.period_s, found.timeout_s, found.line_end, found.baud, found.parity) == (1.0, 2.0, "\n", 9600, "none")


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"resource": "192.0.2.1"}, "resource = '192.0.2.1': expected a VISA resource"),
        ({"measure": "READ"}, "measure = 'READ': expected a query"),
        ({"measure": "READ?\n*RST"}, "measure = .*: expected a command on one line"),
        ({"setup": ["*CLS", "READ?"]}, r"setup\[1\] = 'READ\?': expected a command without"),
        ({"setup": "*CLS"}, "setup = .*: expected a list"),
        ({"setup": [1]}, r"setup\[0\] = 1"),
        ({"timeout_s": 0}, "timeout_s = 0"),
        ({"line_end": "none"}, "line_end = 'none': expected one of lf, crlf, cr"),
        ({"mesure": "READ?"}, r"mesure = .* not known \(did you mean measure\?\)"),
    ],
)
def test_refused(changes: dict[str, Any], said: str) -> None:
    with pytest.raises(InputError, match=r"^i\.toml: instrument\." + said):
        instrument(**changes)


def test_channels_of_a_map_are_refused_as_in_other_maps() -> None:
    with pytest.raises(InputError, match="'tc_1' is there twice"):
        instrument(channel(), channel())
    with pytest.raises(InputError, match="address = 0 is not known"):
        instrument(channel(address=0))
    with pytest.raises(InputError, match="open_codes"):
        instrument(channel(open_codes=["open"]))


@pytest.mark.parametrize(
    ("cell", "codes", "expected"),
    [
        ("+2.31000E+01", [], 23.1),
        (" 23.1 ", [], 23.1),
        (".5", [], 0.5),
        ("-1e2", [], -100.0),
        # SCPI-1999, volume 1, 7.2.1: infinity is sent as 9.9E37, its negative as -9.9E37, "not a number" as 9.91E37
        ("+9.90000000E+37", [], State.OUT_OF_RANGE),
        ("-9.9E37", [], State.OUT_OF_RANGE),
        ("+9.91000000E+37", [], State.MISSING),
        ("+9.90000000E+37", [9.9e37], State.OPEN),
        ("+9.91E37", [9.9e37], State.MISSING),
        ("INF", [], State.OUT_OF_RANGE),
        ("nan", [], State.MISSING),
        ("1E400", [], State.OUT_OF_RANGE),
        ("2000", [], State.OUT_OF_RANGE),
    ],
)
def test_numbers_and_what_stands_for_them(cell: str, codes: list[float], expected: float | State) -> None:
    one = instrument(channel(open_codes=codes) if codes else channel())
    value = None if isinstance(expected, State) else expected
    state = expected if isinstance(expected, State) else State.OK
    assert values_in(cell, one) == (Value("tc_1", "C", value, state),)


@pytest.mark.parametrize("line", ["1,2", "", "23.1 C", "1_0", "0x10", "+23.1E", "٣"])
def test_answers_that_give_nothing(line: str) -> None:
    assert isinstance(values_in(line, instrument()), Fault)


def test_volts_become_microvolts_with_their_junction() -> None:
    one = instrument(channel("tc", unit="uV", scale=1e6, cold_junction="cj"), channel("cj"))
    tc, _ = values_in("+1.203E-03,25.0", one)  # type: ignore[misc]
    assert (tc.value, tc.cold_junction_c) == (pytest.approx(1203.0), 25.0)


def test_errors_and_identities_are_told_from_readings() -> None:
    assert error_in('-113,"Undefined header"') == (-113, "Undefined header")
    assert error_in('+0,"No error"') == (0, "No error")
    assert error_in("+2.3E+01,+2.4E+01") is None
    assert error_in("23,24") is None
    assert is_identity(IDENTITY)
    assert not is_identity("+2.3E+01,+2.4E+01,+2.4E+01,+2.4E+01")


@contextmanager
def source(one: ScpiMap, backend: str = "@py") -> Iterator[ScpiSource]:
    asked = ScpiSource(one, ManualClock(), backend=backend)
    try:
        yield asked
    finally:
        asked.close()
        assert asked._thread is None or not asked._thread.is_alive()


SIMULATED = """
spec: "1.0"
devices:
  scanner:
    eom:
      TCPIP SOCKET: {q: "\\n", r: "\\n"}
    error:
      error_queue:
        - {q: "SYST:ERR?", default: '+0,"No error"', command_error: '-113,"Undefined header"'}
    dialogues:
      - {q: "*IDN?", r: "Example,Scanner,0001,1.0"}
      - {q: "*CLS"}
      - {q: "MEAS:TEMP? TC,K,(@101:103)", r: "+2.31000000E+01,+9.90000000E+37,+9.91000000E+37"}
resources:
  TCPIP::localhost::5025::SOCKET: {device: scanner}
"""
THREE = (channel("tc_1"), channel("tc_2", open_codes=[9.9e37]), channel("tc_3"))


@pytest.fixture
def simulated(tmp_path: Path) -> str:
    pytest.importorskip("pyvisa_sim", reason="pyvisa-sim is not installed")
    (tmp_path / "scanner.yaml").write_text(SIMULATED, "utf-8")
    return f"{tmp_path / 'scanner.yaml'}@sim"


def test_a_simulated_instrument_is_read(simulated: str) -> None:
    with source(instrument(*THREE, setup=["*CLS"], identity="Scanner"), simulated) as one:
        found = until(one, frame)
        assert [what.state for what in found if isinstance(what, Link)] == [LinkState.OPENING, LinkState.RUNNING]
        assert first(found, Frame).values == (
            Value("tc_1", "C", 23.1),
            Value("tc_2", "C", None, State.OPEN),
            Value("tc_3", "C", None, State.MISSING),
        )
        assert until(one, frame) == [first(found, Frame)]


def test_a_simulated_instrument_that_knows_no_such_query(simulated: str) -> None:
    with source(instrument(measure="MEAS:TMEP?"), simulated) as one:
        found = until(one, fault(FaultKind.REFUSED))
    assert "-113 (Undefined header): it does not understand a command" in first(found, Fault).text
    assert not any(frame(what) for what in found)


def test_a_simulated_instrument_that_refuses_its_setup(simulated: str) -> None:
    with source(instrument(*THREE, setup=["CONF:TMEP"]), simulated) as one:
        found = until(one, frame)
    assert [what.kind for what in found if isinstance(what, Fault)] == [FaultKind.REFUSED]


def test_a_simulated_instrument_with_other_channels(simulated: str) -> None:
    with source(instrument(channel()), simulated) as one:
        found = until(one, fault(FaultKind.WRONG_COUNT))
    assert "sent 3 values and 1 channels are in the map" in first(found, Fault).text


def test_another_instrument_than_the_map_says(simulated: str) -> None:
    with source(instrument(*THREE, identity="Other"), simulated) as one:
        found = until(one, fault(FaultKind.FOREIGN))
    assert f"'{IDENTITY}' answers" in first(found, Fault).text


class Scanner:
    """A SCPI instrument behind a TCP port: one client at a time, a command a line, an error queue."""

    def __init__(self, port: int = 0) -> None:
        self.answers = {"*IDN?": IDENTITY, MEASURE: "+2.31E+01"}
        self.errors: list[str] = []
        self.heard: list[str] = []
        self.held: list[str] = []  # answers kept back, sent before the next one
        self.hold = self.mute = False
        self._server = socket.create_server(("127.0.0.1", port))
        self.port = self._server.getsockname()[1]
        self._plug: socket.socket | None = None
        self._thread = threading.Thread(target=self._serve, daemon=True)
        self._thread.start()

    def _serve(self) -> None:
        while True:
            try:
                self._plug, _ = self._server.accept()
            except OSError:
                return
            with contextlib.suppress(OSError), self._plug, self._plug.makefile("rwb") as lines:
                for line in lines:
                    for answer in self.answer(line.decode().strip()):
                        lines.write(answer.encode() + b"\n")
                    lines.flush()

    def answer(self, command: str) -> list[str]:
        self.heard.append(command)
        if self.mute:
            return []
        if command == "SYST:ERR?":
            held, self.held = self.held, []
            return [*held, self.errors.pop(0) if self.errors else '+0,"No error"']
        if command not in self.answers:
            if command != "*CLS":
                self.errors.append('-113,"Undefined header"')
            return []
        if self.hold and command == MEASURE:
            self.held.append(self.answers[command])
            return []
        return [self.answers[command]]

    def off(self) -> None:
        with contextlib.suppress(OSError):
            self._server.shutdown(socket.SHUT_RDWR)
        self._server.close()
        if self._plug is not None:
            with contextlib.suppress(OSError):
                self._plug.shutdown(socket.SHUT_RDWR)
        self._thread.join(60.0)


@contextmanager
def scanner(port: int = 0) -> Iterator[Scanner]:
    one = Scanner(port)
    try:
        yield one
    finally:
        one.off()


def at(one: Scanner, *channels: dict[str, Any], **changes: Any) -> ScpiMap:
    return instrument(*channels, resource=f"TCPIP::127.0.0.1::{one.port}::SOCKET", **changes)


def test_read_over_a_socket_on_its_period() -> None:
    with scanner() as far, source(at(far, setup=["*CLS"], period_s=0.5)) as one:
        stamps: list[float] = []
        while len(stamps) < 4:
            stamps += [a.monotonic_s for a in one.poll(1.0) if frame(a.what)]
        assert far.heard[:5] == ["*IDN?", "*CLS", "SYST:ERR?", MEASURE, MEASURE]
    assert stamps == pytest.approx([0.0, 0.5, 1.0, 1.5])


def test_errors_are_read_after_trouble_until_the_queue_is_empty() -> None:
    with scanner() as far, source(at(far)) as one:
        far.answers[MEASURE] = "1,2"
        far.errors = ['-222,"Data out of range"', '-310,"System error"']
        found = until(one, lambda what: isinstance(what, Fault) and "-310" in what.text)
        assert [what.kind for what in found if isinstance(what, Fault)] == [
            FaultKind.WRONG_COUNT, FaultKind.REFUSED, FaultKind.REFUSED,
        ]  # fmt: skip
        far.answers[MEASURE] = "+5.0E+01"
        assert first(until(one, frame), Frame).values == (Value("tc_1", "C", 50.0),)
    assert far.errors == []


def test_an_answer_that_comes_late_is_not_taken_for_the_next() -> None:
    with scanner() as far, source(at(far)) as one:
        far.hold = True
        found = until(one, fault(FaultKind.LATE))
        assert "make timeout_s longer" in first(found, Fault).text
        assert not any(frame(what) for what in found)
        far.hold = False
        far.answers[MEASURE] = "+5.0E+01"
        assert first(until(one, frame), Frame).values[0].value == 50.0


def test_an_instrument_that_measures_nothing_and_reports_no_error() -> None:
    with scanner() as far, source(at(far, measure="FETC?")) as one:
        far.answers["FETC?"] = "never sent"
        far.answer = lambda command: [] if command == "FETC?" else Scanner.answer(far, command)  # type: ignore[method-assign]
        found = until(one, fault(FaultKind.SILENT))
    assert "reports no error: make timeout_s longer" in first(found, Fault).text


def test_a_mute_instrument_is_said_and_comes_back() -> None:
    with scanner() as far, source(at(far, setup=["*CLS"])) as one:
        until(one, frame)
        far.mute = True
        found = until(one, link(LinkState.SILENT))
        assert any(fault(FaultKind.SILENT)(what) for what in found)
        assert not any(frame(what) for what in found)
        far.mute, far.heard = False, []
        found = until(one, frame)
        assert far.heard[-4:] == ["*IDN?", "*CLS", "SYST:ERR?", MEASURE], "it may have forgotten its setup"
    assert first(found, Link).state is LinkState.RUNNING


def test_switched_off_and_on_again() -> None:
    with scanner() as far, source(at(far)) as one:
        until(one, frame)
        port = far.port
        far.off()
        found = until(one, link(LinkState.LOST))
        assert "check that the instrument is on" in found[-1].text
        assert not any(frame(what) for what in found)
        with scanner(port) as back:
            back.answers[MEASURE] = "+5.0E+01"
            assert first(until(one, frame), Frame).values[0].value == 50.0


def test_something_that_is_no_instrument() -> None:
    with scanner() as far, source(at(far)) as one:
        far.answers["*IDN?"] = "220 ready"
        found = until(one, fault(FaultKind.FOREIGN))
    assert "'220 ready' answers" in first(found, Fault).text


def test_nobody_there() -> None:
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
    with source(instrument(resource=f"TCPIP::127.0.0.1::{port}::SOCKET")) as one:
        assert str(port) in until(one, link(LinkState.LOST))[-1].text


@pytest.mark.parametrize("resource", ["NONSENSE::1", "ASRL/dev/no-such-port::INSTR"])
def test_no_such_resource(resource: str) -> None:
    with source(instrument(resource=resource)) as one:
        assert resource in until(one, link(LinkState.LOST))[-1].text


@pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")  # pyvisa-py leaves its socket to the gc
def test_no_such_host() -> None:
    with source(instrument(resource="TCPIP::no.such.host.invalid::1::SOCKET")) as one:
        assert "no.such.host.invalid" in until(one, link(LinkState.LOST))[-1].text
    del one
    gc.collect()


def test_without_pyvisa_it_says_what_to_install(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "pyvisa", None)
    with source(instrument()) as one:
        assert "extra 'scpi'" in until(one, link(LinkState.LOST))[-1].text


@pytest.mark.skipif(sys.platform == "win32", reason="Windows has no pseudo-terminals")
def test_read_over_a_serial_line() -> None:
    with serial_pair() as (near, far):
        device = Scanner.__new__(Scanner)
        device.answers, device.errors, device.heard, device.held = {"*IDN?": IDENTITY, MEASURE: "+2.31E+01"}, [], [], []
        device.hold = device.mute = False
        fd = os.open(far, os.O_RDWR | os.O_NOCTTY)

        def serve() -> None:
            rest = b""
            while not rest.endswith(b"bye"):
                *lines, rest = (rest + os.read(fd, 256)).split(b"\r\n")
                for line in lines:
                    for answer in device.answer(line.decode()):
                        os.write(fd, answer.encode() + b"\r\n")

        thread = threading.Thread(target=serve, daemon=True)
        thread.start()
        with source(instrument(resource=f"ASRL{near}::INSTR", line_end="crlf", baud=19200, timeout_s=1.0)) as one:
            found = until(one, frame)
        assert first(found, Frame).values == (Value("tc_1", "C", 23.1),)
        goodbye = os.open(near, os.O_RDWR | os.O_NOCTTY)
        os.write(goodbye, b"bye")
        thread.join(60.0)
        os.close(goodbye)
        os.close(fd)


def test_a_poll_never_waits_longer_than_it_may() -> None:
    with scanner() as far:
        far.mute = True
        one = ScpiSource(at(far, timeout_s=0.3), SystemClock())
        one.poll(0.0)
        for wait_s in (0.0, 0.01, 0.03):
            assert shortest_poll_s(one, wait_s) < wait_s + 0.02
        one.close()
        one.close()
        assert one.poll(0.0) == []
