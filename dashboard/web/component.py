"""Small helps where Dash's own types or arguments fall short."""

from __future__ import annotations

from typing import Any

from dash import ClientsideFunction, Dash


def attributes(**named: str) -> dict[str, Any]:
    """Attributes of HTML that hold a dash: `aria_label="Pages"` as aria-label, `data_step="1"` as data-step."""
    return {name.replace("_", "-"): value for name, value in named.items()}


def in_browser(app: Dash, function: str, *arguments: Any, **options: Any) -> None:
    """A callback that runs in the browser: a function of `pullcue` in the scripts under assets."""
    untyped: Any = app
    untyped.clientside_callback(ClientsideFunction("pullcue", function), *arguments, **options)
