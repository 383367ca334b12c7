"""A report as PDF, A4 or US letter, in black and grey, by fpdf2; the typeface is the DejaVu that comes with matplotlib.

It is laid out twice: once on a sheet without end, to know how high each block is, then so that one sheet holds it where
it can, else two. The curve takes what room there is, and the signature stays with the block before it.

The file's dates are set to midnight of the printed date and its id follows from its content: the same report gives the
same bytes.
"""

from __future__ import annotations

import datetime
from collections.abc import Callable
from importlib.util import find_spec
from io import BytesIO
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from dashboard.qr import QUIET, dark_squares
from dashboard.report import PAPERS, WALL_HEADS, Figure, Report, Row
from dashboard.report_html import ABOVE, BAR, HIGH, LEFT, RIGHT, WIDE, Scale

if TYPE_CHECKING:
    from fpdf import FPDF

_MARGIN, _CODE_MM, _PHOTO_MM = 14.0, 24.0, 34.0
_FONT = "DejaVu"
#: The curve's height at least and at most, and up to which height a block is kept on one sheet, mm.
_LEAST, _MOST, _KEPT = 50.0, 112.0, 125.0
_ENDLESS = 5000.0
#: Left free, so that rounding does not push the last line over, mm.
_SLACK = 0.5
_WALL_COLUMNS = (46.0, 20.0, 48.0)
Block = Callable[["FPDF"], None]


def pdf_bytes(of: Report) -> bytes:
    """The report as PDF."""
    wide, high = PAPERS[of.paper]
    endless, heights = _laid(of, (wide, _ENDLESS), _LEAST)
    spare = high - _MARGIN - endless.get_y() - _SLACK
    _let_go(endless)
    # Where one sheet cannot hold it, the largest curve leaves most for the second.
    for figure_mm in (min(_MOST, _LEAST + spare),) if spare >= 0.0 else (_MOST, HIGH, _LEAST):
        known = [one + (figure_mm - _LEAST if n == 1 else 0.0) for n, one in enumerate(heights)]
        page, _ = _laid(of, (wide, high), figure_mm, known)
        if page.page <= 2 or figure_mm == _LEAST:
            break
        _let_go(page)
    return bytes(page.output())


def _let_go(page: FPDF) -> None:
    """Close the typefaces of a document that is not written."""
    for font in page.fonts.values():
        if hasattr(font, "ttfont"):
            font.ttfont.close()


def _laid(
    of: Report, paper: tuple[float, float], figure_mm: float, heights: list[float] | None = None
) -> tuple[FPDF, list[float]]:
    """The document on sheets of a size, mm, and the height of each block; with known heights blocks are kept whole."""
    page = _document(of, paper)
    page.add_page()
    found = []
    for n, block in enumerate(_blocks(of, figure_mm)):
        if heights is not None and heights[n] <= _KEPT and page.will_page_break(heights[n]):
            page.add_page()
        top = page.get_y()
        block(page)
        found.append(page.get_y() - top)
    return page, found


def _blocks(of: Report, figure_mm: float) -> list[Block]:
    """Head, curve, and what follows; the signature belongs to the last."""
    found: list[Block] = [
        lambda page: _head(page, of),
        lambda page: _curve(page, of.figure, figure_mm),
        lambda page: _state(page, of),
        lambda page: _findings(page, of),
        *([_lines_of("What failed", of.failure)] if of.failure else []),
        *([lambda page: _walls(page, of)] if of.walls else []),
        *([_lines_of("Corrections", of.corrections)] if of.corrections else []),
        *([_lines_of("Taken for granted", of.notes)] if of.notes else []),
    ]
    last = found.pop()

    def signed(page: FPDF) -> None:
        last(page)
        _signature(page, of)

    return [*found, signed]


def _curve(page: FPDF, of: Figure, figure_mm: float) -> None:
    _section(page, "Curve")
    _figure(page, of, figure_mm)


def _state(page: FPDF, of: Report) -> None:
    _section(page, "At the pull")
    _rows(page, of.state, 46.0)


def _findings(page: FPDF, of: Report) -> None:
    _section(page, "What explains it")
    for share, words, evidence in of.findings:
        _row(page, share, f"{words}. {evidence}" if evidence else words, 18.0)
    for line in of.doubts:
        _text(page, f"{line}.", 7.5)


def _lines_of(heading: str, lines: tuple[str, ...]) -> Block:
    def block(page: FPDF) -> None:
        _section(page, heading)
        for line in lines:
            _text(page, line, 7.5)

    return block


