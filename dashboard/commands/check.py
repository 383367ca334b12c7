"""`pullcue check`: what is wrong with a bench or with the records, and what to do."""

from __future__ import annotations

import json
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING

import click

from dashboard.commands.asked import SPEED, checked
from dashboard.commands.records_options import store_options, verifying
from dashboard.shop import Shop, open_shop
from thermal.fields import Range

if TYPE_CHECKING:
    from dashboard.bench_check import Finding

_WORDS = {"fine": "fine", "look": "look", "wrong": "WRONG"}
_SECONDS = Range("s", at_least=0.2, at_most=3600.0)


@click.command("check")
@click.argument("bench_file", metavar="[BENCH.toml]", required=False, type=click.Path(path_type=Path))
@click.option(
    "--for", "for_s", type=float, default=5.0, show_default=True, metavar="SECONDS", help="How long to listen."
)
@click.option("--speed", type=float, default=1.0, show_default=True, help="Faster than real time: replay, practice.")
@store_options
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object.")
def check(
    bench_file: Path | None, for_s: float, speed: float, shop: Path | None, store: str | None, practice: bool,
    as_json: bool,
) -> int:  # fmt: skip
    """Say in plain sentences what is wrong with a bench's ports, frames, channels and clocks, and what to do.

    The same for the records: disk, store, chain of records, backup. Without BENCH.toml these alone are looked at.
    'look' stands before what only you can judge. Ends with 0 where nothing is wrong, 1 where something is, 2 where
    the bench file cannot be used.
    """
    from dashboard.bench_check import Grade
    from dashboard.store_check import record_findings
    from dashboard.store_place import store_place
    from logger.clock import SystemClock

    checked("--speed", speed, SPEED)
    checked("--for", for_s, _SECONDS)
    workshop = open_shop(shop)
    bench, found = (None, []) if bench_file is None else _of_bench(bench_file, workshop, for_s, speed)
    with verifying() as progress:
        found += record_findings(store_place(workshop, store, practice), SystemClock().utc(), progress)
    wrong = sum(one.grade is Grade.WRONG for one in found)
    fine = not wrong
    if as_json:
        content = {"bench": bench, "fine": fine, "findings": [asdict(one) for one in found]}
        click.echo(json.dumps(content, ensure_ascii=False, indent=1))
        return 0 if fine else 1
    for one in found:
        click.echo(f"{_WORDS[one.grade]:<5}  {one.about}: {one.found}")
        if one.do:
            click.echo(f"       {one.do[0].upper()}{one.do[1:]}")
    all_fine = "The records are in order." if bench is None else "The bench is fit to run."
    click.echo(all_fine if fine else f"{wrong} of {len(found)} things are wrong.")
    return 0 if fine else 1


def _of_bench(bench_file: Path, workshop: Shop, for_s: float, speed: float) -> tuple[str, list[Finding]]:
    """The bench's id, and what is found when it is listened to."""
    from dashboard.bench_check import findings, watch
    from dashboard.benches import open_bench, read_bench
    from logger.clock import FastClock

    clock = FastClock(speed)
    opened = open_bench(read_bench(bench_file), bench_file.parent, workshop, clock, speed)
    try:
        seen = watch(opened.reader, clock, for_s)
        return opened.bench.id, list(findings(opened.reader, seen, speed, workshop.oven_ids()))
    finally:
        opened.close()
