"""Heat files: one heat as text, a CSV table below a block of '#' lines. docs/heat-file.md has the format.

A heat file is evidence: reading alters nothing and drops nothing, writing never replaces a file.
"""

from __future__ import annotations

from pathlib import Path

from logger.comments import Comments, emit_comments, parse_comments
from logger.metadata import metadata_of, typed_metadata
from logger.table import emit_table, events_in, parse_table, readings_in, text_columns_in, times_in
from thermal.fields import InputError
from thermal.heat import EVENT, TIME, Heat


def read_heat(path: Path | str) -> Heat:
    """The heat in a file.

    Args:
        path: a text file in UTF-8 (with or without byte order mark), lines ended by LF or CRLF.

    Raises:
        InputError: for whatever cannot be used: file, row or key, value, and what was expected.
    """
    where = str(path)
    return heat_from_bytes(file_content(Path(path), where), where)


def heat_from_bytes(content: bytes, where: str) -> Heat:
    """The heat in the content of a heat file.

    Args:
        where: what messages call the file.

    Raises:
        InputError: as `read_heat`.
    """
    lines = _text(content, where).split("\n")
    first = next((i for i, line in enumerate(lines) if line.strip() and not line.startswith("#")), None)
    if first is None:
        raise InputError(f"{where}: there is no table: expected a header line with {TIME} and rows below it")
    comments = parse_comments(lines[:first], where)
    table = parse_table(lines[first:], first, where)
    heat_fields = typed_metadata(comments.metadata, where)
    time_s = times_in(table)
    texts = text_columns_in(table)
    others = {TIME, EVENT, *texts}
    columns = {name: readings_in(table, name) for name in table.names if name not in others}
    try:
        return Heat(time_s=time_s, columns=columns, text_columns=texts, events=events_in(table, time_s),
                    remarks=comments.remarks, **heat_fields)  # fmt: skip
    except InputError as error:
        raise InputError(f"{where}: {error}") from None


def write_heat(heat: Heat, path: Path | str) -> None:
    """Write a heat as a new file; `read_heat` gives an equal heat back.

    An event between two samples gets a row of its own with gaps: the one case that reads back with more rows.

    Raises:
        InputError: where the file exists already, cannot be made, or the heat holds what a file cannot say.
    """
    write_new(heat_as_bytes(heat, str(path)), path)


def heat_as_bytes(heat: Heat, where: str) -> bytes:
    """The content of a heat file.

    Raises:
        InputError: the heat holds what a file cannot say.
    """
    return _bytes("\n".join([*emit_comments(Comments(metadata_of(heat), heat.remarks)), emit_table(heat)]), where)


def write_new(data: bytes, path: Path | str) -> None:
    """Write a heat file's content as a new file, whole or not at all.

    Raises:
        InputError: where the file exists already or cannot be made.
    """
    where, made = str(path), False
    try:
        with Path(path).open("xb") as file:
            made = True
            file.write(data)
    except FileExistsError:
        raise InputError(f"{where}: there is a file already, and nothing is written over: give another name") from None
    except OSError as error:
        if made:  # half a heat would look like a whole one
            Path(path).unlink(missing_ok=True)
        raise InputError(
            f"{where}: the file cannot be written ({error.strerror or error}): "
            "check that the folder exists and has room"
        ) from None


def _bytes(text: str, where: str) -> bytes:
    for mark in "\r\0":
        if mark in text:
            raise InputError(f"{where}: a text of the heat holds {mark!r}, which a heat file cannot: remove it")
    try:
        return text.encode("utf-8")
    except UnicodeEncodeError as error:
        raise InputError(f"{where}: {error.object[error.start]!r} in a text is no character: remove it") from None


def file_content(path: Path, where: str) -> bytes:
    """What a file holds.

    Raises:
        InputError: there is none that can be read.
    """
    if path.is_dir():
        raise InputError(f"{where}: this is a folder: expected a heat file; name a file in it")
    if path.exists() and not path.is_file():
        raise InputError(f"{where}: this is a device or pipe: expected a heat file")
    try:
        return path.read_bytes()
    except FileNotFoundError:
        raise InputError(f"{where}: there is no such file: expected a heat file; check the name") from None
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or error
        raise InputError(f"{where}: the file cannot be read ({reason}): check its name and rights") from None


def _text(data: bytes, where: str) -> str:
    """The file's text, line ends made LF."""
    if not data.strip():
        raise InputError(f"{where}: the file is empty: expected a heat file; was the recording cut off?")
    if b"\0" in data:
        raise InputError(f"{where}: there are zero bytes in it: expected comma-separated text in UTF-8")
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        raise InputError(
            f"{where}: line {line}: byte 0x{data[error.start]:02x} is no UTF-8: save the file as UTF-8"
        ) from None
    text = text.replace("\r\n", "\n")
    if "\r" in text:
        line = text.count("\n", 0, text.index("\r")) + 1
        raise InputError(f"{where}: line {line}: a lone carriage return: expected lines ended by LF or CRLF")
    return text
