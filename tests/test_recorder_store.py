"""The recorder with the real SQLite store: heats end to end, a locked store, and kill -9."""

from __future__ import annotations

import os
import random
import sqlite3
import subprocess
import sys
import time
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path

import pytest

from logger.actions import Action, BeginRun
from logger.bench import Bench
from logger.clock import ManualClock
from logger.clock_watch import ClockWatch
from logger.keeper import Keeper
from logger.marks import request, undo
from logger.readings import BenchReader
from logger.recorder import Recorder
from logger.records import BenchHeld, Block, HeatFilter, HeatRecord, Mark, Run, StartMove
from logger.spool import Entry, Spool, _frame
from logger.store import Store, open_store
from recorder_rig import FULL, ScriptedSource, bench_of, samples_of

KILLS = 200 if FULL else 4
#: A recorder is killed within so many rounds, of ten frames each.
ROUNDS = 150


class Noting(Spool):
    """A spool that remembers what went through it."""

    def __init__(self, folder: Path) -> None:
        super().__init__(folder)
        self.entries: list[Entry] = []

    def append(self, blocks: Sequence[Block], marks: Sequence[Mark], actions: Sequence[Action] = ()) -> int:
        self.entries.append(Entry(tuple(blocks), tuple(marks), tuple(actions)))
        return super().append(blocks, marks, actions)


@dataclass
class RealRig:
    folder: Path
    clock: ManualClock = field(default_factory=ManualClock)
    bench: Bench = field(default_factory=lambda: bench_of(lines={"line_1": 25.0}))

    def start(self) -> RealRig:
        bench = self.bench
        self.source = ScriptedSource(bench, self.clock)
        self.spool = Noting(self.folder / "spool")
        self.entries = self.spool.entries
        self.recorder = Recorder(
            BenchReader(bench, [self.source], self.clock), self.open, self.spool, self.clock, bench,
            watch=ClockWatch(self.clock, lambda _: "+01:00 CET"), software="pullcue test", own_thread=False,
        )  # fmt: skip
        return self

    def open(self) -> Store:
        return open_store(f"sqlite:///{self.folder / 'store.sqlite'}", busy_s=0.02)

    def run(self, duration_s: float) -> None:
        for _ in range(round(duration_s)):
            self.recorder.step(1.0)

    def kill(self) -> None:
        """As kill -9, for all that files show of it; who holds the bench is this process, so that is let go of."""
        self.spool._lock.close()
        store = self.open()
        for holder in store.holders():
            store.release(holder.bench, holder.token)
        store.close()

    def frames(self, count: int | None = None) -> bytes:
        """The first entries that went through the spool, as they stood in its file."""
        return b"".join(_frame(entry) for entry in self.entries[:count])

    def read_again(self, data: bytes) -> None:
        """Bring a spool's file into the store."""
        (self.folder / "spool" / "0000000001.spool").write_bytes(data)
        spool = Spool(self.folder / "spool")
        keeper = Keeper(self.open, spool, self.clock, self.bench.id)
        while keeper.work():
            pass
        assert len(spool) == 0
        keeper.finish()

    def seen(self) -> tuple[list[HeatRecord], list[StartMove], list[Run], list[Mark], list[str]]:
        """Everything that might be doubled."""
        store = self.open()
        heats, runs = store.heats(HeatFilter(limit=None, order="number")), store.runs()
        moves = [move for heat in heats for move in store.start_moves(heat.id)]
        marks = [mark for run in runs for mark in store.marks(run.bench, run.id)]
        problems = store.verify()
        store.close()
        return heats, moves, runs, marks, problems

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


