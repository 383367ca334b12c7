"""What was asked on the line of `pullcue watch`: the sheet, what each line stands for, what is trusted."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from dashboard.plan_question import Question
from thermal.fields import InputError, Range, near_matches, shown
from thermal.heat import DROP_MM, Heat

if TYPE_CHECKING:
    from dashboard.follower import Followed
    from logger.bench import Bench

RISK = Range("as a share, 0.01 is one in a hundred", at_least=0.0001, at_most=0.5)
_LINE_MM = Range("mm of drop", above=0.0, at_most=DROP_MM.at_most)
_LINE = re.compile(r"(?:line_?)?([123])\s*=\s*(.+)")
_OF_HEAD = re.compile(r"line_([123])(?:_mm)?")
#: A mark's note that says what its line stands for, as the recorder writes it.
_IN_NOTE = re.compile(r"drop ([0-9]+(?:\.[0-9]+)?) mm")


@dataclass(frozen=True)
class Wanted:
    """Options beyond those of a plan.

    Attributes:
        line_mm: by event ('line_1'). risk: None: as usual. trusted: columns.
    """

    line_mm: Mapping[str, float]
    risk: float | None
    trusted: frozenset[str]


def wanted(lines: Sequence[str], bench: Bench | None, risk: float | None, trusted: Iterable[str]) -> Wanted:
    """The options, checked.

    Args:
        lines: as '1=40'. bench: whose lines count where the options say nothing.

    Raises:
        InputError: one of them cannot be used.
    """
    if risk is not None and not RISK.holds(risk):
        raise InputError(f"--risk {risk:g}: expected {RISK}")
    line_mm = {**(bench.lines_mm or {} if bench else {}), **dict(_line(text) for text in lines)}
    return Wanted(line_mm, risk, frozenset(trusted))


def _line(text: str) -> tuple[str, float]:
    match = _LINE.fullmatch(text.strip().lower())
    try:
        value = float(match[2].removesuffix("mm")) if match else float("nan")
    except ValueError:
        value = float("nan")
    if match is None or not _LINE_MM.holds(value):
        raise InputError(f"--line {shown(text)}: expected a line and {_LINE_MM}, as 1=40")
    return f"line_{match[1]}", value


def lines_of_head(heat: Heat) -> dict[str, float]:
    """What the head of a heat file says of its lines: line_1_mm = 40, a table [lines], or notes of marks."""
    tables: list[Mapping[str, Any]] = [heat.extra]
    if isinstance(lines := heat.extra.get("lines"), Mapping):
        tables.append(lines)
    found = {
        f"line_{match[1]}": float(value)
        for table in tables
        for key, value in table.items()
        if (match := _OF_HEAD.fullmatch(key)) and _is_line(value)
    }
    marks = heat.extra.get("marks")
    noted = lines_in_notes(
        (str(mark.get("name")), str(mark.get("note", "")))
        for mark in (marks if isinstance(marks, list) else [])
        if isinstance(mark, Mapping)
    )
    return {**noted, **found}


def lines_in_notes(marks: Iterable[tuple[str, str]]) -> dict[str, float]:
    """Drop of each line by the notes of its marks, mm.

    Args:
        marks: name and note of each.
    """
    return {
        name: float(match[1])
        for name, note in marks
        if name in ("line_1", "line_2", "line_3") and (match := _IN_NOTE.search(note)) and _is_line(float(match[1]))
    }


def _is_line(value: object) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and _LINE_MM.holds(float(value))


def must_have(columns: Iterable[str], trusted: Iterable[str]) -> None:
    """Refuse to trust a column that is not there.

    Raises:
        InputError: with near matches.
    """
    known = sorted(columns)
    for name in trusted:
        if name not in known:
            raise InputError(
                f"--trust {name}: there is no such column{near_matches(name, known)}: expected one of "
                f"{', '.join(known) or 'none: nothing is measured'}"
            )


def followed_of(asked: Question, more: Wanted, line_mm: Mapping[str, float]) -> Followed:
    """What is followed.

    Args:
        line_mm: of the file or the bench, where `more` says nothing.

    Raises:
        InputError: a drop that this sheet cannot have.
    """
    from calibration.estimator import RISK as USUAL
    from dashboard.follower import Followed
    from thermal.plan import limits_of

    of = limits_of(asked.case, asked.drop_m, asked.clearance_m)
    known = {**line_mm, **more.line_mm}
    _must_fall(known)
    return Followed(
        asked.case, of, asked.room_c, known, USUAL if more.risk is None else more.risk, more.trusted, asked.notes
    )


def _must_fall(line_mm: Mapping[str, float]) -> None:
    depths = [line_mm[name] for name in sorted(line_mm)]
    if depths != sorted(set(depths)):
        words = ", ".join(f"{name} {line_mm[name]:g} mm" for name in sorted(line_mm))
        raise InputError(f"--line: {words}: expected each line lower than the one before, in mm of drop")
