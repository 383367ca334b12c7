"""The page of the records: searching, opening, entering, and what hostile texts and files cannot do; in a browser."""

from __future__ import annotations

import csv
import json
import shutil
import threading
from collections.abc import Callable
from concurrent.futures import Future
from contextlib import closing
from io import BytesIO, StringIO
from pathlib import Path
from typing import Any

import pytest
from PIL import Image
from playwright.sync_api import expect
from pypdf import PdfReader

from browser import accessible, chromium, watched
from command_line import ok
from dashboard.heat_view import Course, beside, heat_view, thinned
from dashboard.kept_searches import kept_searches
from dashboard.review import Review
from dashboard.reviewer import Reviewer
from dashboard.shop import Shop
from dashboard.store_place import StorePlace, store_place
from dashboard.stored_review import review_number, told
from dashboard.units import Units
from dashboard.web.access import Access
from dashboard.web.app import make_app
from dashboard.web.records_query import asked, heats_of
from dashboard.web.roles import LEAD, QUALITY, TECHNICIAN
from dashboard.web.serve import PageServer
from dashboard.web.services import Services
from logger.clock import ManualClock
from logger.records import HeatForm
from logger.store import Store, open_store
from logger.walls import MEDIA_TYPE, Wall, walls_content
from page_rig import PASSWORD, Visitor, accounts_in, made, shell_call
from store_data import open_heat, run_of
from test_review import FORMULA, SCRIPT, hostile_file
from thermal.fields import InputError
from watched_shop import own_shop


@pytest.fixture(scope="module")
def reviewed(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Review]:
    """A shop whose first heat is hostile, and its review; sixty plain ones after it."""
    shop = own_shop(tmp_path_factory.mktemp("records"))
    place = store_place(shop)
    place.make()
    ok("import", str(hostile_file(shop.folder / "hostile.csv")), "--shop", str(shop.folder))
    kept = open_store(place.url)
    kept.begin_run(run_of())
    for number in range(2, 62):
        form = HeatForm(oven="north", polymer="pp", gauge_mm=4.0 + number % 3, job_number=f"J-{number}", initials="AB")
        heat = open_heat(kept, number, start_s=10.0 * number, form=form)
        kept.finish_heat(heat.id, heat.start_s + 8.5, "finished", "failed" if number % 5 == 0 else "accepted")
    kept.close()
    return shop.folder, review_number(place, shop, 1)


class Does:
    """A review that is done already, given out where it is asked for."""

    def __init__(self, of: Review) -> None:
        self.of, self.asked = of, 0

    def __call__(self, job: Callable[..., Review], *given: object) -> Future[Review]:
        self.asked += 1
        done: Future[Review] = Future()
        if given[-1] == 1:
            done.set_result(self.of)
        else:
            done.set_exception(InputError(f"heat {given[-1]}: nothing was measured during it"))
        return done


@pytest.fixture
def shop(reviewed: tuple[Path, Review], tmp_path: Path) -> tuple[Shop, StorePlace, Does]:
    from dashboard.shop import read_shop

    own = read_shop(Path(shutil.copytree(reviewed[0], tmp_path / "shop")))
    return own, store_place(own), Does(reviewed[1])


def services(of: tuple[Shop, StorePlace, Does], **more: Any) -> Services:
    return Services(of[0], clock=ManualClock(), place=of[1], reviewer=Reviewer(of[0], of[1], of[2]), **more)


def opened(place: StorePlace) -> Store:
    return open_store(place.url)


def post(visitor: Visitor, app: Any, deed: dict[str, str], token: str | None = None) -> Any:
    headers = {"X-CSRFToken": visitor.token if token is None else token}
    return visitor._client.post("/records/do", json=deed, headers=headers)


def every_part(of: Any) -> list[dict[str, Any]]:
    """All objects within an answer."""
    if isinstance(of, dict):
        return [of, *(one for value in of.values() for one in every_part(value))]
    return [one for value in of for one in every_part(value)] if isinstance(of, list) else []


