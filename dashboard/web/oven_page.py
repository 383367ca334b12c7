"""The page at the oven: one bench large, or all of them side by side. It shows what `services.live` tells."""

from __future__ import annotations

import json
from typing import Any

from dash import Dash, dcc, html
from flask import Flask, Response, jsonify, request

from dashboard.commands.watch_words import CAUTION
from dashboard.cue_sound import PATTERNS
from dashboard.live_service import Live
from dashboard.units import Units
from dashboard.web.component import attributes
from dashboard.web.frame import units_of_request
from dashboard.web.oven_do import AT_THE_OVEN, do
from dashboard.web.oven_form import at_first, form_block
from dashboard.web.oven_live import as_json, brief, picture, update
from dashboard.web.oven_parts import cue, cut_off, marks, outcome, strip, tools
from dashboard.web.oven_words import KEYS
from dashboard.web.page import Page, Visit
from dashboard.web.plan_figure import EMPTY
from dashboard.web.roles import LEAD, ROLES, TECHNICIAN
from dashboard.web.services import Services
from dashboard.web.who import allowed, only
from dashboard.web.words import sentence
from thermal.fields import InputError

PATH, TITLE = "/oven", "At the oven"
_GRAPH: Any = {"displayModeBar": False, "responsive": True, "scrollZoom": False}


def register(app: Dash, services: Services) -> Page:
    """Add the addresses that the page asks; the page."""
    _routes(app.server, services)
    return Page(PATH, TITLE, lambda visit: layout(visit, services))


def _routes(server: Flask, services: Services) -> None:
    @server.get("/oven/live")
    @only(ROLES)
    def live_now() -> Any:
        """What is new: of one bench, or of all in short."""
        live, units = _live(services), units_of_request(services)
        bench = request.args.get("bench", "")
        try:
            told = update(live, bench, units, request.args) if bench else brief(live, units)
            return Response(as_json(told), mimetype="application/json")
        except InputError as error:
            return jsonify({"wrong": sentence(str(error))})

    @server.get("/oven/figure")
    @only(ROLES)
    def figure_now() -> Any:
        try:
            return jsonify(picture(_live(services), request.args.get("bench", ""), units_of_request(services)))
        except InputError as error:
            return jsonify({"wrong": sentence(str(error))})

    @server.post("/oven/do")
    @only(ROLES)
    def oven_do() -> Any:
        asked = request.get_json(silent=True)
        what = asked.get("what") if isinstance(asked, dict) else None
        if what in AT_THE_OVEN and not allowed({TECHNICIAN, LEAD}):
            return jsonify({"wrong": "Your role may not do this at the oven. Ask a lab lead."}), 403
        try:
            return jsonify({"said": do(services, _live(services), asked)})
        except InputError as error:
            return jsonify({"wrong": sentence(str(error))})


def _live(services: Services) -> Live:
    if services.live is None:
        raise InputError("nothing is recorded here: start a bench with 'pullcue bench', or 'pullcue practice'")
    return services.live


def layout(visit: Visit, services: Services) -> html.Div:
    """The page.

    Raises:
        InputError: no bench is recorded here, or not the one that the address names.
    """
    live = _live(services)
    benches = list(live.benches)
    asked = visit.query.get("bench")
    if asked is None and len(benches) > 1 and "polymer" not in visit.query:
        return _overview(live)
    of_oven = [one for one in benches if live.benches[one].bench.oven == visit.query.get("oven")]
    bench = asked or (of_oven or benches)[0]
    return _one(live, bench, visit, services)


def _config(live: Live, bench: str, units: Units) -> str:
    """What the page's script needs: what it asks, how often, and the sounds."""
    every_s = min((live.every_s(one) for one in ([bench] if bench else live.benches)), default=1.0)
    sounds = {
        KEYS[state]: {"tones": [list(tone) for tone in pattern.tones], "again_s": pattern.again_s}
        for state, pattern in PATTERNS.items()
    }
    return json.dumps({"bench": bench, "every_ms": round(1e3 * every_s), "units": units.system, "sounds": sounds})


