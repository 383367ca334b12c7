"""The page of the records: the table of heats, one heat opened, several beside each other, trends."""

from __future__ import annotations

from typing import Any

from dash import Dash, Input, Output, State, html, no_update

from dashboard.heat_view import beside, heat_view
from dashboard.kept_open import KeptOpen
from dashboard.kept_trends import KeptTrends
from dashboard.reviewer import Reviewer
from dashboard.store_place import store_place
from dashboard.stored_review import VERSION, told
from dashboard.units import Units
from dashboard.web.frame import units_of_request
from dashboard.web.page import Page, Visit
from dashboard.web.records_do import CORRECTS, routes
from dashboard.web.records_figure import heat_figure
from dashboard.web.records_heat import heat_part, review_part
from dashboard.web.records_list import list_part
from dashboard.web.records_more import compare_part, trends_part
from dashboard.web.records_query import PATH, asked, heats_of, whole
from dashboard.web.roles import ROLES
from dashboard.web.services import Services
from dashboard.web.who import allowed, only
from logger.store import Store

TITLE = "Records"


def register(app: Dash, services: Services) -> Page:
    """Add the page's addresses and callbacks; the page."""
    place = services.place or store_place(services.shop)
    reviewer = services.reviewer or Reviewer(services.shop, place)
    records = KeptOpen(place)
    counted = KeptTrends()
    routes(app, services, records, reviewer, counted)

    @app.callback(
        Output("records-review", "children"),
        Output("records-curve", "figure"),
        Output("records-tick", "disabled"),
        Output("said", "children", allow_duplicate=True),
        Input("records-tick", "n_intervals"),
        State("records-heat", "data"),
        prevent_initial_call=True,
    )
    @only(ROLES)
    def reviewed(count: int, number: Any) -> Any:
        return review_now(records, reviewer, whole(str(number), "heat"), units_of_request(services))

    return Page(PATH, TITLE, lambda visit: layout(visit, services, records, reviewer, counted))


def layout(visit: Visit, services: Services, records: KeptOpen, reviewer: Reviewer, counted: KeptTrends) -> html.Div:
    """The page that an address asks for.

    Raises:
        InputError: there are no records, or what is asked for cannot be.
    """
    query, units = visit.query, visit.units
    with records.opened() as kept:
        if "heat" in query:
            return _heat(kept, reviewer, whole(query["heat"], "heat"), units)
        if "compare" in query:
            return compare_part(beside(kept, heats_of(query["compare"])), query.get("place", ""), units)
        of = asked(query)
        if query.get("show") == "trends":
            found = counted.of(kept, of.filter(units), VERSION, services.shop.yield_by_operator)
            return trends_part(found, of, units)
        of.filter(units)  # refuses at once what cannot be asked
        return list_part(services.shop, records.place.folder, of)


def _heat(kept: Store, reviewer: Reviewer, number: int, units: Units) -> html.Div:
    of = heat_view(kept, number)
    known = told(of.review, units)
    if known is None and of.now.state != "open" and of.courses:
        reviewer.ask(number)
    return heat_part(of, known, "", allowed(CORRECTS), units)


def review_now(records: KeptOpen, reviewer: Reviewer, number: int, units: Units) -> tuple[Any, Any, Any, Any]:
    """What the page of a heat is told while its review goes on: words, figure, whether that is all, what is said."""
    with records.opened() as kept:
        review = kept.kept_review(kept.heat(number).id)
        known, wrong = told(review, units), reviewer.wrong(number)
        if known is None and not wrong:
            reviewer.ask(number)
            return no_update, no_update, False, no_update
        of = heat_view(kept, number)
    figure = heat_figure(of, known, units) if known is not None and of.courses else no_update
    said = "The review is done." if known is not None else "The heat cannot be reviewed."
    return review_part(of, known, "" if known is not None else wrong, units), figure, True, said
