"""The page of the ovens: each one's card through time, what is proposed, how it was found, its survey, its drift."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from dash import Dash, Input, Output, State, dcc, html, no_update

from dashboard.oven_cards import Proposal, accept, calibration_of, dismiss, dismissed, history, proposals, unread
from dashboard.oven_watcher import OvenWatcher
from dashboard.store_place import store_place
from dashboard.units import Units
from dashboard.web.component import attributes
from dashboard.web.ovens_parts import (
    calibration_parts,
    card_part,
    drift_part,
    history_part,
    proposal_part,
    survey_part,
)
from dashboard.web.page import Page, Visit
from dashboard.web.roles import LEAD
from dashboard.web.services import Services
from dashboard.web.who import allowed, only, signed_in, who
from dashboard.web.words import sentence
from thermal.fields import InputError

PATH, TITLE = "/ovens", "Ovens"
#: How often the page asks while heats are being looked at, ms.
_AGAIN_MS = 4000
_SURE, _ASIDE = "I have read the reasons: put it in force", "Yes, dismiss it"


def register(app: Dash, services: Services) -> Page:
    """Add the page's callbacks; the page."""
    place = services.place or store_place(services.shop)
    watcher = OvenWatcher(services.shop, place, services.today, lambda: _recording(services))

    @app.callback(
        Output("ovens-drift", "children"),
        Output("ovens-tick", "disabled"),
        Input("ovens-tick", "n_intervals"),
        State("ovens-oven", "data"),
        prevent_initial_call=True,
    )
    def drift_now(count: int, oven: str) -> Any:
        return drift_and_rest(watcher, oven)

    @app.callback(
        Output("ovens-accepted", "children"),
        Output("ovens-accept", "children"),
        Output("said", "children", allow_duplicate=True),
        Input("ovens-accept", "n_clicks"),
        State("ovens-by", "value"),
        State("ovens-oven", "data"),
        State("ovens-proposal", "data"),
        prevent_initial_call=True,
    )
    @only({LEAD})
    def accept_now(clicks: int | None, initials: str | None, oven: str, name: str) -> Any:
        return accepting(services, clicks or 0, initials or "", oven, name)

    @app.callback(
        Output("ovens-dismissed", "children"),
        Output("ovens-dismiss", "children"),
        Output("said", "children", allow_duplicate=True),
        Input("ovens-dismiss", "n_clicks"),
        State("ovens-by", "value"),
        State("ovens-oven", "data"),
        State("ovens-proposal", "data"),
        prevent_initial_call=True,
    )
    @only({LEAD})
    def dismiss_now(clicks: int | None, initials: str | None, oven: str, name: str) -> Any:
        return dismissing(services, clicks or 0, initials or "", oven, name)

    return Page(PATH, TITLE, lambda visit: layout(visit, services, watcher))


def _recording(services: Services) -> bool:
    """Whether a heat is going on that this program records: its cue comes first."""
    live = services.live
    return live is not None and any(live.look(one).look.open for one in live.benches)


def accepting(services: Services, clicks: int, initials: str, oven: str, name: str) -> tuple[Any, Any, Any]:
    """What the button does: asked first, then done. What is shown, the button's words, what is said aloud."""

    def done(by: str) -> str:
        kept = accept(services.shop, oven, name, by, services.clock.utc())
        return f"The card is in force. The one before it is kept as earlier/{kept.file}."

    ask = "Press once more to put it in force. The card in force now is kept."
    return _decided(clicks, initials, oven, ask, (_SURE, "Accepted"), done)


def dismissing(services: Services, clicks: int, initials: str, oven: str, name: str) -> tuple[Any, Any, Any]:
    """The same for laying the card aside."""

    def done(by: str) -> str:
        dismiss(services.shop, oven, name, by, services.clock.utc())
        return "The card is dismissed. Its file is kept."

    ask = "Press once more to dismiss it. Its file is kept."
    return _decided(clicks, initials, oven, ask, (_ASIDE, "Dismissed"), done)


