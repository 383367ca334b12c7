"""Reading the TOML files that people write: whatever is wrong with one is said in a sentence of its own."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

from thermal.fields import InputError

#: Polymers, oven cards and shops are a few kilobytes; what is larger than this is another kind of file.
LARGEST_BYTES = 1_000_000


def read_toml(path: Path, where: str | None = None) -> dict[str, Any]:
    """The tables of a TOML file (UTF-8, with or without a byte order mark).

    Args:
        where: what messages call the file; its name where None.

    Raises:
        InputError: no such file, a folder, not readable, too large, not UTF-8 or no TOML.
    """
    name = where or path.name
    try:
        with path.open("rb") as file:
            content = file.read(LARGEST_BYTES + 1)
    except FileNotFoundError as error:
        raise InputError(f"{path}: there is no such file; check its name and folder") from error
    except OSError as error:
        if path.is_dir():
            raise InputError(f"{path} is a folder, expected a TOML file; name a file in it") from error
        raise InputError(f"{path} cannot be read ({error.strerror}); check that it may be used") from error
    except ValueError as error:  # a name that no system can open
        raise InputError(f"{str(path)!r} is no name of a file ({error}); check it") from error
    if len(content) > LARGEST_BYTES:
        raise InputError(f"{name} is larger than {LARGEST_BYTES // 1000} kB; expected a TOML file of a few kB")
    try:
        return tomllib.loads(content.decode("utf-8-sig"))
    except UnicodeDecodeError as error:
        line = content.count(b"\n", 0, error.start) + 1
        raise InputError(f"{name}: line {line} is not UTF-8; save the file as UTF-8 text") from error
    except ValueError as error:  # of tomllib, and of Python for a number of thousands of digits
        raise InputError(f"{name}: no valid TOML: {error}; correct it there") from error
    except RecursionError as error:
        raise InputError(f"{name}: no valid TOML: brackets nested too deep; remove them") from error
