"""The recorder with a store, a disk, a clock and a source that fail on demand: nothing lost, nothing doubled."""

from __future__ import annotations

import threading
from datetime import UTC, datetime, timedelta
from math import exp
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from logger import keeper
from logger.actions import EndRun
from logger.bench import Bench, Role, SourceEntry
from logger.blocks import BlockBuilder
from logger.keeper import BATCH, Kept
from logger.marks import Mailbox, request, undo
from logger.reading import Fault, FaultKind, Frame, State, Value
from logger.readings import BenchArrival, Reading
from logger.records import NOT_SAMPLED, STATE_CODES, BenchHeld
from recorder_rig import FakeStore, Rig, bench_of, samples_of
from thermal.fields import InputError


@pytest.fixture
def rig(tmp_path: Path) -> Rig:
    return Rig(tmp_path).start()


def test_every_frame_is_stored_once_with_its_times_raw_value_and_state(rig: Rig) -> None:
    rig.run(20.0)
    rig.recorder.close()
    rig.must_be_whole()
    block = rig.store.kept["north-bench", rig.run_id, 7]
    assert block.columns[:2] == ("air_upper", "air_lower")
    assert "raw:board/tc_1_c" in block.columns
    assert block.offsets_ms.tolist() == [0, 100, 200, 300, 400, 500, 600, 700, 800, 900]
    assert block.utc_ms == rig.recorder.run.started_utc_ms + 7000
    assert np.array_equal(block.values[:, :4], block.values[:, 4:])  # raw and judged, without correction
    assert (block.states == STATE_CODES[State.OK]).all()
    assert rig.store.runs[rig.run_id].how == "ended"


def test_store_locked_for_30_s(rig: Rig) -> None:
    rig.run(10.0)
    rig.store.down = True
    rig.run(30.0)
    assert len(rig.spool) > 0
    assert "locked" in rig.recorder.step(0.2).kept.trouble
    rig.store.down = False
    rig.run(20.0)
    assert rig.recorder.step(0.2).kept.spooled == 0
    assert rig.recorder.step(0.2).kept.trouble == ""
    rig.recorder.close()
    rig.must_be_whole()


def test_a_long_outage_comes_back_in_order_in_several_batches(tmp_path: Path) -> None:
    rig = Rig(tmp_path, rate_hz=1).start()
    rig.store.down = True
    rig.run(10.0 * BATCH + 50.0, 1.0)
    rig.store.down = False
    rig.run(12.0, 1.0)
    rig.recorder.close()
    rig.must_be_whole()


@pytest.mark.parametrize("hung", ["add", "hold", "open"])
def test_a_store_that_hangs_holds_up_nothing(tmp_path: Path, hung: str) -> None:
    # With the thread, and a clock that the test moves: every round takes no longer than its own wait.
    rig = Rig(tmp_path, own_thread=True).start()
    rig.run(5.0)
    rig.settle()
    if hung == "open":
        rig.store.fail_next = 1
    rig.store.hang(hung)
    acknowledged = []
    for _ in range(150):
        kept = rig.recorder.step(0.2).kept
        acknowledged.append(kept.unsaved == 0)
    assert rig.store.hangs.wait(60.0)  # the thread is inside the call, and the rounds went on
    assert all(acknowledged)
    assert rig.recorder.kept().spooled > 20
    mark = rig.recorder.mark(request("start", 0))
    on_disk = [one.id for _, entry in rig.spool.pending() for one in entry.marks]
    assert mark.id in on_disk
    rig.store.go_on()
    rig.run(2.0)
    rig.settle()
    rig.recorder.close()
    rig.must_be_whole()
    assert rig.store.repeated == 0


