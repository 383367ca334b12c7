"""The records' page over many heats: searches and a heat of 20,000 samples opened, in SQLite and PostgreSQL.

    python benchmarks/records.py [--heats 100000] [--times 20]

The store's share is `Store.page`; the page's is the whole answer of its server, with
the table as the browser gets it, or the page of one heat with its figure. PostgreSQL is left out where its programs
are missing (tests/postgres_server.py starts one of its own).
"""

from __future__ import annotations

import argparse
import platform
import random
import sqlite3
import sys
import tempfile
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
from sqlalchemy import insert

from dashboard.shop import DEMO_FOLDER, read_shop
from dashboard.store_place import StorePlace
from dashboard.stored_review import VERSION
from dashboard.trends import trends
from dashboard.web.app import make_app
from dashboard.web.records_query import ROWS
from dashboard.web.services import Services
from logger.clock import ManualClock
from logger.records import Block, HeatFilter, HeatForm, HeatRecord, Run, new_id
from logger.schema import heat_reviews
from logger.store import Store, open_store
from store import best_and_median_ms, fill_heats

sys.path.insert(0, str(Path(__file__).parent.parent / "tests"))
import postgres_server
from page_rig import Visitor, shell_call

ROLES = ("air_upper", "air_lower", "face_upper", "face_lower")
LONG_RUN, LONG_BENCH = "c" * 32, "bench_2"
SEARCHES: tuple[tuple[str, HeatFilter, str], ...] = (
    ("newest", HeatFilter(), ""),
    ("a text that none has", HeatFilter(text="zebra"), "text=zebra"),
    ("a text that many have", HeatFilter(text="thin good"), "text=thin+good"),
    ("polymer, outcome, text", HeatFilter(polymer="petg", outcome="webbed", text="corner lifted"),
     "polymer=petg&outcome=webbed&text=corner+lifted"),
    ("sorted by polymer", HeatFilter(order="polymer"), "sort=polymer"),
    ("sorted by margin", HeatFilter(order="margin"), "sort=margin"),
    ("the same, the greatest first", HeatFilter(order="margin", backwards=True), "sort=-margin"),
    ("the 1000th page", HeatFilter(offset=999 * ROWS), "page=1000"),
    ("the 1000th page by gauge", HeatFilter(offset=999 * ROWS, order="gauge"), "sort=gauge&page=1000"),
)  # fmt: skip


def long_heat(store: Store) -> int:
    """A heat of 20,000 rows of four channels: 2000 s at 10 Hz."""
    store.begin_run(Run(LONG_RUN, LONG_BENCH, 0, "UTC", ""))
    offsets = (np.arange(10) * 100).astype(np.int32)
    for first in range(0, 2000, 200):
        blocks = []
        for at in range(first, first + 200):
            draw = np.random.default_rng(at)
            values = 180.0 - 150.0 * np.exp(-at / 600.0) + draw.normal(0.0, 0.5, (10, 4))
            states = np.zeros(values.shape, np.uint8)
            blocks.append(Block(LONG_BENCH, LONG_RUN, at, 1000 * at, ROLES, offsets, values, states))
        store.add(blocks)
    form = HeatForm(polymer="pp-homopolymer", gauge_mm=6.0, oven="north")
    heat = store.begin_heat(HeatRecord(0, new_id(), LONG_BENCH, LONG_RUN, 0.0, 0, form=form))
    return store.finish_heat(heat.id, 1999.95, "finished").number


def fill_reviews(store: Store, count: int) -> None:
    """Three of five heats have a review, its content of the usual length."""
    draw = random.Random(5)
    margins = [(number, draw.gauss(4.0, 5.0)) for number in range(1, count + 1) if draw.random() < 0.6]
    rows = [
        {"number": number, "version": VERSION, "above_low_k": k - 3.0, "above_k": k, "above_high_k": k + 3.0,
         "content": "x" * 1500}
        for number, k in margins
    ]  # fmt: skip
    with store._write() as connection:
        connection.execute(insert(heat_reviews), rows)
    store.index_anew()


def measure(name: str, url: str, folder: Path, count: int, times: int) -> None:
    store = open_store(url)
    fill_heats(store, count)
    fill_reviews(store, count)
    number = long_heat(store)
    _settle(store)
    place = StorePlace(url, folder)
    app = make_app(Services(read_shop(DEMO_FOLDER), clock=ManualClock(), place=place))
    visitor = Visitor(app)
    visitor.get("/records")
    for words, wanted, query in SEARCHES:
        page = replace(wanted, limit=ROWS)

        def asked(page: HeatFilter = page) -> object:
            return store.page(page)

        def answered(query: str = query) -> object:
            return visitor.get(f"/records/rows?{query}")

        row(name, words, asked, answered, times)

    def opened() -> object:
        return visitor.call(shell_call("/records", f"?heat={number}"))

    def trend() -> object:
        return visitor.call(shell_call("/records", "?show=trends"))

    every = HeatFilter(limit=None)
    row(name, "trends of all; page: asked again", lambda: trends(store, every, VERSION, False), trend, times)
    row(name, "a heat of 20,000 samples opened", lambda: store.samples(LONG_RUN, 0.0, 1999.95), opened, times)
    store.close()


def _settle(store: Store) -> None:
    """PostgreSQL counts its rows by itself within a minute or so of a change like this; here it is not waited for."""
    if store.path is None:
        with store._writing.connect().execution_options(isolation_level="AUTOCOMMIT") as connection:
            connection.exec_driver_sql("VACUUM ANALYZE")


def row(name: str, words: str, store: Callable[[], object], page: Callable[[], object], times: int) -> None:
    own, whole = best_and_median_ms(store, times), best_and_median_ms(page, times)
    print(f"| {name} | {words} | {own[0]:.1f} | {own[1]:.1f} | {whole[0]:.1f} | {whole[1]:.1f} |", flush=True)


def main() -> None:
    parser = argparse.ArgumentParser(description="Times of the records' page.")
    parser.add_argument("--heats", type=int, default=100_000)
    parser.add_argument("--times", type=int, default=20)
    parser.add_argument("--postgresql-only", action="store_true")
    asked = parser.parse_args()
    print(f"{platform.platform()}, Python {platform.python_version()}, SQLite {sqlite3.sqlite_version}\n")
    print("| store | | store, ms: best | median | page, ms: best | median |\n|---|---|--:|--:|--:|--:|")
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        if not asked.postgresql_only:
            measure("SQLite", f"sqlite:///{folder / 'many.db'}", folder, asked.heats, asked.times)
        programs = postgres_server.programs()
        if programs is None:
            print("\nPostgreSQL is not installed: left out")
            return
        server = postgres_server.Postgres(programs, synced=True)
        try:
            measure("PostgreSQL", server.url("many"), folder, asked.heats, asked.times)
        finally:
            server.close()


if __name__ == "__main__":
    main()
