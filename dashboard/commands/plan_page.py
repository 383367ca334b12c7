"""A plan's picture as a page by plotly: one file that opens offline in any browser."""

from __future__ import annotations

import html
from pathlib import Path
from typing import Any

from dashboard import chart_library
from dashboard.plan_drawing import INK, LIMIT, SHADE, Panel, Picture

_PAGE = """<!DOCTYPE html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<title>{title}</title>
<style>
body {{ font: 17px/1.45 system-ui, sans-serif; color: #1a1a1a; }}
main {{ margin: 1.2rem auto; max-width: 1240px; padding: 0 1rem; }}
h1 {{ font-size: 1.7rem; line-height: 1.2; margin: 0 0 .4rem; }}
th, td {{ text-align: left; vertical-align: top; padding: .1rem 1.2rem .1rem 0; font-weight: normal; }}
td.value {{ font-weight: bold; white-space: nowrap; }}
h2 {{ font-size: 1.1rem; margin: 1rem 0 .2rem; }}
.subject {{ color: #505050; margin: .2rem 0 .8rem; }}
</style>
</head>
<body>
<main>
<h1>{title}</h1>
<p class="subject">{subject}</p>
{rows}
{library}
{figure}
{lists}
</main>
</body>
</html>
"""

_WORDS = {"showarrow": False, "font": {"color": LIMIT, "size": 14}, "bgcolor": "rgba(255,255,255,0.8)"}


def write_page(picture: Picture, path: Path) -> None:
    """Write the page, the drawing library inside it: workshops open it offline."""
    figure = _figure(picture).to_html(
        include_plotlyjs=False, full_html=False, config={"displaylogo": False, "responsive": True}
    )
    content = _PAGE.format(
        title=html.escape(picture.title),
        subject=html.escape(picture.subject),
        rows=_rows(picture),
        library=chart_library.script(),
        figure=figure,
        lists="".join(_list(heading, sentences) for heading, sentences in picture.lists),
    )
    path.write_text(content, encoding="utf-8")


def _rows(picture: Picture) -> str:
    cells = "".join(
        f'<tr><th scope="row">{html.escape(row.label)}</th><td class="value">{html.escape(row.value)}</td>'
        f"<td>{html.escape(row.detail)}</td></tr>\n"
        for row in picture.rows
        if row.detail or len(picture.rows) > 2
    )
    return f"<table>\n{cells}</table>" if cells else ""


def _list(heading: str, sentences: tuple[str, ...]) -> str:
    items = "".join(f"<li>{html.escape(sentence)}</li>\n" for sentence in sentences)
    return f"<h2>{html.escape(heading)}</h2>\n<ul>\n{items}</ul>\n" if sentences else ""


def _figure(picture: Picture) -> Any:
    from plotly.subplots import make_subplots  # slow to import: only where a page is asked for

    count = len(picture.panels)
    heights = [1.0] if count == 1 else [0.68, 0.32]
    figure = make_subplots(rows=count, cols=1, shared_xaxes=True, vertical_spacing=0.05, row_heights=heights)
    for row, panel in enumerate(picture.panels, start=1):
        _draw_panel(figure, panel, picture, row)
    _draw_spans(figure, picture)
    figure.update_xaxes(range=[0.0, picture.end], ticks="outside")
    figure.update_xaxes(title_text="minutes since the sheet went in", row=count, col=1)
    figure.update_layout(
        template="plotly_white",
        height=560 if count == 1 else 740,
        margin={"l": 70, "r": 20, "t": 80, "b": 60},
        font={"size": 15, "color": INK},
        hovermode="x unified",
        legend={"orientation": "h", "y": 1.0, "yanchor": "bottom", "x": 0.0},
    )
    return figure


def _draw_panel(figure: Any, panel: Panel, picture: Picture, row: int) -> None:
    from plotly.graph_objects import Scatter

    for band in panel.bands:
        edges = {"x": [*band.minutes, *reversed(band.minutes)], "y": [*band.high, *reversed(band.low)]}
        fill = {"fill": "toself", "fillcolor": band.colour, "opacity": 0.16, "line": {"width": 0}, "mode": "lines"}
        figure.add_trace(Scatter(**edges, **fill, hoverinfo="skip", showlegend=False), row=row, col=1)
    # Plain lists: a page keeps plain numbers, which every plotly version draws and people can read.
    for line in panel.lines:
        look = {"color": line.colour, "dash": line.stroke, "width": line.width}
        trace = Scatter(x=line.minutes, y=line.values, name=line.name, mode="lines", line=look)
        figure.add_trace(trace.update(hovertemplate="%{y:.1f}"), row=row, col=1)
    for points in panel.points:
        mark = {"symbol": f"{points.mark}-open", "color": points.colour, "size": 8}
        trace = Scatter(x=points.minutes, y=points.values, name=points.name, mode="markers", marker=mark)
        figure.add_trace(trace.update(hovertemplate="%{y:.1f}"), row=row, col=1)
    place = {"row": row, "col": 1}
    for level in panel.levels:
        figure.add_hline(y=level.value, line={"color": LIMIT, "width": 1.2}, **place)
        where = {"xref": "x domain", "x": 0.004 + 0.17 * level.column, "xanchor": "left", "y": level.value}
        figure.add_annotation(text=level.words, **where, yanchor="bottom", **_WORDS, **place)
    if picture.window is not None:
        figure.add_vrect(
            x0=picture.window[0], x1=picture.window[1], fillcolor=SHADE, opacity=0.14, line_width=0, **place
        )
    if picture.pull is not None:
        words = {"annotation_text": "pull", "annotation_position": "top"} if row == 1 else {}
        figure.add_vline(x=picture.pull, line={"color": INK, "width": 1.8}, **words, **place)
    figure.update_yaxes(title_text=panel.label, range=None if panel.top is None else [0.0, panel.top], **place)


def _draw_spans(figure: Any, picture: Picture) -> None:
    """The intervals as bars along the foot of the first panel, with their words."""
    shown = [(s.words, s.low, s.high) for s in picture.spans if s.low is not None and s.high is not None]
    for number, (name, low, high) in enumerate(reversed(shown)):
        y = 0.02 + 0.055 * number
        last = min(high, picture.end)
        bar = {"x0": low, "x1": last, "y0": y, "y1": y + 0.03, "fillcolor": SHADE, "opacity": 0.45}
        figure.add_shape(type="rect", xref="x", yref="y domain", line={"width": 0}, **bar)
        left = low > 0.4 * picture.end
        where = {"x": low if left else last, "xanchor": "right" if left else "left", "xref": "x"}
        words = f"{name}, 90 of 100 times in this bar"
        figure.add_annotation(text=words, **where, y=y + 0.015, yref="y domain", yanchor="middle", **_WORDS)