def test_a_store_that_hangs_does_not_keep_the_program_from_ending(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(keeper, "PATIENCE_S", 0.2)
    rig = Rig(tmp_path, own_thread=True).start()
    rig.run(5.0)
    rig.settle()
    rig.store.hang("add")
    rig.run(5.0)
    assert rig.store.hangs.wait(60.0)
    rig.recorder.close()
    waiting = [entry for _, entry in rig.spool.pending()]
    assert any(isinstance(action, EndRun) for entry in waiting for action in entry.actions)
    rig.store.go_on()
    stuck = [one for one in threading.enumerate() if one.name == "store"]
    for thread in stuck:
        thread.join(60.0)
    assert stuck
    assert not any(thread.is_alive() for thread in stuck)
    rig.kill()
    Rig(tmp_path, store=rig.store, clock=rig.clock).start().recorder.close()
    rig.must_be_whole()


def test_the_thread_stores_what_the_rounds_bring(tmp_path: Path) -> None:
    rig = Rig(tmp_path, own_thread=True).start()
    rig.run(30.0)
    rig.recorder.close()
    rig.must_be_whole()
    assert rig.recorder.kept() == Kept(0, 0, "")
    assert threading.active_count() == 1


def test_disk_full_while_the_store_is_well_goes_straight_into_it(rig: Rig) -> None:
    rig.run(5.0)
    rig.spool.full = True
    rig.run(20.0)
    assert rig.recorder.kept().unsaved == 0
    rig.spool.full = False
    rig.run(5.0)
    rig.recorder.close()
    rig.must_be_whole()


def test_an_entry_on_its_way_from_memory_into_the_store_keeps_its_place(tmp_path: Path) -> None:
    rig = Rig(tmp_path, own_thread=True).start()
    rig.run(5.0)
    rig.settle()
    rig.spool.full = True
    rig.store.hang("add")
    rig.run(3.0)
    assert rig.store.hangs.wait(60.0)
    rig.spool.full = False  # the disk is freed while the store has the first entry in hand
    rig.run(3.0)
    assert rig.recorder.kept().unsaved > 3
    rig.store.fail_next = 1  # and the store then refuses it
    rig.store.go_on()
    rig.settle(unsaved=0)
    rig.recorder.close()
    rig.must_be_whole()


def test_a_bench_that_another_holds_by_the_time_the_store_is_back_is_said_and_waits(tmp_path: Path) -> None:
    rig = Rig(tmp_path, store=FakeStore(down=True)).start()
    rig.run(5.0)
    rig.store.holders[rig.bench.id] = "another"
    rig.store.down = False
    rig.run(20.0)
    assert "is recorded by another recorder" in rig.recorder.kept().trouble
    assert rig.recorder.kept().spooled > 20
    rig.store.holders.clear()
    rig.run(15.0)
    rig.recorder.close()
    rig.must_be_whole()


def test_disk_full_and_then_freed(rig: Rig) -> None:
    rig.run(5.0)
    rig.store.down = rig.spool.full = True
    rig.run(40.0)
    kept = rig.recorder.step(0.2).kept
    assert kept.unsaved > 0
    assert "free space" in kept.trouble
    rig.spool.full = False
    rig.run(2.0)
    assert rig.recorder.step(0.2).kept.unsaved == 0
    rig.store.down = False
    rig.run(15.0)
    rig.recorder.close()
    rig.must_be_whole()


def test_connection_that_breaks_after_the_commit_doubles_nothing(rig: Rig) -> None:
    rig.run(5.0)
    rig.store.lose_answer = True
    rig.run(15.0)
    rig.recorder.close()
    assert rig.store.repeated > 0  # it was given twice
    rig.must_be_whole()


def test_store_down_from_the_start_and_run_ended_while_down(tmp_path: Path) -> None:
    rig = Rig(tmp_path, store=FakeStore(down=True)).start()
    rig.recorder.mark(request("start", 0, by="ab"))
    rig.run(10.0)
    rig.recorder.close()
    assert rig.store.kept == {}
    rig.store.down = False
    later = Rig(tmp_path, store=rig.store).start()
    later.recorder.close()
    rig.must_be_whole()
    assert [heat.state for heat in rig.store.heats.values()] == ["interrupted"]
    assert rig.store.runs[rig.run_id].how == "ended"


@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    faults=st.lists(
        st.tuples(st.sampled_from(["down", "full", "both", "answer", "kill", "one call", "fine"]), st.integers(1, 15)),
        max_size=8,
    )
)
def test_any_interleaving_of_failures(tmp_path_factory: pytest.TempPathFactory, faults: list[tuple[str, int]]) -> None:
    rig = Rig(tmp_path_factory.mktemp("spool"), rate_hz=2).start()
    expected: dict[str, list[tuple[int, float]]] = {}
    for kind, duration_s in faults:
        rig.store.down = kind in ("down", "both")
        rig.spool.full = kind in ("full", "both")
        rig.store.lose_answer = kind == "answer"
        rig.store.fail_next = 1 if kind == "one call" else 0
        rig.run(duration_s, 0.5)
        if kind == "kill":
            killed, acknowledged = rig.run_id, rig.store.samples(rig.run_id)
            acknowledged += samples_of([block for _, entry in rig.spool.pending() for block in entry.blocks])
            rig.kill()
            rig = Rig(rig.folder, store=rig.store, clock=rig.clock, rate_hz=2).start()
            expected[killed] = sorted(set(acknowledged))
    rig.store.down = rig.spool.full = rig.store.lose_answer = False
    rig.store.fail_next = 0
    rig.run(25.0, 0.5)
    rig.recorder.close()
    rig.must_be_whole()
    for killed, samples in expected.items():
        assert rig.store.samples(killed) == samples
    assert all(run.how != "open" for run in rig.store.runs.values())


