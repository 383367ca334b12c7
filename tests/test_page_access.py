"""Who may reach the pages: refusals that say why, accounts, roles, attempts, and what a stranger is shown."""

from __future__ import annotations

import re
import stat
import sys
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from dash import Dash, html

from dashboard.shop import DEMO_FOLDER, read_shop
from dashboard.web.access import Access, check
from dashboard.web.accounts import CODE_S, Accounts
from dashboard.web.app import PAGES, make_app
from dashboard.web.attempts import SPAN_S
from dashboard.web.page import Page
from dashboard.web.roles import LEAD, QUALITY, TECHNICIAN
from dashboard.web.serve import PageServer, opening_words
from dashboard.web.services import Services
from dashboard.web.sign_in import local_path
from dashboard.web.who import only, who
from logger.clock import ManualClock
from page_rig import PASSWORD, Visitor, accounts_in, made, plain_services, shell_call
from thermal.fields import InputError

HERE = "127.0.0.1"


@pytest.fixture
def clock() -> ManualClock:
    return ManualClock()


@pytest.fixture
def accounts(tmp_path: Path, clock: ManualClock) -> Accounts:
    return accounts_in(tmp_path, clock)


def reviews(app: Dash, services: Services) -> Page:
    """A page for quality reviewers alone, with a callback of its own that says who called."""
    from dash import Input, Output

    @app.callback(Output("review-out", "children"), Input("review-in", "value"))
    @only({QUALITY})
    def called(value: str) -> str:
        return f"called by {who(value).words}"

    return Page("/review", "Review", lambda visit: html.H1("Reviews"), frozenset({QUALITY}))


def review_call(value: str = "") -> dict[str, Any]:
    return {
        "output": "review-out.children",
        "outputs": {"id": "review-out", "property": "children"},
        "inputs": [{"id": "review-in", "property": "value", "value": value}],
        "changedPropIds": ["review-in.value"],
        "state": [],
    }


@pytest.fixture
def app(accounts: Accounts, clock: ManualClock) -> Dash:
    services = Services(read_shop(DEMO_FOLDER), clock=clock, accounts=accounts)
    return make_app(services, pages=(*PAGES, reviews))


# ---------------------------------------------------------------- where the server listens


@pytest.mark.parametrize(
    ("access", "has_accounts", "words"),
    [
        (Access(host="192.168.1.9"), False, "people have to sign in"),
        (Access(behind_proxy=True, names=("oven.example",)), False, "people have to sign in"),
        (Access(host="192.168.1.9"), True, "passwords would cross the network unencrypted"),
        (Access(host="0.0.0.0", plain_http=True), True, "the name or address by which browsers call"),
        (Access(host="192.168.1.9", behind_proxy=True, names=("oven.example",)), True, "could name any address"),
        (Access(behind_proxy=True), True, "expected the name by which browsers call it"),
        (Access(names=("oven.example:8321",)), True, "no port"),
        (Access(names=("*",)), True, "expected a host name"),
        (Access(host="::1"), True, "expected an IPv4 address"),
        (Access(host="oven.example"), True, "expected an IPv4 address"),
        (Access(port=70000), True, "port 70000"),
    ],
)
def test_unsafe_access_is_refused_and_says_why(access: Access, has_accounts: bool, words: str) -> None:
    with pytest.raises(InputError, match=re.escape(words)):
        check(access, has_accounts)


@pytest.mark.parametrize(
    ("access", "has_accounts"),
    [
        (Access(), False),
        (Access(host="localhost"), False),
        (Access(), True),
        (Access(behind_proxy=True, names=("oven.example",)), True),
        (Access(host="192.168.1.9", plain_http=True), True),
        (Access(host="0.0.0.0", plain_http=True, names=("oven.example",)), True),
    ],
)
def test_safe_access_is_taken(access: Access, has_accounts: bool) -> None:
    check(access, has_accounts)


def test_the_app_itself_refuses_unsafe_access() -> None:
    with pytest.raises(InputError, match="people have to sign in"):
        make_app(plain_services(), Access(host="192.168.1.9", plain_http=True))


