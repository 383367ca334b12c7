"""Fields and tables as the records' page has them; fields of text are put in by its script, since Dash has none."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from dash import html

from dashboard.web.component import attributes


def field(name: str, label: str, value: str = "", kind: str = "text", longest: int = 120, hint: str = "") -> html.Div:
    """A labelled field of text; the script makes the input `records-NAME`."""
    given = attributes(
        data_field=name, data_value=value, data_kind=kind, data_longest=str(longest), data_placeholder=hint
    )
    return html.Div([html.Label(label, htmlFor=f"records-{name}"), html.Div(**given)], className="field")


def choice(name: str, label: str, options: Sequence[tuple[str, str]], value: str = "") -> html.Div:
    """A labelled list: (value, words)."""
    known = [one for one, _ in options]
    more = [(value, value)] if value and value not in known else []
    listed = [html.Option(words, value=one, selected=one == value) for one, words in (*options, *more)]
    select = html.Select(listed, id=f"records-{name}", **attributes(data_name=name))
    return html.Div([html.Label(label, htmlFor=f"records-{name}"), select], className="field")


def table(caption: str, heads: Sequence[Any], rows: Sequence[Sequence[Any]], name: str = "") -> html.Div:
    """A table that scrolls sideways where it is too wide; heads are words or whole cells."""
    head = [one if isinstance(one, html.Th) else html.Th(one, scope="col") for one in heads]
    body = [html.Tr([cell if isinstance(cell, (html.Td, html.Th)) else html.Td(cell) for cell in row]) for row in rows]
    inner = html.Table([html.Caption(caption, className="unseen"), html.Thead(html.Tr(head)), html.Tbody(body)])
    more = attributes(id=name) if name else {}
    return html.Div(inner, className="wide", tabIndex=0, role="region", **more, **attributes(aria_label=caption))


def csv_link(name: str, address: str) -> html.A:
    """Where a table is to be had as CSV; the address below that of the records."""
    words = attributes(aria_label=f"{name} as CSV")
    return html.A("As CSV", href=f"/records/{address}", className="csv", **words)


def tabs(now: str) -> html.Nav:
    """Between the table and the trends."""
    links = []
    for name, words, address in (("heats", "Heats", "/records"), ("trends", "Trends", "/records?show=trends")):
        here = attributes(aria_current="page") if name == now else {}
        links.append(html.A(words, href=address, className="chip", **here))
    return html.Nav(links, className="chips", **attributes(aria_label="Records"))