# ---------------------------------------------------------------- killed


def test_killed_recorder_leaves_an_interrupted_heat(rig: Rig) -> None:
    rig.recorder.mark(request("start", 0))
    rig.run(10.0)
    rig.recorder.mark(request("pulled", 0))
    rig.run(2.0)
    rig.kill()
    next_one = Rig(rig.folder, store=rig.store, clock=rig.clock).start()
    (heat,) = rig.store.heats.values()
    assert heat.state == "interrupted"
    assert heat.end_s == pytest.approx(12.0, abs=1.0)
    assert rig.store.runs[rig.run_id].how == "interrupted"
    assert rig.store.runs[next_one.run_id].how == "open"
    next_one.recorder.close()


def test_killed_while_the_store_was_down_keeps_what_was_spooled(rig: Rig) -> None:
    rig.store.down = True
    rig.recorder.mark(request("start", 0))
    rig.run(20.0)
    rig.kill()
    rig.store.down = False
    Rig(rig.folder, store=rig.store, clock=rig.clock).start().recorder.close()
    assert len(rig.store.samples(rig.run_id)) >= 180
    assert [heat.state for heat in rig.store.heats.values()] == ["interrupted"]


def test_second_recorder_of_a_bench_is_refused(rig: Rig, tmp_path: Path) -> None:
    with pytest.raises(InputError, match="another recorder of this bench is running"):
        Rig(tmp_path, store=rig.store).start()
    with pytest.raises(BenchHeld, match="another recorder"):
        Rig(tmp_path / "elsewhere", store=rig.store).start()
    rig.recorder.close()


# ---------------------------------------------------------------- clock


@pytest.mark.parametrize("hours", [1, -1])
def test_clock_stepped_by_an_hour(rig: Rig, hours: int) -> None:
    rig.run(10.0)
    before_ms = rig.recorder.run.started_utc_ms
    rig.clock.step_utc(timedelta(hours=hours))
    rig.run(10.0)
    rig.recorder.close()
    rig.must_be_whole()
    assert rig.seconds() == list(range(21))
    (mark,) = rig.store.named("clock_stepped")
    assert mark.source == "machine"
    assert "3600.0 s" in mark.note
    assert ("forward" in mark.note) == (hours > 0)
    assert rig.store.kept["north-bench", rig.run_id, 5].utc_ms == before_ms + 5000
    assert rig.store.kept["north-bench", rig.run_id, 15].utc_ms == before_ms + 15000 + hours * 3_600_000


