"""What to say to a SCPI instrument, from the TOML file a person writes. docs/modules.md has the format."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from logger.channel_map import Channel, check_channels, read_channel
from logger.modbus_map import PARITIES
from thermal.fields import Fields, Range

LINE_ENDS = {"lf": "\n", "crlf": "\r\n", "cr": "\r"}
#: What SCPI-1999, volume 1, section 7.2.1 lets an instrument send where it has no number.
INFINITY = 9.9e37
NOT_A_NUMBER = 9.91e37


@dataclass(frozen=True)
class ScpiMap:
    """An instrument: where it is, what is said to it, what its answer holds.

    Attributes:
        resource: VISA resource, as TCPIP::192.0.2.20::5025::SOCKET or ASRL3::INSTR.
        identify, measure, errors: queries. identity: text that the answer to `identify` must contain; '' for any.
        setup: commands said after each connection.
        period_s: from one reading to the next. timeout_s: how long an answer may take.
        channels: in the order of the numbers of an answer.
        open_codes: for each channel the numbers (before scale and offset) that mean an open circuit.
        line_end: what ends a line either way. baud, parity: of a serial resource.
    """

    id: str
    resource: str
    identify: str
    identity: str
    setup: tuple[str, ...]
    measure: str
    errors: str
    period_s: float
    timeout_s: float
    line_end: str
    baud: int
    parity: str
    channels: tuple[Channel, ...]
    open_codes: tuple[tuple[float, ...], ...]


def read_scpi_map(tables: Mapping[str, Any], where: str) -> ScpiMap:
    """The map in the tables of a TOML file.

    Args:
        where: what messages call the file.

    Raises:
        InputError: whatever is unknown, missing, out of range or contradicts itself.
    """
    top = Fields(tables, where)
    one = top.table("instrument")
    read = [_channel(fields) for fields in top.tables("channel")]
    top.close()
    check_channels([channel for channel, _ in read], where)
    instrument = ScpiMap(
        id=one.text("id", default="instrument"),
        resource=_resource(one),
        identify=_query(one, "identify", "*IDN?"),
        identity=one.text("identity", default=""),
        setup=_commands(one, "setup"),
        measure=_query(one, "measure"),
        errors=_query(one, "errors", "SYST:ERR?"),
        period_s=one.number("period_s", Range("s", at_least=0.05, at_most=3600.0), default=1.0),
        timeout_s=one.number("timeout_s", Range("s", at_least=0.05, at_most=30.0), default=2.0),
        line_end=LINE_ENDS[one.text("line_end", LINE_ENDS, default="lf")],
        baud=int(one.number("baud", Range("baud", at_least=300.0, at_most=1_000_000.0), default=9600.0)),
        parity=one.text("parity", PARITIES, default="none"),
        channels=tuple(channel for channel, _ in read),
        open_codes=tuple(codes for _, codes in read),
    )
    one.close()
    return instrument


def _channel(fields: Fields) -> tuple[Channel, tuple[float, ...]]:
    channel = read_channel(fields)
    codes = fields.numbers("open_codes") if fields.has("open_codes") else ()
    fields.close()
    return channel, codes


def _resource(fields: Fields) -> str:
    text = fields.text("resource")
    if "::" not in text:
        expected = "a VISA resource as TCPIP::192.0.2.20::5025::SOCKET, TCPIP::192.0.2.20::INSTR or ASRL3::INSTR"
        raise fields.refuse("resource", text, expected)
    return text


def _line(fields: Fields, name: str, text: object) -> str:
    """A command as it may go out: printable ASCII on one line."""
    if not isinstance(text, str) or not text.strip() or not text.isascii() or not text.isprintable():
        raise fields.refuse(name, text, "a command on one line, in plain letters")
    return text.strip()


def _query(fields: Fields, name: str, default: str | None = None) -> str:
    text = _line(fields, name, fields.text(name, default=default))
    if "?" not in text:
        raise fields.refuse(name, text, "a query, which has a '?'; what needs no answer belongs in setup")
    return text


def _commands(fields: Fields, name: str) -> tuple[str, ...]:
    commands = fields.raw(name)
    if commands is None:
        return ()
    if not isinstance(commands, list):
        raise fields.refuse(name, commands, 'a list of commands, as ["*CLS"]')
    lines = tuple(_line(fields, f"{name}[{i}]", command) for i, command in enumerate(commands))
    for i, line in enumerate(lines):
        if "?" in line:
            raise fields.refuse(f"{name}[{i}]", line, "a command without '?': nobody would read its answer")
    return lines
