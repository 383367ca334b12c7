"""The app itself: made twice, loaded late, and what every answer and every request must keep to."""

from __future__ import annotations

import hashlib
import re
import subprocess
import sys

import pytest
from dash import Dash, html
from plotly.offline import get_plotlyjs_version

from dashboard import chart_library
from dashboard.web.app import make_app
from dashboard.web.page import Page
from dashboard.web.security import LARGEST
from dashboard.web.services import Services
from page_rig import Visitor, plain_services, shell_call


@pytest.fixture(scope="module")
def app() -> Dash:
    return make_app(plain_services())


@pytest.fixture
def visitor(app: Dash) -> Visitor:
    return Visitor(app)


def page_saying(words: str, path: str = "/one") -> object:
    def register(app: Dash, services: Services) -> Page:
        return Page(path, words, lambda visit: html.H1(words))

    return register


def test_two_apps_in_one_process_keep_their_pages_apart() -> None:
    first = make_app(plain_services(), pages=[page_saying("first")])  # type: ignore[list-item]
    second = make_app(plain_services(), pages=[page_saying("second")])  # type: ignore[list-item]
    for app, mine, other in ((first, "first", "second"), (second, "second", "first")):
        visitor = Visitor(app)
        visitor.get("/one")
        answer = visitor.call(shell_call("/one")).get_data(as_text=True)
        assert mine in answer
        assert other not in answer


def test_commands_that_show_no_page_load_no_dash() -> None:
    """Imports dominate the start of a command: Dash takes most of a second."""
    script = (
        "import sys; import dashboard.commands.plan, dashboard.commands.bench, dashboard.commands.practice; "
        "sys.exit('dash' in sys.modules or 'flask' in sys.modules)"
    )
    assert subprocess.run([sys.executable, "-c", script], check=False).returncode == 0


def test_the_first_address_leads_to_the_first_page(visitor: Visitor) -> None:
    answer = visitor.get("/")
    assert (answer.status_code, answer.location) == (302, "/plan")


def test_the_page_says_its_language_title_and_theme(visitor: Visitor) -> None:
    plain = visitor.get("/plan").get_data(as_text=True)
    assert '<html lang="en">' in plain
    assert "<title>Plan · Pullcue</title>" in plain
    visitor.keep("pullcue_theme", "dark")
    dark = visitor.get("/plan").get_data(as_text=True)
    assert '<html lang="en" data-theme="dark">' in dark
    visitor.keep("pullcue_theme", '"><script>')
    odd = visitor.get("/plan").get_data(as_text=True)
    assert '<html lang="en">' in odd


def test_nothing_is_fetched_from_elsewhere(visitor: Visitor) -> None:
    for path in ("/plan", "/plan/sheet?oven=north", "/assets/10-base.css", "/assets/sheet/sheet.css"):
        text = visitor.get(path).get_data(as_text=True)
        assert not re.search(r"""(?:src|href|url)\s*[=(]\s*["']?(?:https?:)?//""", text), path


def test_charts_are_drawn_by_the_published_small_bundle_of_the_version_that_dash_brings(visitor: Visitor) -> None:
    """After an update of plotly: take the bundle of its version from the same place, its checksum, and look at pages.

    The checksum is that of the file in the registry's package, whose own (sha512) was compared when it was fetched.
    """
    assert get_plotlyjs_version() == chart_library.VERSION
    content = chart_library.PATH.read_bytes()
    assert hashlib.sha256(content).hexdigest() == chart_library.SHA256
    assert f"(basic - minified) v{chart_library.VERSION}\n".encode() in content[:100]
    assert "MIT License" in (chart_library.PATH.parent / "LICENSE-plotly.js.txt").read_text("utf-8")
    page = visitor.get("/plan").get_data(as_text=True)
    # Dash's graph fetches the whole library where there is none when it is loaded.
    assert page.index('src="/assets/plotly/plotly-basic.min.js') < page.index("/dash_core_components")
    assert visitor.get("/assets/plotly/plotly-basic.min.js").get_data() == content


