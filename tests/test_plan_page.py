"""The plan page without a browser: the same answer as the command's, and a sentence for whatever is wrong."""

from __future__ import annotations

import json
import re
import threading
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from html import unescape
from typing import Any
from urllib.parse import parse_qsl, quote

import numpy as np
import pytest
from dash import no_update

from dashboard.plan_settings import by_the_clock, watch_words
from dashboard.plan_words import answer
from dashboard.units import Units
from dashboard.web.app import make_app
from dashboard.web.plan_controls import FIELDS, form_from
from dashboard.web.plan_figure import curve_figure, map_figure
from dashboard.web.plan_form import PlanForm, first_form, form_of_query, query_of, question_of
from dashboard.web.plan_page import card_setting, outputs
from dashboard.web.planner import Planned, Planner
from dashboard.web.services import Services
from dashboard.web.shown_values import length_mm, shown_length, shown_temperature, temperature_c
from page_rig import Visitor, plain_services, shell_call
from thermal.fields import InputError
from thermal.plan import Plan
from thermal.plan import plan as plan_heat

METRIC, US = Units(), Units("us")
FORM = PlanForm("pp-homopolymer", "north", 6.0, 190.0)
BUBBLE = replace(FORM, opening_mm=300.0, drop_mm=90.0, clearance_mm=150.0)


@pytest.fixture(scope="module")
def services() -> Services:
    return plain_services()


def values(form: PlanForm, units: Units = METRIC) -> dict[str, Any]:
    """The form's fields as the browser sends them."""
    found: dict[str, Any] = {}
    for name in FIELDS:
        value = getattr(form, name)
        if name.endswith("_mm"):
            value = shown_length(value, units)
        elif name.endswith("_c"):
            value = shown_temperature(value, units)
        found[name] = value
    return found


def planned(services: Services, form: PlanForm) -> Planned:
    return services.planner.planned(question_of(form, services.shop, services.today()))


def said_in(content: object) -> str:
    """All words of a component, as a reader gets them."""
    words: list[str] = []

    def walk(part: Any) -> None:
        if isinstance(part, str):
            words.append(part)
        elif isinstance(part, list | tuple):
            for one in part:
                walk(one)
        elif part is not None and hasattr(part, "children"):
            walk(part.children)

    walk(content)
    return " ".join(words).replace("\u00a0", " ")


def test_the_page_answers_as_the_model_does(services: Services) -> None:
    shown = outputs(services, values(FORM), METRIC)
    direct = plan_heat(question_of(FORM, services.shop, services.today()).case, room_c=services.shop.room_c)
    words = said_in(shown["answer"])
    for row in answer(direct, METRIC):
        assert row.label in words
        assert row.value in words
    assert shown["said"].replace("\u00a0", " ").startswith("Ready from")


def test_us_units_ask_the_same_question(services: Services) -> None:
    assert form_from(values(BUBBLE, US), US).gauge_mm == pytest.approx(6.0, abs=1e-2)
    words = said_in(outputs(services, values(BUBBLE, US), US)["answer"])
    assert "°F" in words
    assert "°C" not in words


@pytest.mark.parametrize("units", [METRIC, US], ids=["metric", "us"])
def test_shown_values_come_back(units: Units) -> None:
    """Fields round to 1/100 mm or 1/10000 in (0.0025 mm), and to 1/100 degree."""
    for value in (0.79375, 6.0, 300.0, 1234.56):
        assert length_mm(shown_length(value, units), units) == pytest.approx(value, abs=6e-3)
    for value in (-20.0, 22.0, 185.0):
        assert temperature_c(shown_temperature(value, units), units) == pytest.approx(value, abs=6e-3)
    assert length_mm(None, units) is None
    assert temperature_c(shown_temperature(None, units), units) is None


def test_an_address_holds_the_whole_form(services: Services) -> None:
    full = replace(BUBBLE, other_side_mm=200.0, colour="pigmented", start_c=20.0, room_c=25.5)
    assert form_of_query(dict(parse_qsl(query_of(full))), services.shop) == full
    assert query_of(FORM) == "polymer=pp-homopolymer&oven=north&gauge_mm=6&set_c=190&support=frame&colour=natural"


