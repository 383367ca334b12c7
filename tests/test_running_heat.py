"""A heat that is going on, watched through the store while a recorder writes it."""

from __future__ import annotations

import datetime
import json
import math
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest

from calibration.cue import State
from command_line import ok, refused
from dashboard.after_pull import After
from dashboard.commands.plan_inputs import Asked
from dashboard.commands.watch_inputs import wanted
from dashboard.commands.watch_live import Watching, filled, live
from dashboard.commands.watch_views import JsonLines, Scene, View
from dashboard.running_heat import RunningHeat
from dashboard.shop import DEMO_FOLDER, read_shop
from dashboard.units import Units
from logger.bench import Bench
from logger.clock import Clock, ManualClock
from logger.clock_watch import ClockWatch
from logger.marks import request, undo
from logger.readings import BenchReader
from logger.recorder import Recorder
from logger.records import HeatForm, StoreDown
from logger.spool import Spool
from logger.store import Store, open_store
from recorder_rig import ScriptedSource, bench_of

COMMAND = [sys.executable, "-X", "utf8", "-c", "from dashboard.commands import main; main()"]
FORM: dict[str, Any] = {"polymer": "pp-homopolymer", "gauge_mm": 6.0, "oven": "north", "start_c": 22.0, "set_c": 185.0}


def sheet(at_s: float) -> list[float]:
    """Two airs at 180 °C, two faces that warm up from 22 °C with a time constant of 400 s."""
    face_c = 180.0 - 158.0 * math.exp(-max(at_s - 10.0, 0.0) / 400.0)
    return [180.0 + 0.01 * (at_s % 7), 179.0 + 0.01 * (at_s % 5), face_c, face_c - 1.0]


@dataclass
class Rig:
    """A recorder and, beside it, one who only reads."""

    folder: Path
    bench: Bench = field(default_factory=lambda: bench_of(lines={"line_1": 25.0}))
    clock: ManualClock = field(default_factory=ManualClock)
    rate_hz: float = 2

    def __post_init__(self) -> None:
        self.source = ScriptedSource(self.bench, self.clock, sheet, self.rate_hz)
        sources = [self.source] if self.bench.sources else []
        self.recorder = Recorder(
            BenchReader(self.bench, sources, self.clock),
            self.open,
            Spool(self.folder / f"spool-{self.bench.id}"),
            self.clock,
            self.bench,
            form=HeatForm(oven="north"),
            watch=ClockWatch(self.clock, lambda _: "+01:00 CET"),
            own_thread=False,
        )

    def open(self) -> Store:
        return open_store(f"sqlite:///{self.folder / 'store.sqlite'}")

    def run(self, duration_s: float) -> None:
        for _ in range(round(duration_s)):
            self.recorder.step(1.0)

    def mark(self, name: str, ago_s: float = 0.0, **form: Any) -> None:
        self.recorder.mark(request(name, 0, ago_s, form=form or None))

    def watching(self, store: Store, bench: str | None = None, **options: Any) -> Watching:
        heat = RunningHeat(store, bench, self.clock)
        shop = read_shop(DEMO_FOLDER)
        more = wanted((), None, None, ())
        return Watching(heat, Asked(**options), more, shop, Units(), datetime.date(2026, 1, 5))


@pytest.fixture
def rig(tmp_path: Path) -> Iterator[Rig]:
    made = Rig(tmp_path)
    yield made
    made.recorder.close()


@pytest.fixture
def store(rig: Rig) -> Iterator[Store]:
    opened = rig.open()
    yield opened
    opened.close()


# ---------------------------------------------------------------- what is read


def test_nothing_is_open_yet(rig: Rig, store: Store) -> None:
    rig.run(5.0)
    assert RunningHeat(store, None, rig.clock).look() is None
    scene = rig.watching(store).scene(rig.clock)
    assert (scene.told.state, scene.title) == (State.UNKNOWN, "Waiting")
    assert "No heat is open" in scene.told.reason.text


def test_samples_of_the_heat_and_of_the_preheat(rig: Rig, store: Store) -> None:
    rig.run(10.0)
    rig.mark("start", **FORM)
    reader = RunningHeat(store, None, rig.clock)
    for _ in range(30):
        rig.run(1.0)
        running = reader.look()  # each second, as it is used
    assert running is not None
    # Seconds are stored half a second after they are over.
    assert running.now_s == pytest.approx(30.0, abs=1.1)
    assert running.silent_s is not None
    assert running.silent_s < 1.5
    assert set(running.seen.columns) == {"air_upper_c", "air_lower_c", "face_upper_c", "face_lower_c"}
    steps = running.seen.time_s[1:] - running.seen.time_s[:-1]
    assert steps == pytest.approx(1.0, abs=0.2)
    assert running.seen.time_s[0] == pytest.approx(-9.5, abs=0.6)
    # A second's reading is the mean of its frames.
    at_s = float(running.seen.time_s[-1]) + running.record.start_s
    assert running.seen.columns["face_upper_c"][-1] == pytest.approx(sheet(at_s)[2], abs=0.1)
    # One who looks only now sees the same.
    late = RunningHeat(store, None, rig.clock).look()
    assert late is not None
    assert late.seen.time_s.tolist() == running.seen.time_s.tolist()
    assert late.now_s == pytest.approx(running.now_s, abs=1.1)


