"""`pullcue practice`: the whole path from a thermocouple to a reading, against an oven that is only computed."""

from __future__ import annotations

from contextlib import ExitStack
from pathlib import Path

import click

from dashboard.commands.asked import SECONDS, SPEED, checked
from dashboard.commands.keys import TypedWords
from dashboard.commands.live_view import Looking, look
from dashboard.commands.pages_run import asked_access, show_pages, terminal_or_page_options
from dashboard.practice_bench import (
    CHANNEL_NAMES,
    DEFAULT_GAUGE_MM,
    DEFAULT_POLYMER,
    DEFAULT_SCENARIO,
    SCENARIOS,
    Practice,
    practice_bench,
    practice_case,
    scenario_of,
    with_put_in,
)
from dashboard.shop import Shop, open_shop
from dashboard.units import Units
from logger.practice_faults import FAULTS, fault_of
from thermal.fields import InputError

_HIDDEN = "hidden; only the scoring of the pull may read it"
_KEYS = "Type d and Enter to open the door, p and Enter to pull the sheet; Ctrl-C ends."
_SCENARIOS = "\n".join(f"  {name:<19} {one.words}" for name, one in SCENARIOS.items())
_FAULTS = "\n".join(f"  {name:<19} {one.words}" for name, one in FAULTS.items())
_EXAMPLES = f"""\b
Scenarios:
{_SCENARIOS}

\b
Faults, as NAME@SECONDS, NAME:CHANNEL@SECONDS or NAME:CHANNEL@SECONDS+DURATION:
{_FAULTS}
Channels: {", ".join(CHANNEL_NAMES)}.

\b
Examples:
pullcue practice --speed 20
pullcue practice --scenario loose-thermocouple --speed 10
pullcue practice --terminal --speed 20
pullcue practice --fault open:tc_3@120+30 --fault cable@200 --for 300 --speed 60 --json
"""


