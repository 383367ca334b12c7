"""A bench that records while others look on: what is asked of its thread, and what is said when it ends."""

from __future__ import annotations

import os
import re
import signal
import socket
import subprocess
import sys
import time
import urllib.request
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from types import SimpleNamespace
from typing import Any, cast

import pytest

from command_line import refused
from dashboard.bench_look import Second
from dashboard.cut_off import CutOff, cut_off
from dashboard.heat_watch import HeatWatch
from dashboard.live_bench import LiveBench
from dashboard.live_service import Live
from dashboard.live_start import live_bench
from dashboard.practice_bench import Practice, practice_bench, practice_case, scenario_of
from dashboard.recording import form_for
from dashboard.shop import DEMO_FOLDER, read_shop
from dashboard.units import Units
from dashboard.web.oven_words import cue_words
from dashboard.wire_words import WireWords
from dashboard.workers import Workers
from logger.blocks import utc_ms
from logger.clock import ManualClock, SystemClock
from logger.marks import START
from logger.practice_board import PracticeBoard
from logger.reading import Arrival
from logger.readings import BenchReader
from logger.records import HeatFilter, HeatForm
from logger.store import open_store
from oven_rig import live_practice, place_in, practice_of
from practice_line import Watched
from thermal.fields import InputError

COMMAND = [sys.executable, "-X", "utf8", "-c", "from dashboard.commands import main; main()"]
AB = "AB (initials typed, not signed in)"


@pytest.fixture(scope="module")
def workers() -> Iterator[Workers]:
    with Workers(1) as running:
        yield running


def until(live: Live, holds: str, timeout_s: float = 60.0) -> None:
    """Wait until a look's phase of its heat is so: 'open', 'none'."""
    end_s = time.monotonic() + timeout_s
    while time.monotonic() < end_s:
        look = live.look("practice").look
        if (look.heat is not None and look.open) == (holds == "open") and look.at_s > 0.0:
            return
        time.sleep(0.05)
    raise AssertionError(live.look("practice"))


def test_what_is_asked_is_kept_with_who(tmp_path: Path, workers: Workers) -> None:
    with live_practice(tmp_path, 20.0, shared=workers) as live:
        bench = live.bench("practice")
        until(live, "none")
        bench.mark(START, AB, form={"job_number": "12"})
        until(live, "open")
        mark = bench.mark("clear_through", AB, 20.0, "looks clear")
        # By its id: on a slow computer the door that the air shows may have been marked since.
        assert bench.undo(AB, mark.id).undoes == mark.id
        bench.say({"sheet_label": "lot 9"}, "Tom (signed in, technician)", "sheet_label lot 9")
        assert [mark.by for mark in live.look("practice").look.marks if mark.name == START] == [AB]
    store = open_store(f"sqlite:///{tmp_path / 'pullcue.sqlite'}")
    (heat,) = store.heats(HeatFilter())
    marks = {mark.name: mark for mark in store.marks(heat.bench, heat.run)}
    store.close()
    assert (heat.form.job_number, heat.form.sheet_label, heat.state) == ("12", "lot 9", "interrupted")
    assert (marks["clear_through"].by, marks["clear_through"].note) == (AB, "looks clear")
    assert marks["form"].by == "Tom (signed in, technician)"


def test_a_mark_that_cannot_be_is_refused(tmp_path: Path, workers: Workers) -> None:
    with live_practice(tmp_path, 20.0, shared=workers) as live:
        with pytest.raises(InputError, match="expected one of"):
            live.bench("practice").mark("puled", AB)
        with pytest.raises(InputError, match="did you mean practice"):
            live.bench("practise")


def test_a_recorder_that_fails_says_so_and_keeps_nothing_in_silence(
    tmp_path: Path, workers: Workers, monkeypatch: pytest.MonkeyPatch
) -> None:
    with live_practice(tmp_path, 20.0, shared=workers) as live:
        bench = live.bench("practice")
        until(live, "none")

        def breaks(timeout_s: float) -> None:
            raise RuntimeError("a wire burnt")

        # The thread's own message is for the terminal.
        monkeypatch.setattr("threading.excepthook", lambda args: None)
        monkeypatch.setattr(bench._recording, "step", breaks)
        end_s = time.monotonic() + 60.0
        while bench.stopped is None and time.monotonic() < end_s:
            time.sleep(0.02)
        words = cue_words(live.look("practice"), Units())
        assert (words.key, words.why) == ("not-live", "The recorder has stopped: a wire burnt")
        with pytest.raises(InputError, match=r"The recorder has stopped: a wire burnt: .* write it down"):
            bench.mark("pulled", AB)


