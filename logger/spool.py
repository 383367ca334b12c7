"""The spool: a folder on the recorder's own disk through which everything recorded goes, in order, to the store.

A frame is the magic bytes, the length and the CRC-32 of what follows, and a zlib-packed body: a JSON head with marks,
actions and the shapes of the blocks, then the blocks' arrays as they lie in memory (little-endian). `append` returns
when the frame is on the disk (fsync). Frames stand in numbered segments; one whose frames were all stored is emptied
and written from its beginning again, or deleted when it is not the newest. A frame that was cut short or altered is
passed over, and the reading goes on at the next magic bytes; the damaged segment is kept beside the others under
another name, and `damaged` says how much could not be read.

What was stored, but not dropped before a crash, is read again: the store ignores what it has. A power cut brings back
at most what was appended last, since whatever is appended takes the emptying before it to the disk.
"""

from __future__ import annotations

import json
import os
import struct
import zlib
from collections import deque
from collections.abc import Iterator, Sequence
from contextlib import suppress
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from logger.actions import Action, action_from_table, action_table
from logger.disk import make_folder, sync, sync_folder
from logger.filelock import FileLock
from logger.records import Block, Mark

_MAGIC = b"\xf5pcQ"
_HEAD = struct.Struct("<4sII")
#: A segment is closed when it holds this much, bytes.
_SEGMENT = 4_000_000
#: No frame is larger: a length beyond is damage.
_LARGEST = 256_000_000
#: So many entries are kept in memory as well, so that they need not be read back: a few rounds of one bench.
_IN_MEMORY = 60
_SUFFIX, _DAMAGED = ".spool", ".damaged"
_DTYPES = (("offsets_ms", "<i4"), ("values", "<f8"), ("states", "u1"))


@dataclass(frozen=True)
class Entry:
    """What was recorded at one time, to be stored as a whole: blocks and marks first, then the actions in order."""

    blocks: tuple[Block, ...] = ()
    marks: tuple[Mark, ...] = ()
    actions: tuple[Action, ...] = ()

    @property
    def empty(self) -> bool:
        """Whether there is nothing in it."""
        return not (self.blocks or self.marks or self.actions)


@dataclass(slots=True)
class _Place:
    """Where a frame stands; the entry itself while few wait.

    Attributes:
        token: counts the frames of this process from 1. segment, start, end: of the frame, bytes.
    """

    token: int
    segment: int
    start: int
    end: int
    entry: Entry | None


class Spool:
    """The spool in one folder, of one bench. Calls come from one thread at a time.

    Args:
        folder: made where it is not there. segment_bytes: how large a file grows.

    Raises:
        InputError: another recorder is using the folder.
    """

    def __init__(self, folder: Path, segment_bytes: int = _SEGMENT) -> None:
        self.folder = folder
        make_folder(folder)
        self._lock = FileLock(folder / "lock", "another recorder of this bench is running: stop it first")
        self._segment_bytes = segment_bytes
        self.damaged: list[str] = []
        self._segments: dict[int, int] = {}
        self._places: deque[_Place] = deque()
        self._count = 0
        #: The segment that is written; a new one after a start, since an old one may end in half a frame.
        self._writing: int | None = None
        for number in self._numbers():
            self._look_through(number)

    def __len__(self) -> int:
        """How many entries wait."""
        return len(self._places)

    def append(self, blocks: Sequence[Block], marks: Sequence[Mark], actions: Sequence[Action] = ()) -> int:
        """Keep these behind all others; on the disk when it returns, with the token that drops it.

        Raises:
            OSError: it could not be kept, and nothing of it will be read.
        """
        entry = Entry(tuple(blocks), tuple(marks), tuple(actions))
        data = _frame(entry)
        number = self._writable()
        path, before = self._path(number), self._segments[number]
        try:
            self._write(path, before, data)
        except OSError:
            self._take_back(path, number, before)
            raise
        self._segments[number] = before + len(data)
        kept = entry if len(self._places) < _IN_MEMORY else None
        self._places.append(self._place(number, before, before + len(data), kept))
        return self._count

    def pending(self) -> Iterator[tuple[int, Entry]]:
        """What waits, in order; each with the token that drops it and all before."""
        read: tuple[int, bytes] = (0, b"")
        for place in tuple(self._places):
            entry = place.entry
            if entry is None:
                if read[0] != place.segment:
                    read = (place.segment, self._path(place.segment).read_bytes())
                entry = self._read(read[1], place)
            yield place.token, entry

    def drop_through(self, token: int) -> None:
        """Forget all up to this token: it is stored."""
        while self._places and self._places[0].token <= token:
            self._places.popleft()
        first = self._places[0].segment if self._places else None
        for number in sorted(self._segments):
            if first is not None and number >= first:
                break
            self._discard(number)

    def close(self) -> None:
        """Let go of the folder; may be called twice. A file in which nothing waits is taken away."""
        if self._writing is not None and not self._places:
            with suppress(OSError):
                self._path(self._writing).unlink(missing_ok=True)
        self._lock.close()

    def _place(self, segment: int, start: int, end: int, entry: Entry | None) -> _Place:
        self._count += 1
        return _Place(self._count, segment, start, end, entry)

    # ------------------------------------------------------------ writing

    def _write(self, path: Path, before: int, data: bytes) -> None:
        is_new = not path.exists()
        with path.open("r+b" if not is_new else "xb") as file:
            file.seek(before)
            file.write(data)
            file.flush()
            sync(file.fileno())
        if is_new:
            sync_folder(self.folder)

    def _take_back(self, path: Path, number: int, before: int) -> None:
        """Remove a half-written frame; where even that fails, the reader passes over it, and a new segment begins."""
        try:
            if path.exists():
                os.truncate(path, before)
        except OSError:
            self._writing = None
            self._segments[number] = self._segment_bytes

    def _writable(self) -> int:
        if self._writing is None or self._segments.get(self._writing, self._segment_bytes) >= self._segment_bytes:
            self._writing = max([*self._segments, self._writing or 0, *self._numbers(_DAMAGED)], default=0) + 1
            self._segments[self._writing] = 0
        return self._writing

    # ------------------------------------------------------------ reading

    def _look_through(self, number: int) -> None:
        """Note what a segment of an earlier recorder holds, and what of it cannot be read."""
        data = self._path(number).read_bytes()
        self._segments[number] = len(data)
        bad = start = 0
        for found, end, body in _scan(data):
            bad += found - start
            start = end
            try:
                entry = _entry(body)
            except (ValueError, KeyError, TypeError, zlib.error, struct.error) as error:
                self._note(number, f"an entry cannot be understood ({error})")
                continue
            kept = entry if len(self._places) < _IN_MEMORY else None
            self._places.append(self._place(number, found, end, kept))
        if bad := bad + len(data) - start:
            self._note(number, f"{bad} bytes cannot be read")

    def _read(self, data: bytes, place: _Place) -> Entry:
        """An entry that was whole when it was written; where it no longer is, that is said and nothing is made up."""
        found = next(_scan(data[place.start : place.end]), None)
        if found is None:
            self._note(place.segment, f"{place.end - place.start} bytes cannot be read any more")
            return Entry()
        return _entry(found[2])

    def _note(self, number: int, words: str) -> None:
        self.damaged.append(f"{self._path(number).name}: {words}: the file was cut short or altered")

    def _discard(self, number: int) -> None:
        """Let go of a segment of which nothing waits; a damaged one is kept under another name."""
        path = self._path(number)
        try:
            if any(text.startswith(f"{path.name}:") for text in self.damaged):
                path.replace(path.with_suffix(_DAMAGED))
            elif number == self._writing and self._segments[number] < self._segment_bytes:
                if self._segments[number]:
                    os.truncate(path, 0)
                    self._segments[number] = 0
                return
            else:
                path.unlink(missing_ok=True)
        except OSError:
            return  # held by another program for a moment: tried again with the next drop
        self._segments.pop(number, None)

    def _path(self, number: int) -> Path:
        return self.folder / f"{number:010d}{_SUFFIX}"

    def _numbers(self, suffix: str = _SUFFIX) -> list[int]:
        return sorted(int(path.stem) for path in self.folder.glob(f"*{suffix}") if path.stem.isdigit())


