"""The rules of judgement, at their numbers: each begins where it says, and ends by itself."""

from __future__ import annotations

import math
from collections.abc import Callable

import pytest

from logger.quality import BenchWatch, Judged, Sample
from logger.reading import State

Course = Callable[[float], float]
PERIOD_S = 0.5


def air(time_s: float) -> float:
    """A thermostat's swing."""
    return 180.0 + 2.0 * math.sin(time_s / 20.0)


def run(courses: dict[str, Course], until_s: float, watch: BenchWatch | None = None) -> dict[float, dict[str, Judged]]:
    """Judgements by time, one sample of every role each half second."""
    watch = watch or BenchWatch(courses)
    found = {}
    for step in range(int(until_s / PERIOD_S) + 1):
        time_s = step * PERIOD_S
        found[time_s] = watch.take(time_s, {name: Sample(course(time_s)) for name, course in courses.items()})
    return found


def states(found: dict[float, dict[str, Judged]], role: str) -> list[tuple[float, State]]:
    """When the role's state changed."""
    changes: list[tuple[float, State]] = []
    for time_s, judged in found.items():
        if not changes or changes[-1][1] is not judged[role].state:
            changes.append((time_s, judged[role].state))
    return changes


def test_frozen_for_30_s_while_others_move() -> None:
    def stuck(time_s: float) -> float:
        return air(time_s) - 3.0 if time_s < 50.0 or time_s >= 120.0 else 176.25

    found = run({"air_upper": air, "air_lower": stuck}, 150.0)
    assert states(found, "air_lower") == [(0.0, State.OK), (80.0, State.FROZEN), (120.0, State.OK)]
    assert states(found, "air_upper") == [(0.0, State.OK)]
    assert found[100.0]["air_lower"].value is None
    assert "the same number for 50 s" in found[100.0]["air_lower"].text


def test_standing_oven_is_not_frozen() -> None:
    found = run({"air_upper": lambda _: 180.0, "air_lower": lambda _: 178.0}, 400.0)
    assert states(found, "air_upper") == [(0.0, State.OK)]


def test_coarse_steps_may_stand_longer() -> None:
    """A converter with steps of 0.25 K in slowly rising air stands for 60 s at a time, and is alive."""
    found = run(
        {"air_upper": lambda t: round((160.0 + t / 240.0) * 4) / 4, "face_upper": lambda t: 22.0 + t / 10}, 900.0
    )
    assert states(found, "air_upper") == [(0.0, State.OK)]


def test_room_may_stand_for_ten_minutes() -> None:
    found = run({"room": lambda t: 22.0 if t else 22.05, "air_upper": air}, 700.0)
    assert states(found, "room") == [(0.0, State.OK), (600.5, State.FROZEN)]


def test_frozen_from_the_beginning_takes_120_s() -> None:
    found = run({"wall": lambda _: 22.0, "air_upper": lambda _: 180.0, "air_lower": air}, 500.0)
    assert states(found, "air_upper") == [(0.0, State.OK), (120.0, State.FROZEN)]
    assert states(found, "wall") == [(0.0, State.OK), (480.0, State.FROZEN)]


def test_spike_of_one_sample() -> None:
    found = run({"face_upper": lambda t: 150.0 if t == 20.0 else 40.0 + t / 10.0}, 40.0)
    assert states(found, "face_upper") == [(0.0, State.OK), (20.0, State.SPIKE), (20.5, State.OK)]
    assert found[20.0]["face_upper"].value is None


def test_step_that_stays_is_believed_with_a_remark() -> None:
    found = run({"face_upper": lambda t: 40.0 if t < 20.0 else 90.0, "air_upper": air}, 100.0)
    assert states(found, "face_upper")[:3] == [(0.0, State.OK), (20.0, State.SPIKE), (21.0, State.OK)]
    assert "was the sensor moved?" in found[21.0]["face_upper"].text
    assert found[81.5]["face_upper"].text == ""


def test_face_that_jumps_to_the_air_has_come_off() -> None:
    found = run({"face_upper": lambda t: 60.0 + t / 10.0 if t < 20.0 else air(t) - 4.0, "air_upper": air}, 60.0)
    assert "perhaps come off the sheet" in found[25.0]["face_upper"].text
    assert found[25.0]["face_upper"].value == pytest.approx(air(25.0) - 4.0)


