"""Strict reading of the tables that people write: what is unknown, missing or out of range is refused.

Every file a person edits (polymer, oven card, heat file header) passes through `Fields`, so that each
refusal says the file, the key, the value, what was expected and what to do.
"""

from __future__ import annotations

import sys
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from difflib import get_close_matches
from typing import Any


class InputError(ValueError):
    """Something a person gave cannot be used; the message is one sentence meant for that person."""


#: Characters of a value that a message shows.
_LONGEST_SHOWN = 60


def near_matches(word: str, known: Iterable[str]) -> str:
    """' (did you mean ...?)' with the closest known words, or '' when none is close."""
    lower = {name.lower(): name for name in known}
    sought = word.lower()
    inside = [name for name in lower if sought and (name.startswith(sought) or sought in name)]
    similar = get_close_matches(sought, list(lower), n=3, cutoff=0.5)
    close = list(dict.fromkeys([*inside, *(similar if not inside else [])]))[:3]
    return f" (did you mean {' or '.join(lower[name] for name in close)}?)" if close else ""


def shown(value: object) -> str:
    """A value as messages show it: a table by its keys, long ones cut."""
    text = f"a table of {', '.join(map(str, value))}" if isinstance(value, Mapping) and value else repr(value)
    return text if len(text) <= _LONGEST_SHOWN else f"{text[:_LONGEST_SHOWN]}..."


@dataclass(frozen=True)
class Range:
    """An allowed interval with its unit, worded for messages. `None` means no bound on that side."""

    unit: str = ""
    above: float | None = None
    at_least: float | None = None
    below: float | None = None
    at_most: float | None = None

    def holds(self, value: float) -> bool:
        """Whether a finite value lies inside; NaN and infinity never do."""
        return (
            abs(value) <= sys.float_info.max  # as isfinite, and for a whole number too large for a float
            and (self.above is None or value > self.above)
            and (self.at_least is None or value >= self.at_least)
            and (self.below is None or value < self.below)
            and (self.at_most is None or value <= self.at_most)
        )

    def __str__(self) -> str:
        bounds = [
            f"{word} {bound:g}"
            for word, bound in (
                ("above", self.above),
                ("at least", self.at_least),
                ("below", self.below),
                ("at most", self.at_most),
            )
            if bound is not None
        ]
        unit = f" {self.unit}" if self.unit else ""
        return f"a number{' ' if bounds else ''}{' and '.join(bounds)}{unit}"


#: Temperatures of sheet, air and walls. Below -60 or above 320 a value is no forming temperature:
#: most often it is kelvin or Fahrenheit. Emitters are hotter and have a range of their own.
TEMPERATURE_C = Range("°C", at_least=-60.0, at_most=320.0)
FRACTION = Range(at_least=0.0, at_most=1.0)
ANY = Range()


class Fields:
    """One table (a mapping) from a file, read key by key; `close()` refuses what nobody asked for.

    Args:
        table: the mapping as a TOML reader gives it.
        where: file name (or 'command line'), the start of every message.
        path: dotted key of this table inside the file, '' for the top.

    Raises:
        InputError: by every method, for a missing, unknown, mistyped or out-of-range value.
    """

    def __init__(self, table: Mapping[str, Any], where: str, path: str = "") -> None:
        if not isinstance(table, Mapping):
            raise InputError(f"{where}: {path} = {shown(table)}: expected a table of keys; write it as [{path}]")
        self._table = table
        self._where = where
        self._path = path
        self._asked: set[str] = set()

    def key(self, name: str) -> str:
        """Dotted name of a key of this table, for messages."""
        return f"{self._path}.{name}" if self._path else name

    def refuse(self, name: str, value: object, expected: str) -> InputError:
        """The error (to be raised) for a value that cannot be used."""
        return InputError(f"{self._where}: {self.key(name)} = {shown(value)}: expected {expected}")

    def has(self, name: str) -> bool:
        """Whether the key is present; marks it as known."""
        self._asked.add(name)
        return name in self._table

    def _get(self, name: str, expected: str) -> Any:
        if not self.has(name):
            raise InputError(f"{self._where}: {self.key(name)} is missing: expected {expected}; add the key")
        return self._table[name]

    def number(self, name: str, allowed: Range = ANY, default: float | None = None) -> float:
        """A finite number inside `allowed`; `default` where the key is absent (None: required)."""
        if default is not None and not self.has(name):
            return default
        value = self._get(name, str(allowed))
        return self._number(name, value, allowed)

    def _number(self, name: str, value: object, allowed: Range) -> float:
        if isinstance(value, bool) or not isinstance(value, int | float) or not allowed.holds(value):
            raise self.refuse(name, value, str(allowed))
        return float(value)

    def maybe_number(self, name: str, allowed: Range = ANY) -> float | None:
        """As `number`, None where the key is absent."""
        return self.number(name, allowed) if self.has(name) else None

    def numbers(self, name: str, allowed: Range = ANY, count: int | None = None) -> tuple[float, ...]:
        """A list of finite numbers inside `allowed`, of `count` entries where that is given."""
        expected = f"a list of {count if count is not None else 'one or more'} entries, each {allowed}"
        values = self._get(name, expected)
        if not isinstance(values, list | tuple) or not values or (count is not None and len(values) != count):
            raise self.refuse(name, values, expected)
        return tuple(self._number(f"{name}[{i}]", value, allowed) for i, value in enumerate(values))

    def text(self, name: str, choices: Iterable[str] = (), default: str | None = None) -> str:
        """A non-empty text, one of `choices` where these are given."""
        if default is not None and not self.has(name):
            return default
        choices = tuple(choices)
        expected = f"one of {', '.join(choices)}" if choices else "a text"
        value = self._get(name, expected)
        if not isinstance(value, str) or not value.strip():
            raise self.refuse(name, value, expected)
        if choices and value not in choices:
            raise self.refuse(name, value, expected + near_matches(value, choices))
        return value

    def flag(self, name: str, default: bool) -> bool:
        """true or false; `default` where absent."""
        if not self.has(name):
            return default
        value = self._table[name]
        if not isinstance(value, bool):
            raise self.refuse(name, value, "true or false")
        return value

    def raw(self, name: str) -> Any:
        """The value as it stands, None where absent: for kinds only one caller knows (dates)."""
        return self._table[name] if self.has(name) else None

    def table(self, name: str) -> Fields:
        """A required sub-table."""
        return Fields(self._get(name, "a table of keys"), self._where, self.key(name))

    def maybe_table(self, name: str) -> Fields | None:
        """A sub-table, None where absent."""
        return self.table(name) if self.has(name) else None

    def tables(self, name: str) -> list[Fields]:
        """Zero or more sub-tables: absent, one [name], or several [[name]]."""
        if not self.has(name):
            return []
        value = self._table[name]
        rows = value if isinstance(value, list) else [value]
        return [
            Fields(row, self._where, f"{self.key(name)}[{i}]" if len(rows) > 1 else self.key(name))
            for i, row in enumerate(rows)
        ]

    def names(self) -> list[str]:
        """The keys present, in file order (for tables whose keys are names, such as sensors)."""
        self._asked.update(self._table)
        return list(self._table)

    def close(self) -> None:
        """Refuse the first key that nobody asked for."""
        for name, value in self._table.items():
            if name not in self._asked:
                known = ", ".join(sorted(self._asked))
                raise InputError(
                    f"{self._where}: {self.key(name)} = {shown(value)} is not known{near_matches(name, self._asked)}: "
                    f"expected one of {known}; correct or remove the key"
                )
