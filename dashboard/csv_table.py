"""A table as CSV for spreadsheets: texts that would be run as formulas are made harmless, numbers stay numbers."""

from __future__ import annotations

import csv
from collections.abc import Iterable, Sequence
from io import StringIO

from logger.cells import guarded


def csv_of(heads: Sequence[str], rows: Iterable[Sequence[object]]) -> str:
    """The table with a line of heads; None is an empty cell."""
    out = StringIO()
    writer = csv.writer(out, lineterminator="\r\n")
    writer.writerow([guarded(head) for head in heads])
    for row in rows:
        writer.writerow(["" if cell is None else guarded(cell) if isinstance(cell, str) else cell for cell in row])
    return out.getvalue()
