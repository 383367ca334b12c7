# ruff: noqa: E402 (threads must be switched off before numpy is imported)
"""The pages under load: how old the cue is, how large and how quick an update, first paint, and memory over hours.

    python benchmarks/pages.py [--benches 16] [--pages 10] [--seconds 60] [--hours 2] [--speed 60]

Load: benches that record a heated sheet in real time, all of one process as `pullcue bench` runs them, sheet after
sheet going in, and pages in Debian's Chromium, each in a context of its own: half of them one bench large, half all
benches. How old a cue is: from the newest reading that it rests on until the page has painted it. Memory: heat after
heat on a fast clock, with a client. First paint: each page and a bare Dash page with one graph, each in a fresh
Chromium, in turns; left out where there is no playwright or chromium.
"""

from __future__ import annotations

import os

# As `pullcue` itself does, before numpy is imported.
for _variable in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_variable, "1")

import argparse
import datetime
import platform
import shutil
import statistics
import sys
import tempfile
import threading
import time
from collections.abc import Iterator, Sequence
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import Any

import numpy as np

from dashboard.live_bench import LiveBench
from dashboard.live_service import Live
from dashboard.live_start import live_bench
from dashboard.practice_bench import practice_case
from dashboard.practice_model import PracticeOven
from dashboard.recording import form_for
from dashboard.shop import DEMO_FOLDER, Shop, read_shop
from dashboard.store_place import SQLITE, StorePlace
from dashboard.web.access import Access
from dashboard.web.serve import PageServer
from dashboard.web.services import Services
from dashboard.workers import Workers, how_many
from logger.bench import Bench, Role, SourceEntry
from logger.clock import Clock, FastClock, SystemClock
from logger.reading import Arrival, Frame, Value
from logger.readings import BenchReader
from logger.records import NOT_SAMPLED
from logger.store import open_store

#: One sheet after the other: in at so many seconds of the cycle, pulled at, next cycle; s.
IN_S, OUT_S, CYCLE_S = 20.0, 620.0, 900.0
#: Each bench's sheet goes in so long after the one before, s.
APART_S = 4.0
#: Pages are opened before the first reading, within, s.
OPENED_S = 40.0
RATE_HZ = 5
PLACES = ("air_upper", "air_lower", "face_upper", "face_lower", "wall", "drop")
COUNT = "grid_01"


class Heated:
    """Readings of a practice oven's sheet, cycle after cycle; the last channel counts frames, so that none is lost
    unnoticed.
    """

    id = "board"

    def __init__(self, clock: Clock, oven: PracticeOven, start_s: float, later_s: float) -> None:
        self._clock, self._start_s, self._later_s, self.sent = clock, start_s, later_s, 0
        rows = [oven.advance(at) for at in np.arange(0.0, CYCLE_S + 1.0, 1.0)]
        self._rows = np.array([[row[place] for place in PLACES] for row in rows])
        self._rng = np.random.default_rng(3)

    def poll(self, timeout_s: float) -> list[Arrival]:
        """What has come."""
        due = (self.sent + 1) / RATE_HZ - (self._clock.monotonic_s() - self._start_s)
        if due > 0.0:
            self._clock.sleep(min(due, timeout_s))
        found = []
        while (self.sent + 1) / RATE_HZ <= self._clock.monotonic_s() - self._start_s:
            self.sent += 1
            at_s = self.sent / RATE_HZ
            noisy = self._rows[int(max(0.0, at_s - self._later_s) % CYCLE_S)] + self._rng.normal(0.0, 0.1, len(PLACES))
            values = [
                Value(place, "mm" if place == "drop" else "C", float(value))
                for place, value in zip(PLACES, noisy, strict=True)
                if value == value
            ]
            values.append(Value(COUNT, "C", 20.0 + self.sent * 1e-4))
            found.append(
                Arrival(self._start_s + at_s, self._clock.utc(), Frame(self.sent, self.sent * 200, tuple(values)))
            )
        return found

    def close(self) -> None:
        """Nothing to let go of."""


def bench_of(number: int) -> Bench:
    """A bench of these readings."""
    roles = tuple(Role(name, "board", name) for name in (*PLACES, COUNT))
    return Bench(f"bench-{number:02d}", "north", (SourceEntry("board", "board", {"url": ""}, {}),), roles)