def test_a_port_in_use_is_said(accounts: Accounts) -> None:
    with (
        PageServer(plain_services(), Access(port=0)) as first,
        pytest.raises(InputError, match=rf"port {first.port} of 127.0.0.1 cannot be had"),
    ):
        PageServer(plain_services(), Access(port=first.port))


def test_the_terminal_says_how_the_first_person_gets_in(accounts: Accounts, clock: ManualClock) -> None:
    services = Services(read_shop(DEMO_FOLDER), clock=clock, accounts=accounts)
    access = Access(port=0, behind_proxy=True, names=("oven.example",))
    with PageServer(services, access) as server:
        first = opening_words(services, server)
        code = re.search(r"join make the first account with the code ([A-Z0-9-]{14})", first[-1])
        assert code is not None
        assert "https://oven.example" in "\n".join(first)
        assert accounts.join(code[1], "Ada", PASSWORD, HERE).role == LEAD
        assert "code" not in "\n".join(opening_words(services, server))


# ---------------------------------------------------------------- accounts


def test_there_is_no_account_to_begin_with(accounts: Accounts) -> None:
    assert accounts.everyone() == []
    for name, password in (("admin", "admin"), ("", ""), ("pullcue", "pullcue"), ("lab lead", "")):
        with pytest.raises(InputError, match="do not belong together"):
            accounts.sign_in(name, password, HERE)


def test_the_file_is_its_owners_alone_and_holds_no_password(accounts: Accounts, tmp_path: Path) -> None:
    code = accounts.code_for(TECHNICIAN)
    accounts.join(code, "Ada", PASSWORD, HERE)
    file = tmp_path / "accounts.sqlite"
    kept = file.read_bytes()
    assert PASSWORD.encode() not in kept
    assert code.encode() not in kept
    assert b"$argon2id$" in kept
    if sys.platform != "win32":
        assert stat.S_IMODE(file.stat().st_mode) == 0o600


def test_a_code_is_good_once_and_for_a_day(accounts: Accounts, clock: ManualClock) -> None:
    code = accounts.code_for(TECHNICIAN)
    accounts.join(code.lower().replace("-", " "), "Ada", PASSWORD, HERE)
    with pytest.raises(InputError, match="was used"):
        accounts.join(code, "Bea", PASSWORD, HERE)
    late = accounts.code_for(TECHNICIAN)
    clock.step_utc(timedelta(seconds=CODE_S + 1.0))
    with pytest.raises(InputError, match="older than a day"):
        accounts.join(late, "Bea", PASSWORD, HERE)


def test_a_name_that_is_taken_keeps_the_code(accounts: Accounts) -> None:
    made(accounts, "Ada Berg", TECHNICIAN)
    code = accounts.code_for(TECHNICIAN)
    with pytest.raises(InputError, match="already"):
        accounts.join(code, "ada  BERG", PASSWORD, HERE)
    assert accounts.join(code, "Bea", PASSWORD, HERE).name == "Bea"


@pytest.mark.parametrize(
    ("name", "password", "words"),
    [
        ("<script>alert(1)</script>", PASSWORD, "expected 2 to 40 letters"),
        ("A", PASSWORD, "expected 2 to 40 letters"),
        ("A\x1b[2J", PASSWORD, "expected 2 to 40 letters"),
        ("Ada", "short", "expected 10 to 200"),
        ("Ada", "x" * 201, "expected 10 to 200"),
        ("Ada", "aaaaaaaaaaaa", "easily guessed"),
        ("Ada", "my name is ada", "easily guessed"),
    ],
)
def test_names_and_passwords_that_cannot_be(accounts: Accounts, name: str, password: str, words: str) -> None:
    with pytest.raises(InputError, match=words):
        accounts.join(accounts.code_for(TECHNICIAN), name, password, HERE)