def test_zone_change(rig: Rig) -> None:
    rig.run(5.0)
    rig.zone = "+02:00 CEST"
    rig.run(15.0)
    assert [mark.note for mark in rig.store.named("zone_changed")] == ["local time was +01:00 CET, is +02:00 CEST"]
    rig.recorder.close()


def test_sleep_in_which_monotonic_time_stood_still(tmp_path: Path) -> None:
    rig = Rig(tmp_path, boot_extra_s=100.0).start()
    rig.run(10.0)
    rig.boot_extra_s = 100.0 + 1800.0
    rig.clock.step_utc(timedelta(seconds=1800))
    rig.run(10.0)
    rig.recorder.close()
    assert [mark.note for mark in rig.store.named("suspended")] == ["the machine slept for 1800 s"]
    assert rig.store.named("clock_stepped") == []
    rig.must_be_whole()


def test_sleep_in_which_monotonic_time_ran_on(rig: Rig) -> None:
    rig.run(10.0)
    rig.source.lost = True
    rig.clock.sleep(1800.0)
    rig.source.poll(0.0)
    rig.source.lost = False
    rig.run(10.0)
    rig.recorder.close()
    assert [mark.note for mark in rig.store.named("suspended")] == ["the machine slept for 1800 s"]
    assert len(rig.seconds()) < 40  # no seconds are made up for the time in which nobody looked


# ---------------------------------------------------------------- source


def test_source_lost_and_back_in_a_heat(rig: Rig) -> None:
    rig.recorder.mark(request("start", 0))
    rig.run(10.0)
    rig.source.lose()
    rig.run(20.0)
    rig.source.come_back()
    rig.run(10.0)
    rig.recorder.close()
    rig.must_be_whole()
    assert [mark.name for mark in rig.store.marks_.values()] == ["start", "source_lost", "source_back"]
    silent = rig.store.kept["north-bench", rig.run_id, 20]
    assert np.isnan(silent.values).all()
    assert (silent.states == STATE_CODES[State.MISSING]).all()
    assert [heat.state for heat in rig.store.heats.values()] == ["interrupted"]  # the recorder stopped, nobody pulled


def test_faults_on_the_wire_are_told_once_a_minute(rig: Rig) -> None:
    for _ in range(50):
        rig.source.say(Fault(FaultKind.CHECKSUM, "wrong"))
        rig.source.say(Fault(FaultKind.GAP, "gap", missing=3))
        rig.run(1.0)
    rig.recorder.close()
    assert [mark.note for mark in rig.store.named("faults")] == ["board: 150 x frames missing, 50 x wrong checksum"]


def test_two_sources_stand_in_one_block_each_due_in_its_own_rows() -> None:

    entries = tuple(SourceEntry(name, "board", {"url": ""}, {}) for name in ("a", "b"))
    bench = Bench("b", "o", entries, (Role("air_upper", "a", "x"), Role("core_1", "b", "y")))
    builder = BlockBuilder(bench, "run", 0.0)
    utc = datetime(2026, 1, 1, tzinfo=UTC)

    def arrival(source: str, role: str, channel: str, at_s: float) -> BenchArrival:
        frame = Frame(1, None, (Value(channel, "uV", 5.0, cold_junction_c=20.0),))
        return BenchArrival(source, at_s, utc, frame, (Reading(role, at_s, "C", State.OK, "", ""),))

    builder.take(
        [arrival("a", "air_upper", "x", 0.1), arrival("b", "core_1", "y", 0.1), arrival("a", "air_upper", "x", 0.3)]
    )
    (block,) = builder.due(2.0, utc, dict)
    assert block.offsets_ms.tolist() == [100, 100, 300]
    air, core = (block.columns.index(name) for name in ("air_upper", "core_1"))
    assert block.states[:, air].tolist() == [0, NOT_SAMPLED, 0]
    assert block.states[:, core].tolist() == [NOT_SAMPLED, 0, NOT_SAMPLED]
    assert block.values[0, block.columns.index("raw:a/x_junction_c")] == 20.0


