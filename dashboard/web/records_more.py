"""Heats beside each other, and trends, on the records' page."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from dash import html

from dashboard.heat_form import one_line
from dashboard.heat_view import PLACES, Beside
from dashboard.trends import Trends, Yield
from dashboard.trends_words import NOT_COUNTED, chart_words, grouped, margin_words, share_words
from dashboard.units import Units
from dashboard.web.component import attributes
from dashboard.web.ovens_parts import graph, later_graph, listed
from dashboard.web.records_fields import csv_link, table, tabs
from dashboard.web.records_figure import (
    compare_figure,
    failure_chart,
    margin_chart,
    margin_figure,
    pareto_figure,
    words_of,
)
from dashboard.web.records_query import PATH, Asked
from dashboard.web.words import sentence
from logger.heat_export import utc_of

_SHOWN_FIRST = ("face_upper", "face_lower", "core", "air_upper", "air_lower", "drop")


def compare_part(heats: Sequence[Beside], place: str, units: Units) -> html.Div:
    """Heats overlaid."""
    there = [one for one in PLACES if any(c.column.startswith(one) for heat in heats for c in heat.courses)]
    shown = place if place in there else next((one for one in _SHOWN_FIRST if one in there), "")
    numbers = ",".join(str(one.record.number) for one in heats)
    chips = [
        html.A(words_of(f"{one}_c"), href=f"{PATH}?compare={numbers}&place={one}", className="chip",
               **(attributes(aria_current="true") if one == shown else {}))
        for one in there
    ]  # fmt: skip
    lacking = [str(h.record.number) for h in heats if not any(c.column.startswith(shown) for c in h.courses)]
    no_door = [str(one.record.number) for one in heats if one.door_s == 0.0]
    notes = [f"Not measured in heat {', '.join(lacking)}"] if lacking and shown else []
    notes += [f"No closing of the door is marked in heat {', '.join(no_door)}: aligned at its start"] if no_door else []
    rows = [
        [html.Th(html.A(str(one.record.number), href=f"{PATH}?heat={one.record.number}"), scope="row"),
         f"{utc_of(one.record.start_utc_ms):%Y-%m-%d %H:%M}", one_line(one.record.form.oven or one.record.bench, 24),
         one_line(one.record.form.polymer or "", 28), _gauge(one, units),
         "" if one.pulled_s is None else Units.seconds(one.pulled_s),
         one_line(", ".join(filter(None, (one.record.outcome, one.record.outcome_kind))), 48)]
        for one in heats
    ]  # fmt: skip
    heads = ["Heat", "Start (UTC)", "Oven", "Polymer", "Gauge", "Pulled after", "Outcome"]
    figure = compare_figure(heats, shown, units)
    words = f"{len(heats)} heats overlaid, aligned at the door"
    return html.Div(
        [
            html.Div([html.H1("Heats beside each other"), html.A("All heats", href=PATH, className="button")],
                     className="head"),
            html.Section(
                [
                    html.Nav(chips, className="chips", **attributes(aria_label="What is shown")),
                    graph("records-beside", figure, words) if shown else html.P("Nothing was measured in them."),
                    html.P("A short stroke at the foot is the pull.", className="hint"),
                    *([listed(notes)] if notes else []),
                ],
                className="card picture tall",
            ),
            html.Section(
                [
                    html.Div([html.H2("These heats"), csv_link("These heats", f"table.csv?compare={numbers}")],
                             className="over"),
                    table("These heats", heads, rows, "records-these"),
                ],
                className="card",
            ),
        ],
        className="records",
    )  # fmt: skip


def _gauge(one: Beside, units: Units) -> str:
    mm = one.record.form.gauge_mm
    return "" if mm is None else units.length(mm / 1000.0)


def trends_part(of: Trends, asked: Asked, units: Units) -> html.Div:
    """What many heats say."""
    parts = [("oven", of.by_oven), ("polymer", of.by_polymer), ("gauge", of.by_gauge)]
    if of.by_operator is not None:
        parts.append(("operator", of.by_operator))
    asked_for = f"{grouped(of.heats)} {'heat that has' if of.heats == 1 else 'heats that have'} ended"
    chosen = "; ".join(f"{name} {one_line(value, 40)}" for name, value in asked.fields.items())
    margins = [sentence(one) for one in margin_words(of.margins, units)]
    charts = chart_words(of.charts)
    return html.Div(
        [
            html.Div([html.H1("Trends"), tabs("trends")], className="head"),
            html.P([f"{asked_for}{f' ({chosen})' if chosen else ''}. ", NOT_COUNTED], className="hint"),
            html.Section(
                [
                    html.Div([html.H2("Does a cold core cost parts here?"), _csv("margins", asked)], className="over"),
                    html.P(margins[0], className="lead", id="records-margin"),
                    *([graph("records-margins", margin_figure(of.margins, units), margins[0])] if len(of.margins.good)
                      or len(of.margins.bad) else []),
                    *[html.P(one, className="hint") for one in margins[1:]],
                ],
                className="card picture",
            ),
            html.Div([html.Section(_yields(name, rows, asked), className="card") for name, rows in parts],
                     className="yields"),
            html.Div(
                [
                    html.Section(
                        [
                            html.Div([html.H2("Kinds of failure"), _csv("kinds", asked)], className="over"),
                            *(_kinds(of) if of.kinds else [html.P("No failure was entered.", className="hint")]),
                        ],
                        className="card picture",
                    ),
                    html.Section(
                        [
                            html.Div([html.H2("Failures in time"), _csv("weeks", asked)], className="over"),
                            *([later_graph("records-weeks", failure_chart(of.charts), charts[1])] if of.charts.counted
                              else []),
                            html.P(sentence(charts[1]), className="hint"),
                        ],
                        className="card picture",
                    ),
                    html.Section(
                        [
                            html.Div([html.H2("Core margin from heat to heat"), _csv("chart", asked)],
                                     className="over"),
                            *([later_graph("records-margin-chart", margin_chart(of.charts, units), charts[0])]
                              if len(of.charts.margin_k) else []),
                            html.P(sentence(charts[0]), className="hint"),
                        ],
                        className="card picture",
                    ),
                ],
                className="pictures",
            ),
        ],
        className="records trends",
    )  # fmt: skip


def _csv(name: str, asked: Asked) -> html.A:
    return csv_link(name, f"trends.csv?{asked.query(table=name)}")


def _yields(name: str, rows: Sequence[Yield], asked: Asked) -> list[Any]:
    shown = [
        [
            html.Th(one_line(one.value, 32), scope="row", className="fixed" if name == "gauge" else None),
            [html.Span(grouped(one.good), className="fixed"), " ",
             html.Span(f"of {grouped(one.good + one.bad)}", className="fixed")],
            html.Td(_share(one)),
        ]
        for one in rows[:12]
    ]  # fmt: skip
    more = [html.P(f"And {len(rows) - 12} more, in the CSV.", className="hint")] if len(rows) > 12 else []
    head = html.Div([html.H2(f"Good parts by {name}"), _csv(name, asked)], className="over")
    if not shown:
        return [head, html.P("No heat that has ended.", className="hint")]
    return [
        head,
        table(f"Good parts by {name}", [name.capitalize(), "Good", "Share (95\N{NO-BREAK SPACE}%)"], shown),
        *more,
    ]


def _share(one: Yield) -> list[Any]:
    """The share, and its interval, which may stand below it."""
    share, bracket, interval = share_words(one).partition("(")
    return [share, html.Span(f"({interval}", className="fixed")] if bracket else [share]


def _kinds(of: Trends) -> list[Any]:
    hint = "Beside each: how many, and what share of all failures up to it."
    return [later_graph("records-kinds", pareto_figure(of.kinds), _kinds_words(of)), html.P(hint, className="hint")]


def _kinds_words(of: Trends) -> str:
    return "Kinds of failure: " + "; ".join(f"{one.kind} {one.count}" for one in of.kinds[:6])
