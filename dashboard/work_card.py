"""The work card: one page with settings, wall, times, checks and cautions, for the wall beside the oven."""

from __future__ import annotations

import io
import textwrap
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from dashboard.making import Making
from dashboard.making_words import (
    cautions,
    checks,
    headline,
    line_rows,
    settings_words,
    take_rows,
    wall_rows,
    warnings,
)  # fmt: skip
from dashboard.units import Units
from thermal.mold import meridian
from thermal.wall import Place, Wall

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

#: Paper of the workshop, in: A4, and US letter where inches are shown.
_PAPER_IN = {"metric": (210.0 / 25.4, 297.0 / 25.4), "us": (8.5, 11.0)}
#: A mold's name is a person's text, not mathematics between dollar signs.
_LOOK: Any = {
    "svg.hashsalt": "card", "pdf.fonttype": 42, "font.family": "DejaVu Sans", "text.parse_math": False,
}  # fmt: skip
#: The largest letters with which everything is on the page are taken, points.
_SIZES = (11.0, 10.5, 10.0, 9.5, 9.0, 8.5, 8.0, 7.5, 7.0, 6.5, 6.0)
#: Height of a line and width of a letter, in sizes of the letters; width of the column of labels.
_LINE, _LETTER, _LABEL = 1.3, 0.56, 8.4
#: Shares of the page: its edges, and where the picture begins.
_LEFT, _RIGHT, _TOP, _LOWEST, _PICTURE = 0.06, 0.95, 0.96, 0.035, 0.66
_PICTURE_HIGH = 0.29
#: Levels of the wall that the card shows, and rows of the wall that are none.
_MOST_LEVELS = 10
_NAMED = ("All over", "Thinnest", "Stretch", "Sectors")
#: The wall is drawn this wide where it is thickest, points; thin is narrow and light, so that it shows in grey too.
_WALL_WIDE = 7.0
#: Grey goes from dark to light over at least this share of the thickest wall: an even wall is of one grey.
_SPAN = 0.15
#: Numbers beside the mold stand at least this share of its length apart.
_APART = 0.07


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
        for size in _SIZES:
            figure = Figure(figsize=_PAPER_IN[units.system])
            if _write(figure, made, units, size) > _LOWEST:
                break
        metadata = {".pdf": {"CreationDate": None}, ".svg": {"Date": None}}.get(kind)
        figure.savefig(file, format=kind.removeprefix("."), metadata=metadata, dpi=150)
    return file.getvalue()


def _write(figure: Figure, made: Making, units: Units, size: float) -> float:
    """Write all of it; where it ends, share of the page from below."""
    page = _Page(figure, size)
    head, why = headline(made, units)
    page.words(head, 1.6, bold=True)
    if (settings := settings_words(made, units)) is not None:
        page.words(settings, 1.2, bold=True)
    page.words(f"Work card. Mold: {made.mold.name}. {why}.")
    start = page.y
    page.rows("Take", take_rows(made, units), _PICTURE)
    page.rows("Wall by level from the tip", _few(wall_rows(made, units)), _PICTURE)
    _mold(figure.add_axes((_PICTURE + 0.01, start - _PICTURE_HIGH - 0.02, 0.3, _PICTURE_HIGH)), made, units, size)
    page.y = min(page.y, start - _PICTURE_HIGH - 0.03)
    page.rows("Oven to demolding", line_rows(made, units), _RIGHT)
    page.list("Mind", warnings(made, units))
    page.list("Check before the sheet goes in", checks(), box="☐")
    page.list("Cautions", cautions())
    page.words("Sheet lot ____________  Pulled at __________  On the mold at __________  By __________", gap=1.0)
    return page.y