def test_an_address_says_what_is_asked_and_back() -> None:
    of = asked(
        {"oven": "north", "gauge": "0.25", "from": "2026-03-04", "to": "2026-03-04", "sort": "-gauge", "page": "3"}
    )
    wanted = of.filter(Units("us"))
    assert (wanted.oven, wanted.order, wanted.backwards) == ("north", "gauge", True)
    assert wanted.gauge_mm == pytest.approx(6.35)
    assert wanted.to_utc_ms is not None
    assert wanted.from_utc_ms is not None
    assert wanted.to_utc_ms - wanted.from_utc_ms == 86_400_000
    assert asked(dict(one.split("=") for one in of.query().split("&"))) == of
    for query in ({"sort": "sideways"}, {"page": "0"}, {"page": "９"}, {"text": "x" * 200}):
        with pytest.raises(InputError):
            asked(query)
    for query in ({"gauge": "nan"}, {"from": "yesterday"}, {"to": "9999-12-31"}, {"state": "odd"}):
        with pytest.raises(InputError):
            asked(query).filter(Units())
    with pytest.raises(InputError, match="21 heats to compare"):
        heats_of(",".join(["1"] * 21))


def test_thinning_keeps_the_extremes() -> None:
    import numpy as np

    values = np.sin(np.arange(20_000) / 500.0)
    values[7777] = -9.0
    small = thinned(Course("face_upper_c", np.arange(20_000.0), values))
    assert len(small.values) <= 802
    assert small.values.min() == -9.0
    assert (np.diff(small.time_s) > 0.0).all()


def test_the_table_is_searched_sorted_and_paged_on_the_server(shop: tuple[Shop, StorePlace, Does]) -> None:
    app = make_app(services(shop))
    visitor = Visitor(app)
    visitor.get("/records")
    assert any(
        one.get("data-rows") == "/records/rows?" for one in every_part(visitor.call(shell_call("/records")).get_json())
    )
    first = visitor.get("/records/rows").get_data(as_text=True)
    assert "61 heats" in first
    assert first.count("data-choose=") == 50
    assert visitor.get("/records/rows?page=2").get_data(as_text=True).count("data-choose=") == 11
    found = visitor.get("/records/rows?outcome=failed&oven=north&sort=number").get_data(as_text=True)
    numbers = [int(one.split('"')[0]) for one in found.split('data-choose="')[1:]]
    assert numbers == [1, *range(5, 61, 5)]
    assert 'aria-sort="ascending"' in found
    assert "No heat was found." in visitor.get("/records/rows?text=zebra").get_data(as_text=True)
    assert "expected a number" in visitor.get("/records/rows?gauge=thick").get_data(as_text=True)
    assert "Sort &#39;sideways&#39;" in visitor.get("/records/rows?sort=sideways").get_data(as_text=True)


def test_nothing_that_a_heat_says_is_run(shop: tuple[Shop, StorePlace, Does]) -> None:
    """A script in a label, tags in an event, a formula in a job number: text everywhere."""
    app = make_app(services(shop))
    visitor = Visitor(app)
    visitor.get("/records")
    rows = visitor.get("/records/rows?text=lot").get_data(as_text=True)
    assert "&lt;script&gt;" in rows
    assert "<script" not in rows
    rows_csv = list(csv.reader(StringIO(visitor.get("/records/table.csv").get_data(as_text=True))))
    hostile = next(row for row in rows_csv if row[0] == "1")
    assert hostile[rows_csv[0].index("job_number")] == f"'{FORMULA}"
    assert hostile[rows_csv[0].index("gauge_mm")] == "6.0"
    beside_csv = list(csv.reader(StringIO(visitor.get("/records/table.csv?compare=3,1").get_data(as_text=True))))
    assert [row[0] for row in beside_csv] == ["heat", "3", "1"]
    assert beside_csv[2] == hostile
    assert visitor.get("/records/table.csv?compare=1,x").status_code == 400
    with closing(opened(shop[1])) as kept:
        formula = walls_content([Wall("=1+1", 120.0, 3.4)], "AB", 0)
        kept.attach(kept.heat(1).id, "walls", formula, MEDIA_TYPE)
    assert table_of(visitor, "walls")[1][:4] == ["1", "'=1+1", "120.0", "3.4"]
    entries = {row[1]: row[2:] for row in table_of(visitor, "entries")}
    assert entries["job_number"] == [f"'{FORMULA}", f"'{FORMULA}"]
    marks = [row[3] for row in table_of(visitor, "marks")[1:]]
    assert marks == ["imported", "<img src=x onerror=alert(1)>", "pulled", "on_mold"]
    assert len(table_of(visitor, "corrections")) == 1
    assert visitor.get("/records/heat.csv?heat=1&table=causes").status_code == 400  # not reviewed yet
    assert visitor.get("/records/heat.csv?heat=1&table=../x").status_code == 400
    page = visitor.call(shell_call("/records", "?heat=1")).get_json()
    (figure,) = [one for one in every_part(page) if isinstance(one.get("layout"), dict)]
    assert "img src=x" in json.dumps(figure["layout"]["annotations"])  # plotly would read tags
    assert "<" not in json.dumps(figure)
    html = visitor.get("/records/report?heat=1&as=html")
    assert "script" not in html.headers["Content-Security-Policy"]
    assert "<script" not in html.get_data(as_text=True)
    assert "name of a person" not in html.get_data(as_text=True)  # free notes are on no report
    name = visitor.get("/records/trends.csv?table=../../etc").get_data(as_text=True)
    assert "expected one of" in name


