"""The pages under load: how old the cue is, how large and how quick an update, first paint, and memory over hours.

    python benchmarks/pages.py [--benches 16] [--clients 10] [--seconds 60] [--hours 2] [--speed 60]

Load: benches that record a heated sheet in real time, all of one process, sheet after sheet going in, and clients that
ask what the page's script asks, each once a second: half of them one bench large, half all benches. Memory: heat after
heat on a fast clock, with a client. First paint: each page and a bare Dash page with one graph, each in a fresh
Chromium, in turns; left out where there is no playwright or chromium.
"""

from __future__ import annotations

import argparse
import datetime
import gzip
import http.client
import json
import os
import platform
import shutil
import statistics
import sys
import tempfile
import threading
import time
from collections.abc import Iterator, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any
from urllib.parse import urlencode, urlsplit

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
        for number in range(count):
            bench, source = bench_of(number), Heated(clock, oven, start_s, number * APART_S)
            reader = BenchReader(bench, [source], clock, stale_s=max(3.0, speed))
            place = StorePlace(f"{SQLITE}{folder / 'pullcue.sqlite'}", folder, practice=True)
            form = form_for(shop, bench, polymer="hdpe", gauge_mm=4.0, support="frame", opening_mm=(300.0,),
                            start_c=22.0)  # fmt: skip
            found.append(things.enter_context(live_bench(reader, bench, place, clock, form, shop, speed)))
            sources.append(source)
        live = Live(found, shop, lambda: datetime.date(2026, 1, 5))
        live.start()
        try:
            yield live, sources, shop
        finally:
            live.stop()


# ---------------------------------------------------------------- clients


@dataclass
class Asked:
    """What one client was told: ages of the cue when it came, s; times to answer, s; bytes, plain and as sent;
    how often the bench was said not to be live.
    """

    ages_s: list[float] = field(default_factory=list)
    took_s: list[float] = field(default_factory=list)
    plain: list[int] = field(default_factory=list)
    sent: list[int] = field(default_factory=list)
    not_live: int = 0


class Client(threading.Thread):
    """Asks once a second what a page's script asks, with what it has."""

    def __init__(self, url: str, live: Live, bench: str, stop: threading.Event) -> None:
        super().__init__(daemon=True)
        parts = urlsplit(url)
        self._host, self._port = parts.hostname or "", parts.port
        self._live, self._bench, self._stop_asking = live, bench, stop
        self.asked, self.have = Asked(), dict[str, Any]()

    def run(self) -> None:
        """Ask until it is to end."""
        connection = http.client.HTTPConnection(self._host, self._port, timeout=30)
        while not self._stop_asking.is_set():
            began_s = time.perf_counter()
            query = "?" + urlencode({"bench": self._bench, **self.have}) if self._bench else ""
            connection.request("GET", f"/oven/live{query}", headers={"Accept-Encoding": "gzip"})
            answer = connection.getresponse()
            raw = answer.read()
            took_s = time.perf_counter() - began_s
            body = gzip.decompress(raw) if answer.getheader("Content-Encoding") == "gzip" else raw
            told = json.loads(body)
            first = not self.asked.took_s
            self.asked.took_s.append(took_s)
            if self._bench:
                self.asked.ages_s.append(told["age"] + took_s)
                if not first and not self._draws_anew(told, connection):
                    self.asked.plain.append(len(body))
                    self.asked.sent.append(len(raw))
                self.have |= {"parts": told["parts"]}
            else:
                # All benches in short say no age: that of the oldest of them, as the server has it.
                self.asked.ages_s.append(max(self._live.look(one).age_s for one in self._live.benches) + took_s)
                self.asked.plain.append(len(body))
                self.asked.sent.append(len(raw))
            if self._bench and not told["live"]:
                self.asked.not_live += 1
            # As the page's script: just after a look it is the freshest.
            wait_s = 1.0 - told["age"] + 0.06 if self._bench else 1.0 - (time.perf_counter() - began_s)
            self._stop_asking.wait(min(1.0, max(0.25, wait_s)))
        connection.close()

    def _draws_anew(self, told: dict[str, Any], connection: http.client.HTTPConnection) -> bool:
        """Keep the rows that came; where the picture is another one, fetch it, as the page does."""
        if told["figure"] == self.have.get("figure", ""):
            if "rows" in told:
                for _ in range(told["thinned"] - self.have["thinned"]):
                    self.have["rows"] = (self.have["rows"] + 1) // 2
                self.have |= {"rows": self.have["rows"] + len(told["rows"]), "thinned": told["thinned"]}
            return False
        connection.request("GET", f"/oven/figure?{urlencode({'bench': self._bench})}")
        whole = json.loads(connection.getresponse().read())
        self.have |= {"figure": whole["key"], "rows": whole["rows"], "thinned": whole["thinned"]}
        return True


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


