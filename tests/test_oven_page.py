"""The page at the oven without a browser: its addresses, what is done by a click and who did it, and who may not."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from dash import Dash
from werkzeug.test import TestResponse

from dashboard.live_service import Aged
from dashboard.shop import DEMO_FOLDER, read_shop
from dashboard.units import Units
from dashboard.web.app import make_app
from dashboard.web.oven_form import CHECK_WORDS, at_first, form_and_wishes
from dashboard.web.oven_parts import BUTTONS
from dashboard.web.roles import LEAD, QUALITY, TECHNICIAN
from dashboard.web.services import Services
from logger.clock import ManualClock
from logger.heat_book import HeatBook, OpenHeat
from logger.marks import NAMES
from logger.records import CHECKS, HeatForm, HeatRecord
from oven_rig import HDPE, StillLive, walk
from page_rig import Visitor, accounts_in, made, shell_call
from thermal.fields import InputError

EVIL = "<img src=x onerror=alert(1)>"


@pytest.fixture(scope="module")
def heating() -> Aged:
    return walk().to(100.0, 20)[-1]


def app_of(live: StillLive, **more: Any) -> Dash:
    return make_app(Services(read_shop(DEMO_FOLDER), clock=ManualClock(), live=live, **more))


class Oven:
    """A visitor at the oven, and what reached the bench."""

    def __init__(self, look: Aged, **more: Any) -> None:
        self.live = StillLive({"practice": look})
        self.visitor = Visitor(app_of(self.live, **more))

    @property
    def asked(self) -> list[tuple[Any, ...]]:
        return self.live.asked("practice")

    def sends(self, token: str | None = None, **deed: Any) -> TestResponse:
        self.visitor.get("/oven")
        headers = {"X-CSRFToken": self.visitor.token if token is None else token}
        answer = self.visitor._client.post("/oven/do", json={"bench": "practice", **deed}, headers=headers)
        answer.get_data()
        return answer

    def told(self, **deed: Any) -> dict[str, str]:
        answer: dict[str, str] = self.sends(**deed).get_json()
        return answer


@pytest.fixture
def oven(heating: Aged) -> Oven:
    return Oven(heating)


# ---------------------------------------------------------------- addresses


def test_the_first_address_is_the_oven_where_a_bench_is_recorded(oven: Oven) -> None:
    assert oven.visitor.get("/").location == "/oven"
    page = oven.visitor.call(shell_call("/oven")).get_data(as_text=True)
    assert "Pulled" in page
    assert "Sheet is in: start" in page


def test_several_benches_stand_side_by_side(heating: Aged) -> None:
    visitor = Visitor(app_of(StillLive({"one": heating, "two": heating})))
    visitor.get("/oven")
    page = visitor.call(shell_call("/oven")).get_data(as_text=True)
    assert "At the ovens" in page
    assert re.findall(r"/oven\?bench=(\w+)", json.dumps(visitor.call(shell_call("/oven")).get_json())) == ["one", "two"]
    told = visitor.get("/oven/live").get_json()
    assert [one[:2] for one in told["benches"]] == [["one", "heating"], ["two", "heating"]]
    large = visitor.call(shell_call("/oven", "?bench=two")).get_data(as_text=True)
    assert "Bench two" in large


@pytest.mark.parametrize("path", ["/oven/live?bench=no-such", "/oven/figure?bench=no-such", "/oven/figure"])
def test_an_unknown_bench_is_said(oven: Oven, path: str) -> None:
    assert "is not recorded here" in oven.visitor.get(path).get_json()["wrong"]


def test_the_units_are_those_that_were_chosen(oven: Oven) -> None:
    assert "°C" in str(oven.visitor.get("/oven/live?bench=practice").get_json()["table"])
    oven.visitor.keep("pullcue_units", "us")
    table = str(oven.visitor.get("/oven/live?bench=practice").get_json()["table"])
    assert "°F" in table
    assert "°C" not in table


def test_an_update_is_small(oven: Oven) -> None:
    first = oven.visitor.get("/oven/live?bench=practice")
    whole = oven.visitor.get("/oven/figure?bench=practice").get_json()
    have = f"parts={first.get_json()['parts']}&figure={whole['key']}&rows={whole['rows'] - 1}&thinned=0"
    again = oven.visitor.get(f"/oven/live?bench=practice&{have}")
    assert len(again.get_json()["rows"]) == 1
    assert len(again.get_data()) < 1000


# ---------------------------------------------------------------- what is done


def test_every_mark_has_its_button() -> None:
    assert sorted(name for name, _ in BUTTONS) == sorted(NAMES)
    assert set(CHECK_WORDS) == set(CHECKS)


@pytest.mark.parametrize("name", NAMES)
def test_marks_carry_who_and_when(oven: Oven, name: str) -> None:
    assert oven.told(what="mark", name=name, ago_s=20, initials=" AB ")["said"].endswith("20 s ago.")
    assert oven.asked == [(name, "AB (initials typed, not signed in)", 20.0, "", None)]


def test_nobody_is_said_to_be_nobody(oven: Oven) -> None:
    oven.told(what="mark", name="pulled")
    assert oven.asked[0][1] == "nobody (initials typed, not signed in)"


def test_the_mark_that_the_button_names_is_taken_back(heating: Aged) -> None:
    """A door seen in the air after it is not; nor is one that another page made the last meanwhile."""
    start = heating.look.marks[0]
    clear = replace(start, id="c" * 32, name="clear_through", at_s=90.0)
    door = replace(start, id="d" * 32, name="door_open", at_s=95.0, by="", source="door")
    marked = Oven(Aged(replace(heating.look, marks=(start, clear, door)), 0.0))
    assert marked.visitor.get("/oven/live?bench=practice").get_json()["last"] == [clear.id, "clear through"]
    assert marked.told(what="undo", mark=clear.id, initials="AB") == {"said": "Taken back: clear through."}
    assert "another mark is the last one" in marked.told(what="undo", mark=start.id)["wrong"].lower()
    assert marked.asked == [("undo", "AB (initials typed, not signed in)", clear.id)]


def test_nothing_is_taken_back_where_nothing_was_marked() -> None:
    before = Oven(Aged(walk(start_s=1e9).to(20.0)[-1].look, 0.0))
    assert before.visitor.get("/oven/live?bench=practice").get_json()["last"] == []
    assert "wrong" in before.told(what="undo", mark="")
    assert before.asked == []


def test_a_form_is_kept_with_its_checks_and_wishes(oven: Oven) -> None:
    said = oven.told(what="form", form=HDPE | {"drop_mm": "90", "sheet_label": "lot 7"}, initials="AB")
    assert said["said"].startswith("The form is filled in.")
    name, by, _, note, form = oven.asked[0]
    assert (name, by) == ("form", "AB (initials typed, not signed in)")
    assert "drop wanted 90 mm" in note
    assert form["gauge_mm"] == 4.0
    assert form["opening_mm"] == [300.0]
    assert form["checks"] == dict.fromkeys(CHECKS, True)
    assert form["oven"] == "north"
    assert form["polymer_version"].startswith("sha256 ")
    assert "card_json" in form


def test_a_heat_starts_from_its_form(heating: Aged) -> None:
    oven = Oven(Aged(walk(start_s=1e9).to(20.0)[-1].look, 0.0))
    assert oven.told(what="start", form=HDPE, initials="AB") == {"said": "The heat has begun."}
    name, by, ago_s, note, form = oven.asked[0]
    assert (name, by, ago_s, note) == ("start", "AB (initials typed, not signed in)", 0.0, "")
    assert form["job_number"] == "4711"


def test_an_entry_that_was_emptied_is_not_what_was_known_before(oven: Oven) -> None:
    """The bench knew of an opening and a label: where the form has none, none is kept."""
    oven.told(what="form", form=HDPE | {"opening_mm": "", "start_c": ""})
    form = oven.asked[0][-1]
    assert {form[name] for name in ("opening_mm", "start_c", "sheet_label", "colour")} == {None}
    known = HeatForm(opening_mm=(300.0,), other_sheets=1)
    record = HeatRecord(0, "a" * 32, "practice", "r", 0.0, 0, form=known)
    book = HeatBook("practice", "r", lambda _: 0, heat=OpenHeat(record))
    book.said(form)
    assert book.heat is not None
    assert (book.heat.record.form.opening_mm, book.heat.record.form.other_sheets) == (None, 1)


def test_while_a_heat_goes_on_its_own_form_is_shown(heating: Aged) -> None:
    """A page that is loaded anew must not have the next sheet's form: kept, that would become this heat's."""
    assert heating.look.heat is not None
    of_heat = replace(heating.look.heat, form=replace(heating.look.heat.form, job_number="4711"))
    going_on = Oven(Aged(replace(heating.look, heat=of_heat), 0.0))
    going_on.visitor.get("/oven")
    assert '"4711"' in going_on.visitor.call(shell_call("/oven")).get_data(as_text=True)


def test_a_second_heat_is_not_started_over_an_open_one(oven: Oven) -> None:
    assert "a heat is open already" in oven.told(what="start", form=HDPE)["wrong"].lower()
    assert oven.asked == []


def test_no_outcome_before_the_pull(oven: Oven) -> None:
    assert "no sheet was pulled yet" in oven.told(what="outcome", outcome="accepted")["wrong"].lower()


@pytest.mark.parametrize(
    ("deed", "said"),
    [
        ({"what": "open the oven"}, "expected one of"),
        ({"what": "mark", "name": "form"}, "expected one of start"),
        ({"what": "mark", "name": "pulled", "ago_s": -1}, "ago: expected"),
        ({"what": "mark", "name": "pulled", "ago_s": "x"}, "ago: expected"),
        ({"what": "mark", "name": "pulled", "ago_s": True}, "ago: expected"),
        ({"what": "mark", "name": ["pulled"]}, "expected text"),
        ({"what": "mark", "name": "pulled", "bench": "no"}, "not recorded here"),
        ({"what": "form", "form": "x"}, "reload the page"),
        ({"what": "form", "form": HDPE | {"gauge_mm": "six"}}, "gauge = 'six'"),
        ({"what": "form", "form": HDPE | {"gauge_mm": "4000"}}, "gauge = '4000'"),
        ({"what": "form", "form": HDPE | {"polymer": "hdep"}}, "hdpe"),
        ({"what": "form", "form": HDPE | {"checks": ["all"]}}, "checks: expected some of"),
        ({"what": "form", "form": HDPE | {"drop_mm": "-3"}}, "drop wanted -3 mm"),
        ({"what": "form", "form": {"other_side_mm": "200"}}, "the first is not"),
        ({"what": "form", "form": HDPE | {"notes": "a\x00b"}}, "control characters"),
    ],
)
def test_refused(oven: Oven, deed: dict[str, Any], said: str) -> None:
    wrong = oven.told(**{"bench": "practice", **deed})["wrong"].replace("\u00a0", " ")
    assert said in wrong[:1].lower() + wrong[1:]
    assert oven.asked == []


@pytest.mark.parametrize("body", [b"", b"[]", b"null", b"{", b'"x"'])
def test_a_request_that_is_none_is_refused(oven: Oven, body: bytes) -> None:
    oven.visitor.get("/oven")
    answer = oven.visitor._client.post(
        "/oven/do", data=body, headers={"X-CSRFToken": oven.visitor.token, "Content-Type": "application/json"}
    )
    assert "reload the page" in answer.get_json()["wrong"]
    assert oven.asked == []


def test_metric_and_us_forms_say_the_same() -> None:
    metric = form_and_wishes(HDPE | {"drop_mm": "88.9"}, "north", Units())
    shown = {"gauge_mm": "0.1575", "set_c": "365", "start_c": "71.6", "opening_mm": "11.811", "drop_mm": "3.5"}
    us = form_and_wishes(HDPE | shown, "north", Units("us"))
    assert us[1] == pytest.approx(metric[1])
    for name in ("gauge_mm", "set_c", "start_c"):
        assert getattr(us[0], name) == pytest.approx(getattr(metric[0], name), abs=0.01)


def test_a_plan_s_address_fills_in_the_form() -> None:
    query = {"polymer": "petg", "oven": "north", "gauge_mm": "3", "set_c": "150", "drop_mm": "40"}
    filled = at_first(query, HeatForm(polymer="hdpe", gauge_mm=4.0, opening_mm=(300.0,), sheet_label="lot"))
    assert filled.texts["polymer"] == "petg"
    assert (filled.numbers["gauge_mm"], filled.numbers["drop_mm"], filled.numbers["opening_mm"]) == (3.0, 40.0, None)
    assert filled.texts["sheet_label"] == "lot"
    with pytest.raises(InputError, match="gauge_mm = 'x'"):
        at_first({"polymer": "petg", "gauge_mm": "x"}, HeatForm())


def test_a_plan_for_another_oven_is_said(oven: Oven) -> None:
    oven.visitor.get("/oven")
    page = oven.visitor.call(shell_call("/oven", "?polymer=hdpe&oven=south")).get_data(as_text=True)
    assert "The plan is for oven south" in page


# ---------------------------------------------------------------- who may


@pytest.mark.parametrize("token", ["", "made-up"])
def test_a_forged_deed_is_refused(oven: Oven, token: str) -> None:
    assert oven.sends(token, what="mark", name="pulled").status_code == 400
    assert oven.asked == []


def test_a_foreign_host_is_not_answered(oven: Oven) -> None:
    assert oven.visitor.get("/oven/live?bench=practice", headers={"Host": "elsewhere.example"}).status_code == 400


def test_roles_and_names(heating: Aged, tmp_path: Path) -> None:
    accounts = accounts_in(tmp_path)
    for name, role in (("Lea", LEAD), ("Tom", TECHNICIAN), ("Quin", QUALITY)):
        made(accounts, name, role)
    oven = Oven(heating, accounts=accounts)
    assert oven.visitor.get("/oven/live?bench=practice").status_code == 302
    oven.visitor.sign_in("Quin")
    page = oven.visitor.call(shell_call("/oven")).get_data(as_text=True)
    assert "Sheet is in" not in page
    assert oven.visitor.get("/oven/live?bench=practice").get_json()["phase"] == "in"
    refused = oven.sends(what="mark", name="pulled")
    assert (refused.status_code, oven.asked) == (403, [])
    assert oven.sends(what="outcome", outcome="accepted").status_code == 200
    tom = Oven(heating, accounts=accounts)
    tom.visitor.sign_in("Tom")
    tom.told(what="mark", name="pulled", initials="XX")
    assert tom.asked[0][1] == "Tom (signed in, technician)"


@pytest.mark.parametrize("field", ["initials", "name", "what", "bench", "note"])
def test_a_script_in_a_field_is_only_text(oven: Oven, field: str) -> None:
    answer = oven.sends(**{"what": "mark", "name": "pulled", field: EVIL})
    assert answer.mimetype == "application/json"
    assert answer.headers["X-Content-Type-Options"] == "nosniff"


def test_an_oversized_deed_is_refused(oven: Oven) -> None:
    assert oven.sends(what="mark", name="pulled", note="x" * 1_100_000).status_code == 413
    assert oven.asked == []