def test_frames_that_came_in_one_read_keep_the_distances_of_the_board_clock() -> None:

    builder = BlockBuilder(bench_of(1), "run", 0.0)
    utc = datetime(2026, 1, 1, tzinfo=UTC)
    arrived = [0.05, 0.15, 0.25, 0.75, 0.75, 0.75, 0.75, 0.75]
    for n, at_s in enumerate(arrived):
        frame = Frame(n, 7000 + 100 * n, (Value("tc_1", "C", 20.0),))
        builder.take([BenchArrival("board", at_s, utc, frame, (Reading("air_upper", 20.0, "C", State.OK, "", ""),))])
    (block,) = builder.due(2.0, utc, dict)
    assert block.offsets_ms.tolist() == [50, 150, 250, 350, 450, 550, 650, 750]


def test_frame_that_comes_after_its_second_was_stored_is_placed_into_the_next() -> None:
    builder = BlockBuilder(bench_of(1), "run", 0.0)
    utc = datetime(2026, 1, 1, tzinfo=UTC)

    def take(at_s: float) -> None:
        frame = Frame(None, None, (Value("tc_1", "C", at_s),))
        builder.take([BenchArrival("board", at_s, utc, frame, (Reading("air_upper", at_s, "C", State.OK, "", ""),))])

    take(0.2)
    (first,) = builder.due(1.6, utc, dict)
    take(0.4)
    take(0.5)
    (second,) = builder.due(2.6, utc, dict)
    assert (first.second, first.values[:, 0].tolist()) == (0, [0.2])
    assert (second.second, second.offsets_ms.tolist(), second.values[:, 0].tolist()) == (1, [0, 1], [0.4, 0.5])


# ---------------------------------------------------------------- heats and marks


def test_heat_by_word_from_start_to_pull(rig: Rig) -> None:
    rig.run(5.0)
    start = rig.recorder.mark(request("start", 0, by="ab"))
    rig.run(60.0)
    rig.recorder.mark(request("pulled", 0, ago_s=2.0))
    rig.run(10.0)
    assert [heat.state for heat in rig.store.heats.values()] == ["open"]
    rig.run(115.0)
    (heat,) = rig.store.heats.values()
    assert (heat.id, heat.state) == (start.id, "finished")
    assert [heat.start_s, heat.end_s] == pytest.approx([5.0, 63.0])
    rig.recorder.close()


def test_forgotten_start_set_back_then_moved_then_undone(rig: Rig) -> None:
    rig.run(600.0, 1.0)
    rig.recorder.mark(request("start", 0, ago_s=300.0))
    rig.recorder.mark(request("start", 0, ago_s=420.0, by="cd"))
    (heat,) = rig.store.heats.values()
    assert heat.start_s == pytest.approx(180.0)
    assert rig.store.moves[0][2:] == ("cd", "start marked")
    rig.recorder.mark(undo(0, by="cd"))
    (heat,) = rig.store.heats.values()
    assert heat.start_s == pytest.approx(300.0)
    rig.recorder.mark(undo(0))
    assert [one.state for one in rig.store.heats.values()] == ["aborted"]
    rig.recorder.close()


def test_start_set_back_before_the_run_stops_at_its_beginning(rig: Rig) -> None:
    rig.run(20.0)
    rig.recorder.mark(request("start", 0))
    rig.recorder.mark(request("start", 0, ago_s=200.0))
    (heat,) = rig.store.heats.values()
    assert heat.start_s == 0.0
    rig.recorder.close()


