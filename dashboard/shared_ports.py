"""Two sources on one port: refused before anything is opened, since each would take the other's bytes for its own."""

from __future__ import annotations

import os
import re
from collections.abc import Callable

from logger.bench import Bench, SourceEntry
from thermal.fields import InputError

#: What is no port of the machine, but made anew for each source.
_OF_ITS_OWN = "loop://"
#: VISA's name of a serial port: ASRL3::INSTR is COM3, ASRL/dev/ttyUSB0::INSTR names its device.
_SERIAL = re.compile(r"ASRL(?P<port>.+?)(?:::INSTR)?", re.IGNORECASE)


def port_of_resource(resource: str) -> str | None:
    """The serial port of a VISA resource; None for another kind."""
    serial = _SERIAL.fullmatch(resource.strip())
    if serial is None:
        return None
    return f"COM{serial['port']}" if serial["port"].isdecimal() else serial["port"]


def is_same(one: str, other: str) -> bool:
    """Whether two names are those of one port, which may have several (/dev/serial/by-id/... is a link)."""
    first, second = (os.path.realpath(port) if port.startswith("/") else port.lower() for port in (one, other))
    return first == second


def refuse_shared_ports(bench: Bench, port_of: Callable[[SourceEntry], str | None]) -> None:
    """Refuse a bench with two sources on one port.

    Args:
        port_of: the port that a source has for itself alone; None where there is none.

    Raises:
        InputError: two sources are on one port.
    """
    ports = [(entry, port) for entry in bench.sources if (port := port_of(entry)) is not None]
    ports = [(entry, port) for entry, port in ports if not port.lower().startswith(_OF_ITS_OWN)]
    for index, (entry, port) in enumerate(ports):
        for other, other_port in ports[:index]:
            if not is_same(port, other_port):
                continue
            both = f"bench {bench.id}: sources {other.id} and {entry.id}"
            if {entry.kind, other.kind} == {"modbus"}:
                raise InputError(
                    f"{both} are on the same serial line, {port}: expected one module on each; give each a port of its "
                    'own, or reach both through a Modbus TCP gateway (url = "tcp://HOST:PORT")'
                )
            raise InputError(
                f"{both} ({other.kind}, {entry.kind}) are on the same port, {port}: expected one source on each, as "
                "what one is sent would be taken by the other; give each a port of its own and correct the bench file"
            )
