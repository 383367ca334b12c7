"""`pullcue pages`: plans, records and ovens in a browser, at a computer that records no bench."""

from __future__ import annotations

from pathlib import Path

import click

from dashboard.commands.pages_run import access_options, asked_access, page_options, show_pages
from dashboard.commands.records_options import store_options


@click.command("pages")
@store_options
@page_options
@access_options
def pages(
    practice: bool, store: str | None, shop: Path | None, no_browser: bool, port: int | None, accounts: bool,
    host: str | None, names: tuple[str, ...], behind_proxy: bool, plain_http: bool,
) -> None:  # fmt: skip
    """Plan heats, look through the records and see to the ovens in a browser, without a bench. Ctrl-C ends it.

    For whoever plans or reviews at a desk: with --store the records of the computer at the oven, on a server that both
    reach. A bench's own pages, by 'pullcue bench', have all of this beside the cue.
    """
    from dashboard.shop import open_shop
    from dashboard.store_place import store_place
    from dashboard.workers import Workers
    from logger.clock import SystemClock

    workshop = open_shop(shop)
    place = store_place(workshop, store, practice)
    access = asked_access(port, host, names, behind_proxy, plain_http)
    with Workers(1) as workers:
        show_pages(
            [],
            workshop,
            place,
            SystemClock(),
            access,
            workers,
            any_port=port is None and access.local and not behind_proxy,
            browser=not no_browser,
            accounts_in=place.folder if accounts else None,
        )
