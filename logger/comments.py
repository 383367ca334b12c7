"""The block of '#' lines above a heat file's table: TOML metadata and free text, told apart line by line.

The rule: a line that by itself is TOML (`key = value` or `[table]`) is metadata, any other is free text. A
line that is no TOML but begins like a known key is refused: as free text its meaning would be lost.
"""

from __future__ import annotations

import json
import re
import tomllib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date, datetime, time
from typing import Any

from thermal.fields import InputError

#: Known keys at the top, and in a table [sensor.NAME].
TOP_KEYS = ("polymer", "gauge_mm", "oven", "support", "opening_mm", "start_c", "set_c", "colour", "simulated")
SENSOR_KEYS = ("depth_mm", "lag_s", "x_mm", "y_mm", "z_mm", "std_k", "bias_k")
SENSOR = "sensor"

_BARE = re.compile(r"[A-Za-z0-9_-]+")
_BEGINS_KNOWN = re.compile(
    rf"\s*(?:(?:{SENSOR}\s*\.[^=]*\.\s*)?(?P<key>{'|'.join((*TOP_KEYS, *SENSOR_KEYS))})\s*="
    rf"|\[\s*{SENSOR}\s*[.\]])"
)
#: What would end the line, or the trust that the file is text.
_NO_LINE = re.compile(r"[\r\n\0]")
#: A spreadsheet would cut a line here and run what follows as a formula.
_CELL = re.compile(r"[,;](?=['\"\\ ]*[=+\-@])")


@dataclass(frozen=True)
class Comments:
    """What the '#' lines say.

    Args:
        metadata: the TOML tree.
        remarks: free text by line, without the '#' and the one space after it.
    """

    metadata: Mapping[str, Any]
    remarks: tuple[str, ...]


def _toml(line: str) -> dict[str, Any] | None:
    try:
        return tomllib.loads(line)
    except tomllib.TOMLDecodeError:
        return None


def _is_metadata(line: str) -> bool:
    """Whether a line stands by itself as TOML; an empty one or a TOML comment says nothing and is text."""
    return bool(_toml(line))


def parse_comments(lines: Iterable[str], where: str) -> Comments:
    """Metadata and free text of the leading lines, each beginning with '#'.

    Args:
        lines: without line ends; the first is line 1 of the file. Empty ones are passed over.
        where: file name for messages.

    Raises:
        InputError: with the line, for a known key without a TOML value, a key given twice, a misplaced key.
    """
    kept: list[str] = []
    remarks: list[str] = []
    table: str | None = None
    for number, line in enumerate(lines, 1):
        body = line[1:] if line.startswith("#") else ""
        if not _is_metadata(body):
            _refuse_broken(body, f"{where}: line {number}")
            kept.append("")  # keeps the line numbers of the TOML reader equal to those of the file
            remarks += [body[1:] if body.startswith(" ") else body] if line.startswith("#") else []
            continue
        if body.lstrip().startswith("["):
            table = body.strip()
        elif table is not None:
            _refuse_misplaced(body, table, f"{where}: line {number}")
        kept.append(" " + body)
    try:
        metadata = tomllib.loads("\n".join([*kept, ""]))
    except tomllib.TOMLDecodeError as error:
        raise InputError(
            f"{where}: the metadata disagree ({error}): expected each key and table once; remove one"
        ) from None
    return Comments(metadata, tuple(remarks))


def _refuse_broken(body: str, where: str) -> None:
    if _BEGINS_KNOWN.match(body):
        raise InputError(
            f"{where}: {body.strip()!r} begins like metadata but is no TOML: expected one value on one line, "
            "texts in double quotes, decimals with a point; correct it, or reword it if it is free text"
        )


def _refuse_misplaced(body: str, table: str, where: str) -> None:
    known = _BEGINS_KNOWN.match(body)
    if known and known["key"] in TOP_KEYS and re.match(rf"\[\s*{SENSOR}\b", table):
        raise InputError(
            f"{where}: {known['key']} stands below {table}, which makes it a part of the sensor: "
            "expected it above the first line in brackets; move it there"
        )


def emit_comments(comments: Comments) -> list[str]:
    """The '#' lines that `parse_comments` reads back to the same value: free text, then metadata.

    Raises:
        InputError: for free text that would be read as metadata or does not fit on a line.
    """
    lines = []
    for remark in comments.remarks:
        if _NO_LINE.search(remark):
            raise InputError(f"free text {remark!r}: expected one line; split it")
        if _is_metadata(remark) or _BEGINS_KNOWN.match(remark):
            raise InputError(f"free text {remark!r} would be read back as metadata: word it differently")
        lines.append(f"# {remark}" if remark else "#")
    tables = comments.metadata.get(SENSOR, {})
    lines += [f"# {_key(key)} = {_value(value)}" for key, value in comments.metadata.items() if key != SENSOR]
    for name, table in tables.items():
        lines.append(f"# [{SENSOR}.{_key(name)}]")
        lines += [f"# {_key(key)} = {_value(value)}" for key, value in table.items()]
    return lines


def _key(key: str) -> str:
    return key if _BARE.fullmatch(key) else _text(key)


def _text(text: str) -> str:
    # JSON's escapes are a part of TOML's; TOML asks for DEL to be escaped as well.
    quoted = json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")
    return _CELL.sub(lambda found: f"\\u{ord(found[0]):04x}", quoted)


def _value(value: object) -> str:
    """One TOML value on one line, exact: floats by their shortest text that reads back to the bit."""
    match value:
        case bool():
            return "true" if value else "false"
        case int():
            return repr(int(value))
        case float():
            return repr(float(value))  # numpy's own floats print their type
        case str():
            return _text(value)
        case datetime() | date() | time():
            return value.isoformat()
        case list() | tuple():
            return f"[{', '.join(map(_value, value))}]"
        case Mapping():
            return f"{{{', '.join(f'{_key(k)} = {_value(v)}' for k, v in value.items())}}}"
        case _:
            raise InputError(f"metadata {value!r}: expected text, number, true or false, date, list or table")
