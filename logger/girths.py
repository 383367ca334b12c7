"""Girths by level as a person wrote them, in TOML or CSV: what a tape and a mold give.

TOML:  name = "...", distal = "round" | "flat" | "conical", level_mm = [...], girth_mm = [...]
CSV:   a header level_mm,girth_mm and a row a level; lines that begin with # are passed over

In place of _mm stand _cm or _in. Levels count from the distal end.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

from thermal.fields import Fields, InputError, Range, near_matches

_METRES = {"mm": 1e-3, "cm": 1e-2, "in": 25.4e-3}
DISTAL = ("round", "flat", "conical")
#: What a limb, a trunk or a foot measures, from a finger splint to a body jacket (estimate); outside, a unit slipped.
GIRTH_M = (0.045, 1.8)
LENGTH_M = (0.03, 1.5)
_ANY = Range()


@dataclass(frozen=True)
class Girths:
    """A mold's girths: levels from the distal end and girths there, m; `distal` as in the file; `name` '' if none."""

    level_m: tuple[float, ...]
    girth_m: tuple[float, ...]
    distal: str = "round"
    name: str = ""

    def __post_init__(self) -> None:
        check(self.level_m, self.girth_m, "mold", "mm")


def girths_from_mapping(table: Mapping[str, Any], where: str) -> Girths:
    """Girths from the tables of a TOML file; `where` names it.

    Raises:
        InputError: a key or value that cannot be used.
    """
    fields = Fields(table, where)
    unit = _unit(list(table), where)
    levels = fields.numbers(f"level_{unit}", _ANY)
    girths = fields.numbers(f"girth_{unit}", _ANY)
    distal = fields.text("distal", DISTAL, default="round")
    name = fields.text("name", default="") if fields.has("name") else ""
    fields.close()
    return _girths(levels, girths, unit, where, distal, name)


def girths_from_csv(text: str, where: str, distal: str = "round") -> Girths:
    """Girths from the text of a CSV file; `where` names it.

    Raises:
        InputError: a header or cell that cannot be used.
    """
    lines = [(number, line) for number, line in enumerate(text.splitlines(), 1) if not _blank(line)]
    if len(lines) < 2:
        raise InputError(f"{where}: expected a header level_mm,girth_mm and a row a level; add them")
    header, *rows = ((number, next(csv.reader(io.StringIO(line)))) for number, line in lines)
    names = [cell.strip() for cell in header[1]]
    unit = _unit(names, where)
    wanted = [f"level_{unit}", f"girth_{unit}"]
    if sorted(names) != sorted(wanted):
        raise InputError(f"{where}: line {header[0]}: header {','.join(names)}: expected {','.join(wanted)}")
    columns = [names.index(name) for name in wanted]
    values = [[_number(row, number, names, column, where) for column in columns] for number, row in rows]
    levels, girths = (tuple(column) for column in zip(*values, strict=True))
    return _girths(levels, girths, unit, where, distal, "")


def _blank(line: str) -> bool:
    return not line.strip() or line.lstrip().startswith("#")


def _number(row: list[str], line: int, names: list[str], column: int, where: str) -> float:
    if len(row) != len(names):
        raise InputError(f"{where}: line {line}: {len(row)} cells: expected {len(names)}, one for each of the header")
    try:
        return float(row[column])
    except ValueError:
        raise InputError(
            f"{where}: line {line}: {names[column]} = {row[column]!r}: expected a number with a decimal point; "
            "correct it"
        ) from None


def _unit(names: list[str], where: str) -> str:
    for unit in _METRES:
        if f"girth_{unit}" in names:
            return unit
    hint = near_matches("girth_mm", names)
    raise InputError(f"{where}: girth_mm is missing{hint}: expected girth_mm, girth_cm or girth_in; say the unit in it")


def _girths(
    levels: tuple[float, ...], girths: tuple[float, ...], unit: str, where: str, distal: str, name: str
) -> Girths:
    metres = _METRES[unit]
    level_m, girth_m = (tuple(value * metres for value in values) for values in (levels, girths))
    check(level_m, girth_m, where, unit)
    return Girths(level_m, girth_m, distal, name)


def check(level_m: tuple[float, ...], girth_m: tuple[float, ...], where: str, unit: str) -> None:
    """Refuse what no mold measures; `unit` is the one that values were given in.

    Raises:
        InputError: not as many levels as girths, fewer than two, out of order, negative, or of another unit's size.
    """
    metres = _METRES[unit]
    if len(level_m) != len(girth_m) or len(level_m) < 2:
        raise InputError(
            f"{where}: {len(level_m)} levels and {len(girth_m)} girths: expected two or more levels with one girth each"
        )
    for level, girth in zip(level_m, girth_m, strict=True):
        if not girth > 0.0 or girth == float("inf"):
            raise InputError(
                f"{where}: girth {girth / metres:g} {unit} at level {level / metres:g} {unit}: expected a number above "
                "0; correct it"
            )
    if not level_m[0] >= 0.0:
        raise InputError(
            f"{where}: level {level_m[0] / metres:g} {unit}: expected 0 or more, counted from the distal end"
        )
    for before, after in pairwise(level_m):
        if not after > before:
            raise InputError(
                f"{where}: level {after / metres:g} {unit} stands after {before / metres:g} {unit}: expected levels "
                "that rise from the distal end; put them in order"
            )
    _sized("largest girth", max(girth_m), GIRTH_M, where, unit)
    _sized("length", level_m[-1], LENGTH_M, where, unit)


def _sized(what: str, value_m: float, allowed: tuple[float, float], where: str, unit: str) -> None:
    if allowed[0] <= value_m <= allowed[1]:
        return
    number = value_m / _METRES[unit]
    fitting = [u for u, m in _METRES.items() if u != unit and allowed[0] <= number * m <= allowed[1]]
    others = " or ".join(f"{number:g} {u} ({number * _METRES[u] * 1e3:.0f} mm)" for u in fitting)
    hint = f"was {others} meant? Give the values with that unit" if fitting else "correct it"
    raise InputError(
        f"{where}: {what} {number:g} {unit} ({value_m * 1e3:.4g} mm): expected {allowed[0] * 1e3:.0f} to "
        f"{allowed[1] * 1e3:.0f} mm; {hint}"
    )
