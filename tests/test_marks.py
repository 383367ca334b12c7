"""What people mark, and the mailbox."""

from __future__ import annotations

import threading
from pathlib import Path

import pytest

from logger.marks import NAMES, Mailbox, ago_s, drop_note, drop_points, request, undo
from logger.records import Mark, in_force
from recorder_rig import bench_of
from thermal.fields import InputError
from thermal.heat import EVENTS


@pytest.mark.parametrize(
    ("text", "seconds"), [("20s", 20.0), ("20", 20.0), ("1.5m", 90.0), ("5min", 300.0), (" 0 S ", 0.0)]
)
def test_ago(text: str, seconds: float) -> None:
    assert ago_s(text) == seconds


@pytest.mark.parametrize("text", ["-5s", "soon", "", "nan", "inf", "31min", "1h"])
def test_ago_refused(text: str) -> None:
    with pytest.raises(InputError, match="expected a number at least 0 and at most 1800 s"):
        ago_s(text)


def test_names_are_the_events_and_start() -> None:
    assert ("start", *EVENTS) == NAMES
    assert request("Clear through", 0).name == request("clear-through", 0).name == "clear_through"
    with pytest.raises(InputError, match="did you mean pulled"):
        request("puled", 0)
    with pytest.raises(InputError, match="501 letters"):
        request("start", 0, note="x" * 501)


def test_lines_stand_for_millimetres() -> None:
    bench = bench_of(lines={"line_1": 25.0, "line_2": 50.0})
    assert drop_note(bench, "line_2") == "drop 50 mm"
    assert drop_note(bench, "line_3") == drop_note(bench_of(), "line_1") == drop_note(bench, "pulled") == ""
    marks = [
        Mark("a", "b", "r", 40.0, 0, "line_2"),
        Mark("b", "b", "r", 20.0, 0, "line_1"),
        Mark("c", "b", "r", 10.0, 0, "line_1"),
        Mark("d", "b", "r", 30.0, 0, "undo", undoes="b"),
    ]
    assert drop_points(bench, in_force(marks)) == [(10.0, 25.0), (40.0, 50.0)]


def test_order_is_that_of_posting_whatever_the_clock_says(tmp_path: Path) -> None:
    box = Mailbox(tmp_path)
    asked = [request("start", 5000, 1.5, "ab", "ünter 3 °C"), undo(4000, by="ab"), request("pulled", 3000)]
    for one in asked:
        box.post(one)
    assert Mailbox(tmp_path).waiting() == asked
    assert box.taken(asked[0].id)
    assert box.taken(asked[0].id)
    assert box.waiting() == asked[1:]


def test_a_reader_never_sees_half_of_one(tmp_path: Path) -> None:
    box, seen = Mailbox(tmp_path), set()
    asked = [request("line_1", n) for n in range(60)]
    thread = threading.Thread(target=lambda: [box.post(one) for one in asked])
    thread.start()
    while thread.is_alive() or box.waiting():
        for one in box.waiting():
            seen.add(one.id)
            assert box.taken(one.id)
    thread.join()
    assert seen == {one.id for one in asked}
    assert list(tmp_path.iterdir()) == []
