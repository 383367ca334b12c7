"""A bench whose sources are scripted, and a store and a spool that fail on demand: for tests of the recorder."""

from __future__ import annotations

import errno
import os
import threading
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from itertools import pairwise
from pathlib import Path
from typing import Literal

import numpy as np

from logger import keeper
from logger.bench import Bench, Role, SourceEntry
from logger.clock import ManualClock
from logger.clock_watch import ClockWatch
from logger.marks import Mailbox
from logger.reading import Arrival, Fault, Frame, Link, LinkState, Value
from logger.readings import BenchReader
from logger.recorder import Recorder
from logger.records import NOT_SAMPLED, BenchHeld, Block, HeatForm, HeatRecord, Mark, Run, StartMove, StoreDown
from logger.spool import Spool
from thermal.fields import InputError

RATE_HZ = 10
#: Faults in their full size (200 kills, minutes without a server, a power cut at every sync): a quarter of an hour.
FULL = bool(os.environ.get("PULLCUE_FULL_FAULTS"))
#: A recorder that ends gives its store all the time that a slow computer takes.
keeper.PATIENCE_S = 60.0


def bench_of(channels: int = 4, id: str = "north-bench", lines: dict[str, float] | None = None) -> Bench:
    names = ["air_upper", "air_lower", "face_upper", "face_lower"] + [f"grid_{n:02d}" for n in range(1, channels - 3)]
    entry = SourceEntry("board", "board", {"url": "nowhere"}, {})
    roles = tuple(Role(name, "board", f"tc_{n}") for n, name in enumerate(names[:channels], 1))
    return Bench(id, "north", (entry,), roles, lines)


class ScriptedSource:
    """Frames at a fixed rate from a function of time; links and buttons as told."""

    def __init__(
        self,
        bench: Bench,
        clock: ManualClock,
        values: Callable[[float], Sequence[float]] | None = None,
        rate_hz: float = RATE_HZ,
        id: str = "board",
    ) -> None:
        self.id, self._clock = id, clock
        self._channels = [role.channel for role in bench.roles if role.source == id]
        self._values = values or (lambda at_s: [180.0 + 0.001 * self.sent + n for n in range(len(self._channels))])
        self._start_s, self._period_s = clock.monotonic_s(), 1.0 / rate_hz
        self.sent = self._next = 0
        self.lost = False
        self._said: list[Link | Fault | Frame] = []

    def say(self, what: Link | Fault | Frame) -> None:
        self._said.append(what)

    def press(self, name: str) -> None:
        self.say(Frame(None, None, (), name))

    def lose(self) -> None:
        self.lost = True
        self.say(Link(LinkState.LOST, "the cable is out"))

    def come_back(self) -> None:
        self.lost = False
        self.say(Link(LinkState.RUNNING, "there again"))

    def poll(self, timeout_s: float) -> list[Arrival]:
        self._clock.sleep(timeout_s)
        now_s, utc = self._clock.monotonic_s(), self._clock.utc()
        found = [Arrival(now_s, utc, what) for what in self._said]
        self._said.clear()
        while self._start_s + self._next * self._period_s <= now_s + 1e-9:
            at_s = self._start_s + self._next * self._period_s
            self._next += 1
            if not self.lost:
                self.sent += 1
                numbers = self._values(at_s - self._start_s)
                values = tuple(Value(c, "C", float(v)) for c, v in zip(self._channels, numbers, strict=True))
                found.append(Arrival(at_s, utc, Frame(self._next, None, values)))
        return found

    def close(self) -> None:
        pass