def test_pull_taken_back(rig: Rig) -> None:
    rig.recorder.mark(request("start", 0))
    rig.run(30.0)
    rig.recorder.mark(request("pulled", 0))
    rig.run(30.0)
    rig.recorder.mark(undo(0))
    rig.run(200.0)
    assert [heat.state for heat in rig.store.heats.values()] == ["open"]
    rig.recorder.close()


def test_buttons_of_the_board_begin_and_end_a_heat(tmp_path: Path) -> None:
    rig = Rig(tmp_path, bench=bench_of(lines={"line_1": 25.0, "line_2": 50.0})).start()
    rig.run(2.0)
    rig.source.press("door_closed")
    rig.run(20.0)
    rig.source.press("line_1")
    rig.run(20.0)
    rig.source.press("pulled")
    rig.run(125.0)
    (heat,) = rig.store.heats.values()
    assert heat.state == "finished"
    assert heat.end_s is not None
    assert heat.end_s - heat.start_s == pytest.approx(40.0, abs=0.3)
    (line,) = rig.store.named("line_1")
    assert (line.note, line.source) == ("drop 25 mm", "button")
    rig.recorder.close()


def test_second_start_without_a_pull_closes_the_first_heat_as_aborted(rig: Rig) -> None:
    rig.recorder.mark(request("start", 0))
    rig.run(400.0, 1.0)
    rig.recorder.mark(request("start", 0))
    assert [heat.state for heat in rig.store.heats.values()] == ["aborted", "open"]
    rig.recorder.close()


def test_thinning_stays_an_hour_before_the_start_of_the_open_heat(tmp_path: Path) -> None:
    rig = Rig(tmp_path, rate_hz=0.2).start()
    rig.run(4205.0, 5.0)
    assert rig.store.thinned == [pytest.approx(4200.0 - 3600.0, abs=2.0)]
    rig.recorder.mark(request("start", 0))
    rig.run(1800.0, 5.0)
    # It may be set back by 30 minutes, and has the 30 minutes before it then, too.
    assert rig.store.thinned[1:] == [pytest.approx(4205.0 - 3600.0)] * 3
    rig.recorder.close()


def test_heat_by_the_door_alone(tmp_path: Path) -> None:
    def values(at_s: float) -> list[float]:
        fallen = sum(40.0 * exp(-(at_s - at) / 90.0) for at in (60.0, 400.0, 900.0) if at_s >= at)
        face = 22.0 + 150.0 * (1.0 - exp(-max(at_s - 60.0, 0.0) / 200.0))
        if at_s > 900.0:
            face -= 40.0 * (1.0 - exp(-(at_s - 900.0) / 20.0))
        return [183.0 - fallen, 180.0 - fallen, face, face - 1.0]

    rig = Rig(tmp_path, values=values, rate_hz=1).start()
    rig.run(1100.0, 1.0)
    (heat,) = rig.store.heats.values()
    assert heat.state == "finished"
    assert heat.start_s == pytest.approx(60.0, abs=5.0)
    assert heat.end_s == pytest.approx(900.0, abs=2.0)
    assert {mark.source for mark in rig.store.marks_.values()} == {"door"}
    in_time = sorted(rig.store.marks_.values(), key=lambda mark: mark.at_s)
    assert [(mark.name, round(mark.at_s, -1)) for mark in in_time if mark.name == "door_open"] == [
        ("door_open", 60.0), ("door_open", 400.0), ("door_open", 900.0),
    ]  # fmt: skip
    assert [mark.name for mark in in_time if mark.name in ("start", "pulled")] == ["start", "pulled"]
    rig.recorder.close()


def test_button_and_door_of_one_opening_make_one_heat(tmp_path: Path) -> None:
    rig = Rig(tmp_path, values=lambda t: [180.0 - (40.0 * exp(-(t - 60.0) / 90.0) if t >= 60.0 else 0.0)] * 4).start()
    rig.run(60.0)
    rig.source.press("door_closed")
    rig.run(60.0)
    assert [mark.source for mark in rig.store.marks_.values()] == ["button"]
    assert len(rig.store.heats) == 1
    rig.recorder.close()