def load(count: int, clients: int, seconds: float) -> None:
    """Benches and clients at once, in real time."""
    stop, clock = threading.Event(), SystemClock()
    with tempfile.TemporaryDirectory() as name:
        start_s = clock.monotonic_s()
        with (
            benches(count, Path(name), clock, 1.0, start_s) as (live, sources, shop),
            PageServer(Services(shop, live=live), Access(port=0)) as server,
        ):
            marking = threading.Thread(target=heats, args=(live, clock, start_s, stop), daemon=True)
            marking.start()
            time.sleep(IN_S - 5.0)
            ids = list(live.benches)
            asking = [Client(server.url, live, ids[n % count] if n % 2 == 0 else "", stop) for n in range(clients)]
            for one in asking:
                one.start()
            began_s, spent_s = time.perf_counter(), time.process_time()
            time.sleep(count * APART_S + seconds)
            share = (time.process_time() - spent_s) / (time.perf_counter() - began_s)
            stop.set()
            for one in asking:
                one.join()
            marking.join()
        lost = {bench: missing(name, bench, source.sent) for bench, source in zip(ids, sources, strict=True)}
    for words, several in (("one bench", False), ("all benches", True)):
        group = [one.asked for one in asking if (one._bench == "") == several]
        if not group:
            continue
        ages = quantiles([age for one in group for age in one.ages_s])
        took = quantiles([1e3 * t for one in group for t in one.took_s])
        plain = quantiles([float(n) for one in group for n in one.plain])
        sent = quantiles([float(n) for one in group for n in one.sent])
        print(f"| {words}, {len(group)} clients | cue old, s | {ages[0]:.2f} | {ages[1]:.2f} | {ages[2]:.2f} |")
        print(f"| | answer after, ms | {took[0]:.0f} | {took[1]:.0f} | {took[2]:.0f} |")
        print(f"| | update, bytes | {plain[0]:.0f} | {plain[1]:.0f} | {plain[2]:.0f} |")
        answers, dead = sum(len(one.took_s) for one in group), sum(one.not_live for one in group)
        print(f"| | said not to be live | {dead} of {answers} answers | | |")
        print(f"| | as sent (gzip), bytes | {sent[0]:.0f} | {sent[1]:.0f} | {sent[2]:.0f} |")
    print(f"{count} benches, {clients} clients, sheets {APART_S:g} s apart: {share:.0%} of one core")
    print(f"frames lost: {sum(lost.values())} of {sum(source.sent for source in sources)}")


def missing(folder: str, bench: str, sent: int) -> int:
    """How many frames of a bench are not in its store; what was sent after the last round is not asked for."""
    store = open_store(f"{SQLITE}{Path(folder) / 'pullcue.sqlite'}")
    seen: set[int] = set()
    for run in store.runs(bench):
        for block in store.blocks(bench, run.id):
            place = block.columns.index(COUNT)
            due = block.states[:, place] != NOT_SAMPLED
            seen |= {round((value - 20.0) * 1e4) for value in block.values[due, place].tolist()}
    store.close()
    last = max(seen)
    assert last >= sent - 2 * RATE_HZ, (bench, last, sent)
    return last - len(seen)


def memory(hours: float, speed: float) -> None:
    """Heat after heat on a fast clock, with a client: resident memory at ten moments."""
    stop, clock = threading.Event(), FastClock(speed)
    with tempfile.TemporaryDirectory() as name:
        start_s = clock.monotonic_s()
        with (
            benches(2, Path(name), clock, speed, start_s) as (live, _, shop),
            PageServer(Services(shop, live=live), Access(port=0)) as server,
        ):
            threading.Thread(target=heats, args=(live, clock, start_s, stop), daemon=True).start()
            client = Client(server.url, live, next(iter(live.benches)), stop)
            client.start()
            sizes = []
            for part in range(11):
                while clock.monotonic_s() - start_s < part * hours * 360.0:
                    time.sleep(0.05)
                sizes.append(resident_mb())
            stop.set()
            client.join()
    print(f"memory over {hours:g} h of heats, MB: " + " ".join(f"{size:.0f}" for size in sizes))


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
    try:
        from playwright.sync_api import sync_playwright
    except ImportError:
        print("first paint: not measured, no playwright here (run with the environment of the tests)")
        return
    program = shutil.which("chromium")
    if program is None:
        print("first paint: not measured, no chromium here")
        return
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
        with sync_playwright() as playwright:
            for _ in range(rounds):
                for page, (url, wanted) in pages.items():
                    browser = playwright.chromium.launch(
                        executable_path=program, args=["--no-sandbox", "--disable-gpu", "--disable-quic"]
                    )
                    tab = browser.new_page()
                    tab.goto(url)
                    tab.wait_for_selector(wanted, state="attached")
                    found[page].append(tab.evaluate(_PAINT))
                    browser.close()
        stop.set()
    print("| page | first paint, ms | picture stands, ms | bytes |")
    for page, all_of in found.items():
        paint, stands, size = (statistics.median(one[n] for one in all_of) for n in range(3))
        print(f"| {page} | {paint:.0f} | {stands:.0f} | {size / 1e3:.0f} kB |")


def main(arguments: Sequence[str] | None = None) -> None:
    """Print all figures."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--benches", type=int, default=16)
    parser.add_argument("--clients", type=int, default=10)
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
        load(options.benches, options.clients, options.seconds)
        sys.stdout.flush()
    if options.hours:
        memory(options.hours, options.speed)


if __name__ == "__main__":
    main()