def _few(rows: list[tuple[str, str]]) -> list[tuple[str, str]]:
    """Rows that a page has room for: of many levels (a scanner's mesh) every second, third, ... one, and all others."""
    levels = [row for row in rows if row[0] not in _NAMED]
    step = -(-len(levels) // _MOST_LEVELS)
    kept = {id(row) for row in levels[::step]} if step else set()
    return [row for row in rows if row[0] in _NAMED or id(row) in kept]


class _Page:
    """A page that is written from the top down."""

    def __init__(self, figure: Figure, size: float) -> None:
        self._figure, self._size = figure, size
        self._wide, self._high = (72.0 * side for side in figure.get_size_inches())
        self.y = _TOP

    def words(self, text: str, scale: float = 1.0, bold: bool = False, gap: float = 0.0) -> None:
        self.y -= gap * self._line_high(1.0)
        for line in textwrap.wrap(text, self._fitting(_LEFT, _RIGHT, scale * (1.1 if bold else 1.0))):
            self._line(line, scale, bold, _LEFT)

    def _line_high(self, scale: float) -> float:
        return float(_LINE * scale * self._size / self._high)

    def _fitting(self, left: float, right: float, scale: float = 1.0) -> int:
        """Letters that fit a line from edge to edge."""
        return int((right - left) * self._wide / (_LETTER * scale * self._size))

    def _line(self, line: str, scale: float, bold: bool, at: float) -> None:
        self._figure.text(at, self.y, line, size=scale * self._size, weight="bold" if bold else "normal", va="top")
        self.y -= self._line_high(scale)

    def rows(self, heading: str, rows: list[tuple[str, str]], right: float) -> None:
        """Labels, and their words up to `right`."""
        if not rows:
            return
        self.words(heading, bold=True, gap=0.45)
        longest = max(len(label) for label, _ in rows)
        at = _LEFT + max(_LABEL, _LETTER * longest + 1.0) * self._size / self._wide
        for label, text in rows:
            self._figure.text(_LEFT, self.y, label, size=self._size, va="top")
            for line in textwrap.wrap(text, self._fitting(at, right)):
                self._line(line, 1.0, False, at)

    def list(self, heading: str, sentences: list[str], box: str = "–") -> None:
        if not sentences:
            return
        self.words(heading, bold=True, gap=0.45)
        at = _LEFT + 1.6 * self._size / self._wide
        for one in sentences:
            self._figure.text(_LEFT, self.y, box, size=self._size, va="top")
            for line in textwrap.wrap(one, self._fitting(at, _RIGHT)):
                self._line(line, 1.0, False, at)


def _mold(ax: Axes, made: Making, units: Units, size: float) -> None:
    """The mold upright on its foot, its wall as a line of its own width and, where it is predicted, in numbers."""
    ax.set_aspect("equal")
    ax.axis("off")
    bubble = made.choice.bubble if made.choice.method == "bubble" else None
    outline = meridian(made.choice.mold)
    if bubble is None:
        r, z = outline.radius_m * 1e3, outline.level_m * 1e3
        ax.plot([*-r[::-1], *r], [*-z[::-1], *-z], color="black")
        return
    from matplotlib.collections import LineCollection

    found = bubble.wall
    r, z, thick = found.radius_m * 1e3, found.level_m * 1e3, found.wall_m / found.wall_m.max()
    mean = 0.5 * (thick[1:] + thick[:-1])
    for side in (-1.0, 1.0):
        points = np.stack([side * r, -z], axis=1)
        ax.add_collection(
            LineCollection(
                list(np.stack([points[:-1], points[1:]], axis=1)),
                linewidths=_WALL_WIDE * mean,
                colors=[(grey, grey, grey) for grey in 0.1 + 0.5 * (1.0 - mean) / max(_SPAN, 1.0 - mean.min())],
                capstyle="round",
            )
        )
    ax.plot([-r[-1], r[-1]], [-z[-1], -z[-1]], color="0.6", linewidth=0.8)
    for place in _told(found):
        radius = float(np.interp(place.level_m, found.level_m, found.radius_m)) * 1e3
        words = _number(place.wall_m, units)
        if place is found.thinnest:
            ax.plot([radius], [-place.level_m * 1e3], marker="o", markersize=5, color="white", markeredgecolor="black")
        tip = place.level_m == 0.0
        ax.text(
            0.0 if tip else radius + 6.0, 5.0 if tip else -place.level_m * 1e3,
            f"{words} thinnest" if place is found.thinnest else words, size=0.9 * size,
            weight="bold" if place is found.thinnest else "normal",
            va="bottom" if tip else "center", ha="center" if tip else "left",
        )  # fmt: skip
    ax.set_xlim(-1.1 * r.max(), 2.1 * r.max())
    ax.set_ylim(-1.03 * z.max(), 0.12 * z.max())
    ax.set_title(f"wall, {'mm' if units.system == 'metric' else 'in'}", size=0.9 * size)


def _told(found: Wall) -> list[Place]:
    """The thinnest place and the levels that are not too near to it or to each other to be read."""
    told = [found.thinnest]
    length = float(found.level_m[-1])
    for place in found.places:
        if all(abs(place.level_m - other.level_m) > _APART * length for other in told):
            told.append(place)
    return told


def _number(value_m: float, units: Units) -> str:
    return f"{value_m * 1e3:.1f}" if units.system == "metric" else f"{value_m / 25.4e-3:.3f}"