def test_every_answer_carries_the_headers(visitor: Visitor) -> None:
    for path in ("/plan", "/assets/10-base.css", "/nothing", "/_dash-layout", "/plan/sheet?oven=north"):
        headers = visitor.get(path).headers
        policy = headers["Content-Security-Policy"]
        scripts = next(part for part in policy.split("; ") if part.startswith("script-src"))
        assert re.fullmatch(r"script-src 'self'( 'sha256-[A-Za-z0-9+/=]+')+", scripts), path
        assert "default-src 'self'" in policy
        assert "frame-ancestors 'none'" in policy
        assert headers["X-Content-Type-Options"] == "nosniff"
        assert headers["X-Frame-Options"] == "DENY"
        assert headers["Referrer-Policy"] == "same-origin"


def test_what_changes_is_not_kept_by_a_browser(visitor: Visitor) -> None:
    assert visitor.get("/plan").headers["Cache-Control"] == "no-store"
    assert visitor.get("/assets/10-base.css").headers["Cache-Control"] != "no-store"


@pytest.mark.parametrize("host", ["pullcue.example", "127.0.0.1.example", "192.168.1.9", "localhost.example:8321"])
def test_a_foreign_host_is_not_answered(visitor: Visitor, host: str) -> None:
    """A foreign page can have its own name resolve to this computer; the Host header then betrays it."""
    assert visitor.get("/plan", headers={"Host": host}).status_code == 400


@pytest.mark.parametrize("host", ["localhost", "127.0.0.1:8321"])
def test_this_computer_is_answered(visitor: Visitor, host: str) -> None:
    assert visitor.get("/plan", headers={"Host": host}).status_code == 200


@pytest.mark.parametrize("token", ["", "made-up", "IjEi.aXM.aGFyZGx5"])
def test_a_forged_call_is_refused(visitor: Visitor, token: str) -> None:
    visitor.get("/plan")
    assert visitor.call(shell_call("/plan"), token).status_code == 400


def test_a_call_with_another_visitors_token_is_refused(app: Dash, visitor: Visitor) -> None:
    other = Visitor(app)
    other.get("/plan")
    visitor.get("/plan")
    assert visitor.call(shell_call("/plan"), other.token).status_code == 400


def test_a_call_with_the_pages_own_token_is_answered(visitor: Visitor) -> None:
    visitor.get("/plan")
    answer = visitor.call(shell_call("/plan"))
    assert answer.status_code == 200
    assert "Plan a heat" in answer.get_data(as_text=True)


@pytest.mark.parametrize(
    "path",
    [
        "/assets/../app.py",
        "/assets/..%2fapp.py",
        "/assets/%2e%2e/%2e%2e/%2e%2e/etc/passwd",
        "/assets//etc/passwd",
        "/assets/....//....//etc/passwd",
        "/../../../../etc/passwd",
        "/_dash-component-suites/dash/../../../../etc/passwd",
        "/nothing",
        "/plan/../nothing",
    ],
)
def test_no_path_leads_out(visitor: Visitor, path: str) -> None:
    answer = visitor.get(path)
    assert answer.status_code == 404
    text = answer.get_data(as_text=True)
    assert "root:" not in text
    assert "make_app" not in text


def test_an_oversized_request_is_refused(visitor: Visitor) -> None:
    visitor.get("/plan")
    payload = shell_call("/plan", "x" * (LARGEST + 1))
    assert visitor.call(payload).status_code == 413


def test_an_unknown_page_says_so(visitor: Visitor) -> None:
    answer = visitor.get("/nothing")
    assert answer.status_code == 404
    assert "There is no such page." in answer.get_data(as_text=True)
    visitor.get("/plan")
    assert "There is no such page." in visitor.call(shell_call("/nothing")).get_data(as_text=True)
