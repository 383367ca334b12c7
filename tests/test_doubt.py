"""Readings that are not believed, and air that is too cold: by the readings alone, no sheet is heated.

The courses are made up in the manner of a sheet of 4 mm in an oven at 185 °C: air that falls by 40 K as the sheet goes
in and comes back within minutes, a sheet that follows it.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from calibration.air_low import FALLEN, LOW, air_low
from calibration.crosswise import OUTSIDE, SWAPPED
from calibration.doubt import STILL, believed, set_aside
from calibration.observed import Observed
from live_rig import nominal
from thermal.heat import Event
from thermal.notes import Note

CASE = nominal()[0]
AIR_C = CASE.set_c + CASE.oven.air_offset_k
TIME_S = np.arange(-300.0, 481.0)
NAMES = ("air_upper_c", "air_lower_c", "face_upper_c", "face_lower_c")


def course() -> dict[str, np.ndarray]:
    """Two airs 3 K apart with a thermostat's swing, and two faces."""
    since = np.maximum(TIME_S, 0.0)
    fall = np.where(TIME_S >= 0.0, 40.0 * np.exp(-since / 90.0), 0.0)
    swing = 1.5 * np.sin(TIME_S / 22.0)
    face = 22.0 + 140.0 * (1.0 - np.exp(-since / 110.0))
    airs = [AIR_C - fall + swing + k for k in (1.5, -1.5)]
    faces = [face, face + 4.0 * (1.0 - np.exp(-since / 60.0))]
    noise_k = np.random.default_rng(3).normal(0.0, 0.05, (len(NAMES), len(TIME_S)))
    return {name: values + noise for name, values, noise in zip(NAMES, [*airs, *faces], noise_k, strict=True)}


def heat(columns: dict[str, np.ndarray], *doors_s: float) -> Observed:
    return Observed(TIME_S, columns, tuple(Event(at, "door_open") for at in doors_s))


def crossed(one: str, other: str, from_s: float = -1e9, to_s: float = 1e9) -> Observed:
    columns = course()
    meanwhile = (from_s <= TIME_S) & (to_s > TIME_S)
    first, second = columns[one], columns[other]
    return heat(columns | {one: np.where(meanwhile, second, first), other: np.where(meanwhile, first, second)})


def reasons(seen: Observed) -> dict[str, str]:
    return dict(believed(CASE, seen).reasons)


def kept(seen: Observed, name: str) -> np.ndarray:
    """Times at which a column is believed, s."""
    times: np.ndarray = TIME_S[np.isfinite(believed(CASE, seen).seen.columns[name])]
    return times


def test_a_sound_heat_is_believed() -> None:
    assert set_aside(CASE, heat(course())) == []
    assert reasons(heat(course()).until(30.0)) == {}


@pytest.mark.parametrize(
    "pair",
    [("air_upper_c", "face_upper_c"), ("air_lower_c", "face_lower_c"), ("air_lower_c", "face_upper_c")],
    ids=" and ".join,
)
def test_a_face_and_an_air_on_each_others_plugs_are_both_set_aside(pair: tuple[str, str]) -> None:
    seen = crossed(*pair)
    for now_s in (-60.0, 5.0, 60.0, 480.0):
        assert reasons(seen.until(now_s)) == dict.fromkeys(pair, SWAPPED), now_s
    assert [len(kept(seen, name)) for name in NAMES] == [0 if name in pair else len(TIME_S) for name in NAMES]


def test_plugs_that_were_changed_over_are_believed_from_then_on() -> None:
    seen = crossed("air_upper_c", "face_upper_c", to_s=150.0)
    for name in ("air_upper_c", "face_upper_c"):
        assert kept(seen, name)[0] == 150.0
    assert reasons(seen) == {}


def test_plugs_that_are_crossed_in_mid_heat_are_seen_while_it_can_be() -> None:
    seen = crossed("air_upper_c", "face_upper_c", from_s=40.0)
    assert reasons(seen.until(90.0)) == dict.fromkeys(("air_upper_c", "face_upper_c"), SWAPPED)
    assert kept(seen, "air_upper_c")[-1] == 39.0


@pytest.mark.parametrize("from_s", [-200.0, 60.0, 200.0])
def test_an_air_sensor_out_of_its_place_takes_no_face_with_it(from_s: float) -> None:
    columns = course()
    room = 24.0 + 0.05 * np.sin(TIME_S)
    columns["air_lower_c"] = np.where(from_s <= TIME_S, room, columns["air_lower_c"])
    seen = heat(columns)
    assert reasons(seen) == {"air_lower_c": OUTSIDE}
    assert len(kept(seen, "face_lower_c")) == len(TIME_S)


def test_under_emitters_a_face_may_be_hotter_than_its_air() -> None:
    radiant = replace(CASE, oven=replace(CASE.oven, kind="infrared"))
    seen = heat(course() | {"air_upper_c": np.full(len(TIME_S), 60.0), "air_lower_c": np.full(len(TIME_S), 61.0)})
    assert [one.reason for one in set_aside(radiant, seen)] == []