def _decided(
    clicks: int, initials: str, oven: str, ask: str, button: tuple[str, str], do: Callable[[str], str]
) -> tuple[Any, Any, Any]:
    """Args: button: its words once it was pressed, and when all is done. do: it, by a person; what to say then."""
    if clicks < 2:
        return html.P(ask), button[0], ask
    account = signed_in()
    if account is None and not initials.strip():
        wrong = "Type your initials: whoever decides about a card is kept with it."
        return html.P(wrong, className="wrong"), no_update, wrong
    try:
        done = do(who(initials).words)
    except InputError as error:
        wrong = sentence(str(error))
        return html.P(wrong, className="wrong"), no_update, wrong
    return [html.P(done), html.A("Show it", href=f"{PATH}?oven={oven}", className="button")], button[1], done


def layout(visit: Visit, services: Services, watcher: OvenWatcher) -> html.Div:
    """The page for one oven.

    Raises:
        InputError: the shop has no ovens, or not the one that the address names.
    """
    shop = services.shop
    ovens = shop.oven_ids()
    if not ovens:
        raise InputError(f"the shop {shop.name!r} has no ovens; put a card into {shop.folder / 'ovens'}")
    oven = visit.query.get("oven", ovens[0])
    cards, waiting = history(shop, oven), proposals(shop, oven)
    record = calibration_of(shop, waiting[0].card if waiting else cards[0].card)
    drift, done = drift_and_rest(watcher, oven)
    return html.Div(
        [
            html.Div([html.H1(f"Oven {oven}"), _chips(ovens, oven)], className="head"),
            html.Section(
                [html.H2("Drift"), html.Div(drift, id="ovens-drift")], className="card", id="ovens-drift-card"
            ),
            html.Div(
                [
                    *(_proposed(waiting) if waiting else []),
                    html.Section(card_part(cards, waiting), className="card"),
                    html.Section(survey_and_rest(watcher, oven, visit.units), className="card picture"),
                    html.Section(history_part(cards, dismissed(shop, oven), unread(shop, oven)), className="card"),
                ],
                className="flow",
            ),
            html.Div(
                calibration_parts(record, oven, visit.query.get("heat"), visit.units) if record else [_no_record()],
                className="flow",
            ),
            dcc.Interval(id="ovens-tick", interval=_AGAIN_MS, disabled=done),
            dcc.Store(id="ovens-oven", data=oven),
        ],
        className="ovens",
    )


def _proposed(waiting: tuple[Proposal, ...]) -> list[Any]:
    account = signed_in()
    part = proposal_part(waiting[0], allowed({LEAD}), None if account is None else account.name)
    return [html.Section(part, className="card", id="ovens-proposed")]


def _chips(ovens: tuple[str, ...], chosen: str) -> html.Nav:
    links = [
        html.A(
            one, href=f"{PATH}?oven={one}", className="chip",
            **(attributes(aria_current="page") if one == chosen else {}),
        )
        for one in ovens
    ]  # fmt: skip
    return html.Nav(links, className="chips", **attributes(aria_label="Ovens"))


def _no_record() -> html.Section:
    words = "How this card was found is not kept. Record heats with thermocouples, then 'pullcue calibrate'."
    return html.Section([html.H2("Calibration"), html.P(words, className="hint")], className="card")


def drift_and_rest(watcher: OvenWatcher, oven: str) -> tuple[list[Any], bool]:
    """How the oven drifts as far as it is known, and whether that is all."""
    try:
        found = watcher.watch(oven)
    except InputError as error:
        return [html.P(sentence(str(error)), className="hint")], True
    return drift_part(found), found.waiting == 0


def survey_and_rest(watcher: OvenWatcher, oven: str, units: Units) -> list[Any]:
    """The newest survey, or why it cannot be shown."""
    try:
        return survey_part(watcher.survey(oven), units)
    except InputError as error:
        return [html.H2("Survey"), html.P(sentence(str(error)), className="hint")]