def test_door_is_no_spike() -> None:
    """The largest fall of a door: 60 K within a second, through a sensor of 1 s."""

    def opened(time_s: float) -> float:
        return 180.0 if time_s < 30.0 else 120.0 + 60.0 * math.exp(-(time_s - 30.0) / 1.0)

    assert states(run({"air_upper": opened}, 60.0), "air_upper") == [(0.0, State.OK)]


def test_no_jump_is_judged_across_a_gap() -> None:
    watch = BenchWatch(["face_upper"])
    assert watch.take(0.0, {"face_upper": Sample(40.0)})["face_upper"].state is State.OK
    assert watch.take(10.5, {"face_upper": Sample(140.0)})["face_upper"].value == 140.0


def test_touching_wires_read_their_cold_junction() -> None:
    watch = BenchWatch(["air_upper"])
    for time_s, value in ((0.0, 180.0), (1.0, 26.0), (30.0, 26.4), (31.0, 179.0)):
        judged = watch.take(time_s, {"air_upper": Sample(value, raw=value, cold_junction_c=26.2)})["air_upper"]
        assert judged.state is (State.SHORT if value < 30.0 else State.OK)
        assert (judged.value is None) == (value < 30.0)


def test_cold_sheet_is_no_short() -> None:
    """A face at the temperature of the cold junction from the beginning is a sheet in the room."""
    watch = BenchWatch(["face_upper"])
    for step in range(100):
        value = 26.0 + 0.01 * step
        judged = watch.take(step, {"face_upper": Sample(value, raw=value, cold_junction_c=26.0)})["face_upper"]
        assert judged.state is State.OK


def test_out_of_role_is_no_value() -> None:
    watch = BenchWatch(["room", "air_upper"])
    judged = watch.take(0.0, {"room": Sample(72.0), "air_upper": Sample(400.0)})
    assert {one.state for one in judged.values()} == {State.OUT_OF_RANGE}
    assert {one.value for one in judged.values()} == {None}
    assert watch.take(1.0, {"room": Sample(22.0)})["room"].value == 22.0


@pytest.mark.parametrize("state", [State.OPEN, State.SHORT, State.FAULT, State.NOT_MEASURABLE, State.MISSING])
def test_states_of_the_source_pass_with_advice(state: State) -> None:
    judged = BenchWatch(["wall"]).take(0.0, {"wall": Sample(None, state)})["wall"]
    assert (judged.value, judged.state) == (None, state)
    assert judged.text


def test_nan_is_no_value() -> None:
    judged = BenchWatch(["wall"]).take(0.0, {"wall": Sample(math.nan)})["wall"]
    assert judged.value is None


def test_stale_after_3_s_and_five_intervals() -> None:
    watch = BenchWatch(["wall", "room"])
    assert watch.at(0.0)["wall"].state is State.MISSING
    for time_s in range(11):
        watch.take(time_s, {"wall": Sample(170.0)})
    assert watch.at(14.9)["wall"].value == 170.0
    assert watch.at(15.1)["wall"].value is None
    assert "nothing for 5 s" in watch.at(15.1)["wall"].text
    watch.take(20.0, {"wall": Sample(171.0)})
    assert watch.at(20.0)["wall"].value == 171.0


def test_crosswise_plugs_are_said_of_both() -> None:
    courses: dict[str, Course] = {"face_upper": air, "air_upper": lambda t: 22.0 + t / 10.0}
    found = run(courses, 40.0)
    assert found[19.0]["face_upper"].text == ""
    for role in courses:
        assert "are the two plugs swapped?" in found[25.0][role].text
        assert found[25.0][role].value is not None


def test_door_does_not_make_plugs_crosswise() -> None:
    """A face of 175 °C while the air falls by 50 K and recovers within 90 s."""

    def opened(time_s: float) -> float:
        return 182.0 - (50.0 * math.exp(-(time_s - 30.0) / 90.0) if time_s >= 30.0 else 0.0)

    found = run({"face_upper": lambda t: 174.0 + t / 300.0, "air_upper": opened}, 600.0)
    assert {judged["face_upper"].text for judged in found.values()} == {""}


def test_emitters_may_make_a_face_hotter_than_its_air() -> None:
    courses: dict[str, Course] = {"face_upper": air, "air_upper": lambda t: 100.0 + t / 100.0}
    found = run(courses, 60.0, BenchWatch(courses, radiant=True))
    assert {judged["face_upper"].text for judged in found.values()} == {""}
