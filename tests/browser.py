"""A real browser: Debian's Chromium driven by playwright, watched for whatever a page must not do."""

from __future__ import annotations

import shutil
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import Literal
from urllib.parse import urlsplit

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser, BrowserContext, ConsoleMessage, Dialog, Page, Request, expect, sync_playwright

#: A browser that is run as root needs the first; the others keep it from calling home.
FLAGS = (
    "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking",
    "--disable-component-update", "--disable-sync",
)  # fmt: skip
#: Longest that anything on a page is waited for: reached by what is wrong alone, however slow the computer.
WAIT_MS = 60_000
Theme = Literal["light", "dark"]
expect.set_options(timeout=WAIT_MS)


@contextmanager
def chromium() -> Iterator[Browser]:
    """The browser; a test that wants it skips where there is none."""
    program = shutil.which("chromium")
    if program is None:
        pytest.skip("no chromium on this machine")
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=program, args=list(FLAGS))
        try:
            yield browser
        finally:
            browser.close()


@dataclass
class Watch:
    """What a page did that it must not: errors, dialogs, requests to other machines."""

    faults: list[str] = field(default_factory=list)
    #: Parts of console errors that the test itself provokes.
    expected: Sequence[str] = ()

    def console(self, message: ConsoleMessage) -> None:
        if message.type in ("error", "warning"):
            self.error(f"{message.type}: {message.text}")

    def error(self, words: str) -> None:
        if not any(part in words for part in self.expected):
            self.faults.append(words)

    def dialog(self, dialog: Dialog) -> None:
        self.faults.append(f"dialog: {dialog.message}")
        dialog.dismiss()

    def request(self, request: Request) -> None:
        parts = urlsplit(request.url)
        if parts.scheme in ("http", "https", "ws", "wss") and parts.hostname not in ("127.0.0.1", "localhost"):
            self.faults.append(f"request to {request.url}")
        if "/_dash-component-suites/plotly/" in parts.path:
            self.faults.append(f"the whole chart library beside our small one: {request.url}")


@contextmanager
def watched(
    browser: Browser,
    size: tuple[int, int] = (1280, 800),
    expected: Sequence[str] = (),
    touch: bool = False,
) -> Iterator[Page]:
    """A page in a context of its own; at the end it must have done nothing that a page must not."""
    with tab(browser, size, expected, touch) as (page, watch):
        yield page
    assert watch.faults == [], watch.faults


@contextmanager
def tab(
    browser: Browser, size: tuple[int, int] = (1280, 800), expected: Sequence[str] = (), touch: bool = False
) -> Iterator[tuple[Page, Watch]]:
    """A page that several tests use one after the other, for each to ask what it did: what it fetched once, it has."""
    context: BrowserContext = browser.new_context(
        viewport={"width": size[0], "height": size[1]}, color_scheme="light", has_touch=touch, reduced_motion="reduce"
    )
    watch = Watch(expected=expected)
    page = context.new_page()
    page.set_default_timeout(WAIT_MS)
    page.on("console", watch.console)
    page.on("pageerror", lambda error: watch.error(f"page error: {error}"))
    page.on("dialog", watch.dialog)
    context.on("request", watch.request)
    try:
        yield page, watch
    finally:
        context.close()


#: What axe finds by colours alone: contrast, and links told from the text about them by nothing else. The name of the
#: switch between the themes is another in each.
BY_COLOUR = ("color-contrast", "link-in-text-block", "button-name")


OTHERWISE_DRAWN = """[...document.querySelectorAll(".js-plotly-plot")].flatMap(plot =>
    (plot._fullData || []).filter(drawn => (plot.data[drawn.index].type || "scatter") !== drawn.type)
    .map(drawn => plot.data[drawn.index].type))"""


def accessible(page: Page, themes: Sequence[Theme] = ("light", "dark"), within: str | None = None) -> None:
    """Assert that axe-core finds nothing against WCAG 2.2 A and AA or its own best practices.

    In the first theme by all of its rules; in a further one, which changes colours and nothing else, by those of
    colour. `within`: only what changed on a page that was looked at as a whole before, by its selector.
    """
    # What the small chart library does not know it draws as a line, without a word.
    assert page.evaluate(OTHERWISE_DRAWN) == []
    grounds = set()
    for theme in themes:
        page.emulate_media(color_scheme=theme)
        grounds.add(page.evaluate("getComputedStyle(document.body).backgroundColor"))
        rules = {} if len(grounds) == 1 else {"runOnly": {"type": "rule", "values": list(BY_COLOUR)}}
        axe = Axe() if page.evaluate("typeof axe") == "undefined" else Axe("0")  # put into a page once
        found = axe.run(page, context=within, options={"resultTypes": ["violations"], **rules})
        assert found.violations_count == 0, f"{theme}: {found.generate_report()}"
    assert len(grounds) == len(themes), "the page does not follow the theme"
    page.emulate_media(color_scheme="light")
