"""Who records a bench into a store: one recorder at a time, and a dead one does not keep the next out."""

from __future__ import annotations

import ctypes
import os
import platform
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, delete, insert, select, text, update

from logger.records import BenchHeld, Holder
from logger.schema import holders

#: A recorder on another machine that has not been heard of for so long is gone, ms. Recorders say so every
#: 10 s (`logger.store_link`).
SILENT_MS = 60_000


def _process_mark(pid: int) -> str:
    """What tells a process from a later one of the same number: boot and start time; '' where neither can be read."""
    try:
        start = Path(f"/proc/{pid}/stat").read_text(encoding="ascii", errors="replace").rpartition(")")[2].split()[19]
        return f"{Path('/proc/sys/kernel/random/boot_id').read_text(encoding='ascii').strip()}/{start}"
    except (OSError, IndexError):
        return ""


def _runs_on_windows(pid: int) -> bool:
    library: Any = getattr(ctypes, "windll").kernel32  # noqa: B009  # the type checker knows it on Windows only
    query_limited, still_active = 0x1000, 259
    handle = library.OpenProcess(query_limited, False, pid)
    if not handle:
        return False
    code = ctypes.c_ulong()
    library.GetExitCodeProcess(handle, ctypes.byref(code))
    library.CloseHandle(handle)
    return code.value == still_active


def _is_zombie(pid: int) -> bool:
    """Whether a process has ended and only waits for its parent to take note."""
    try:
        stat = Path(f"/proc/{pid}/stat").read_text(encoding="ascii", errors="replace")
    except OSError:
        return False
    return stat.rpartition(")")[2].split()[:1] == ["Z"]


def is_running(pid: int, process: str) -> bool:
    """Whether the process that wrote `process` still runs on this machine."""
    if os.name == "nt":  # where os.kill would end the process
        return _runs_on_windows(pid)
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return False
    except PermissionError:
        pass  # it runs, for another user
    if _is_zombie(pid):
        return False
    return not process or process == _process_mark(pid)


def _now_ms(connection: Connection, given_ms: int) -> int:
    """Where several machines meet, the server's clock counts."""
    if connection.dialect.name == "postgresql":
        now: int = connection.execute(
            text("SELECT (extract(epoch FROM clock_timestamp()) * 1000)::bigint")
        ).scalar_one()
        return now
    return given_ms


def _is_stale(row: Any, now_ms: int, shared: bool) -> bool:
    if row.host == platform.node():
        return not is_running(row.pid, row.process)
    # An SQLite store is a file of one machine: a host of another name is this one, renamed, or the file was copied
    # here; the mark of the process tells.
    return abs(now_ms - row.beat_utc_ms) > SILENT_MS if shared else not is_running(row.pid, row.process)


def _holder(row: Any) -> Holder:
    return Holder(row.bench, row.token, row.host, row.pid, row.since_utc_ms)


def hold(connection: Connection, bench: str, token: str, utc_ms: int, by_force: bool) -> Holder | None:
    """Take a bench, or say again that it is held.

    Returns:
        The dead recorder that was pushed aside, if any.

    Raises:
        BenchHeld: when another recorder holds it.
    """
    shared = connection.dialect.name == "postgresql"
    if shared:
        connection.execute(text("SELECT pg_advisory_xact_lock(5770702)"))
    now_ms = _now_ms(connection, utc_ms)
    row = connection.execute(select(holders).where(holders.c.bench == bench)).one_or_none()
    if row is not None and row.token == token:
        connection.execute(update(holders).where(holders.c.bench == bench).values(beat_utc_ms=now_ms))
        return None
    if row is not None and not by_force and not _is_stale(row, now_ms, shared):
        since = datetime.fromtimestamp(row.since_utc_ms / 1000, UTC)
        raise BenchHeld(
            f"bench {bench} is recorded into this store already: by process {row.pid} on {row.host}, since "
            f"{since:%Y-%m-%d %H:%M:%S} UTC; end that recorder first, or give this one another bench"
        )
    connection.execute(delete(holders).where(holders.c.bench == bench))
    mine = {
        "bench": bench,
        "token": token,
        "host": platform.node(),
        "pid": os.getpid(),
        "process": _process_mark(os.getpid()),
        "since_utc_ms": utc_ms,
        "beat_utc_ms": now_ms,
    }
    connection.execute(insert(holders), mine)
    return None if row is None else _holder(row)


def living(connection: Connection, utc_ms: int) -> list[Holder]:
    """The recorders that run now."""
    shared = connection.dialect.name == "postgresql"
    now_ms = _now_ms(connection, utc_ms)
    rows = connection.execute(select(holders).order_by(holders.c.bench)).all()
    return [_holder(row) for row in rows if not _is_stale(row, now_ms, shared)]


def release(connection: Connection, bench: str, token: str) -> None:
    """Let go of a bench; nothing happens where another holds it."""
    connection.execute(delete(holders).where(holders.c.bench == bench, holders.c.token == token))


def held(connection: Connection) -> list[Holder]:
    """Who holds which bench, dead ones included."""
    return [_holder(row) for row in connection.execute(select(holders).order_by(holders.c.bench))]
