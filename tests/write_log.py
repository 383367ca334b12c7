"""What a program wrote and synced, read from a trace of its system calls, and the disk that a power cut would leave.

`strace` records every write, cut, name and sync of the program itself, its SQLite included. `Disk` plays that back: a
write is sure when its file was synced after it, a name (made, moved, removed) when its folder was. Of what is not sure,
a power cut leaves any part: that is the weakest promise a disk makes, weaker than ext4, xfs or NTFS keep. Memory that
SQLite maps (the -shm file) is no record and does not outlive the cut.
"""

from __future__ import annotations

import random
import re
import shutil
import subprocess
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path

SECTOR = 512
_CALLS = (
    "openat,write,writev,pwrite64,pwritev,lseek,ftruncate,truncate,rename,renameat,renameat2,unlink,unlinkat,mkdir,"
    "fsync,fdatasync"
)
_LINE = re.compile(r"^\d+ +(?:<\.\.\. (\w+) resumed>(.*)|(\w+)\((.*))$")
_HEX = r"((?:\\x[0-9a-f]{2})*)"


def can_trace() -> bool:
    """Whether strace is there and may be used."""
    program = shutil.which("strace")
    return program is not None and subprocess.run([program, "-qq", "true"], capture_output=True).returncode == 0


def trace(words: Sequence[str], log: Path, **more: object) -> None:
    """Run a program to its end under strace."""
    options = ["-f", "-qq", "-y", "-xx", "-s", "10000000", "-e", "signal=none", "-e", f"trace={_CALLS}", "-o", str(log)]
    done = subprocess.run(["strace", *options, *words], capture_output=True, text=True, **more)  # type: ignore[call-overload]
    assert done.returncode == 0, done.stderr


@dataclass(frozen=True)
class Call:
    """One call that succeeded. `path`: of the file; `data`: what was written; `at`: offset, length or result."""

    name: str
    path: str
    data: bytes = b""
    at: int = 0
    to: str = ""
    flags: str = ""


def _text(hexed: str) -> bytes:
    return bytes.fromhex(hexed.replace("\\x", ""))


def calls(log: Path) -> Iterator[Call]:
    """The calls of a trace in the order in which they ended."""
    begun: dict[str, str] = {}
    with log.open(encoding="ascii", errors="replace") as lines:
        for line in lines:
            found = _LINE.match(line.rstrip("\n"))
            if found is None:
                continue
            thread = line.split(maxsplit=1)[0]
            if line.rstrip().endswith("<unfinished ...>"):
                begun[thread] = found[4].rsplit("<unfinished ...>", 1)[0]
                continue
            name = found[1] or found[3]
            rest = begun.pop(thread, "") + found[2] if found[1] else found[4]
            call = _call(name, rest)
            if call is not None:
                yield call


def _call(name: str, rest: str) -> Call | None:
    found = re.search(r"\) += (-?\d+)[^)]*$", rest)
    if found is None or int(found[1]) < 0:
        return None
    words, given = rest[: found.start()], int(found[1])
    of_file = re.match(rf"(\d+)<{_HEX}>(?:\(deleted\))?", words)
    path = _text(of_file[2]).decode() if of_file else ""
    strings = [_text(one) for one in re.findall(rf'"{_HEX}"', words)]
    match name:
        case "write":
            return Call("write", path, strings[0][:given] if strings else b"")
        case "pwrite64":
            return Call("pwrite", path, strings[0][:given], int(words.rsplit(",", 1)[1]))
        case "writev" | "pwritev":
            raise AssertionError(f"{name} of {path}: not played back")
        case "lseek":
            return Call("seek", path, at=given)
        case "ftruncate":
            return Call("cut", path, at=int(words.rsplit(",", 1)[1]))
        case "truncate":
            return Call("cut", strings[0].decode(), at=int(words.rsplit(",", 1)[1]))
        case "fsync" | "fdatasync":
            return Call("sync", path)
        case "unlink" | "unlinkat":
            return Call("remove", strings[-1].decode())
        case "rename" | "renameat" | "renameat2":
            return Call("move", strings[0].decode(), to=strings[1].decode())
        case "mkdir":
            return Call("folder", strings[0].decode())
        case "openat":
            return Call("open", strings[-1].decode(), flags=words.rsplit('"', 1)[1])
    return None