def _overview(live: Live) -> html.Div:
    tiles = [
        html.A(
            [
                html.Span(bench, className="name"),
                html.Span(className="shape", **attributes(aria_hidden="true", data_part="shape")),
                html.Span("starting", className="word", **attributes(data_part="word")),
                html.Span(className="to", **attributes(data_part="to")),
                html.Span(className="count", **attributes(data_part="count")),
                html.Span(className="loud", **attributes(data_part="loud")),
            ],
            href=f"{PATH}?bench={bench}",
            className="tile",
            **attributes(data_tile=bench, data_key="not-live"),
        )
        for bench in live.benches
    ]
    return html.Div(
        [
            html.H1("At the ovens", className="unseen"),
            html.Div(tiles, className="tiles"),
            html.Div(tools(False), className="tools"),
            html.P(CAUTION, className="hint"),
            html.P(className="toast", id="oven-toast", role="status"),
        ],
        className="oven",
        **attributes(data_oven=_config(live, "", Units())),
    )


def _one(live: Live, bench: str, visit: Visit, services: Services) -> html.Div:
    of = live.bench(bench)
    look = live.look(bench).look
    form = look.heat.form if look.open and look.heat is not None else look.form
    checks, fields = form_block(at_first(visit.query, form), services.shop, visit.units, of.bench.oven)
    begin = html.Button("Sheet is in: start", type="button", className="button strong big", id="oven-start")
    fill = html.Button("Keep the form", type="button", className="button", id="oven-fill")
    before = html.Details(
        [
            html.Summary("The sheet and its form", id="oven-form-title"),
            html.Div(
                [html.Div([checks, begin], className="begin"), html.Div([fields, fill], className="rest")],
                className="heat-form",
                **attributes(data_heat_form="", role="group", aria_label="The sheet that goes in"),
            ),
        ],
        open=True,
        className="card",
        id="oven-begin",
    )
    doing = [html.Section(marks(), className="card", id="oven-marks", **attributes(aria_label="Marks"))]
    seeing = [
        html.Section(
            [
                html.H2("Measured, estimated, planned"),
                dcc.Graph(
                    id="oven-curve",
                    config=_GRAPH,
                    style={"height": "var(--chart)"},
                    figure={"data": [], "layout": EMPTY},
                ),
                html.P("Full lines are measured (core: estimated), dotted ones estimated, dashed ones planned; the "
                       "band holds the core in 90 of 100 heats.", className="hint"),
            ],
            className="card picture",
            id="oven-picture",
        ),
        html.Section(
            [html.H2("Drop below the frame"), html.Div(id="oven-sag", role="img", **attributes(aria_label="Drop"))],
            className="card sag",
            id="oven-sag-card",
        ),
        html.Section([html.H2("Now", id="oven-title"), html.Dl(id="oven-table", className="table")], className="card"),
        html.Section([html.H2("To know"), html.Ul(id="oven-notes")], className="card", id="oven-known"),
    ]  # fmt: skip
    may_act = allowed({TECHNICIAN, LEAD})
    planned = visit.query.get("oven", of.bench.oven)
    other = f"The plan is for oven {planned}, this bench has oven {of.bench.oven}: plan it for that one."
    warned = [] if planned == of.bench.oven else [html.P(other, className="wrong")]
    practice = [html.P(_practice_words(live, bench), className="practice")] if of.practice else []
    return html.Div(
        [
            html.H1(f"Bench {bench}", className="unseen"),
            cue(),
            strip(),
            *([cut_off()] if may_act else []),
            html.Div([*tools(True), *practice], className="tools"),
            *warned,
            # By Tab the marks come before the form, which is filled in before there is anything to mark.
            html.Div([*(doing if may_act else []), outcome()], className="doing"),
            *([before] if may_act else []),
            html.Div(seeing, className="seeing"),
            html.P(CAUTION, className="hint"),
            html.P(className="toast", id="oven-toast", role="status"),
        ],
        className="oven one",
        **attributes(data_oven=_config(live, bench, visit.units), data_phase="none"),
    )


def _practice_words(live: Live, bench: str) -> str:
    speed = live.benches[bench].speed
    pace = "" if speed == 1.0 else f", {speed:g} times faster than real"
    return f"Practice: oven and sheet are computed{pace}. Your pull will be judged."
