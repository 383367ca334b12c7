"""The frame of every page: name, navigation, units and theme, what is said aloud, and the content in the middle."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any
from urllib.parse import parse_qs

from dash import Dash, Input, Output, State, dcc, html
from flask import request

from dashboard.units import Units
from dashboard.web.component import attributes
from dashboard.web.page import Page, Visit
from dashboard.web.services import Services
from dashboard.web.who import allowed, signed_in
from dashboard.web.words import sentence
from thermal.fields import InputError

UNITS_COOKIE = "pullcue_units"


def register(app: Dash, services: Services, pages: Sequence[Page]) -> None:
    """Give the app its layout and the callback that draws the page an address names."""
    app.layout = html.Div([dcc.Location(id="url", refresh=False), html.Div(id="shell")])
    by_path = {page.path: page for page in pages}

    @app.callback(Output("shell", "children"), Input("url", "pathname"), State("url", "search"))
    def draw(path: str, search: str | None) -> Any:
        page = by_path.get(path)
        visit = Visit(query_of_search(search or ""), units_of_request(services))
        return shell(page, pages, visit, content(page, visit), services)


def query_of_search(search: str) -> dict[str, str]:
    """'?a=1&b=2' as a mapping; of a name that is there twice the last value."""
    return {name: values[-1] for name, values in parse_qs(search.lstrip("?")[:4000]).items()}


def units_of_request(services: Services) -> Units:
    """The units that were chosen in this browser, else the shop's."""
    chosen = request.cookies.get(UNITS_COOKIE)
    return Units("us" if (chosen if chosen in ("metric", "us") else services.shop.units) == "us" else "metric")


def content(page: Page | None, visit: Visit) -> Any:
    """What a page shows, or in a sentence why it shows nothing."""
    if page is None:
        return problem("There is no such page.")
    if not allowed(page.roles):
        return problem("Your role may not see this page. Ask a lab lead.")
    try:
        return page.layout(visit)
    except InputError as error:
        return problem(str(error), html.A("Start afresh", href=page.path, className="button"))


def problem(why: str, *more: Any) -> html.Div:
    """A page's content where there is nothing else to show."""
    return html.Div(
        [html.H1("This does not work"), html.P(sentence(why), className="lead"), *more], className="problem"
    )


def shell(page: Page | None, pages: Sequence[Page], visit: Visit, inner: Any, services: Services) -> list[Any]:
    """Everything between the edges of the screen."""
    return [
        html.A("Skip to the content", href="#content", className="skip"),
        html.Div(id="connection", className="connection", role="alert"),
        html.Header(
            [
                html.A([_mark(), html.Span("Pullcue")], href="/", className="brand"),
                html.Nav([_link(one, page) for one in pages if allowed(one.roles)], **attributes(aria_label="Pages")),
                *_account(),
                html.Div([_units(visit.units), _theme()], className="switches"),
            ],
            className="bar",
        ),
        html.Main(inner, id="content", tabIndex=-1),
        html.Footer(_foot(services), className="foot"),
        html.Div(id="said", className="unseen", role="status", **attributes(aria_live="polite")),
    ]


def _mark() -> html.Img:
    return html.Img(src="/assets/icon.svg", alt="", width="28", height="28")


def _link(one: Page, current: Page | None) -> html.A:
    here = attributes(aria_current="page") if current is not None and one.path == current.path else {}
    return html.A(one.title, href=one.path, **here)


def _units(units: Units) -> html.Div:
    def button(system: str, words: str, name: str) -> html.Button:
        pressed = "true" if units.system == system else "false"
        return html.Button(words, type="button", **attributes(data_units=system, aria_pressed=pressed, aria_label=name))

    return html.Div(
        [button("metric", "°C mm", "°C mm, metric units"), button("us", "°F in", "°F in, US units")],
        className="pair",
        role="group",
        **attributes(aria_label="Units"),
    )


def _theme() -> html.Button:
    return html.Button(
        [html.Span("Dark", className="to-dark"), html.Span("Light", className="to-light")],
        type="button",
        className="theme",
        **attributes(data_theme_switch="", aria_describedby="theme-help"),
    )


def _account() -> list[Any]:
    account = signed_in()
    if account is None:
        return []
    return [html.A(account.name, href="/account", className="person", title=f"Signed in, {account.role}")]


def _foot(services: Services) -> list[Any]:
    demo = " (invented)" if services.shop.is_demo else ""
    return [
        html.Span(f"{services.shop.name}{demo}"),
        html.Span("Pullcue advises and records; it controls no oven."),
        html.Span("Switches between the light and the dark theme.", id="theme-help", className="unseen"),
    ]
