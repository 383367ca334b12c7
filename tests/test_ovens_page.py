"""The page of the ovens: what it shows and who may accept a card; once in a real browser."""

from __future__ import annotations

import datetime
import json
import shutil
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import expect

from browser import accessible, chromium, watched
from calibration.calibrate import Calibration
from calibration.fitted_card import fitted_card
from calibration.identify import findings
from calibration.next_heat import Advice
from calibration.oven_fit import fit
from calibration.survey import survey
from dashboard.calibration_heats import heats_of_oven
from dashboard.commands.calibrate_json import calibration_json
from dashboard.commands.plan_json import dumps
from dashboard.oven_cards import Proposal, proposals, propose
from dashboard.oven_watcher import OvenWatcher
from dashboard.shop import DEMO_FOLDER, Shop, read_shop
from dashboard.store_place import StorePlace, store_place
from dashboard.units import Units
from dashboard.web.access import Access
from dashboard.web.app import make_app
from dashboard.web.ovens_figure import drift_figure, fit_figure, residual_figure, survey_figure
from dashboard.web.ovens_parts import calibration_parts, correlation_part
from dashboard.web.roles import LEAD, QUALITY, TECHNICIAN
from dashboard.web.serve import PageServer
from dashboard.web.services import Services
from dashboard.web.words import sentence
from logger.clock import ManualClock
from page_rig import PASSWORD, Visitor, accounts_in, made, shell_call
from watched_shop import REAL, known, own_shop, recorded, small, surveyed, weakened

TODAY = datetime.date(2026, 3, 1)
REASON = "One heat alone: nothing shows that it repeats"


@pytest.fixture(scope="module")
def found() -> tuple[dict[str, Any], Any]:
    """A calibration as 'pullcue calibrate --json' has it, and its card; without what takes long."""
    shop = read_shop(DEMO_FOLDER)
    heats = heats_of_oven([("heat 1", REAL)], shop.oven("north"), shop.polymer)
    fitted = fit(shop.oven("north"), heats.runs, starts=1, noise_rounds=0)
    advice = (Advice("a sheet of 12 mm", 60.0, 40.0),)
    result = Calibration(fitted, fitted_card(fitted, TODAY), (), findings(fitted), (), (), advice, (REASON,), "card")
    record: dict[str, Any] = json.loads(dumps(calibration_json(result, result.card, heats.notes)))
    return record, result.card