def test_a_restart_forgets_no_attempts(accounts: Accounts, tmp_path: Path, clock: ManualClock) -> None:
    made(accounts, "Ada", TECHNICIAN)
    for _ in range(5):
        with pytest.raises(InputError, match="do not belong together"):
            accounts.sign_in("Ada", "wrong", HERE)
    again = accounts_in(tmp_path, clock)
    with pytest.raises(InputError, match="wait 15 min"):
        again.sign_in("Ada", PASSWORD, HERE)
    assert again.sign_in("Ada", PASSWORD, "127.0.0.2").name == "Ada", "somebody else's attempts lock nobody out"
    clock.step_utc(timedelta(seconds=SPAN_S + 1.0))
    assert again.sign_in("Ada", PASSWORD, HERE).name == "Ada"


def test_many_names_from_one_address_are_limited_too(accounts: Accounts) -> None:
    for number in range(20):
        with pytest.raises(InputError, match="do not belong together"):
            accounts.sign_in(f"name {number}", "wrong", HERE)
    with pytest.raises(InputError, match="tried too often"):
        accounts.sign_in("another", "wrong", HERE)


def test_codes_are_not_guessed_in_numbers(accounts: Accounts) -> None:
    for number in range(10):
        with pytest.raises(InputError, match="not known"):
            accounts.join(f"2222-2222-22{number + 22}", "Ada", PASSWORD, HERE)
    with pytest.raises(InputError, match="tried too often"):
        accounts.join(accounts.code_for(LEAD), "Ada", PASSWORD, HERE)


def test_signing_in_well_is_no_attempt(accounts: Accounts) -> None:
    made(accounts, "Ada", TECHNICIAN)
    for _ in range(30):
        accounts.sign_in("ada", PASSWORD, HERE)


def test_a_change_of_role_ends_the_session(accounts: Accounts) -> None:
    account = made(accounts, "Ada", TECHNICIAN)
    assert accounts.holding(account.id, account.stamp) == account
    accounts.change(account.id, QUALITY)
    assert accounts.holding(account.id, account.stamp) is None


def test_the_only_lab_lead_stays(accounts: Accounts) -> None:
    first = made(accounts, "Ada", LEAD)
    for role in (TECHNICIAN, None):
        with pytest.raises(InputError, match="only lab lead"):
            accounts.change(first.id, role)
    made(accounts, "Bea", LEAD)
    accounts.change(first.id, None)
    assert [account.open for account in accounts.everyone()] == [False, True]
    with pytest.raises(InputError, match="do not belong together"):
        accounts.sign_in("Ada", PASSWORD, HERE)


def test_a_first_code_is_made_until_a_lab_lead_is_in(accounts: Accounts) -> None:
    first = accounts.first_code()
    second = accounts.first_code()
    assert first is not None
    assert second is not None
    with pytest.raises(InputError, match="not known"):
        accounts.join(first, "Ada", PASSWORD, HERE)
    accounts.join(second, "Ada", PASSWORD, HERE)
    assert accounts.first_code() is None


def test_accounts_that_cannot_be_kept_are_said(tmp_path: Path) -> None:
    (tmp_path / "accounts.sqlite").write_text("this is no database, and longer than a hundred bytes " * 4)
    with pytest.raises(InputError, match="the accounts cannot be kept here"):
        accounts_in(tmp_path)


# ---------------------------------------------------------------- at the pages


def test_a_stranger_is_led_to_sign_in_and_shown_nothing(app: Dash) -> None:
    stranger = Visitor(app)
    for path in ("/plan", "/", "/plan/sheet", "/review", "/account", "/nothing"):
        answer = stranger.get(path)
        assert answer.status_code == 302, path
        assert answer.location.startswith("/sign-in?next="), path
    for path in ("/_dash-layout", "/_dash-dependencies", "/_dash-component-suites/dash/x.js"):
        assert stranger.get(path).status_code == 401, path
    stranger.get("/sign-in")
    assert stranger.call(shell_call("/plan")).status_code == 401
    assert stranger.call(review_call()).status_code == 401
    assert stranger.post("/account/code", role=LEAD).status_code == 401
    assert stranger.get("/assets/10-base.css").status_code == 200
    wanted = stranger.get("/plan?oven=north&set_c=190").location
    assert wanted == "/sign-in?next=/plan%3Foven%3Dnorth%26set_c%3D190"
    assert 'value="/plan?oven=north&amp;set_c=190"' in stranger.get(wanted).get_data(as_text=True)


