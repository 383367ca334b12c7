"""The pattern of a draped blank, full size: SVG and one-sheet PDF for tracing, PDF on A4 pages for any printer."""

from __future__ import annotations

import io
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from dashboard.units import Units
from thermal.blank import Blank

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

_IN_MM = 25.4
_MARGIN_MM = 15.0
_A4_MM = (210.0, 297.0)
#: What a printer leaves white around a page, and what neighbouring pages share for taping, mm.
_WHITE_MM, _SHARED_MM = 8.0, 8.0
_CHECK_MM = 100.0
#: A mold's name is a person's text, not mathematics between dollar signs.
_LOOK: Any = {
    "svg.fonttype": "none", "svg.hashsalt": "pattern", "pdf.fonttype": 42, "font.size": 8, "text.parse_math": False,
}  # fmt: skip


def write_pattern(blank: Blank, path: Path, name: str, units: Units) -> None:
    """Write the pattern, its kind by the ending.

    Raises:
        OSError: the file cannot be written.
    """
    path.write_bytes(pattern_file(blank, path.suffix.lower(), name, units))


def pattern_file(blank: Blank, kind: str, name: str, units: Units) -> bytes:
    """The pattern at full size: '.svg', or '.pdf' (one large sheet, then A4 pages to tape).

    A bar of 100 mm is drawn: what measures otherwise on paper was scaled by the printer.
    """
    import matplotlib as mpl

    file = io.BytesIO()
    with mpl.rc_context(_LOOK):
        if kind == ".svg":
            _sheet(blank, name, units).savefig(file, format="svg", metadata={"Date": None})
            return file.getvalue()
        from matplotlib.backends.backend_pdf import PdfPages

        with PdfPages(file, metadata={"CreationDate": None}) as pages:
            pages.savefig(_sheet(blank, name, units))
            for figure in _pages(blank, name, units):
                pages.savefig(figure)
    return file.getvalue()


def outline_mm(blank: Blank) -> tuple[list[float], list[float]]:
    """The closed outline: x across from the middle line, y along from the distal edge, mm."""
    half = [500.0 * width for width in blank.width_m]
    along = [1e3 * at for at in blank.along_m]
    x = [*half, *(-width for width in reversed(half)), half[0]]
    y = [*along, *reversed(along), along[0]]
    return x, y


def _window_mm(blank: Blank) -> tuple[float, float, float, float]:
    """Left, bottom, width, height of all that is drawn, mm."""
    half = 500.0 * blank.breadth_m
    return (
        -half - _MARGIN_MM,
        -_MARGIN_MM,
        2.0 * (half + _MARGIN_MM),
        1e3 * blank.length_m + 2.0 * _MARGIN_MM,
    )


def _figure(window_mm: tuple[float, float, float, float], frame_mm: float = 0.0) -> tuple[Figure, Axes]:
    """A figure on which one millimetre is one millimetre; `frame_mm` is left free around."""
    from matplotlib.figure import Figure

    left, bottom, width, height = window_mm
    page = (width + 2.0 * frame_mm, height + 2.0 * frame_mm)
    figure = Figure(figsize=(page[0] / _IN_MM, page[1] / _IN_MM))
    ax = figure.add_axes((frame_mm / page[0], frame_mm / page[1], width / page[0], height / page[1]))
    ax.set_xlim(left, left + width)
    ax.set_ylim(bottom, bottom + height)
    ax.axis("off")
    return figure, ax


def _sheet(blank: Blank, name: str, units: Units) -> Figure:
    figure, ax = _figure(_window_mm(blank))
    _draw(ax, blank, name, units)
    return figure


def _pages(blank: Blank, name: str, units: Units) -> list[Figure]:
    left, bottom, width, height = _window_mm(blank)
    across, down = (side - 2.0 * _WHITE_MM - _SHARED_MM for side in _A4_MM)
    columns, rows = (int(np.ceil(size / step)) for size, step in ((width, across), (height, down)))
    found = []
    for row in range(rows):
        for column in range(columns):
            part = (left + column * across, bottom + row * down, across + _SHARED_MM, down + _SHARED_MM)
            figure, ax = _figure(part, _WHITE_MM)
            _draw(ax, blank, name, units)
            ax.axis("on")
            ax.set_xticks([])
            ax.set_yticks([])
            words = f"page {'ABCDEFGHIJ'[column % 10]}{row + 1}: edges shared by {_SHARED_MM:g} mm, tape at the frames"
            figure.text(0.5, 0.012, words, ha="center", size=7)
            found.append(figure)
    return found


def _draw(ax: Axes, blank: Blank, name: str, units: Units) -> None:
    ax.plot(*outline_mm(blank), color="black", linewidth=1.0)
    ax.plot([0.0, 0.0], [0.0, 1e3 * blank.length_m], color="black", linewidth=0.5, linestyle=(0, (8, 4)))
    for at, width, level in zip(blank.along_m, blank.width_m, blank.level_m, strict=True):
        if level != level:
            continue
        half, y = 500.0 * width, 1e3 * at
        ax.plot([-half, half], [y, y], color="0.6", linewidth=0.5)
        words = f"level {units.length(level)}: {units.length(width)} wide"
        ax.text(-half + 3.0, y + 1.0, words, clip_on=True)
    seam = 1e3 * blank.seam_m
    along = [1e3 * at for at in blank.along_m]
    for side in (-1.0, 1.0):
        edge = [side * (500.0 * width - seam) for width in blank.width_m]
        ax.plot(edge, along, color="0.4", linewidth=0.5, linestyle=(0, (2, 2)))
    top = 1e3 * blank.length_m
    ax.text(3.0, top - 8.0, "proximal", clip_on=True)
    ax.text(3.0, 4.0, f"distal   {name}: dashes along the edges are the seam", clip_on=True)
    low = -0.5 * _MARGIN_MM
    ax.plot([0.0, _CHECK_MM], [low, low], color="black", linewidth=2.0)
    ax.text(_CHECK_MM + 2.0, low, "100 mm: measure it", va="center", clip_on=True)