@dataclass
class _File:
    """Content that is sure, and (offset, data) or (length, None) of what is not, in order."""

    sure: bytearray = field(default_factory=bytearray)
    unsure: list[tuple[int, bytes | None]] = field(default_factory=list)

    def sync(self) -> None:
        for at, data in self.unsure:
            _apply(self.sure, at, data)
        self.unsure.clear()

    def left(self, draw: random.Random | None) -> bytes:
        """What a cut leaves; `draw` None: nothing of what is not sure."""
        content = bytearray(self.sure)
        if draw is None:
            return bytes(content)
        for at, data in self.unsure:
            if data is None:
                if draw.random() < 0.5:
                    _apply(content, at, None)
                continue
            how = draw.random()
            for first in range(0, len(data), SECTOR) if how < 0.75 else ():
                if how < 0.25 or draw.random() < 0.5:  # all of it, or any of its sectors
                    _apply(content, at + first, data[first : first + SECTOR])
        return bytes(content)


def _apply(content: bytearray, at: int, data: bytes | None) -> None:
    if data is None:
        del content[at:]
        content.extend(bytes(at - len(content)))
        return
    content.extend(bytes(max(at - len(content), 0)))
    content[at : at + len(data)] = data


class Disk:
    """The files below one folder, which itself is sure."""

    def __init__(self, root: Path) -> None:
        self._root = str(root.resolve())
        self._now: dict[str, _File | None] = {}
        self._sure: dict[str, _File | None] = {}
        #: (path, what it names afterwards, or 'gone'); a move is one of its own name and one of the old.
        self._unsure: list[list[tuple[str, _File | str | None]]] = []
        self._places: dict[str, int] = {}

    def take(self, call: Call) -> bool:
        """Play one call back; whether it was a sync of these files."""
        path = call.path
        if not path.startswith(self._root + "/") and not (path == self._root and call.name == "sync"):
            return False
        file = self._now.get(path)
        match call.name:
            case "open":
                if path not in self._now and "O_CREAT" in call.flags:
                    self._name((path, _File()))
                elif file is not None and "O_TRUNC" in call.flags:
                    file.unsure.append((0, None))
                self._places[path] = 0
            case "folder":
                self._name((path, None))
            case "seek":
                self._places[path] = call.at
            case "write" if file is not None:
                at = self._places.get(path, 0)
                file.unsure.append((at, call.data))
                self._places[path] = at + len(call.data)
            case "pwrite" if file is not None:
                file.unsure.append((call.at, call.data))
            case "cut" if file is not None:
                file.unsure.append((call.at, None))
            case "remove":
                self._name((path, "gone"))
            case "move":
                self._name((call.to, file), (path, "gone"))
            case "sync":
                if file is not None:
                    file.sync()
                else:
                    self._sync_folder(path)
                return True
        return False

    def _name(self, *changes: tuple[str, _File | str | None]) -> None:
        self._unsure.append(list(changes))
        _rename(self._now, changes)

    def _sync_folder(self, folder: str) -> None:
        later = []
        for changes in self._unsure:
            if any(path.rpartition("/")[0] == folder for path, _ in changes):
                _rename(self._sure, changes)
            else:
                later.append(changes)
        self._unsure = later

    def leave(self, target: Path, draw: random.Random | None = None) -> None:
        """Write what a power cut now would leave into a new folder.

        Args:
            draw: None: nothing of what is not sure, names that are not sure left out as well; else any part of it.
        """
        names = dict(self._sure)
        if draw is not None:
            stop = draw.randint(0, len(self._unsure))
            for changes in self._unsure[:stop]:  # a file system keeps the order of its names
                _rename(names, changes)
        for path in sorted(names):
            place, file = target / path[len(self._root) + 1 :], names[path]
            if not place.parent.is_dir() or path.endswith("-shm"):
                continue
            if file is None:
                place.mkdir()
            else:
                place.write_bytes(file.left(draw))


def _rename(names: dict[str, _File | None], changes: Sequence[tuple[str, _File | str | None]]) -> None:
    for path, file in changes:
        if isinstance(file, str):
            names.pop(path, None)
        else:
            names[path] = file
