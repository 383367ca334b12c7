"""The recorder with the real SQLite store: heats end to end, a locked store, and kill -9."""

from __future__ import annotations

import os
import random
import sqlite3
import subprocess
import sys
import time
from dataclasses import dataclass, field
from pathlib import Path

import pytest

from logger.clock import ManualClock
from logger.clock_watch import ClockWatch
from logger.marks import request, undo
from logger.readings import BenchReader
from logger.recorder import Recorder
from logger.records import BenchHeld, Block, HeatFilter, HeatRecord
from logger.spool import Spool
from logger.store import Store, open_store
from recorder_rig import ScriptedSource, bench_of, samples_of

#: Kills in CI, and how many when asked.
KILLS = int(os.environ.get("PULLCUE_KILLS", "6"))


@dataclass
class RealRig:
    folder: Path
    clock: ManualClock = field(default_factory=ManualClock)

    def start(self) -> RealRig:
        bench = bench_of(lines={"line_1": 25.0})
        self.source = ScriptedSource(bench, self.clock)
        self.spool = Spool(self.folder / "spool")
        self.recorder = Recorder(
            BenchReader(bench, [self.source], self.clock), self.open, self.spool, self.clock, bench,
            watch=ClockWatch(self.clock, lambda _: "+01:00 CET"), software="pullcue test",
        )  # fmt: skip
        return self

    def open(self) -> Store:
        return open_store(f"sqlite:///{self.folder / 'store.sqlite'}", busy_s=0.02)

    def run(self, duration_s: float) -> None:
        for _ in range(round(duration_s)):
            self.recorder.step(1.0)

    def read(self) -> tuple[list[HeatRecord], list[Block], list[str]]:
        store = self.open()
        try:
            run = self.recorder.run
            return (
                store.heats(HeatFilter(limit=None, order="oldest")),
                store.blocks(run.bench, run.id),
                store.verify(),
            )
        finally:
            store.close()


@pytest.fixture
def rig(tmp_path: Path) -> RealRig:
    return RealRig(tmp_path).start()


def test_a_heat_end_to_end(rig: RealRig) -> None:
    rig.run(30.0)
    rig.recorder.mark(request("start", 0, by="ab"))
    rig.recorder.mark(request("start", 0, ago_s=10.0, by="ab"))
    rig.run(60.0)
    rig.recorder.mark(request("line_1", 0))
    rig.recorder.mark(request("pulled", 0))
    rig.recorder.mark(undo(0))
    rig.run(10.0)
    rig.recorder.mark(request("pulled", 0, ago_s=1.0))
    rig.run(130.0)
    rig.recorder.close()
    (heat,), blocks, problems = rig.read()
    assert (heat.state, heat.number) == ("finished", 1)
    assert [heat.start_s, heat.end_s] == pytest.approx([20.0, 99.0])
    assert heat.hash is not None
    assert problems == []
    assert [value for _, value in samples_of(blocks)] == [180.0 + 0.001 * n for n in range(1, rig.source.sent + 1)]


def test_store_locked_for_30_s(rig: RealRig) -> None:
    rig.run(10.0)
    other = sqlite3.connect(rig.folder / "store.sqlite", isolation_level=None)
    other.execute("BEGIN IMMEDIATE")
    rig.run(30.0)
    assert rig.recorder.step(1.0).kept.spooled > 0
    other.execute("ROLLBACK")
    other.close()
    rig.run(30.0)
    rig.recorder.close()
    _, blocks, problems = rig.read()
    assert [value for _, value in samples_of(blocks)] == [180.0 + 0.001 * n for n in range(1, rig.source.sent + 1)]
    assert problems == []


def test_two_recorders_on_one_store(rig: RealRig, tmp_path: Path) -> None:
    bench = bench_of()
    spool = Spool(tmp_path / "other")
    with pytest.raises(BenchHeld, match="is recorded into this store already"):
        Recorder(BenchReader(bench, [ScriptedSource(bench, rig.clock)], rig.clock), rig.open, spool, rig.clock, bench)
    spool.close()
    south = bench_of(id="south-bench")
    source = ScriptedSource(south, rig.clock)
    second = Recorder(BenchReader(south, [source], rig.clock), rig.open, Spool(tmp_path / "south"), rig.clock, south)
    for _ in range(20):
        second.step(0.5)
        rig.recorder.step(0.5)
    second.close()
    rig.recorder.close()
    store = rig.open()
    assert [v for _, v in samples_of(store.blocks(south.id, second.run.id))] == [
        180.0 + 0.001 * n for n in range(1, source.sent + 1)
    ]
    store.close()


def test_killed_at_random_moments(tmp_path: Path) -> None:
    seeds, here = random.Random(7), Path(__file__).parent
    for number in range(KILLS):
        later_s = 1_000_000 * (number + 1)
        child = subprocess.Popen(
            [sys.executable, str(here / "recorder_child.py"), str(tmp_path), str(later_s)],
            stdout=subprocess.PIPE, text=True, cwd=here.parent,
            env={**os.environ, "PYTHONPATH": f"{here.parent}{os.pathsep}{here}"},
        )  # fmt: skip
        assert child.stdout is not None
        told = child.stdout.readline()
        assert told, "the recorder did not start"
        time.sleep(seeds.uniform(0.05, 0.5))
        child.kill()
        said = [told, *child.stdout.read().splitlines(keepends=True)]
        child.stdout.close()
        child.wait()
        acknowledged = int([line for line in said if line.endswith("\n")][-1])
        _must_hold(tmp_path, acknowledged, number + 1)


def _must_hold(folder: Path, acknowledged: int, kills: int) -> None:
    store = open_store(f"sqlite:///{folder / 'store.sqlite'}")
    runs = store.runs()
    assert [run.how for run in runs] == ["interrupted"] * (kills - 1) + ["open"]
    numbers = [round((value - 100.0) * 1e3) for _, value in samples_of(store.blocks("north-bench", runs[-1].id))]
    assert numbers == list(range(1, len(numbers) + 1))
    assert len(numbers) >= acknowledged > 0
    heats = store.heats(HeatFilter(limit=None, order="oldest"))
    assert [heat.state for heat in heats][: kills - 1] == ["interrupted"] * (kills - 1)
    assert store.verify() == []
    store.close()
