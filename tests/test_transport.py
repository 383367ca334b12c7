"""Transports against what really speaks: a TCP server, a pair of pseudo terminals, a serial server by RFC 2217."""

from __future__ import annotations

import os
import socket
import subprocess
import sys
from collections.abc import Iterator

import pytest
import serial

from board_server import Server, rfc2217_talk, until_asked, until_left
from logger.tcp import TcpTransport
from logger.transport import (
    NoSuchPort,
    PortBusy,
    SerialTransport,
    Transport,
    TransportLost,
    open_transport,
)


def read_until(transport: Transport, end: bytes) -> bytes:
    data = b""
    for _ in range(200):
        data += transport.read(0.02)
        if data.endswith(end):
            return data
    raise AssertionError(f"only {data!r} came")


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


# TCP


def answer(connection: socket.socket) -> None:
    until_asked(connection)
    connection.sendall(b"hello\n")
    until_left(connection)


def test_tcp_there_and_back() -> None:
    with Server(answer) as server:
        transport = open_transport(server.url, 115200)
        assert isinstance(transport, TcpTransport)
        assert transport.read(0.0) == b""
        assert transport.read(0.01) == b""
        transport.write(b"?\n")
        assert read_until(transport, b"\n") == b"hello\n"
        transport.close()
        transport.close()
        with pytest.raises(TransportLost, match="broke off"):
            transport.read(0.0)


def test_tcp_keeps_what_is_said_at_once() -> None:
    def greet(connection: socket.socket) -> None:
        connection.sendall(b"early\n")
        until_left(connection)

    with Server(greet) as server:
        transport = open_transport(server.url, 115200)
        assert read_until(transport, b"\n") == b"early\n"
        transport.close()


def test_tcp_gives_the_last_bytes_before_it_tells_of_the_end() -> None:
    def leave(connection: socket.socket) -> None:
        connection.sendall(b"last")

    with Server(leave) as server:
        transport = open_transport(server.url, 115200)
        assert read_until(transport, b"last") == b"last"
        with pytest.raises(TransportLost, match=r"socket://127.* broke off .*hung up.*: check the network cable"):
            read_until(transport, b"more")
        transport.close()


def test_tcp_nobody_there() -> None:
    url = f"socket://127.0.0.1:{free_port()}"
    with pytest.raises(NoSuchPort, match=r"nobody answers at socket://127\.0\.0\.1:\d+ .*: check that the board"):
        open_transport(url, 115200)


@pytest.mark.parametrize("url", ["socket://", "socket://127.0.0.1", "socket://127.0.0.1:99999", "socket://:x"])
def test_tcp_address_that_is_none(url: str) -> None:
    with pytest.raises(NoSuchPort, match=r"is no address .*: expected socket://HOST:PORT"):
        open_transport(url, 115200)


def test_tcp_does_not_connect_to_itself(monkeypatch: pytest.MonkeyPatch) -> None:
    def to_itself(address: tuple[str, int], timeout: float) -> socket.socket:
        caller = socket.socket()
        caller.bind(("127.0.0.1", 0))
        caller.connect(caller.getsockname())
        return caller

    monkeypatch.setattr(socket, "create_connection", to_itself)
    with pytest.raises(NoSuchPort, match="nobody answers"):
        TcpTransport("socket://127.0.0.1:1")


# pyserial


def test_loop() -> None:
    transport = open_transport("loop://", 115200)
    assert isinstance(transport, SerialTransport)
    assert transport.read(0.0) == b""
    transport.write(b"ab\n")
    assert transport.read(0.02) == b"ab\n"
    transport.close()
    transport.close()
    with pytest.raises(TransportLost, match="broke off"):
        transport.read(0.0)
    with pytest.raises(TransportLost, match="broke off"):
        transport.write(b"x")


@pytest.mark.parametrize(
    ("url", "says"),
    [
        ("no-such-port", "there is no port no-such-port: plug the board in"),
        ("bogus://x", "bogus://x at 115200 baud cannot be opened .*: check the name"),
        ("rfc2217://127.0.0.1", "cannot be opened"),
    ],
)
def test_no_such_port(url: str, says: str) -> None:
    with pytest.raises(NoSuchPort, match=says):
        SerialTransport(url, 115200)


