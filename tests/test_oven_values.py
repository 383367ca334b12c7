"""What the page at the oven is told: seconds in, small objects out; no thread, no browser."""

from __future__ import annotations

import json
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest

from calibration.air_low import FALLEN
from calibration.cue import State
from calibration.observed import Observed
from dashboard.after_pull import After
from dashboard.bench_look import Look, Second
from dashboard.cue_sound import PATTERNS
from dashboard.follower import Follower
from dashboard.heat_curve import COLUMNS, MOST, Curve, row_of
from dashboard.heat_followed import followed, wanted_in, wanted_note
from dashboard.heat_watch import HeatWatch
from dashboard.live_service import Aged
from dashboard.seconds import Seconds
from dashboard.shop import DEMO_FOLDER, read_shop
from dashboard.units import Units
from dashboard.web.oven_figure import figure, key_of, new_rows, shown_row
from dashboard.web.oven_live import PARTS, as_json, brief, update
from dashboard.web.oven_words import (
    KEYS,
    NOT_LIVE,
    OLD_FAST_S,
    OLD_S,
    cue_words,
    loud,
    mark_words,
    notes,
    phase,
    stale,
)
from logger.clock import ManualClock
from logger.reading import State as Reading
from logger.records import HeatForm, Mark
from oven_rig import StillLive, after_the_pull, heated, in_the_oven, walk
from thermal.fields import InputError

METRIC, US = Units(), Units("us")


@pytest.mark.parametrize(("note", "words"), [("seen in the air", "seen in the air"), ("ajar", "seen in the air, ajar")])
def test_a_door_seen_in_the_air_is_said_once(note: str, words: str) -> None:
    mark = Mark("1" * 32, "b", "r", 75.0, 75_000, "door_closed", note=note, source="door")
    assert mark_words(mark, 15.0, METRIC) == f"1:00 door closed, {words}"


@pytest.fixture(scope="module")
def heating() -> Aged:
    return in_the_oven()


@pytest.fixture(scope="module")
def pulled() -> Aged:
    return after_the_pull()


@pytest.fixture(scope="module")
def seconds_of_it() -> list[Aged]:
    """A falling bubble with all its sensors now and then, and the seconds after the door."""
    return [*heated()[3:], *heated()[:3]]


# ---------------------------------------------------------------- seconds and rows


def test_seconds_keep_what_came_and_forget_what_is_old() -> None:
    kept = Seconds()
    for at in range(2000):
        kept.add(float(at), {"air_upper_c": 100.0 + at} | ({"drop_mm": 1.0} if at >= 1500 else {}))
    kept.add(1990.0, {"air_upper_c": -1.0})  # came before: not kept
    kept.keep_from(1000.0)
    seen = kept.observed(1200.0, (), {})
    assert (len(kept), seen.time_s[0], seen.time_s[-1]) == (1000, -200.0, 799.0)
    np.testing.assert_array_equal(seen.columns["air_upper_c"], 1100.0 + np.arange(1000))
    assert np.isnan(seen.columns["drop_mm"][:500]).all()
    assert (seen.columns["drop_mm"][500:] == 1.0).all()


def test_seconds_stay_small_however_long_they_come() -> None:
    kept = Seconds()
    for at in range(50_000):
        kept.add(float(at), {"air_upper_c": 1.0})
        kept.keep_from(at - 300.0)
    assert kept._table.shape[0] <= 1024


@pytest.mark.parametrize("looks", [1, 899, 900, 901, 1801, 3600, 7205])
def test_a_curve_has_never_more_rows_than_a_page_can_draw(looks: int) -> None:
    curve = Curve("h")
    for at in range(looks):
        curve = curve.with_row((float(at),))
    assert len(curve.rows) <= MOST
    assert [row[0] for row in curve.rows] == list(range(0, looks, 2**curve.thinned))


