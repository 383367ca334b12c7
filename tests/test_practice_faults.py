"""Each fault of the practice bench is shown as a state, gives no invented number, and ends by itself."""

from __future__ import annotations

import math

import pytest

from logger.practice_faults import FAULTS, fault_of
from logger.reading import FaultKind, LinkState, State
from practice_line import Kitchen, Watched
from thermal.fields import InputError

NAMES = ("tc_1", "tc_2", "tc_3")
#: How far a believed value may be from the truth: noise 0.05 K and a lag of 1.5 s at 0.1 K/s.
NEAR_K = 0.5


def true_face_c(time_s: float) -> float:
    return Kitchen().advance(time_s)["face_upper"]


def assert_never_invented(watched: Watched) -> None:
    """Every value of the upper face, at any time, is one that the model had a moment before."""
    for at_s, now in watched.now.items():
        value = now["face_upper"].value
        if value is not None:
            # The newest sample may be as old as the staleness rule allows: 3 s, at 0.1 K/s.
            assert value == pytest.approx(true_face_c(at_s), abs=NEAR_K + 0.3), (at_s, now["face_upper"])
        assert (value is None) == (now["face_upper"].state is not State.OK)


def test_all_well_without_faults() -> None:
    watched = Watched().until(120.0)
    assert watched.states("face_upper", 1.0, 120.0) == {"ok"}
    assert watched.faults(0.0, 120.0) == set()
    assert watched.links(0.0, 120.0) == [LinkState.OPENING, LinkState.RUNNING]
    assert_never_invented(watched)
    # 0.05 mm/s of drop, noise of 0.4 mm: four standard deviations.
    assert watched.now[max(watched.now)]["drop"].value == pytest.approx(6.0, abs=1.6)


CHANNEL_FAULTS = {
    "open": ("open:tc_3@30+30", "open circuit", 31.0, 59.0, 61.0),
    "short": ("short:tc_3@30+30", "short circuit", 31.0, 59.0, 61.0),
    "touch": ("touch:tc_3@600+30", "short circuit", 601.0, 629.0, 631.0),
    # Believed for 30 s, as the rule says.
    "frozen": ("frozen:tc_3@30+90", "frozen", 61.0, 119.0, 121.0),
    "spike": ("spike:tc_3@30", "spike", 29.95, 30.15, 30.3),
}


@pytest.mark.parametrize(("text", "state", "from_s", "to_s", "again_s"), CHANNEL_FAULTS.values(), ids=CHANNEL_FAULTS)
def test_channel_fault_is_its_state(text: str, state: str, from_s: float, to_s: float, again_s: float) -> None:
    watched = Watched([text]).until(again_s + 10.0)
    assert watched.states("face_upper", from_s, to_s) == {state}
    assert all(reading.text for reading in watched.readings("face_upper", from_s, to_s))
    assert watched.states("face_upper", again_s, again_s + 10.0) == {"ok"}
    assert watched.states("face_lower", 1.0, again_s + 10.0) == {"ok"}
    if not text.startswith("frozen"):  # a frozen value is believed for a while, and then it lags the truth
        assert_never_invented(watched)


def test_swapped_plugs_are_suspected() -> None:
    watched = Watched(["swap:tc_1,tc_3@0+200"]).until(400.0)
    texts = {reading.text for reading in watched.readings("face_upper", 25.0, 190.0)}
    assert all("above air_upper" in text and "are the two plugs swapped?" in text for text in texts)
    assert {r.text != "" for r in watched.readings("air_upper", 30.0, 190.0)} == {True}
    assert {r.text for r in watched.readings("face_upper", 300.0, 400.0)} == {""}


LINE_FAULTS = {
    "garbage": ("garbage@30+15", {FaultKind.GARBAGE}),
    "checksum": ("checksum@30+15", {FaultKind.CHECKSUM}),
    "half-line": ("half-line@30+15", {FaultKind.SHORT_LINE}),
    "duplicate": ("duplicate@30+15", {FaultKind.DUPLICATE}),
    "order": ("order@30+15", {FaultKind.ORDER}),
    "baud": ("baud@30+15", {FaultKind.GARBAGE}),
    "reset": ("reset@30", {FaultKind.RESTART}),
    "silence": ("silence@30+15", {FaultKind.GAP}),
}


@pytest.mark.parametrize(("text", "kinds"), LINE_FAULTS.values(), ids=LINE_FAULTS)
def test_line_fault_is_told_and_over(text: str, kinds: set[FaultKind]) -> None:
    watched = Watched([text]).until(80.0)
    assert watched.faults(0.0, 29.9) == set()
    assert kinds <= watched.faults(29.9, 55.0)
    assert watched.faults(55.0, 80.0) == set()
    assert watched.states("face_upper", 55.0, 80.0) == {"ok"}
    assert watched.links(0.0, 80.0)[-1] is LinkState.RUNNING
    assert_never_invented(watched)


