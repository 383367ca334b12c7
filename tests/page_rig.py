"""The pages as a browser meets them, without one: clients with cookies and tokens, and what Dash's script sends."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from argon2 import PasswordHasher
from dash import Dash
from flask.testing import FlaskClient
from werkzeug.test import TestResponse

from dashboard.shop import DEMO_FOLDER, read_shop
from dashboard.web.accounts import Account, Accounts
from dashboard.web.services import Services
from logger.clock import ManualClock

#: Weak on purpose: a hundred sign-ins in a test need not take a minute.
QUICK_HASHER = PasswordHasher(time_cost=1, memory_cost=8, parallelism=1)
PASSWORD = "warm sheet, cold hands"


def plain_services() -> Services:
    """The demo shop at a fixed time, nobody signing in."""
    return Services(read_shop(DEMO_FOLDER), clock=ManualClock())


def accounts_in(folder: Path, clock: ManualClock | None = None) -> Accounts:
    return Accounts(folder / "accounts.sqlite", clock or ManualClock(), QUICK_HASHER)


def made(accounts: Accounts, name: str, role: str) -> Account:
    return accounts.join(accounts.code_for(role), name, PASSWORD, "127.0.0.1")


class Visitor:
    """One browser's cookies. `token`: the one against forgery, as the page's own script reads it."""

    def __init__(self, app: Dash) -> None:
        self._client: FlaskClient = app.server.test_client()
        self._token_cookie = str(app.config.get("csrf_token_name"))

    @property
    def token(self) -> str:
        cookie = self._client.get_cookie(self._token_cookie)
        return "" if cookie is None else cookie.value

    def keep(self, name: str, value: str) -> None:
        """Set a cookie, as a script of the page does."""
        self._client.set_cookie(name, value)

    def get(self, path: str, **more: Any) -> TestResponse:
        return _read(self._client.get(path, **more))

    def post(self, path: str, token: str | None = None, **form: str) -> TestResponse:
        """Send a form with the token that its page holds, or with another."""
        given = self.token if token is None else token
        return _read(self._client.post(path, data={**form, "csrf_token": given}))

    def call(self, payload: dict[str, Any], token: str | None = None, **more: Any) -> TestResponse:
        """Send what Dash's script sends for a callback."""
        headers = {"X-CSRFToken": self.token if token is None else token}
        return _read(self._client.post("/_dash-update-component", json=payload, headers=headers, **more))

    def sign_in(self, name: str, password: str = PASSWORD) -> TestResponse:
        self.get("/sign-in")
        return self.post("/sign-in", name=name, password=password)


def _read(answer: TestResponse) -> TestResponse:
    """The answer with its body read and its file, if it was one, closed."""
    answer.get_data()
    answer.close()
    return answer


def shell_call(path: str, search: str = "") -> dict[str, Any]:
    """The callback that draws the page at an address."""
    return {
        "output": "shell.children",
        "outputs": {"id": "shell", "property": "children"},
        "inputs": [{"id": "url", "property": "pathname", "value": path}],
        "changedPropIds": ["url.pathname"],
        "state": [{"id": "url", "property": "search", "value": search}],
    }
