"""Seconds, runs and heats that tests of the store share; the same at every call."""

from __future__ import annotations

import numpy as np

from logger.records import Block, HeatForm, HeatRecord, Run
from logger.store import Store

BENCH, RUN = "bench_1", "a" * 32
COLUMNS = ("air_1_c", "core_1_c", "sag_mm")
#: 2026-01-05 08:00 UTC.
BEGAN_MS = 1_767_600_000_000


def second(at: int, run: str = RUN, bench: str = BENCH, columns: tuple[str, ...] = COLUMNS, rows: int = 10) -> Block:
    draw = np.random.default_rng([at, len(columns)])
    values = draw.normal(150.0, 20.0, (rows, len(columns)))
    states = np.zeros(values.shape, np.uint8)
    values[0, 0], states[0, 0] = np.nan, 1
    offsets = (np.arange(rows) * (1000 // rows)).astype(np.int32)
    return Block(bench, run, at, BEGAN_MS + 1000 * at, columns, offsets, values, states)


def run_of(run: str = RUN, bench: str = BENCH) -> Run:
    return Run(run, bench, BEGAN_MS, "Europe/Vienna", "0.2.0")


FORM = HeatForm(
    polymer="pp_h",
    gauge_mm=6.0,
    oven="oven_1",
    opening_mm=(300.0, 200.0),
    set_c=185.0,
    sheet_label="Lot 12%_A",
    job_number="J-7",
    initials="ÄB",
    checks={"film_off": True, "clearance": False},
    other_sheets=0,
    notes="corner lifted",
)


def id_of(number: int) -> str:
    return f"{number:032x}"


def open_heat(
    store: Store, number: int = 1, start_s: float = 10.0, form: HeatForm = FORM, run: str = RUN
) -> HeatRecord:
    return store.begin_heat(
        HeatRecord(0, id_of(number), BENCH, run, start_s, BEGAN_MS + round(start_s * 1000), form=form)
    )


def filled(store: Store, seconds: int = 40, heats: int = 1) -> list[HeatRecord]:
    """A run with samples, and finished heats of 8.5 s in it, one every ten seconds."""
    store.begin_run(run_of())
    store.add([second(at) for at in range(seconds)], [])
    done = []
    for number in range(1, heats + 1):
        heat = open_heat(store, number, start_s=10.0 * number)
        done.append(store.finish_heat(heat.id, heat.start_s + 8.5, "finished", "good", "good"))
    return done
