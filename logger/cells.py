"""Text cells that a spreadsheet would run as a formula, made harmless by an apostrophe, and given back as they were.

Only texts pass through here: a number such as -3 is a number and stays one.
"""

from __future__ import annotations

import re

#: What makes a spreadsheet take a cell for a formula, or look behind the blank for one.
STARTS = ("=", "+", "-", "@", "\t", "\r")
#: Apostrophes before such a sign are counted, so that taking one off gives back what was there before.
_RUNS = re.compile(r"'*[=+\-@\t\r]")
_GUARDED = re.compile(r"''*[=+\-@\t\r]")


def guarded(text: str) -> str:
    """The text with an apostrophe before it where a spreadsheet would run it."""
    return f"'{text}" if _RUNS.match(text) else text


def unguarded(text: str) -> str:
    """What `guarded` was given; the exact way back for every text."""
    return text[1:] if _GUARDED.match(text) else text
