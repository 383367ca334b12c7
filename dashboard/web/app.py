"""Put the app together: server, rules, frame, pages. Nothing happens at import, and each call makes an app of its own.

Dash's own registry of pages is one for the whole process, so that two apps would show each other's: not used here.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

from dash import Dash
from dash.exceptions import DependencyException
from flask import Flask, redirect, request
from werkzeug.exceptions import NotFound

from dashboard.web import frame, oven_page, ovens_page, plan_page, records_page, sign_in
from dashboard.web.access import Access, check
from dashboard.web.page import Page, Register
from dashboard.web.security import harden, set_headers
from dashboard.web.services import Services

#: The pages in the order of the navigation; the first is where '/' leads. The page at the oven is there where a bench
#: is recorded.
PAGES: tuple[Register, ...] = (plan_page.register, records_page.register, ovens_page.register)
AT_THE_OVEN: tuple[Register, ...] = (oven_page.register,)
_HERE = Path(__file__).parent
_INDEX = """<!DOCTYPE html>
<html lang="en">
<head>
{%metas%}
<title>{%title%}</title>
<link rel="icon" href="/assets/icon.svg" type="image/svg+xml">
{%css%}
</head>
<body>
{%app_entry%}
{%config%}
{%scripts%}
{%renderer%}
</body>
</html>
"""


class _App(Dash):
    """Dash whose page carries the theme that was chosen, so that a dark page never flashes white."""

    pages_by_path: dict[str, Page]

    def interpolate_index(self, *unnamed: Any, **parts: Any) -> Any:
        """The page that holds the app."""
        page = self.pages_by_path.get(request.path)
        parts["title"] = f"{page.title} · Pullcue" if page else "Pullcue"
        whole: Any = super().interpolate_index
        html: str = whole(*unnamed, **parts)
        theme = request.cookies.get("pullcue_theme")
        return html.replace('lang="en"', f'lang="en" data-theme="{theme}"', 1) if theme in ("light", "dark") else html


def make_app(services: Services, access: Access | None = None, pages: Sequence[Register] | None = None) -> Dash:
    """The app, ready to be served or tested.

    Args:
        access: how it is reached; None: from this computer only. pages: None: all that this program has use for.

    Raises:
        InputError: the access is not safe without accounts, or not at all.
    """
    access = access or Access()
    check(access, services.accounts is not None)
    server = Flask("dashboard.web", static_folder=None, template_folder=str(_HERE / "templates"))
    token = harden(server, access, None if services.accounts is None else services.accounts.key())
    typed_less: Any = _App  # Dash's own types leave out what it takes: a Flask, no title while it works
    app: _App = typed_less(
        "dashboard.web",
        server=server,
        use_pages=False,
        pages_folder="",
        include_pages_meta=False,
        assets_folder=str(_HERE / "assets"),
        assets_path_ignore=["sheet"],
        index_string=_INDEX,
        title="Pullcue",
        update_title=None,
        serve_locally=True,
        compress=True,
        suppress_callback_exceptions=True,
        enable_mcp=False,
        csrf_token_name=token,
        meta_tags=[{"name": "viewport", "content": "width=device-width, initial-scale=1"}],
    )
    app.enable_dev_tools(debug=False)
    if pages is None:
        pages = PAGES if services.live is None else (*AT_THE_OVEN, *PAGES)
    made = [register(app, services) for register in pages]
    app.pages_by_path = {page.path: page for page in made}
    sign_in.guard(server, services, app.pages_by_path)
    frame.register(app, services, made)
    _known_addresses_only(server, app.pages_by_path)
    set_headers(server, app.csp_hashes())
    return app


def _known_addresses_only(server: Flask, pages: dict[str, Page]) -> None:
    """Dash answers every address with its page; an address that is no page is to be said so."""

    @server.errorhandler(DependencyException)
    def no_such_script(error: DependencyException) -> Any:
        """A script that is none of the components': Dash itself would call it a failure of the server."""
        return server.handle_user_exception(NotFound())

    @server.before_request
    def known() -> Any:
        if request.path == "/" and pages:
            return redirect(next(iter(pages)))
        rule = request.url_rule
        if rule is not None and rule.rule == "/<path:path>" and request.path not in pages:
            raise NotFound
        return None