def test_a_page_that_thins_as_the_server_does_has_the_same_rows() -> None:
    """What the page's script does, here in Python, over two hours of looks, with some answers lost on the way."""
    curve, mine, thinned = Curve("h"), list[float | None](), 0
    for at in range(7200):
        curve = curve.with_row((float(at),))
        if at % 7 == 3:
            continue
        rows = new_rows(curve, len(mine), thinned)
        assert rows is not None
        for _ in range(curve.thinned - thinned):
            mine = mine[::2]
        thinned = curve.thinned
        mine += [row[0] for row in rows]
        assert mine == [row[0] for row in curve.rows]
        assert len(rows) <= 4


def test_a_page_that_has_more_than_there_is_begins_anew() -> None:
    curve = Curve("h", ((1.0,), (2.0,)))
    assert new_rows(curve, 3, 0) is None
    assert new_rows(curve, 1, 1) is None


# ---------------------------------------------------------------- what is followed


def test_wanted_drop_comes_back_from_the_note_of_a_mark() -> None:
    note = wanted_note(90.0, 150.5)
    mark = Mark("1" * 32, "b", "r", 0.0, 0, "start", note=f"gauge 6 mm; {note}")
    assert wanted_in([mark]) == {"drop wanted": 90.0, "room below": 150.5}
    assert wanted_note(None, None) == ""


def test_a_form_without_a_sheet_says_what_is_missing() -> None:
    shop = read_shop(DEMO_FOLDER)
    with pytest.raises(InputError, match="no polymer and no gauge"):
        followed(HeatForm(oven="north"), [], {}, shop, ManualClock().utc().date())


def test_looks_say_what_a_follower_alone_says(heating: Aged) -> None:
    """The watch adds no arithmetic of its own: a follower fed the same seconds tells the same."""
    look = heating.look
    assert look.followed is not None
    assert look.told is not None
    assert look.told.estimate is not None
    there = walk()
    names = ("air_upper_c", "air_lower_c", "face_upper_c", "face_lower_c", "wall_c", "drop_mm")
    rows: dict[str, list[float]] = {name: [] for name in names}
    for at in range(361):
        for name, value in there.practice.oven.advance(float(at)).items():
            column = "drop_mm" if name == "drop" else f"{name}_c"
            if column in rows:
                rows[column].append(value)
    seen = Observed(np.arange(361.0) - 60.0, {name: np.array(values) for name, values in rows.items()})
    follower = Follower(look.followed, walks=False)
    assert look.curve is not None
    for row in look.curve.rows:
        assert row[0] is not None
        told = follower.at(seen, row[0] - 60.0)
    assert told.estimate is not None
    assert told.estimate.core_c.middle == pytest.approx(look.told.estimate.core_c.middle, abs=0.05)
    assert told.state is look.told.state


def test_a_start_taken_back_leaves_no_heat() -> None:
    there = walk()
    there.to(100.0)
    there.start_s = 1e9  # as if it had never begun
    assert there.to(120.0)[-1].look.heat is None


# ---------------------------------------------------------------- words


def test_every_state_has_a_key_and_a_sound() -> None:
    assert set(KEYS) == {*State, *After} == set(PATTERNS)
    assert len(set(KEYS.values())) == len(KEYS)


def test_phases(heating: Aged, pulled: Aged) -> None:
    assert phase(Look("b", "north")) == "none"
    assert phase(heating.look) == "in"
    assert phase(pulled.look) == "out"
    assert phase(replace(pulled.look, open=False)) == "over"


@pytest.mark.parametrize(
    ("failure", "age_s", "why"),
    [("The recorder has stopped: disk", 0.1, "The recorder has stopped: disk"),
     (None, OLD_S + 0.1, "Nothing new comes from the recorder"), (None, float("inf"), "Waiting for the recorder")],
    ids=["stopped", "old", "first"],
)  # fmt: skip
def test_what_is_not_live_shows_no_number(heating: Aged, failure: str | None, age_s: float, why: str) -> None:
    aged = Aged(replace(heating.look, failure=failure), age_s)
    words = cue_words(aged, METRIC)
    assert (words.key, words.count, words.to, words.why) == (NOT_LIVE, "", "", why)
    told = update(StillLive({"b": aged}), "b", METRIC, {})
    assert (told["live"], told["at"], told["count"], told["table"], told["sag"]) == (False, "", ["", ""], [], None)