# ---------------------------------------------------------------- frames


def _frame(entry: Entry) -> bytes:
    head: dict[str, Any] = {
        "marks": [asdict(mark) for mark in entry.marks],
        "actions": [action_table(action) for action in entry.actions],
        "blocks": [
            {
                "bench": block.bench,
                "run": block.run,
                "second": block.second,
                "utc_ms": block.utc_ms,
                "columns": block.columns,
                "rows": int(block.offsets_ms.size),
            }
            for block in entry.blocks
        ],
    }
    text = json.dumps(head, separators=(",", ":"), allow_nan=False).encode()
    parts = [struct.pack("<I", len(text)), text]
    for block in entry.blocks:
        parts += [np.ascontiguousarray(getattr(block, name), dtype=kind).tobytes() for name, kind in _DTYPES]
    body = zlib.compress(b"".join(parts), 1)
    return _HEAD.pack(_MAGIC, len(body), zlib.crc32(body)) + body


def _entry(body: bytes) -> Entry:
    data = zlib.decompress(body)
    (length,) = struct.unpack_from("<I", data)
    head = json.loads(data[4 : 4 + length])
    place = 4 + length
    blocks = []
    for table in head["blocks"]:
        rows, columns = table["rows"], tuple(table["columns"])
        arrays: list[NDArray[Any]] = []
        for name, kind in _DTYPES:
            shape = (rows,) if name == "offsets_ms" else (rows, len(columns))
            array = np.frombuffer(data, kind, int(np.prod(shape)), place).reshape(shape)
            arrays.append(array.astype(array.dtype.newbyteorder("=")))
            place += array.nbytes
        blocks.append(Block(table["bench"], table["run"], int(table["second"]), int(table["utc_ms"]), columns, *arrays))
    marks = tuple(Mark(**table) for table in head["marks"])
    return Entry(tuple(blocks), marks, tuple(action_from_table(table) for table in head["actions"]))


def _scan(data: bytes) -> Iterator[tuple[int, int, bytes]]:
    """Where each whole frame begins and ends, and its body."""
    place = data.find(_MAGIC)
    while place >= 0 and place + _HEAD.size <= len(data):
        _, length, checksum = _HEAD.unpack_from(data, place)
        end = place + _HEAD.size + length
        body = data[place + _HEAD.size : end]
        if length <= _LARGEST and end <= len(data) and zlib.crc32(body) == checksum:
            yield place, end, body
            place = data.find(_MAGIC, end)
        else:
            place = data.find(_MAGIC, place + 1)
