"""A part on the plan page: what to take, wall and blank as pictures with numbers, one line of time, cautions."""

from __future__ import annotations

from typing import Any

from dash import dcc, html

from dashboard.making import Making
from dashboard.making_words import (
    SECTOR_SAID,
    against,
    cautions,
    headline,
    line_rows,
    sector_rows,
    take_rows,
    wall_rows,
    warnings,
)
from dashboard.part_line import Leg, legs
from dashboard.units import Units
from dashboard.web.component import attributes
from dashboard.web.part_figure import blank_figure, profile_figure, sector_figure
from dashboard.web.plan_answer import bullets, rows_table, section
from dashboard.web.words import sentence, unbroken

_GRAPH: Any = {"displayModeBar": False, "responsive": True, "scrollZoom": False}
CARD_PATH, PATTERN_PATH = "/plan/part/card.pdf", "/plan/part/pattern"


def part_answer(made: Making, units: Units, query: str, heat_query: str, notes: list[str]) -> list[Any]:
    """Everything of a part.

    Args:
        query: what the addresses of card and pattern hold. heat_query: the plan with this part's sheet. notes: what
        was taken for granted.
    """
    head, why = headline(made, units)
    stands = against(made, units)
    if made.choice.method is None:
        refused = [html.P(head, className="none"), bullets(stands)]
        return [html.Section(refused, className="card answer", **attributes(aria_label="What to take"))]
    return [
        html.Section(
            [
                html.P(head, className="what"),
                html.P(sentence(why), className="lead"),
                rows_table(take_rows(made, units)),
                html.Div(_ways_on(query, heat_query), className="row"),
            ],
            className="card answer",
            **attributes(aria_label="What to take"),
        ),
        _picture("The wall on the mold", "part-profile", profile_figure(made, units), _wall(made, units)),
        *_sectors(made, units),
        _picture("The blank", "part-blank", blank_figure(made, units), _blank(made, query)),
        section(
            "From the oven to demolding",
            html.Div([_line(legs(made, units)), rows_table(line_rows(made, units))]),
            "line",
        ),
        html.Div(
            [
                section("Cautions", bullets(cautions()), "cautions"),
                *([section("Mind", bullets(said))] if (said := warnings(made, units)) else []),
                *([section("What stands against the other way", bullets(stands))] if stands else []),
                section("Taken for granted", bullets([*made.mold.notes, *notes]), "granted"),
            ],
            className="lists",
        ),
    ]


def said_of(made: Making, units: Units) -> str:
    """The answer as a screen reader says it."""
    thinnest = [words for label, words in wall_rows(made, units) if label in ("Thinnest", "All over")]
    return ". ".join([headline(made, units)[0], *(f"Wall at its thinnest {words}" for words in thinnest)]) + "."


def _ways_on(query: str, heat_query: str) -> list[Any]:
    card = html.A("Work card to print", href=f"{CARD_PATH}?{query}", target="_blank", className="button strong")
    return [card, html.A("Plan the heat of this sheet", href=f"/plan?{heat_query}", className="button")]


def _picture(heading: str, name: str, figure: dict[str, Any], more: list[Any]) -> html.Section:
    # The numbers of the picture stand in words beside it.
    graph = dcc.Graph(id=name, config=_GRAPH, style={"height": "var(--chart)"}, figure=figure)
    return html.Section(
        [html.H2(heading), html.Div(graph, **attributes(aria_hidden="true")), *more], className="card picture"
    )


def _wall(made: Making, units: Units) -> list[Any]:
    drawn = made.choice.method == "bubble"
    hint = "Tip above. Orange is thin, blue is thick; in brackets what holds in 90 of 100 parts."
    rows = rows_table([(label[:1].upper() + label[1:], words) for label, words in wall_rows(made, units)])
    return [
        *([html.P(hint, className="hint")] if drawn else []),
        html.Details([html.Summary("The wall in words"), rows], open=not drawn),
    ]


def _sectors(made: Making, units: Units) -> list[Any]:
    """A mesh's wall by sector; nothing for girths."""
    if not made.sectors:
        return []
    hint = f"Wall in {'mm' if units.system == 'metric' else 'in'}; the mold unrolled, tip above. {SECTOR_SAID}."
    rows = html.Details([html.Summary("The sectors in words"), rows_table(sector_rows(made, units))])
    return [
        _picture(
            "The wall by sector", "part-sectors", sector_figure(made, units), [html.P(hint, className="hint"), rows]
        )
    ]


def _blank(made: Making, query: str) -> list[Any]:
    if made.choice.method != "drape":
        return [html.P("Cut it square, to the outer line; the clamp holds its border.", className="hint")]
    files = [
        html.A(f"Pattern as {kind.upper()}", href=f"{PATTERN_PATH}.{kind}?{query}", target="_blank", className="button")
        for kind in ("pdf", "svg")
    ]
    hint = (
        "The dotted lines are the seam. The files are full size, for tracing. Measure their bar of 100 mm on paper: a "
        "printer may have scaled the page."
    )
    return [html.Div(files, className="row"), html.P(hint, className="hint")]


# ---------------------------------------------------------------- the line of time


def _line(found: tuple[Leg, ...]) -> html.Div:
    """The legs side by side, each on its own scale; in words below."""
    return html.Div([_leg(one) for one in found], className="legs", **attributes(aria_hidden="true"))


def _leg(leg: Leg) -> html.Div:
    def share(seconds: float) -> float:
        return 100.0 * min(max((seconds - leg.from_s) / (leg.end_s - leg.from_s), 0.0), 1.0)

    marks: list[Any] = [html.Span("//", className="break first")] if leg.from_s > 0.0 else []
    said: list[Any] = []
    for one in leg.stretches:
        first, last = share(one.from_s), share(leg.end_s if one.to_s is None else one.to_s)
        look = "good" if one.good else "fair"
        place = {"left": f"{first:.2f}%", "width": f"{last - first:.2f}%"}
        marks.append(html.Span(className=f"interval {look}", style=place))
        said.append(html.Li([html.Span(className=f"key interval {look}"), unbroken(one.words)]))
    for moment in leg.moments:
        look = "pull" if moment.strong else "tick"
        marks.append(
            html.Span(className=look, style={"left": f"{100.0 if moment.at_s is None else share(moment.at_s):.2f}%"})
        )
        if moment.at_s is None:
            marks.append(html.Span("//", className="break"))
        said.append(html.Li([html.Span(className=f"key {look}"), unbroken(moment.words)]))
    head = html.P([html.Strong(leg.title), html.Span(leg.clock)])
    return html.Div([head, html.Div(marks, className="track"), html.Ul(said)], className="leg")
