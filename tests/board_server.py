"""A board behind a TCP port on 127.0.0.1, for tests: a thread that speaks only when it is asked."""

from __future__ import annotations

import contextlib
import random
import socket
import struct
import sys
import threading
from collections.abc import Callable
from types import TracebackType
from typing import Self

from serial import rfc2217, serial_for_url

from board_lines import BANNER_LINE, data_line

WINDOWS = sys.platform == "win32"
Talk = Callable[[socket.socket], None]


class Server:
    """Accepts one connection after another, lets `talk` have each, and hangs up after it."""

    def __init__(self, talk: Talk) -> None:
        self._talk = talk
        self._listener = socket.socket()
        self._listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        self._listener.bind(("127.0.0.1", 0))
        self.port: int = self._listener.getsockname()[1]
        self.url = f"socket://127.0.0.1:{self.port}"
        self.errors: list[BaseException] = []
        self._listener.listen()
        self._thread = threading.Thread(target=self._serve, daemon=True)
        self._thread.start()

    def _serve(self) -> None:
        while True:
            try:
                connection, _ = self._listener.accept()
            except OSError:
                return
            with connection, contextlib.suppress(ConnectionError):
                connection.settimeout(60.0)
                try:
                    self._talk(connection)
                except (ConnectionError, TimeoutError):
                    pass
                except BaseException as error:
                    self.errors.append(error)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        with contextlib.suppress(OSError):
            self._listener.shutdown(socket.SHUT_RDWR)
        self._listener.close()
        self._thread.join(60.0)
        assert self.errors == []


def until_asked(connection: socket.socket) -> None:
    """Wait for the question for the banner."""
    heard = b""
    while b"?\n" not in heard:
        data = connection.recv(100)
        if not data:
            raise ConnectionResetError
        heard += data


def until_left(connection: socket.socket) -> None:
    """Wait until the other end hangs up."""
    while connection.recv(100):
        pass


class Board:
    """Answers the question with its banner and `count` lines that go on counting.

    With `cut`, that many bytes of one more line follow and it hangs up, `abrupt` with what is under way thrown away.
    """

    def __init__(self, count: Callable[[], int], cut: Callable[[int], int] | None = None, abrupt: bool = False) -> None:
        self._count, self._cut, self._abrupt = count, cut, abrupt
        self.number = 0
        self.sent: list[int] = []  # numbers of the lines that went out whole

    def __call__(self, connection: socket.socket) -> None:
        until_asked(connection)
        connection.sendall(BANNER_LINE)
        count = self._count()
        connection.sendall(b"".join(data_line(self.number + i) for i in range(count)))
        self.sent += range(self.number, self.number + count)
        self.number += count
        if self._cut is None:
            until_left(connection)
            return
        line = data_line(self.number)
        connection.sendall(line[: self._cut(len(line))])
        self.number += 1
        if self._abrupt:
            connection.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("hh" if WINDOWS else "ii", 1, 0))
            return
        connection.shutdown(socket.SHUT_WR)
        until_left(connection)


def pulled_at_random(seed: int, abrupt: bool = False) -> Board:
    draw = random.Random(seed)
    return Board(lambda: draw.randint(0, 12), lambda length: draw.randrange(length), abrupt)


def rfc2217_talk(board_says: Callable[[bytes], bytes]) -> Talk:
    """A serial server by RFC 2217 (pyserial's own) before a loop:// port, behind which a board answers."""

    def talk(connection: socket.socket) -> None:
        class Wire:
            def write(self, data: bytes) -> None:
                connection.sendall(data)

        with serial_for_url("loop://", timeout=0) as port:
            manager = rfc2217.PortManager(port, Wire())  # type: ignore[arg-type]  # the stubs ask for more than is used
            while data := connection.recv(1024):
                heard = b"".join(manager.filter(data))
                if heard:
                    port.write(board_says(heard))
                    while waiting := port.in_waiting:
                        connection.sendall(b"".join(manager.escape(port.read(waiting))))

    return talk