def _walls(page: FPDF, of: Report) -> None:
    _section(page, "Walls of the part")
    widths = (*_WALL_COLUMNS, page.epw - sum(_WALL_COLUMNS))
    page.set_font(_FONT, "B", 7.5)
    for row in (WALL_HEADS, *of.walls):
        if page.will_page_break(4.0):
            page.add_page()
        for width, cell in zip(widths, row, strict=True):
            page.cell(width, 3.6, _shortened(page, cell, width - 2.0))
        page.ln(3.6)
        page.set_font(_FONT, "", 7.5)


def _shortened(page: FPDF, words: str, wide: float) -> str:
    """Words that go into a cell."""
    kept = words
    while kept and page.get_string_width(kept if kept == words else f"{kept}...") > wide:
        kept = kept[:-1]
    return kept if kept == words else f"{kept}..."


def _document(of: Report, paper: tuple[float, float]) -> FPDF:
    from fpdf import FPDF

    page = FPDF(format=paper, unit="mm")
    page.set_margin(_MARGIN)
    page.set_auto_page_break(True, _MARGIN)
    fonts = _fonts()
    page.add_font(_FONT, "", str(fonts / "DejaVuSans.ttf"))
    page.add_font(_FONT, "B", str(fonts / "DejaVuSans-Bold.ttf"))
    page.set_title(of.title)
    page.set_lang("en")
    page.set_creator("Pullcue")
    page.set_producer("Pullcue")
    page.set_creation_date(datetime.datetime.combine(of.printed, datetime.time(), datetime.UTC))
    return page


def _fonts() -> Path:
    """The folder of matplotlib's typefaces, without importing it."""
    found = find_spec("matplotlib")
    assert found is not None, "matplotlib is a dependency"
    assert found.submodule_search_locations
    return Path(found.submodule_search_locations[0]) / "mpl-data" / "fonts" / "ttf"


def _head(page: FPDF, of: Report) -> None:
    top = page.get_y()
    wide = page.epw - (_CODE_MM + 4.0 if of.code else 0.0)
    page.set_font(_FONT, "B", 14)
    page.multi_cell(wide, 6.5, of.title, align="L", new_x="LMARGIN", new_y="NEXT")
    page.set_font(_FONT, "B", 9.5)
    page.multi_cell(wide, 4.8, of.headline, align="L", new_x="LMARGIN", new_y="NEXT")
    if of.code:
        _code(page, of.code, page.w - _MARGIN - _CODE_MM, top)
        page.set_y(max(page.get_y(), top + _CODE_MM))
    photo_top = page.get_y() + 1.0
    page.set_y(photo_top)
    if of.photo is not None:
        page.image(BytesIO(of.photo), x=page.w - _MARGIN - _PHOTO_MM, y=photo_top, w=_PHOTO_MM, h=_PHOTO_MM,
                            keep_aspect_ratio=True, alt_text="photo of the label")  # fmt: skip
        page.set_right_margin(_MARGIN + _PHOTO_MM + 3.0)
    _rows(page, of.facts, 30.0)
    _text(page, f"Checks: {of.checks}", 7.5)
    page.set_right_margin(_MARGIN)
    if of.photo is not None:
        page.set_y(max(page.get_y(), photo_top + _PHOTO_MM))


def _section(page: FPDF, words: str) -> None:
    if page.will_page_break(14.0):
        page.add_page()
    page.ln(1.2)
    page.set_font(_FONT, "B", 10)
    page.cell(0, 5.0, words, border="B", new_x="LMARGIN", new_y="NEXT")
    page.ln(0.6)


def _rows(page: FPDF, rows: tuple[Row, ...], label_mm: float) -> None:
    for label, words in rows:
        _row(page, label, words, label_mm)


def _row(page: FPDF, label: str, words: str, label_mm: float) -> None:
    if page.will_page_break(8.0):
        page.add_page()
    page.set_font(_FONT, "B", 8)
    page.cell(label_mm, 3.9, label)
    page.set_font(_FONT, "", 8)
    page.multi_cell(page.epw - label_mm, 3.9, words, align="L", new_x="LMARGIN", new_y="NEXT")


def _text(page: FPDF, words: str, size: float) -> None:
    page.set_font(_FONT, "", size)
    page.multi_cell(page.epw, 0.46 * size, words, align="L", new_x="LMARGIN", new_y="NEXT")


