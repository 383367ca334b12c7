"""Signing in and out, joining with a code, and the list of accounts: plain pages that need no script."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any
from urllib.parse import quote, urlsplit

from flask import Flask, abort, redirect, render_template, request, session
from flask_login import LoginManager, current_user, login_user, logout_user

from dashboard.web.accounts import SHORTEST, Accounts
from dashboard.web.attempts import TooMany
from dashboard.web.page import Page
from dashboard.web.roles import LEAD, ROLES
from dashboard.web.services import Services
from dashboard.web.who import SIGNED_IN_ONLY, Person, allowed, loaded, only, signed_in
from dashboard.web.words import sentence
from thermal.fields import InputError

#: Seen by whoever has not signed in: what these very pages need.
_OPEN = ("/sign-in", "/join", "/assets/")


def guard(server: Flask, services: Services, pages: Mapping[str, Page]) -> None:
    """Let nobody pass who has not signed in, where there are accounts; and add the pages on which that is done."""
    accounts = services.accounts
    server.config[SIGNED_IN_ONLY] = accounts is not None
    manager = LoginManager()
    manager.init_app(server)
    manager.user_loader(lambda session_id: loaded(accounts, session_id))
    if accounts is None:
        return

    @server.before_request
    def pass_or_stop() -> Any:
        if request.path.startswith(_OPEN) and ".." not in request.path:
            return None
        if signed_in() is None:
            if request.method == "GET" and not request.path.startswith("/_dash-"):
                return redirect(f"/sign-in?next={quote(request.full_path.rstrip('?'))}")
            abort(401)
        if request.path in pages and not allowed(pages[request.path].roles):
            abort(403)
        return None

    _sign_in_pages(server, accounts)
    _account_pages(server, accounts)


def _sign_in_pages(server: Flask, accounts: Accounts) -> None:
    @server.get("/sign-in")
    def sign_in_form() -> str:
        return _page("sign_in.html", wanted=local_path(request.args.get("next", "")))

    @server.post("/sign-in")
    def sign_in() -> Any:
        name, wanted = request.form.get("name", ""), local_path(request.form.get("next", ""))
        try:
            account = accounts.sign_in(name, request.form.get("password", ""), request.remote_addr or "")
        except InputError as error:
            return _page("sign_in.html", problem=str(error), name=name, wanted=wanted), _status(error)
        return _enter(Person(account), wanted)

    @server.get("/join")
    def join_form() -> str:
        return _page("join.html")

    @server.post("/join")
    def join() -> Any:
        code, name, password = (request.form.get(field, "") for field in ("code", "name", "password"))
        try:
            if password != request.form.get("again", ""):
                raise InputError("the two passwords differ: type the same one twice")
            account = accounts.join(code, name, password, request.remote_addr or "")
        except InputError as error:
            return _page("join.html", problem=str(error), name=name, given=code), _status(error)
        return _enter(Person(account), "/")

    @server.post("/sign-out")
    def sign_out() -> Any:
        if signed_in() is not None:
            accounts.end(current_user.session)
        logout_user()
        session.clear()
        return redirect("/sign-in")


def _account_pages(server: Flask, accounts: Accounts) -> None:
    def list_page(status: int = 200, **more: Any) -> Any:
        everyone = accounts.everyone() if allowed({LEAD}) else []
        return _page("account.html", me=signed_in(), everyone=everyone, roles=sorted(ROLES), **more), status

    @server.get("/account")
    def account() -> Any:
        return list_page()

    @server.post("/account/code")
    @only({LEAD})
    def code() -> Any:
        role = request.form.get("role", "")
        try:
            return list_page(code=accounts.code_for(role), code_role=role)
        except InputError as error:
            return list_page(400, problem=str(error))

    @server.post("/account/change")
    @only({LEAD})
    def change() -> Any:
        number, role = request.form.get("id", ""), request.form.get("role", "")
        try:
            if not number.isascii() or not number.isdigit() or len(number) > 9:
                raise InputError("the account is not known: reload the page")
            accounts.change(int(number), None if role == "close" else role)
        except InputError as error:
            return list_page(400, problem=str(error))
        return redirect("/account")


def _enter(person: Person, wanted: str) -> Any:
    # A session of before may be known to somebody else.
    session.clear()
    login_user(person)
    session.permanent = True
    return redirect(wanted or "/")


def local_path(address: str) -> str:
    """An address on this server, else '/': a link to the sign-in page must not lead elsewhere afterwards."""
    parts = urlsplit(address)
    inside = address.startswith("/") and not address.startswith(("//", "/\\")) and not parts.netloc
    return address if inside and address.isprintable() and "\\" not in address and len(address) < 500 else "/"


def _page(template: str, **values: Any) -> str:
    theme = request.cookies.get("pullcue_theme", "")
    values = {"problem": "", "name": "", "given": "", "shortest": SHORTEST, **values}
    if values["problem"]:
        values["problem"] = sentence(str(values["problem"]))
    return render_template(template, theme=theme if theme in ("light", "dark") else "", **values)


def _status(error: InputError) -> int:
    return 429 if isinstance(error, TooMany) else 400