@pytest.fixture(scope="module")
def template(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A shop whose oven's lower face has weakened, and a survey of it."""
    own = own_shop(tmp_path_factory.mktemp("ovens"))
    place = recorded(own, [*(small(i) for i in range(26)), surveyed(26)])
    known(own, place, weakened(26, 20))
    return own.folder


@pytest.fixture
def shop(template: Path, tmp_path: Path) -> tuple[Shop, StorePlace]:
    own = read_shop(shutil.copytree(template, tmp_path / "shop"))
    return own, store_place(own)


@pytest.fixture
def proposed(shop: tuple[Shop, StorePlace], found: tuple[dict[str, Any], Any]) -> tuple[Shop, Proposal]:
    return shop[0], propose(shop[0], found[1], found[0], (REASON,), TODAY)


def texts(part: Any) -> str:
    """All that a part of the page says."""
    if isinstance(part, str | int | float):
        return str(part)
    if isinstance(part, list | tuple):
        return " ".join(texts(one) for one in part)
    return texts(getattr(part, "children", None) or "")


def test_figures_hold_what_was_found(found: tuple[dict[str, Any], Any]) -> None:
    record = found[0]
    sensors = record["sensors"]
    fit = fit_figure(sensors, "heat 1", Units("us"))
    line, points = fit["data"][0], fit["data"][1]
    first = sensors[0]
    assert points["y"][3] == pytest.approx(first["measured_c"][3] * 1.8 + 32.0, abs=0.01)
    assert line["y"][3] == pytest.approx((first["measured_c"][3] - first["residual_k"][3]) * 1.8 + 32.0, abs=0.01)
    off = residual_figure(sensors, ["heat 1"], Units("us"), "temperature")
    assert off["data"][0]["y"][5] == pytest.approx(1.8 * first["residual_k"][5], abs=0.002)
    assert off["data"][0]["x"] == points["y"]
    table = texts(correlation_part(record))
    assert f"{record['correlation'][0][1]:+.2f}" in table
    said = texts(calibration_parts(record, "north", None, Units())).replace("\u00a0", " ")
    assert record["findings"][0]["text"] in said
    assert "A sheet of 12 mm: ready times from ± 1:00 to ± 0:40." in said


def test_the_map_of_a_survey_lies_as_its_places() -> None:
    of = survey(surveyed(0), 185.0)
    (trace,) = survey_figure(of, Units())["data"]
    at = dict(zip(zip(trace["x"], trace["y"], strict=True), trace["text"], strict=True))
    assert at[(400.0, 0.0)] == "+0.0"  # 2 K above a mean that is 2 K below the setting
    assert at[(0.0, 300.0)] == "-4.0"
    assert set(trace["marker"]["symbol"]) == {"circle", "square"}


def test_a_chart_marks_what_is_beyond(shop: tuple[Shop, StorePlace]) -> None:
    watcher = OvenWatcher(shop[0], shop[1], lambda: TODAY, lambda: True)
    series = watcher.watch("north").drift.series[1]
    figure = drift_figure(series)
    dots = next(one for one in figure["data"] if one["name"] == "each heat")
    assert dots["marker"]["symbol"][:10] == ["circle"] * 10
    assert set(dots["marker"]["symbol"][-4:]) == {"diamond"}
    assert dots["y"][-1] == pytest.approx(-30.0, abs=8.0)
    watcher.stop()


def test_waiting_heats_are_looked_at_beside_the_page(tmp_path: Path) -> None:
    own = own_shop(tmp_path)
    place = recorded(own, [small(0), small(1)])
    watcher = OvenWatcher(own, place, lambda: TODAY, lambda: False)
    assert watcher.watch("north").waiting == 2
    for thread in list(watcher._threads.values()):
        thread.join(60.0)
    assert watcher.watch("north").waiting == 0
    busy = OvenWatcher(own, recorded(own, [small(2)]), lambda: TODAY, lambda: True)
    assert busy.watch("north").waiting == 1
    busy.stop()
    assert busy.watch("north").waiting == 1


def decide_call(clicks: int, initials: str, name: str, what: str = "accept") -> dict[str, Any]:
    outputs = [(f"ovens-{what}ed", "children"), (f"ovens-{what}", "children"), ("said", "children")]
    return {
        "inputs": [{"id": f"ovens-{what}", "property": "n_clicks", "value": clicks}],
        "changedPropIds": [f"ovens-{what}.n_clicks"],
        "state": [
            {"id": "ovens-by", "property": "value", "value": initials},
            {"id": "ovens-oven", "property": "data", "value": "north"},
            {"id": "ovens-proposal", "property": "data", "value": name},
        ],
        "outputs": [{"id": one, "property": prop} for one, prop in outputs],
    }


def decided(app: Any, visitor: Visitor, call: dict[str, Any]) -> Any:
    """Send it under the name that Dash gave the callback, as the page's script does."""
    (output,) = [name for name in app.callback_map if call["outputs"][0]["id"] in name]
    call["output"] = output
    call["outputs"][2]["property"] = output.split("said.")[1].strip(".")
    return visitor.call(call)


def test_a_lead_dismisses_and_the_next_proposal_is_shown(proposed: tuple[Shop, Proposal], tmp_path: Path) -> None:
    shop, older = proposed
    newer = propose(shop, older.card, {}, (), TODAY)
    accounts = accounts_in(tmp_path)
    made(accounts, "Lea", LEAD)
    made(accounts, "Tom", TECHNICIAN)
    app = make_app(Services(shop, clock=ManualClock(), accounts=accounts))
    lead, other = Visitor(app), Visitor(app)
    for visitor, name in ((lead, "Lea"), (other, "Tom")):
        visitor.sign_in(name)
        visitor.get("/ovens")
    assert decided(app, other, decide_call(2, "", newer.name, "dismiss")).status_code == 403
    asked = decided(app, lead, decide_call(1, "", newer.name, "dismiss")).get_data(as_text=True)
    assert "Press once more" in asked
    assert len(proposals(shop, "north")) == 2
    done = decided(app, lead, decide_call(2, "", newer.name, "dismiss")).get_data(as_text=True)
    assert "The card is dismissed" in done
    page = lead.call(shell_call("/ovens", "?oven=north")).get_data(as_text=True)
    assert f"Card {older.name}, " in page
    assert "dismissed by Lea (signed in, lab lead) on" in page


def test_only_a_lead_accepts(proposed: tuple[Shop, Proposal], tmp_path: Path) -> None:
    shop, one = proposed
    accounts = accounts_in(tmp_path)
    made(accounts, "Lea", LEAD)
    made(accounts, "Tom", TECHNICIAN)
    made(accounts, "Quinn", QUALITY)
    app = make_app(Services(shop, clock=ManualClock(), accounts=accounts))
    for name in ("Tom", "Quinn"):
        other = Visitor(app)
        other.sign_in(name)
        other.get("/ovens")
        page = other.call(shell_call("/ovens", "?oven=north")).get_data(as_text=True)
        assert REASON in page
        assert "A lab lead accepts cards." in page
        assert 'ovens-accept"' not in page
        assert decided(app, other, decide_call(2, "LL", one.name)).status_code == 403
    assert [waiting.name for waiting in proposals(shop, "north")] == [one.name]
    lead = Visitor(app)
    lead.sign_in("Lea")
    lead.get("/ovens")
    asked = decided(app, lead, decide_call(1, "", one.name))
    assert "Press once more" in asked.get_data(as_text=True)
    assert proposals(shop, "north") != ()
    done = decided(app, lead, decide_call(2, "", one.name))
    assert "The card is in force." in done.get_data(as_text=True)
    evidence = shop.oven("north").evidence
    assert evidence is not None
    assert evidence["accepted_by"] == "Lea (signed in, lab lead)"
    assert evidence["reasons"] == [REASON]
    again = decided(app, lead, decide_call(2, "", one.name))
    assert "was accepted already" in again.get_data(as_text=True)


def test_a_sentence_keeps_the_name_of_a_file() -> None:
    assert sentence("a4.csv: core there") == "a4.csv: core there."
    assert sentence("upper.h_w_m2k is at its bound.") == "upper.h_w_m2k is at its bound."
    assert sentence("core_1_c came loose") == "core_1_c came loose."
    assert sentence("heat 12: at 3.5 K") == "Heat 12: at 3.5\u00a0K."
    assert sentence("it is ... done") == "It is ... done."


def test_an_oven_without_anything_says_so(tmp_path: Path) -> None:
    app = make_app(Services(own_shop(tmp_path), clock=ManualClock()))
    visitor = Visitor(app)
    visitor.get("/ovens")
    page = visitor.call(shell_call("/ovens", "")).get_data(as_text=True)
    assert "there are no records here yet" in page
    assert "How this card was found is not kept" in page
    assert "Where its values come from is not stated" in page
    assert "No card was replaced here" in page
    wrong = visitor.call(shell_call("/ovens", "?oven=nroth")).get_data(as_text=True)
    assert "did you mean north" in wrong


def test_a_card_is_accepted_in_a_browser(proposed: tuple[Shop, Proposal], tmp_path: Path) -> None:
    """By keyboard; nothing asked of another machine, nothing that axe finds, in both themes and on a phone."""
    shop, _ = proposed
    accounts = accounts_in(tmp_path)
    made(accounts, "Lea", LEAD)
    services = Services(shop, clock=ManualClock(), accounts=accounts)
    with PageServer(services, Access(port=0)) as server, chromium() as web, watched(web) as page:
        page.goto(server.url + "ovens?oven=north")
        page.get_by_label("Name").fill("Lea")
        page.get_by_label("Password").fill(PASSWORD)
        page.get_by_role("button", name="Sign in").click()
        page.get_by_role("link", name="Lea").wait_for(timeout=60_000)
        page.get_by_role("link", name="Ovens").click()
        for name in ("upper", "lower", "ready", "fit", "off-time", "off-temperature", "survey"):
            page.wait_for_selector(f"#ovens-{name} svg.main-svg >> nth=0", timeout=60_000)
        expect(page.locator("#ovens-drift")).to_contain_text("It has changed")
        expect(page.locator("#ovens-proposed")).to_contain_text(REASON)
        accessible(page)
        page.set_viewport_size({"width": 390, "height": 844})
        expect(page.locator("html")).to_have_js_property("scrollWidth", 390, timeout=60_000)
        accessible(page, ["dark"])  # colours are those of the wide page
        button = page.locator("#ovens-accept")
        button.focus()
        page.keyboard.press("Enter")
        expect(button).to_contain_text("I have read the reasons")
        assert shop.oven("north").evidence == {"note": "invented"}
        page.keyboard.press("Enter")
        expect(page.locator("#ovens-accepted")).to_contain_text("The card is in force")
        expect(page.locator("#said")).to_contain_text("The card is in force")
        page.get_by_role("link", name="Show it").click()
        expect(page.locator("main")).to_contain_text("accepted by Lea (signed in, lab lead) on")
        expect(page.locator("#ovens-proposed")).to_have_count(0)
        expect(page.locator("main")).to_contain_text("Correlations")