def test_an_address_without_a_setting_takes_the_ovens(services: Services) -> None:
    assert form_of_query({"oven": "south"}, services.shop).set_c == services.shop.oven("south").set_c == 165.0
    assert form_of_query({}, services.shop) == first_form(services.shop)


def test_another_oven_brings_its_own_setting(services: Services) -> None:
    assert card_setting(services, "south", METRIC) == 165.0
    assert card_setting(services, "south", US) == 329.0
    assert card_setting(services, "none such", METRIC) is no_update


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"gauge_mm": 0.1}, "Gauge 0.1: expected a number at least 0.3 and at most 50 mm"),
        ({"gauge_mm": None}, "Gauge is missing"),
        ({"set_c": 900.0}, "Set temperature 900: expected"),
        ({"set_c": float("nan")}, "set_c = nan: expected a number"),
        ({"polymer": "<script>alert(1)</script>"}, "is not known in the shop"),
        ({"polymer": ["pp-homopolymer"]}, "expected one of the choices"),
        ({"oven": ""}, "expected one of the choices"),
        ({"support": "hook"}, "Support 'hook': expected one of frame, tray"),
        ({"colour": "pattern"}, "Colour 'pattern': expected one of natural, pigmented"),
        ({"opening_mm": "300"}, "opening_mm = '300': expected a number"),
        ({"opening_mm": 5.0}, "Opening 5: expected"),
        ({"other_side_mm": 200.0}, "the second side is stated and the first is not"),
        ({"drop_mm": 90.0}, "A drop needs the frame's opening"),
        ({"opening_mm": 300.0, "drop_mm": 500.0}, "more than this opening allows"),
        ({"room_c": 300.0}, "Room 300: expected"),
        ({"start_c": True}, "expected a number"),
        ({"gauge_mm": 10**400}, "expected a number"),
        ({"set_c": float("inf")}, "expected a number"),
    ],
)
def test_what_is_wrong_is_said_on_the_page(services: Services, change: dict[str, Any], words: str) -> None:
    shown = outputs(services, {**values(FORM), **change}, METRIC)
    assert words in said_in(shown["answer"])
    assert words in shown["said"].replace("\u00a0", " ")
    assert shown["look"] == "results unanswered"
    assert shown["curve"] is shown["map"] is shown["query"] is no_update


@pytest.mark.parametrize("name", ["oven", "opening_mm", "gauge_mm"])
def test_a_script_in_an_address_is_words_of_a_sentence(name: str) -> None:
    """A browser writes words as they are; that none of them runs is seen in one (test_plan_browser)."""
    evil = "<img src=x onerror=alert(1)><script>alert(1)</script>"
    visitor = Visitor(make_app(plain_services()))
    visitor.get("/plan")
    drawn = visitor.call(shell_call("/plan", f"?oven=north&{name}={quote(evil)}")).get_json()
    main = next(part for part in drawn["response"]["shell"]["children"] if part["type"] == "Main")
    (sentence,) = (part for part in main["props"]["children"]["props"]["children"] if part["type"] == "P")
    assert "<img src=x" in sentence["props"]["children"]
    assert "expected" in sentence["props"]["children"]


def test_no_window_says_why_and_what_would_make_one(services: Services) -> None:
    shown = outputs(services, values(replace(FORM, set_c=150.0)), METRIC)
    words = said_in(shown["answer"])
    assert "No window" in words
    assert "What would make one" in words
    assert "Set it higher" in words


def test_a_question_is_computed_once(services: Services, monkeypatch: pytest.MonkeyPatch) -> None:
    asked = []

    def counted(question: Any) -> Planned:
        asked.append(question)
        return planned(services, FORM)

    monkeypatch.setattr("dashboard.web.planner._planned", counted)
    planner = Planner()
    first, other = (question_of(form, services.shop, services.today()) for form in (FORM, BUBBLE))
    for question in (first, first, other, first):
        planner.planned(question)
    assert asked == [first, other]