@contextmanager
def benches(
    count: int, folder: Path, clock: Clock, speed: float, start_s: float
) -> Iterator[tuple[Live, list[Heated], Shop]]:
    """So many benches that record, looked at."""
    shop = read_shop(DEMO_FOLDER)
    oven = PracticeOven(practice_case(shop, "hdpe", 4.0, "north", shop.room_c), shop.room_c)
    oven.put_in(IN_S)
    oven.pull(OUT_S)
    sources, found = [], list[LiveBench]()
    with ExitStack() as things:
        workers = things.enter_context(Workers(how_many(count)))
        for number in range(count):
            bench, source = bench_of(number), Heated(clock, oven, start_s, number * APART_S)
            reader = BenchReader(bench, [source], clock, stale_s=max(3.0, speed))
            place = StorePlace(f"{SQLITE}{folder / 'pullcue.sqlite'}", folder, practice=True)
            form = form_for(shop, bench, polymer="hdpe", gauge_mm=4.0, support="frame", opening_mm=(300.0,),
                            start_c=22.0)  # fmt: skip
            found.append(
                things.enter_context(live_bench(reader, bench, place, clock, form, shop, speed, workers=workers))
            )
            sources.append(source)
        live = Live(found, shop, lambda: datetime.date(2026, 1, 5), elsewhere=workers.do)
        live.start()
        try:
            yield live, sources, shop
        finally:
            live.stop()


# ---------------------------------------------------------------- pages in a browser

#: In each page, before its own script: how old a cue is once it is painted, and how old the one before had become, s.
_SPY = """() => { window.ages = []; window.stood = []; window.sizes = []; window.took = []; window.dead = 0;
    let last = null;
    const real = window.fetch;
    window.fetch = async (...given) => {
        const begun = performance.now(), answer = await real(...given);
        if (String(given[0]).startsWith('/oven/live') && answer.ok) {
            const text = await answer.clone().text(), told = JSON.parse(text), came = performance.now();
            window.took.push(came - begun);
            requestAnimationFrame(() => setTimeout(() => {
                const now = performance.now();
                if (last !== null) { window.stood.push((now - last) / 1000); }
                last = begun - 1000 * told.age;
                window.ages.push((now - last) / 1000);
                window.sizes.push(new TextEncoder().encode(text).length);
                const said = document.querySelectorAll(':not(.strip)[data-key=not-live]').length;
                window.dead += said > 0 ? 1 : 0; }, 0)); }
        return answer; }; }"""


@contextmanager
def chromium() -> Iterator[Any]:
    """A browser, or None where there is no playwright or chromium."""
    program = shutil.which("chromium")
    try:
        from playwright.sync_api import sync_playwright
    except ImportError:
        program = None
    if program is None:
        yield None
        return
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(
            executable_path=program, args=["--no-sandbox", "--disable-gpu", "--disable-quic"]
        )
        yield browser
        browser.close()


def quantiles(values: Sequence[float]) -> tuple[float, float, float]:
    """Median, 95 % and the largest."""
    return statistics.median(values), float(np.quantile(values, 0.95)), max(values)