def test_a_spool_that_is_read_again_from_its_beginning_changes_nothing(rig: RealRig, tmp_path: Path) -> None:
    # A recorder that is killed while it works off its spool leaves files of which a part is stored, or all. Here a
    # copy of all that ever went through is put back, at every length, beside what a later run has begun.
    rig.recorder.mark(request("start", 0, by="ab"))
    rig.run(30.0)
    rig.recorder.mark(request("start", 0, ago_s=20.0, by="ab"))
    rig.recorder.mark(undo(0))
    rig.recorder.mark(request("start", 0, ago_s=10.0, by="ab"))
    rig.run(20.0)
    before = rig.seen()
    rig.kill()
    assert before[0][0].start_s == pytest.approx(20.0)
    assert len(before[1]) == 3
    for count in (1, 3, 33, 34, len(rig.entries)):
        rig.read_again(rig.frames(count))
        assert rig.seen() == before
    again = RealRig(tmp_path, ManualClock(datetime(2026, 1, 6, 8, tzinfo=UTC))).start()
    again.recorder.mark(request("start", 0, by="cd"))
    again.run(10.0)
    after = again.seen()
    again.kill()
    assert [heat.state for heat in after[0]] == ["interrupted", "open"]
    for count in (0, 1, 3, len(again.entries)):
        again.read_again(rig.frames() + again.frames(count))
        assert again.seen() == after
    third = RealRig(tmp_path, ManualClock(datetime(2026, 1, 7, 8, tzinfo=UTC))).start()
    assert [heat.state for heat in third.seen()[0]] == ["interrupted", "interrupted"]
    third.recorder.close()


def test_killed_at_random_moments(tmp_path: Path) -> None:
    # The whole recorder, with its thread: what it has acknowledged is in the store or in the spool, nothing of it is
    # there twice, the heats that ended are in the chain, and the next recorder brings the spool into the store.
    seeds, here = random.Random(7), Path(__file__).parent
    said: list[tuple[int, int]] = []
    for number in range(KILLS):
        child = subprocess.Popen(
            [sys.executable, str(here / "recorder_child.py"), str(tmp_path), str(1_000_000 * (number + 1))],
            stdout=subprocess.PIPE, text=True, cwd=here.parent,
            env={**os.environ, "PYTHONPATH": f"{here.parent}{os.pathsep}{here}"},
        )  # fmt: skip
        assert child.stdout is not None
        lines = [child.stdout.readline() for _ in range(seeds.randrange(1, ROUNDS))]
        assert all(lines), "the recorder did not go on"
        time.sleep(seeds.uniform(0.0, 0.01))  # into the middle of a round
        child.kill()
        lines += child.stdout.read().splitlines(keepends=True)
        child.stdout.close()
        child.wait()
        frames, marks = [line.split() for line in lines if line.endswith("\n")][-1]
        said.append((int(frames), int(marks)))
        _must_hold(tmp_path, said)
    last_clock = ManualClock(datetime(2126, 1, 5, 8, tzinfo=UTC))
    RealRig(tmp_path, last_clock, bench_of()).start().recorder.close()
    assert sum(frames for frames, _ in said) > 100 * KILLS
    _must_hold(tmp_path, said, spool_is_empty=True)


def _must_hold(folder: Path, said: list[tuple[int, int]], spool_is_empty: bool = False) -> None:
    spool, store = Spool(folder / "spool"), open_store(f"sqlite:///{folder / 'store.sqlite'}")
    waiting = [entry for _, entry in spool.pending()]
    assert spool.damaged == []
    assert not (spool_is_empty and waiting)
    runs = [run.id for run in store.runs()]
    begun = [one.run.id for entry in waiting for one in entry.actions if isinstance(one, BeginRun)]
    runs += [run for run in begun if run not in runs]
    for (frames, marks), run in list(zip(said, runs, strict=False))[0 if spool_is_empty else -1 :]:
        stored = any(one.id == run for one in store.runs())
        kept = store.blocks("north-bench", run) if stored else []
        there = {block.second for block in kept}
        late = [block for entry in waiting for block in entry.blocks if block.run == run and block.second not in there]
        numbers = [round((value - 100.0) * 1e3) for _, value in samples_of([*kept, *late])]
        assert numbers == list(range(1, len(numbers) + 1))
        assert len(numbers) >= frames
        found = {mark.id: mark.by for mark in store.marks("north-bench", run)} if stored else {}
        found |= {mark.id: mark.by for entry in waiting for mark in entry.marks if mark.run == run}
        assert sorted(map(int, found.values())) == list(range(1, len(found) + 1))
        assert len(found) >= marks > 0
    assert store.verify() == []
    newest = store.runs()[-1].id
    heats = store.heats(HeatFilter(limit=None, order="oldest"))
    assert {heat.number: heat.state for heat in heats if heat.run != newest
            and heat.state not in ("finished", "interrupted")} == {}  # fmt: skip
    spool.close()
    store.close()
