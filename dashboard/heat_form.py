"""A heat's form as people fill it in: each entry read from a word, checked, and refused aloud where it cannot be used.

No patient names: the shop's own job number leads to the patient's file, and nothing here needs more.
"""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Mapping
from typing import Any

from logger.records import CHECKS, HeatForm, correctable_fields
from thermal.fields import TEMPERATURE_C, InputError, Range, near_matches, shown
from thermal.heat import COLOURS, GAUGE_MM, OPENING_MM, START_C, SUPPORTS

NO_NAMES = "No patient names, here or in a note: the job number is enough."
#: Longest line and longest note that are kept, characters.
LONGEST_LINE, LONGEST_NOTE = 200, 4000
_HOURS = Range("hours", at_least=0.0, at_most=1000.0)
_SECONDS = Range("s since the run began", at_least=0.0, at_most=1e8)
_SHEETS = Range("sheets", at_least=0.0, at_most=100.0)
#: Line ends and signs that move a terminal's cursor; a note may have line ends and tabs.
_CONTROL = re.compile(r"[\x00-\x1f\x7f-\x9f\u2028\u2029\ud800-\udfff]")
_CONTROL_IN_NOTE = re.compile(r"[\x00-\x08\x0b-\x1f\x7f-\x9f\ud800-\udfff]")
#: Entries that nobody fills in.
MADE = ("plan_json", "card_json", "sensors_json", "software", "polymer_version")
_YES, _NO = ("yes", "y", "true", "1"), ("no", "n", "false", "0")

#: What the command line calls an entry of the form.
OPTIONS: Mapping[str, str] = {
    "polymer": "polymer", "gauge_mm": "gauge-mm", "oven": "oven", "support": "support", "opening_mm": "opening-mm",
    "set_c": "set-c", "start_c": "start-c", "sheet_label": "label", "job_number": "job", "initials": "initials",
    "colour": "colour", "dried_hours": "dried-hours", "dried_c": "dried-c", "heated_before": "heated-before",
    "other_sheets": "other-sheets", "notes": "notes",
}  # fmt: skip


def line(name: str, text: str) -> str:
    """A text of one line.

    Raises:
        InputError: it is empty, too long, or has line ends or control characters.
    """
    tidy = text.strip()
    if not tidy or len(tidy) > LONGEST_LINE or _CONTROL.search(tidy):
        what = f"{len(tidy)} characters" if len(tidy) > LONGEST_LINE else shown(text)
        raise InputError(f"{name} = {what}: expected one line of text, 1 to {LONGEST_LINE} characters")
    return tidy


def note(name: str, text: str) -> str:
    """A text of one or several lines.

    Raises:
        InputError: it is too long or has control characters.
    """
    tidy = text.strip().replace("\r\n", "\n")
    if len(tidy) > LONGEST_NOTE or _CONTROL_IN_NOTE.search(tidy):
        what = f"{len(tidy)} characters" if len(tidy) > LONGEST_NOTE else shown(text)
        raise InputError(f"{name} = {what}: expected text of at most {LONGEST_NOTE} characters, no control characters")
    return tidy


def one_line(text: str, longest: int = 60) -> str:
    """Any text of a record as a screen shows it: on one line, harmless to the terminal."""
    flat = _CONTROL.sub(" ", text)
    return flat if len(flat) <= longest else f"{flat[: longest - 3]}..."


def kept_words(kept: str, longest: int = 60) -> str:
    """A value as a correction keeps it (JSON), in words: 'not known', 'yes', 'natural', '4.5'."""
    value = json.loads(kept)
    if value is None:
        return "not known"
    if isinstance(value, bool):
        return "yes" if value else "no"
    return one_line(value if isinstance(value, str) else kept, longest)


def _number(allowed: Range) -> Callable[[str, str], float]:
    def read(name: str, text: str) -> float:
        try:
            value = float(text) if text.isascii() and "_" not in text else float("nan")
        except ValueError:
            value = float("nan")
        if not allowed.holds(value):
            raise InputError(f"{name} = {shown(text)}: expected {allowed}, a decimal point, no unit")
        return value

    return read


def _whole(name: str, text: str) -> int:
    value = _number(_SHEETS)(name, text)
    if value != int(value):
        raise InputError(f"{name} = {shown(text)}: expected a whole number")
    return int(value)


def _choice(choices: tuple[str, ...]) -> Callable[[str, str], str]:
    def read(name: str, text: str) -> str:
        if text not in choices:
            raise InputError(
                f"{name} = {shown(text)}: expected one of {', '.join(choices)}{near_matches(text, choices)}"
            )
        return text

    return read


def yes_or_no(name: str, text: str) -> bool:
    """True for yes, false for no.

    Raises:
        InputError: for anything else.
    """
    if text.lower() in _YES or text.lower() in _NO:
        return text.lower() in _YES
    raise InputError(f"{name} = {shown(text)}: expected yes or no")


def _opening(name: str, text: str) -> list[float]:
    sides = [_number(OPENING_MM)(name, side.strip()) for side in re.split("[x×]", text)]
    if len(sides) > 2:
        raise InputError(f"{name} = {shown(text)}: expected a diameter, 300, or two sides, 300x200, in mm")
    return sides


_READERS: Mapping[str, Callable[[str, str], Any]] = {
    "polymer": line,
    "gauge_mm": _number(GAUGE_MM),
    "oven": line,
    "support": _choice(SUPPORTS),
    "opening_mm": _opening,
    "set_c": _number(TEMPERATURE_C),
    "start_c": _number(START_C),
    "sheet_label": line,
    "job_number": line,
    "initials": line,
    "colour": _choice(COLOURS),
    "dried_hours": _number(_HOURS),
    "dried_c": _number(TEMPERATURE_C),
    "heated_before": yes_or_no,
    "other_sheets": _whole,
    "notes": note,
    "outcome": line,
    "outcome_kind": line,
    "start_s": _number(_SECONDS),
    "end_s": _number(_SECONDS),
    **{f"checks.{name}": yes_or_no for name in CHECKS},
}


def entry(field: str, text: str, called: str = "") -> Any:
    """The JSON value of one entry of a heat.

    Args:
        field: of `correctable_fields`. called: its name in messages, where that is another.

    Raises:
        InputError: no such field, or a word that it cannot hold.
    """
    known = [name for name in correctable_fields() if name not in MADE]
    if field in MADE:
        raise InputError(f"{field} is what Pullcue itself put there, and stays as it was: expected one of "
                         f"{', '.join(known)}")  # fmt: skip
    if field not in known:
        raise InputError(
            f"{shown(field)} is no entry of a heat{near_matches(field, known)}: expected one of {', '.join(known)}"
        )
    return _READERS[field](called or field, text)


def form_of(entries: Mapping[str, str | None], checks: tuple[str, ...] = ()) -> HeatForm:
    """The form that the command line's options fill in.

    Args:
        entries: by the form's names; None where nothing was said. checks: those that were done.

    Raises:
        InputError: for an entry that cannot be used; the option is named.
    """
    table = {name: entry(name, text, f"--{OPTIONS[name]}") for name, text in entries.items() if text is not None}
    for name in checks:
        _choice(CHECKS)("--checked", name)
    if checks:
        table["checks"] = dict.fromkeys(checks, True)
    return HeatForm.from_table(table)
