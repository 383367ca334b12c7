"""A report as one HTML file: no script, nothing from elsewhere, every text escaped."""

from __future__ import annotations

import base64
from html import escape

import numpy as np

from dashboard.qr import QUIET, dark_squares
from dashboard.report import WALL_HEADS, Figure, Level, Line, Report, Row

_STYLE = """
@page { size: PAPER; margin: 14mm }
body { font: 10pt/1.35 sans-serif; color: #000; background: #fff; max-width: 182mm; margin: 8mm auto }
h1 { font-size: 15pt; margin: 0 } h2 { font-size: 11pt; margin: 4mm 0 1mm; border-bottom: 1px solid #000 }
.head { font-weight: bold; margin: 2mm 0 } table { border-collapse: collapse; width: 100% }
td, th { text-align: left; vertical-align: top; padding: .4mm 2mm .4mm 0; overflow-wrap: anywhere }
th { white-space: nowrap; font-weight: bold; width: 1% } .two { display: flex; gap: 6mm } .two > * { flex: 1 }
.code { flex: none; width: 24mm } .small { font-size: 8.5pt } svg { display: block; max-width: 100% }
.sign { margin-top: 10mm; display: flex; gap: 10mm } .sign div { flex: 1; border-top: 1px solid #000 }
.walls th { width: auto } .walls th, .walls td { padding-right: 5mm }
@media print { body { margin: 0 } h2 { break-after: avoid } tr, svg, .small, section { break-inside: avoid } }
"""
#: Figure, mm: size (the height where nothing else is asked for) and the room left for labels.
WIDE, HIGH, LEFT, BELOW, ABOVE, RIGHT = 180.0, 82.0, 14.0, 9.0, 14.0, 4.0
#: Room below the axis for each finding's place, mm, and the bar in it.
ROW, BAR = 3.6, 3.0


def html_bytes(of: Report) -> bytes:
    """The report as HTML in UTF-8."""
    code = f'<div class="code">{_code(of.code)}</div>' if of.code else ""
    photo = ""
    if of.photo is not None:
        data = base64.b64encode(of.photo).decode()
        photo = f'<img alt="photo of the label" style="max-height:40mm" src="data:image/jpeg;base64,{data}">'
    blocks = [
        _list("What failed", of.failure), _walls(of), _list("Corrections", of.corrections),
        _list("Taken for granted", of.notes),
    ]  # fmt: skip
    there, style = [one for one in blocks if one], _STYLE.replace("PAPER", of.paper)
    parts = [
        "<!doctype html><html lang='en'><head><meta charset='utf-8'>",
        "<meta http-equiv='Content-Security-Policy' content=\"default-src 'none'; style-src 'unsafe-inline'; "
        'img-src data:">',
        f"<title>{escape(of.title)}</title><style>{style}</style></head><body>",
        f"<div class='two'><div><h1>{escape(of.title)}</h1><p class='head'>{escape(of.headline)}</p></div>{code}</div>",
        f"<div class='two'><div>{_table(of.facts)}</div>{photo}</div>",
        f"<p class='small'>Checks: {escape(of.checks)}</p>",
        "<section><h2>Curve</h2>", _figure(of.figure), "</section>",
        "<section><h2>At the pull</h2>", _table(of.state), "</section>",
        *([] if there else ["<section>"]), "<h2>What explains it</h2>", _findings(of),
        *[f"<section>{one}</section>" for one in there[:-1]],
        # The signature is on one sheet with what was signed last.
        *([f"<section>{there[-1]}"] if there else []),
        "<div class='sign'><div>Reviewed by, date</div><div>Signature</div></div>",
        f"<p class='small'>{escape(of.caution)}</p><p class='small'>{escape(of.footer)}</p></section></body></html>\n",
    ]  # fmt: skip
    return "".join(parts).encode("utf-8", "replace")


def _table(rows: tuple[Row, ...]) -> str:
    return "<table>" + "".join(f"<tr><th>{escape(a)}</th><td>{escape(b)}</td></tr>" for a, b in rows) + "</table>"


