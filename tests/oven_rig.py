"""A practice bench on a clock that a test moves, recorded and looked at without threads, and the pages that show it."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager, nullcontext
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from functools import cache
from pathlib import Path
from typing import Any
from unittest.mock import patch

from dashboard.bench_look import Second
from dashboard.heat_watch import HeatWatch
from dashboard.live_service import Aged, Live
from dashboard.live_start import live_bench, practice_form
from dashboard.practice_bench import Practice, practice_bench, practice_case, scenario_of
from dashboard.practice_score import judged
from dashboard.recording import form_for
from dashboard.shop import DEMO_FOLDER, Shop, read_shop
from dashboard.store_place import SQLITE, StorePlace
from dashboard.web.services import Services
from dashboard.workers import Workers
from logger.clock import Clock, FastClock, ManualClock, SystemClock
from logger.readings import BenchReader
from logger.records import HeatForm, HeatRecord, Mark, new_id

CHECKS = ["sheet_undamaged", "label_kept", "film_off", "frame_locked", "clearance"]
HDPE = {"polymer": "hdpe", "gauge_mm": "4", "set_c": "185", "start_c": "22", "support": "frame", "opening_mm": "300",
        "job_number": "4711", "checks": CHECKS}  # fmt: skip


def place_in(folder: Path) -> StorePlace:
    return StorePlace(f"{SQLITE}{folder / 'pullcue.sqlite'}", folder, practice=True)


def practice_of(
    shop: Shop, clock: Clock, scenario: str = "quiet-day", seed: int = 1, gauge_mm: float = 4.0
) -> Practice:
    case = practice_case(shop, "hdpe", gauge_mm, "north", shop.room_c)
    return Practice(case, shop.room_c, scenario_of(scenario), clock, seed, by_hand=True)


class PacedClock:
    """Fast up to a moment that a test sets, from there on as slow as the machine's.

    So an oven comes quickly to where something is to be done, and then waits for however slow the computer is.
    """

    def __init__(self, speed: float) -> None:
        self._machine, self._speed = SystemClock(), speed
        self._start_utc = self._machine.utc()
        #: Moment of the machine's and of this clock that it goes on from, and up to when it goes fast.
        self._leg = (self._machine.monotonic_s(), 0.0, 0.0)

    def fast_until(self, until_s: float) -> None:
        machine_s = self._machine.monotonic_s()
        self._leg = (machine_s, self._at(machine_s), until_s)

    def _at(self, machine_s: float) -> float:
        begun_s, from_s, until_s = self._leg
        ahead_s, passed_s = max(until_s - from_s, 0.0), machine_s - begun_s
        fast_s = min(passed_s, ahead_s / self._speed)
        return from_s + self._speed * fast_s + passed_s - fast_s

    def monotonic_s(self) -> float:
        return self._at(self._machine.monotonic_s())

    def utc(self) -> datetime:
        return self._start_utc + timedelta(seconds=self.monotonic_s())

    def sleep(self, duration_s: float) -> None:
        end_s = self.monotonic_s() + duration_s
        while (left_s := end_s - self.monotonic_s()) > 0.0:
            speed = self._speed if self.monotonic_s() < self._leg[2] else 1.0
            self._machine.sleep(min(left_s / speed, 0.05))


@contextmanager
def live_practice(
    folder: Path,
    speed: float,
    scenario: str = "quiet-day",
    seed: int = 1,
    clock: Clock | None = None,
    shared: Workers | None = None,
) -> Iterator[Live]:
    """A practice bench as the command starts it, with its threads, on a fast clock; the recorder ends with it.

    Args:
        shared: processes that others use too, for starting one takes a second.
    """
    shop, clock = read_shop(DEMO_FOLDER), clock or FastClock(speed)
    practice = practice_of(shop, clock, scenario, seed)
    bench = practice_bench("north")
    reader = BenchReader(bench, [practice.source()], clock, stale_s=max(3.0, 0.5 * speed))
    form = practice_form(form_for(shop, bench, polymer="hdpe"), practice)
    try:
        with (
            # Nothing that is asked is refused, and nothing left out at the end, where a computer is slow.
            patch("dashboard.live_bench._ASK_S", 60.0),
            patch("dashboard.live_outcome._WITHIN_S", 60.0),
            patch("logger.keeper.PATIENCE_S", 60.0),
            # As the command has them: no look waits for members that are heated.
            Workers(1) if shared is None else nullcontext(shared) as workers,
            live_bench(reader, bench, place_in(folder), clock, form, shop, speed, practice, workers) as recorded,
        ):
            live = Live([recorded], shop, ManualClock().utc().date, elsewhere=workers.do)
            practice.start()
            live.start()
            try:
                yield live
            finally:
                live.stop()
    finally:
        reader.close()
        practice.close()


def services_of(live: Live, **more: Any) -> Services:
    return Services(read_shop(DEMO_FOLDER), live=live, **more)


@dataclass
class Walk:
    """A practice heat second by second, without threads, sockets or a recorder: what a page would be told.

    Attributes:
        start_s: when the sheet goes in. pulled_s: when it is pulled; None: not.
    """

    practice: Practice
    watch: HeatWatch
    form: HeatForm
    start_s: float = 60.0
    pulled_s: float | None = None
    now_s: float = 0.0

    @property
    def record(self) -> HeatRecord | None:
        open_heat = self.now_s >= self.start_s and (self.pulled_s is None or self.now_s < self.pulled_s + 120.0)
        return HeatRecord(0, "a" * 32, "practice", "r", self.start_s, 0, form=self.form) if open_heat else None

    def marks(self) -> tuple[Mark, ...]:
        made = [(self.start_s, "start"), *([(self.pulled_s, "pulled")] if self.pulled_s is not None else [])]
        return tuple(
            Mark(f"{round(at):032d}", "practice", "r", at, 0, name, "AB") for at, name in made if at <= self.now_s
        )

    def to(self, end_s: float, look_every_s: int = 0) -> list[Aged]:
        """Go on to a time; looks on the way, each as fresh as can be."""
        looks = []
        while self.now_s < end_s:
            found = self.practice.oven.advance(self.now_s)
            values = {"drop_mm" if name == "drop" else f"{name}_c": v for name, v in found.items()
                      if v == v and name != "room"}  # fmt: skip
            self.watch.take(Second(self.now_s, values, (), self.record, self.marks(), self.form))
            if look_every_s and round(self.now_s) % look_every_s == 0:
                looks.append(Aged(self.watch.look(), 0.0))
            self.now_s += 1.0
        return looks or [Aged(self.watch.look(), 0.0)]


def walk(pulled_s: float | None = None, start_s: float = 60.0, gauge_mm: float = 4.0) -> Walk:
    shop, clock = read_shop(DEMO_FOLDER), ManualClock()
    practice = practice_of(shop, clock, gauge_mm=gauge_mm)
    practice.close()  # its port: the oven alone is asked
    if start_s < 1e6:  # else no sheet goes in
        practice.oven.put_in(start_s)
    if pulled_s is not None:
        practice.oven.pull(pulled_s)
    today = ManualClock().utc().date
    # As on a fast clock: a bubble is not walked through between looks that are a minute apart.
    watch = HeatWatch(practice_bench("north"), shop, today, lambda f: judged(practice.oven, f), walks=False)
    form = replace(practice_form(HeatForm(oven="north"), practice), sheet_label=None)
    return Walk(practice, watch, form, start_s, pulled_s)


@cache
def heated() -> tuple[Aged, ...]:
    """The three seconds after the door of one heat, then each of its minutes until the fifth."""
    there = walk()
    return (*there.to(63.0, 1)[-3:], *there.to(361.0, 60))


def in_the_oven() -> Aged:
    """A sheet that has been in for five minutes."""
    return heated()[-1]


@cache
def after_the_pull() -> Aged:
    """A sheet of 3 mm that was pulled six and a half minutes after it went in, a quarter of a minute ago."""
    later = walk(pulled_s=450.0, gauge_mm=3.0)
    later.to(450.0)
    return later.to(466.0, 5)[-1]


class StillLive(Live):
    """Stands for `Live` with looks that a test gives it; what is done at the bench is written down."""

    def __init__(self, looks: dict[str, Aged], speed: float = 1.0) -> None:
        self.looks, self.speed = looks, speed
        benches: dict[str, Any] = {id: StillBench(id, speed) for id in looks}
        self.benches = benches
        self.outcomes: dict[str, str] = {}

    def asked(self, id: str) -> list[tuple[Any, ...]]:
        """What was asked of a bench."""
        bench: Any = self.benches[id]
        asked: list[tuple[Any, ...]] = bench.asked
        return asked

    def look(self, id: str) -> Aged:
        self.bench(id)
        return self.looks[id]

    def every_s(self, id: str) -> float:
        return 1.0

    def wait_s(self, ids: Any) -> float:
        return 0.3  # a page asks again so soon: what a test changes is seen at once

    def outcome_of(self, look: Any) -> str:
        return "" if look.heat is None else self.outcomes.get(look.heat.id, "")

    def keep_outcome(self, heat: str, words: str) -> None:
        self.outcomes[heat] = words


class StillBench:
    """Stands for `LiveBench`: keeps what is asked."""

    def __init__(self, id: str, speed: float) -> None:
        self.bench, self.practice, self.speed = replace(practice_bench("north"), id=id), None, speed
        self.asked: list[tuple[Any, ...]] = []

    def mark(self, name: str, by: str, ago_s: float = 0.0, note: str = "", form: Any = None) -> Mark:
        self.asked.append((name, by, ago_s, note, form))
        return Mark(new_id(), self.bench.id, "r", 0.0, 0, name, by, note)

    def begin(self, by: str, ago_s: float, note: str, form: Any) -> Mark:
        return self.mark("start", by, ago_s, note, form)

    def go_on(self, by: str) -> Mark:
        return self.mark("start", by, 72.0, "goes on")

    def forget(self) -> None:
        self.asked.append(("forget",))

    def say(self, form: Any, by: str, note: str) -> Mark:
        return self.mark("form", by, 0.0, note, form)

    def undo(self, by: str, undoes: str | None = None) -> Mark:
        self.asked.append(("undo", by, undoes))
        return Mark(new_id(), self.bench.id, "r", 0.0, 0, "undo", by, "takes back clear_through", undoes="x")
