"""Moving lines to and from a SCPI instrument by PyVISA; both it and its backend are an optional extra."""

from __future__ import annotations

import contextlib
from typing import TYPE_CHECKING

from logger.scpi_map import ScpiMap
from logger.wire_errors import NoSuchPort, TransportLost

if TYPE_CHECKING:
    from pyvisa.resources import MessageBasedResource

_CONNECT_TIMEOUT_MS = 2000


class NoAnswer(Exception):
    """The instrument's time for an answer is over."""


class ScpiWire:
    """A connection to one instrument. Every call may take as long as the instrument's timeout.

    Args:
        backend: which VISA library PyVISA goes by: '@py' for pyvisa-py.

    Raises:
        NoSuchPort: PyVISA is not installed, or there is no such resource.
    """

    def __init__(self, instrument: ScpiMap, backend: str = "@py") -> None:
        try:
            import pyvisa
            from pyvisa.constants import Parity
            from pyvisa.resources import MessageBasedResource, SerialInstrument
        except ImportError as error:
            raise NoSuchPort(
                "SCPI instruments need the packages pyvisa and pyvisa-py, which are not installed here: install "
                "pullcue with its extra 'scpi'"
            ) from error
        self._resource = instrument.resource
        self._timeout_code = pyvisa.constants.StatusCode.error_timeout
        self._visa_error = pyvisa.errors.VisaIOError
        opened = None
        try:
            manager = pyvisa.ResourceManager(backend)
            opened = manager.open_resource(instrument.resource, open_timeout=_CONNECT_TIMEOUT_MS)
            if not isinstance(opened, MessageBasedResource):
                raise TypeError("it does not exchange lines of text")
            self._port: MessageBasedResource = opened
            opened.timeout = 1000.0 * instrument.timeout_s
            opened.read_termination = opened.write_termination = instrument.line_end
            if isinstance(opened, SerialInstrument):
                opened.baud_rate = instrument.baud
                opened.parity = {"none": Parity.none, "even": Parity.even, "odd": Parity.odd}[instrument.parity]
        except Exception as error:  # backends raise what they like, down to bare Exception
            if opened is not None:
                opened.close()
            raise NoSuchPort(
                f"there is no instrument at {instrument.resource} ({error}): check that it is on, its cable, and the "
                "resource"
            ) from error

    def say(self, line: str) -> None:
        """Send a line.

        Raises:
            TransportLost: the connection is gone.
        """
        try:
            self._port.write(line)
        except Exception as error:  # see __init__
            raise self._lost(error) from error

    def hear(self) -> str:
        """The next line, without its end.

        Raises:
            NoAnswer: none came in time. TransportLost: the connection is gone.
        """
        try:
            return self._port.read_raw().decode("ascii", "replace").strip()
        except Exception as error:  # see __init__
            if isinstance(error, self._visa_error) and error.error_code == self._timeout_code:
                raise NoAnswer from error
            raise self._lost(error) from error

    def close(self) -> None:
        """Free port or socket; may be called twice."""
        with contextlib.suppress(Exception):  # what is broken already cannot be told anything
            self._port.close()

    def _lost(self, error: Exception) -> TransportLost:
        return TransportLost(
            f"there is no connection to {self._resource} ({error}): check that the instrument is on, its cable, and "
            "the resource"
        )