def test_plans_never_take_every_thread(services: Services, monkeypatch: pytest.MonkeyPatch) -> None:
    """Six at once, computed or waiting; the seventh is told, and a kept one is had all the same."""
    planner = Planner()
    kept = question_of(FORM, services.shop, services.today())
    planner.planned(kept)
    started, go_on = threading.Semaphore(0), threading.Event()

    def slow(question: Any) -> Planned:
        started.release()
        assert go_on.wait(60)
        return planned(services, FORM)

    monkeypatch.setattr("dashboard.web.planner._planned", slow)
    questions = [question_of(replace(FORM, set_c=200.0 + n), services.shop, services.today()) for n in range(7)]
    with ThreadPoolExecutor(6) as pool:
        waiting = [pool.submit(planner.planned, question) for question in questions[:6]]
        assert started.acquire(timeout=60)
        while planner._places._value > 0:
            pass  # until all six have taken their places
        with pytest.raises(InputError, match="ask again in a moment"):
            planner.planned(questions[6])
        assert planner.planned(kept).question == kept
        go_on.set()
        assert all(one.result(60) for one in waiting)
    planner.planned(questions[6])


# ---------------------------------------------------------------- pictures


def test_pictures_are_plain_numbers(services: Services) -> None:
    """Typed arrays would be sent packed, and what grows them later would draw nothing."""
    shown = outputs(services, values(BUBBLE), METRIC)
    for name in ("curve", "map"):
        json.dumps(shown[name], allow_nan=False)


def test_the_curve_shows_what_the_plan_holds(services: Services) -> None:
    from dashboard.plan_drawing import picture_of

    found = planned(services, BUBBLE)
    figure = curve_figure(picture_of(found.plan, METRIC))
    curves = {trace["name"]: trace for trace in figure["data"]}
    np.testing.assert_allclose(curves["core, its coldest plane"]["y"], found.plan.curve.core_c, atol=0.006)
    np.testing.assert_allclose(curves["core, its coldest plane"]["x"], found.plan.curve.time_s / 60.0, atol=6e-4)
    assert curves["drop"]["yaxis"] == "y2"
    looks = [(trace["yaxis"], trace["line"]["dash"]) for trace in figure["data"]]
    assert len(set(looks)) == len(looks), "strokes tell curves apart where colours do not"


def test_the_map_agrees_with_the_plan_at_the_setting_asked(services: Services) -> None:
    """The map's search grid is coarser than the plan's: 2 s, of some 840."""
    found = planned(services, FORM)
    ready = float(np.interp(FORM.set_c, found.map.set_c, found.map.windows.ready_s))
    assert found.plan.ready_s is not None
    assert ready == pytest.approx(found.plan.ready_s, abs=2.0)
    figure = map_figure(found.plan, found.map, METRIC)
    edge = next(trace for trace in figure["data"] if trace["name"] == "ready")
    at = edge["y"].index(190.0)
    assert edge["x"][at] == pytest.approx(found.plan.ready_s / 60.0, abs=2.0 / 60.0)


def test_the_map_shades_exactly_where_there_is_a_window(services: Services) -> None:
    found = planned(services, BUBBLE)
    figure = map_figure(found.plan, found.map, METRIC)
    shaded = {y for trace in figure["data"] if trace["name"] == "window" for y in trace["y"]}
    exists = found.map.windows.exists
    assert shaded == {float(t) for t in found.map.set_c[exists]}
    assert 0 < len(shaded) < len(exists)


def test_a_map_without_any_window_is_drawn_too(services: Services) -> None:
    found = planned(services, replace(BUBBLE, oven="north", set_c=160.0, gauge_mm=30.0))
    figure = map_figure(found.plan, found.map, METRIC)
    json.dumps(figure, allow_nan=False)
    assert "no window" in figure["layout"]["annotations"][0]["text"]


# ---------------------------------------------------------------- the settings sheet


def sheet(query: str, units: str = "metric") -> tuple[int, str]:
    visitor = Visitor(make_app(plain_services()))
    visitor.keep("pullcue_units", units)
    answered = visitor.get(f"/plan/sheet?{query}")
    return answered.status_code, unescape(answered.get_data(as_text=True)).replace("\u00a0", " ")


def test_the_sheet_says_when_to_pull_without_a_computer(services: Services) -> None:
    form = replace(FORM, gauge_mm=3.0, set_c=190.0)
    plan = planned(services, form).plan
    status, text = sheet(query_of(form))
    assert status == 200
    told = by_the_clock(plan, METRIC)
    assert told.sure
    assert re.fullmatch(r"Pull between \d+:\d\d and \d+:\d\d", told.heading)
    for words in (told.heading, told.trust, "If the computer fails", "pull by this line", "heat-proof gloves"):
        assert words in text, words


