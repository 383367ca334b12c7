"""The work card: one page with settings, wall, times, checks and cautions, for the wall beside the oven."""

from __future__ import annotations

import io
import textwrap
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from dashboard.making import Making
from dashboard.making_words import cautions, checks, headline, line_rows, take_rows, wall_rows, warnings
from dashboard.units import Units
from thermal.mold import meridian

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

_A4_IN = (210.0 / 25.4, 297.0 / 25.4)
#: A mold's name is a person's text, not mathematics between dollar signs.
_LOOK: Any = {
    "svg.hashsalt": "card", "pdf.fonttype": 42, "font.family": "DejaVu Sans", "text.parse_math": False,
}  # fmt: skip
_SIZE = 7.6
_LINE = 0.0125
_LEFT, _RIGHT, _TOP = 0.06, 0.95, 0.955
#: Characters that fit a line of the whole page, and beside the picture.
_ACROSS, _BESIDE = 122, 70
#: Levels of the wall that the card shows, and rows of the wall that are none.
_MOST_LEVELS = 10
_NAMED = ("All over", "Thinnest", "Stretch", "Sectors")


def write_card(made: Making, path: Path, units: Units) -> None:
    """Write the card, its kind by the ending: .pdf, .svg or .png.

    Raises:
        OSError: the file cannot be written.
    """
    path.write_bytes(card_file(made, path.suffix.lower(), units))


def card_file(made: Making, kind: str, units: Units) -> bytes:
    """The card as '.pdf', '.svg' or '.png'."""
    import matplotlib as mpl
    from matplotlib.figure import Figure

    file = io.BytesIO()
    with mpl.rc_context(_LOOK):
        figure = Figure(figsize=_A4_IN)
        _write(figure, made, units)
        metadata = {".pdf": {"CreationDate": None}, ".svg": {"Date": None}}.get(kind)
        figure.savefig(file, format=kind.removeprefix("."), metadata=metadata, dpi=150)
    return file.getvalue()


def _write(figure: Figure, made: Making, units: Units) -> None:
    page = _Page(figure)
    head, why = headline(made, units)
    page.words("Work card", size=9)
    page.words(head, size=13, bold=True, gap=0.6)
    page.words(f"Mold: {made.mold.name}. {why}.")
    start = page.y
    page.rows("Take", take_rows(made, units), _BESIDE)
    page.rows("Wall by level from the tip", _few(wall_rows(made, units)), _BESIDE)
    _mold(figure.add_axes((0.68, start - 0.33, 0.29, 0.30)), made, units)
    page.y = min(page.y, start - 0.34)
    page.rows("Oven to demolding", line_rows(made, units), _ACROSS)
    page.list("Mind", warnings(made, units))
    page.list("Check before the sheet goes in", checks(), box="☐")
    page.list("Cautions", cautions())
    page.words(
        "Sheet lot ______________   Pulled at ______________   On the mold at ______________   By ____________", gap=1
    )


def _few(rows: list[tuple[str, str]]) -> list[tuple[str, str]]:
    """Rows that a page has room for: of many levels (a scanner's mesh) every second, third, ... one, and all others."""
    levels = [row for row in rows if row[0] not in _NAMED]
    step = -(-len(levels) // _MOST_LEVELS)
    kept = {id(row) for row in levels[::step]} if step else set()
    return [row for row in rows if row[0] in _NAMED or id(row) in kept]


class _Page:
    """A page that is written from the top down."""

    def __init__(self, figure: Figure) -> None:
        self._figure = figure
        self.y = _TOP

    def words(self, text: str, size: float = _SIZE, bold: bool = False, gap: float = 0.0, at: float = _LEFT) -> None:
        self.y -= gap * _LINE
        for line in textwrap.wrap(text, int(_ACROSS * _SIZE / size)):
            self._line(line, size, bold, at)

    def _line(self, line: str, size: float, bold: bool, at: float) -> None:
        self._figure.text(at, self.y, line, size=size, weight="bold" if bold else "normal", va="top")
        self.y -= _LINE * size / _SIZE

    def rows(self, heading: str, rows: list[tuple[str, str]], width: int) -> None:
        if not rows:
            return
        self.words(heading, bold=True, gap=0.5)
        for label, text in rows:
            top = self.y
            for line in textwrap.wrap(text, width - 16):
                self._line(line, _SIZE, False, _LEFT + 0.11)
            self._figure.text(_LEFT, top, label, size=_SIZE, va="top")

    def list(self, heading: str, sentences: list[str], box: str = "–") -> None:
        if not sentences:
            return
        self.words(heading, bold=True, gap=0.5)
        for one in sentences:
            top = self.y
            for line in textwrap.wrap(one, _ACROSS - 4):
                self._line(line, _SIZE, False, _LEFT + 0.02)
            self._figure.text(_LEFT, top, box, size=_SIZE, va="top")


def _mold(ax: Axes, made: Making, units: Units) -> None:
    """The mold upright on its foot, its wall in colour and, where it is predicted by level, in numbers."""
    mold = made.choice.mold
    ax.set_aspect("equal")
    ax.axis("off")
    bubble = made.choice.bubble if made.choice.method == "bubble" else None
    if bubble is None:
        outline = meridian(mold)
        r, z = outline.radius_m * 1e3, outline.level_m * 1e3
        ax.plot([*-r[::-1], *r], [*-z[::-1], *-z], color="black")
        return
    from matplotlib.collections import LineCollection

    found = bubble.wall
    r, z, thick = found.radius_m * 1e3, found.level_m * 1e3, found.wall_m * 1e3
    for side in (-1.0, 1.0):
        points = np.stack([side * r, -z], axis=1)
        lines = LineCollection(list(np.stack([points[:-1], points[1:]], axis=1)), cmap="viridis", linewidths=4.0)
        lines.set_array(0.5 * (thick[1:] + thick[:-1]))
        ax.add_collection(lines)
    for place in (*found.places[:: -(-len(found.places) // _MOST_LEVELS)], found.thinnest):
        radius = float(np.interp(place.level_m, found.level_m, found.radius_m)) * 1e3
        mark = " thinnest" if place is found.thinnest else ""
        ax.text(radius + 4.0, -place.level_m * 1e3, f"{place.wall_m * 1e3:.1f}{mark}", size=6, va="center")
    ax.set_xlim(-1.1 * r.max(), 1.7 * r.max())
    ax.set_ylim(-1.03 * z.max(), 0.05 * z.max())
    ax.set_title("wall, mm (colour: light is thick)", size=_SIZE)
