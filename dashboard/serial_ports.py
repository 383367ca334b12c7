"""The serial ports of this computer: what each is, and who holds it. No port is opened: that resets many boards."""

from __future__ import annotations

import os
import sys
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

_PROC = Path("/proc")


@dataclass(frozen=True)
class PortSeen:
    """One port.

    Attributes:
        name: as a bench file's url. what: description by the system. maker, serial, usb: '' where not known.
        held_by: programs that have it open; None where this system does not tell.
        allowed: whether this user may open it.
    """

    name: str
    what: str
    maker: str
    serial: str
    usb: str
    held_by: tuple[str, ...] | None
    allowed: bool

    @property
    def words(self) -> str:
        """What to know and to do, in a sentence."""
        if self.held_by:
            return f"held by {', '.join(self.held_by)}: close it before a bench can use this port"
        if not self.allowed:
            return "this user may not open it: on Linux join the group 'dialout', then log in again"
        if self.held_by is None:
            return "whether a program holds it cannot be told on this system; 'pullcue check' finds out by opening it"
        return "free"


def ports_seen(listed: Callable[[], Iterable[Any]] | None = None, proc: Path = _PROC) -> tuple[PortSeen, ...]:
    """All ports, by name.

    Args:
        listed: gives the system's list (pyserial's `comports`). proc: where Linux tells who has which file open.
    """
    return tuple(sorted((_seen(port, proc) for port in (listed or _system_list)()), key=lambda port: port.name))


def _system_list() -> Iterable[Any]:
    from serial.tools import list_ports  # only here: who lists no ports needs it not

    return list_ports.comports()


def _seen(port: Any, proc: Path) -> PortSeen:
    usb = f"{port.vid:04X}:{port.pid:04X}" if port.vid is not None and port.pid is not None else ""
    what = "" if port.description in (None, "n/a") else str(port.description)
    allowed = os.name != "posix" or not Path(port.device).exists() or os.access(port.device, os.R_OK | os.W_OK)
    return PortSeen(
        port.device, what, port.manufacturer or "", port.serial_number or "", usb, holders(port.device, proc), allowed
    )


def holders(device: str, proc: Path = _PROC) -> tuple[str, ...] | None:
    """Programs that have a device open, as 'name (process 123)'; None where the system does not tell.

    Linux shows every process's open files below /proc, those of other users only to root.
    """
    if not sys.platform.startswith("linux") or not proc.is_dir():
        return None
    wanted = os.path.realpath(device)
    found = []
    for process in sorted(proc.glob("[0-9]*"), key=lambda path: int(path.name)):
        try:
            if any(os.path.realpath(entry) == wanted for entry in (process / "fd").iterdir()):
                found.append(f"{(process / 'comm').read_text().strip()} (process {process.name})")
        except OSError:  # it has just ended, or is not ours to look into
            continue
    return tuple(found)
