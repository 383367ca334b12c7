"""`pullcue review`: why a heat went as it did, and a page for the file."""

from __future__ import annotations

from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING

import click

from dashboard.commands.records_options import json_option, store_options
from thermal.fields import InputError

if TYPE_CHECKING:
    from dashboard.review import Review
    from dashboard.shop import Shop
    from dashboard.store_place import StorePlace
    from dashboard.units import Units

_EXAMPLES = """\b
Examples:
pullcue review 12
pullcue review 12 --report heat-12.pdf
pullcue review heat.csv --oven-card my-oven.toml --json

A review is advice: it says what the readings make likely, not who was at fault.
"""
_FILE = click.Path(path_type=Path, dir_okay=False)
_KINDS = (".pdf", ".html")


@click.command("review", epilog=_EXAMPLES)
@click.argument("heat", metavar="HEAT")
@click.option("--oven-card", type=_FILE, metavar="CARD", help="Oven card.  [default: the one kept with the heat]")
@click.option("--polymer", metavar="ID", help="Polymer of the sheet.  [default: the heat's]")
@click.option("--room-c", type=float, metavar="T", help="Room for the carry, °C.  [default: the shop's]")
@click.option("--report", type=_FILE, metavar="FILE.pdf|.html", help="Write the report, over no other file.")
@click.option("--units", type=click.Choice(["metric", "us"]), help="°C and mm, or °F and in.  [default: the shop's]")
@store_options
@json_option
def review(
    heat: str, oven_card: Path | None, polymer: str | None, room_c: float | None, report: Path | None,
    units: str | None, as_json: bool, shop: Path | None, store: str | None, practice: bool,
) -> None:  # fmt: skip
    """Say why a heat went as it did: HEAT is the number of a stored heat, or a heat file."""
    from dashboard.plan_question import ROOM_C, checked_c
    from dashboard.review_json import review_json
    from dashboard.shop import open_shop
    from dashboard.store_place import store_place
    from dashboard.units import Units

    if report is not None:
        _must_be_writable(report)
    workshop = open_shop(shop)
    shown_in = Units("us" if (units or workshop.units) == "us" else "metric")
    room = workshop.room_c if room_c is None else checked_c("--room-c", room_c, ROOM_C)
    found = _reviewed(heat, oven_card, polymer, room, workshop, store_place(workshop, store, practice))
    if report is not None:
        _write(report, found, shown_in)
    if as_json:
        from dashboard.commands.plan_json import dumps

        click.echo(dumps(review_json(found, shown_in)))
        return
    click.echo("\n".join(_words(found, shown_in)))
    if report is not None:
        click.echo(f"Report: {report}")


def _must_be_writable(report: Path) -> None:
    if report.suffix.lower() not in _KINDS:
        raise InputError(f"--report {report}: expected a name that ends with .pdf or .html")
    if report.exists():
        raise InputError(f"--report {report}: there is such a file already, and none is written over; name another")
    if not report.parent.is_dir():
        raise InputError(
            f"--report {report}: there is no folder {report.parent}: expected one; make it, or name another"
        )


def _reviewed(
    name: str, oven_card: Path | None, polymer: str | None, room_c: float, shop: Shop, place: StorePlace
) -> Review:
    if name.removeprefix("#").isdecimal() and not Path(name).exists():
        return _stored(name, oven_card, polymer, room_c, shop, place)
    if not Path(name).exists():
        raise InputError(
            f"{name[:200]}: no such file, and no number of a stored heat: expected one of the two; see 'pullcue heats'"
        )
    from dashboard.stored_review import card_of, review_of
    from logger.heatfile import read_heat

    found = read_heat(Path(name))
    return review_of(Path(name).name, found, card_of(found, oven_card, None, shop, name), polymer, room_c, shop)


def _stored(
    name: str, oven_card: Path | None, polymer: str | None, room_c: float, shop: Shop, place: StorePlace
) -> Review:
    """Review it; what was found as the records state it is kept beside the heat."""
    from dashboard.commands.records_options import number_of, opened
    from dashboard.stored_review import kept_review, review_stored
    from logger.records import StoreDown

    with opened(place) as kept:
        record = kept.heat(number_of(name))
        found = review_stored(kept, record, shop, room_c, oven_card, polymer)
        if oven_card is None and polymer is None and room_c == shop.room_c:
            with suppress(StoreDown):  # it is made again where it is wanted
                kept.keep_review(record.id, kept_review(found))
    return found


def _write(report: Path, found: Review, units: Units) -> None:
    from dashboard.report import report_of
    from dashboard.report_html import html_bytes
    from dashboard.report_pdf import pdf_bytes
    from logger.clock import SystemClock
    from logger.heatfile import write_new

    content = report_of(found, units, SystemClock().utc().date())
    made = pdf_bytes(content) if report.suffix.lower() == ".pdf" else html_bytes(content)
    write_new(made, report)


def _words(found: Review, units: Units) -> list[str]:
    from dashboard.failure_words import failed_lines
    from dashboard.heat_form import one_line
    from dashboard.pull_facts import pull_facts
    from dashboard.pull_words import state_lines
    from dashboard.review_words import (
        CAUTION,
        LISTED,
        doubt_lines,
        evidence_words,
        headline,
        percent,
        title,
    )
    from dashboard.wall_words import wall_words

    lines = [f"{one_line(found.name)}: {headline(found, units)}.", ""]
    lines += [f"  {what:<26}{words}" for what, words in state_lines(found, units)]
    lines += ["", "What explains it, the likeliest first:"]
    for one in found.diagnosis.findings:
        if one.probability >= LISTED:
            lines.append(f"  {percent(one.probability):>9}  {title(one, units)}")
            if evidence := evidence_words(one, found, units):
                lines.append(f"             {evidence}.")
    lines += [f"  {line}." for line in doubt_lines(found, units)]
    pull = pull_facts(found.diagnosis, found.pulled)
    if failed := failed_lines(found.failed_how, found.diagnosis, pull, units):
        lines += ["", *(f"{line}." for line in failed)]
    if found.walls:
        lines += ["", "Walls:", *(f"  {wall_words(one, units)}" for one in found.walls)]
    lines += ["", *(f"Note: {one_line(note, 300)}." for note in found.notes), CAUTION]
    return lines
