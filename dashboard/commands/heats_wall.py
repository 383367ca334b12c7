"""`pullcue heats wall`: walls of the finished part by place and level, kept with its heat and compared."""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import TYPE_CHECKING

import click

from dashboard.commands.records_options import json_option, number_of, opened, place_of_sub, store_options, units_of_sub
from thermal.fields import InputError

if TYPE_CHECKING:
    from dashboard.units import Units
    from logger.walls import Wall

_READING = re.compile(r"(?P<place>[^=@]+)(?:@(?P<level>[^=@]+))?=(?P<wall>[^=@]+)")


@click.command("wall")
@click.argument("number", metavar="NUMBER")
@click.argument("readings", metavar="[PLACE[@LEVEL]=WALL]...", nargs=-1)
@click.option("--by", metavar="INITIALS", help="Who measured.  [needed with readings]")
@click.option("--units", type=click.Choice(["metric", "us"]), help="mm or in, read and shown.  [default: the shop's]")
@click.option("--measured-again", is_flag=True, help="Keep readings too that a part of this sheet can hardly have.")
@store_options
@json_option
@click.pass_context
def wall(
    ctx: click.Context, number: str, readings: tuple[str, ...], by: str | None, units: str | None,
    measured_again: bool, as_json: bool, shop: Path | None, store: str | None, practice: bool,
) -> None:  # fmt: skip
    """Keep gauge readings of the part of heat NUMBER: "distal end=2.8", "medial@120=3.4" (level above the distal end).

    A number without a unit is in the shop's unit, mm or in; "distal end=0.110in" is inches anywhere. Without readings
    those that are kept are listed, beside the shop's earlier parts of the same polymer and gauge.
    """
    from dashboard.heat_form import line
    from dashboard.keep_walls import keep_walls
    from dashboard.wall_compare import walls_beside
    from dashboard.wall_words import Doubtful, wall_json, wall_words
    from logger.clock import SystemClock

    shown_in = units_of_sub(ctx, shop, units)
    new = [_reading(text, shown_in) for text in readings]
    who = line("--by", by or "") if new else ""
    with opened(place_of_sub(ctx, shop, store, practice)) as kept:
        record = kept.heat(number_of(number))
        try:
            if new:
                keep_walls(kept, record, new, who, SystemClock(), shown_in, measured_again)
        except Doubtful as error:
            raise InputError(f"{error}; --measured-again keeps it") from None
        found = walls_beside(kept, record)
    if as_json:
        content_json = {"number": record.number, "walls": [wall_json(one) for one in found]}
        click.echo(json.dumps(content_json, ensure_ascii=False, indent=1, allow_nan=False))
        return
    for one in found:
        click.echo(f"Heat {record.number}: {wall_words(one, shown_in)}")
    if not found:
        click.echo(f"Heat {record.number}: no wall is kept with it.")


def _reading(text: str, units: Units) -> Wall:
    from dashboard.wall_words import wall_of

    match = _READING.fullmatch(text.strip())
    if match is None:
        raise InputError(
            f"wall {text[:80]!r}: expected PLACE=WALL or PLACE@LEVEL=WALL, "
            'as "distal end=2.8mm" or "medial@120mm=3.4mm"'
        )
    return wall_of(match["place"], match["level"] or "", match["wall"], units)