def table_of(visitor: Visitor, name: str) -> list[list[str]]:
    answer = visitor.get(f"/records/heat.csv?heat=1&table={name}")
    assert answer.headers["Content-Disposition"] == f'attachment; filename="heat-1-{name}.csv"'
    return list(csv.reader(StringIO(answer.get_data(as_text=True))))


def test_a_review_is_made_once_kept_and_made_again_after_a_correction(shop: tuple[Shop, StorePlace, Does]) -> None:
    reviewer = Reviewer(shop[0], shop[1], shop[2])
    kept = opened(shop[1])
    heat = kept.heat(1)
    assert told(kept.kept_review(heat.id), Units()) is None
    reviewer.ask(1)
    found = told(kept.kept_review(heat.id), Units("us"))
    assert found is not None
    assert "oven colder than it showed" in found.headline
    assert "°F" in dict(found.state)["Core (coldest point)"]
    import datetime

    visitor = Visitor(make_app(services(shop)))
    visitor.get("/records")
    causes, pull = table_of(visitor, "causes"), dict(row[1:] for row in table_of(visitor, "pull")[1:])
    assert ("oven off", "Oven colder than it showed") in [(row[2], row[5]) for row in causes[1:3]]
    assert pull["Window"].startswith("would not have opened within")
    assert ok("export", "1", "--table", "causes", "--shop", str(shop[0].folder)).splitlines()[1].startswith("1,")
    for _ in range(2):
        reviewer.report(1, Units(), datetime.date(2026, 3, 4))
    assert shop[2].asked == 1
    reviewer.ask(2)
    assert "nothing was measured" in reviewer.wrong(2)
    bare = visitor.call(shell_call("/records", "?heat=2")).get_data(as_text=True)
    assert "Nothing was measured during it: there is nothing to review." in bare
    assert "records-pdf" not in bare
    assert shop[2].asked == 2
    view = heat_view(kept, 1)
    assert [one.column for one in view.courses] == ["air_upper_c"]
    assert (620.0, "pulled") in view.events
    both = beside(kept, [1, 2, 1])
    assert [one.record.number for one in both] == [1, 2]
    assert both[0].pulled_s == 620.0
    ok("heats", "correct", "1", "gauge_mm", "5", "--by", "AB", "--why", "label", "--shop", str(shop[0].folder))
    assert kept.kept_review(heat.id) is None
    kept.close()


def test_roles_tokens_and_who_corrects(shop: tuple[Shop, StorePlace, Does], tmp_path: Path) -> None:
    accounts = accounts_in(tmp_path)
    for name, role in (("Lea", LEAD), ("Tom", TECHNICIAN), ("Quinn", QUALITY)):
        made(accounts, name, role)
    app = make_app(services(shop, accounts=accounts))
    stranger = Visitor(app)
    for address in (
        "/records",
        "/records/rows",
        "/records/table.csv",
        "/records/report?heat=1",
        "/records/photo?heat=1",
    ):
        assert stranger.get(address).status_code in (302, 401)
    fix = {"what": "correct", "heat": "2", "entry": "gauge_mm", "value": "4.5", "why": "label read again"}
    people = {}
    for name in ("Tom", "Quinn"):
        people[name] = Visitor(app)
        people[name].sign_in(name)
        people[name].get("/records")
    assert post(people["Tom"], app, fix, token="forged").status_code == 400
    assert post(people["Quinn"], app, fix).status_code == 403
    assert (
        post(
            people["Quinn"], app, {"what": "outcome", "heat": "2", "outcome": "failed", "kind": "bridging"}
        ).get_json()["said"]
        == "Kept: failed, bridging."
    )
    assert "said" in post(people["Tom"], app, fix).get_json()
    for wrong, words in (({"why": " "}, "Why"), ({"entry": "plan_json"}, "a person fills in"),
                         ({"value": "thick"}, "Gauge, mm"), ({"heat": "999"}, "there is none"),
                         ({"entry": "hash"}, "a person fills in")):  # fmt: skip
        assert words in post(people["Tom"], app, {**fix, **wrong}).get_json()["wrong"]
    kept = opened(shop[1])
    last = kept.corrections(kept.heat(2).id)
    assert [(one.field, one.who) for one in last][-1] == ("gauge_mm", "Tom (signed in, technician)")
    assert kept.verify() == []
    kept.close()


