"""The store against a row per value in SQLite and against DuckDB, and the times of reading and searching.

    python benchmarks/store.py [--commits N] [--folder DIR]

Each writer stores the same seconds of 16 channels at 10 Hz, durable at each commit, in turns of some commits so that
all meet the same disk: one second a commit as one bench does, eight as eight benches, sixty as after an outage. DuckDB
is left out where it is not installed.
"""

from __future__ import annotations

import argparse
import gc
import platform
import random
import sqlite3
import statistics
import tempfile
import time
from collections.abc import Callable, Sequence
from importlib import import_module
from pathlib import Path
from typing import Any

import numpy as np
from sqlalchemy import insert

from logger.heat_rows import form_text, search_row
from logger.records import Block, HeatFilter, HeatForm, HeatRecord, Run, new_id
from logger.schema import heat_search, heats
from logger.store import Store, open_store

BENCH, RUN = "bench_1", "a" * 32
COLUMNS = tuple(f"air_{i}_c" for i in range(1, 17))
TURN = 25
Writer = Callable[[Sequence[Block]], None]


def second(at: int, rows: int = 10) -> Block:
    draw = np.random.default_rng(at)
    offsets = (np.arange(rows) * (1000 // rows)).astype(np.int32)
    values = draw.normal(180.0, 5.0, (rows, len(COLUMNS)))
    return Block(BENCH, RUN, at, 1000 * at, COLUMNS, offsets, values, np.zeros(values.shape, np.uint8))


def _rows(block: Block) -> list[tuple[int, int, float, int]]:
    """(ms, channel, value, state) of a second, as plain numbers."""
    values, states = block.values.tolist(), block.states.tolist()
    return [
        (block.second * 1000 + ms, channel, values[row][channel], states[row][channel])
        for row, ms in enumerate(block.offsets_ms.tolist())
        for channel in range(len(COLUMNS))
    ]


def row_per_value(path: Path) -> Writer:
    """SQLite with the same settings, a row for each value."""
    connection = sqlite3.connect(path, isolation_level=None)
    connection.execute("PRAGMA journal_mode = WAL")
    connection.execute("PRAGMA synchronous = FULL")
    connection.execute(
        "CREATE TABLE samples (ms INTEGER, channel INTEGER, value REAL, state INTEGER, PRIMARY KEY (ms, channel)) "
        "STRICT, WITHOUT ROWID"
    )

    def write(blocks: Sequence[Block]) -> None:
        connection.execute("BEGIN IMMEDIATE")
        for block in blocks:
            connection.executemany("INSERT INTO samples VALUES (?, ?, ?, ?)", _rows(block))
        connection.execute("COMMIT")

    return write


def duckdb_rows(path: Path) -> Writer | None:
    """DuckDB, a row for each value, fed with arrays, which is its fastest way in; it syncs its log at each commit."""
    try:
        duckdb: Any = import_module("duckdb")
    except ImportError:
        return None
    connection = duckdb.connect(str(path))
    connection.execute("CREATE TABLE samples (ms BIGINT, channel INTEGER, value DOUBLE, state UTINYINT)")

    def write(blocks: Sequence[Block]) -> None:
        seconds = {
            "ms": np.concatenate([np.repeat(b.offsets_ms.astype(np.int64) + b.second * 1000, 16) for b in blocks]),
            "channel": np.tile(np.arange(len(COLUMNS), dtype=np.int32), 10 * len(blocks)),
            "value": np.concatenate([block.values.ravel() for block in blocks]),
            "state": np.concatenate([block.states.ravel() for block in blocks]),
        }
        connection.execute("BEGIN")
        connection.execute("INSERT INTO samples SELECT * FROM seconds")
        connection.execute("COMMIT")
        del seconds

    return write


def measure_writers(folder: Path, commits: int, at_once: int) -> None:
    """Durable commits of `at_once` seconds."""
    store = open_store(f"sqlite:///{folder / f'store_{at_once}.db'}")
    store.begin_run(Run(RUN, BENCH, 0, "UTC", ""))
    writers: dict[str, Writer | None] = {
        "Pullcue's store": store.add,
        "SQLite, a row per value": row_per_value(folder / f"rows_{at_once}.db"),
        "DuckDB": duckdb_rows(folder / f"rows_{at_once}.duckdb"),
    }
    taken: dict[str, list[float]] = {name: [] for name, writer in writers.items() if writer is not None}
    batches = [[second(at) for at in range(i * at_once, (i + 1) * at_once)] for i in range(commits)]
    for first in range(0, commits, TURN):
        for name, writer in writers.items():
            if writer is not None:
                for batch in batches[first : first + TURN]:
                    began_s = time.perf_counter()
                    writer(batch)
                    taken[name].append(time.perf_counter() - began_s)
    store.close()
    own = taken["Pullcue's store"]
    print(f"\n{at_once} seconds of 16 channels at 10 Hz a commit; {commits} commits each, in turns of {TURN}\n")
    print("| | samples a second | the store stores times as many | commit, ms: median | 99 % |\n|---|--:|--:|--:|--:|")
    for name, times in taken.items():
        median, p99 = statistics.median(times), sorted(times)[int(len(times) * 0.99)]
        rate, ratio = 160 * at_once * len(times) / sum(times), sum(times) / sum(own)
        print(f"| {name} | {rate:,.0f} | {ratio:.1f} | {median * 1e3:.2f} | {p99 * 1e3:.2f} |")


def best_and_median_ms(what: Callable[[], object], times: int = 30) -> tuple[float, float]:
    taken = []
    gc.collect()
    for _ in range(times):
        began_s = time.perf_counter()
        what()
        taken.append((time.perf_counter() - began_s) * 1e3)
    return min(taken), statistics.median(taken)


def measure_reading(folder: Path) -> None:
    """A heat of 20,000 rows of 16 channels: 2000 s at 10 Hz, of 2600 s recorded."""
    store = open_store(f"sqlite:///{folder / 'read.db'}")
    rows = row_per_value(folder / "read_rows.db")
    for first in range(0, 2600, 100):
        batch = [second(at) for at in range(first, first + 100)]
        store.add(batch)
        rows(batch)
    assert store.samples(RUN, 300.0, 2299.95).at_ms.size == 20_000
    plain = sqlite3.connect(folder / "read_rows.db")
    query = "SELECT value FROM samples WHERE ms >= 300000 AND ms < 2300000 ORDER BY ms, channel"
    print("\n| read | best, ms | median, ms |\n|---|--:|--:|")
    for name, times, what in (
        ("20,000 rows of 16 channels, in one piece", 30, lambda: store.samples(RUN, 300.0, 2299.95)),
        ("20,000 values (1250 rows of 16 channels)", 30, lambda: store.samples(RUN, 300.0, 424.95)),
        (
            "20,000 rows of 16 channels, of SQLite with a row per value (values alone)",
            5,
            lambda: np.array(plain.execute(query).fetchall()).reshape(-1, 16),
        ),
    ):
        best, median = best_and_median_ms(what, times)
        print(f"| {name} | {best:.2f} | {median:.2f} |")
    plain.close()
    store.close()
    sizes = [(folder / name).stat().st_size / (2600 * 160) for name in ("read.db", "read_rows.db")]
    print(f"\nBytes a sample on disk: {sizes[0]:.1f}; with a row per value {sizes[1]:.1f}")


def fill_heats(store: Store, count: int) -> None:
    """Many heats, entered as rows: the chain is not what is measured here."""
    draw = random.Random(3)
    store.begin_run(Run(RUN, BENCH, 0, "UTC", ""))
    rows, words = [], []
    for number in range(1, count + 1):
        form = HeatForm(
            polymer=draw.choice(["pp_h", "pp_c", "petg", "eva"]),
            gauge_mm=draw.choice([3.0, 4.0, 6.0, 10.0]),
            oven=draw.choice(["oven_1", "oven_2"]),
            sheet_label=f"lot {draw.randrange(10**6)}",
            job_number=f"J-{draw.randrange(10**6)}",
            initials=draw.choice(["AB", "CD", "EF"]),
            notes=" ".join(draw.choices(["corner", "lifted", "thin", "good", "late", "again", "dry"], k=8)),
        )
        outcome = draw.choice(["good", "thin", "webbed"])
        heat = HeatRecord(number, new_id(), BENCH, RUN, 600.0 * number, 600_000 * number, 600.0 * number + 400.0,
                          "finished", outcome, None, form)  # fmt: skip
        rows.append(
            {
                "number": number,
                "id": heat.id,
                "run": 1,
                "start_s": heat.start_s,
                "start_utc_ms": heat.start_utc_ms,
                "end_s": heat.end_s,
                "state": "finished",
                "outcome": outcome,
                "form": form_text(form),
            }
        )
        words.append(search_row(heat))
    with store._write() as connection:
        connection.execute(insert(heats), rows)
        connection.execute(insert(heat_search), words)


def measure_search(folder: Path, count: int = 100_000) -> None:
    store = open_store(f"sqlite:///{folder / 'search.db'}")
    fill_heats(store, count)
    print(f"\n| search over {count:,} heats | best, ms | median, ms |\n|---|--:|--:|")
    for name, wanted in (
        ("newest 50", HeatFilter()),
        ("a job number: one found, all looked at", HeatFilter(text=store.heat(777).form.job_number or "")),
        ("a text that none has", HeatFilter(text="zebra")),
        ("polymer, outcome and a text", HeatFilter(polymer="petg", outcome="webbed", text="corner lifted")),
        ("oven and a stretch of time", HeatFilter(oven="oven_1", from_utc_ms=10**9, to_utc_ms=2 * 10**9)),
    ):
        best, median = best_and_median_ms(lambda wanted=wanted: store.heats(wanted))  # type: ignore[misc]
        print(f"| {name} | {best:.2f} | {median:.2f} |")
    best, median = best_and_median_ms(lambda: store.count(HeatFilter(text="thin good")))
    print(f"| how many have a text | {best:.2f} | {median:.2f} |")
    store.close()


def main() -> None:
    parser = argparse.ArgumentParser(description="Times of the store.")
    parser.add_argument("--commits", type=int, default=1000)
    parser.add_argument("--folder", help="where to write; the disk that matters", default=None)
    asked = parser.parse_args()
    print(f"{platform.platform()}, Python {platform.python_version()}, SQLite {sqlite3.sqlite_version}")
    with tempfile.TemporaryDirectory(dir=asked.folder) as name:
        folder = Path(name)
        for at_once in (1, 8, 60):
            measure_writers(folder, max(asked.commits // at_once, 4 * TURN), at_once)
        measure_reading(folder)
        measure_search(folder)


if __name__ == "__main__":
    main()