def test_a_sheet_that_may_still_be_in_is_asked_about() -> None:
    look = Look("b", "north", cut_off_s=72.0)
    words = cue_words(Aged(look, 0.0), METRIC)
    assert (words.key, words.word, words.count) == ("cannot-tell", "sheet still in?", "1:12")
    assert update(StillLive({"b": Aged(look, 0.0)}), "b", METRIC, {})["cut"] == 1
    assert "cut" not in update(StillLive({"b": Aged(Look("b", "north"), 0.0)}), "b", METRIC, {})


def test_a_drop_without_an_opening_is_not_drawn_over_the_temperatures(heating: Aged) -> None:
    followed = heating.look.followed
    assert followed is not None
    flat = replace(heating.look, followed=replace(followed, case=replace(followed.case, opening_m=None)))
    drops = [trace for trace in figure(flat, METRIC)["data"] if trace["name"].startswith("drop")]
    assert [(trace["yaxis"], trace["visible"]) for trace in drops] == [("y", False)] * 3


def test_a_fast_clock_has_more_time() -> None:
    look = Look("b", "north")
    assert cue_words(Aged(look, OLD_FAST_S - 0.1, fast=True), METRIC).key != NOT_LIVE
    assert cue_words(Aged(look, OLD_FAST_S + 0.1, fast=True), METRIC).key == NOT_LIVE


def test_a_lost_source_is_said_once_and_not_channel_by_channel(heating: Aged) -> None:
    gone = tuple((column, str(Reading.MISSING)) for column in ("air_upper_c", "face_upper_c"))
    look = replace(heating.look, troubles=(*gone, ("wall_c", "open circuit")))
    assert loud(Aged(look, 0.0), METRIC) == ["Upper air and upper face: no reading", "Wall: open circuit"]
    lost = replace(look, links=("board: lost, cable?",))
    assert loud(Aged(lost, 0.0), METRIC) == ["Wall: open circuit", "board: lost, cable?"]


def test_a_drop_that_nothing_reads_is_no_fault_without_an_opening(heating: Aged) -> None:
    followed = heating.look.followed
    assert followed is not None
    look = replace(heating.look, troubles=(("drop_mm", "out of range"),))
    assert loud(Aged(look, 0.0), METRIC) == ["Drop: out of range"]
    flat = replace(followed, case=replace(followed.case, opening_m=None))
    assert loud(Aged(replace(look, followed=flat), 0.0), METRIC) == []


def test_what_to_do_stands_beside_a_trouble_and_the_same_is_said_once(heating: Aged) -> None:
    asked = "are the two plugs swapped?"
    look = replace(
        heating.look,
        troubles=(("face_lower_c", "frozen"),),
        remarks=(("air_upper_c", asked), ("face_lower_c", "check its plug"), ("face_upper_c", asked)),
    )
    assert loud(Aged(replace(look, told=None), 0.0), METRIC) == [f"Upper air and upper face: {asked}"]
    # An estimate judges by all sensors which of two is on the wrong plug, or none.
    assert loud(Aged(look, 0.0), METRIC) == ["Lower face: frozen: check its plug"]


def test_what_the_estimate_does_not_believe_is_loud_and_a_mark_is_only_told(heating: Aged) -> None:
    told = heating.look.told
    assert told is not None
    assert told.estimate is not None
    why = "jumped as no sheet can: loose?"
    estimate = replace(told.estimate, set_aside=(("face_upper_c", why), ("line_1", "cannot be so early")),
                       alarms=(FALLEN,))  # fmt: skip
    look = replace(heating.look, told=replace(told, estimate=estimate), remarks=(("face_upper_c", "check its plug"),))
    assert loud(Aged(look, 0.0), METRIC) == [FALLEN.text, f"Upper face: not believed: {why}"]
    assert [one for one in notes(look, METRIC) if "Set aside" in one] == ["Set aside: line 1: cannot be so early"]