def test_frozen_value_gives_way_to_the_truth_without_a_spike() -> None:
    """The face rose by 30 K and more while its converter stood still."""
    watched = Watched(["frozen:tc_3@100+400"]).until(520.0)
    assert watched.states("face_upper", 135.0, 520.0) == {"frozen", "ok"}
    assert watched.readings("face_upper", 501.0, 520.0)[0].value == pytest.approx(true_face_c(501.0), abs=NEAR_K)


def test_two_lines_at_once_lose_nothing() -> None:
    watched = Watched(["together@30+15"]).until(80.0)
    assert watched.faults(0.0, 80.0) == set()
    # 5 lines a second; the first second goes to asking.
    assert watched.reader.frames["board"] >= 5 * 79
    assert_never_invented(watched)


def test_silent_board_is_shown_silent() -> None:
    watched = Watched(["silence@30+15"]).until(80.0)
    assert LinkState.SILENT in watched.links(30.0, 45.0)
    assert watched.states("face_upper", 34.0, 44.0) == {"no reading"}
    assert "connected, nothing comes" in watched.readings("face_upper", 40.0, 44.0)[0].text


def test_wrong_baud_is_named() -> None:
    watched = Watched(["baud@30+15"]).until(60.0)
    silent = [one.what for one in watched.arrivals if getattr(one.what, "state", None) is LinkState.SILENT]
    assert "baud" in silent[0].text  # type: ignore[union-attr]


def test_cable_pulled_and_put_back() -> None:
    watched = Watched(["cable@30+12", "cable@80+3"]).until(140.0)
    assert watched.links(30.0, 60.0)[:1] == [LinkState.LOST]
    assert watched.states("face_upper", 34.0, 41.0) == {"no reading"}
    assert watched.states("face_upper", 55.0, 79.0) == {"ok"}
    assert watched.states("face_upper", 95.0, 140.0) == {"ok"}
    assert watched.line.opened == 3
    assert_never_invented(watched)


def test_cable_pulled_a_hundred_times() -> None:
    pulls = [
        f"cable@{20.0 + 10.0 * i + 2.0 * math.sin(i):.2f}+{0.4 + 3.0 * abs(math.cos(3 * i)):.2f}" for i in range(100)
    ]
    watched = Watched(pulls).until(1100.0)
    assert watched.line.opened >= 100
    assert watched.states("face_upper", 1050.0, 1100.0) == {"ok"}
    assert_never_invented(watched)


def test_every_fault_has_its_test() -> None:
    tested = {*CHANNEL_FAULTS, *LINE_FAULTS, "swap", "together", "cable"}
    assert tested == set(FAULTS)


def test_same_seed_same_bytes() -> None:
    def said(seed: int) -> list[tuple[float, bytes]]:
        faults = ["garbage@2+5", "checksum@5+5", "spike:tc_1@3", "baud@11+2"]
        return Watched(faults, seed).board.due(15.0)

    assert said(3) == said(3)
    assert said(3) != said(4)


# ---------------------------------------------------------------- what a person writes


def test_fault_with_all_parts() -> None:
    fault = fault_of("open:tc_2@120+30", NAMES)
    assert (fault.name, fault.at_s, fault.lasts_s, fault.channels) == ("open", 120.0, 30.0, ("tc_2",))


def test_fault_takes_what_is_left_out() -> None:
    assert fault_of("swap@10", NAMES).channels == ("tc_1", "tc_2")
    assert fault_of("cable@10", NAMES).lasts_s == FAULTS["cable"].lasts_s


@pytest.mark.parametrize(
    ("text", "said"),
    {
        "unknown": ("opne@10", "did you mean open"),
        "unknown channel": ("open:tc_9@10", "did you mean tc_"),
        "no time": ("open", "expected NAME@SECONDS"),
        "no number": ("open@1.2.3", "is no number of seconds"),
        "far future": ("open@1000000", "expected a number at least 0"),
        "channel of the whole board": ("cable:tc_1@10", "expected no channel"),
        "one of two": ("swap:tc_1@10", "expected two channels"),
        "twice the same": ("swap:tc_1,tc_1@10", "expected two channels"),
        "empty": ("", "expected NAME@SECONDS"),
    }.values(),
)
def test_refused_faults(text: str, said: str) -> None:
    with pytest.raises(InputError, match=said):
        fault_of(text, NAMES)
