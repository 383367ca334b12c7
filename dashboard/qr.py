"""A QR code as the squares that are printed (ISO/IEC 18004, made by segno)."""

from __future__ import annotations

#: Quiet zone about a code, in squares (ISO/IEC 18004, 9.1: four).
QUIET = 4


def dark_squares(text: str) -> tuple[int, list[tuple[int, int]]]:
    """Squares on a side without the quiet zone, and column and row of each dark one."""
    import segno  # only here: few commands need it

    rows = [list(row) for row in segno.make(text, error="m", micro=False).matrix]
    return len(rows), [(x, y) for y, row in enumerate(rows) for x, dark in enumerate(row) if dark]
