"""`pullcue check`: what is wrong with a bench, and what to do."""

from __future__ import annotations

import json
from dataclasses import asdict
from pathlib import Path

import click

from dashboard.commands.asked import SPEED, checked
from dashboard.shop import open_shop
from thermal.fields import Range

_WORDS = {"fine": "fine", "look": "look", "wrong": "WRONG"}
_SECONDS = Range("s", at_least=0.2, at_most=3600.0)


@click.command("check")
@click.argument("bench_file", metavar="BENCH.toml", type=click.Path(path_type=Path))
@click.option(
    "--for", "for_s", type=float, default=5.0, show_default=True, metavar="SECONDS", help="How long to listen."
)
@click.option("--speed", type=float, default=1.0, show_default=True, help="Faster than real time: replay, practice.")
@click.option("--shop", type=click.Path(path_type=Path, file_okay=False), metavar="DIR", help="Folder of the shop.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object.")
def check(bench_file: Path, for_s: float, speed: float, shop: Path | None, as_json: bool) -> int:
    """Say in plain sentences what is wrong with a bench's ports, frames, channels and clocks, and what to do.

    'look' stands before what only you can judge. Ends with 0 where nothing is wrong, 1 where something is, 2 where
    the bench file cannot be used.
    """
    from dashboard.bench_check import Grade, findings, watch
    from dashboard.benches import open_bench, read_bench
    from logger.clock import FastClock

    checked("--speed", speed, SPEED)
    checked("--for", for_s, _SECONDS)
    clock = FastClock(speed)
    workshop = open_shop(shop)
    opened = open_bench(read_bench(bench_file), bench_file.parent, workshop, clock, speed)
    try:
        seen = watch(opened.reader, clock, for_s)
        found = findings(opened.reader, seen, speed, workshop.oven_ids())
    finally:
        opened.close()
    wrong = sum(one.grade is Grade.WRONG for one in found)
    fine = not wrong
    if as_json:
        content = {"bench": opened.bench.id, "fine": fine, "findings": [asdict(one) for one in found]}
        click.echo(json.dumps(content, ensure_ascii=False, indent=1))
        return 0 if fine else 1
    for one in found:
        click.echo(f"{_WORDS[one.grade]:<5}  {one.about}: {one.found}")
        if one.do:
            click.echo(f"       {one.do[0].upper()}{one.do[1:]}")
    click.echo("The bench is fit to run." if fine else f"{wrong} of {len(found)} things are wrong.")
    return 0 if fine else 1
