"""Eight benches of 16 channels at 10 Hz recorded into one SQLite store for an hour of simulated time.

    python -m benchmarks.recording [MINUTES] [FOLDER]

Prints the processor time of recording as a share of one core in real time (the sources' own is measured apart and
taken off), the resident memory at ten moments, and whether every sample is in the store once. FOLDER: on the disk to
be measured; commits there are synchronous.
"""

from __future__ import annotations

import os
import sys
import tempfile
import time
from collections.abc import Callable, Sequence
from pathlib import Path

import numpy as np

from logger.bench import Bench, Role, SourceEntry
from logger.clock import ManualClock
from logger.clock_watch import ClockWatch
from logger.reading import Arrival, Frame, Value
from logger.readings import BenchReader
from logger.recorder import Recorder
from logger.records import NOT_SAMPLED
from logger.spool import Spool
from logger.store import Store, open_store

BENCHES, CHANNELS, RATE_HZ, STEP_S = 8, 16, 10, 0.2
_ROLES = ("air_upper", "air_lower", "face_upper", "face_lower", *(f"core_{n}" for n in range(1, CHANNELS - 3)))


class Counting:
    """Gives its count as the first channel, so that a lost or doubled frame shows; and the time it took."""

    id = "board"

    def __init__(self, clock: ManualClock) -> None:
        self._clock, self.sent, self.spent_s = clock, 0, 0.0
        self._walk = np.random.default_rng(7).normal(0.0, 0.3, (4096, CHANNELS)).round(2) + 150.0

    def poll(self, timeout_s: float) -> list[Arrival]:
        began_s = time.process_time()
        now_s, utc, found = self._clock.monotonic_s(), self._clock.utc(), []
        while (self.sent + 1) / RATE_HZ <= now_s + 1e-9:
            self.sent += 1
            numbers = self._walk[self.sent % 4096].tolist()
            numbers[0] = 100.0 + self.sent * 1e-3
            values = tuple([Value(f"tc_{n}", "C", value) for n, value in enumerate(numbers)])
            found.append(Arrival(self.sent / RATE_HZ, utc, Frame(self.sent, self.sent * 100, values)))
        self.spent_s += time.process_time() - began_s
        return found

    def close(self) -> None:
        pass


def bench_of(number: int) -> Bench:
    roles = tuple(Role(name, "board", f"tc_{n}") for n, name in enumerate(_ROLES))
    return Bench(f"bench-{number}", "north", (SourceEntry("board", "board", {"url": ""}, {}),), roles)


def record(
    folder: Path, minutes: float, told: Callable[[float, int], None] = lambda _share, _bytes: None
) -> tuple[float, int]:
    """Record; processor seconds for a second of recording, and the number of samples in the store.

    Raises:
        AssertionError: a frame is missing or there twice.
    """
    url, clock = f"sqlite:///{folder / 'store.sqlite'}", ManualClock()

    def opener() -> Store:
        return open_store(url)

    sources, recorders = [], []
    for number in range(BENCHES):
        bench, source = bench_of(number), Counting(clock)
        spool = Spool(folder / f"spool-{number}")
        watch = ClockWatch(clock, lambda _: "+00:00 UTC")
        reader = BenchReader(bench, [source], clock)
        recorders.append(Recorder(reader, opener, spool, clock, bench, watch=watch, own_thread=False))
        sources.append(source)
    rounds = round(minutes * 60.0 / STEP_S)
    began_s = time.process_time()
    for n in range(rounds):
        clock.sleep(STEP_S)
        for recorder in recorders:
            recorder.step(0.0)
        if n % max(rounds // 10, 1) == 0:
            told(n / rounds, _resident())
    spent_s = time.process_time() - began_s - sum(source.spent_s for source in sources)
    for recorder in recorders:
        recorder.close()
    store = opener()
    samples = sum(_checked(store, r.run.bench, r.run.id, s.sent) for r, s in zip(recorders, sources, strict=True))
    store.close()
    return spent_s / (minutes * 60.0), samples


def _checked(store: Store, bench: str, run: str, sent: int) -> int:
    """Samples of one bench. What was thinned is thinned by whole seconds: the rest must be whole."""
    firsts: list[float] = []
    count = 0
    for block in store.blocks(bench, run):
        place = block.columns.index(_ROLES[0])
        due = block.states[:, place] != NOT_SAMPLED
        firsts += block.values[due, place].tolist()
        count += int((block.states[:, : len(_ROLES)] != NOT_SAMPLED).sum())
    numbers = [round((value - 100.0) * 1e3) for value in firsts]
    last_whole = min(sent, 30 * 60 * RATE_HZ)
    assert numbers == sorted(set(numbers)), f"{bench}: a frame is there twice or out of order"
    assert numbers[-last_whole:] == list(range(sent - last_whole + 1, sent + 1)), f"{bench}: a frame is missing"
    return count


def _resident() -> int:
    try:
        return int(Path("/proc/self/statm").read_text().split()[1]) * os.sysconf("SC_PAGE_SIZE")
    except OSError:
        return 0  # no such file on this system


def main(words: Sequence[str]) -> None:
    minutes = float(words[0]) if words else 60.0
    where = words[1] if len(words) > 1 else None
    with tempfile.TemporaryDirectory(dir=where) as folder:
        began_s = time.perf_counter()
        share, samples = record(
            Path(folder), minutes, lambda part, size: print(f"{part:4.0%}  {size / 1e6:7.1f} MB resident", flush=True)
        )
        size = (Path(folder) / "store.sqlite").stat().st_size
        took_s = time.perf_counter() - began_s
        print(f"{BENCHES} benches x {CHANNELS} channels x {RATE_HZ} Hz, {minutes:g} min in {took_s:.0f} s")
        print(f"recording takes {share:.1%} of one core; {samples} samples of roles in the store, {size / 1e6:.1f} MB")


if __name__ == "__main__":
    main(sys.argv[1:])
