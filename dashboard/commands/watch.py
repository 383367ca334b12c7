"""`pullcue watch`: what the sheet in the oven is like now, and the cue to pull it."""

from __future__ import annotations

from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from dashboard.commands.asked import SECONDS, SPEED, checked

if TYPE_CHECKING:
    from dashboard.commands.plan_inputs import Asked
    from dashboard.commands.watch_inputs import Wanted
    from dashboard.commands.watch_views import View
    from dashboard.shop import Shop
    from dashboard.units import Units
    from logger.bench import Bench

_EXAMPLES = """\b
Examples:
pullcue watch
pullcue watch --bench north-bench --drop-mm 90
pullcue watch --replay heat.csv --speed 20
pullcue watch --replay heat.csv --oven-card my-oven.toml --json

The cue is advice: the sheet's instructions for use and its look come first. docs/watch.md says how to read it.
"""
_FILE = click.Path(path_type=Path, dir_okay=False)
_FOLDER = click.Path(path_type=Path, file_okay=False)


@click.command("watch", epilog=_EXAMPLES)
@click.option("--replay", "measured", type=_FILE, metavar="HEAT.csv", help="A recorded heat, as if it went on now.")
@click.option("--bench", metavar="ID|BENCH.toml", help="Bench to watch, or its file.  [default: the newest heat's]")
@click.option("--polymer", metavar="ID", help="Polymer of the sheet.  [default: the heat's]")
@click.option("--polymer-file", type=_FILE, help="Polymer file of your own instead.")
@click.option("--gauge-mm", type=float, metavar="G", help="Thickness of the sheet, mm.  [default: the heat's]")
@click.option("--gauge", metavar="LENGTH", help="The same with its unit: 5mm, 3/16in.")
@click.option("--oven", metavar="ID", help="Oven of the shop.  [default: the heat's]")
@click.option("--oven-card", type=_FILE, help="Oven card of your own instead.")
@click.option("--set-c", type=float, metavar="T", help="Set temperature, °C.  [default: the heat's]")
@click.option("--set", "set_with_unit", metavar="TEMPERATURE", help="The same with its unit: 185C, 365F.")
@click.option("--start-c", type=float, metavar="T", help="Sheet when it went in, °C.  [default: the heat's, or 22]")
@click.option("--support", type=click.Choice(["frame", "tray"]), help="What holds the sheet.  [default: the heat's]")
@click.option("--opening-mm", metavar="D[xE]", help="Free area inside the frame: diameter, or two sides, mm.")
@click.option("--drop-mm", type=float, metavar="W", help="Wanted drop of the bubble, mm.")
@click.option("--clearance-mm", type=float, metavar="C", help="Largest drop there is room for, mm.")
@click.option("--colour", type=click.Choice(["natural", "pigmented"]), help="Clear-through counts for natural sheet.")
@click.option("--room-c", type=float, metavar="T", help="Room for the carry, °C.  [default: the shop's]")
@click.option("--line", "lines", multiple=True, metavar="N=MM", help="Drop at line 1, 2 or 3, as 1=40.")
@click.option("--risk", type=float, metavar="SHARE", help="Accepted share of wrong 'pull now'.  [default: 0.01]")
@click.option("--trust", "trusted", multiple=True, metavar="COLUMN", help="Take back a reading that was set aside.")
@click.option("--speed", type=float, metavar="N", help="Of a replay: times real time.  [default: as fast as possible]")
@click.option("--for", "for_s", type=float, metavar="SECONDS", help="End after so long.")
@click.option("--sound", type=click.Choice(["auto", "bell", "off"]), default="auto", show_default=True,
              help="Player of this machine or else the bell, the bell, or none.")  # fmt: skip
@click.option("--units", type=click.Choice(["metric", "us"]), help="°C and mm, or °F and in.  [default: the shop's]")
@click.option("--practice", is_flag=True, help="The practice oven's records.")
@click.option("--store", metavar="URL", help="sqlite:///FILE or postgresql+psycopg://...  [default: the shop's]")
@click.option("--shop", type=_FOLDER, metavar="DIR", help="Folder of the shop.")
@click.option("--json", "as_json", is_flag=True, help="One JSON object a moment, each on its own line.")
def watch(
    measured: Path | None, bench: str | None, lines: tuple[str, ...], risk: float | None, trusted: tuple[str, ...],
    speed: float | None, for_s: float | None, sound: str, units: str | None, practice: bool, store: str | None,
    shop: Path | None, as_json: bool, **options: Any,
) -> None:  # fmt: skip
    """Watch the heat that is going on: when to pull it, how sure that is, and how long the carry may take.

    The newest open heat of the records is followed while 'pullcue bench' or 'pullcue practice' records it; with
    --replay a heat file, from what was known at each moment and never from a thermocouple in the core.
    """
    from dashboard.commands.plan_inputs import Asked
    from dashboard.commands.watch_inputs import wanted
    from dashboard.commands.watch_views import a_pipe_may_close, view_of
    from dashboard.shop import open_shop
    from dashboard.units import Units

    workshop = open_shop(shop)
    wired = _bench_file(bench)
    more = wanted(lines, wired, risk, trusted)
    shown_in = Units("us" if (units or workshop.units) == "us" else "metric")
    asked = Asked(**options, measured=measured)
    with a_pipe_may_close():
        view = view_of(as_json, shown_in, sound)
        if measured is not None:
            _must_be_none("--replay", {"--for": for_s, "--store": store, "--practice": practice or None})
            _replay(asked, more, workshop, shown_in, view, speed)
            return
        _must_be_none("a heat that is going on", {"--speed": speed})
        with suppress(KeyboardInterrupt):  # Ctrl-C is the usual way to end this
            bench_id = bench if wired is None else wired.id
            lasts_s = float("inf") if for_s is None else checked("--for", for_s, SECONDS)
            _live(asked, more, workshop, shown_in, view, bench_id, wired, lasts_s, store, practice)


def _must_be_none(what: str, options: dict[str, object]) -> None:
    for name, value in options.items():
        if value is not None:
            raise click.UsageError(f"{name} means nothing with {what}: leave it out")


def _bench_file(bench: str | None) -> Bench | None:
    """The bench in a file, where one was named."""
    if bench is None or not bench.endswith(".toml"):
        return None
    from dashboard.benches import read_bench

    return read_bench(Path(bench))


def _replay(asked: Asked, more: Wanted, shop: Shop, units: Units, view: View, speed: float | None) -> None:
    from dashboard.commands.plan_inputs import question
    from dashboard.commands.watch_replay import replay
    from logger.clock import FastClock, SystemClock

    clock = None if speed is None else FastClock(checked("--speed", speed, SPEED))
    today = SystemClock().utc().date()
    replay(question(asked, shop, today, units, driven=False), more, units, view, clock)


def _live(
    asked: Asked, more: Wanted, shop: Shop, units: Units, view: View, bench: str | None, wired: Bench | None,
    for_s: float, store: str | None, practice: bool,
) -> None:  # fmt: skip
    from dashboard.commands.records_options import opened
    from dashboard.commands.watch_live import Watching, live
    from dashboard.running_heat import RunningHeat
    from dashboard.store_place import store_place
    from logger.clock import SystemClock

    clock = SystemClock()
    place = store_place(shop, store, practice)
    sensors = {role.name: role.sensor for role in wired.roles} if wired is not None else {}
    with opened(place) as kept:
        heat = RunningHeat(kept, bench, clock, sensors)
        live(Watching(heat, asked, more, shop, units, clock.utc().date()), view, clock, for_s)