@dataclass
class FakeStore:
    """A store in memory. `down`: every call fails. `fail_after`: calls that still succeed."""

    down: bool = False
    fail_next: int = 0
    lose_answer: bool = False
    kept: dict[tuple[str, str, int], Block] = field(default_factory=dict)
    order: list[tuple[str, int]] = field(default_factory=list)
    marks_: dict[str, Mark] = field(default_factory=dict)
    runs: dict[str, Run] = field(default_factory=dict)
    heats: dict[str, HeatRecord] = field(default_factory=dict)
    moves: list[tuple[str, float, str, str]] = field(default_factory=list)
    holders: dict[str, str] = field(default_factory=dict)
    opened: int = 0
    thinned: list[float] = field(default_factory=list)
    repeated: int = 0
    hangs: threading.Event = field(default_factory=threading.Event)
    _hung: str = ""
    _free: threading.Event = field(default_factory=threading.Event)

    def hang(self, call: str) -> None:
        """The next such call does not come back until `go_on`; `hangs` is set when it is in."""
        self._hung = call

    def go_on(self) -> None:
        self._hung = ""
        self._free.set()

    def _may_hang(self, call: str) -> None:
        if self._hung == call:
            self.hangs.set()
            assert self._free.wait(60.0)

    def open(self) -> FakeStore:
        self._may_hang("open")
        self._ask()
        self.opened += 1
        return self

    def _ask(self) -> None:
        if self.fail_next:
            self.fail_next -= 1
            raise StoreDown("the store is locked")
        if self.down:
            raise StoreDown("the store is locked")

    def add(self, blocks: Sequence[Block], marks: Sequence[Mark]) -> None:
        self._may_hang("add")
        self._ask()
        for block in blocks:
            key = (block.bench, block.run, block.second)
            if key in self.kept:
                self.repeated += 1
                assert self.kept[key] == block
                continue
            self.kept[key] = block
            self.order.append((block.run, block.second))
        for mark in marks:
            self.marks_.setdefault(mark.id, mark)
        if self.lose_answer:
            self.lose_answer = False
            raise StoreDown("the connection broke after the commit")

    def begin_run(self, run: Run) -> None:
        self._ask()
        self.runs.setdefault(run.id, run)

    def end_run(self, run: str, how: Literal["ended", "interrupted"], utc_ms: int) -> None:
        self._ask()
        if self.runs[run].how == "open":
            self.runs[run] = replace(self.runs[run], how=how, ended_utc_ms=utc_ms)

    def open_runs(self, bench: str | None = None) -> Sequence[Run]:
        self._ask()
        return [run for run in self.runs.values() if run.how == "open" and bench in (None, run.bench)]

    def has_run(self, run: str) -> bool:
        self._ask()
        return run in self.runs

    def start_moves(self, heat_id: str) -> Sequence[StartMove]:
        self._ask()
        return [StartMove(id, 0.0, start_s, who, why) for id, start_s, who, why in self.moves if id == heat_id]

    def last_block(self, run: str) -> tuple[int, int] | None:
        seconds = [(block.second, block.utc_ms) for block in self.kept.values() if block.run == run]
        return max(seconds, default=None)

    def begin_heat(self, record: HeatRecord) -> object:
        self._ask()
        assert record.run in self.runs
        return self.heats.setdefault(record.id, replace(record, number=len(self.heats) + 1))

    def set_form(self, heat_id: str, form: HeatForm) -> None:
        self._ask()
        self.heats[heat_id] = replace(self.heats[heat_id], form=form)

    def move_start(self, heat_id: str, new_start_s: float, who: str, why: str) -> object:
        self._ask()
        if new_start_s < 0.0:
            raise InputError("start before the run")
        self.moves.append((heat_id, new_start_s, who, why))
        self.heats[heat_id] = replace(self.heats[heat_id], start_s=new_start_s)
        return self.heats[heat_id]

    def finish_heat(self, heat_id: str, end_s: float, state: Literal["finished", "aborted", "interrupted"]) -> object:
        self._ask()
        assert self.heats[heat_id].state == "open"
        self.heats[heat_id] = replace(self.heats[heat_id], end_s=end_s, state=state)
        return self.heats[heat_id]

    def open_heats(self, bench: str | None = None) -> Sequence[HeatRecord]:
        self._ask()
        return [heat for heat in self.heats.values() if heat.state == "open" and bench in (None, heat.bench)]

    def marks(self, bench: str, run: str, from_s: float = 0.0, to_s: float = float("inf")) -> Sequence[Mark]:
        self._ask()
        return [mark for mark in self.marks_.values() if mark.run == run and from_s <= mark.at_s <= to_s]

    def thin(self, bench: str, run: str, before_s: float) -> int:
        self._ask()
        self.thinned.append(before_s)
        return 0

    def hold(self, bench: str, token: str, utc_ms: int) -> object:
        self._may_hang("hold")
        self._ask()
        if self.holders.setdefault(bench, token) != token:
            raise BenchHeld(f"bench {bench} is recorded by another recorder")
        return None

    def release(self, bench: str, token: str) -> None:
        self.holders.pop(bench, None)

    def close(self) -> None:
        pass

    # ------------------------------------------------------------ what tests ask

    def samples(self, run: str) -> list[tuple[int, float]]:
        """(ms of the run, first value that is not raw) of each row that brought numbers, in order of time."""
        return samples_of([block for block in self.kept.values() if block.run == run])

    def named(self, name: str) -> list[Mark]:
        return [mark for mark in self.marks_.values() if mark.name == name]