@click.command("practice", epilog=_EXAMPLES)
@click.option("--speed", type=float, default=1.0, show_default=True, help="How many times faster than real time.")
@click.option("--seed", type=int, default=1, show_default=True, help="Of the oven's hidden departures and all noise.")
@click.option("--fault", "faults", multiple=True, metavar="NAME@TIME", help="Something that goes wrong; see below.")
@click.option("--scenario", default=DEFAULT_SCENARIO, show_default=True, metavar="NAME", help="A day; see below.")
@click.option("--polymer", default=DEFAULT_POLYMER, show_default=True, metavar="ID", help="Polymer of the sheet.")
@click.option("--gauge-mm", type=float, default=DEFAULT_GAUGE_MM, show_default=True, help="Thickness of the sheet, mm.")
@click.option("--oven", metavar="ID", help="Oven of the shop.  [default: the first]")
@click.option("--put-in", "put_in_s", type=float, metavar="SECONDS", help="When the sheet goes in.  [default: 60]")
@click.option("--pull", "pull_s", type=float, metavar="SECONDS", help="When the sheet is pulled; else type p.")
@click.option("--for", "for_s", type=float, metavar="SECONDS", help="End after so long, in the oven's time.")
@click.option("--units", type=click.Choice(["metric", "us"]), help="°C and mm, or °F and in.  [default: the shop's]")
@click.option("--no-record", is_flag=True, help="Only look: keep nothing.")
@click.option("--store", metavar="URL", help="Where to record.  [default: the practice oven's records]")
@click.option("--shop", type=click.Path(path_type=Path, file_okay=False), metavar="DIR", help="Folder of the shop.")
@click.option("--json", "as_json", is_flag=True, help="As text, with one JSON object at the end, units in the keys.")
@terminal_or_page_options
def practice(
    speed: float,
    seed: int,
    faults: tuple[str, ...],
    scenario: str,
    polymer: str,
    gauge_mm: float,
    oven: str | None,
    put_in_s: float | None,
    pull_s: float | None,
    for_s: float | None,
    units: str | None,
    no_record: bool,
    store: str | None,
    shop: Path | None,
    as_json: bool,
    terminal: bool,
    no_browser: bool,
    port: int | None,
) -> None:
    """Run the practice oven and open the page at it; no hardware needed. At the end the pull is judged.

    The sheet goes in, and is pulled, by a click, or at the times given. Oven and sheet are computed and differ from
    their data as real ones do. Their readings come over a port of this computer in the same line format, and through
    the same path, as those of a real board. Its heats are recorded apart from those of the shop: see 'pullcue heats
    --practice'.
    """
    from dashboard.benches import stale_s
    from dashboard.commands.heat_plan import HeatPlanner
    from dashboard.commands.practice_cue import practice_cue
    from dashboard.live_start import kept_nowhere, live_bench, practice_form
    from dashboard.recording import form_for, prepare, recorded
    from dashboard.store_place import store_place
    from dashboard.workers import Workers, how_many
    from logger.clock import FastClock, SystemClock
    from logger.readings import BenchReader

    checked("--speed", speed, SPEED)
    workshop = open_shop(shop)
    day = with_put_in(scenario_of(scenario), None if put_in_s is None else checked("--put-in", put_in_s, SECONDS))
    room_c = workshop.room_c if day.room_c is None else day.room_c
    oven_id = oven or _first_oven(workshop)
    case = practice_case(workshop, polymer, gauge_mm, oven_id, room_c)
    planned = [fault_of(text, CHANNEL_NAMES) for text in faults]
    pulled_s = None if pull_s is None else checked("--pull", pull_s, SECONDS)
    lasts_s = float("inf") if for_s is None else checked("--for", for_s, SECONDS)
    clock = SystemClock() if speed == 1.0 else FastClock(speed)
    as_text = terminal or as_json
    if pulled_s is not None and put_in_s is None and not as_text:
        raise InputError("--pull: expected --put-in beside it; on the page the sheet goes in by a click otherwise")
    by_hand = put_in_s is None and not as_text
    running = Practice(case, room_c, day, clock, seed, planned, pulled_s, by_hand)
    if not as_text:
        prepare()
        bench = practice_bench(oven_id)
        reader = BenchReader(bench, [running.source()], clock, radiant=running.infrared, stale_s=stale_s(speed))
        with ExitStack() as things:
            workers = things.enter_context(Workers(how_many(1)))
            things.callback(running.close)
            things.callback(reader.close)
            place = things.enter_context(kept_nowhere()) if no_record else store_place(workshop, store, practice=True)
            form = practice_form(form_for(workshop, bench, polymer=polymer), running)
            live = things.enter_context(
                live_bench(reader, bench, place, clock, form, workshop, speed, running, workers)
            )
            click.echo(f"Practice oven {oven_id}, {polymer} {gauge_mm:g} mm, set {case.set_c:g} °C: {day.words}")
            show_pages(
                [live],
                workshop,
                place,
                clock,
                asked_access(port),
                workers,
                any_port=port is None,
                browser=not no_browser,
                for_s=lasts_s,
                start=running.start,  # opening store and pages takes a second, which is many of a fast clock
            )
        return
    typed = TypedWords()
    shown_in = Units("us" if (units or workshop.units) == "us" else "metric")
    looking = Looking(
        title=f"Practice oven {oven_id} at {running.server.url}, {polymer} {gauge_mm:g} mm, set {case.set_c:g} °C: "
        f"{day.words}",
        units=shown_in,
        speed=speed,
        for_s=lasts_s,
        footer=(f"core: {_HIDDEN}", *([_KEYS] if typed.listening else [])),
        extra={"practice": {"scenario": scenario, "seed": seed, "speed": speed, "faults": list(faults),
                            "polymer": polymer, "gauge_mm": gauge_mm, "set_c": case.set_c, "url": running.server.url},
               "core": _HIDDEN},
        each_turn=lambda: _turn(running, typed),
        as_json=as_json,
        cue=practice_cue(case, room_c, running, clock, shown_in, f"{polymer} {gauge_mm:g} mm, oven {oven_id}"),
    )  # fmt: skip
    try:
        bench = practice_bench(oven_id)
        reader = BenchReader(bench, [running.source()], clock, radiant=running.infrared, stale_s=stale_s(speed))
        try:
            if no_record:
                running.start()
                look(reader, clock, looking)
                return
            opening_mm = None if case.opening_m is None else tuple(side * 1e3 for side in case.opening_m)
            form = form_for(workshop, bench, polymer=polymer, gauge_mm=gauge_mm, set_c=case.set_c, start_c=room_c,
                            support="frame", opening_mm=opening_mm, sheet_label="practice sheet")  # fmt: skip
            place = store_place(workshop, store, practice=True)
            planner = HeatPlanner(workshop, lambda: clock.utc().date())
            with recorded(reader, bench, place, clock, form, planner) as recording:
                running.start()  # only now: opening the store takes a second, which is many of a fast clock
                looking.recording, running.tell = recording, recording.mark
                look(reader, clock, looking)
        finally:
            reader.close()
    finally:
        running.close()


def _first_oven(shop: Shop) -> str:
    known = shop.oven_ids()
    if not known:
        raise InputError(f"the shop {shop.name!r} has no ovens: put a card into {shop.folder / 'ovens'}")
    return "north" if "north" in known else known[0]


def _turn(running: Practice, typed: TypedWords) -> None:
    running.mark_what_happened()
    word = typed.take()
    if word in ("d", "door"):
        running.open_door()
    elif word in ("p", "pull"):
        running.pull()
