"""The plan page in a real browser: by clicks, by keyboard, in both themes, with the server gone and back."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page, Route, expect

from browser import WAIT_MS, Watch, accessible, chromium, tab, watched
from command_line import ok
from dashboard.plan_words import answer
from dashboard.shop import DEMO_FOLDER, read_shop
from dashboard.units import Units
from dashboard.web.access import Access
from dashboard.web.plan_form import PlanForm, question_of
from dashboard.web.roles import LEAD
from dashboard.web.serve import PageServer
from dashboard.web.services import Services
from mold_meshes import limb, write_obj, write_ply, write_stl
from page_rig import PASSWORD, accounts_in, made, plain_services

NORTH = "plan?polymer=pp-homopolymer&oven=north&gauge_mm=6&set_c=190"


@pytest.fixture(autouse=True, scope="module")
def few_draws() -> Iterator[None]:
    """Some fifty plans are made for these pages: of fewer draws, in the pages and in what they are held beside."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("thermal.plan.DRAWS", 63)
        yield


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with chromium() as running:
        yield running


@pytest.fixture(scope="module")
def kept(browser: Browser) -> Iterator[tuple[Page, Watch]]:
    with tab(browser) as both:
        yield both


@pytest.fixture
def page(kept: tuple[Page, Watch]) -> Iterator[Page]:
    """The file's one page, without what an earlier test chose; it must have done nothing that a page must not."""
    page, watch = kept
    page.context.clear_cookies()
    yield page
    page.goto("about:blank")  # nothing of this test's page goes on in the next one
    faults, watch.faults = watch.faults, []
    assert faults == [], faults


@pytest.fixture(scope="module")
def services() -> Services:
    return plain_services()


@pytest.fixture(scope="module")
def url(services: Services) -> Iterator[str]:
    with PageServer(services, Access(port=0)) as server:
        yield server.url


def opened(page: Page, address: str) -> Page:
    """The plan page, answered."""
    page.goto(address)
    page.wait_for_selector("#plan-results:not(.waiting)")
    return page


def shows(page: Page, services: Services, form: PlanForm, units: Units | None = None) -> None:
    """Assert that the page comes to show the answer to a form."""
    plan = services.planner.planned(question_of(form, services.shop, services.today())).plan
    for row in answer(plan, units or Units()):
        expect(page.locator("#plan-answer")).to_contain_text(row.label)
        expect(page.locator("#plan-answer")).to_contain_text(row.value, ignore_case=True)


def test_a_heat_is_planned_by_clicks(page: Page, url: str, services: Services) -> None:
    opened(page, url)
    page.get_by_text("North", exact=True).click()
    expect(page.locator("#plan-form .readout").first).to_have_text("185 °C")
    shows(page, services, PlanForm("pp-homopolymer", "north", 6.0, 185.0))
    page.select_option("#plan-polymer-list", "hdpe")
    shows(page, services, PlanForm("hdpe", "north", 6.0, 185.0))
    page.get_by_role("button", name="Gauge: less").click()
    page.get_by_role("button", name="Set temperature: more").click()
    shows(page, services, PlanForm("hdpe", "north", 5.5, 186.0))
    page.get_by_label("Opening across, mm").fill("300")
    page.get_by_label("Drop wanted, mm").fill("60")
    shows(page, services, PlanForm("hdpe", "north", 5.5, 186.0, opening_mm=300.0, drop_mm=60.0))
    page.get_by_text("on a tray", exact=True).click()
    expect(page.locator("#plan-bubble")).not_to_be_visible()
    shows(page, services, PlanForm("hdpe", "north", 5.5, 186.0, support="tray"))
    page.get_by_text("Settings sheet to print").click()
    expect(page.locator(".pull .big")).to_be_visible()
    expect(page.locator("h1")).to_contain_text("lying on a tray")