def test_a_photo_is_what_it_holds_and_nothing_else(shop: tuple[Shop, StorePlace, Does]) -> None:
    app = make_app(services(shop))
    visitor = Visitor(app)
    visitor.get("/records")
    picture = BytesIO()
    Image.new("RGB", (60, 40), "red").save(picture, "PNG", pnginfo=None)
    polyglot = picture.getvalue() + b"<script>alert(1)</script>"

    def sent(content: bytes) -> dict[str, str]:
        answer = visitor._client.post("/records/photo?heat=3", data=content, content_type="application/octet-stream",
                                      headers={"X-CSRFToken": visitor.token})  # fmt: skip
        found: dict[str, str] = answer.get_json()
        return found

    svg = b'<svg xmlns="http://www.w3.org/2000/svg" onload="alert(1)"/>'
    for content in (svg, b"MZ" + bytes(300), b"\xff\xd8\xff" + SCRIPT.encode(), picture.getvalue()[:60], b""):
        assert "wrong" in sent(content)
    assert "is kept with heat 3" in sent(polyglot)["said"]
    shown = visitor.get("/records/photo?heat=3&n=0")
    assert (shown.mimetype, shown.headers["X-Content-Type-Options"]) == ("image/jpeg", "nosniff")
    assert b"script" not in shown.get_data()
    assert visitor.get("/records/photo?heat=3&n=1").status_code == 400
    large = visitor._client.post(
        "/records/photo?heat=3", data=bytes(1_100_000), content_type="application/octet-stream",
        headers={"X-CSRFToken": visitor.token},
    )  # fmt: skip
    assert large.status_code == 413
    assert not list(shop[0].folder.rglob("*.png"))  # nowhere on a path that is served, but in the store


def test_searches_are_kept_by_name(shop: tuple[Shop, StorePlace, Does]) -> None:
    app = make_app(services(shop))
    visitor = Visitor(app)
    visitor.get("/records")
    name = f"north {SCRIPT}"[:40]
    assert (
        "said"
        in post(visitor, app, {"what": "keep", "name": name, "query": "oven=north&outcome=failed&x=1"}).get_json()
    )
    assert kept_searches(shop[1].folder) == {name: "oven=north&outcome=failed"}
    assert "wrong" in post(visitor, app, {"what": "keep", "name": "", "query": ""}).get_json()
    assert "wrong" in post(visitor, app, {"what": "keep", "name": "odd", "query": "from=never"}).get_json()
    page = visitor.call(shell_call("/records", "?oven=north&outcome=failed")).get_data(as_text=True)
    assert "oven=north&outcome=failed" in page
    assert "said" in post(visitor, app, {"what": "drop", "name": name}).get_json()
    assert kept_searches(shop[1].folder) == {}


