"""Words as a page shows them."""

from __future__ import annotations

import re

_UNIT = re.compile(r"(?<=[0-9]) (?=(?:°C|°F|mm|in|K|%|h|min|s)(?![A-Za-z]))")
_NO_BREAK = "\u00a0"
#: A first word that is a name as it is written: of a file, a column, a key.
_NAME = re.compile(r"\S*[^\W_][._][^\W_]")


def unbroken(words: str) -> str:
    """The same words, with no line ending between a number and its unit."""
    return _UNIT.sub(_NO_BREAK, words)


def sentence(words: str) -> str:
    """A sentence with its capital and its full stop, as a page shows it; a file's name in front stays as it is."""
    tidy = words.rstrip(".")
    first = tidy[:1] if _NAME.match(tidy) else tidy[:1].upper()
    return unbroken(f"{first}{tidy[1:]}.")