def test_after_the_end_nothing_is_taken(tmp_path: Path, workers: Workers) -> None:
    with live_practice(tmp_path, 20.0, shared=workers) as live:
        until(live, "none")
    with pytest.raises(InputError, match="The recorder was stopped"):
        live.bench("practice").mark("pulled", AB)


# ---------------------------------------------------------------- the practice oven, by hand


def faults_after_put_in(seed: int, at_s: float) -> list[tuple[str, float]]:
    clock = ManualClock()
    practice = practice_of(read_shop(DEMO_FOLDER), clock, "loose-thermocouple", seed)
    board = practice.server._board
    assert isinstance(board, PracticeBoard)
    before = board._faults
    assert len(before) == 0
    clock.sleep(at_s)
    practice.obey(START)
    practice.obey(START)
    practice.close()
    return [(one.name, one.at_s) for one in board._faults]


def test_faults_wait_for_the_sheet() -> None:
    """The scenario's sheet goes in at 60 s; here at 200 s: all comes 140 s later."""
    assert faults_after_put_in(1, 200.0) == [("open", 290.0), ("touch", 400.0), ("open", 560.0)]


def test_plugs_are_crossed_before_the_sheet_goes_in() -> None:
    shop, clock = read_shop(DEMO_FOLDER), ManualClock()
    practice = practice_of(shop, clock, "crossed-plugs")
    practice.close()
    board = practice.server._board
    assert [(one.name, one.at_s) for one in board._faults] == [("swap", 0.0)]
    clock.sleep(100.0)
    practice.obey(START)
    assert len(board._faults) == 1


def test_a_second_says_what_to_do_and_what_the_wire_is_like() -> None:
    """A plug that came out, and a line that damages what it carries; the recorder is not asked for anything else."""
    watched = Watched(["open:tc_3@5+60", "checksum@10+20"])
    kept = SimpleNamespace(heat=None, marks_in_force=(), trouble="", words=lambda: ("recorded",), place=None,
                           recorder=SimpleNamespace(book=SimpleNamespace(next_form=HeatForm())))  # fmt: skip
    bench: Any = LiveBench(kept, watched.reader, practice_bench("north"), watched.clock)  # type: ignore[arg-type]
    said: list[Second] = []
    for end_s in (8.0, 30.0, 95.0):
        for arrival in watched.until(end_s).arrivals:
            bench._wire.take(arrival)
        watched.arrivals.clear()
        said.append(bench._second(end_s))
    push = ("face_upper_c", "push the plug in, else change the thermocouple")
    assert [one.troubles for one in said[:2]] == [(("face_upper_c", "open circuit"),)] * 2
    assert push in said[0].remarks
    assert [len(one.words) for one in said] == [1, 2, 1]
    assert "lines come damaged" in said[1].words[1]


def test_a_board_that_starts_anew_is_said_for_a_while() -> None:
    wire = WireWords()
    for arrival in Watched(["reset@5"]).until(20.0).arrivals:
        wire.take(arrival)
    assert [len(wire.words(at_s)) for at_s in (20.0, 80.0)] == [1, 0]
    assert WireWords().words(0.0) == ()


class Mute:
    """A board that says nothing."""

    id = "board"

    def poll(self, timeout_s: float) -> list[Arrival]:
        time.sleep(min(timeout_s, 0.02))
        return []

    def close(self) -> None:
        pass


@contextmanager
def recorded_in(folder: Path) -> Iterator[LiveBench]:
    """A bench of real time as the command opens it, with nothing to read."""
    shop, clock, bench = read_shop(DEMO_FOLDER), SystemClock(), practice_bench("north")
    reader = BenchReader(bench, [Mute()], clock)
    with live_bench(reader, bench, place_in(folder), clock, form_for(shop, bench), shop) as one:
        one.start()
        yield one
        one.stop()


