"""The settings sheet: a plan on one page of paper, for the wall by the oven and for when the computer is off."""

from __future__ import annotations

from typing import Any

from flask import Flask, render_template, request

from dashboard.plan_advice import cautions, changes, practice
from dashboard.plan_drawing import picture_of
from dashboard.plan_settings import by_the_clock, settings, why
from dashboard.plan_words import answer, note_words, subject
from dashboard.units import Units
from dashboard.web.frame import query_of_search, units_of_request
from dashboard.web.plan_form import form_of_query, question_of
from dashboard.web.plan_picture import curve_svg
from dashboard.web.planner import Planned
from dashboard.web.services import Services
from dashboard.web.words import sentence, unbroken
from thermal.fields import InputError

PATH = "/plan/sheet"


def register(server: Flask, services: Services) -> None:
    """Add the sheet's address; it takes what the plan page's address holds."""
    server.add_template_filter(unbroken)

    @server.get(PATH)
    def sheet() -> Any:
        query = query_of_search(request.query_string.decode("utf-8", "replace"))
        try:
            form = form_of_query(query, services.shop)
            planned = services.planner.planned(question_of(form, services.shop, services.today()))
        except InputError as error:
            return render_template("refused.html", words=sentence(str(error)), theme=""), 400
        return render_template("sheet.html", **sheet_values(planned, services, units_of_request(services)))


def sheet_values(planned: Planned, services: Services, units: Units) -> dict[str, Any]:
    """What stands on the sheet."""
    plan = planned.plan
    told = by_the_clock(plan, units)
    exists = plan.opens.time_s is not None
    return {
        "shop": services.shop.name,
        "date": services.today().isoformat(),
        "subject": subject(plan, units),
        "us": units.system == "us",  # printed on letter paper, which is shorter
        "pull": told.heading,
        "trust": told.trust,
        "exists": exists,
        "clock": told.sure,
        "rows": answer(plan, units) if exists else [],
        "settings": settings(plan, units),
        "why": why(plan, units),
        "advice": [*changes(plan, units), *practice(plan, units)],
        "cautions": cautions(plan, units),
        "notes": [*(note_words(note, units) for note in plan.notes), *planned.question.notes],
        "picture": curve_svg(picture_of(plan, units)),
    }
