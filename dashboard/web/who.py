"""Who is at the page: the person signed in, or whoever typed initials."""

from __future__ import annotations

import secrets
from collections.abc import Callable, Collection
from dataclasses import dataclass
from functools import wraps
from typing import Any, ParamSpec, TypeVar

from flask import abort, current_app
from flask_login import UserMixin, current_user

from dashboard.web.accounts import Account

_P = ParamSpec("_P")
_T = TypeVar("_T")
#: Key of the app's configuration: whether people sign in at all.
SIGNED_IN_ONLY = "PULLCUE_SIGNED_IN_ONLY"


class Person(UserMixin):  # type: ignore[misc]  # flask-login has no types
    """An account as flask-login wants it. Its id in the session carries the account's stamp, and the session's name.

    Args:
        session: None: a new one.
    """

    def __init__(self, account: Account, session: str | None = None) -> None:
        self.account, self.session = account, session or secrets.token_urlsafe(12)

    def get_id(self) -> str:
        """'7.stamp.session'."""
        return f"{self.account.id}.{self.account.stamp}.{self.session}"


@dataclass(frozen=True)
class Who:
    """Who does something, as a record is to carry it. `role` None: nobody is signed in."""

    name: str
    role: str | None

    @property
    def words(self) -> str:
        """'Ada (signed in, technician)' or 'AB (initials typed, not signed in)'."""
        if self.role is None:
            return f"{self.name or 'nobody'} (initials typed, not signed in)"
        return f"{self.name} (signed in, {self.role})"


def who(initials: str = "") -> Who:
    """Who sent the current request: the person signed in, else the initials that were typed."""
    account = signed_in()
    return Who(initials.strip(), None) if account is None else Who(account.name, account.role)


def signed_in() -> Account | None:
    """The account that the current request is signed in with; None without accounts, or for nobody."""
    if not current_app.config.get(SIGNED_IN_ONLY) or not current_user.is_authenticated:
        return None
    account: Account = current_user.account
    return account


def allowed(roles: Collection[str]) -> bool:
    """Whether the current request may do what these roles may. Without accounts everybody at this computer may."""
    if not current_app.config.get(SIGNED_IN_ONLY):
        return True
    account = signed_in()
    return account is not None and account.role in roles


def only(roles: Collection[str]) -> Callable[[Callable[_P, _T]], Callable[_P, _T]]:
    """Decorate a callback or a route: who has none of these roles gets 403."""

    def decorate(function: Callable[_P, _T]) -> Callable[_P, _T]:
        @wraps(function)
        def guarded(*args: _P.args, **kwargs: _P.kwargs) -> _T:
            if not allowed(roles):
                abort(403)
            return function(*args, **kwargs)

        return guarded

    return decorate


def loaded(accounts: Any, session_id: str) -> Person | None:
    """The person of a session's id; None where it is over."""
    number, _, rest = session_id.partition(".")
    stamp, _, session = rest.partition(".")
    account = accounts.holding(int(number), stamp, session) if number.isdigit() and session else None
    return None if account is None else Person(account, session)
