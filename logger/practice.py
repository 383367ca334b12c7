"""The practice oven on a wire: a TCP server on loopback that speaks as a serial text board.

It is reached as `socket://127.0.0.1:PORT` through the same path as a board on a cable, on every system. It waits for
the PC's `?` before it says anything, since a PC that has just connected first throws away what lies in the line.
"""

from __future__ import annotations

import os
import socket
import threading
from collections.abc import Sequence
from types import TracebackType
from typing import Self

from logger.clock import Clock
from logger.practice_board import PracticeBoard
from logger.practice_faults import Fault

HOST = "127.0.0.1"
#: A PC that does not read is dropped when this much waits for it, bytes.
_MOST_WAITING = 1_000_000
#: Longest wait of the server in seconds of its clock: how soon it notices a question or its own end.
_WAIT_S = 0.2


class PracticeServer:
    """Serves a practice board to one PC at a time; a second one is sent away, as from a port in use.

    Args:
        board: what is served. clock: paces it; practice time starts at `start`. port: 0 takes a free one.
    """

    def __init__(self, board: PracticeBoard, clock: Clock, port: int = 0) -> None:
        self._board, self._clock = board, clock
        self._listener: socket.socket | None = _listen(port)
        self.port: int = self._listener.getsockname()[1]
        self._pc: socket.socket | None = None
        self._asked = False
        self._waiting = b""
        self._lock = threading.Lock()
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, name="practice oven", daemon=True)
        self._start_s = clock.monotonic_s()
        self._error: Exception | None = None

    @property
    def url(self) -> str:
        """Where a PC finds the board."""
        return f"socket://{HOST}:{self.port}"

    @property
    def time_s(self) -> float:
        """Seconds of practice since the start."""
        return self._clock.monotonic_s() - self._start_s

    def start(self) -> Self:
        """Begin to serve and to heat."""
        self._start_s = self._clock.monotonic_s()
        self._thread.start()
        return self

    def press(self, name: str) -> None:
        """Press a button of the board: what the technician does is marked on the wire."""
        with self._lock:
            self._board.press(name)

    def add_faults(self, faults: Sequence[Fault]) -> None:
        """More that goes wrong; times from the start of practice."""
        with self._lock:
            self._board.add_faults(faults)

    def check(self) -> None:
        """Raise what went wrong in the model, where something did."""
        if self._error is not None:
            raise self._error

    def close(self) -> None:
        """End, and free the port; may be called twice."""
        self._stop.set()
        if self._thread.is_alive():
            self._thread.join()
        self._hang_up()
        if self._listener is not None:
            self._listener.close()
            self._listener = None

    def __enter__(self) -> Self:
        return self.start()

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    # ------------------------------------------------------------ the thread

    def _run(self) -> None:
        try:
            self._serve()
        except Exception as error:  # raised again by `check`: a thread that ends in silence looks like a dead cable
            self._error = error

    def _serve(self) -> None:
        while not self._stop.is_set():
            with self._lock:
                said = self._board.due(self.time_s)
                wait_s = self._board.next_s - self.time_s
            for at_s, data in said:
                self._cable(self._board.cable_out(at_s))
                if self._asked:
                    self._waiting += data
            self._meet()
            self._listen_to_pc()
            self._send()
            self._clock.sleep(min(max(wait_s, 0.0), _WAIT_S))

    def _cable(self, out: bool) -> None:
        if out and self._listener is not None:
            self._hang_up()
            self._listener.close()
            self._listener = None
        elif not out and self._listener is None:
            try:
                self._listener = _listen(self.port)
            except OSError:
                return  # the system has not let go of the port yet: tried again with the next line

    def _meet(self) -> None:
        if self._listener is None:
            return
        try:
            pc, _ = self._listener.accept()
        except BlockingIOError:
            return
        if self._pc is not None:
            pc.close()
            return
        pc.setblocking(False)
        pc.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self._pc = pc

    def _listen_to_pc(self) -> None:
        if self._pc is None:
            return
        try:
            data = self._pc.recv(4096)
        except BlockingIOError:
            return
        except OSError:
            data = b""
        if not data:
            self._hang_up()
        elif b"?" in data:
            self._asked = True
            with self._lock:
                self._waiting += self._board.banner()

    def _send(self) -> None:
        if self._pc is None or not self._waiting:
            return
        try:
            sent = self._pc.send(self._waiting)
        except BlockingIOError:
            sent = 0
        except OSError:
            self._hang_up()
            return
        self._waiting = self._waiting[sent:]
        if len(self._waiting) > _MOST_WAITING:
            self._hang_up()

    def _hang_up(self) -> None:
        if self._pc is not None:
            self._pc.close()
        self._pc, self._asked, self._waiting = None, False, b""


def _listen(port: int) -> socket.socket:
    listener = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    try:
        if os.name == "posix":  # elsewhere this would let two programs have the port
            listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        listener.bind((HOST, port))
        listener.listen(4)
        listener.setblocking(False)
    except OSError:
        listener.close()
        raise
    return listener