def test_what_stood_still_until_the_recorder_gave_it_up_is_not_believed_either() -> None:
    columns = course()
    face = columns["face_lower_c"]
    frozen = np.where((TIME_S >= 90.0) & (TIME_S < 120.0), face[TIME_S == 90.0], face)
    given_up = heat(columns | {"face_lower_c": np.where((TIME_S >= 120.0) & (TIME_S < 180.0), np.nan, frozen)})
    assert reasons(given_up.until(119.0)) == {}, "half a minute may be chance"
    assert reasons(given_up.until(120.0)) == {"face_lower_c": STILL}
    assert not ((kept(given_up, "face_lower_c") > 90.0) & (kept(given_up, "face_lower_c") < 180.0)).any()
    # Where nothing at all comes any more it is the cable.
    gone = heat({name: np.where((TIME_S >= 120.0) & (TIME_S < 180.0), np.nan, v)
                 for name, v in (columns | {"face_lower_c": frozen}).items()})  # fmt: skip
    assert reasons(gone.until(125.0)) == {}


# ---------------------------------------------------------------- air that is too cold


def cold(seen: Observed, now_s: float, before: Note | None = None) -> Note | None:
    return air_low(CASE, seen.until(now_s), now_s, before)


def lowered(by_k: np.ndarray, *names: str) -> dict[str, np.ndarray]:
    columns = course()
    return columns | {name: columns[name] - by_k for name in names}


AJAR_K = 25.0 * (1.0 - np.exp(-np.maximum(TIME_S - 240.0, 0.0) / 60.0))


def test_a_door_that_does_not_shut_is_said_within_a_minute_and_a_half() -> None:
    seen = heat(lowered(AJAR_K, "air_upper_c", "air_lower_c"))
    assert [cold(seen, at) for at in (10.0, 60.0, 120.0, 240.0)] == [None] * 4
    assert cold(seen, 330.0) is FALLEN
    # A door that was marked lets the air fall, and it is given a minute to turn.
    assert cold(heat(dict(seen.columns), 240.0), 300.0) is None


def test_an_air_that_is_cold_alone_is_no_door() -> None:
    assert cold(heat(lowered(AJAR_K, "air_upper_c")), 400.0) is None


def test_what_was_said_of_the_air_is_said_until_it_is_clearly_over() -> None:
    seen = heat(lowered(AJAR_K, "air_upper_c", "air_lower_c"))
    first_s = next(at for at in range(240, 480) if cold(seen, float(at)) is FALLEN)
    assert cold(seen, first_s - 3.0) is None
    assert cold(seen, first_s - 3.0, FALLEN) is FALLEN


def test_an_oven_that_is_not_hot_is_said_as_the_sheet_goes_in() -> None:
    seen = heat(lowered(np.full(len(TIME_S), 60.0), "air_upper_c", "air_lower_c"))
    assert cold(seen, 5.0) is LOW
    assert cold(seen, 300.0) is LOW
    assert cold(heat(lowered(np.full(len(TIME_S), 10.0), *NAMES[:2])), 480.0) is None, "as much as a card may be off"


def test_a_door_that_stands_open_leaves_the_air_believed() -> None:
    """All air 100 K down for two minutes: the oven is cold, no sensor is out of its place."""
    fell = np.where((TIME_S >= 300.0) & (TIME_S < 420.0), 100.0, 0.0)
    seen = heat(lowered(fell, "air_upper_c", "air_lower_c"))
    assert not [one for one in set_aside(CASE, seen) if one.column in NAMES[:2]]
    assert cold(seen, 350.0) is FALLEN
    assert cold(seen, 415.0) is FALLEN


def test_the_only_air_that_comes_down_by_degrees_is_an_oven_that_cools() -> None:
    fell = np.clip(TIME_S - 300.0, 0.0, 120.0)
    columns = {name: values for name, values in lowered(fell, "air_upper_c").items() if name != "air_lower_c"}
    assert not [one for one in set_aside(CASE, heat(columns)) if one.column == "air_upper_c"]


def test_one_wild_reading_is_no_warm_air() -> None:
    wild = np.where(TIME_S == 300.0, -16.0, 0.0)
    seen = heat(lowered(wild, "air_upper_c", "air_lower_c"))
    assert [cold(seen, at) for at in (310.0, 400.0, 470.0)] == [None] * 3


def test_a_wide_swing_is_no_fall() -> None:
    swing = 9.0 * np.sin(2.0 * np.pi * TIME_S / 250.0)
    seen = heat(lowered(swing, "air_upper_c", "air_lower_c"))
    assert [cold(seen, float(at)) for at in range(100, 480, 20)] == [None] * 19


@pytest.mark.parametrize("hotter_k", [0.0, 10.0, 15.0])
def test_swapped_plugs_are_told_in_an_oven_that_is_hotter_than_its_card(hotter_k: float) -> None:
    both = lowered(np.full(len(TIME_S), -hotter_k), "air_upper_c", "air_lower_c")
    columns = {"air_upper_c": both["face_upper_c"], "face_upper_c": both["air_upper_c"]}
    found = believed(CASE, heat(columns))
    assert dict(found.reasons) == dict.fromkeys(columns, SWAPPED)
    inside = found.seen.time_s > 60.0
    assert not np.isfinite(found.seen.columns["face_upper_c"][inside]).any()
