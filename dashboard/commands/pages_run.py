"""The pages, with benches that are recorded or without, from the start of a command to Ctrl-C."""

from __future__ import annotations

import os
import sys
import threading
import webbrowser
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from dashboard.units import Units
from thermal.fields import InputError

if TYPE_CHECKING:
    from dashboard.live_bench import LiveBench
    from dashboard.shop import Shop
    from dashboard.store_place import StorePlace
    from dashboard.web.access import Access
    from dashboard.web.serve import PageServer
    from dashboard.web.services import Services
    from dashboard.workers import Workers
    from logger.clock import Clock

#: How often it is seen whether the time is over, s.
_TURN_S = 0.2
_F = TypeVar("_F", bound=Callable[..., Any])


_PORT = click.option("--port", type=int, metavar="NUMBER", help="Of the pages.  [default: 8321, or a free one]")
_NO_BROWSER = click.option("--no-browser", is_flag=True, help="Open none: only say the address.")
_TERMINAL = click.option("--terminal", is_flag=True, help="Show it as text here, without pages.")


def page_options(command: _F) -> _F:
    """Add --no-browser and --port."""
    return _NO_BROWSER(_PORT(command))


def terminal_or_page_options(command: _F) -> _F:
    """Add --terminal, --no-browser and --port."""
    return _TERMINAL(page_options(command))


def access_options(command: _F) -> _F:
    """Add how the pages are reached from other computers."""
    for option in (
        click.option("--plain-http", is_flag=True, help="Unencrypted on the network: passwords can be read there."),
        click.option("--behind-proxy", is_flag=True, help="A proxy on this computer speaks TLS; see docs/access.md."),
        click.option("--name", "names", multiple=True, help="By which browsers call this computer."),
        click.option("--host", metavar="ADDRESS", help="Where to listen.  [default: 127.0.0.1, this computer only]"),
        click.option("--accounts", is_flag=True, help="People sign in; needed where other computers reach the pages."),
    ):
        command = option(command)
    return command


def asked_access(
    port: int | None, host: str | None = None, names: Sequence[str] = (), behind_proxy: bool = False,
    plain_http: bool = False,
) -> Access:  # fmt: skip
    """How the pages are reached, as the options say."""
    from dashboard.web.access import DEFAULT_HOST, DEFAULT_PORT, Access

    return Access(host or DEFAULT_HOST, DEFAULT_PORT if port is None else port, tuple(names), behind_proxy, plain_http)


def show_pages(
    benches: Sequence[LiveBench],
    shop: Shop,
    place: StorePlace,
    clock: Clock,
    access: Access,
    workers: Workers,
    *,
    any_port: bool,
    browser: bool,
    for_s: float = float("inf"),
    start: Callable[[], None] = lambda: None,
    accounts_in: Path | None = None,
) -> None:
    """Record and serve until Ctrl-C, or until the time is over; then say in short what was done.

    Args:
        benches: none: pages of plans, records and ovens alone. place: of the records. clock: of the benches.
        workers: for what takes long. any_port: another one will do where the port is taken. browser: open one.
        for_s: how long, s of that clock. start: called just before recording begins. accounts_in: folder of the
        accounts of people; None: nobody signs in.
    """
    from dashboard.live_service import Live
    from dashboard.web.accounts import FILE, Accounts
    from dashboard.web.planner import Planner
    from dashboard.web.serve import opening_words
    from dashboard.web.services import Services
    from logger.clock import SystemClock

    machine = SystemClock()
    today = Services(shop, clock=machine).today
    live = Live(benches, shop, today, machine, workers.do) if benches else None
    accounts = None if accounts_in is None else Accounts(accounts_in / FILE, machine)
    services = Services(shop, Planner(workers.do), clock=machine, accounts=accounts, live=live, place=place)
    try:
        server = _server(services, access, any_port)
        with server:
            start()
            if live is not None:
                live.start()
            for line in opening_words(services, server):
                click.echo(line)
            if browser:
                click.echo(_browse(server.url))
            click.echo("Ctrl-C ends it.")
            sys.stdout.flush()
            with suppress(KeyboardInterrupt):  # Ctrl-C is the usual way to end this
                _wait(clock, for_s, benches)
    finally:
        if live is not None:
            live.stop()
    for line in closing_words(live, Units("us" if shop.units == "us" else "metric")) if live is not None else ():
        click.echo(line)


def _server(services: Services, access: Access, any_port: bool) -> PageServer:
    from dashboard.web.serve import PageServer

    try:
        return PageServer(services, access)
    except InputError:
        if not any_port:
            raise
        return PageServer(services, replace(access, port=0))


def _wait(clock: Clock, for_s: float, benches: Sequence[LiveBench]) -> None:
    end_s, never = clock.monotonic_s() + for_s, threading.Event()
    told: set[str] = set()
    while clock.monotonic_s() < end_s:
        for bench in benches:
            if bench.failure is not None and bench.bench.id not in told:
                told.add(bench.bench.id)
                click.echo(f"Bench {bench.bench.id}: {bench.stopped}", err=True)
        never.wait(_TURN_S)


def closing_words(live: Any, units: Units) -> list[str]:
    """What was done on each bench, for the terminal."""
    from dashboard.commands.pull_words import score_words

    lines = []
    for id, bench in live.benches.items():
        look = live.look(id).look
        lines += [f"Bench {id}: {words}." for words in look.words[:1]]
        if look.score is not None:
            lines += [f"{words}." for words in score_words(look.score, units)]
        del bench
    return lines


def _browse(url: str) -> str:
    """Open a browser where there is a screen for it; what happened, in a sentence."""
    has_screen = sys.platform in ("win32", "darwin") or os.environ.get("DISPLAY") or os.environ.get("WAYLAND_DISPLAY")
    if has_screen:
        with suppress(webbrowser.Error):
            if webbrowser.open(url):
                return "It opens in the browser; if not, open that address."
    return "No browser can be opened from here: open that address in one on this computer."
