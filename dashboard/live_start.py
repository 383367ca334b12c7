"""Benches that are recorded and shown on pages: what is opened for them, and let go of at the end."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import replace
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING

from dashboard.benches import UNREAL, open_bench, read_bench
from dashboard.commands.heat_plan import HeatPlanner, planned
from dashboard.cut_off import cut_off
from dashboard.live_bench import LiveBench
from dashboard.recording import form_for, recorded
from dashboard.shop import Shop
from dashboard.store_place import SQLITE, StorePlace, store_place
from logger.blocks import utc_ms
from logger.clock import Clock
from logger.records import HeatForm
from thermal.fields import InputError

if TYPE_CHECKING:
    from dashboard.practice_bench import Practice
    from dashboard.workers import Workers
    from logger.bench import Bench
    from logger.readings import BenchReader


@contextmanager
def kept_nowhere() -> Iterator[StorePlace]:
    """Records that are gone at the end."""
    with TemporaryDirectory(prefix="pullcue-", ignore_cleanup_errors=True) as name:
        yield StorePlace(f"{SQLITE}{Path(name) / 'pullcue.sqlite'}", Path(name), practice=True)


@contextmanager
def live_bench(
    reader: BenchReader,
    bench: Bench,
    place: StorePlace,
    clock: Clock,
    form: HeatForm,
    shop: Shop,
    speed: float = 1.0,
    practice: Practice | None = None,
    workers: Workers | None = None,
) -> Iterator[LiveBench]:
    """A bench with its recorder, not started yet.

    Args:
        workers: plan its heats; None: a thread does.

    Raises:
        InputError: another recorder has the bench, or its records cannot be used.
    """
    planner = HeatPlanner(shop, lambda: clock.utc().date(), planned if workers is None else workers.plan)
    # A practice oven ends with the program, and its sheet with it.
    before = None if practice is not None else cut_off(place, bench.id, utc_ms(clock.utc()))
    with recorded(reader, bench, place, clock, form, planner) as recording:
        if practice is not None:
            practice.tell = recording.mark
        yield LiveBench(recording, reader, bench, clock, speed, practice, before)


@contextmanager
def live_benches(
    files: Sequence[Path],
    shop: Shop,
    clock: Clock,
    speed: float,
    store: str | None,
    record: bool,
    workers: Workers,
) -> Iterator[list[LiveBench]]:
    """The benches of these files, opened.

    Args:
        store: as `--store`. record: False: what is recorded is gone at the end. workers: plan their heats.

    Raises:
        InputError: a file cannot be used, or two are the same bench.
    """
    with ExitStack() as things:
        found: list[LiveBench] = []
        for path in files:
            wired = read_bench(path)
            if any(one.bench.id == wired.id for one in found):
                raise InputError(f"{path.name}: bench {wired.id} is named twice: expected each bench once")
            opened = open_bench(wired, path.parent, shop, clock, speed, by_hand=True)
            things.callback(opened.close)
            unreal = any(source.kind in UNREAL for source in wired.sources)
            place = store_place(shop, store, practice=unreal) if record else things.enter_context(kept_nowhere())
            practice = next(iter(opened.practices.values()), None)
            form = form_for(shop, wired)
            if practice is not None:
                form = practice_form(form, practice)
            found.append(
                things.enter_context(
                    live_bench(opened.reader, wired, place, clock, form, shop, speed, practice, workers)
                )
            )
        yield found


def practice_form(form: HeatForm, practice: Practice) -> HeatForm:
    """The form with the sheet that a practice oven has ready."""
    case = practice.case
    opening_mm = None if case.opening_m is None else tuple(side * 1e3 for side in case.opening_m)
    return replace(
        form,
        polymer=case.polymer.id,
        gauge_mm=case.gauge_m * 1e3,
        set_c=case.set_c,
        start_c=case.start_c,
        support=case.support,
        opening_mm=opening_mm,
        sheet_label="practice sheet",
    )
