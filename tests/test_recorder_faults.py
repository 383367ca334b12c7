"""The recorder, its thread, the machine's clock, and faults of a real disk and real databases."""

from __future__ import annotations

import json
import os
import shutil
import sqlite3
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path

import pytest

import postgres_server
from logger.clock import SystemClock
from logger.keeper import Kept
from logger.marks import request
from logger.readings import BenchReader
from logger.recorder import Recorder
from logger.spool import Spool
from logger.store import Store, open_store
from recorder_rig import FULL, ScriptedSource, bench_of, samples_of

HERE = Path(__file__).parent
LOCKED_S, STOPPED_S = (30.0, 60.0) if FULL else (2.5, 2.5)
STEP_S = 0.05
#: A round waits 0.05 s and writes to this disk; a store that does not answer holds it up by a second and more. Twice as
#: long as this computer held up a thread that only sleeps is added.
ROUND_AT_MOST_S = 0.8
#: Longest that what must come is waited for, s.
COMES_S = 60.0


@dataclass
class Live:
    """A recorder in real time."""

    folder: Path
    url: str
    busy_s: float = 1.0
    rounds_s: list[float] = field(default_factory=list)
    unsaved: int = 0
    spooled: int = 0
    words: set[str] = field(default_factory=set)
    held_up_s: float = 0.0
    over: threading.Event = field(default_factory=threading.Event)

    def start(self) -> Live:
        self.sleeper = threading.Thread(target=self._sleep_on)
        self.sleeper.start()
        clock, bench = SystemClock(), bench_of()
        self.source = ScriptedSource(bench, clock)  # type: ignore[arg-type]
        self.recorder = Recorder(
            BenchReader(bench, [self.source], clock), self.open, Spool(self.folder / "spool"), clock, bench
        )
        return self

    def _sleep_on(self) -> None:
        """How long other work of this computer holds up a thread."""
        while not self.over.is_set():
            began_s = time.monotonic()
            time.sleep(STEP_S)
            self.held_up_s = max(self.held_up_s, time.monotonic() - began_s - STEP_S)

    def open(self) -> Store:
        return open_store(self.url, busy_s=self.busy_s)

    def run(self, duration_s: float) -> None:
        end_s = time.monotonic() + duration_s
        while (began_s := time.monotonic()) < end_s:
            kept = self.recorder.step(STEP_S).kept
            self.rounds_s.append(time.monotonic() - began_s)
            self.unsaved, self.spooled = max(self.unsaved, kept.unsaved), max(self.spooled, kept.spooled)
            self.words.add(kept.trouble)

    def run_until(self, there: Callable[[Kept], bool]) -> None:
        """Go on, a moment at a time, until what is kept looks so."""
        end_s = time.monotonic() + COMES_S
        while not there(self.recorder.kept()):
            assert time.monotonic() < end_s, self.recorder.kept()
            self.run(STEP_S)

    def must_be_whole(self) -> None:
        self.recorder.close()
        store = self.open()
        values = [value for _, value in samples_of(store.blocks("north-bench", self.recorder.run.id))]
        assert values == [180.0 + 0.001 * n for n in range(1, self.source.sent + 1)]
        assert store.verify() == []
        store.close()
        assert self.unsaved == 0  # all was acknowledged all the time
        assert max(self.rounds_s) < ROUND_AT_MOST_S + 2.0 * self.held_up_s


@pytest.fixture
def recording(tmp_path: Path) -> Iterator[Callable[[str], Live]]:
    """Makes a recorder that writes into the store of a URL; none is left behind, whatever fails."""
    made: list[Live] = []

    def start(url: str) -> Live:
        made.append(Live(tmp_path, url).start())
        return made[-1]

    yield start
    for live in made:
        live.over.set()
        live.sleeper.join()
        live.recorder.close()


