"""What people mark, and the mailbox through which another program hands a mark to the recorder that runs.

The mailbox of a bench is a folder. `pullcue mark` writes one small JSON file into it, under another name first and then
renamed, so that a reader never sees half of one; the recorder takes the files in the order of their numbers and deletes
each when what it asks is stored. Without a recorder the files stay, and the next one takes them.

A file that appears while a recorder runs was written between its last two looks, whatever the clocks of the two
programs say; a file that was there before it started is placed by its UTC.
"""

from __future__ import annotations

import json
import os
from collections.abc import Iterable, Mapping
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from logger.bench import Bench
from logger.disk import make_folder, sync, sync_folder
from logger.records import UNDO, HeatForm, Mark, new_id
from thermal.fields import Fields, InputError, Range, near_matches
from thermal.heat import EVENTS

START, PULLED, DOOR_OPEN, DOOR_CLOSED = "start", "pulled", "door_open", "door_closed"
#: Nothing happened at the bench: somebody says something of the sheet.
FORM = "form"
#: What a person may mark.
NAMES = (START, *EVENTS)
#: A moment that somebody remembers, s before now. Before an earlier start samples may be thinned already.
AGO_S = Range("s", at_least=0.0, at_most=1800.0)
_LONGEST_NOTE = 500
_SUFFIX, _REFUSED = ".mark", ".refused"
_UNITS = {"s": 1.0, "min": 60.0, "m": 60.0}


@dataclass(frozen=True)
class Request:
    """What one `pullcue mark` asks for.

    Attributes:
        id: of the mark that comes of it. name: of `NAMES`, 'form' or 'undo'. ago_s: how long before the asking it
        happened.
        utc_ms: when it was asked. by: initials. undoes: for 'undo' the id of a mark, None for the last one.
        form: for 'start' and 'form' what is said of the heat, as `HeatForm.as_table`.
    """

    id: str
    name: str
    utc_ms: int
    ago_s: float = 0.0
    by: str = ""
    note: str = ""
    undoes: str | None = None
    form: Mapping[str, Any] | None = None

    def __post_init__(self) -> None:
        if self.form is not None:
            HeatForm.from_table(self.form)  # refuses what a form cannot hold
        if self.name not in (*NAMES, FORM, UNDO):
            raise InputError(f"mark {self.name!r}: expected one of {', '.join(NAMES)}{near_matches(self.name, NAMES)}")
        if not AGO_S.holds(self.ago_s):
            raise InputError(f"{self.ago_s:g} s ago: expected {AGO_S}; samples from before may be thinned already")
        if self.name == FORM and not self.form:
            raise InputError("form: nothing is said of the sheet: expected entries of the form, as --label; add one")
        if len(self.note) > _LONGEST_NOTE:
            raise InputError(f"a note of {len(self.note)} letters: expected {_LONGEST_NOTE} at most; shorten it")


def request(name: str, utc_ms: int, ago_s: float = 0.0, by: str = "", note: str = "",
            form: Mapping[str, Any] | None = None) -> Request:  # fmt: skip
    """A new request to mark something.

    Args:
        name: as people write it: 'clear through' and 'clear-through' are 'clear_through'.

    Raises:
        InputError: a name that is none, with near matches; a time ago that is negative or above 30 min.
    """
    return Request(new_id(), tidied(name), utc_ms, ago_s, by, note, form=form)


def tidied(name: str) -> str:
    """A mark's name as people write it, in one spelling: 'Clear through' is 'clear_through'."""
    return "_".join(name.lower().replace("-", " ").replace("_", " ").split())


def undo(utc_ms: int, by: str = "", undoes: str | None = None) -> Request:
    """A new request to take back a mark: the last one, or the one of an id."""
    return Request(new_id(), UNDO, utc_ms, by=by, undoes=undoes)


def ago_s(text: str) -> float:
    """Seconds of '20s', '20', '5min' or '1.5 m'.

    Raises:
        InputError: it is none of these, or out of range.
    """
    number, unit = text.strip().lower(), "s"
    for known in ("min", "s", "m"):
        if number.endswith(known):
            number, unit = number.removesuffix(known).strip(), known
            break
    try:
        value = float(number) * _UNITS[unit]
    except ValueError:
        value = float("nan")
    if not AGO_S.holds(value):
        raise InputError(f"--ago {text!r}: expected {AGO_S}, as 20s or 5min")
    return value


def drop_note(bench: Bench, name: str) -> str:
    """What a painted line means on this bench, for the mark's note; '' for other marks and unknown lines."""
    depth_mm = (bench.lines_mm or {}).get(name)
    return "" if depth_mm is None else f"drop {depth_mm:g} mm"


def drop_points(bench: Bench, marks: Iterable[Mark]) -> list[tuple[float, float]]:
    """The bubble's drop as its lowest point passed the painted lines: (s of the run, mm), for marks in force."""
    lines = bench.lines_mm or {}
    return sorted((mark.at_s, lines[mark.name]) for mark in marks if mark.name in lines)


class Mailbox:
    """The marks that wait for the recorder of a bench.

    Args:
        folder: made where it is not there.
    """

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        make_folder(folder)

    def post(self, request: Request) -> Path:
        """Hand over a request; it is on the disk when this returns."""
        number = max((self._number(path) for path in self._files()), default=0) + 1
        path = self.folder / f"{number:010d}-{request.id}{_SUFFIX}"
        part = path.with_suffix(".part")
        with part.open("xb") as file:
            file.write(json.dumps(asdict(request)).encode())
            file.flush()
            sync(file.fileno())
        os.replace(part, path)
        sync_folder(self.folder)
        return path

    def waiting(self) -> list[Request]:
        """What waits, in order. A file that is no request is put aside as '.refused', for a person to look at."""
        found = []
        for path in sorted(self._files(), key=lambda path: (self._number(path), path.name)):
            try:
                found.append(_read(path))
            except OSError:
                break  # held by another program for a moment; those behind it wait, so that the order stays
            except (ValueError, InputError):
                self._refuse(path)
        return found

    def refused(self) -> list[Path]:
        """Files that were put aside because they hold no request."""
        return sorted(self.folder.glob(f"*{_REFUSED}"))

    def taken(self, id: str) -> bool:
        """Delete a request: it is stored. False where it is held by another program for a moment."""
        try:
            for path in self.folder.glob(f"*-{id}{_SUFFIX}"):
                path.unlink(missing_ok=True)
        except OSError:
            return False
        return True

    def _files(self) -> list[Path]:
        # Asked several times a second by every bench: a glob costs ten times as much.
        try:
            names = os.listdir(self.folder)
        except FileNotFoundError:
            return []
        return [self.folder / name for name in names if "-" in name and name.endswith(_SUFFIX)]

    @staticmethod
    def _number(path: Path) -> int:
        number = path.name.partition("-")[0]
        return int(number) if number.isdecimal() else 0

    @staticmethod
    def _refuse(path: Path) -> None:
        try:
            path.replace(path.with_suffix(_REFUSED))
        except OSError:
            return


def _read(path: Path) -> Request:
    table: Mapping[str, Any] = json.loads(path.read_bytes())
    fields = Fields(table, path.name)
    found = Request(
        id=fields.text("id"),
        name=fields.text("name"),
        utc_ms=int(fields.number("utc_ms")),
        ago_s=fields.number("ago_s"),
        by=str(fields.raw("by")),
        note=str(fields.raw("note")),
        undoes=fields.text("undoes") if table.get("undoes") is not None else None,
        form=table.get("form"),
    )
    fields.has("undoes")
    fields.has("form")
    fields.close()
    return found