def test_signing_in_leads_back_and_out_again(app: Dash, accounts: Accounts) -> None:
    made(accounts, "Ada", TECHNICIAN)
    ada = Visitor(app)
    ada.get("/sign-in?next=/plan")
    answer = ada.post("/sign-in", name="Ada", password=PASSWORD, next="/plan")
    assert (answer.status_code, answer.location) == (302, "/plan")
    assert ada.get("/plan").status_code == 200
    shown = ada.call(shell_call("/plan")).get_data(as_text=True)
    assert "Plan a heat" in shown
    assert "Ada" in shown
    assert "/review" not in shown, "a page that the role may not see is not offered"
    assert ada.post("/sign-out").location == "/sign-in"
    assert ada.get("/plan").status_code == 302


def test_a_session_that_was_ended_is_over_for_whoever_copied_its_cookie(app: Dash, accounts: Accounts) -> None:
    made(accounts, "Ada", TECHNICIAN)
    ada, elsewhere = Visitor(app), Visitor(app)
    for one in (ada, elsewhere):
        one.sign_in("Ada")
        assert one.get("/plan").status_code == 200
    name = str(app.server.config["SESSION_COOKIE_NAME"])
    cookie = ada._client.get_cookie(name)
    assert cookie is not None
    thief = Visitor(app)
    thief.keep(name, cookie.value)
    assert thief.get("/plan").status_code == 200
    ada.post("/sign-out")
    thief.keep(name, cookie.value)
    assert thief.get("/plan").status_code == 302
    assert elsewhere.get("/plan").status_code == 200, "her other browser stays signed in"


def test_a_wrong_role_sees_no_page_and_calls_nothing(app: Dash, accounts: Accounts) -> None:
    made(accounts, "Ada", TECHNICIAN)
    ada = Visitor(app)
    ada.sign_in("Ada")
    ada.get("/plan")
    assert ada.get("/review").status_code == 403
    content = ada.call(shell_call("/review")).get_data(as_text=True)
    assert "Your role may not see this page" in content
    assert "Reviews" not in content
    assert ada.call(review_call()).status_code == 403
    assert ada.post("/account/code", role=LEAD).status_code == 403
    assert ada.post("/account/change", id="1", role=LEAD).status_code == 403
    assert accounts.everyone()[0].role == TECHNICIAN


def test_the_right_role_is_let_through_and_named(app: Dash, accounts: Accounts) -> None:
    made(accounts, "Quin", QUALITY)
    quin = Visitor(app)
    quin.sign_in("Quin")
    quin.get("/plan")
    assert quin.get("/review").status_code == 200
    assert "called by Quin (signed in, quality)" in quin.call(review_call("typed")).get_data(as_text=True)


def test_without_accounts_initials_are_marked_as_typed() -> None:
    visitor = Visitor(make_app(plain_services(), pages=(*PAGES, reviews)))
    visitor.get("/plan")
    assert "called by AB (initials typed, not signed in)" in visitor.call(review_call("AB")).get_data(as_text=True)


def test_a_lab_lead_lets_people_in_and_out(app: Dash, accounts: Accounts) -> None:
    made(accounts, "Lea", LEAD)
    lea = Visitor(app)
    lea.sign_in("Lea")
    lea.get("/account")
    page = lea.post("/account/code", role=QUALITY).get_data(as_text=True)
    code = re.search(r'class="code">([A-Z0-9-]{14})<', page)
    assert code is not None
    quin = Visitor(app)
    quin.get("/join")
    joined = quin.post("/join", code=code[1], name="Quin", password=PASSWORD, again=PASSWORD)
    assert joined.location == "/"
    assert quin.get("/review").status_code == 200
    number = next(one.id for one in accounts.everyone() if one.name == "Quin")
    assert lea.post("/account/change", id=str(number), role="close").status_code == 302
    assert quin.get("/review").status_code == 302, "a closed account's session is over at once"
    assert lea.post("/account/change", id="1", role="close").status_code == 400
    assert lea.post("/account/change", id="x", role="close").status_code == 400


