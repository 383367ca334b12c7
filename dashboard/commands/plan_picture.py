"""A plan's picture by matplotlib, as .png or .svg: for paper, a wall, a record."""

from __future__ import annotations

import textwrap
from pathlib import Path
from typing import TYPE_CHECKING, Any

from dashboard.plan_drawing import INK, LIMIT, SHADE, Panel, Picture, Span

if TYPE_CHECKING:
    from matplotlib.axes import Axes

_STROKES = {"solid": "-", "dash": (0, (7, 3)), "dashdot": (0, (8, 2.5, 2, 2.5)), "dot": (0, (1.2, 2))}
_MARKS = {"circle": "o", "triangle-up": "^", "triangle-down": "v", "square": "s"}
#: 1280 x 800 dots.
_SIZE_IN, _DOTS_PER_IN = (12.8, 8.0), 100
_TEXT, _TITLE = 13, 20
#: Characters of the title, and of the line below it, that fit side by side.
_TITLE_WIDTH = 74
_SUBJECT_WIDTH = 125
#: From one column of a panel's words to the next, points.
_COLUMN = 150


def write_picture(picture: Picture, path: Path) -> None:
    """Write the picture; its kind by the ending of the name."""
    from matplotlib import rc_context  # 0.7 s: only where a picture is asked for
    from matplotlib.figure import Figure
    from matplotlib.layout_engine import ConstrainedLayoutEngine
    from matplotlib.ticker import MaxNLocator

    with rc_context({"font.size": _TEXT, "axes.edgecolor": LIMIT, "axes.labelcolor": INK, "svg.fonttype": "path"}):
        figure = Figure(figsize=_SIZE_IN, layout=ConstrainedLayoutEngine(w_pad=0.2, h_pad=0.12), facecolor="white")
        bar = 1 if picture.spans else 0
        heights = [0.42 * len(picture.spans)] * bar + [5.2, *[2.3] * (len(picture.panels) - 1)]
        axes = figure.subplots(len(heights), 1, sharex=True, height_ratios=heights, squeeze=False)[:, 0]
        title = textwrap.fill(picture.title, _TITLE_WIDTH)
        figure.suptitle(title, fontsize=_TITLE, fontweight="bold", color=INK, x=0.015, ha="left")
        subject = textwrap.fill(picture.subject, _SUBJECT_WIDTH)
        axes[0].set_title(subject, fontsize=_TEXT, color=LIMIT, loc="left", pad=10)
        if bar:
            _draw_spans(axes[0], picture)
        for ax, panel in zip(axes[bar:], picture.panels, strict=True):
            _draw_panel(ax, panel, picture)
        axes[-1].set_xlabel("minutes since the sheet went in")
        axes[-1].set_xlim(0.0, picture.end)
        axes[-1].xaxis.set_major_locator(MaxNLocator(integer=True))
        figure.savefig(path, dpi=_DOTS_PER_IN)


def _draw_spans(ax: Axes, picture: Picture) -> None:
    """One row a time: its interval as a bar, itself as a mark, its words beside it."""
    for row, span in enumerate(picture.spans):
        y = -row
        if span.low is not None and span.high is not None:
            ax.plot([span.low, span.high], [y, y], color=SHADE, lw=7, alpha=0.35, solid_capstyle="butt")
        if span.at is not None:
            ax.plot([span.at], [y], "D" if span.strong else "|", color=INK, ms=8 if span.strong else 15, mew=2.6)
        x, side = _beside(span, picture.end)
        ax.annotate(
            span.words,
            (x, y),
            (10 if side == "left" else -10, 0),
            textcoords="offset points",
            ha=side,
            va="center",
            color=INK,
            fontweight="bold" if span.strong else "normal",
            annotation_clip=False,
        )
    ax.set_ylim(-len(picture.spans) + 0.4, 0.6)
    ax.set_yticks([])
    for edge in ("left", "right", "top", "bottom"):
        ax.spines[edge].set_visible(False)
    ax.tick_params(bottom=False)


def _beside(span: Span, end: float) -> tuple[float, str]:
    """Where the words of a span start or end: left of it where there is room, else right."""
    first = min(t for t in (span.low, span.at, end) if t is not None)
    last = max(t for t in (span.high, span.at, 0.0) if t is not None)
    return (first, "right") if first > end * 0.25 else (min(last, end), "left")


def _draw_panel(ax: Axes, panel: Panel, picture: Picture) -> None:
    if panel is picture.panels[0] and any(span.low is not None for span in picture.spans):
        ax.plot([], [], color=SHADE, lw=7, alpha=0.35, label="90 of 100 times (bars above)")
    if picture.window is not None:
        first = panel is picture.panels[0]
        label = "window: ready, not spoilt" if first else None
        ax.axvspan(*picture.window, color=SHADE, alpha=0.16, lw=0, label=label)
    if picture.pull is not None:
        ax.axvline(picture.pull, color=INK, lw=1.6)
    for number, band in enumerate(panel.bands):
        label = "possible (90 of 100 times)" if number == 0 and len(panel.lines) > 1 else None
        ax.fill_between(band.minutes, band.low, band.high, color=band.colour, alpha=0.16, lw=0, label=label)
    for line in panel.lines:
        stroke = _STROKES[line.stroke]
        ax.plot(line.minutes, line.values, ls=stroke, color=line.colour, lw=line.width, label=line.name)
    for points in panel.points:
        look: dict[str, Any] = {"marker": _MARKS[points.mark], "mfc": "white", "mec": points.colour, "ms": 5.5}
        ax.plot(points.minutes, points.values, ls="", label=points.name, **look)
    for level in panel.levels:
        ax.axhline(level.value, color=LIMIT, lw=1.1)
        plate = {"facecolor": "white", "alpha": 0.85, "edgecolor": "none", "pad": 1.0}
        place: dict[str, Any] = {"textcoords": "offset points", "color": LIMIT, "fontsize": _TEXT - 1, "bbox": plate}
        ax.annotate(level.words, (0.0, level.value), (8 + _COLUMN * level.column, 4), **place)
    ax.set_ylabel(panel.label)
    ax.margins(y=0.08)
    if panel.top is not None:
        ax.set_ylim(0.0, panel.top)
    ax.grid(alpha=0.25)
    for edge in ("right", "top"):
        ax.spines[edge].set_visible(False)
    if len(panel.lines) + len(panel.points) > 1:
        ax.legend(loc="lower right", framealpha=0.95, handlelength=3.4, fontsize=_TEXT - 1)