def _findings(of: Report) -> str:
    rows = [
        f"<tr><th>{escape(share)}</th><td><b>{escape(words)}</b>{'. ' if evidence else ''}{escape(evidence)}</td></tr>"
        for share, words, evidence in of.findings
    ]
    doubts = "".join(f"<div class='small'>{escape(line)}.</div>" for line in of.doubts)
    return f"<table>{''.join(rows)}</table>{doubts}"


def _list(heading: str, lines: tuple[str, ...]) -> str:
    if not lines:
        return ""
    return f"<h2>{escape(heading)}</h2>" + "".join(f"<div class='small'>{escape(line)}</div>" for line in lines)


def _walls(of: Report) -> str:
    if not of.walls:
        return ""
    head = "".join(f"<th>{one}</th>" for one in WALL_HEADS)
    rows = "".join("<tr>" + "".join(f"<td>{escape(cell)}</td>" for cell in row) + "</tr>" for row in of.walls)
    return f"<h2>Walls of the part</h2><table class='small walls'><tr>{head}</tr>{rows}</table>"


def _code(text: str) -> str:
    side, squares = dark_squares(text)
    whole = side + 2 * QUIET
    path = "".join(f"M{x + QUIET} {y + QUIET}h1v1h-1z" for x, y in squares)
    return (
        f'<svg viewBox="0 0 {whole} {whole}" role="img" aria-label="QR code: {escape(text)}">'
        f'<rect width="{whole}" height="{whole}" fill="#fff"/><path d="{path}"/></svg>'
    )


class Scale:
    """From times and values to mm of the figure, y downwards; round steps of both axes. `base`: mm of the axis."""

    def __init__(self, of: Figure, high: float = HIGH) -> None:
        self.high_mm = high
        self.base = high - BELOW - ROW * len(of.places)
        values = [line.values[np.isfinite(line.values)] for line in of.lines]
        most = max([float(v.max()) for v in values if v.size] + [level.value for level in of.levels])
        least = min([float(v.min()) for v in values if v.size] + [0.0])
        self.step = _round_step((most - least) / 6.0)
        self.low, self.high = self.step * np.floor(least / self.step), self.step * np.ceil(most / self.step)
        self.until, self.places = max(of.until_s, 1.0), of.places
        self.step_s = next(
            (s for s in (30.0, 60.0, 120.0, 300.0, 600.0, 1200.0, 1800.0) if self.until / s <= 9.0), 3600.0
        )

    def x(self, time_s: float) -> float:
        """mm from the left."""
        return LEFT + (WIDE - LEFT - RIGHT) * time_s / self.until

    def y(self, value: float) -> float:
        """mm from the top."""
        return float(ABOVE + (self.base - ABOVE) * (self.high - value) / (self.high - self.low))

    def of_level(self, level: Level) -> tuple[float, float]:
        """Where the words of a limit begin, mm: at this place the faces are well below it."""
        return LEFT + 0.15 * (WIDE - LEFT - RIGHT), self.y(level.value) + (2.9 if level.below else -0.7)

    def bar(self, number: int) -> tuple[float, float, float]:
        """Left, right and top of a finding's bar, mm; a moment is wide enough to be seen."""
        place = self.places[number]
        left = self.x(place.from_s)
        return left, max(self.x(place.to_s), left + 1.0), self.base + 5.2 + ROW * number

    def beside(self, left: float) -> tuple[float, str]:
        """Where the words of a bar stand, and their anchor."""
        return (left + 1.0, "start") if left < 0.55 * WIDE else (left - 1.0, "end")

    def ticks_s(self) -> list[float]:
        """Times with a label."""
        return [float(t) for t in np.arange(0.0, self.until + 1e-6, self.step_s)]

    def ticks(self) -> list[float]:
        """Values with a label."""
        return [float(v) for v in np.arange(self.low, self.high + 1e-6, self.step)]