@pytest.mark.parametrize("path", ["/sign-in", "/join", "/sign-out", "/account/code", "/account/change"])
def test_a_forged_form_is_refused(app: Dash, accounts: Accounts, path: str) -> None:
    made(accounts, "Lea", LEAD)
    lea = Visitor(app)
    lea.sign_in("Lea")
    for token in ("", "made-up"):
        answer = lea.post(path, token, name="Lea", password=PASSWORD, role=LEAD, id="1", code="")
        assert answer.status_code == 400
    assert lea.get("/plan").status_code == 200
    assert len(accounts.everyone()) == 1


def test_a_session_signed_by_somebody_else_is_none(app: Dash, accounts: Accounts, tmp_path: Path) -> None:
    account = made(accounts, "Lea", LEAD)
    forger = app.server.__class__("forger")
    forger.config["SECRET_KEY"] = "guessed"
    serializer = forger.session_interface.get_signing_serializer(forger)
    visitor = Visitor(app)
    visitor.keep(
        app.server.config["SESSION_COOKIE_NAME"],
        serializer.dumps({"_user_id": f"{account.id}.{account.stamp}", "_fresh": True}),
    )
    assert visitor.get("/plan").status_code == 302


def test_a_session_outlives_a_restart_of_the_server(app: Dash, accounts: Accounts, clock: ManualClock) -> None:
    made(accounts, "Ada", TECHNICIAN)
    ada = Visitor(app)
    ada.sign_in("Ada")
    name = app.server.config["SESSION_COOKIE_NAME"]
    cookie = ada._client.get_cookie(name)
    assert cookie is not None
    again = Visitor(make_app(Services(read_shop(DEMO_FOLDER), clock=clock, accounts=accounts)))
    again.keep(name, cookie.value)
    assert again.get("/plan").status_code == 200


def test_too_many_attempts_are_said_with_their_status(app: Dash) -> None:
    visitor = Visitor(app)
    for _ in range(5):
        assert visitor.sign_in("Ada", "wrong").status_code == 400
    answer = visitor.sign_in("Ada", "wrong")
    assert answer.status_code == 429
    assert "wait 15\u00a0min" in answer.get_data(as_text=True)


@pytest.mark.parametrize("field", ["name", "password", "next"])
def test_a_script_in_the_sign_in_form_is_only_text(app: Dash, field: str) -> None:
    evil = '"><script>alert(1)</script>'
    visitor = Visitor(app)
    visitor.get("/sign-in")
    page = visitor.post("/sign-in", **{"name": "A", "password": "b", field: evil}).get_data(as_text=True)
    assert "<script>alert" not in page


@pytest.mark.parametrize("field", ["name", "code", "password", "again"])
def test_a_script_in_the_join_form_is_only_text(app: Dash, field: str) -> None:
    evil = '"><script>alert(1)</script>'
    visitor = Visitor(app)
    visitor.get("/join")
    given = {"name": "Ada", "code": "x", "password": PASSWORD, "again": PASSWORD, field: evil}
    answer = visitor.post("/join", **given)
    assert answer.status_code == 400
    assert "<script>alert" not in answer.get_data(as_text=True)


@pytest.mark.parametrize(
    "address",
    ["//evil.example", "https://evil.example", "/\\evil.example", "javascript:alert(1)", "\\\\evil", "/a\nb", "plan"],
)
def test_signing_in_leads_nowhere_else(address: str) -> None:
    assert local_path(address) == "/"


def test_signing_in_keeps_an_address_of_ours() -> None:
    assert local_path("/plan?oven=north&set_c=190") == "/plan?oven=north&set_c=190"
