"""The plan page: what is asked on the left, when to pull on the right, at once."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from dash import Dash, Input, Output, State, dcc, html, no_update

from dashboard.plan_drawing import picture_of
from dashboard.units import Units
from dashboard.web import part_section, plan_sheet
from dashboard.web.component import attributes, in_browser
from dashboard.web.page import Page, Visit
from dashboard.web.plan_answer import answer_block, lists, said
from dashboard.web.plan_controls import FIELDS, KEPT, controls, form_from
from dashboard.web.plan_figure import EMPTY, curve_figure, map_figure
from dashboard.web.plan_form import form_of_query, query_of, question_of
from dashboard.web.services import Services
from dashboard.web.shown_values import shown_temperature
from dashboard.web.words import sentence
from thermal.fields import InputError

PATH, TITLE = "/plan", "Plan"
_GRAPH: Any = {"displayModeBar": False, "responsive": True, "scrollZoom": False}
#: What the callback fills in.
_OUTPUTS = {
    "answer": Output("plan-answer", "children"),
    "curve": Output("plan-curve", "figure"),
    "map": Output("plan-map", "figure"),
    "lists": Output("plan-lists", "children"),
    "look": Output("plan-results", "className"),
    "query": Output("plan-query", "data"),
    "said": Output("said", "children"),
}


def register(app: Dash, services: Services) -> Page:
    """Add the page's callbacks and the settings sheet; the page."""

    @app.callback(
        output=_OUTPUTS,
        inputs={"values": {name: Input(f"plan-{name}", "data" if name in KEPT else "value") for name in FIELDS}},
        state={"system": State("plan-units", "data")},
    )
    def answered(values: dict[str, Any], system: str) -> dict[str, Any]:
        return outputs(services, values, Units("us" if system == "us" else "metric"))

    @app.callback(
        Output("plan-set_c", "data"),
        Input("plan-oven", "data"),
        State("plan-units", "data"),
        prevent_initial_call=True,
    )
    def oven_changed(oven: str, system: str) -> Any:
        return card_setting(services, oven, Units("us" if system == "us" else "metric"))

    in_browser(app, "show_value", Input("plan-set_c", "data"), State("plan-set_c", "id"))
    in_browser(
        app,
        "keep_address",
        Output("plan-sheet", "href"),
        Input("plan-query", "data"),
        Input("part-query", "data"),
    )
    if services.live is not None:
        in_browser(app, "take_along", Output("plan-take", "href"), Input("plan-query", "data"))
    in_browser(
        app,
        "show_bubble",
        Output("plan-bubble", "disabled"),
        Input("plan-support", "data"),
    )
    plan_sheet.register(app.server, services)
    part_section.register(app, services)
    return Page(PATH, TITLE, lambda visit: layout(visit, services))


def layout(visit: Visit, services: Services) -> html.Div:
    """The page, its form filled in from the address.

    Raises:
        InputError: the address holds a value that cannot be read, or the shop has no ovens.
    """
    return html.Div([_plan(visit, services), part_section.layout(visit, services)])


def _plan(visit: Visit, services: Services) -> html.Div:
    form = form_of_query(visit.query, services.shop)
    return html.Div(
        [
            html.Div(
                [
                    html.H1("Plan a heat"),
                    html.Div(_ways_on(services), className="row"),
                ],
                className="head",
            ),
            controls(form, services.shop, visit.units),
            html.Div(
                [
                    html.Section(id="plan-answer", className="answer card", **attributes(aria_label="Answer")),
                    html.Section(
                        [html.H2("The sheet in the oven"), _graph("plan-curve")], className="card picture", id="curve"
                    ),
                    html.Section(
                        [html.H2("Where there is a window"), _graph("plan-map")], className="card picture", id="map"
                    ),
                    html.Div(id="plan-lists", className="lists"),
                ],
                id="plan-results",
                className="results waiting",
            ),
            dcc.Store(id="plan-query"),
        ],
        className="plan",
    )


def _ways_on(services: Services) -> list[Any]:
    """Where the plan can be taken: to the oven, where a bench is recorded, to the wall, on to the mold."""
    take = html.A("Take it to the oven", id="plan-take", href="/oven", className="button strong")
    sheet = html.A("Settings sheet to print", id="plan-sheet", href=plan_sheet.PATH, className="button")
    part = html.A("Mold to part", href="#part", className="button")
    return [sheet, part] if services.live is None else [take, sheet, part]


def _graph(name: str) -> dcc.Graph:
    return dcc.Graph(id=name, config=_GRAPH, style={"height": "var(--chart)"}, figure={"data": [], "layout": EMPTY})


def outputs(services: Services, values: Mapping[str, Any], units: Units) -> dict[str, Any]:
    """What the page shows for the values of its form; for one that cannot be used, why."""
    try:
        form = form_from(values, units)
        planned = services.planner.planned(question_of(form, services.shop, services.today()))
    except InputError as error:
        why = sentence(str(error))
        kept = dict.fromkeys(("curve", "map", "lists", "query"), no_update)
        refused = [html.P("This cannot be planned", className="none"), html.P(why, className="lead wrong")]
        return {**kept, "answer": refused, "look": "results unanswered", "said": f"This cannot be planned. {why}"}
    picture = picture_of(planned.plan, units, notes=planned.question.notes)
    return {
        "answer": answer_block(planned, picture, units),
        "curve": curve_figure(picture),
        "map": map_figure(planned.plan, planned.map, units),
        "lists": lists(planned, units),
        "look": "results",
        "query": query_of(form),
        "said": said(planned, units),
    }


def card_setting(services: Services, oven: str, units: Units) -> Any:
    """The set temperature on an oven's card, in the units shown; nothing new for a card that cannot be read."""
    try:
        return shown_temperature(services.shop.oven(oven).set_c, units)
    except InputError:
        return no_update  # the answer says what is wrong with the card