# ---------------------------------------------------------------- mailbox


def test_marks_from_another_program_reach_the_recorder_in_order(rig: Rig) -> None:
    rig.run(100.0)
    box = Mailbox(rig.folder / "marks")
    now_ms = round(rig.clock.utc().timestamp() * 1e3)
    for name, ago_s in (("start", 30.0), ("door_closed", 28.0), ("pulled", 1.0)):
        box.post(request(name, now_ms, ago_s, by="ab"))
    rig.run(1.0)
    assert box.waiting() == []
    marks = list(rig.store.marks_.values())
    assert [mark.name for mark in marks] == ["start", "door_closed", "pulled"]
    assert [mark.at_s for mark in marks] == pytest.approx([70.0, 72.0, 99.0], abs=0.21)
    rig.recorder.close()


@pytest.mark.parametrize("hours", [1, -1])
def test_mark_given_as_the_clock_is_stepped_stays_where_it_was(rig: Rig, hours: int) -> None:
    rig.run(100.0)
    Mailbox(rig.folder / "marks").post(request("start", round(rig.clock.utc().timestamp() * 1e3), 10.0))
    rig.clock.step_utc(timedelta(hours=hours))
    rig.run(1.0)
    assert rig.store.named("start")[0].at_s == pytest.approx(90.0, abs=0.21)
    rig.recorder.close()


def test_marks_wait_until_a_recorder_runs_and_until_they_are_kept(tmp_path: Path) -> None:
    rig = Rig(tmp_path)
    now_ms = round(rig.clock.utc().timestamp() * 1e3)
    box = Mailbox(tmp_path / "marks")
    box.post(request("start", now_ms, 20.0))
    rig.start()
    (heat,) = rig.store.heats.values()
    assert heat.start_s == pytest.approx(-20.0)
    assert box.waiting() == []
    rig.store.down = rig.spool.full = True
    box.post(request("clear through", now_ms))
    rig.run(5.0)
    assert len(box.waiting()) == 1  # kept nowhere yet
    rig.store.down = rig.spool.full = False
    rig.run(15.0)
    assert box.waiting() == []
    assert len(rig.store.named("clear_through")) == 1
    rig.recorder.close()


def test_mark_that_was_stored_but_not_taken_out_is_not_done_again(rig: Rig) -> None:
    box = Mailbox(rig.folder / "marks")
    asked = request("start", round(rig.clock.utc().timestamp() * 1e3))
    box.post(asked)
    rig.run(5.0)
    rig.kill()
    box.post(asked)
    rig = Rig(rig.folder, store=rig.store, clock=rig.clock).start()
    rig.run(2.0)
    assert [heat.state for heat in rig.store.heats.values()] == ["interrupted"]
    assert box.waiting() == []
    rig.recorder.close()


def test_a_mark_leaves_the_mailbox_before_the_spool_forgets_it(rig: Rig, monkeypatch: pytest.MonkeyPatch) -> None:
    seen = list[tuple[str, int]]()
    dropped = rig.spool.drop_through

    def drop(token: int) -> None:
        seen.extend((mark.name, len(rig.mailbox.waiting())) for _, entry in rig.spool.pending() for mark in entry.marks)
        dropped(token)

    monkeypatch.setattr(rig.spool, "drop_through", drop)
    rig.mailbox.post(request("start", 0))
    rig.run(1.0)
    assert seen == [("start", 0)]
    rig.recorder.close()


def test_file_in_the_mailbox_that_is_no_mark_is_put_aside(rig: Rig) -> None:
    (rig.folder / "marks" / "0000000001-x.mark").write_bytes(b"{")
    Mailbox(rig.folder / "marks").post(request("start", 0))
    rig.run(1.0)
    assert len(rig.store.named("start")) == 1
    assert [path.name for path in (rig.folder / "marks").iterdir()] == ["0000000001-x.refused"]
    rig.recorder.close()