def test_a_store_locked_by_another_program(recording: Callable[[str], Live], tmp_path: Path) -> None:
    live = recording(f"sqlite:///{tmp_path / 'store.sqlite'}")
    live.run_until(lambda kept: not kept.spooled)
    live.run(0.5)
    other = sqlite3.connect(tmp_path / "store.sqlite", isolation_level=None)
    other.execute("BEGIN IMMEDIATE")
    live.run(LOCKED_S)
    live.run_until(lambda kept: "locked" in kept.trouble)
    other.execute("ROLLBACK")
    other.close()
    assert live.spooled >= LOCKED_S - 2.0
    live.run(0.5)
    live.must_be_whole()


def test_a_server_stopped_under_a_running_recorder(
    postgresql: postgres_server.Postgres, recording: Callable[[str], Live]
) -> None:
    live = recording(postgresql.url("stopped"))
    live.run(1.2)
    live.recorder.mark(request("start", 0))
    live.run_until(lambda kept: not kept.spooled)
    with _in_background(lambda: postgresql.stop("immediate")):
        live.run(STOPPED_S)
    live.run_until(lambda kept: "the store does not take what is recorded" in kept.trouble)
    assert live.spooled >= STOPPED_S - 2.0
    with _in_background(postgresql.start):
        live.run(0.5)
    live.run_until(lambda kept: kept.trouble == "")  # the store is tried every 10 s at least
    live.recorder.mark(request("pulled", 0))
    live.must_be_whole()


class _in_background:
    """Something done in a thread while the recorder runs; over at the end of the block."""

    def __init__(self, what: Callable[[], None]) -> None:
        self._thread = threading.Thread(target=what)

    def __enter__(self) -> None:
        self._thread.start()

    def __exit__(self, *_: object) -> None:
        self._thread.join()


def test_a_server_that_does_not_answer(postgresql: postgres_server.Postgres, recording: Callable[[str], Live]) -> None:
    # Its processes stand still, as a machine that hangs does: no error comes, a call just lasts.
    live = recording(postgresql.url("hung"))
    live.run(1.2)
    live.run_until(lambda kept: not kept.spooled)
    postgresql.signal("STOP")
    try:
        live.run(2.0)
        live.run_until(lambda kept: kept.spooled >= 2)
    finally:
        postgresql.signal("CONT")
    live.run_until(lambda kept: not kept.spooled)
    live.must_be_whole()


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[tuple[Path, str]]:
    """A file system of 3 MB; where none may be mounted, a folder, and the word for a limit on files."""
    if sys.platform == "win32":
        pytest.skip("Windows has neither small mounts nor limits on a file's size")
    folder = tmp_path / "disk"
    folder.mkdir()
    words = ["mount", "-t", "tmpfs", "-o", "size=3m", "tmpfs", str(folder)]
    mounted = shutil.which("mount") is not None and subprocess.run(words, capture_output=True).returncode == 0
    yield folder, "fill" if mounted else "limit"
    if mounted:
        subprocess.run(["umount", "-l", str(folder)], check=True)


def recorded_on(folder: Path, how: str) -> dict[str, object]:
    paths = os.pathsep.join((str(HERE.parent), str(HERE)))
    done = subprocess.run(
        [sys.executable, str(HERE / "full_disk_child.py"), str(folder), how],
        capture_output=True, text=True, cwd=HERE.parent, env={**os.environ, "PYTHONPATH": paths}, timeout=120,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    said: dict[str, object] = json.loads(done.stdout)
    return said


def must_have_survived(said: dict[str, object]) -> None:
    assert said["before"] == 0
    assert isinstance(said["during"], int)
    assert said["during"] > 50  # entries were in memory only, and that was said
    assert "free space on its disk" in str(said["words"])
    assert said["after"] == [0, 0]
    assert (said["whole"], said["problems"], said["states"]) == (True, [], ["finished"])


def test_a_disk_that_is_full_and_is_freed(small_disk: tuple[Path, str]) -> None:
    must_have_survived(recorded_on(*small_disk))


@pytest.mark.skipif(sys.platform == "win32", reason="Windows has no limit on a file's size")
def test_files_that_may_not_grow_and_then_may(tmp_path: Path) -> None:
    must_have_survived(recorded_on(tmp_path, "limit"))
