"""The page at the oven in a real browser: a whole heat by clicks, its sound, its curves, and what it says when
something is lost. The practice oven's clock runs fast to where something is to be done, and there it waits.
"""

from __future__ import annotations

import itertools
import re
import threading
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page, expect

from browser import WAIT_MS, accessible, chromium, watched
from calibration.cue import State
from dashboard.heat_curve import MOST, Curve
from dashboard.live_service import Aged
from dashboard.web.access import Access
from dashboard.web.serve import PageServer
from dashboard.web.services import Services
from logger.records import HeatFilter
from logger.store import open_store
from oven_rig import PacedClock, StillLive, after_the_pull, in_the_oven, live_practice, services_of, walk
from page_rig import plain_services

#: Of the clock, and up to when it runs so from when the sheet went in, s: while it heats, and when it is ready.
SPEED = 24.0
HEATING_S, READY_S = 40.0, 420.0
EVIL = "<img src=x onerror=alert(1)>"
BY = f"{EVIL} (initials typed, not signed in)"
COUNTS = """() => document.querySelector('#oven-curve .js-plotly-plot').data.filter(one => one.meta === 'grows')
    .map(one => one.x.length)"""
#: Whether the chart's legend lies over its lines.
OVERLAID = """[".legend", ".gridlayer"]
    .map(part => document.querySelector(`#oven-curve ${part}`).getBoundingClientRect())
    .reduce((legend, grid) => legend.bottom > grid.top + 2)"""
#: Whether the chart is as wide as its place.
FOLLOWED = """(() => { const plot = document.querySelector("#oven-curve .js-plotly-plot");
    return Math.abs(plot.querySelector(".main-svg").getBoundingClientRect().width - plot.clientWidth) < 2; })()"""
#: Which words stand in the largest type of the page.
LARGEST = """() => { const size = one => parseFloat(getComputedStyle(one).fontSize);
    const seen = [...document.querySelectorAll('body *')].filter(one => one.offsetParent &&
        [...one.childNodes].some(part => part.nodeType === 3 && part.data.trim()));
    const largest = Math.max(...seen.map(size));
    return seen.filter(one => size(one) === largest).map(one => one.id); }"""
#: A page that shows what stands still does not become 'not live' where a computer is slow for some seconds.
PATIENT = "Object.assign(window.pullcue_oven, { patience_ms: 1e8, lost_ms: 1e8 })"
#: It gives up what it waits for at its next look, within half a second.
GIVES_UP = "window.pullcue_oven.lost_ms = 0"
#: Each number that stands beside 'not live' is written down, until `unwatch`.
WATCH_THE_NUMBER = """() => { const text = id => document.getElementById(id).textContent, beside = [];
    const look = () => text("oven-word") === "not live" && text("oven-count") && beside.push(text("oven-count"));
    const watcher = new MutationObserver(look);
    watcher.observe(document.body, { childList: true, characterData: true, subtree: true });
    window.unwatch = () => { watcher.disconnect(); return beside; }; }"""
#: What the browser itself logs of a server that is gone or takes too long.
GONE = (
    "ERR_CONNECTION_REFUSED", "Failed to fetch", "ERR_EMPTY_RESPONSE", "ERR_CONNECTION_RESET", "ERR_FAILED",
    "ERR_INTERNET_DISCONNECTED", "Callback failed",
)  # fmt: skip


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with chromium() as running:
        yield running


@pytest.fixture(scope="module")
def looks() -> dict[str, Aged]:
    """A sheet before it goes in, at five minutes, and after the pull, as they stood."""
    return {"before": walk(start_s=1e9).to(20.0)[-1], "in": in_the_oven(), "out": after_the_pull()}


def still(looks: dict[str, Aged], *names: str) -> Services:
    live = StillLive({name: looks[name] for name in names})
    return replace(plain_services(), live=live)