def test_a_start_that_is_set_back_moves_time(rig: Rig, store: Store) -> None:
    rig.run(60.0)
    rig.mark("start", **FORM)
    rig.run(10.0)
    reader = RunningHeat(store, None, rig.clock)
    before = reader.look()
    rig.mark("start", ago_s=30.0)
    rig.run(2.0)
    after = reader.look()
    assert before is not None
    assert after is not None
    assert after.now_s - before.now_s == pytest.approx(22.0, abs=1.5)
    assert after.seen.time_s[-1] == pytest.approx(after.now_s, abs=2.0)


def test_a_bench_without_sensors_has_clock_and_marks(tmp_path: Path) -> None:
    rig = Rig(tmp_path, Bench("bare", "north"))
    store = rig.open()
    try:
        rig.mark("start", **FORM)
        rig.run(40.0)
        rig.mark("door_open", ago_s=5.0)
        rig.run(1.0)
        running = RunningHeat(store, "bare", rig.clock).look()
        assert running is not None
        assert (running.silent_s, running.seen.time_s.size) == (None, 0)
        assert running.now_s == pytest.approx(41.0, abs=0.1)
        assert [event.name for event in running.seen.events] == ["door_open"]
        scene = rig.watching(store).scene(rig.clock)
        assert (scene.told.state, scene.alarms) == (State.HEATING, ())
    finally:
        store.close()
        rig.recorder.close()


def test_the_newest_of_several_benches(rig: Rig, store: Store, tmp_path: Path) -> None:
    rig.mark("start", **FORM)
    rig.run(3.0)
    other = Rig(tmp_path, bench_of(id="south-bench"), rig.clock)
    try:
        other.mark("start", **(FORM | {"gauge_mm": 3.0}))
        other.run(3.0)
        newest = RunningHeat(store, None, rig.clock).look()
        named = RunningHeat(store, "north-bench", rig.clock).look()
        assert newest is not None
        assert named is not None
        assert (newest.record.bench, named.record.bench) == ("south-bench", "north-bench")
        assert "Also open on: north-bench (--bench names one)" in other.watching(store).scene(rig.clock).notes
    finally:
        other.recorder.close()


def test_a_heat_that_was_cut_off_long_ago_is_none(rig: Rig, store: Store) -> None:
    rig.mark("start", **FORM)
    rig.run(3.0)
    rig.clock.sleep(3600.0)  # the recorder is gone, its heat still open in the store
    assert RunningHeat(store, None, rig.clock).look() is None


# ---------------------------------------------------------------- what is told


def test_from_the_door_to_the_mold(rig: Rig, store: Store) -> None:
    watching = rig.watching(store)
    rig.mark("start", **FORM)
    rig.run(20.0)
    scene = watching.scene(rig.clock)
    assert (scene.told.state, scene.alarms) == (State.HEATING, ())
    assert scene.told.estimate is not None
    assert set(scene.told.estimate.used) == {"face_upper_c", "face_lower_c"}
    rig.mark("pulled")
    rig.run(2.0)
    assert watching.scene(rig.clock).told.state is After.COLD  # after 20 s no sheet is formable
    rig.recorder.mark(undo(0))
    rig.run(2.0)
    assert watching.scene(rig.clock).told.state is State.HEATING
    rig.mark("pulled")
    rig.mark("on_mold")
    rig.run(130.0)  # closed meanwhile: it is shown on
    told = watching.scene(rig.clock).told
    assert told.state is After.MOLD
    assert told.pulled is not None


def test_a_sheet_that_nobody_named_is_asked_for(rig: Rig, store: Store) -> None:
    watching = rig.watching(store)
    rig.mark("start")
    rig.run(5.0)
    told = watching.scene(rig.clock).told
    assert told.state is State.UNKNOWN
    assert "no polymer and no gauge" in told.reason.text
    rig.mark("start", polymer="pp-homopolymer", gauge_mm=6.0)
    rig.run(2.0)
    assert watching.scene(rig.clock).told.state is State.HEATING
    assert rig.watching(store, polymer="no-such", gauge_mm=6.0).scene(rig.clock).told.state is State.UNKNOWN


def test_old_readings_are_said_loudly_and_end_the_cue(rig: Rig, store: Store) -> None:
    watching = rig.watching(store)
    rig.mark("start", **FORM)
    rig.run(30.0)
    assert watching.scene(rig.clock).alarms == ()
    rig.clock.sleep(10.0)
    stale = watching.scene(rig.clock)
    assert stale.told.state is State.HEATING
    assert stale.told.time_s == pytest.approx(40.0, abs=1.5)  # time goes on
    assert "No new readings for 0:1" in stale.alarms[0]
    rig.clock.sleep(130.0)
    silent = watching.scene(rig.clock)
    assert (silent.told.state, silent.told.countdown_s) == (State.UNKNOWN, None)
    assert "Nothing has been measured for 2:2" in silent.told.reason.text


