"""The door's signature: on the practice oven of every demo oven card, on the demo heats, and where there is none."""

from __future__ import annotations

import math
import random
from collections.abc import Callable, Mapping

import pytest

from dashboard.practice_bench import SCENARIOS, practice_case
from dashboard.practice_model import PLAIN, PracticeOven, Traits
from dashboard.shop import DEMO_FOLDER, read_shop
from logger.door import DoorOpened, DoorWatch, SheetLeft
from logger.heatfile import read_heat

SHOP = read_shop(DEMO_FOLDER)
HEATS = ("north-pp-6mm", "ember-copolymer-4mm", "north-pp-6mm-weak-fan")
AIRS, SHEET = ("air_upper", "air_lower"), ("face_upper", "face_lower", "drop")


class Sensors:
    """Thermocouples that lag by 3 s (air) and 1.5 s, with noise of 0.3 K, of a model in time."""

    def __init__(self, model: Callable[[float], Mapping[str, float]], names: tuple[str, ...], seed: int = 1) -> None:
        self._model, self._names, self._random = model, names, random.Random(seed)
        self._felt: dict[str, float] = {}

    def at(self, at_s: float, step_s: float) -> dict[str, float | None]:
        found: dict[str, float | None] = {}
        for name, value in self._model(at_s).items():
            if name not in self._names:
                continue
            if math.isnan(value):
                self._felt.pop(name, None)
                found[name] = None
                continue
            lag_s = 3.0 if name in AIRS else 1.5
            felt = self._felt.get(name, value)
            self._felt[name] = felt + (value - felt) * (1.0 - math.exp(-step_s / lag_s))
            found[name] = self._felt[name] + self._random.gauss(0.0, 0.3)
        return found


def watched(
    oven: PracticeOven, until_s: float, names: tuple[str, ...] = (*AIRS, *SHEET), step_s: float = 0.2
) -> list[DoorOpened | SheetLeft]:
    door, sensors = DoorWatch(), Sensors(oven.advance, names)
    found: list[DoorOpened | SheetLeft] = []
    for n in range(round(until_s / step_s)):
        found += door.take(n * step_s, sensors.at(n * step_s, step_s))
    return found


def practice(oven: str, traits: Traits = PLAIN, seed: int = 1) -> PracticeOven:
    return PracticeOven(practice_case(SHOP, "pp-homopolymer", 6.0, oven, 22.0), 22.0, seed, traits)


@pytest.mark.parametrize(("name", "seed"), [("north", 1), ("south", 2), ("ember", 3)])
def test_practice_oven_sheet_in_look_and_sheet_out(name: str, seed: int) -> None:
    oven = practice(name, seed=seed)
    oven.put_in(100.0)
    oven.open_door(400.0)
    oven.pull(700.0)
    found = watched(oven, 800.0)
    opened = [one for one in found if isinstance(one, DoorOpened)]
    assert [one.opened_s for one in opened] == pytest.approx([100.0, 400.0, 700.0], abs=3.0)
    assert opened[0].sheet_in_s == pytest.approx(100.0, abs=5.0)
    assert [one.opened_s for one in found if isinstance(one, SheetLeft)] == pytest.approx([700.0], abs=3.0)


@pytest.mark.parametrize("step_s", [0.1, 1.0, 4.0])
def test_whatever_the_rate_of_the_samples(step_s: float) -> None:
    oven = practice("north")
    oven.put_in(100.0)
    (opened,) = watched(oven, 300.0, step_s=step_s)
    assert isinstance(opened, DoorOpened)
    assert opened.sheet_in_s == pytest.approx(100.0, abs=5.0)


def test_with_air_alone_nobody_can_tell_a_look_from_a_pull() -> None:
    oven = practice("north")
    oven.put_in(100.0)
    oven.pull(600.0)
    found = watched(oven, 700.0, AIRS)
    assert [isinstance(one, DoorOpened) and one.seen for one in found] == [False, False]


@pytest.mark.parametrize("scenario", ["door-ajar", "weak-fan", "cold-morning", "quiet-day"])
def test_no_door_where_none_was_opened(scenario: str) -> None:
    assert watched(practice("north", SCENARIOS[scenario].traits), 1200.0) == []


def test_one_thermocouple_that_is_pulled_out_is_no_door() -> None:
    door = DoorWatch()
    found = []
    for n in range(1200):  # an opening that nobody shuts is told after 60 s
        at_s = n * 0.2
        fallen = 160.0 * (1.0 - math.exp(-max(at_s - 60.0, 0.0) / 5.0))
        found += door.take(at_s, {"air_upper": 180.0 - fallen, "air_lower": 178.0})
    assert found == []


@pytest.mark.parametrize("name", HEATS)
def test_demo_heats(name: str) -> None:
    heat = read_heat(DEMO_FOLDER / "heats" / f"{name}.csv")
    door = DoorWatch()
    found: list[DoorOpened | SheetLeft] = []
    columns = {column.rpartition("_")[0]: values.tolist() for column, values in heat.columns.items()}
    for row, at_s in enumerate(heat.time_s.tolist()):
        values = {name: None if math.isnan(series[row]) else series[row] for name, series in columns.items()}
        found += door.take(at_s, values)
    first = found[0]
    assert isinstance(first, DoorOpened)
    assert first.opened_s == pytest.approx(-6.0, abs=10.0)  # the preheat has a row every 10 s
    assert first.sheet_in_s == pytest.approx(0.0, abs=6.0)
    opened_again_s = heat.events[-2].time_s
    assert [one.opened_s for one in found if isinstance(one, SheetLeft)] == pytest.approx([opened_again_s], abs=4.0)