def _round_step(rough: float) -> float:
    power = 10.0 ** np.floor(np.log10(max(rough, 1e-6)))
    return float(next(power * m for m in (1.0, 2.0, 5.0, 10.0) if power * m >= rough))


def _points(line: Line, scale: Scale) -> str:
    return " ".join(f"{scale.x(t):.2f},{scale.y(v):.2f}" for t, v in zip(line.time_s, line.values, strict=True)
                    if np.isfinite(v))  # fmt: skip


def _figure(of: Figure) -> str:
    scale = Scale(of)
    parts = [f'<svg viewBox="0 0 {WIDE:g} {HIGH:g}" font-size="3" font-family="sans-serif" role="img" '
             'aria-label="temperatures over the heat">']  # fmt: skip
    for value in scale.ticks():
        y = scale.y(value)
        parts.append(f'<path d="M{LEFT} {y:.2f}H{WIDE - RIGHT}" stroke="#ccc" stroke-width=".15"/>')
        parts.append(f'<text x="{LEFT - 1}" y="{y + 1:.2f}" text-anchor="end">{value:g}</text>')
    for t in scale.ticks_s():
        parts.append(f'<text x="{scale.x(t):.2f}" y="{scale.base + 4}" text-anchor="middle">{t / 60:g}</text>')
    parts.append(
        f'<text x="{WIDE - RIGHT}" y="{HIGH - 1}" text-anchor="end">min since the sheet went in; {of.unit}</text>'
    )
    there = [f"{scale.x(t):.2f},{scale.y(v):.2f}" for t, v in zip(of.band_s, of.band[0], strict=True)]
    back = [f"{scale.x(t):.2f},{scale.y(v):.2f}" for t, v in zip(of.band_s[::-1], of.band[1][::-1], strict=True)]
    parts.append(f'<polygon points="{" ".join(there + back)}" fill="#ddd"/>')
    for level in of.levels:
        x, y = scale.of_level(level)
        parts.append(f'<path d="M{LEFT} {scale.y(level.value):.2f}H{WIDE - RIGHT}" stroke="#000" stroke-width=".2"/>')
        parts.append(f'<text x="{x:.2f}" y="{y:.2f}">{escape(level.name)}</text>')
    for k, (t, words) in enumerate(of.marks):
        x = scale.x(t)
        parts.append(
            f'<path d="M{x:.2f} {ABOVE}V{scale.base}" stroke="#000" stroke-width=".2" stroke-dasharray=".6 .6"/>'
        )
        anchor = "end" if x > 0.8 * WIDE else "start"
        parts.append(f'<text x="{x:.2f}" y="{2.6 + 3.0 * (k % 4):.2f}" text-anchor="{anchor}">{escape(words)}</text>')
    count = len(of.lines)
    parts.append(f'<rect x="{WIDE - 53}" y="{scale.base - 2.4 - 3.6 * count:.2f}" width="48" '
                 f'height="{3.6 * count + 0.8:.2f}" fill="#fff"/>')  # fmt: skip
    for k, place in enumerate(of.places):
        left, right, y = scale.bar(k)
        parts.append(f'<rect x="{left:.2f}" y="{y:.2f}" width="{right - left:.2f}" height="{BAR}" fill="#ccc"/>')
        x, anchor = scale.beside(left)
        parts.append(f'<text x="{x:.2f}" y="{y + 2.4:.2f}" text-anchor="{anchor}">{escape(place.words)}</text>')
    for k, line in enumerate(of.lines):
        dash = f' stroke-dasharray="{" ".join(f"{d:g}" for d in line.dash)}"' if line.dash else ""
        style = f'fill="none" stroke="#000" stroke-width="{line.width_mm}"{dash}'
        parts.append(f'<polyline points="{_points(line, scale)}" {style}/>')
        y = scale.base - 3.0 - 3.6 * k
        parts.append(f'<path d="M{WIDE - 52} {y - 1:.2f}h10" {style}/>')
        parts.append(f'<text x="{WIDE - 41}" y="{y:.2f}">{escape(line.name)}</text>')
    return "".join(parts) + "</svg>"
