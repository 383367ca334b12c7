"""The part's section of the plan page: a mold in, a button, the part out; files in and out beside it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from dash import Dash, Input, Output, State, html, no_update
from flask import Flask, Response, jsonify, render_template, request

from dashboard.equipment import equipment_of, keep_equipment
from dashboard.making import Making, gauge_of
from dashboard.making_words import granted
from dashboard.units import Units
from dashboard.web import plan_form
from dashboard.web.component import attributes, in_browser
from dashboard.web.frame import query_of_search, units_of_request
from dashboard.web.page import Visit
from dashboard.web.part_answer import CARD_PATH, PATTERN_PATH, part_answer, said_of
from dashboard.web.part_controls import FIELDS, KEPT, AtHand, part_controls, part_form_from
from dashboard.web.part_form import PartForm, PartQuestion, form_of_query, query_of, question_of, table_of
from dashboard.web.part_kit import KIT_KEPT, KIT_TYPED, equipment_from
from dashboard.web.parts import Parts
from dashboard.web.plan_controls import FIELDS as PLAN_FIELDS
from dashboard.web.plan_controls import KEPT as PLAN_KEPT
from dashboard.web.plan_controls import form_from
from dashboard.web.plan_form import PlanForm
from dashboard.web.roles import LEAD, ROLES
from dashboard.web.security import MOLD_PATH
from dashboard.web.services import Services
from dashboard.web.who import allowed, only
from dashboard.web.words import sentence
from thermal.fields import InputError
from thermal.method import Equipment

_OUTPUTS = {
    "answer": Output("part-answer", "children"),
    "asked": Output("part-asked", "data"),
    "busy": Output("part-busy", "children"),
    "said": Output("said", "children", allow_duplicate=True),
}
_BUSY = "Working it out: this takes some seconds."


def register(app: Dash, services: Services) -> None:
    """Add the section's callbacks and addresses."""
    parts = Parts(services.planner)

    @app.callback(
        output=_OUTPUTS,
        inputs={"clicks": Input("part-go", "n_clicks")},
        state={
            "part": {name: State(f"part-{name}", "data" if name in KEPT else "value") for name in FIELDS},
            "plan": {name: State(f"plan-{name}", "data" if name in PLAN_KEPT else "value") for name in PLAN_FIELDS},
            "system": State("plan-units", "data"),
        },
        running=[(Output("part-busy", "children"), _BUSY, "")],
        prevent_initial_call="initial_duplicate",
    )
    def worked_out(clicks: int | None, part: dict[str, Any], plan: dict[str, Any], system: str) -> dict[str, Any]:
        if not clicks and not _has_mold(part):
            return dict.fromkeys(_OUTPUTS, no_update)
        return outputs(services, parts, part, plan, Units("us" if system == "us" else "metric"))

    @app.callback(
        Output("part-query", "data"),
        inputs={"part": {name: Input(f"part-{name}", "data" if name in KEPT else "value") for name in FIELDS}},
        state={"system": State("plan-units", "data")},
        prevent_initial_call=True,
    )
    def typed(part: dict[str, Any], system: str) -> Any:
        try:
            units = Units("us" if system == "us" else "metric")
            return query_of(part_form_from(part, at_hand(services).equipment, units))
        except InputError:
            return no_update  # said when it is to be worked out: half a row is no mistake yet

    @app.callback(
        Output("part-kept", "children"),
        Output("said", "children", allow_duplicate=True),
        inputs={"clicks": Input("part-keep", "n_clicks")},
        state={
            "kit": {name: State(f"part-{name}", "data" if name in KIT_KEPT else "value")
                    for name in (*KIT_KEPT, *KIT_TYPED)},
            "system": State("plan-units", "data"),
        },
        prevent_initial_call=True,
    )  # fmt: skip
    @only({LEAD})
    def kept(clicks: int | None, kit: dict[str, Any], system: str) -> Any:
        words = keeping(services, kit, Units("us" if system == "us" else "metric"))
        return words, words

    in_browser(
        app, "part_is_old", Output("part-old", "hidden"),
        Input("plan-query", "data"), Input("part-query", "data"), Input("part-asked", "data"),
    )  # fmt: skip
    _addresses(app, services, parts)


def at_hand(services: Services) -> AtHand:
    """What the shop's file says of its equipment, and whether whoever looks may change it."""
    try:
        return AtHand(equipment_of(services.shop), may_keep=allowed({LEAD}))
    except InputError as error:
        return AtHand(Equipment(), sentence(str(error)), allowed({LEAD}))


def keeping(services: Services, kit: Mapping[str, Any], units: Units) -> str:
    """Keep what stands in the equipment's fields in the shop's file; what to say then, or why not."""
    try:
        before = keep_equipment(services.shop, equipment_from(kit, units), services.today())
    except InputError as error:
        return sentence(str(error))
    kept = "" if before is None else f" The file before it is kept as {before.parent.name}/{before.name}."
    return f"Kept in equipment.toml: every part is worked out with it from now on.{kept}"


