"""Moving requests and answers of a Modbus module by pymodbus's synchronous clients.

A request is sent and an answer awaited in separate calls, so that nobody has to wait for a slow module.
"""

from __future__ import annotations

import logging
import socket

import serial
from pymodbus.client import ModbusSerialClient, ModbusTcpClient
from pymodbus.exceptions import ModbusException
from pymodbus.framer import FramerType
from pymodbus.pdu import ModbusPDU

from logger.modbus_answers import AnswerParser
from logger.modbus_map import PARITIES, ModbusMap, Tcp
from logger.reading import Fault
from logger.tcp import SCHEME
from logger.transport import SerialTransport
from logger.wire_errors import NoSuchPort, TransportLost

logging.getLogger("pymodbus").addHandler(logging.NullHandler())  # all it logs is said as Fault or Link

#: A connection is given this long even where the caller has less time: a module in the same building needs a few ms.
LEAST_CONNECT_S = 0.05
#: Of writing to a serial port, and of reading bytes that pymodbus has seen waiting: only a dead port takes so long.
_PORT_TIMEOUT_S = 1.0


class ModbusWire:
    """The connection to one module."""

    def __init__(self, module: ModbusMap) -> None:
        place = module.transport
        self._name = str(place)
        self._client: ModbusTcpClient | ModbusSerialClient
        if isinstance(place, Tcp):
            self._client = ModbusTcpClient(place.host, port=place.port, timeout=0.0, retries=0)
        elif place.serial_port.lower().startswith(SCHEME):  # a serial server: the line's frames in a TCP stream
            host, _, port = place.serial_port[len(SCHEME) :].rpartition(":")
            self._client = ModbusTcpClient(host, framer=FramerType.RTU, port=int(port), timeout=0.0, retries=0)
        else:
            self._client = ModbusSerialClient(
                place.serial_port,
                baudrate=place.baud,
                parity=place.parity[0].upper(),
                stopbits=place.stop_bits,
                timeout=_PORT_TIMEOUT_S,
                retries=0,
            )
        self._parser = AnswerParser(self._client.framer)

    @property
    def unfinished(self) -> bytes:
        """Bytes that came and are no answer yet."""
        return self._parser.unfinished

    def open(self, timeout_s: float) -> None:
        """Connect; takes at most `timeout_s` (and `LEAST_CONNECT_S`) where the network leaves us without a word.

        Raises:
            NoSuchPort, PortBusy: with a sentence that says what to do.
        """
        self._parser.expect(b"")
        self._client.comm_params.timeout_connect = _PORT_TIMEOUT_S  # which `listen` has altered
        if isinstance(self._client, ModbusTcpClient):
            self._client.socket = self._connected_socket(max(timeout_s, LEAST_CONNECT_S))
        else:
            self._client.socket = self._opened_port()

    def _opened_port(self) -> serial.Serial:
        """The port as pymodbus would open it, which does not say why it could not."""
        line = self._client.comm_params
        try:
            return serial.serial_for_url(
                self._name,
                timeout=_PORT_TIMEOUT_S,
                write_timeout=_PORT_TIMEOUT_S,
                bytesize=line.bytesize,
                stopbits=line.stopbits,
                baudrate=line.baudrate,
                parity=line.parity,
                exclusive=True,
            )
        except Exception as error:  # also termios.error, which is none of the usual ones
            SerialTransport(self._name, line.baudrate or 9600).close()  # raises where the port itself is the trouble
            parity = next(name for name in PARITIES if name[0].upper() == line.parity)
            raise NoSuchPort(
                f"{self._name} cannot be opened with {line.baudrate} baud, parity {parity} and {line.stopbits} stop "
                f"bits ({error}): choose a baud, parity and stop_bits that this port can do, on the module too"
            ) from error

    def _connected_socket(self, timeout_s: float) -> socket.socket:
        address = self._client.comm_params.host, self._client.comm_params.port
        try:
            connection = socket.create_connection(address, timeout=timeout_s)
        except (OSError, UnicodeError) as error:  # UnicodeError: a host name that no name can be
            raise NoSuchPort(
                f"no module answers at {self._name} ({error}): check its supply, the network cable, and host and port"
            ) from error
        connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        return connection

    def send(self, request: ModbusPDU) -> None:
        """Send a request.

        Raises:
            TransportLost: the connection is gone.
        """
        packet = self._client.framer.buildFrame(request)
        self._parser.expect(packet)
        try:
            self._client.send(packet)
        except (ModbusException, OSError) as error:
            raise self._lost(error) from error

    def listen(self, timeout_s: float) -> tuple[bool, list[ModbusPDU | Fault]]:
        """Whether anything came within `timeout_s` of machine time, and the answers it completed.

        Raises:
            TransportLost: the connection is gone.
        """
        self._client.comm_params.timeout_connect = max(timeout_s, 0.0)  # what recv() goes by
        try:
            data = self._client.recv(None)
        except (ModbusException, OSError) as error:
            raise self._lost(error) from error
        return bool(data), self._parser.feed(data)

    def close(self) -> None:
        """Free port or socket; may be called twice."""
        try:
            self._client.close()  # type: ignore[no-untyped-call]
        except OSError:  # an unplugged port is free already
            self._client.socket = None

    def _lost(self, error: Exception) -> TransportLost:
        why = "the other end hung up" if isinstance(error, ModbusException) else str(error)
        return TransportLost(f"the connection to {self._name} broke off ({why}): check cable, plug and supply")
