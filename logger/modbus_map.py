"""Register map of a Modbus module, from the TOML file a person writes. docs/modules.md has the format.

Addresses count from 0, as they travel on the wire; many manuals count from 1 and put a digit for the table in front.
"""

from __future__ import annotations

import math
import re
import struct
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Literal
from urllib.parse import urlsplit

from logger.channel_map import Channel, check_channels, read_channel
from thermal.fields import Fields, InputError, Range

Table = Literal["input", "holding"]
Order = Literal["big", "little"]
TABLES: tuple[Table, ...] = ("input", "holding")
ORDERS: tuple[Order, ...] = ("big", "little")
#: Kinds of number: format letter of `struct` (big-endian), length in registers of 16 bit.
TYPES: Mapping[str, tuple[str, int]] = {
    "int16": ("h", 1),
    "uint16": ("H", 1),
    "int32": ("i", 2),
    "uint32": ("I", 2),
    "float32": ("f", 2),
}
#: Most registers a single request may ask for (MODBUS Application Protocol Specification V1.1b3, 6.3 and 6.4).
MOST_REGISTERS = 125
_SERIAL_SERVER = re.compile(r"socket://[^/:]+:\d{1,5}", re.IGNORECASE)
PARITIES = ("none", "even", "odd")


@dataclass(frozen=True)
class Tcp:
    """A module reached over the network."""

    host: str
    port: int

    def __str__(self) -> str:
        return f"{self.host}:{self.port}"


@dataclass(frozen=True)
class Rtu:
    """A module on a serial line. `serial_port`: COM5, /dev/ttyUSB0 or any URL pyserial knows."""

    serial_port: str
    baud: int
    parity: str
    stop_bits: int

    def __str__(self) -> str:
        return self.serial_port


@dataclass(frozen=True)
class Register:
    """Where a channel's number lies and what it looks like there.

    Attributes:
        address: of the first register, counted from 0.
        word_order: of a number of two registers: 'big' with the high word first, 'little' with the low one.
        open_codes: numbers (before scale and offset) by which the module says that the sensor's circuit is open.
    """

    channel: Channel
    table: Table
    address: int
    type: str
    word_order: Order = "big"
    open_codes: tuple[float, ...] = ()

    @property
    def end(self) -> int:
        """Address behind the last register."""
        return self.address + TYPES[self.type][1]


@dataclass(frozen=True)
class Block:
    """Registers read by one request. `indices`: which entries of the map lie in it."""

    table: Table
    address: int
    count: int
    indices: tuple[int, ...]


@dataclass(frozen=True)
class ModbusMap:
    """A module: how it is reached, how often it is asked, what lies where.

    Attributes:
        period_s: from one reading to the next. timeout_s: how long the module may take before it answers.
        registers: in the file's order, which is that of a frame's values. blocks: the requests of a reading.
    """

    id: str
    transport: Tcp | Rtu
    device_id: int
    period_s: float
    timeout_s: float
    registers: tuple[Register, ...]
    blocks: tuple[Block, ...]

    @property
    def channels(self) -> tuple[Channel, ...]:
        """In the order of a frame's values."""
        return tuple(register.channel for register in self.registers)


def placed(
    module: ModbusMap, url: str, baud: int | None = None, device_id: int | None = None, period_s: float | None = None
) -> ModbusMap:
    """The same map for a module at another place; None leaves what the map says.

    Args:
        url: tcp://HOST:PORT for Modbus TCP; anything else is a serial port's name or URL.

    Raises:
        InputError: `url` begins with tcp:// and has no host or port.
    """
    transport: Tcp | Rtu
    if url.lower().startswith("tcp://"):
        try:
            parts = urlsplit(url)
            host, port = parts.hostname, parts.port or 502
        except ValueError:
            host, port = None, 0
        if not host:
            raise InputError(f"url = {url!r}: expected tcp://HOST:PORT; correct it")
        transport = Tcp(host, port)
    elif url.lower().startswith("socket://") and not _SERIAL_SERVER.fullmatch(url):
        raise InputError(f"url = {url!r}: expected socket://HOST:PORT; correct it")
    elif isinstance(module.transport, Rtu):
        transport = replace(module.transport, serial_port=url, baud=baud or module.transport.baud)
    else:
        transport = Rtu(url, baud or 9600, "even", 1)
    return replace(
        module,
        transport=transport,
        device_id=module.device_id if device_id is None else device_id,
        period_s=module.period_s if period_s is None else period_s,
    )