def edges(plan: Plan, ready: tuple[float | None, float | None], spoilt: tuple[float | None, float | None],
          sure: float = 0.9) -> Plan:  # fmt: skip
    """The plan with other intervals, and another chance at its surest moment."""
    assert plan.target is not None
    return replace(
        plan,
        opens=replace(plan.opens, interval_s=ready),
        closes=replace(plan.closes, time_s=800.0, interval_s=spoilt),
        target=replace(plan.target, probability=sure),
    )


def test_the_span_by_a_watch_is_ready_by_95_and_spoilt_by_5_of_100(services: Services) -> None:
    plan = planned(services, replace(FORM, gauge_mm=3.0, set_c=190.0)).plan
    inside = by_the_clock(edges(plan, (400.0, 457.2), (607.9, 900.0)), METRIC)
    assert (inside.heading, inside.sure) == ("Pull between 7:38 and 10:07", True)  # rounded inwards
    assert by_the_clock(edges(plan, (400.0, 457.2), (None, None)), METRIC).heading == "Pull from 7:38 on"
    for ready, spoilt in (((400.0, 610.0), (605.0, 900.0)), ((400.0, None), (900.0, None))):
        crossed = by_the_clock(edges(plan, ready, spoilt), METRIC)
        assert (crossed.heading, crossed.sure) == ("Watch the sheet: no moment is sure", False)
        first = METRIC.seconds(plan.opens.time_s or 0.0)
        assert crossed.trust.startswith(f"Most likely the window is {first} to 13:20, at best 90 % sure")
        assert watch_words(edges(plan, ready, spoilt), METRIC).startswith("With a watch alone: watch the sheet")
    least = by_the_clock(edges(plan, (400.0, 610.0), (605.0, 900.0), sure=0.4), METRIC)
    assert least.heading == "Pull by the look of the sheet"
    narrow = by_the_clock(edges(plan, (400.0, 600.4), (600.6, 900.0), sure=0.95), METRIC)
    assert plan.target is not None
    assert (narrow.heading, narrow.sure) == (f"Pull at {METRIC.seconds(plan.target.time_s)}", True)


def test_a_sheet_by_the_look_does_not_say_to_pull_by_its_line() -> None:
    status, text = sheet("polymer=pp-homopolymer&oven=north&gauge_mm=12&set_c=230")
    assert status == 200
    assert "Pull by the look of the sheet" in text
    assert "the sheet says when to pull" in text
    assert "by this line" not in text


def test_the_sheet_follows_the_units() -> None:
    status, text = sheet(query_of(FORM), "us")
    assert status == 200
    assert "set to 374 °F" in text


def test_a_sheet_without_a_window_warns_off(services: Services) -> None:
    status, text = sheet(query_of(replace(FORM, set_c=150.0)))
    assert status == 200
    assert "Do not heat this: no window" in text


def test_an_unsure_clock_is_not_what_the_sheet_pulls_by(services: Services) -> None:
    plan = planned(services, BUBBLE).plan
    assert plan.target is not None
    assert plan.target.probability < 0.5
    told = by_the_clock(plan, METRIC)
    assert not told.sure
    assert told.heading.startswith("Pull by the drop")
    assert told.trust.startswith("No moment is sure: most likely the window is")


@pytest.mark.parametrize("name", FIELDS)
def test_a_script_in_any_field_is_only_shown(name: str) -> None:
    """Whatever a field holds reaches the page as text: no tag of it survives."""
    evil = "<script>alert(1)</script>"
    answered = Visitor(make_app(plain_services())).get(
        "/plan/sheet", query_string={**dict(parse_qsl(query_of(BUBBLE))), name: evil}
    )
    text = answered.get_data(as_text=True)
    assert answered.status_code == 400
    assert "<script>alert" not in text


def test_a_number_of_another_kind_is_refused(services: Services) -> None:
    for word in ("1_0", "six", "٣", "nan", "inf"):
        with pytest.raises(InputError, match="expected"):
            question_of(form_of_query({"gauge_mm": word}, services.shop), services.shop, services.today())
