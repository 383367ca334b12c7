"""The table of a heat file: columns of texts, and what their cells mean; and the way back.

Numbers are exact both ways: a float64 is written by its shortest text that reads back to it.
"""

from __future__ import annotations

import csv
import io
import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import NoReturn

import numpy as np
from numpy.typing import NDArray

from thermal.fields import InputError, near_matches
from thermal.heat import (
    EVENT,
    TIME,
    TIME_S,
    Event,
    Heat,
    expected_reading,
    first_implausible,
    inside,
    role_of,
)

Array = NDArray[np.float64]

_DECIMAL_COMMA = re.compile(r"\s*[+-]?[0-9]*,[0-9]+\s*")
#: A number would not give these back: leading zeros of a label, digits beyond what a float64 holds.
_LABEL = re.compile(r"\s*[+-]?(0[0-9]|[0-9]{16})")


@dataclass(frozen=True)
class Table:
    """The table before its cells mean anything: by column the texts, and the line of each row in the file."""

    where: str
    names: tuple[str, ...]
    cells: Mapping[str, Sequence[str]]
    lines: Sequence[int]

    def refuse(self, row: int, name: str, expected: str) -> NoReturn:
        """Raise the error for a cell; `row` counts from 0."""
        raise InputError(
            f"{self.where}: row {row + 1} (line {self.lines[row]}): "
            f"{name} = {self.cells[name][row]!r}: expected {expected}"
        )


def parse_table(lines: list[str], above: int, where: str) -> Table:
    """Header and rows. `above` is the number of lines before these."""
    names = _names(lines[0], f"{where}: line {above + 1}")
    reader = csv.reader(io.StringIO("\n".join(lines[1:]), newline=""), strict=True)
    rows: list[list[str]] = []
    numbers: list[int] = []
    start = above + 2
    try:
        for row in reader:
            if len(row) == len(names) and (len(row) > 1 or row[0].strip()):
                rows.append(row)
                numbers.append(start)
            elif "".join(row).strip() or len(row) > 1:  # else the line is blank
                _refuse_row(row, len(rows) + 1, start, len(names), where)
            start = above + 2 + reader.line_num
    except csv.Error as error:
        line = above + 1 + reader.line_num
        raise InputError(f"{where}: line {line}: cannot be read ({error}): check its double quotes") from None
    if not rows:
        raise InputError(f"{where}: there are no rows below the header: expected one or more; was it cut off?")
    return Table(where, names, dict(zip(names, zip(*rows, strict=True), strict=True)), numbers)


def _refuse_row(row: list[str], number: int, line: int, width: int, where: str) -> NoReturn:
    place = f"{where}: row {number} (line {line})"
    if row[0].startswith("#"):
        raise InputError(f"{place}: a '#' line among the rows: expected these above the header; move it in a copy")
    if len(row) > width:
        advice = "a decimal comma or a comma in a text without double quotes would do that"
    else:
        advice = "the recording may have been cut off here; if so, remove this row in a copy"
    cells = "there is 1 cell" if len(row) == 1 else f"there are {len(row)} cells"
    raise InputError(f"{place}: {cells}: expected {width}, as in the header; {advice}")


def _names(header: str, place: str) -> tuple[str, ...]:
    """Column names of the header line, once each, with time among them."""
    if header.startswith('"#'):
        raise InputError(
            f"{place}: {header[:20]!r} is how a spreadsheet leaves a '#' line when it saves: "
            "expected the file as it was recorded; use the original"
        )
    for mark, word in ((";", "semicolons"), ("\t", "tabs")):
        if mark in header and "," not in header:
            raise InputError(
                f"{place}: the columns are separated by {word}: expected commas, and a decimal "
                "point in numbers; export the file again that way"
            )
    try:
        names = tuple(name.strip() for name in next(csv.reader([header], strict=True)))
    except csv.Error as error:
        raise InputError(f"{place}: the header cannot be read ({error}): check its double quotes") from None
    if TIME not in names:
        raise InputError(
            f"{place}: the header has no column {TIME}{near_matches(TIME, names)}: expected "
            "seconds since the sheet entered the oven; add or rename the column"
        )
    for index, name in enumerate(names):
        if not name:
            raise InputError(f"{place}: column {index + 1} has no name: expected one; name it in a copy")
        if name in names[:index]:
            raise InputError(f"{place}: column {name} is there twice: expected each name once; rename one")
    return names


