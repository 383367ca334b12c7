"""A small drawing of the curve for paper, as SVG of our own: black on white, strokes that a copier keeps apart."""

from __future__ import annotations

import math
from html import escape

from dashboard.plan_drawing import Picture

_WIDTH, _HEIGHT = 720, 150
_LEFT, _RIGHT, _TOP, _BOTTOM = 40, 150, 8, 20
#: Height of the letters, and how far apart two lines of them are at least: on paper 186 mm wide they are 9 pt.
_LETTERS, _APART = 12, 12.5
#: Of the curve's points one in so many is drawn: paper shows no more.
_EVERY = 3
_STROKES = {"solid": "", "dash": "9 4", "dashdot": "9 3 2 3", "dot": "2 3"}


def curve_svg(picture: Picture) -> str:
    """The first panel of a picture: lines, limits, window and pull. The text in it is escaped."""
    panel = picture.panels[0]
    values = [v for line in panel.lines for v in line.values if math.isfinite(v)] + [one.value for one in panel.levels]
    low, high = min(values), max(values)

    def x(minutes: float) -> float:
        return _LEFT + (_WIDTH - _LEFT - _RIGHT) * min(minutes / picture.end, 1.0)

    def y(value: float) -> float:
        return _TOP + (_HEIGHT - _TOP - _BOTTOM) * (high - value) / (high - low)

    parts = []
    if picture.window is not None:
        first, last = (x(t) for t in picture.window)
        parts.append(f'<rect x="{first:.1f}" y="{_TOP}" width="{last - first:.1f}" height="{y(low) - _TOP:.1f}" '
                     'fill="#d9d9d9"/>')  # fmt: skip
        parts.append(_text(last + 4, y(low) - 5, "window", "start"))
    levels = sorted(panel.levels, key=lambda one: -one.value)
    heights = [y(one.value) for one in levels]
    parts += [_level(at, beside, one.words)
              for one, at, beside in zip(levels, heights, _spread(heights), strict=True)]  # fmt: skip
    for line in panel.lines:
        pairs = list(zip(line.minutes, line.values, strict=True))
        points = " ".join(f"{x(m):.1f},{y(v):.1f}" for m, v in [*pairs[::_EVERY], pairs[-1]])
        dash = f' stroke-dasharray="{_STROKES[line.stroke]}"' if _STROKES[line.stroke] else ""
        parts.append(f'<polyline points="{points}" fill="none" stroke="#000" stroke-width="{line.width / 2}"{dash}/>')
    if picture.pull is not None:
        at = x(picture.pull)
        parts.append(f'<line x1="{at:.1f}" x2="{at:.1f}" y1="{_TOP}" y2="{y(low):.1f}" stroke="#000"/>')
    parts.append(f'<line x1="{_LEFT}" x2="{_WIDTH - _RIGHT}" y1="{y(low):.1f}" y2="{y(low):.1f}" stroke="#000"/>')
    parts += [_text(x(t), y(low) + 15, f"{t:g}", "middle") for t in _ticks(picture.end)]
    parts.append(_text(_WIDTH - _RIGHT + 6, y(low) + 15, "min since it went in", "start"))
    parts += [_text(_LEFT - 6, y(v) + 4, f"{v:.0f}", "end") for v in _ticks(high, low)]
    key = "; ".join(f"{line.name} {line.stroke}" for line in panel.lines)
    return (
        f'<svg viewBox="0 0 {_WIDTH} {_HEIGHT}" role="img" aria-label="{escape(panel.label)} in time: {escape(key)}">'
        f"{''.join(parts)}</svg>"
    )


def _spread(heights: list[float]) -> list[float]:
    """Places of words beside lines at these heights, downwards, none on another."""
    found: list[float] = []
    for at in heights:
        found.append(max(at, found[-1] + _APART) if found else at)
    return found


def _level(y: float, beside: float, words: str) -> str:
    return (
        f'<line x1="{_LEFT}" x2="{_WIDTH - _RIGHT}" y1="{y:.1f}" y2="{y:.1f}" stroke="#777" stroke-width="0.7"/>'
        + _text(_WIDTH - _RIGHT + 6, beside + 4, words, "start")
    )


def _text(x: float, y: float, words: str, anchor: str) -> str:
    return f'<text x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}" font-size="{_LETTERS}">{escape(words)}</text>'


def _ticks(last: float, first: float = 0.0) -> list[float]:
    """Round numbers between two, some five."""
    span = last - first
    step = 10.0 ** math.floor(math.log10(span / 5.0))
    step *= next(factor for factor in (1.0, 2.0, 5.0, 10.0) if span / (step * factor) <= 7.0)
    return [n * step for n in range(math.ceil(first / step), math.floor(last / step) + 1)]