@pytest.mark.parametrize(
    ("error", "expected", "says"),
    [
        # Words and numbers as pyserial 3.5 makes them on Windows (serialwin32.py) and elsewhere (serialposix.py).
        (
            serial.SerialException("could not open port 'COM3': PermissionError(13, 'Access is denied.', None, 5)"),
            PortBusy,
            "COM3 is in use by another program: close that program",
        ),
        (
            serial.SerialException(
                "could not open port 'COM3': FileNotFoundError(2, 'The system cannot find the file.', None, 2)"
            ),
            NoSuchPort,
            "there is no port COM3",
        ),
        (
            serial.SerialException(16, "could not open port COM3: [Errno 16] Device or resource busy"),
            PortBusy,
            "in use",
        ),
        (serial.SerialException(11, "Could not exclusively lock port COM3"), PortBusy, "in use"),
        (serial.SerialException(13, "could not open port COM3: [Errno 13] Permission denied"), NoSuchPort, "dialout"),
        (serial.SerialException(19, "could not open port COM3: [Errno 19] No such device"), NoSuchPort, "no port COM3"),
        (ValueError("Not a valid baudrate: -1"), NoSuchPort, "COM3 at -1 baud cannot be opened .*baud rate"),
    ],
)
def test_errors_of_opening(
    monkeypatch: pytest.MonkeyPatch, error: Exception, expected: type[Exception], says: str
) -> None:
    def refuse(url: str, **options: object) -> None:
        raise error

    monkeypatch.setattr(serial, "serial_for_url", refuse)
    with pytest.raises(expected, match=says):
        SerialTransport("COM3", -1)


@pytest.mark.skipif(sys.platform == "win32", reason="this system has no /dev")
def test_a_file_that_is_no_serial_port_is_told_as_such() -> None:
    with pytest.raises(NoSuchPort, match=r"^/dev/null is no serial port: correct the name of the port$"):
        SerialTransport("/dev/null", 9600)


def test_imports_without_terminals() -> None:
    """Windows has neither pty nor termios; with pyserial's Windows half out of reach, ours alone is looked at."""
    code = (
        "import sys, types\n"
        "fake = types.ModuleType('serial'); sys.modules['serial'] = fake\n"
        "for name in ('pty', 'termios', 'fcntl', 'tty'): sys.modules[name] = None\n"
        "import logger.board_source, logger.transport\n"
    )
    subprocess.run([sys.executable, "-c", code], check=True, timeout=60)


@pytest.fixture
def terminals() -> Iterator[tuple[int, str]]:
    """A pseudo terminal: the board's end as a file number, the PC's end by its name."""
    import tty

    board, computer = os.openpty()
    tty.setraw(board)
    tty.setraw(computer)
    name = os.ttyname(computer)
    os.close(computer)
    try:
        yield board, name
    finally:
        os.close(board)


terminals_only = pytest.mark.skipif(sys.platform == "win32", reason="this system has no pseudo terminals")


@terminals_only
def test_serial_there_and_back(terminals: tuple[int, str]) -> None:
    board, name = terminals
    transport = SerialTransport(name, 115200)
    transport.write(b"?\n")
    assert os.read(board, 100) == b"?\n"
    os.write(board, b"d 0 1\r\nd 1 2\r\n")
    assert read_until(transport, b"2\r\n") == b"d 0 1\r\nd 1 2\r\n"
    assert transport.read(0.02) == b""
    transport.close()


@terminals_only
def test_serial_second_program(terminals: tuple[int, str]) -> None:
    board, name = terminals
    first = SerialTransport(name, 115200)
    with pytest.raises(PortBusy, match=rf"{name} is in use by another program"):
        SerialTransport(name, 115200)
    first.close()
    second = SerialTransport(name, 115200)
    os.write(board, b"x\n")
    assert read_until(second, b"\n") == b"x\n"
    second.close()


@terminals_only
def test_serial_cable_pulled() -> None:
    import tty

    board, computer = os.openpty()
    tty.setraw(computer)
    transport = SerialTransport(os.ttyname(computer), 115200)
    os.close(computer)
    os.close(board)
    with pytest.raises(TransportLost, match=r"broke off .*: check cable and plug"):
        transport.read(0.02)
    transport.close()


@pytest.mark.filterwarnings("ignore:set(Daemon|Name).*:DeprecationWarning")  # in pyserial 3.5's own threads
def test_rfc2217() -> None:
    with Server(rfc2217_talk(lambda heard: b"heard " + heard)) as server:
        transport = open_transport(f"rfc2217://127.0.0.1:{server.port}", 9600)
        assert transport.read(0.0) == b""
        transport.write(b"?\xff\n")
        assert read_until(transport, b"\n") == b"heard ?\xff\n"
        transport.close()
