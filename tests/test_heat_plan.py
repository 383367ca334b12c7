"""The plan kept with a heat is that of `pullcue plan`, or the reason why there is none; and the places of sensors."""

from __future__ import annotations

import json
import tomllib
from dataclasses import replace
from datetime import UTC, date, datetime
from threading import Event
from typing import Any

import pytest
from click.testing import CliRunner

from dashboard.commands import pullcue
from dashboard.commands.heat_plan import HeatPlanner, plan_words, planned
from dashboard.recording import form_for, of_oven
from dashboard.shop import DEMO_FOLDER, Shop, open_shop
from logger.bench import bench_from_mapping
from logger.heat_export import StoredHeat, heat_of, imported
from logger.heatfile import heat_as_bytes, heat_from_bytes
from logger.records import Block, HeatForm, HeatRecord
from logger.sensor_places import for_heat_file, sensors_text
from store_data import second

SHOP = open_shop(DEMO_FOLDER)
TODAY = date(2026, 3, 4)
FORM = HeatForm(
    polymer="pp-homopolymer", gauge_mm=6.0, oven="north", set_c=190.0, start_c=25.0, support="frame",
    opening_mm=(320.0, 280.0), colour="natural",
)  # fmt: skip


def test_it_is_the_plan_that_the_command_prints() -> None:
    words = ["plan", "--polymer", "pp-homopolymer", "--gauge-mm", "6", "--oven", "north", "--set-c", "190", "--start-c",
             "25", "--opening-mm", "320x280", "--shop", str(DEMO_FOLDER), "--json"]  # fmt: skip
    printed = CliRunner().invoke(pullcue, words)
    assert printed.exit_code == 0, printed.output
    assert json.loads(planned(FORM, SHOP, TODAY)) == json.loads(printed.stdout)


@pytest.mark.parametrize(
    ("form", "why"),
    [
        (HeatForm(oven="north"), "polymer and gauge not stated"),
        (replace(FORM, oven=None), "oven not stated"),
        (replace(FORM, polymer="pp-hommopolymer"), "did you mean pp-homopolymer"),
        (replace(FORM, oven="east"), "oven 'east' is not known"),
        (replace(FORM, set_c=310.0, gauge_mm=0.2), "expected a number at least 0.3"),
    ],
)
def test_why_there_is_no_plan(form: HeatForm, why: str) -> None:
    kept = planned(form, SHOP, TODAY)
    assert list(json.loads(kept)) == ["not_planned"]
    assert why in json.loads(kept)["not_planned"]
    assert plan_words(kept).startswith("No plan: ")


def test_a_plan_in_short() -> None:
    words = plan_words(planned(FORM, SHOP, TODAY))
    assert words.startswith("Planned: ready from ")
    assert "pull at " in words
    assert plan_words(None) == ""
    assert plan_words("[]") == plan_words("{") == "A plan is kept that cannot be read in short"


class Planning:
    """A plan that takes until it is let go."""

    def __init__(self) -> None:
        self.go, self.asked = Event(), list[HeatForm]()

    def __call__(self, form: HeatForm, shop: Shop, today: date) -> str:
        self.asked.append(form)
        assert self.go.wait(60.0)
        return json.dumps({"of": form.gauge_mm})


def heat(form: HeatForm = FORM, id: str = "1" * 32) -> HeatRecord:
    """A heat whose form has the card of its oven, as a recorder's has."""
    return HeatRecord(1, id, "b", "r", 5.0, 5000, form=of_oven(SHOP, form))


def test_the_recording_goes_on_while_it_is_planned() -> None:
    plan = Planning()
    planner = HeatPlanner(SHOP, lambda: TODAY, plan)
    assert planner.turn(None) == {}
    assert [planner.turn(heat()) for _ in range(100)] == [{}] * 100
    plan.go.set()
    assert planner.last(heat()) == {"plan_json": '{"of": 6.0}'}
    with_plan = heat(replace(FORM, plan_json='{"of": 6.0}'))
    assert [planner.turn(with_plan) for _ in range(3)] == [{}] * 3
    assert len(plan.asked) == 1


