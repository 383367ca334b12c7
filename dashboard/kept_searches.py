"""Searches that a shop keeps by name: searches.json beside the records. Whoever may search may keep and drop them."""

from __future__ import annotations

import json
import os
import threading
from collections.abc import Mapping
from contextlib import suppress
from pathlib import Path

from dashboard.heat_form import line
from thermal.fields import InputError, shown

FILE = "searches.json"
#: So many are kept at most; a name is as long as a button has room for.
_MOST, _LONGEST_NAME, _LONGEST = 40, 40, 1000
_LOCK = threading.Lock()


def kept_searches(folder: Path) -> dict[str, str]:
    """Names and addresses' queries, as they were kept; a file that cannot be read is none."""
    with suppress(OSError, ValueError, AttributeError):
        content = json.loads((folder / FILE).read_text("utf-8"))
        return {str(name): str(query) for name, query in content.items()}
    return {}


def keep_search(folder: Path, name: str, query: str) -> None:
    """Keep a search under a name, in the place of one of the same name.

    Raises:
        InputError: the name or the query cannot be kept, or there are too many.
    """
    tidy = line("name of the search", name)
    if len(tidy) > _LONGEST_NAME:
        raise InputError(f"name of the search: {len(tidy)} characters: expected at most {_LONGEST_NAME}")
    if len(query) > _LONGEST:
        raise InputError(f"search {shown(tidy)}: expected a shorter one")
    with _LOCK:
        known = kept_searches(folder)
        if tidy not in known and len(known) >= _MOST:
            raise InputError(f"{len(known)} searches are kept already: drop one first")
        _write(folder, known | {tidy: query})


def drop_search(folder: Path, name: str) -> None:
    """Drop a search; one that is not there is dropped already."""
    with _LOCK:
        known = kept_searches(folder)
        known.pop(name, None)
        _write(folder, known)


def _write(folder: Path, searches: Mapping[str, str]) -> None:
    new = folder / f".{FILE}.{os.getpid()}.new"
    try:
        new.write_text(json.dumps(dict(searches), ensure_ascii=False, indent=1), "utf-8")
        new.replace(folder / FILE)
    except OSError as error:
        raise InputError(f"{folder / FILE}: the search cannot be kept ({error.strerror or error})") from None
