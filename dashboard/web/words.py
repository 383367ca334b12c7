"""Words as a page shows them."""

from __future__ import annotations

import re

_UNIT = re.compile(r"(?<=[0-9]) (?=(?:°C|°F|mm|in|K|%|h|min|s)(?![A-Za-z]))")
_NO_BREAK = "\u00a0"


def unbroken(words: str) -> str:
    """The same words, with no line ending between a number and its unit."""
    return _UNIT.sub(_NO_BREAK, words)


def sentence(words: str) -> str:
    """A sentence with its capital and its full stop, as a page shows it."""
    tidy = words.rstrip(".")
    return unbroken(f"{tidy[:1].upper()}{tidy[1:]}.")
