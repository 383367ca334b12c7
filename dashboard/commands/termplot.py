"""A small line plot in characters, for terminals and text files. No colour: lines differ by their dashes.

Braille characters give two by four dots a character; where the output cannot show them (an old Windows code
page, plain ASCII) each line gets a letter of its own instead.
"""

from __future__ import annotations

import math
import sys
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

Series = tuple[str, Sequence[float], Sequence[float]]
Mark = tuple[float, str]
Dot = tuple[int, int]

_BRAILLE = 0x2800
#: Bit of each dot of a braille character, by row and column (Unicode chapter 21, braille patterns).
_BITS = ((0x01, 0x08), (0x02, 0x10), (0x04, 0x20), (0x40, 0x80))
#: Dots drawn (True) and left out along a line, repeated: solid, dashed, dotted, dash and dot.
_DASHES = (
    (True,),
    (True,) * 5 + (False,) * 4,
    (True,) + (False,) * 3,
    (True,) * 6 + (False, False, True, False),
)
_FINE_KEYS = ("───", "╌╌╌", "···", "─·─")
_COARSE_KEYS = ("*", "o", "+", "x")
_FINE_FRAME = "│┤└─┴┊"
_COARSE_FRAME = "|++-+:"


@dataclass(frozen=True)
class _Scale:
    """Linear map of an interval of values onto dots 0 to `dots - 1`."""

    low: float
    high: float
    dots: int

    def dot(self, value: float) -> int:
        return round((value - self.low) / (self.high - self.low) * (self.dots - 1))


