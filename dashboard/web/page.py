"""A page: where it is, who may see it, and what draws it for one visit."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from dashboard.units import Units
from dashboard.web.roles import ROLES

if TYPE_CHECKING:
    from dash import Dash

    from dashboard.web.services import Services


@dataclass(frozen=True)
class Visit:
    """What one look at a page brings along.

    Attributes:
        query: what stands behind the '?' of the address, the last value of each name. units: how values are shown.
    """

    query: Mapping[str, str]
    units: Units


@dataclass(frozen=True)
class Page:
    """One page.

    Attributes:
        path: '/plan'. title: in the navigation and the browser's tab. layout: its content for one visit, a Dash
        component. roles: who may see it; asked only where there are accounts.
    """

    path: str
    title: str
    layout: Callable[[Visit], Any]
    roles: frozenset[str] = ROLES


#: What a page's module offers: it adds its callbacks to the app and says what the page is.
Register = Callable[["Dash", "Services"], Page]