def test_without_a_sheet_only_the_ovens_own_sensors_are_troubles() -> None:
    troubles = tuple((column, "open circuit") for column in ("air_upper_c", "face_upper_c", "drop_mm"))
    look = Look("b", "north", troubles=troubles, remarks=(("face_lower_c", "are the two plugs swapped?"),))
    assert loud(Aged(look, 0.0), METRIC) == [
        "Upper air: open circuit", "Lower face: are the two plugs swapped?",
    ]  # fmt: skip


def test_a_trouble_is_said_once_it_lasts() -> None:
    """One wild sample, and the drop that was not there before its sheet, are none."""
    there = walk()
    watch, said = there.watch, []
    for at in range(70):
        there.now_s = float(at)
        troubles = [("air_lower_c", "spike")] if at in (20, 21) else []
        troubles += [("drop_mm", "out of range")] if at <= 61 else [("drop_mm", "open circuit")] if at >= 65 else []
        watch.take(Second(float(at), {"air_upper_c": 180.0}, tuple(troubles), there.record, there.marks(), there.form))
        told = HeatWatch._lasting(watch, tuple(troubles), float(at)) if at != 60 else watch.look().troubles
        said += [(at, state) for column, state in told if column != "drop_mm" or at >= 60]
    assert said == [(68, "open circuit"), (69, "open circuit")]


def test_troubles_are_loud(heating: Aged) -> None:
    look = replace(heating.look, troubles=(("face_upper_c", "open circuit"),), links=("board: lost, cable?",),
                   unsaved="disk full")  # fmt: skip
    assert loud(Aged(look, 0.1), METRIC) == [
        "NOT SAVED, in memory only: disk full", "Upper face: open circuit", "board: lost, cable?",
    ]  # fmt: skip
    silent = replace(look, silent_s=61.0, troubles=())
    assert "computed on from before" in loud(Aged(silent, 0.1), METRIC)[1]
    assert stale(Aged(silent, 0.1), METRIC) == "1:01"
    assert stale(Aged(silent, OLD_S + 0.1), METRIC) == "", "not live: no number at all"
    assert stale(Aged(replace(silent, silent_s=4.0), 0.1), METRIC) == ""


def test_what_is_not_well_is_said_of_each_of_several(heating: Aged) -> None:
    silent = Aged(replace(heating.look, silent_s=61.0), 0.1)
    gone = Aged(replace(heating.look, failure="The recorder has stopped: disk full"), 0.1)
    one, two = brief(StillLive({"a": silent, "b": gone}), METRIC)["benches"]
    assert one[1:5] == ["heating", "no readings", "1:01", "for"]
    assert "heating, likely ready in" in one[5]
    assert two[1:] == [NOT_LIVE, "", "", "", "The recorder has stopped: disk full"]


def test_the_judgement_comes_with_the_pull(pulled: Aged) -> None:
    told = update(StillLive({"b": pulled}), "b", METRIC, {})
    assert told["judged"][0].split()[0].rstrip(":") in ("RIGHT", "EARLY", "LATE")
    assert pulled.look.truth is not None
    assert told["phase"] == "out"


# ---------------------------------------------------------------- what is sent


def test_nothing_is_sent_twice(heating: Aged) -> None:
    live = StillLive({"b": heating})
    first = update(live, "b", METRIC, {})
    assert {part for part in PARTS if part in first} == set(PARTS)
    look = heating.look
    assert look.curve is not None
    assert look.heat is not None
    have = {"parts": first["parts"], "figure": first["figure"], "rows": str(len(look.curve.rows)), "thinned": "0"}
    again = update(live, "b", METRIC, have)
    assert [part for part in PARTS if part in again] == []
    assert again["rows"] == []
    assert len(as_json(again).encode()) < 500
    assert update(live, "b", METRIC, have | {"rows": "3"})["rows"] == [
        shown_row(row, look.heat.start_s, METRIC) for row in look.curve.rows[3:]
    ]