def test_it_is_planned_anew_when_the_form_says_otherwise_and_for_the_next_heat() -> None:
    plan = Planning()
    planner = HeatPlanner(SHOP, lambda: TODAY, plan)
    planner.turn(heat())
    plan.go.set()
    thinner = heat(replace(FORM, gauge_mm=4.0))
    # What was made is of another sheet and never said; the new one is said once, at the first turn if the old one was
    # made by then, else at the second.
    new = {"plan_json": '{"of": 4.0}'}
    assert [planner.last(thinner), planner.last(thinner)] in ([{}, new], [new, {}])
    assert planner.last(heat(replace(FORM, notes="x", gauge_mm=4.0))) == {}  # no matter for a plan
    assert planner.last(heat(FORM, "2" * 32)) == {"plan_json": '{"of": 6.0}'}


def test_a_plan_that_fails_is_a_reason_and_ends_nothing() -> None:
    def broken(*_: Any) -> str:
        raise RuntimeError("a bug")

    planner = HeatPlanner(SHOP, lambda: TODAY, broken)
    said = planner.last(heat())
    assert "RuntimeError: a bug" in json.loads(said["plan_json"])["not_planned"]


def test_a_form_with_another_oven_gets_its_card() -> None:
    form = of_oven(SHOP, HeatForm(oven="ember"))
    assert form.card_json is not None
    assert json.loads(form.card_json)["id"] == "ember"
    assert form.set_c == SHOP.oven("ember").set_c
    assert of_oven(SHOP, HeatForm(oven="ember", set_c=150.0)).set_c == 150.0
    assert of_oven(SHOP, HeatForm(oven="unknown")) == HeatForm(oven="unknown")


# ---------------------------------------------------------------- sensors

BENCH = bench_from_mapping(
    tomllib.loads("""
id = "north-bench"
oven = "north"
[[source]]
id = "board"
kind = "board"
url = "COM3"
[role]
air_upper = "board/tc_1"
core_1 = { channel = "board/tc_2", thermocouple = "K", serial = "T-17", lag_s = 1.5, depth_mm = 2.1 }
grid_01 = { channel = "board/tc_3", x_mm = 100.0, y_mm = -50.3, z_mm = 0.0 }
"""),
    "bench.toml",
)


def recorded(form: HeatForm) -> StoredHeat:
    blocks: tuple[Block, ...] = tuple(second(at, columns=("air_upper", "core_1", "grid_01")) for at in range(10, 20))
    record = HeatRecord(3, "3" * 32, "north-bench", blocks[0].run, 10.0, 10_000, 20.0, "finished", form=form)
    return StoredHeat(record, blocks)


def test_a_bench_tells_its_sensors() -> None:
    form = form_for(SHOP, BENCH)
    assert form.sensors_json is not None
    assert json.loads(form.sensors_json) == {
        "core_1": {"depth_mm": 2.1, "lag_s": 1.5, "thermocouple": "K", "serial": "T-17"},
        "grid_01": {"x_mm": 100.0, "y_mm": -50.3, "z_mm": 0.0},
    }
    assert sensors_text(replace(BENCH, roles=BENCH.roles[:1])) is None


def test_sensors_stand_in_the_heat_file_and_come_back() -> None:
    form = form_for(SHOP, BENCH, gauge_mm=4.0)
    content = heat_as_bytes(heat_of(recorded(form)), "out.csv")
    text = content.decode()
    for line in ("# [sensor.core_1]", "# depth_mm = 2.1", "# lag_s = 1.5", '# serial = "T-17"', "# y_mm = -50.3"):
        assert line in text.splitlines()
    read = heat_from_bytes(content, "out.csv")
    assert read.sensor("core_1_c").lag_s == 1.5
    assert read.sensor("core_1_c").depth_m == 0.0021
    assert [note for note in read.notes if "sensor" in note] == []
    again = imported(content, "out.csv", datetime(2026, 3, 4, tzinfo=UTC), "pullcue 1").record.form
    assert again.sensors_json == form.sensors_json


def test_a_depth_outside_the_sheet_is_kept_and_stops_no_export() -> None:
    """The bench has a sensor for 6 mm sheet, and this sheet is thinner."""
    form = form_for(SHOP, BENCH, gauge_mm=1.5)
    content = heat_as_bytes(heat_of(recorded(form)), "out.csv")
    read = heat_from_bytes(content, "out.csv")
    assert read.sensor("core_1_c").depth_m is None
    assert read.extra["sensor"]["core_1"]["stated_depth_mm"] == 2.1
    again = imported(content, "out.csv", datetime(2026, 3, 4, tzinfo=UTC), "pullcue 1").record.form
    assert again.sensors_json == form.sensors_json
    assert for_heat_file(None, 1.5) == {}
