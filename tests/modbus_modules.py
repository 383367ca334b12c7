"""Modules to talk to: pymodbus's own server over TCP and over a serial pair, and one that only ever listens."""

from __future__ import annotations

import asyncio
import contextlib
import os
import select
import socket
import threading
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from typing import Any

from pymodbus.constants import ExcCodes
from pymodbus.framer import FramerType
from pymodbus.server import ModbusSerialServer, ModbusTcpServer
from pymodbus.simulator import DataType, SimData, SimDevice


class Module:
    """pymodbus's server in a thread of its own.

    Attributes:
        registers: what it answers with, by function code (3 holding, 4 input) and address; changeable at any time.
        refuse_with: exception code to answer with, None for none. swallow: answers it keeps to itself. rewrite: what
        becomes of an answer's bytes. requests: (function code, address, count) of each request.
    """

    def __init__(
        self,
        *,
        device_id: int = 1,
        serial_port: str = "",
        port: int = 0,
        framer: FramerType = FramerType.SOCKET,
        size: int = 300,
    ) -> None:
        self.registers: dict[int, dict[int, int]] = {3: {}, 4: {}}
        self.refuse_with: int | None = None
        self.swallow = False
        self.rewrite: Callable[[bytes], bytes] = bytes
        self.requests: list[tuple[int, int, int]] = []
        self._device_id, self._serial_port, self._framer, self._size = device_id, serial_port, framer, size
        self.port = port
        self._ready = threading.Event()
        self._failed: BaseException | None = None
        self._thread = threading.Thread(target=lambda: asyncio.run(self._serve()), daemon=True)
        self._thread.start()
        assert self._ready.wait(60.0), "the server did not start"
        if self._failed:
            raise self._failed

    def put(self, table: str, address: int, words: Sequence[int]) -> None:
        block = self.registers[3 if table == "holding" else 4]
        block.update({address + i: word for i, word in enumerate(words)})

    async def _answer(
        self, code: int, start: int, address: int, count: int, block: list[int], _new: Any
    ) -> ExcCodes | None:
        self.requests.append((code, address, count))
        for at in range(address, address + count):
            block[at - start] = self.registers[code].get(at, 0)
        return None if self.refuse_with is None else ExcCodes(self.refuse_with)

    def _trace(self, sending: bool, data: bytes) -> bytes:
        if not sending:
            return data
        return b"" if self.swallow else self.rewrite(data)

    async def _serve(self) -> None:
        self._loop, self._stop = asyncio.get_running_loop(), asyncio.Event()
        bits = [SimData(0, values=[False] * 16, datatype=DataType.BITS)]
        words = [SimData(0, count=self._size, values=0, datatype=DataType.REGISTERS)]
        device = SimDevice(self._device_id, (bits, bits, words, list(words)), action=self._answer)
        try:
            if self._serial_port:
                server: Any = ModbusSerialServer(
                    device, port=self._serial_port, baudrate=19200, trace_packet=self._trace
                )
            else:
                server = ModbusTcpServer(
                    device, framer=self._framer, address=("127.0.0.1", self.port), trace_packet=self._trace
                )
            await server.serve_forever(background=True)
            if not self._serial_port:
                self.port = server.transport.sockets[0].getsockname()[1]
        except BaseException as error:
            self._failed = error
        self._ready.set()
        if not self._failed:
            await self._stop.wait()
            for connection in list(server.active_connections.values()):
                connection.close()
            await server.shutdown()
            await asyncio.sleep(0)  # let the transports say goodbye

    def stop(self) -> None:
        if not self._thread.is_alive():
            return
        self._loop.call_soon_threadsafe(self._stop.set)
        self._thread.join(60.0)


@contextmanager
def module(**options: Any) -> Iterator[Module]:
    one = Module(**options)
    try:
        yield one
    finally:
        one.stop()


class Listener:
    """A TCP port that lets everybody connect and never answers by itself."""

    def __init__(self) -> None:
        self._server = socket.create_server(("127.0.0.1", 0))
        self._server.setblocking(False)
        self.port: int = self._server.getsockname()[1]
        self._taken: list[socket.socket] = []

    def plugs(self) -> list[socket.socket]:
        """All connections so far."""
        with contextlib.suppress(BlockingIOError):
            while True:
                plug = self._server.accept()[0]
                plug.settimeout(60.0)
                self._taken.append(plug)
        return self._taken

    def close(self) -> None:
        for plug in (*self.plugs(), self._server):
            plug.close()


@contextmanager
def listener() -> Iterator[Listener]:
    with contextlib.closing(Listener()) as one:
        yield one


@contextmanager
def serial_pair() -> Iterator[tuple[str, str]]:
    """The names of two serial ports joined by a cable (pseudo-terminals in raw mode: not on Windows)."""
    import tty

    ends = [os.openpty() for _ in range(2)]
    for _, slave in ends:
        tty.setraw(slave)
    masters = [master for master, _ in ends]
    stop_read, stop_write = os.pipe()

    def carry() -> None:
        while True:
            ready, _, _ = select.select([*masters, stop_read], [], [])
            if stop_read in ready:
                return
            for master in ready:
                os.write(masters[1 - masters.index(master)], os.read(master, 4096))

    thread = threading.Thread(target=carry, daemon=True)
    thread.start()
    try:
        yield os.ttyname(ends[0][1]), os.ttyname(ends[1][1])
    finally:
        os.write(stop_write, b"x")
        thread.join(60.0)
        for fd in (*masters, *(slave for _, slave in ends), stop_read, stop_write):
            os.close(fd)