def test_a_heat_is_planned_by_keyboard_alone(page: Page, url: str, services: Services) -> None:
    opened(page, url + NORTH)
    page.keyboard.press("Tab")
    expect(page.get_by_text("Skip to the content")).to_be_focused()
    expect(page.get_by_text("Skip to the content")).to_be_in_viewport()
    page.keyboard.press("Enter")
    expect(page.locator("#content")).to_be_focused()
    page.keyboard.press("Tab")  # the settings sheet
    page.keyboard.press("Tab")  # on to the part
    page.keyboard.press("Tab")
    expect(page.locator("#plan-polymer-list")).to_be_focused()
    for _ in range(3):
        page.keyboard.press("Tab")
    expect(page.get_by_role("button", name="South")).to_be_focused()
    page.keyboard.press("Enter")
    expect(page.get_by_role("button", name="South")).to_have_attribute("aria-pressed", "true")
    shows(page, services, PlanForm("pp-homopolymer", "south", 6.0, 165.0))
    page.keyboard.press("Shift+Tab")
    page.keyboard.press("Space")
    shows(page, services, PlanForm("pp-homopolymer", "north", 6.0, 185.0))
    page.keyboard.press("Tab")
    page.keyboard.press("Tab")
    page.keyboard.press("Tab")
    expect(page.locator("#plan-set_c-slider")).to_be_focused()
    for key in ("PageUp", "ArrowRight", "ArrowDown", "ArrowLeft"):
        page.keyboard.press(key)
    expect(page.locator("#plan-form .readout").first).to_have_text("189 °C")
    page.keyboard.press("Tab")
    expect(page.get_by_role("button", name="Set temperature: more")).to_be_focused()
    page.keyboard.press("Space")
    expect(page.locator("#plan-form .readout").first).to_have_text("190 °C")
    page.keyboard.press("Tab")
    page.keyboard.press("Tab")
    expect(page.locator("#plan-gauge_mm-slider")).to_be_focused()
    page.keyboard.press("ArrowRight")
    expect(page.locator("#plan-form .readout").nth(1)).to_have_text("6.5 mm")
    shows(page, services, PlanForm("pp-homopolymer", "north", 6.5, 190.0))


def test_plans_follow_the_hand_and_the_address_keeps_them(page: Page, url: str, services: Services) -> None:
    """A slider is dragged, a button pressed; what changes is said aloud; units and theme are kept with the plan."""
    opened(page, url + NORTH)
    said = page.locator("#said")
    expect(said).to_contain_text("Ready from")
    assert said.get_attribute("aria-live") == "polite"
    before = said.text_content()
    slider = page.locator("#plan-set_c-slider")
    box = slider.bounding_box()
    assert box is not None
    middle = box["y"] + box["height"] / 2.0
    page.mouse.move(box["x"] + box["width"] * 0.5, middle)
    page.mouse.down()
    page.mouse.move(box["x"] + box["width"] * 0.9, middle, steps=12)
    readout = page.locator("#plan-form .readout").first
    expect(readout).not_to_have_text("190 °C")
    page.mouse.up()
    value = float(slider.input_value())
    assert 230.0 < value < 280.0
    assert value == round(value), "a slider stops at whole steps"
    expect(readout).to_have_text(f"{value:.0f} °C")
    shows(page, services, PlanForm("pp-homopolymer", "north", 6.0, value))
    expect(said).not_to_have_text(before or "")
    page.get_by_role("button", name="Gauge: more").click()
    wanted = PlanForm("pp-homopolymer", "north", 6.5, value)
    shows(page, services, wanted)
    expect(page).to_have_url(re.compile(r"gauge_mm=6\.5&"))
    light = page.evaluate("getComputedStyle(document.body).backgroundColor")
    page.get_by_role("button", name="Dark").click()
    dark = page.evaluate("getComputedStyle(document.body).backgroundColor")
    assert dark != light
    page.reload()
    page.wait_for_selector("#plan-results:not(.waiting)")
    shows(page, services, wanted)
    assert page.evaluate("getComputedStyle(document.body).backgroundColor") == dark
    page.wait_for_selector(".js-plotly-plot .xtick text")
    assert page.evaluate("getComputedStyle(document.querySelector('.js-plotly-plot .xtick text')).fill") == (
        page.evaluate("getComputedStyle(document.body).color")
    )
    page.get_by_role("button", name="°F in, US units").click()
    expect(page.get_by_role("button", name="°F in, US units")).to_have_attribute("aria-pressed", "true")
    page.wait_for_selector("#plan-results:not(.waiting)")
    shows(page, services, wanted, Units("us"))
    gauge = page.locator("#plan-form .readout").nth(1)
    expect(gauge).to_have_text("0.256 in 6.5 mm")
    page.get_by_role("button", name="Gauge: less").click()
    expect(gauge).to_have_text("7/32 in 5.6 mm")
    page.get_by_text("Settings sheet to print").click()
    expect(page.locator("h1")).to_contain_text(f"set to {1.8 * value + 32.0:.0f} °F")