def samples_of(blocks: Sequence[Block]) -> list[tuple[int, float]]:
    found = []
    for block in sorted(blocks, key=lambda block: block.second):
        for row in range(block.offsets_ms.size):
            if block.states[row, 0] != NOT_SAMPLED and not np.isnan(block.values[row]).all():
                found.append((block.second * 1000 + int(block.offsets_ms[row]), float(block.values[row, 0])))
    return found


class FullDisk(Spool):
    """A spool whose disk is full on demand; a write fails half way, as a real one does."""

    full = False

    def _write(self, path: Path, before: int, data: bytes) -> None:
        if self.full:
            super()._write(path, before, data[: len(data) // 2])
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        super()._write(path, before, data)


@dataclass
class Rig:
    """A recorder with all its surroundings."""

    folder: Path
    bench: Bench = field(default_factory=bench_of)
    store: FakeStore = field(default_factory=FakeStore)
    clock: ManualClock = field(default_factory=ManualClock)
    values: Callable[[float], Sequence[float]] | None = None
    zone: str = "+01:00 CET"
    boot_extra_s: float | None = None
    rate_hz: float = RATE_HZ
    own_thread: bool = False

    def start(self) -> Rig:
        self.source = ScriptedSource(self.bench, self.clock, self.values, self.rate_hz)
        self.spool = FullDisk(self.folder / "spool")
        self.mailbox = Mailbox(self.folder / "marks")
        reader = BenchReader(self.bench, [self.source], self.clock)
        watch = ClockWatch(self.clock, lambda _: self.zone, self._boot_s)
        try:
            self.recorder = Recorder(
                reader, self.store.open, self.spool, self.clock, self.bench, mailbox=self.mailbox, watch=watch,
                software="pullcue test", own_thread=self.own_thread,
            )  # fmt: skip
        except InputError:
            self.spool.close()
            raise
        return self

    def _boot_s(self) -> float | None:
        return None if self.boot_extra_s is None else self.clock.monotonic_s() + self.boot_extra_s

    def run(self, duration_s: float, step_s: float = 0.2) -> None:
        for _ in range(round(duration_s / step_s)):
            self.recorder.step(step_s)

    def settle(self, unsaved: int | None = None) -> None:
        """Wait, in the machine's time, until the recorder's thread has nothing to do; the rig's clock stands."""
        for _ in range(12000):
            kept = self.recorder.step(0.0).kept
            if kept.unsaved == (0 if unsaved is None else unsaved) and (unsaved is not None or not kept.spooled):
                return
            time.sleep(0.005)
        raise AssertionError(self.recorder.kept())

    def kill(self) -> None:
        """As kill -9: the system closes what was open, and nothing else happens."""
        self.spool._lock.close()
        self.store.holders.clear()

    @property
    def run_id(self) -> str:
        return self.recorder.run.id

    def seconds(self) -> list[int]:
        return [second for run, second in self.store.order if run == self.run_id]

    def must_be_whole(self) -> None:
        """Every frame that was sent is stored once and in order."""
        samples = self.store.samples(self.run_id)
        assert [value for _, value in samples] == [180.0 + 0.001 * n for n in range(1, self.source.sent + 1)]
        assert all(after > before for (before, _), (after, _) in pairwise(samples))
        assert self.seconds() == sorted(self.seconds())
