"""Copies of a store: backup while it runs, restore, and what can be saved of a damaged file. Nothing is overwritten."""

from __future__ import annotations

import json
import os
import shutil
import sqlite3
import tempfile
from collections.abc import Callable, Iterator
from contextlib import closing, suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

from sqlalchemy import Connection, Engine, Table, func, insert, select, text

from logger.blobs import DamagedBlock, unpacked
from logger.chain import BEGINNING
from logger.disk import sync, sync_folder
from logger.records import HeatForm, StoreBroken, StoreDown
from logger.schema import COUNTED, RECORDED, chain, heat_search
from thermal.fields import InputError

if TYPE_CHECKING:
    from logger.store import Store

_CHUNK = 500
#: So many keys are asked for one by one around damage, so that saving ends in minutes whatever the damage.
_MOST_PROBES = 200_000


def newest_hash(connection: Connection) -> str:
    """Hash of the newest link, or of the beginning."""
    return connection.execute(select(chain.c.hash).order_by(chain.c.seq.desc()).limit(1)).scalar() or BEGINNING


def _must_be_new(path: Path) -> Path:
    """The name under which a file is made before it gets its own.

    Raises:
        InputError: where there is a file already, or no folder.
    """
    if path.exists():
        raise InputError(f"{path} exists: expected the name of a new file; nothing is overwritten")
    if not path.parent.is_dir():
        raise InputError(f"folder {path.parent}: there is none; make it first")
    handle, part = tempfile.mkstemp(prefix=f".{path.name}.", suffix=".part", dir=path.parent)
    os.close(handle)
    return Path(part)


def _settle(part: Path, path: Path) -> None:
    """Give a finished copy its name, safe against a power cut."""
    with part.open("rb+") as file:
        sync(file.fileno())
    os.replace(part, path)
    sync_folder(path.parent)


def remove(path: Path | None) -> None:
    """Take away a temporary SQLite file with what SQLite puts beside it."""
    if path is not None:
        for name in (path, Path(f"{path}-wal"), Path(f"{path}-shm"), Path(f"{path}-journal")):
            name.unlink(missing_ok=True)


def scratch_copy(path: Path) -> Path:
    """A temporary copy of an SQLite file and its log, to read without touching the original."""
    handle, name = tempfile.mkstemp(prefix="pullcue-", suffix=".db")
    os.close(handle)
    shutil.copyfile(path, name)
    with suppress(FileNotFoundError):
        shutil.copyfile(f"{path}-wal", f"{name}-wal")
    return Path(name)


def backup_file(source: Path, path: Path) -> None:
    """Copy a running SQLite store, by SQLite's own means, and check the copy."""
    part = _must_be_new(path)
    try:
        with closing(sqlite3.connect(source, timeout=5.0)) as old, closing(sqlite3.connect(part)) as new:
            old.backup(new)
            new.execute("DELETE FROM holders")
            new.commit()
            said = [row[0] for row in new.execute("PRAGMA quick_check(1)")]
            if said != ["ok"]:
                raise StoreBroken(f"store {source} is damaged: {said[0]}; the backup was not made")
            new.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        _settle(part, path)
    except sqlite3.OperationalError as error:
        raise StoreDown(f"backup of {source}: {error}") from error
    except sqlite3.DatabaseError as error:
        raise StoreBroken(f"store {source} is damaged: {error}; the backup was not made") from error
    finally:
        remove(part)


def backup_tables(reading: Engine, path: Path, opened: Callable[[Path], Store]) -> None:
    """Copy a store of any kind, as it stands at one moment, into an SQLite file."""
    part = _must_be_new(path)
    try:
        copy = opened(part)
        try:
            with reading.connect() as old, copy._write() as new:
                copy_tables(old, new, str(path))
        finally:
            copy.close()
        _settle(part, path)
    finally:
        remove(part)