def heats(live: Live, clock: Clock, start_s: float, stop: threading.Event) -> None:
    """Mark each sheet of each cycle as it goes in and comes out."""
    done: set[tuple[int, int, str]] = set()
    while not stop.is_set():
        now_s = clock.monotonic_s() - start_s
        for number, bench in enumerate(live.benches.values()):
            cycle = max(0, int((now_s - number * APART_S) // CYCLE_S))
            for name, at_s in (("start", IN_S), ("pulled", OUT_S)):
                ago_s = now_s - number * APART_S - cycle * CYCLE_S - at_s
                if ago_s >= 0.0 and (number, cycle, name) not in done:
                    done.add((number, cycle, name))
                    bench.mark(name, "benchmark", min(ago_s, 60.0))
        stop.wait(0.05)


def load(count: int, pages: int, seconds: float) -> None:
    """Benches and pages at once, in real time."""
    stop, clock = threading.Event(), SystemClock()
    with tempfile.TemporaryDirectory() as name, chromium() as browser:
        if browser is None:
            print("load: not measured, no playwright or chromium here")
            return
        start_s = clock.monotonic_s() + OPENED_S  # ten browsers that open at once are another load
        with (
            benches(count, Path(name), clock, 1.0, start_s) as (live, sources, shop),
            PageServer(Services(shop, live=live), Access(port=0)) as server,
        ):
            marking = threading.Thread(target=heats, args=(live, clock, start_s, stop), daemon=True)
            marking.start()
            ids = list(live.benches)
            shown = [opened(browser, server.url, ids[n % count] if n % 2 == 0 else "") for n in range(pages)]
            wait_until(clock, start_s + IN_S - 5.0, shown[0])
            for page in shown:  # what was asked while everything began is no page at work
                page.evaluate("ages.length = stood.length = sizes.length = took.length = 0, dead = 0")
            began_s, spent_s = time.perf_counter(), time.process_time()
            wait_until(clock, start_s + IN_S + count * APART_S + seconds, shown[0])
            share = (time.process_time() - spent_s) / (time.perf_counter() - began_s)
            told = [page.evaluate("[ages, stood, took, sizes, dead]") for page in shown]
            stop.set()
            marking.join()
        for words, group in (("one bench", told[::2]), ("all benches", told[1::2])):
            for place, what in enumerate(("cue old when painted, s", "cue old before the next one, s",
                                          "answer after, ms", "update, bytes")):  # fmt: skip
                values = [float(value) for one in group for value in one[place]]
                digits = 2 if place < 2 else 0
                row = " | ".join(f"{value:.{digits}f}" for value in quantiles(values))
                print(f"| {words}, {len(group)} pages: {what} | {row} |")
            late = sum(age > 1.0 for one in group for age in one[0])
            print(f"cues older than 1 s when painted: {late} of {sum(len(one[0]) for one in group)}; "
                  f"said not to be live: {sum(one[4] for one in group)}")  # fmt: skip
        print(f"{count} benches, {pages} pages, sheets {APART_S:g} s apart")
        print(f"recorders, estimates and server: {share:.0%} of one core, beside workers and browser")
        sys.stdout.flush()
        lost = {bench: missing(name, bench, source.sent) for bench, source in zip(ids, sources, strict=True)}
    print(f"frames lost: {sum(lost.values())} of {sum(source.sent for source in sources)}")


def opened(browser: Any, url: str, bench: str) -> Any:
    """A page of one bench, or of all, in a context of its own."""
    page = browser.new_context(viewport={"width": 1280, "height": 800}).new_page()
    page.add_init_script(f"({_SPY})()")
    page.goto(f"{url}oven" + (f"?bench={bench}" if bench else ""))
    return page


def wait_until(clock: Clock, at_s: float, page: Any) -> None:
    """Wait, and let what a browser says be heard meanwhile."""
    while (left_s := at_s - clock.monotonic_s()) > 0.0:
        page.wait_for_timeout(min(1e3 * left_s, 1e3))


def missing(folder: str, bench: str, sent: int) -> int:
    """How many frames of a bench are not in its store; what was sent after the last round is not asked for."""
    store = open_store(f"{SQLITE}{Path(folder) / 'pullcue.sqlite'}")
    seen: set[int] = set()
    for run in store.runs(bench):
        for block in store.blocks(bench, run.id):
            if COUNT not in block.columns:  # of the time before the first reading
                continue
            place = block.columns.index(COUNT)
            due = block.states[:, place] != NOT_SAMPLED
            seen |= {round((value - 20.0) * 1e4) for value in block.values[due, place].tolist() if value == value}
    store.close()
    last = max(seen)
    assert last >= sent - 2 * RATE_HZ, (bench, last, sent)
    return last - len(seen)


def memory(hours: float, speed: float) -> None:
    """Heat after heat on a fast clock, with a page: memory of server and page at eleven moments."""
    stop, clock = threading.Event(), FastClock(speed)
    with tempfile.TemporaryDirectory() as name, chromium() as browser:
        start_s = clock.monotonic_s()
        with (
            benches(2, Path(name), clock, speed, start_s) as (live, _, shop),
            PageServer(Services(shop, live=live), Access(port=0)) as server,
        ):
            threading.Thread(target=heats, args=(live, clock, start_s, stop), daemon=True).start()
            page = None if browser is None else opened(browser, server.url, next(iter(live.benches)))
            sizes, heaps = [], []
            for part in range(11):
                while clock.monotonic_s() - start_s < part * hours * 360.0:
                    time.sleep(0.05)
                sizes.append(resident_mb())
                heaps.append(float("nan") if page is None else heap_mb(page))
            stop.set()
    print(f"memory over {hours:g} h of heats, MB: server " + " ".join(f"{size:.0f}" for size in sizes))
    print("page, after collecting: " + " ".join(f"{size:.1f}" for size in heaps))


def heap_mb(page: Any) -> float:
    """What a page's script holds."""
    tools = page.context.new_cdp_session(page)
    tools.send("HeapProfiler.collectGarbage")
    used: float = tools.send("Runtime.getHeapUsage")["usedSize"]
    tools.detach()
    return used / 1e6


def resident_mb() -> float:
    """Resident memory of this process."""
    try:
        return int(Path("/proc/self/statm").read_text().split()[1]) * os.sysconf("SC_PAGE_SIZE") / 1e6
    except OSError:
        return float("nan")


# ---------------------------------------------------------------- first paint


@contextmanager
def bare() -> Iterator[str]:
    """A bare Dash page with one graph, served as ours are."""
    from dash import Dash, dcc, html
    from waitress.server import create_server

    untyped: Any = Dash
    app = untyped("bare", compress=True, serve_locally=True)
    figure = {"data": [{"x": [0, 1, 2], "y": [1, 3, 2]}]}
    app.layout = html.Div([html.H1("A graph"), dcc.Graph(figure=figure)])
    server = create_server(app.server, host="127.0.0.1", port=0, threads=8)
    thread = threading.Thread(target=server.run, daemon=True)
    thread.start()
    yield f"http://127.0.0.1:{server.effective_port}/"
    server.close()


_PAINT = """() => { const paint = performance.getEntriesByName('first-contentful-paint')[0];
    const parts = [...performance.getEntriesByType('resource'), ...performance.getEntriesByType('navigation')];
    const size = parts.reduce((sum, one) => sum + one.transferSize, 0);
    return [paint ? paint.startTime : NaN, performance.now(), size]; }"""


def paints(rounds: int) -> None:
    """First paint, time until the picture stands, and bytes of each page, in turns."""
    stop, clock = threading.Event(), SystemClock()
    with tempfile.TemporaryDirectory() as name, ExitStack() as things:
        start_s = clock.monotonic_s()
        live, _, shop = things.enter_context(benches(1, Path(name), clock, 1.0, start_s))
        ours = things.enter_context(PageServer(Services(shop, live=live), Access(port=0))).url
        bare_url = things.enter_context(bare())
        threading.Thread(target=heats, args=(live, clock, start_s, stop), daemon=True).start()
        time.sleep(IN_S + 5.0)
        pages = {
            "bare Dash, one graph": (bare_url, ".js-plotly-plot .scatterlayer .trace"),
            "plan": (f"{ours}plan?oven=north&opening_mm=300", "#plan-curve .scatterlayer .trace"),
            "at the oven": (f"{ours}oven", "#oven-curve .scatterlayer .trace"),
        }
        found: dict[str, list[list[float]]] = {page: [] for page in pages}
        for _ in range(rounds):
            for page, (url, wanted) in pages.items():
                with chromium() as browser:
                    if browser is None:
                        print("first paint: not measured, no playwright or chromium here")
                        stop.set()
                        return
                    tab = browser.new_page()
                    tab.goto(url)
                    tab.wait_for_selector(wanted, state="attached")
                    found[page].append(tab.evaluate(_PAINT))
        stop.set()
    print("| page | first paint, ms | picture stands, ms | bytes |")
    for page, all_of in found.items():
        paint, stands, size = (statistics.median(one[n] for one in all_of) for n in range(3))
        print(f"| {page} | {paint:.0f} | {stands:.0f} | {size / 1e3:.0f} kB |")


def main(arguments: Sequence[str] | None = None) -> None:
    """Print all figures."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--benches", type=int, default=16)
    parser.add_argument("--pages", type=int, default=10)
    parser.add_argument("--seconds", type=float, default=60.0, help="of the load; 0 leaves it out")
    parser.add_argument("--hours", type=float, default=2.0, help="of simulated heats; 0 leaves them out")
    parser.add_argument("--speed", type=float, default=60.0, help="of the simulated heats")
    parser.add_argument("--rounds", type=int, default=5, help="of first paints; 0 leaves them out")
    options = parser.parse_args(arguments)
    print(f"{platform.platform()}, {os.cpu_count()} cores, Python {platform.python_version()}, {datetime.date.today()}")
    if hasattr(os, "getloadavg"):
        print(f"load before: {os.getloadavg()[0]:.1f}")
    if options.rounds:
        paints(options.rounds)
        sys.stdout.flush()
    if options.seconds:
        load(options.benches, options.pages, options.seconds)
        sys.stdout.flush()
    if options.hours:
        memory(options.hours, options.speed)


if __name__ == "__main__":
    main()