@pytest.fixture(scope="module")
def benches(browser: Browser, looks: dict[str, Aged]) -> Iterator[tuple[Page, StillLive]]:
    """One page for many tests, with a bench before, in and after a heat; opened once, at all three."""
    services = still(looks, *looks)
    assert isinstance(services.live, StillLive)
    with PageServer(services, Access(port=0)) as server, watched(browser, touch=True) as page:
        page.goto(server.url + "oven")
        yield page, services.live


@pytest.fixture
def heating(benches: tuple[Page, StillLive], looks: dict[str, Aged]) -> tuple[Page, StillLive]:
    """That page at the bench whose sheet is in."""
    page, live = benches
    live.looks["in"] = looks["in"]
    if not page.url.endswith("bench=in"):
        page.goto(page.url.split("oven")[0] + "oven?bench=in")
        page.wait_for_selector("[data-oven]")
    page.evaluate(PATIENT)
    expect(page.locator("#oven-word")).to_have_text("heating")
    page.wait_for_selector("#oven-curve .scatterlayer .trace")
    return page, live


def holds(page: Page, condition: str) -> None:
    """Wait until a condition is true; the page's rules let none run in it by itself."""
    for _ in range(WAIT_MS // 100):
        if page.evaluate(condition):
            return
        page.wait_for_timeout(100)
    raise AssertionError(condition)


def has_points(page: Page, count: int) -> None:
    """Wait until every line that grows has so many points; the page's rules let no condition run in it by itself."""
    for _ in range(WAIT_MS // 100):
        if set(page.evaluate(COUNTS)) == {count}:
            return
        page.wait_for_timeout(100)
    raise AssertionError((page.evaluate(COUNTS), count))


def test_a_whole_heat_from_plan_to_outcome_by_clicks(browser: Browser, tmp_path: Path) -> None:
    """Whoever does it types a script into every field: it is kept and shown as it is, and never runs."""
    clock = PacedClock(SPEED)
    with (
        live_practice(tmp_path, SPEED, clock=clock) as live,
        PageServer(services_of(live), Access(port=0)) as server,
        watched(browser) as page,
    ):
        page.goto(f"{server.url}plan?polymer=hdpe&oven=north&gauge_mm=3&set_c=200&opening_mm=300")
        page.wait_for_selector("#plan-results:not(.waiting)")
        page.get_by_role("link", name="Take it to the oven").click()
        page.wait_for_selector(".one[data-live=true]")
        expect(page.locator("#oven-cue")).to_have_attribute("data-key", "no-sheet")
        expect(page.locator("#oven-gauge_mm")).to_have_value("3")
        expect(page.locator("#oven-set_c")).to_have_value("200")
        expect(page.locator("#oven-opening_mm")).to_have_value("300")

        sound = page.locator("#oven-sound")
        expect(sound).to_have_text("Sound is off: turn it on")
        sound.click()
        expect(sound).to_have_attribute("data-sound", "on")
        for label in ("Your initials", "Label (lot)", "Job number", "Anything else"):
            page.get_by_label(label).fill(EVIL)
        start = page.locator("#oven-start")
        start.click()
        expect(page.locator("#oven-toast")).to_contain_text("Not checked: Sheet undamaged")
        for words in (
            "Sheet undamaged",
            "Label kept",
            "Film off, both sides",
            "Frame locked",
            "Room to drop, way clear",
        ):
            page.get_by_role("button", name=words).click()
        expect(start).to_have_text("Sheet is in: start")  # nothing is left to warn of
        expect(page.locator("#oven-toast")).to_be_empty()
        start.click()
        page.wait_for_selector(".one[data-phase=in]")
        in_s = clock.monotonic_s()
        clock.fast_until(in_s + HEATING_S)
        # Until it is ready there are two and a half minutes now for the first estimate.
        expect(page.locator("#oven-cue")).to_have_attribute("data-key", "heating", timeout=2 * WAIT_MS)
        expect(page.locator("#oven-count")).to_have_text(re.compile(r"^\d+:\d\d$"))
        expect(page.locator("#oven-word")).to_have_text("heating")

        expect(page.locator("#oven-at")).to_have_text(re.compile(r"^(0:[3-5]\d|[1-9]\d*:\d\d)$"))
        page.get_by_role("button", name="20 s ago").click()
        page.get_by_role("button", name="Clear through").click()
        expect(page.locator("#oven-marked li").first).to_contain_text(f"clear through, {BY}")
        expect(page.get_by_role("button", name="just now")).to_have_attribute("aria-pressed", "true")
        page.get_by_role("button", name="Take back: clear through").click()
        expect(page.locator("#oven-marked")).not_to_contain_text("clear through")

        clock.fast_until(in_s + READY_S)
        pull = re.compile("pull-now|last-chance|too-late")
        expect(page.locator("#oven-cue")).to_have_attribute("data-key", pull)
        page.get_by_role("button", name="Pulled", exact=True).click()
        page.wait_for_selector(".one[data-phase=out]")
        expect(page.locator("#oven-judged")).to_contain_text(re.compile("RIGHT|EARLY|LATE"))
        expect(page.locator("#oven-judged")).to_contain_text("The true window opened at")
        assert "core, the truth" in page.evaluate(
            "document.querySelector('#oven-curve .js-plotly-plot').data.map(one => one.name)"
        )
        page.get_by_role("button", name="On the mold").click()
        expect(page.locator("#oven-marked li").first).to_contain_text("on mold")
        page.get_by_label("If it failed").fill(EVIL)
        page.locator("[data-outcome]").last.click()
        expect(page.locator("#oven-outcome")).to_contain_text(f"{EVIL}, by {BY}.")
        page.get_by_label("If it failed").fill("")
        page.get_by_role("button", name="Accepted").click()
        expect(page.locator("#oven-outcome")).to_have_text(f"Kept: accepted, by {BY}.")

        played = (sound.get_attribute("data-played") or "").split()
        assert "heating" in played
        # 'getting close' may be over before a look has come, at this pace.
        assert {"pull-now", "last-chance", "too-late"} & set(played)
        sound.click()
        expect(sound).to_have_text("Muted: turn the sound on")
        page.reload()
        expect(page.locator("#oven-marked")).to_contain_text(EVIL)
        expect(page.locator("#oven-outcome")).to_contain_text(EVIL)
        assert page.locator("main img").count() == 0
    store = open_store(f"sqlite:///{tmp_path / 'pullcue.sqlite'}")
    (heat,) = store.heats(HeatFilter())
    marks = store.marks(heat.bench, heat.run)
    store.close()
    assert (heat.state, heat.outcome, heat.form.job_number) == ("finished", "accepted", EVIL)
    assert heat.form.checks["film_off"]
    assert heat.form.plan_json
    said = {mark.name: mark.by for mark in marks if mark.name in ("start", "pulled", "on_mold", "clear_through")}
    assert set(said.values()) == {BY}
    assert len(said) == 4


def test_all_benches_and_each_state_of_one_are_accessible(benches: tuple[Page, StillLive]) -> None:
    page, _ = benches
    if "?" in page.url:
        page.goto(page.url.split("?")[0])
    expect(page.locator("[data-tile=in] .word")).to_have_text("heating")
    expect(page.locator("[data-tile=before] .word")).to_have_text("no sheet in")
    accessible(page)
    for name in ("before", "out", "in"):
        if name == "before":
            page.locator(f"[data-tile={name}]").click()
        else:
            page.goto(page.url.replace("bench=before", f"bench={name}").replace("bench=out", f"bench={name}"))
        page.wait_for_selector(".one[data-live=true]")
        if name != "before":
            # A line of which only a point is there yet has no size.
            page.wait_for_selector("#oven-curve .scatterlayer .trace", state="attached")
        accessible(page)


def test_sounds_are_those_of_the_program(heating: tuple[Page, StillLive]) -> None:
    """Each state's tones as the browser schedules them, by a spy in place of its oscillators."""
    spy = """() => { window.tones = []; const make = AudioContext.prototype.createOscillator;
        AudioContext.prototype.createOscillator = function () { const one = make.call(this);
            window.tones.push(one); return one; }; }"""
    page, _ = heating
    page.evaluate(spy)
    page.locator("#oven-sound").click()
    expect(page.locator("#oven-sound")).to_have_attribute("data-sound", "on")
    assert page.evaluate("window.tones.map(one => one.frequency.value)") == [500]
    page.evaluate("window.tones.length = 0, window.pullcue_oven.listeners.forEach(one => one('pull-now'))")
    assert page.evaluate("window.tones.map(one => one.frequency.value)") == [700, 900, 1200]
    page.locator("#oven-sound").click()
    page.evaluate("window.tones.length = 0, window.pullcue_oven.listeners.forEach(one => one('too-late'))")
    assert page.evaluate("window.tones.length") == 0, "muted"


def test_the_cue_is_large_and_nothing_is_cut_off(heating: tuple[Page, StillLive]) -> None:
    """Letters of 20 minutes of arc are read at ease (ISO 9241-303, recalled): 17 mm at three metres.

    On a screen of 0.27 mm a pixel (24 inches, 1920 across) that is 65 pixels of a capital's height, which is 0.67 of
    this type's size.
    """
    page, _ = heating
    size_of = "id => parseFloat(getComputedStyle(document.getElementById(id)).fontSize)"
    for wide, high in ((390, 844), (1920, 1080), (1280, 800)):
        page.set_viewport_size({"width": wide, "height": high})
        page.evaluate("window.scrollTo(0, 0)")
        # The curve follows the window a moment later.
        expect(page.locator("html")).to_have_js_property("scrollWidth", wide)
        largest = min(page.evaluate(size_of, "oven-word"), page.evaluate(size_of, "oven-count"))
        assert wide < 1000 or largest * 0.67 > 65, wide
        expect(page.locator("#oven-word")).to_be_in_viewport(ratio=1.0)
        expect(page.locator("#oven-count")).to_be_in_viewport(ratio=1.0)
        small = page.evaluate(
            """() => [...document.querySelectorAll('button, select, input, a, summary')]
                .filter(one => one.offsetParent && !one.classList.contains('skip'))
                .map(one => [one.textContent || one.id, one.getBoundingClientRect().height])
                .filter(([, height]) => height < 48)"""
        )
        assert small == [], wide
        holds(page, FOLLOWED)
        holds(page, f"!({OVERLAID})")


def test_the_next_mark_is_in_sight_whatever_is_wrong(heating: tuple[Page, StillLive], looks: dict[str, Aged]) -> None:
    """At the pull and on the way to the mold nobody scrolls; a sensor's trouble stands below the cue then."""
    page, live = heating
    told = looks["in"].look.told
    assert told is not None
    broken = (("face_upper_c", "open circuit"),)
    pull = replace(looks["in"].look, told=replace(told, state=State.PULL), troubles=broken)
    for wide, high in ((390, 844), (1280, 800)):
        page.set_viewport_size({"width": wide, "height": high})
        page.evaluate("scrollTo(0, 0)")
        live.looks["in"] = Aged(pull, 0.0)
        expect(page.locator("#oven-cue")).to_have_attribute("data-key", "pull-now")
        expect(page.locator("#oven-loud")).to_have_text("Upper face: open circuit")
        expect(page.locator("[data-mark=pulled]")).to_be_in_viewport(ratio=1.0)
        assert page.evaluate("document.querySelector('#oven-loud').getBoundingClientRect().top > "
                             "document.querySelector('#oven-todo').getBoundingClientRect().bottom")  # fmt: skip
        live.looks["in"] = looks["out"]
        expect(page.locator("#oven-cue")).to_have_attribute("data-key", "carry")
        expect(page.locator("[data-mark=on_mold]")).to_be_in_viewport(ratio=1.0)
    live.looks["in"] = looks["in"]
    expect(page.locator("#oven-cue")).to_have_attribute("data-key", "heating")


def test_a_heat_that_was_cut_off_is_gone_on_with_by_a_click(
    heating: tuple[Page, StillLive], looks: dict[str, Aged]
) -> None:
    page, live = heating
    ways = page.locator("#oven-cut")
    expect(ways).to_be_hidden()
    live.looks["in"] = Aged(replace(looks["before"].look, cut_off_s=72.0), 0.0)
    expect(page.locator("#oven-word")).to_have_text("sheet still in?")
    expect(page.locator("#oven-count")).to_have_text("1:12")
    accessible(page, ("light",), "#oven-cut")
    for words, asked in (("Go on with it", "start"), ("It is out", "forget")):
        page.get_by_role("button", name=words).click()
        expect(page.locator("#oven-toast")).to_contain_text("goes on" if asked == "start" else "No sheet is in")
        assert live.asked("in").pop()[0] == asked
    live.looks["in"] = looks["in"]
    expect(ways).to_be_hidden()


def test_a_heat_is_marked_by_keyboard_alone(heating: tuple[Page, StillLive]) -> None:
    page, live = heating
    for _ in range(40):
        page.keyboard.press("Tab")
        if page.evaluate("document.activeElement.dataset.mark") == "pulled":
            break
    page.keyboard.press("Enter")
    expect(page.locator("#oven-toast")).to_have_text("Marked: pulled.")
    assert [one[0] for one in live.asked("in")] == ["pulled"]


def test_in_a_heat_the_marks_come_before_the_form_by_tab(heating: tuple[Page, StillLive]) -> None:
    page, _ = heating
    ids = page.evaluate(
        "[...document.querySelectorAll('main button, main summary')].filter(one => one.offsetParent)"
        ".map(one => one.dataset.mark || one.id)"
    )
    assert ids.index("start") < ids.index("oven-form-title")


def test_entries_of_one_sheet_do_not_stand_for_the_next(
    heating: tuple[Page, StillLive], looks: dict[str, Aged]
) -> None:
    page, live = heating
    summary, job, label = (page.locator(f"#oven-{name}") for name in ("form-title", "job_number", "sheet_label"))
    summary.click()
    job.fill("4711")
    label.fill("lot 12")
    page.locator("#oven-fill").click()
    expect(page.locator("#oven-toast")).to_contain_text("The form is filled in.")
    label.fill("lot 13")  # of the next sheet already: nobody has kept it
    live.looks["in"] = replace(looks["out"], look=replace(looks["out"].look, open=False))
    expect(job).to_have_value("")
    expect(label).to_have_value("lot 13")
    expect(page.locator("#oven-gauge_mm")).not_to_have_value("")
    live.looks["in"] = looks["in"]


def test_a_script_as_an_oven_is_only_text(heating: tuple[Page, StillLive], looks: dict[str, Aged]) -> None:
    page, live = heating
    look = looks["in"].look
    assert look.followed is not None
    case = look.followed.case
    evil = replace(look.followed, case=replace(case, oven=replace(case.oven, id=EVIL)))
    live.looks["in"] = Aged(replace(look, oven=EVIL, followed=evil), 0.1)
    expect(page.locator("#oven-title")).to_contain_text(EVIL)
    assert page.locator("main img").count() == 0
    live.looks["in"] = looks["in"]


def test_names_of_levels_in_the_drop_do_not_lie_on_each_other(
    heating: tuple[Page, StillLive], looks: dict[str, Aged]
) -> None:
    page, live = heating
    look = looks["in"].look
    assert look.followed is not None
    near = {"line_1": 60.0, "line_2": 63.0, "line_3": 66.0}
    live.looks["in"] = Aged(replace(look, followed=replace(look.followed, line_mm=near)), 0.1)
    expect(page.locator("#oven-sag line")).to_have_count(3)
    names = page.evaluate(
        "[...document.querySelectorAll('#oven-sag text')].map(one => one.getBoundingClientRect()).map(one =>"
        " [one.left, one.right, one.top, one.bottom])"
    )
    assert len(names) == 2, "of the third the line alone"
    for one, other in itertools.combinations(names, 2):
        assert one[1] <= other[0] or other[1] <= one[0] or one[3] <= other[2] or other[3] <= one[2]
    live.looks["in"] = looks["in"]


def test_changes_are_said_aloud(heating: tuple[Page, StillLive], looks: dict[str, Aged]) -> None:
    page, live = heating
    expect(page.locator("#said")).to_contain_text("Heating. Likely ready in")
    live.looks["in"] = Aged(replace(looks["in"].look, failure="The recorder has stopped: disk full"), 0.1)
    expect(page.locator("#oven-cried")).to_contain_text("Not live")
    expect(page.locator("#oven-why")).to_have_text("The recorder has stopped: disk full.")
    expect(page.locator("#oven-count")).to_have_text("")
    expect(page.locator("#oven-at")).to_have_text("")
    assert page.evaluate(LARGEST) == ["oven-word"]
    live.looks["in"] = Aged(replace(looks["in"].look, silent_s=61.0), 0.1)
    expect(page.locator("#oven-stale")).to_have_text("No readings for 1:01")
    expect(page.locator("#oven-loud")).to_have_text("What is shown is computed on from before")
    assert page.evaluate(LARGEST) == ["oven-stale"]
    live.looks["in"] = looks["in"]
    expect(page.locator("#oven-word")).to_have_text("heating")


def test_an_answer_that_comes_late_leaves_no_number_beside_not_live(
    heating: tuple[Page, StillLive], monkeypatch: pytest.MonkeyPatch
) -> None:
    """It was asked for before the page gave up, so it leaves out the cue that the page no longer shows."""
    page, live = heating
    page.evaluate(WATCH_THE_NUMBER)
    late, asked, answered = live.look, threading.Event(), threading.Event()

    def look(id: str) -> Aged:
        asked.set()
        answered.wait(WAIT_MS / 1000)
        return late(id)

    monkeypatch.setattr(live, "look", look)
    assert asked.wait(WAIT_MS / 1000)
    page.evaluate(GIVES_UP)
    expect(page.locator("#oven-word")).to_have_text("not live")
    page.evaluate(PATIENT)
    answered.set()
    expect(page.locator("#oven-word")).to_have_text("heating")
    expect(page.locator("#oven-count")).to_have_text(re.compile(r"^\d+:\d\d$"))
    assert page.evaluate("window.unwatch()") == []


def test_scrolled_down_the_cue_stays_in_sight(heating: tuple[Page, StillLive], looks: dict[str, Aged]) -> None:
    page, live = heating
    strip = page.locator("#oven-strip")
    page.evaluate("scrollTo(0, 0)")
    expect(strip).to_be_hidden()
    page.locator("#oven-marked").scroll_into_view_if_needed()
    page.evaluate("scrollTo(0, document.body.scrollHeight)")
    expect(strip).to_be_visible()
    expect(page.locator("#oven-strip-word")).to_have_text("heating")
    assert page.locator("#oven-strip-count").inner_text() == page.locator("#oven-count").text_content()
    live.looks["in"] = Aged(replace(looks["in"].look, failure="The recorder has stopped: disk full"), 0.1)
    expect(page.locator("#oven-strip-word")).to_have_text("not live")
    expect(page.locator("#oven-strip-count")).to_have_text("")
    live.looks["in"] = looks["in"]
    page.evaluate("scrollTo(0, 0)")
    expect(strip).to_be_hidden()


def test_a_network_that_drops_and_a_recorder_started_anew_are_said_and_found_again(
    browser: Browser, looks: dict[str, Aged]
) -> None:
    """Nothing is answered; then nothing gets through; then the recorder ends, and another begins in its place."""

    def not_live(page: Page) -> None:
        expect(page.locator("#oven-word")).to_have_text("not live")
        expect(page.locator("#oven-count")).to_have_text("")
        expect(page.locator("#oven-table")).to_have_text("")
        expect(page.locator("#connection")).to_contain_text("No connection to Pullcue")

    with watched(browser, expected=[*GONE, "signal is aborted", "status of 400"]) as page:
        with PageServer(still(looks, "in"), Access(port=0)) as server:
            port = server.port
            page.goto(server.url + "oven")
            expect(page.locator("#oven-word")).to_have_text("heating")
            page.route("**/oven/live*", lambda route: None)  # sent, and nothing ever comes back
            page.route("**/icon.svg*", lambda route: route.abort())
            not_live(page)
            page.unroute("**/oven/live*")
            page.unroute("**/icon.svg*")
            expect(page.locator("#oven-word")).to_have_text("heating")
            expect(page.locator("#oven-sag svg")).to_be_visible()
            expect(page.locator("#connection")).to_be_empty()
            page.context.set_offline(True)
            not_live(page)
            page.get_by_role("button", name="Pulled", exact=True).click()
            expect(page.locator("#oven-toast")).to_contain_text("Not kept: pulled at")
            page.context.set_offline(False)
            expect(page.locator("#oven-word")).to_have_text("heating")
            expect(page.locator("#connection")).to_be_empty()
        not_live(page)
        with PageServer(still(looks, "out"), Access(port=port)):
            expect(page.locator("#oven-cue")).to_have_attribute("data-key", re.compile("carry|too-cold"))
            expect(page.locator("#connection")).to_be_empty()
            page.get_by_role("button", name="On the mold").click()
            expect(page.locator("#oven-toast")).to_have_text("Marked: on mold.")
            # A page whose token counts no more: it is loaded anew, and says what was not kept.
            page.evaluate("sessionStorage.removeItem('pullcue_mended')")
            page.context.clear_cookies()
            with page.expect_navigation():
                page.get_by_role("button", name="Vacuum on").click()
            expect(page.locator("#oven-toast")).to_contain_text("Not kept: vacuum on at")
            expect(page.locator("#oven-toast")).to_contain_text("loaded anew. Do it again")
            page.get_by_role("button", name="Vacuum on").click()
            expect(page.locator("#oven-toast")).to_have_text("Marked: vacuum on.")


def test_an_hour_of_a_heat_is_drawn_in_few_points_and_none_is_lost(
    heating: tuple[Page, StillLive], looks: dict[str, Aged]
) -> None:
    page, live = heating
    look = looks["in"].look
    assert look.curve is not None
    assert look.heat is not None
    row = look.curve.rows[-1]
    curve = Curve(look.heat.id)

    def go_on(looks_more: int) -> None:
        nonlocal curve
        for _ in range(looks_more):
            curve = curve.with_row((60.0 + curve.looks, *row[1:]))
        live.looks["in"] = Aged(replace(look, curve=curve), 0.1)

    go_on(500)
    page.reload()
    page.wait_for_selector("#oven-curve .scatterlayer .trace")
    for more in (200, 190, 30, 880, 1800, 5):
        go_on(more)
        has_points(page, len(curve.rows))
    counts = page.evaluate(COUNTS)
    assert curve.looks == 3605
    assert set(counts) == {len(curve.rows)}
    assert len(curve.rows) <= MOST
    minutes = page.evaluate("document.querySelector('#oven-curve .js-plotly-plot').data[0].x")
    assert minutes == pytest.approx([(one[0] - 60.0) / 60.0 for one in curve.rows if one[0] is not None], abs=1e-3)
