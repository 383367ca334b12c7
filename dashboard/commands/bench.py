"""`pullcue bench`: a bench's channels live, from whatever is wired to it."""

from __future__ import annotations

from pathlib import Path

import click

from dashboard.commands.asked import SECONDS, SPEED, checked
from dashboard.commands.live_view import Looking, look
from dashboard.commands.units import Units
from dashboard.shop import open_shop


@click.command("bench")
@click.argument("bench_file", metavar="BENCH.toml", type=click.Path(path_type=Path))
@click.option("--for", "for_s", type=float, metavar="SECONDS", help="End after so long.")
@click.option("--speed", type=float, default=1.0, show_default=True, help="Faster than real time: replay, practice.")
@click.option("--units", type=click.Choice(["metric", "us"]), help="°C and mm, or °F and in.  [default: the shop's]")
@click.option("--shop", type=click.Path(path_type=Path, file_okay=False), metavar="DIR", help="Folder of the shop.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object at the end, units in the keys.")
def bench(
    bench_file: Path, for_s: float | None, speed: float, units: str | None, shop: Path | None, as_json: bool
) -> None:
    """Show the channels of a bench live, each with its state; Ctrl-C ends and frees the ports.

    A bench of recordings alone ends by itself when they are over.

    What comes is shown, not kept.
    """
    from dashboard.benches import open_bench, read_bench
    from logger.clock import FastClock

    checked("--speed", speed, SPEED)
    lasts_s = float("inf") if for_s is None else checked("--for", for_s, SECONDS)
    workshop = open_shop(shop)
    clock = FastClock(speed)
    opened = open_bench(read_bench(bench_file), bench_file.parent, workshop, clock, speed)

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
        look(opened.reader, clock, looking)
    finally:
        opened.close()