def test_a_source_that_is_lost_is_said_by_channel(rig: Rig, store: Store) -> None:
    watching = rig.watching(store)
    rig.mark("start", **FORM)
    rig.run(20.0)
    rig.source.lose()
    rig.run(15.0)
    scene = watching.scene(rig.clock)
    assert {words.partition(":")[0] for words in scene.alarms} == {"Upper air", "Lower air", "Upper face", "Lower face"}
    assert scene.told.state is State.HEATING
    assert scene.told.estimate is not None


def test_a_line_stands_for_what_the_bench_says(rig: Rig, store: Store) -> None:
    watching = rig.watching(store, opening_mm="300")
    rig.mark("start", **FORM)
    rig.run(600.0)
    rig.mark("line_1")
    rig.run(2.0)
    scene = watching.scene(rig.clock)
    assert scene.followed is not None
    assert scene.followed.line_mm == {"line_1": 25.0}
    assert scene.told.estimate is not None
    assert "line_1" in scene.told.estimate.used


def test_a_store_that_is_busy_is_said_and_time_goes_on(rig: Rig, store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    watching = rig.watching(store)
    rig.mark("start", **FORM)
    rig.run(20.0)
    before = watching.scene(rig.clock)

    def down(*_: object) -> None:
        raise StoreDown("database is locked")

    monkeypatch.setattr(Store, "heats", down)
    scene = watching.scene(rig.clock)
    assert scene.alarms[0] == "The records cannot be read now: database is locked"
    assert scene.told.time_s > before.told.time_s


def test_options_win_over_the_record() -> None:
    form = HeatForm(polymer="eva", gauge_mm=3.0, oven="south", support="tray", opening_mm=(300.0, 200.0), set_c=140.0,
                    start_c=20.0, colour="pattern")  # fmt: skip
    plain = filled(Asked(), form)
    assert (plain.polymer, plain.gauge_mm, plain.opening_mm, plain.colour) == ("eva", 3.0, "300x200", "pigmented")
    own = filled(Asked(polymer_file=Path("a.toml"), gauge="6mm", oven_card=Path("b.toml"), set_with_unit="185C"), form)
    assert (own.polymer, own.gauge_mm, own.oven, own.set_c, own.support) == (None, None, None, None, "tray")


def test_a_scene_each_second_until_the_time_is_over(rig: Rig, store: Store) -> None:
    class Seen(View):
        times: list[float]

        def __init__(self) -> None:
            self.times = []

        def show(self, scene: Scene) -> None:
            self.times.append(rig.clock.monotonic_s())

        def wait(self, clock: Clock, duration_s: float) -> list[str]:
            rig.recorder.step(duration_s)
            return []

    view = Seen()
    start_s = rig.clock.monotonic_s()
    live(rig.watching(store), view, rig.clock, for_s=5.0)
    assert [at - start_s for at in view.times] == pytest.approx([0.0, 1.0, 2.0, 3.0, 4.0], abs=0.01)


# ---------------------------------------------------------------- as a person starts it


def test_watching_a_practice_oven_that_another_process_records(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("PULLCUE_DATA", str(tmp_path))
    words = ["practice", "--terminal", "--speed", "20", "--put-in", "10", "--gauge-mm", "6"]
    show, heating_s = JsonLines.show, list[float]()

    def show_until_seen(view: JsonLines, scene: Scene) -> None:
        show(view, scene)
        if scene.told.state is State.HEATING:
            heating_s.append(scene.told.time_s)
        if heating_s and heating_s[-1] > heating_s[0] + 60.0:
            raise KeyboardInterrupt  # as a person ends it

    monkeypatch.setattr(JsonLines, "show", show_until_seen)
    oven = subprocess.Popen([*COMMAND, *words], stdout=subprocess.PIPE, stderr=subprocess.STDOUT)
    try:
        assert oven.stdout is not None
        for line in oven.stdout:
            if b"face_upper" in line:
                break  # it records
        lines = [json.loads(line) for line in ok("watch", "--practice", "--json", "--for", "120").splitlines()]
    finally:
        oven.kill()
        oven.communicate()
    heating = [line for line in lines if line["cue"] == "heating"]
    assert len(heating) >= 2
    # Twenty times real time, and a line a second at most.
    assert heating[-1]["time_s"] - heating[0]["time_s"] > max(60.0, 10.0 * (len(heating) - 1))
    assert heating[-1]["core_c"] > heating[0]["core_c"]


def test_no_records_yet(tmp_path: Path) -> None:
    assert "there are no records here yet" in refused("watch", "--store", str(tmp_path / "none.sqlite"))