def _number(cell: str) -> float | None:
    """The number in a cell, NaN where it is empty or 'nan', None where it is no number."""
    if not cell.strip():
        return math.nan
    if "_" in cell or not cell.isascii():  # Python would read 1_000 and other scripts' digits as numbers
        return None
    try:
        return float(cell)
    except ValueError:
        return None


def _numbers(cells: Sequence[str]) -> Array | int:
    """All cells as numbers, or the index of the first that is none."""
    joined = ",".join(cells)
    if joined.isascii() and "_" not in joined:  # the usual file: one pass without looking at each cell
        try:
            return np.array([float(cell) if cell else math.nan for cell in cells])
        except ValueError:
            pass
    values = np.empty(len(cells))
    for row, cell in enumerate(cells):
        value = _number(cell)
        if value is None:
            return row
        values[row] = value
    return values


def _wanted(cell: str, name: str) -> str:
    if _DECIMAL_COMMA.fullmatch(cell):
        return f"a decimal point instead of the comma: {cell.strip().replace(',', '.')}"
    return "seconds, a number" if name == TIME else "a number, or nothing where there is a gap"


def times_in(table: Table) -> Array:
    """The times, shape (rows,), s; refuses gaps and times that do not increase."""
    times = _numbers(table.cells[TIME])
    if isinstance(times, int):
        table.refuse(times, TIME, _wanted(table.cells[TIME][times], TIME))
    wrong = np.flatnonzero(~inside(times, TIME_S))
    if wrong.size:
        table.refuse(int(wrong[0]), TIME, str(TIME_S))
    falls = np.flatnonzero(np.diff(times) <= 0.0)
    if falls.size:
        row = int(falls[0]) + 1
        table.refuse(row, TIME, f"a time after that of the row before, {float(times[row - 1])!r} s")
    return times


def readings_in(table: Table, name: str) -> Array:
    """A column's readings, shape (rows,), NaN for a gap; refuses what its role cannot be."""
    values = _numbers(table.cells[name])
    if isinstance(values, int):
        table.refuse(values, name, _wanted(table.cells[name][values], name))
    wrong = first_implausible(name, values)
    if wrong is not None:
        table.refuse(wrong, name, expected_reading(name, float(values[wrong])))
    return values


def text_columns_in(table: Table) -> dict[str, tuple[str, ...]]:
    """Columns of unknown name that are not numbers throughout, or would lose digits as such."""
    found = {}
    for name in table.names:
        cells = table.cells[name]
        if name in (TIME, EVENT) or role_of(name) is not None:
            continue
        if isinstance(_numbers(cells), int) or any(map(_LABEL.match, cells)):
            found[name] = tuple(cells)
    return found


def events_in(table: Table, time_s: Array) -> tuple[Event, ...]:
    """Events in file order; several in one cell are separated by ';'."""
    return tuple(
        Event(float(time_s[row]), " ".join(name.split()))
        for row, cell in enumerate(table.cells.get(EVENT, ()))
        if cell
        for name in cell.split(";")
        if name.strip()
    )


def emit_table(heat: Heat) -> str:
    """Header and rows as CSV, floats by their shortest exact text, gaps empty."""
    happened: dict[float, list[str]] = {}
    for event in heat.events:
        happened.setdefault(event.time_s, []).append(event.name)
    times = heat.time_s.tolist()
    row_of = {time: row for row, time in enumerate(times)}
    readings = [["" if v != v else repr(v) for v in column.tolist()] for column in heat.columns.values()]
    cells = list(zip(*readings, *heat.text_columns.values(), strict=True)) or [()] * len(times)
    names = [TIME, *heat.columns, *heat.text_columns, *([EVENT] if happened else [])]
    nothing = ("",) * (len(heat.columns) + len(heat.text_columns))
    out = io.StringIO(newline="")
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(names)
    for time in sorted({*times, *happened}):
        row = [repr(float(time)), *(cells[row_of[time]] if time in row_of else nothing)]
        writer.writerow([*row, ";".join(happened.get(time, ()))] if happened else row)
    return out.getvalue()