@pytest.mark.parametrize("units", [METRIC, US], ids=["metric", "us"])
def test_a_second_is_sent_in_less_than_a_kilobyte(seconds_of_it: list[Aged], units: Units) -> None:
    """Of a falling bubble with all its sensors, where the most changes; each second to a page that has the one before.

    The notes are left out: they change a few times a heat.
    """
    have: dict[str, str] = {}
    sizes = []
    for aged in seconds_of_it:
        told = update(StillLive({"b": aged}), "b", units, have)
        curve = aged.look.curve
        rows = "0" if curve is None else str(len(curve.rows))
        have = {"parts": told["parts"], "figure": key_of(aged.look, units), "rows": rows, "thinned": "0"}
        told.pop("notes", None)
        sizes.append(len(as_json(told).encode()))
    assert max(sizes[2:]) < 1000


@pytest.mark.parametrize("junk", ["-1", "1e9", "x", "²", "9" * 30, ""])
def test_junk_of_a_page_is_no_trouble(heating: Aged, junk: str) -> None:
    live = StillLive({"b": heating})
    key = key_of(heating.look, METRIC)
    told = update(live, "b", METRIC, {"parts": junk, "figure": key, "rows": junk, "thinned": junk})
    assert told["figure"].startswith(key)


def test_sixteen_benches_in_short_are_small(heating: Aged) -> None:
    live = StillLive({f"bench-{n}": heating for n in range(16)})
    told = brief(live, METRIC)
    assert [one[0] for one in told["benches"]] == list(live.benches)
    assert len(as_json(told).encode()) < 1000


# ---------------------------------------------------------------- the picture


@pytest.mark.parametrize("units", [METRIC, US], ids=["metric", "us"])
def test_the_picture_holds_the_rows_in_the_units_shown(heating: Aged, units: Units) -> None:
    look = heating.look
    made = figure(look, units)
    grows = [trace for trace in made["data"] if trace["meta"] == "grows"]
    assert look.curve is not None
    assert {len(trace["x"]) for trace in grows} == {len(look.curve.rows)}
    core = next(trace for trace in grows if trace["name"] == "core, estimated")
    last = look.curve.rows[-1]
    core_c = last[1 + COLUMNS.index("core")]
    assert core_c is not None
    assert core["y"][-1] == pytest.approx(units.temperature_value(core_c), abs=0.01)
    assert core["x"][-1] == pytest.approx(((last[0] or 0.0) - 60.0) / 60.0, abs=1e-3)
    drop = next(trace for trace in grows if trace["name"] == "drop, measured")
    drop_mm = last[1 + COLUMNS.index("drop")]
    assert drop_mm is not None
    assert drop["y"][-1] == pytest.approx(drop_mm / (1.0 if units is METRIC else 25.4), abs=0.01)
    json.dumps(made, allow_nan=False)


def test_the_truth_is_drawn_only_after_the_pull(heating: Aged, pulled: Aged) -> None:
    names = [[trace["name"] for trace in figure(one.look, METRIC)["data"]] for one in (heating, pulled)]
    assert "core, the truth" not in names[0]
    assert "core, the truth" in names[1]
    assert key_of(heating.look, METRIC) != key_of(pulled.look, METRIC)


def test_rows_have_what_was_measured_and_nothing_made_up(heating: Aged) -> None:
    told = heating.look.told
    assert told is not None
    row = dict(zip(("time_s", *COLUMNS), row_of(400.0, told, {"air_upper_c": 180.123}), strict=True))
    assert (row["air_upper"], row["air_lower"], row["drop"]) == (180.12, None, None)
    assert row["core_low"] < row["core"] < row["core_high"]  # type: ignore[operator]


def test_time_goes_forward_in_every_trace(pulled: Aged) -> None:
    for trace in figure(pulled.look, METRIC)["data"]:
        assert all(before <= after for before, after in pairwise(trace["x"]))
