"""`pullcue bench`: benches recorded and shown live, from whatever is wired to them."""

from __future__ import annotations

from pathlib import Path

import click

from dashboard.commands.asked import SECONDS, SPEED, checked
from dashboard.commands.live_view import Looking, look
from dashboard.commands.pages_run import access_options, asked_access, show_pages, terminal_or_page_options
from dashboard.shop import open_shop
from dashboard.units import Units
from thermal.fields import InputError


@click.command("bench")
@click.argument("bench_files", metavar="BENCH.toml...", nargs=-1, required=True, type=click.Path(path_type=Path))
@click.option("--for", "for_s", type=float, metavar="SECONDS", help="End after so long.")
@click.option("--speed", type=float, default=1.0, show_default=True, help="Faster than real time: replay, practice.")
@click.option("--units", type=click.Choice(["metric", "us"]), help="°C and mm, or °F and in.  [default: the shop's]")
@click.option("--no-record", is_flag=True, help="Only look: keep nothing.")
@click.option("--store", metavar="URL", help="sqlite:///FILE or postgresql+psycopg://...  [default: the shop's]")
@click.option("--shop", type=click.Path(path_type=Path, file_okay=False), metavar="DIR", help="Folder of the shop.")
@click.option("--json", "as_json", is_flag=True, help="As text, with one JSON object at the end, units in the keys.")
@terminal_or_page_options
@access_options
def bench(
    bench_files: tuple[Path, ...], for_s: float | None, speed: float, units: str | None, no_record: bool,
    store: str | None, shop: Path | None, as_json: bool, terminal: bool, no_browser: bool, port: int | None,
    accounts: bool, host: str | None, names: tuple[str, ...], behind_proxy: bool, plain_http: bool,
) -> None:  # fmt: skip
    """Record benches and show them on pages in a browser: the cue, the curves, the marks. Ctrl-C ends it.

    With --terminal, and with --json, one bench is shown as text: every channel live, each with its state. A bench of
    recordings alone then ends by itself when they are over.

    Heats begin and end by 'pullcue mark', by the board's button or by the door as the air shows it. What comes outside
    of heats is kept too, thinned after an hour.
    """
    from dashboard.benches import UNREAL, open_bench, read_bench
    from dashboard.commands.heat_plan import HeatPlanner
    from dashboard.recording import form_for, prepare, recorded
    from dashboard.store_place import store_place
    from logger.clock import FastClock, SystemClock

    checked("--speed", speed, SPEED)
    lasts_s = float("inf") if for_s is None else checked("--for", for_s, SECONDS)
    workshop = open_shop(shop)
    # The machine's own clock where nothing is sped up: a step of its time of day is to be seen.
    clock = SystemClock() if speed == 1.0 else FastClock(speed)
    if not (terminal or as_json):
        from dashboard.live_start import live_benches
        from dashboard.workers import Workers, how_many

        prepare()
        access = asked_access(port, host, names, behind_proxy, plain_http)
        with (
            Workers(how_many(len(bench_files))) as workers,
            live_benches(bench_files, workshop, clock, speed, store, not no_record, workers) as benches,
        ):
            show_pages(
                benches,
                workshop,
                benches[0].place,
                clock,
                access,
                workers,
                any_port=port is None and access.local and not behind_proxy,
                browser=not no_browser,
                for_s=lasts_s,
                accounts_in=benches[0].place.folder if accounts else None,
            )
        return
    if len(bench_files) > 1:
        raise InputError(f"{len(bench_files)} bench files: expected one with --terminal or --json; pages show several")
    (bench_file,) = bench_files
    wired = read_bench(bench_file)
    if not no_record:
        prepare()
    opened = open_bench(wired, bench_file.parent, workshop, clock, speed)

    def each_turn() -> None:
        for practice in opened.practices.values():
            practice.mark_what_happened()

    looking = Looking(
        title=f"Bench {opened.bench.id}, oven {opened.bench.oven}",
        units=Units("us" if (units or workshop.units) == "us" else "metric"),
        speed=speed,
        for_s=lasts_s,
        each_turn=each_turn,
        as_json=as_json,
    )
    try:
        if no_record:
            look(opened.reader, clock, looking)
            return
        form = form_for(workshop, opened.bench)
        unreal = any(source.kind in UNREAL for source in opened.bench.sources)
        place = store_place(workshop, store, practice=unreal)  # what was not measured now is no evidence
        planner = HeatPlanner(workshop, lambda: clock.utc().date())
        with recorded(opened.reader, opened.bench, place, clock, form, planner) as recording:
            looking.recording = recording
            for one in opened.practices.values():
                one.tell = recording.mark
            look(opened.reader, clock, looking)
    finally:
        opened.close()
