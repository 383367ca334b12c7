"""Bytes over TCP, for boards on a network, serial servers in raw mode and the practice oven."""

from __future__ import annotations

import contextlib
import select
import socket
from urllib.parse import urlsplit

from logger.wire_errors import NoSuchPort, TransportLost

SCHEME = "socket://"
_CONNECT_TIMEOUT_S = 2.0
_WRITE_TIMEOUT_S = 1.0
_MOST_BYTES = 65536


class TcpTransport:
    """A connection to socket://HOST:PORT; see `logger.transport.Transport`.

    Raises:
        NoSuchPort: no such address, or nobody answers there within 2 s.
    """

    def __init__(self, url: str) -> None:
        self._url = url
        try:
            parts = urlsplit(url)
            if not parts.hostname or not parts.port:
                raise ValueError("host or port is missing")
            address = (parts.hostname, parts.port)
        except ValueError as error:
            raise NoSuchPort(f"{url} is no address ({error}): expected {SCHEME}HOST:PORT; correct it") from error
        try:
            self._socket = socket.create_connection(address, timeout=_CONNECT_TIMEOUT_S)
        except (OSError, UnicodeError) as error:  # UnicodeError: a host name that no name can be
            raise NoSuchPort(
                f"nobody answers at {url} ({error}): check that the board or its server runs, and the address"
            ) from error
        if self._socket.getsockname() == self._socket.getpeername():
            # Linux connects a socket to itself when it draws the very port that it calls and nobody listens there.
            self._socket.close()
            raise NoSuchPort(f"nobody answers at {url}: check that the board or its server runs, and the address")
        self._socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self._socket.setsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE, 1)
        self._socket.settimeout(_WRITE_TIMEOUT_S)

    def read(self, timeout_s: float) -> bytes:
        """See `Transport.read`."""
        try:
            ready, _, _ = select.select([self._socket], [], [], max(timeout_s, 0.0))
            if not ready:
                return b""
            data = self._socket.recv(_MOST_BYTES)
        except (OSError, ValueError) as error:  # ValueError: closed
            raise self._lost(str(error)) from error
        if not data:
            raise self._lost("the other end hung up")
        return data

    def write(self, data: bytes) -> None:
        """See `Transport.write`."""
        try:
            self._socket.sendall(data)
        except OSError as error:
            raise self._lost(str(error)) from error

    def close(self) -> None:
        """See `Transport.close`."""
        with contextlib.suppress(OSError):  # the other end may be gone already
            self._socket.shutdown(socket.SHUT_RDWR)
        self._socket.close()

    def _lost(self, why: str) -> TransportLost:
        return TransportLost(
            f"the connection to {self._url} broke off ({why}): check the network cable and that the board has power"
        )