def layout(visit: Visit, services: Services) -> html.Section:
    """The section, its form filled in from the address.

    Raises:
        InputError: the address holds a value that cannot be read.
    """
    intro = (
        "What to take for a mold, the wall it gives, and when it may come off. Polymer, oven, set temperature and room "
        "are those of the plan."
    )
    old = "The plan or the mold was changed since: work it out again."
    return html.Section(
        [
            html.Div([html.H2("From the mold to the part"), html.P(intro, className="hint")], className="head"),
            part_controls(form_of_query(visit.query), at_hand(services), visit.units),
            html.Div(
                [
                    html.P(old, id="part-old", className="wrong", hidden=True),
                    html.Div(id="part-answer", className="part-answer"),
                ]
            ),
        ],
        className="part",
        id="part",
        **attributes(aria_label="From the mold to the part"),
    )


def _has_mold(part: Mapping[str, Any]) -> bool:
    return bool(part.get("table"))


def outputs(
    services: Services, parts: Parts, part: Mapping[str, Any], plan: Mapping[str, Any], units: Units
) -> dict[str, Any]:
    """What the section shows for the values of its form and the plan's; for what cannot be used, why."""
    try:
        form, heat = part_form_from(part, at_hand(services).equipment, units), form_from(plan, units)
        made = parts.made(_question(services, parts, form, heat))
    except InputError as error:
        why = sentence(str(error))
        refused = html.Section(
            [html.P("This part cannot be worked out", className="none"), html.P(why, className="lead wrong")],
            className="card answer",
            **attributes(aria_label="What to take"),
        )
        return {"answer": [refused], "asked": None, "busy": "", "said": f"This part cannot be worked out. {why}"}
    part_query = query_of(form)
    heat_query = plan_form.query_of(_heat_of(made, heat))
    return {
        "answer": part_answer(
            made,
            units,
            f"{plan_form.query_of(heat)}&{part_query}",
            f"{heat_query}&{part_query}",
            granted(made, services.shop, mold_c_stated=form.mold_c is not None, units=units),
        ),
        "asked": {"plan": plan_form.query_of(heat), "part": part_query},
        "busy": "",
        "said": said_of(made, units),
    }


def _question(services: Services, parts: Parts, form: PartForm, heat: PlanForm) -> PartQuestion:
    asked = plan_form.question_of(heat, services.shop, services.today())
    return question_of(form, asked, services.shop, parts.mesh(form.mesh))


def _heat_of(made: Making, heat: PlanForm) -> PlanForm:
    """The plan's form with the sheet, frame and drop of a part."""
    gauge = gauge_of(made.choice)
    bubble = made.choice.bubble if made.choice.method == "bubble" else None
    case = None if made.plan is None else made.plan.case
    if gauge is None or case is None:
        return heat
    found = replace(
        heat, gauge_mm=round(1e3 * gauge, 4), support=case.support, opening_mm=None, other_side_mm=None, drop_mm=None,
        clearance_mm=None,
    )  # fmt: skip
    if bubble is None:
        return found
    sides = [round(1e3 * side, 2) for side in bubble.opening_m]
    drop = round(1e3 * bubble.drop_m, 1) if case.drops else None
    return replace(found, opening_mm=sides[0], other_side_mm=sides[1] if len(sides) == 2 else None, drop_mm=drop)


# ---------------------------------------------------------------- files in and out


def _addresses(app: Dash, services: Services, parts: Parts) -> None:
    server: Flask = app.server

    @server.post(MOLD_PATH)
    @only(ROLES)
    def open_mold() -> Any:
        given = request.args
        units = units_of_request(services)
        try:
            mold, key = parts.opened(
                request.get_data(cache=False), given.get("name", "")[:300], given.get("unit", ""),
                given.get("axis", ""), given.get("flip", "") == "flip", given.get("distal", ""),
            )  # fmt: skip
        except InputError as error:
            return jsonify({"wrong": sentence(str(error))})
        return jsonify(
            {
                "rows": table_of(mold.mold.level_m, mold.mold.girth_m, units),
                "distal": mold.mold.distal,
                "name": mold.name,
                "mesh": key,
                "notes": [sentence(one) for one in mold.notes],
            }
        )

    @server.get(CARD_PATH)
    @only(ROLES)
    def card() -> Any:
        return _file(services, parts, lambda of, units: parts.card(of, units), "application/pdf", "work-card.pdf")

    @server.get(f"{PATTERN_PATH}.<kind>")
    @only(ROLES)
    def pattern(kind: str) -> Any:
        mime = {"pdf": "application/pdf", "svg": "image/svg+xml"}.get(kind)
        if mime is None:
            return render_template("refused.html", words="There is no such page.", theme=""), 404
        return _file(services, parts, lambda of, units: parts.pattern(of, f".{kind}", units), mime, f"pattern.{kind}")


def _file(services: Services, parts: Parts, make: Any, mime: str, name: str) -> Any:
    """A file of the part that the address holds."""
    query = query_of_search(request.query_string.decode("utf-8", "replace"))
    try:
        heat = plan_form.form_of_query(query, services.shop)
        made = make(_question(services, parts, form_of_query(query), heat), units_of_request(services))
    except InputError as error:
        return render_template("refused.html", words=sentence(str(error)), theme=""), 400
    return Response(made, mimetype=mime, headers={"Content-Disposition": f'inline; filename="{name}"'})
