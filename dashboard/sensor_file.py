"""The file sensors.toml of a shop: read it, and write new entries behind what is there.

Nothing that stands in it is ever rewritten: comments, order and spelling of people stay byte for byte.
"""

from __future__ import annotations

import os
import tempfile
import tomllib
from collections.abc import Sequence
from pathlib import Path

from dashboard.tomlfile import LARGEST_BYTES, read_toml
from logger.sensors import Check, Correction, Register, Sensor, register_from_mapping, text_of
from thermal.fields import InputError

NAME = "sensors.toml"


def read_register(shop_folder: Path) -> Register:
    """The shop's sensors; an empty register where the shop has no such file yet.

    Raises:
        InputError: the file cannot be used.
    """
    path = shop_folder / NAME
    if not path.exists():
        return Register()
    return register_from_mapping(read_toml(path, NAME), NAME)


def append_entries(shop_folder: Path, entries: Sequence[Sensor | Check | Correction]) -> None:
    """Write entries behind the shop's sensors.toml, all of them or none.

    The new file is written beside the old one, read back, compared, and put in its place in one step: an interrupted
    run leaves the old file as it was.

    Raises:
        InputError: the file there cannot be used or added to, changed meanwhile, or cannot be written.
    """
    path = shop_folder / NAME
    before = read_register(shop_folder)
    try:
        old = path.read_bytes() if path.exists() else b""
        new = _with_entries(old, entries)
        _must_hold(new, before, entries)
        _replace(path, old, new)
    except OSError as error:
        raise InputError(
            f"{path} cannot be written ({error.strerror}); check its rights and that the disk has room"
        ) from error


def _with_entries(old: bytes, entries: Sequence[Sensor | Check | Correction]) -> bytes:
    line_end = "\r\n" if b"\r\n" in old else "\n"
    text = "".join(f"\n{text_of(entry)}" for entry in entries)
    if not old:
        text = f"# Thermocouples of this shop. New entries are written at the end; correct the rest by hand.\n{text}"
    elif not old.endswith(b"\n"):
        text = f"\n{text}"
    return old + text.replace("\n", line_end).encode("utf-8")


def _must_hold(new: bytes, before: Register, entries: Sequence[Sensor | Check | Correction]) -> None:
    """Refuse a file that would not read back as what was there and what is new."""
    wanted = Register(
        before.sensors + tuple(one for one in entries if isinstance(one, Sensor)),
        before.checks + tuple(one for one in entries if isinstance(one, Check)),
        before.corrections + tuple(one for one in entries if isinstance(one, Correction)),
    )
    try:
        after = register_from_mapping(tomllib.loads(new.decode("utf-8-sig")), NAME)
    except tomllib.TOMLDecodeError as error:
        raise InputError(
            f"{NAME}: nothing can be written behind it ({error}): expected lists as [[sensor]], [[check]] and "
            "[[correction]], not in brackets on one line; rewrite them so"
        ) from error
    if after != wanted or len(new) > LARGEST_BYTES:
        raise InputError(f"{NAME}: the new entries would not read back as they are; nothing was written: see the file")


def _replace(path: Path, old: bytes, new: bytes) -> None:
    handle, name = tempfile.mkstemp(prefix=f".{NAME}.", dir=path.parent)
    beside = Path(name)
    try:
        with os.fdopen(handle, "wb") as file:
            file.write(new)
            file.flush()
            os.fsync(file.fileno())
        beside.chmod(path.stat().st_mode & 0o777 if path.exists() else 0o644)
        if (path.read_bytes() if path.exists() else b"") != old:
            raise InputError(f"{path} was changed by another program meanwhile; nothing was written: check again")
        beside.replace(path)
    finally:
        beside.unlink(missing_ok=True)
