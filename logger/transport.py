"""Moving bytes between this program and a device: serial ports by pyserial, TCP by the standard library.

Whatever goes wrong comes out as one of three errors, each with a sentence for the person at the oven.
"""

from __future__ import annotations

import errno
import math
from typing import Any, Protocol

import serial

from logger.tcp import SCHEME, TcpTransport
from logger.wire_errors import NoSuchPort, PortBusy, TransportLost

__all__ = ["NoSuchPort", "PortBusy", "SerialTransport", "TcpTransport", "Transport", "TransportLost", "open_transport"]

#: One wait of pyserial. Fixed at the opening: pyserial sets the whole port anew whenever a timeout is changed.
_SLICE_S = 0.02
_WRITE_TIMEOUT_S = 1.0
#: How Windows words what other systems say by a number.
_BUSY_WORDS = ("PermissionError(13", "Access is denied")
#: How pyserial words that what it opened takes no baud rate (ENOTTY).
_NO_TERMINAL = f"({errno.ENOTTY}, "
_ABSENT_WORDS = ("FileNotFoundError(2", "OSError(22, 'The semaphore timeout")


class Transport(Protocol):
    """Two-way bytes."""

    def read(self, timeout_s: float) -> bytes:
        """What came, at once where there is something; b'' when nothing came within `timeout_s` of machine time.

        Raises:
            TransportLost: the connection is gone.
        """

    def write(self, data: bytes) -> None:
        """Send all of it.

        Raises:
            TransportLost: the connection is gone, or the other end takes nothing.
        """

    def close(self) -> None:
        """Free the port at once; may be called twice."""


def open_transport(url: str, baud: int) -> Transport:
    """The transport for a port's name or URL: socket:// goes by TCP, all else by pyserial.

    pyserial's own socket:// discards what the other end says right after it accepted, gives one byte a call,
    and sleeps 0.3 s whenever it is closed.

    Raises:
        NoSuchPort, PortBusy: see `SerialTransport`.
    """
    return TcpTransport(url) if url.lower().startswith(SCHEME) else SerialTransport(url, baud)


class SerialTransport:
    """A port by pyserial: COM3, /dev/ttyUSB0, rfc2217://host:port, loop:// or any URL it knows.

    The port is held alone where the system can do that, so that two programs do not take each other's bytes.

    Args:
        url: name or URL of the port. baud: bits a second, ignored by ports that have none.

    Raises:
        NoSuchPort: it is not there, or this user may not open it.
        PortBusy: another program holds it.
    """

    def __init__(self, url: str, baud: int) -> None:
        self._url = url
        options: dict[str, Any] = {"baudrate": baud, "timeout": _SLICE_S, "exclusive": True}
        if not url.lower().startswith("rfc2217://"):  # pyserial has no write timeout there
            options["write_timeout"] = _WRITE_TIMEOUT_S
        try:
            self._port = serial.serial_for_url(url, **options)
        except (OSError, ValueError) as error:  # pyserial's own error is an OSError
            raise _opening_error(url, baud, error) from error

    def read(self, timeout_s: float) -> bytes:
        """See `Transport.read`; waits in steps of 20 ms."""
        try:
            for _ in range(math.ceil(max(timeout_s, 0.0) / _SLICE_S)):
                if first := self._port.read(1):
                    return bytes(first + self._waiting())
            return self._waiting()
        except (OSError, TypeError) as error:  # TypeError: pyserial reads on after its port was closed
            raise self._lost(error) from error

    def _waiting(self) -> bytes:
        count = self._port.in_waiting
        return bytes(self._port.read(count)) if count else b""

    def write(self, data: bytes) -> None:
        """See `Transport.write`."""
        try:
            self._port.write(data)
        except (OSError, TypeError) as error:
            raise self._lost(error) from error

    def close(self) -> None:
        """See `Transport.close`."""
        try:
            self._port.close()
        except OSError:  # an unplugged port cannot be told anything any more, and is free already
            self._port.is_open = False

    def _lost(self, error: Exception) -> TransportLost:
        return TransportLost(
            f"the connection at {self._url} broke off ({error}): check cable and plug, and that no other program "
            "reads this port"
        )


def _opening_error(url: str, baud: int, error: Exception) -> NoSuchPort | PortBusy:
    """What an opening that failed means, from the system's number or, on Windows, from its words."""
    number, said = getattr(error, "errno", None), str(error)
    if number in (errno.EBUSY, errno.EAGAIN) or any(words in said for words in _BUSY_WORDS):
        return PortBusy(f"{url} is in use by another program: close that program, or choose another port")
    if number in (errno.EACCES, errno.EPERM):
        return NoSuchPort(
            f"{url} may not be opened by this user: ask for the right to use serial ports "
            "(on Linux the group 'dialout'), then log in again"
        )
    if number in (errno.ENOENT, errno.ENXIO, errno.ENODEV) or any(words in said for words in _ABSENT_WORDS):
        return NoSuchPort(f"there is no port {url}: plug the board in, or correct the name of the port")
    if _NO_TERMINAL in said:
        return NoSuchPort(f"{url} is no serial port: correct the name of the port")
    return NoSuchPort(f"{url} at {baud} baud cannot be opened ({error}): check the name of the port and the baud rate")