def read_modbus_map(tables: Mapping[str, Any], where: str) -> ModbusMap:
    """The map in the tables of a TOML file.

    Args:
        where: what messages call the file.

    Raises:
        InputError: whatever is unknown, missing, out of range or contradicts itself.
    """
    top = Fields(tables, where)
    module = top.table("module")
    transport = _transport(module)
    tcp = isinstance(transport, Tcp)
    device_id = _whole(module, "device_id", 0 if tcp else 1, 255 if tcp else 247, default=1)
    name = module.text("id", default=f"module_{device_id}")
    period_s = module.number("period_s", Range("s", at_least=0.05, at_most=3600.0), default=1.0)
    timeout_s = module.number("timeout_s", Range("s", at_least=0.01, at_most=10.0), default=0.3)
    gap = _whole(module, "largest_gap", 0, 100, default=0)
    most = _whole(module, "registers_at_once", 2, MOST_REGISTERS, default=MOST_REGISTERS)
    module.close()
    registers = tuple(_register(fields) for fields in top.tables("channel"))
    top.close()
    check_channels([register.channel for register in registers], where)
    return ModbusMap(name, transport, device_id, period_s, timeout_s, registers, blocks_of(registers, gap, most, where))


def _whole(fields: Fields, name: str, lowest: int, highest: int, default: int | None = None) -> int:
    """A whole number between two bounds, both included."""
    value = float(fields.number(name, Range(at_least=lowest, at_most=highest), default=default))
    if not value.is_integer():
        raise fields.refuse(name, value, f"a whole number from {lowest} to {highest}")
    return int(value)


def _transport(module: Fields) -> Tcp | Rtu:
    if module.text("transport", ("tcp", "rtu")) == "tcp":
        return Tcp(module.text("host"), _whole(module, "port", 1, 65535, default=502))
    serial_port = module.text("serial_port")
    if serial_port.lower().startswith("socket://") and not _SERIAL_SERVER.fullmatch(serial_port):
        raise module.refuse("serial_port", serial_port, "socket://HOST:PORT, a serial port's name or its URL")
    baud = _whole(module, "baud", 300, 1_000_000, default=9600)
    parity = module.text("parity", PARITIES, default="even")  # the standard's default, with one stop bit
    return Rtu(serial_port, baud, parity, _whole(module, "stop_bits", 1, 2, default=1))


def _register(fields: Fields) -> Register:
    channel = read_channel(fields)
    table: Table = next(t for t in TABLES if t == fields.text("table", TABLES))
    kind = fields.text("type", TYPES)
    words = TYPES[kind][1]
    address = _whole(fields, "address", 0, 65536 - words)
    if words == 1 and fields.has("word_order"):
        raise fields.refuse(
            "word_order", fields.raw("word_order"), f"none for {kind}, which is one register; remove it"
        )
    order: Order = next(o for o in ORDERS if o == fields.text("word_order", ORDERS, default="big"))
    codes = _open_codes(fields, kind)
    fields.close()
    return Register(channel, table, address, kind, order, codes)


def _open_codes(fields: Fields, kind: str) -> tuple[float, ...]:
    """The codes as numbers of the channel's type; for whole types also as their bit pattern (0x8000 for -32768)."""
    codes = fields.raw("open_codes")
    if codes is None:
        return ()
    letter, words = TYPES[kind]
    expected = f"a list of one or more numbers that {kind} can hold, as the module sends them, before scale and offset"
    if not isinstance(codes, list) or not codes:
        raise fields.refuse("open_codes", codes, expected)
    found: list[float] = []
    for code in codes:
        if isinstance(code, bool) or not isinstance(code, int | float):
            raise fields.refuse("open_codes", codes, expected)
        try:
            if letter == "f":
                found.append(struct.unpack(">f", struct.pack(">f", code))[0])
            elif -(1 << 16 * words - 1) <= code < 1 << 16 * words and code == int(code):
                pattern = (int(code) % (1 << 16 * words)).to_bytes(2 * words, "big")
                found.append(struct.unpack(f">{letter}", pattern)[0])
            else:
                raise fields.refuse("open_codes", codes, expected)
        except OverflowError:
            raise fields.refuse("open_codes", codes, expected) from None
    return tuple(found)


def blocks_of(registers: Sequence[Register], gap: int, most: int, where: str) -> tuple[Block, ...]:
    """As few requests as read all registers.

    Args:
        gap: most registers that may lie unused between two of one request (modules may refuse to read those).
        most: most registers in one request.

    Raises:
        InputError: two channels share a register.
    """
    order = sorted(range(len(registers)), key=lambda i: (registers[i].table, registers[i].address))
    blocks: list[Block] = []
    last: Register | None = None
    for index in order:
        register = registers[index]
        block = blocks[-1] if blocks and blocks[-1].table == register.table else None
        if block and last and register.address < last.end:
            raise InputError(
                f"{where}: {last.channel.name} and {register.channel.name} share {register.table} register "
                f"{register.address}: expected registers of their own ({register.type} takes "
                f"{TYPES[register.type][1]}, {last.type} {TYPES[last.type][1]}); correct address or type"
            )
        if block and last and register.address <= last.end + gap and register.end - block.address <= most:
            joined = (*block.indices, index)
            blocks[-1] = Block(block.table, block.address, register.end - block.address, joined)
        else:
            blocks.append(Block(register.table, register.address, register.end - register.address, (index,)))
        last = register
    return tuple(blocks)


def is_code(number: float, codes: tuple[float, ...]) -> bool:
    """Whether a number is one of the codes; NaN is where NaN is listed."""
    return any(number == code or (math.isnan(number) and math.isnan(code)) for code in codes)