#: A focus ring of at least 3 px, as outline or as shadow around a slider's thumb.
RING = """() => { const one = document.activeElement; const style = getComputedStyle(one);
    return [one.id || one.textContent || one.tagName, one.type === 'range' ||
        parseFloat(style.outlineWidth) >= 3 && style.outlineStyle !== 'none' ||
        parseFloat(getComputedStyle(one.parentElement).outlineWidth) >= 3]; }"""
SMALL = """() => [...document.querySelectorAll('button, select, input:not([type=radio]), a')]
    .filter(one => one.offsetParent && !one.classList.contains('skip'))
    .map(one => [one.textContent || one.id, one.getBoundingClientRect().height])
    .filter(([, height]) => height < 44)"""


def test_the_plan_page_in_all_sizes_and_with_every_answer(browser: Browser, url: str) -> None:
    """One page: curves whole (241 points each, the plan's), every stop of the keyboard seen, nothing cut off, all
    large enough for gloves, the answer in a phone's first screen; accessible with a window, without one, and refused.
    """
    with watched(browser, touch=True) as page:
        opened(page, url + NORTH + "&opening_mm=300&drop_mm=90")
        page.wait_for_selector("#plan-curve .scatterlayer .trace")
        counts = page.evaluate("document.querySelector('#plan-curve .js-plotly-plot').data.map(one => one.x.length)")
        assert counts == [241] * 5
        stops = []
        for _ in range(24):
            page.keyboard.press("Tab")
            stops.append(page.evaluate(RING))
        assert [name for name, seen in stops if not seen] == []
        accessible(page)
        for wide, high in ((390, 844), (1920, 1080), (1280, 800)):
            page.set_viewport_size({"width": wide, "height": high})
            page.evaluate("window.scrollTo(0, 0)")
            expect(page.locator("html")).to_have_js_property("scrollWidth", wide)
            assert page.evaluate(SMALL) == [], wide
            if wide == 390:
                expect(page.locator(".times")).to_be_in_viewport(ratio=1.0)
        for asked in ("set_c=150", "polymer=no-such"):
            opened(page, f"{url}plan?oven=north&{asked}")
            accessible(page)


def test_the_settings_sheet_is_accessible_and_fits_one_page(page: Page, url: str) -> None:
    page.goto(url + NORTH.replace("plan?", "plan/sheet?") + "&opening_mm=300&drop_mm=90")
    accessible(page, ["light"])  # it is paper
    assert page.pdf(prefer_css_page_size=True, format="A4").count(b"/Type /Page\n") == 1
    # The longest one, on the shorter paper.
    page.goto(NORTH.replace("plan?", f"{url}plan/sheet?") + "&opening_mm=300&drop_mm=90&clearance_mm=150")
    page.context.add_cookies([{"name": "pullcue_units", "value": "us", "url": url}])
    page.reload()
    assert page.pdf(prefer_css_page_size=True, format="Letter").count(b"/Type /Page\n") == 1