def until_said(bench: LiveBench, holds: Callable[[Second], bool]) -> Second:
    for _ in range(600):
        if bench.wait(0.1):
            for second in bench.seconds():
                if holds(second):
                    return second
    raise AssertionError("no such second came")


def test_a_heat_that_was_cut_off_is_asked_about_and_goes_on(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """As after a kill or a power cut: the heat stands open in the store, or interrupted, and nobody records it."""
    place, sheet = place_in(tmp_path), {"polymer": "hdpe", "gauge_mm": 4.0, "job_number": "4711"}
    monkeypatch.setattr("dashboard.live_bench._SAME_S", 60.0)  # two hits of a glove, also on a slow computer
    before: CutOff | None = None
    with recorded_in(tmp_path) as bench:
        bench.begin("AB", 100.0, "drop wanted 90 mm", sheet)
        with pytest.raises(InputError, match="a heat is open already"):  # a second window, at the same moment
            bench.begin("CD", 0.0, "", {"polymer": "petg"})
        assert bench.mark("door_open", "AB").id == bench.mark("door_open", "CD").id
        assert bench.mark("door_open", "CD", ago_s=90.0).by == "CD"
        for _ in range(600):
            before = before or cut_off(place, "practice", utc_ms(SystemClock().utc()))
            if before is None:
                time.sleep(0.05)
    assert before is not None
    assert (before.form.job_number, before.note) == ("4711", "drop wanted 90 mm")
    assert before.ago_s(before.start_utc_ms - 1) is None
    assert before.ago_s(before.start_utc_ms + 1_800_000) is None
    with recorded_in(tmp_path) as bench:
        said = until_said(bench, lambda one: True)
        assert (said.heat, round(said.cut_off_s or 0.0) in range(100, 200)) == (None, True)
        bench.forget()
        with pytest.raises(InputError, match="no heat to go on with"):
            bench.go_on("CD")
    with recorded_in(tmp_path) as bench:
        mark = bench.go_on("CD")
        said = until_said(bench, lambda one: one.heat is not None)
        assert said.heat is not None
        assert (said.heat.form.job_number, said.cut_off_s) == ("4711", None)
        assert said.at_s - said.heat.start_s >= 100.0
        assert (mark.by, mark.note) == ("CD", "drop wanted 90 mm; goes on after Pullcue had stopped")
        bench.mark("pulled", "CD")
    assert cut_off(place, "practice", utc_ms(SystemClock().utc())) is None
    assert cut_off(place_in(tmp_path / "none"), "practice", 0) is None


def test_the_same_seed_is_the_same_oven_however_late_the_sheet_goes_in() -> None:
    shop = read_shop(DEMO_FOLDER)
    case = practice_case(shop, "hdpe", 4.0, "north", shop.room_c)

    def core_c(seed: int, by_hand_at_s: float | None) -> float:
        clock = ManualClock()
        practice = Practice(case, shop.room_c, scenario_of("door-ajar"), clock, seed, by_hand=by_hand_at_s is not None)
        practice.close()
        start_s = 60.0
        if by_hand_at_s is not None:
            clock.sleep(by_hand_at_s)
            practice.obey(START)
            start_s = by_hand_at_s
        found = practice.oven.core_c(start_s + 300.0)
        assert found is not None
        return found

    by_itself = core_c(5, None)
    assert core_c(5, 60.0) == by_itself
    # Only the thermostat's swing (1.5 K, 140 s) stands elsewhere.
    assert core_c(5, 60.0 + 140.0) == pytest.approx(by_itself, abs=0.3)
    assert abs(core_c(6, 60.0) - by_itself) > 0.5


def test_another_sheet_may_be_laid_ready() -> None:
    shop = read_shop(DEMO_FOLDER)
    practice = practice_of(shop, ManualClock())
    practice.close()
    thick = practice_case(shop, "hdpe", 8.0, "north", shop.room_c)
    practice.take(thick)
    practice.obey(START)
    practice.take(practice_case(shop, "hdpe", 2.0, "north", shop.room_c))  # too late
    assert practice.case is thick
    thin = practice_of(shop, ManualClock())
    thin.close()
    thin.obey(START)
    slow, quick = practice.oven.core_c(300.0), thin.oven.core_c(300.0)
    assert slow is not None
    assert quick is not None
    assert slow < quick - 20.0


# ---------------------------------------------------------------- as a person starts it


@pytest.mark.skipif(os.name == "nt", reason="Windows has no signal that stands for Ctrl-C in a child process")
@pytest.mark.parametrize("words", [["practice"], ["bench", str(DEMO_FOLDER / "benches" / "practice.toml")]])
def test_pages_are_served_until_ctrl_c(words: list[str], tmp_path: Path) -> None:
    environment = os.environ | {"PULLCUE_DATA": str(tmp_path)}
    environment.pop("DISPLAY", None)
    environment.pop("WAYLAND_DISPLAY", None)
    with subprocess.Popen(
        [*COMMAND, *words, "--speed", "20"],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        encoding="utf-8",
        env=environment,
    ) as process:
        assert process.stdout is not None
        lines: list[str] = []
        for _ in range(8):
            lines.append(process.stdout.readline())
            if lines[-1].startswith("Ctrl-C"):
                break
        found = re.search(r"http://127\.0\.0\.1:(\d+)/", "".join(lines))
        assert found is not None
        with urllib.request.urlopen(f"{found[0]}oven/live?bench=practice", timeout=60.0) as answer:
            assert b'"phase"' in answer.read()
        process.send_signal(signal.SIGINT)
        _, err = process.communicate(timeout=120.0)
    assert (process.returncode, err) == (0, "")
    assert any("open that address" in line for line in lines)
    with pytest.raises(ConnectionRefusedError):
        socket.create_connection(("127.0.0.1", int(found[1])), timeout=5.0)


def test_access_that_is_not_safe_is_refused() -> None:
    bench = str(DEMO_FOLDER / "benches" / "practice.toml")
    assert "people have to sign in" in refused("bench", bench, "--host", "0.0.0.0", "--for", "1")


class UnevenBench:
    """Stands for `LiveBench`: hands on the seconds that a test gives it."""

    def __init__(self, speed: float) -> None:
        self.bench, self.practice, self.speed, self.stopped = practice_bench("north"), None, speed, None
        self.there: list[Second] = []

    def seconds(self) -> list[Second]:
        found, self.there = self.there, []
        return found


def test_every_second_is_looked_at_however_unevenly_it_comes() -> None:
    bench, machine = UnevenBench(1.0), ManualClock()
    live = Live([cast(Any, bench)], read_shop(DEMO_FOLDER), machine.utc().date, machine)
    came_s = (0.0, 1.2, 2.0, 3.15, 4.0)
    for number, at_s in enumerate(came_s):
        machine.sleep(at_s - machine.monotonic_s())
        bench.there = [Second(float(number), {"air_upper_c": 180.0}, (), None, (), HeatForm(oven="north"))]
        live._turn("practice", cast(Any, bench))
        assert live._looks["practice"].at_s == number


def test_on_a_fast_clock_looks_are_no_closer_than_half_a_second() -> None:
    bench, machine = UnevenBench(20.0), ManualClock()
    live = Live([cast(Any, bench)], read_shop(DEMO_FOLDER), machine.utc().date, machine)
    seen = set()
    for number in range(40):
        machine.sleep(0.05)
        bench.there = [Second(float(number), {"air_upper_c": 180.0}, (), None, (), HeatForm(oven="north"))]
        live._turn("practice", cast(Any, bench))
        seen.add(live._looks["practice"].at_s)
    assert 4 <= len(seen) <= 5


def test_a_plug_that_flickers_is_said_and_a_wild_second_is_not() -> None:
    watch = HeatWatch(practice_bench("north"), read_shop(DEMO_FOLDER), ManualClock().utc().date)

    def said(bad: Callable[[int], bool], last_s: int) -> bool:
        for at in range(last_s + 1):
            troubles = (("face_upper_c", "open circuit"),) if bad(at) else ()
            watch.take(Second(float(at), {"air_upper_c": 180.0}, troubles, None, (), HeatForm(oven="north")))
        return bool(watch.look().troubles)

    assert not said(lambda at: at == 20, 20)
    assert said(lambda at: at % 3 != 2, 40)
    assert not said(lambda at: at in (1, 40), 40)