def test_from_search_to_the_printed_report_in_a_browser(shop: tuple[Shop, StorePlace, Does], tmp_path: Path) -> None:
    """A reviewer searches, opens, reads, enters the outcome, takes the report; then compares and looks at trends."""
    accounts = accounts_in(tmp_path)
    made(accounts, "Lea", LEAD)
    with (
        PageServer(services(shop, accounts=accounts), Access(port=0)) as server,
        chromium() as web,
        watched(web) as page,
    ):
        page.goto(server.url + "records")
        page.get_by_label("Name").fill("Lea")
        page.get_by_label("Password").fill(PASSWORD)
        page.get_by_role("button", name="Sign in").click()
        expect(page.locator("#records-count")).to_have_text("61 heats", timeout=60_000)
        accessible(page, ["light"])  # in the dark with two chosen, below
        page.get_by_label("Label, job, initials or note").fill("lot")
        page.keyboard.press("Enter")
        expect(page.locator("#records-count")).to_have_text("1 heat", timeout=60_000)
        page.locator("#records-table").get_by_role("link", name="1", exact=True).click()
        expect(page.locator("#records-headline")).to_contain_text("oven colder than it showed", timeout=60_000)
        page.wait_for_selector("#records-curve svg.main-svg >> nth=0", timeout=60_000)
        accessible(page)
        page.locator("#records-outcome").select_option("failed")
        page.locator("#records-kind").select_option("springback")
        page.get_by_role("button", name="Keep the outcome").click()
        expect(page.locator("#records-corrections")).to_contain_text("springback", timeout=60_000)
        page.locator("#records-value").fill("natural")
        page.locator("#records-entry").select_option("colour")
        page.locator("#records-why").fill(f"seen {SCRIPT}")
        page.get_by_role("button", name="Keep the correction").click()
        expect(page.locator("#records-corrections")).to_contain_text("seen <script>", timeout=60_000)
        page.locator("#records-place").fill("distal end")
        page.locator("#records-level").fill("120")
        page.locator("#records-wall").fill("9")
        page.locator("#records-keep-wall").click()
        expect(page.locator("#records-toast")).to_contain_text("is thicker than its sheet, 6 mm", timeout=60_000)
        expect(page.locator("#records-keep-wall")).to_have_text("Measured again: keep it")
        page.locator("#records-wall").fill("2.85")
        page.locator("#records-keep-wall").click()
        expect(page.locator("#records-walls table")).to_contain_text("2.85 mm", timeout=60_000)
        page.get_by_role("button", name="°F in, US units").click()
        expect(page.locator("#records-walls table")).to_contain_text("0.112 in", timeout=60_000)
        page.get_by_role("button", name="°C mm, metric units").click()
        expect(page.locator("#records-walls table")).to_contain_text("2.85 mm", timeout=60_000)
        Image.new("RGB", (2600, 2000), "red").save(tmp_path / "label.png")
        page.locator("#records-photo").set_input_files(tmp_path / "label.png")
        page.get_by_role("button", name="Keep the photo").click()
        expect(page.locator(".photos img")).to_have_count(1, timeout=60_000)
        (tmp_path / "not.jpg").write_bytes(b"\xff\xd8\xff" + SCRIPT.encode())
        page.locator("#records-photo").set_input_files(tmp_path / "not.jpg")
        page.get_by_role("button", name="Keep the photo").click()
        expect(page.locator("#records-toast")).to_contain_text("cannot be shown")
        link = page.locator("#records-pdf").get_attribute("href")
        answer = page.request.get(server.url.rstrip("/") + str(link))
        words = "\n".join(one.extract_text() for one in PdfReader(BytesIO(answer.body())).pages)
        for told_ in ("Review of heat 1", "Oven colder than it showed", "springback", FORMULA, "Lea (signed in"):
            assert told_ in words.replace("\n", " ")
        page.set_viewport_size({"width": 390, "height": 844})
        expect(page.locator("html")).to_have_js_property("scrollWidth", 390, timeout=60_000)
        accessible(page, ["dark"])  # colours are those of the wide page
        page.goto(server.url + "records?sort=number")
        page.locator("[data-choose='1']").click(timeout=60_000)
        page.locator("[data-choose='2']").click()
        accessible(page, ["dark"])
        page.get_by_role("button", name="Compare the 2 chosen").click()
        page.wait_for_selector("#records-beside svg.main-svg >> nth=0", timeout=60_000)
        expect(page.locator("main")).to_contain_text("No closing of the door is marked in heat 1, 2")
        accessible(page)
        page.goto(server.url + "records?show=trends")
        expect(page.locator("#records-margin")).to_contain_text("No curve is fitted", timeout=60_000)
        page.locator("#records-weeks-later").scroll_into_view_if_needed()  # pictures below are drawn when they are near
        page.wait_for_selector("#records-weeks svg.main-svg >> nth=0", timeout=60_000)
        accessible(page)


def test_threads_that_ask_at_once_review_once(shop: tuple[Shop, StorePlace, Does]) -> None:
    later: Future[Review] = Future()
    asked_for: list[object] = []

    def does(job: Callable[..., Review], *given: object) -> Future[Review]:
        asked_for.append(given[-1])
        return later

    reviewer = Reviewer(shop[0], shop[1], does)
    threads = [threading.Thread(target=reviewer.ask, args=(1,)) for _ in range(4)]
    for one in threads:
        one.start()
    for one in threads:
        one.join()
    assert asked_for == [1]
    later.set_result(shop[2].of)
    kept = opened(shop[1])
    assert kept.kept_review(kept.heat(1).id) is not None
    kept.close()