def test_an_answer_that_is_on_its_way_is_said(page: Page, url: str) -> None:
    opened(page, url + NORTH)
    held: list[Route] = []
    page.route("**/_dash-update-component*", lambda route: held.append(route))
    results = page.locator("#plan-results")
    for times in (1, 2):
        page.get_by_role("button", name="Gauge: more").click()
        expect(results).to_have_attribute("aria-busy", "true")
        for _ in range(WAIT_MS // 100):
            if len(held) >= times:
                break
            page.wait_for_timeout(100)
    held[0].continue_()  # of the settings before the last: it ends nothing
    page.wait_for_timeout(200)
    expect(results).to_have_attribute("aria-busy", "true")
    page.unroute("**/_dash-update-component*")  # what was held goes on
    expect(results).to_have_attribute("aria-busy", "false")


def test_files_of_a_plan_and_a_polymer_draw_themselves(page: Page, tmp_path: Path) -> None:
    ok("plan", "--polymer", "hdpe", "--gauge-mm", "4", "--oven", "north", "--opening-mm", "300", "--plot",
       str(tmp_path / "plan.html"))  # fmt: skip
    ok("polymers", "hdpe", "--plot", str(tmp_path / "polymer.html"))
    for name, panels in (("plan", 2), ("polymer", 3)):
        page.goto((tmp_path / f"{name}.html").as_uri())
        expect(page.locator(".cartesianlayer > .subplot")).to_have_count(panels)
        assert page.locator(".scatterlayer .trace").count() >= panels


def test_the_pages_for_signing_in_are_accessible(browser: Browser, tmp_path: Path) -> None:
    accounts = accounts_in(tmp_path)
    made(accounts, "Lea", LEAD)
    expected = ["the server responded with a status of 400"]
    with (
        PageServer(Services(read_shop(DEMO_FOLDER), accounts=accounts), Access(port=0)) as server,
        watched(browser, expected=expected) as page,
    ):
        page.goto(server.url)
        accessible(page)
        page.get_by_label("Name").fill("<img src=x onerror=alert(1)>")
        page.get_by_label("Password").fill("wrong")
        page.get_by_role("button", name="Sign in").click()
        expect(page.get_by_role("alert")).to_contain_text("do not belong together")
        accessible(page)
        page.get_by_text("Join with a code").click()
        accessible(page)
        page.goto(server.url)
        page.get_by_label("Name").fill("Lea")
        page.get_by_label("Password").fill(PASSWORD)
        page.get_by_role("button", name="Sign in").click()
        page.wait_for_selector("#plan-results:not(.waiting)")
        page.get_by_role("link", name="Lea").click()
        page.get_by_role("button", name="Make a code").click()
        expect(page.locator(".code")).to_be_visible()
        accessible(page)


def test_a_script_in_an_address_does_not_run(page: Page, url: str) -> None:
    evil = "%3Cimg%20src%3Dx%20onerror%3Dalert(1)%3E%3Cscript%3Ealert(1)%3C%2Fscript%3E"
    # What the plan refuses, all at once; what no form can be made of: each as values in test_plan_page.
    for asked in (f"polymer={evil}&support={evil}&colour={evil}", f"gauge_mm={evil}"):
        page.goto(f"{url}plan?oven=north&{asked}")
        expect(page.locator("main")).to_contain_text("expected")
        assert page.locator("main img[src=x]").count() == 0, asked
    page.wait_for_selector(".problem")
    accessible(page)


def test_a_lost_server_is_said_and_found_again(browser: Browser, services: Services) -> None:
    """Then another is started in its place unnoticed: the page's token is the former's, a fresh page mends that."""
    # Dash reads the body of an answer that is no JSON twice.
    expected = ["ERR_CONNECTION_REFUSED", "Failed to fetch", "Callback failed", "ERR_EMPTY_RESPONSE",
                "the server responded with a status of 400", "body stream already read"]  # fmt: skip
    former = PlanForm("pp-homopolymer", "north", 6.0, 190.0)
    with watched(browser, expected=expected) as page:
        with PageServer(services, Access(port=0)) as server:
            port = server.port
            opened(page, server.url + NORTH)
        page.get_by_role("button", name="Set temperature: more").click()
        expect(page.locator("#connection")).to_contain_text("No connection to Pullcue")
        size = page.evaluate("parseFloat(getComputedStyle(document.querySelector('#connection')).fontSize)")
        assert size >= page.evaluate("parseFloat(getComputedStyle(document.querySelector('h1')).fontSize)")
        with PageServer(services, Access(port=port)):
            expect(page.locator("#connection")).to_be_empty(timeout=WAIT_MS)
            page.wait_for_selector("#plan-results:not(.waiting)")
            shows(page, services, former)
        with PageServer(services, Access(port=port)):
            with page.expect_navigation():
                page.select_option("#plan-polymer-list", "hdpe")
            page.wait_for_selector("#plan-results:not(.waiting)")
            shows(page, services, former)
            page.select_option("#plan-polymer-list", "hdpe")
            shows(page, services, PlanForm("hdpe", "north", 6.0, 190.0))
            expect(page.locator("#connection")).to_be_empty()


# ---------------------------------------------------------------- from the mold to the part

GIRTHS = ((30, 210), (60, 255), (90, 280), (120, 296), (150, 310), (180, 330), (210, 345))


def worked_out(page: Page, words: str) -> None:
    expect(page.locator("#part-answer .answer")).to_contain_text(words, timeout=3 * WAIT_MS)


def file_of(page: Page, link: str) -> bytes:
    """What a link of the answer leads to, as the browser's own session gets it."""
    address = page.get_by_role("link", name=link).get_attribute("href")
    answer = page.request.get(page.url.split("/plan")[0] + str(address))
    assert answer.ok, answer.text()
    return answer.body()


def test_from_girths_typed_to_wall_blank_and_card(page: Page, url: str) -> None:
    """By keyboard: girths, the wall in numbers, the card; then the same mold draped, with its pattern, in the dark."""
    opened(page, url + "plan?polymer=hdpe&oven=north&gauge_mm=10&set_c=185")
    page.get_by_label("Level, row 1, mm").focus()
    for level, girth in GIRTHS:
        for number in (level, girth):
            page.keyboard.type(str(number))
            page.keyboard.press("Enter")
    page.get_by_label("Least wall, mm").fill("5")
    page.get_by_role("button", name="Work it out").click()
    worked_out(page, "Pull a bubble: Polyethylene, high density, 10.0\u00a0mm")
    expect(page.locator("#part-profile")).to_contain_text("thinnest 5.9")
    expect(page.locator("#said")).to_contain_text("Wall at its thinnest 5.9")
    expect(page.locator(".card.line")).to_contain_text("24 hours on the mold, the instruction that stands")
    card = file_of(page, "Work card to print")
    assert card.startswith(b"%PDF")
    assert card.count(b"/Type /Page\n") + card.count(b"/Type /Page ") == 1
    expect(page.locator("#part-old")).to_be_hidden()
    page.get_by_text("Equipment at hand").click()
    expect(page.get_by_label("Frames: free opening, mm")).to_have_value("250, 300, 300x400")
    accessible(page)
    page.get_by_role("button", name="Keep this for the workshop").click()
    expect(page.locator("#part-kept")).to_contain_text("The demo shop is read-only")
    page.get_by_label("Room below the frame, mm").last.fill("100")
    page.get_by_label("Frames: free opening, mm").fill("300x400")
    page.get_by_role("button", name="Work it out").click()
    # The bubble drops no further than there is room.
    worked_out(page, "80.0\u00a0mm, 38\u00a0% of the mold's length")
    expect(page).to_have_url(re.compile(r"frames=300x400&border_mm=25&rack_mm=100"))
    page.select_option("#plan-polymer-list", "pp-homopolymer")
    expect(page.locator("#part-old")).to_be_visible()
    page.get_by_label("Least wall, mm").fill("3")
    page.get_by_role("button", name="Work it out").click()
    worked_out(page, "Drape: Polypropylene, homopolymer, 4.0\u00a0mm")
    expect(page.locator("#part-old")).to_be_hidden()
    accessible(page, within="#part")
    assert file_of(page, "Pattern as PDF").startswith(b"%PDF")
    assert b"<svg" in file_of(page, "Pattern as SVG")
    expect(page).to_have_url(re.compile(r"level_mm=30\+60"))
    page.get_by_role("button", name="°F in, US units").click()
    expect(page.get_by_label("Girth, row 1, in")).to_have_value("8.268")
    worked_out(page, "Drape: Polypropylene, homopolymer, 0.157")


def test_bad_girths_and_files_are_answered_on_the_page(page: Page, url: str, tmp_path: Path) -> None:
    bad = tmp_path / "<img src=x onerror=alert(1)>.csv"
    bad.write_text("level_mm,girth_mm\n60,210\n30,255\n", encoding="utf-8")
    good = tmp_path / "limb.csv"
    good.write_text("level_in,girth_in\n1,8\n2,10\n", encoding="utf-8")
    opened(page, url + "plan?oven=north")
    page.get_by_label("Level, row 1, mm").fill("30")
    page.get_by_label("Girth, row 1, mm").fill("-210")
    page.get_by_label("Level, row 2, mm").fill("60")
    page.get_by_label("Girth, row 2, mm").fill("255")
    page.get_by_role("button", name="Work it out").click()
    worked_out(page, "girth -210\u00a0mm at level 30\u00a0mm: expected a number above 0")
    page.get_by_text("Or open a mold's file").click()
    accessible(page, within="#part")
    page.get_by_label("Mold's file").set_input_files(bad)
    expect(page.locator("#part-read")).to_contain_text("put them in order")
    assert page.locator("main img[src=x]").count() == 0
    page.get_by_label("Mold's file").set_input_files(good)
    expect(page.locator("#part-read")).to_contain_text("Read: limb, 2 levels")
    expect(page.get_by_label("Girth, row 2, mm")).to_have_value("254")
    for write, kind in ((write_stl, "stl"), (write_obj, "obj"), (write_ply, "ply")):
        page.get_by_label("Mold's file").set_input_files(write(tmp_path / f"scan.{kind}", *limb(closed=False)))
        expect(page.locator("#part-read")).to_contain_text("Read: scan, 13 levels")
        if kind != "ply":
            page.get_by_label("Mold's file").set_input_files(bad)
            expect(page.locator("#part-read")).to_contain_text("put them in order")
    page.locator("#part").get_by_text("bubble", exact=True).click()
    page.get_by_role("button", name="Work it out").click()
    expect(page.locator("#part-sectors .js-plotly-plot")).to_be_visible()
    accessible(page, within="#part")