def copy_tables(old: Connection, new: Connection, name: str) -> None:
    """Copy every row of one store into another.

    Raises:
        InputError: when the other holds something.
    """
    for table in RECORDED:
        if new.execute(select(func.count()).select_from(table)).scalar_one():
            raise InputError(f"store {name} holds {table.name} already: expected an empty store; nothing was changed")
    for table in (*RECORDED, heat_search):
        result = old.execution_options(yield_per=_CHUNK).execute(select(table))
        for rows in result.mappings().partitions():
            # Reviews are not copied, and what search rows have of them neither.
            unsaid = {"above_k": None} if table is heat_search else {}
            new.execute(insert(table), [dict(row) | unsaid for row in rows])
    if new.dialect.name == "postgresql":
        for table_name, column in COUNTED:
            new.execute(
                text(
                    f"SELECT setval(pg_get_serial_sequence('{table_name}', '{column}'), "
                    f"coalesce(max({column}), 0) + 1, false) FROM {table_name}"
                )
            )


# ---------------------------------------------------------------- saving what can be read


@dataclass(frozen=True)
class Salvaged:
    """What was saved.

    Attributes:
        kept: rows by table. lost: what could not be read, a sentence each. problems: what `Store.verify` says of the
        new store.
    """

    kept: dict[str, int]
    lost: list[str] = field(default_factory=list)
    problems: list[str] = field(default_factory=list)


def salvage(damaged: Path, target: Path, opened: Callable[[], Store]) -> Salvaged:
    """Copy what can be read of `damaged` into `target`; see `logger.store.salvage`."""
    if not damaged.is_file():
        raise InputError(f"store {damaged}: there is no such file")
    remove(_must_be_new(target))
    scratch = scratch_copy(damaged)
    try:
        _make_readable(scratch)
        opened().close()
        lost: list[str] = []
        with closing(_reader(scratch)) as old, closing(sqlite3.connect(target, isolation_level=None)) as new:
            new.execute("PRAGMA synchronous = FULL")
            new.execute("BEGIN IMMEDIATE")
            kept = _Saving(old, new, lost).all()
            new.execute("COMMIT")
        store = opened()
        try:
            store.index_anew()
            return Salvaged(kept, lost, store.verify())
        finally:
            store.close()
    finally:
        remove(scratch)