def _code(page: FPDF, text: str, left: float, top: float) -> None:
    side, squares = dark_squares(text)
    one = _CODE_MM / (side + 2 * QUIET)
    page.set_fill_color(0)
    for x, y in squares:
        page.rect(left + (x + QUIET) * one, top + (y + QUIET) * one, one, one, style="F")


def _signature(page: FPDF, of: Report) -> None:
    page.ln(11.0)
    half = page.epw / 2.0 - 5.0
    y = page.get_y()
    page.set_line_width(0.2)
    page.line(_MARGIN, y, _MARGIN + half, y)
    page.line(_MARGIN + half + 10.0, y, page.w - _MARGIN, y)
    page.set_font(_FONT, "", 8)
    page.cell(half + 10.0, 4.0, "Reviewed by, date")
    page.cell(half, 4.0, "Signature", new_x="LMARGIN", new_y="NEXT")
    page.ln(1.5)
    _text(page, of.caution, 7.0)
    _text(page, of.footer, 7.0)


def _figure(page: FPDF, of: Figure, high: float) -> None:
    scale, left, top = Scale(of, high), page.l_margin, page.get_y()
    page.set_font(_FONT, "", 6.5)
    page.set_draw_color(205)
    page.set_line_width(0.12)
    for value in scale.ticks():
        y = top + scale.y(value)
        page.line(left + LEFT, y, left + WIDE - RIGHT, y)
        _label(page, left + LEFT - 1.0, y + 0.8, f"{value:g}", "end")
    for t in scale.ticks_s():
        _label(page, left + scale.x(t), top + scale.base + 3.6, f"{t / 60:g}", "middle")
    _label(page, left + WIDE - RIGHT, top + high - 0.8, f"min since the sheet went in; {of.unit}", "end")
    page.set_fill_color(222)
    band = [(left + scale.x(t), top + scale.y(v)) for t, v in zip(of.band_s, of.band[0], strict=True)]
    band += [(left + scale.x(t), top + scale.y(v)) for t, v in zip(of.band_s[::-1], of.band[1][::-1], strict=True)]
    page.polygon(band, style="F")
    page.set_draw_color(0)
    page.set_line_width(0.18)
    for level in of.levels:
        x, y = scale.of_level(level)
        at = top + scale.y(level.value)
        page.line(left + LEFT, at, left + WIDE - RIGHT, at)
        _label(page, left + x, top + y, level.name, "start")
    page.set_fill_color(205)
    for k, place in enumerate(of.places):
        start, end, y = scale.bar(k)
        page.rect(left + start, top + y, end - start, BAR, style="F")
        x, anchor = scale.beside(start)
        _label(page, left + x, top + y + 2.3, place.words, anchor)
    page.set_dash_pattern(0.6, 0.6)
    for k, (t, words) in enumerate(of.marks):
        x = left + scale.x(t)
        page.line(x, top + ABOVE, x, top + scale.base)
        _label(page, x, top + 2.4 + 3.0 * (k % 4), words, "end" if scale.x(t) > 0.8 * WIDE else "start")
    _lines(page, of, scale, left, top)
    page.set_dash_pattern()
    page.set_y(top + high)


def _lines(page: FPDF, of: Figure, scale: Scale, left: float, top: float) -> None:
    page.set_fill_color(255)  # words of the legend stand on white, not on the stroke of a mark
    below = top + scale.base
    page.rect(left + WIDE - 53.0, below - 2.4 - 3.6 * len(of.lines), 48.0, 3.6 * len(of.lines) + 0.8, style="F")
    for k, line in enumerate(of.lines):
        page.set_line_width(line.width_mm)
        # fpdf2 knows one stroke and one gap: a longer pattern is told by its first two lengths.
        page.set_dash_pattern(*line.dash[:2]) if line.dash else page.set_dash_pattern()
        good = np.isfinite(line.values)
        points = [
            (left + scale.x(t), top + scale.y(v)) for t, v in zip(line.time_s[good], line.values[good], strict=True)
        ]
        if len(points) > 1:
            page.polyline(points)
        y = top + scale.base - 3.0 - 3.6 * k
        page.line(left + WIDE - 52.0, y - 0.9, left + WIDE - 42.0, y - 0.9)
        _label(page, left + WIDE - 41.0, y, line.name, "start")


def _label(page: FPDF, x: float, y: float, words: str, anchor: str) -> None:
    wide = page.get_string_width(words)
    page.text(x - {"start": 0.0, "middle": 0.5, "end": 1.0}[anchor] * wide, y, words)