def plot(
    series: Sequence[Series],
    width: int = 72,
    height: int = 16,
    x_label: str = "",
    y_label: str = "",
    marks: Sequence[Mark] = (),
    encoding: str | None = None,
) -> str:
    """Draw up to four lines over one pair of axes.

    Args:
        series: name, x values and y values of each line; both of one length, finite x and y are joined,
            NaN and infinite values leave a gap.
        width: characters of the whole picture, axis numbers included; at least 30.
        height: lines of text of the plot area, without axis and legend; at least 4.
        x_label: quantity and unit of x.
        y_label: quantity and unit of y.
        marks: x values that get a vertical line with a word above it; those outside the axis are left out.
        encoding: of the output; None takes that of standard output.

    Returns:
        Lines of text joined by newlines, without one at the end.

    Raises:
        ValueError: no finite point, more than four lines, x and y of different lengths, too small a picture.
    """
    if width < 30 or height < 4 or len(series) > len(_DASHES):
        raise ValueError(f"a plot of {len(series)} lines at {width} x {height}: at most 4, at least 30 x 4")
    runs = [list(_runs(xs, ys)) for _, xs, ys in series]
    points = [point for line in runs for run in line for point in run]
    if not points:
        raise ValueError(f"nothing to plot: no finite point in {[name for name, _, _ in series]}")
    fine = _can_show(_FINE_FRAME + chr(_BRAILLE + 255), encoding or sys.stdout.encoding or "ascii")
    across, down = (2, 4) if fine else (1, 1)

    y_low, y_high = _spread([y for _, y in points])
    y_ticks = _ticks(y_low, y_high, max(2, height // 4), outward=True)
    margin = max(len(_number(tick)) for tick in y_ticks) + 2
    columns = width - margin
    y_scale = _Scale(y_ticks[0], y_ticks[-1], height * down)
    x_scale = _Scale(*_spread([x for x, _ in points]), columns * across)

    cells = [[" "] * columns for _ in range(height)]
    frame = _FINE_FRAME if fine else _COARSE_FRAME
    words = _draw_marks(cells, marks, x_scale, across, frame[5])
    bits = [[0] * columns for _ in range(height)]
    for number, line in enumerate(runs):
        for x, y in _dotted(line, x_scale, y_scale, _DASHES[number] if fine else (True,)):
            row, column = height - 1 - y // down, x // across
            bits[row][column] |= _BITS[3 - y % down][x % across] if fine else 0
            cells[row][column] = chr(_BRAILLE + bits[row][column]) if fine else _COARSE_KEYS[number]

    numbers = {height - 1 - y_scale.dot(tick) // down: _number(tick) for tick in y_ticks}
    rows = [
        f"{numbers.get(row, ''):>{margin - 2}} {frame[row in numbers]}{''.join(cells[row])}" for row in range(height)
    ]
    keys = _FINE_KEYS if fine else _COARSE_KEYS
    legend = "   ".join(f"{keys[number]} {name}" for number, (name, _, _) in enumerate(series) if name)
    lines = [
        y_label,
        *(" " * margin + text for text in words),
        *rows,
        *_x_axis(x_scale, across, margin, frame, x_label),
        " " * margin + legend if legend else "",
    ]
    return "\n".join(line.rstrip() for line in lines if line.strip())


def _can_show(text: str, encoding: str) -> bool:
    try:
        text.encode(encoding)
    except (UnicodeEncodeError, LookupError):
        return False
    return True


def _runs(xs: Sequence[float], ys: Sequence[float]) -> Iterator[list[tuple[float, float]]]:
    """The stretches of finite points between gaps."""
    run: list[tuple[float, float]] = []
    for x, y in zip(xs, ys, strict=True):
        if math.isfinite(x) and math.isfinite(y):
            run.append((float(x), float(y)))
        elif run:
            yield run
            run = []
    if run:
        yield run


def _spread(values: Sequence[float]) -> tuple[float, float]:
    """Least and greatest value, drawn apart where they are one."""
    low, high = min(values), max(values)
    room = 0.0 if high > low else max(1.0, abs(low) * 0.01)
    return low - room, high + room


def _ticks(low: float, high: float, count: int, outward: bool) -> list[float]:
    """About `count` steps of 1, 2 or 5 times a power of ten; outward: the ends enclose low and high."""
    power = 10.0 ** math.floor(math.log10((high - low) / count))
    step = power * next(factor for factor in (1, 2, 5, 10) if factor * power * count >= (high - low) * 0.999)
    first, last = low / step, high / step
    ends = (math.floor(first), math.ceil(last)) if outward else (math.ceil(first), math.floor(last))
    return [number * step for number in range(ends[0], ends[1] + 1)]


def _number(value: float) -> str:
    return f"{round(value, 10) + 0.0:.6g}"


def _dotted(
    line: Sequence[Sequence[tuple[float, float]]], x_scale: _Scale, y_scale: _Scale, dashes: Sequence[bool]
) -> Iterator[Dot]:
    """The dots of one line: points joined by straight strokes, dashes counted along its whole length."""
    travelled = 0
    for run in line:
        corners = [(x_scale.dot(x), y_scale.dot(y)) for x, y in run]
        last: Dot | None = None
        for (x0, y0), (x1, y1) in zip(corners, corners[1:] or corners, strict=False):
            steps = max(abs(x1 - x0), abs(y1 - y0), 1)
            for i in range(steps + 1):
                here = (x0 + round((x1 - x0) * i / steps), y0 + round((y1 - y0) * i / steps))
                if here == last:
                    continue
                last = here
                if dashes[travelled % len(dashes)]:
                    yield here
                travelled += 1


def _draw_marks(cells: list[list[str]], marks: Sequence[Mark], x_scale: _Scale, across: int, stroke: str) -> list[str]:
    """Put a vertical stroke at each mark; the lines of words to stand above, each where there is room."""
    columns = len(cells[0])
    rows: list[str] = []
    for x, word in sorted(marks):
        if not x_scale.low <= x <= x_scale.high:
            continue
        column = x_scale.dot(x) // across
        for row in cells:
            row[column] = stroke
        start = max(0, min(column, columns - len(word)))
        free = next((i for i, text in enumerate(rows) if len(text) < start), len(rows))
        rows[free : free + 1] = [f"{rows[free] if free < len(rows) else '':<{start}}{word}"]
    return rows


def _x_axis(x_scale: _Scale, across: int, margin: int, frame: str, label: str) -> list[str]:
    """The axis with its ticks, and below it their numbers and the label."""
    columns = x_scale.dots // across
    rule, numbers = [frame[3]] * columns, ""
    for tick in _ticks(x_scale.low, x_scale.high, max(3, columns // 10), outward=False):
        column, text = x_scale.dot(tick) // across, _number(tick)
        rule[column] = frame[4]
        start = max(0, min(column - len(text) // 2, columns - len(text)))
        if start >= len(numbers) + bool(numbers):
            numbers = f"{numbers:<{start}}{text}"
    lines = [" " * (margin - 1) + frame[2] + "".join(rule)]
    if label and len(numbers) + 2 + len(label) <= columns:
        return [*lines, " " * margin + f"{numbers}{label:>{columns - len(numbers)}}"]
    return [*lines, " " * margin + numbers, " " * margin + f"{label:>{columns}}"]