def _make_readable(scratch: Path) -> None:
    """Put right, in a scratch copy, what of the file's header would keep SQLite from reading the rest.

    Places and values are those of SQLite's description of its file format: bytes 0 to 15 a text, 16 the size of a
    page, 18 and 19 the format (2, with a log), 20 to 23 fixed, 56 the encoding (1, UTF-8). Where the count at 92 is
    not the count at 24, SQLite takes the number of pages from the file's length and not from its header: a file that
    was cut short can then be read as far as it goes.
    """
    with scratch.open("rb+") as file:
        head = bytearray(file.read(100).ljust(100, b"\0"))
        head[:16] = b"SQLite format 3\x00"
        head[16:24] = (4096).to_bytes(2, "big") + bytes((2, 2, 0, 64, 32, 32))
        head[44:48] = (4).to_bytes(4, "big")
        head[52:60] = (0).to_bytes(4, "big") + (1).to_bytes(4, "big")
        head[92:96] = ((int.from_bytes(head[24:28], "big") + 1) % 2**32).to_bytes(4, "big")
        file.seek(0)
        file.write(head)
        file.truncate(max(scratch.stat().st_size // 4096, 1) * 4096)


def _reader(path: Path) -> sqlite3.Connection:
    connection = sqlite3.connect(path, isolation_level=None)
    connection.execute("PRAGMA writable_schema = ON")  # reads on past entries of the schema that are damaged
    connection.execute("PRAGMA query_only = ON")
    return connection


class _Saving:
    """Rows from a damaged file into a sound one, table by table, parents first."""

    def __init__(self, old: sqlite3.Connection, new: sqlite3.Connection, lost: list[str]) -> None:
        self._old, self._new, self._lost = old, new, lost
        self._parents: dict[str, set[int]] = {}
        self._probes = _MOST_PROBES

    def all(self) -> dict[str, int]:
        """Rows kept, by table."""
        return {table.name: self._table(table) for table in RECORDED}

    def _table(self, table: Table) -> int:
        key = next(iter(table.primary_key.columns)).name
        names = [column.name for column in table.columns]
        at, seen, kept = names.index(key), set[int](), 0
        sql = f"INSERT INTO {table.name} ({', '.join(names)}) VALUES ({', '.join('?' * len(names))})"
        for row in self._rows(table.name, names, key):
            named = dict(zip(names, row, strict=True))
            if row[at] in seen or not self._sound(table.name, named):
                continue
            try:
                self._new.execute(sql, row)
            except sqlite3.Error as error:
                self._lost.append(f"{table.name}: row {row[at]} holds what it cannot: {error}")
                continue
            seen.add(row[at])
            kept += 1
        self._parents[table.name] = seen
        return kept

    def _rows(self, table: str, names: list[str], key: str) -> Iterator[tuple[Any, ...]]:
        """Every row that can be read: upwards to the first damage, downwards to the last, and one by one between."""
        query = f"SELECT {', '.join(names)} FROM {table} WHERE {key}"
        at, low = names.index(key), -(2**62)
        try:
            for row in self._old.execute(f"{query} > ? ORDER BY {key}", (low,)):
                yield row
                low = row[at]
            return
        except sqlite3.Error as error:
            said = str(error)
        high: int | None = None
        with suppress(sqlite3.Error):
            for row in self._old.execute(f"{query} > ? ORDER BY {key} DESC", (low,)):
                yield row
                high = row[at]
        first = max(low + 1, 1)
        last = high - 1 if high is not None else first + self._probes
        failed: list[int] = []
        yield from self._between(f"{query} BETWEEN ? AND ?", first, last, failed)
        if failed and high is not None:
            self._lost.append(
                f"{table}: rows {failed[0]} to {failed[-1]}, {len(failed)} or fewer, cannot be read: {said}"
            )
        else:
            self._lost.append(f"{table}: rows from {failed[0] if failed else first} on cannot be read: {said}")

    def _between(self, query: str, first: int, last: int, failed: list[int]) -> Iterator[tuple[Any, ...]]:
        stack = [(first, last)]
        while stack and self._probes > 0:
            low, high = stack.pop()
            if low > high:
                continue
            self._probes -= 1
            try:
                found = self._old.execute(query, (low, high)).fetchall()
            except sqlite3.Error:
                if low == high:
                    failed.append(low)
                else:
                    middle = (low + high) // 2
                    stack += [(middle + 1, high), (low, middle)]
                continue
            yield from found

    def _sound(self, table: str, row: dict[str, Any]) -> bool:
        """Whether a row means something; makes up for a lost parent of samples, and says what is lost."""
        try:
            if table == "blocks":
                unpacked(row["data"])
                self._stand_in("column_sets", row["columns"], row)
            if table == "heats":
                HeatForm.from_table(json.loads(row["form"]))
            if table == "column_sets":
                json.loads(row["names"])
            if table in ("blocks", "marks", "heats"):
                self._stand_in("runs", row["run"], row)
        except (DamagedBlock, TypeError, ValueError, KeyError) as error:
            what = f"second {row['second']} of run {row['run']}" if table == "blocks" else f"row of {table}"
            self._lost.append(f"{what} is damaged: {error}")
            return False
        heat = row.get("heat")
        if heat is not None and heat not in self._parents["heats"]:
            self._lost.append(f"{table}: an entry of heat {heat}, which is lost")
            return False
        return True

    def _stand_in(self, table: str, key: int, row: dict[str, Any]) -> None:
        if key in self._parents[table] or not isinstance(key, int):
            return
        if table == "runs":
            began_ms = row.get("start_utc_ms", row.get("utc_ms"))
            values: tuple[Any, ...] = (key, f"lost-{key}", "lost", began_ms, "", "", "open")
            names = "seq, id, bench, started_utc_ms, zone, software, how"
        else:
            count = unpacked(row["data"])[1].shape[1]
            values, names = (key, json.dumps([f"lost_{key}_{i}" for i in range(count)])), "seq, names"
        self._new.execute(f"INSERT INTO {table} ({names}) VALUES ({', '.join('?' * len(values))})", values)
        self._parents[table].add(key)
        self._lost.append(f"{table}: row {key}; a stand-in was put in its place so that its samples are kept")
