"""`pullcue heats wall`: walls of the finished part by place and level, kept with its heat and compared."""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import TYPE_CHECKING

import click

from dashboard.commands.records_options import json_option, number_of, opened, place_of_sub, store_options
from thermal.fields import InputError

if TYPE_CHECKING:
    from dashboard.wall_compare import Compared
    from logger.walls import Wall

_READING = re.compile(r"(?P<place>[^=@]+?)\s*(?:@\s*(?P<level>-?[0-9.]+)\s*(?:mm)?)?\s*=\s*(?P<wall>[0-9.]+)\s*(?:mm)?")


@click.command("wall")
@click.argument("number", metavar="NUMBER")
@click.argument("readings", metavar="[PLACE[@LEVEL]=MM]...", nargs=-1)
@click.option("--by", metavar="INITIALS", help="Who measured.  [needed with readings]")
@store_options
@json_option
@click.pass_context
def wall(
    ctx: click.Context, number: str, readings: tuple[str, ...], by: str | None, as_json: bool, shop: Path | None,
    store: str | None, practice: bool,
) -> None:  # fmt: skip
    """Keep gauge readings of the part of heat NUMBER: "distal end=2.8", "medial@120=3.4" (mm above the distal end).

    Without readings those that are kept are listed, beside the shop's earlier parts of the same polymer and gauge.
    """
    from dashboard.heat_form import line
    from dashboard.wall_compare import walls_beside
    from logger.clock import SystemClock
    from logger.heat_export import ms_of
    from logger.walls import MEDIA_TYPE, NAME, walls_content

    new = [_reading(text) for text in readings]
    who = line("--by", by or "") if new else ""
    with opened(place_of_sub(ctx, shop, store, practice)) as kept:
        record = kept.heat(number_of(number))
        if new:
            content = walls_content(new, who, ms_of(SystemClock().utc()))
            kept.attach(record.id, NAME, content, MEDIA_TYPE)
        found = walls_beside(kept, record)
    if as_json:
        content_json = {"number": record.number, "walls": [wall_json(one) for one in found]}
        click.echo(json.dumps(content_json, ensure_ascii=False, indent=1, allow_nan=False))
        return
    for one in found:
        click.echo(f"Heat {record.number}: {wall_words(one)}")
    if not found:
        click.echo(f"Heat {record.number}: no wall is kept with it.")


def _reading(text: str) -> Wall:
    from logger.walls import Wall

    match = _READING.fullmatch(text.strip())
    try:
        if match is None:
            raise ValueError
        level = None if match["level"] is None else float(match["level"])
        return Wall(" ".join(match["place"].split()), level, float(match["wall"]))
    except InputError:
        raise
    except ValueError:
        raise InputError(
            f'wall {text[:80]!r}: expected PLACE=MM or PLACE@LEVEL=MM, as "distal end=2.8" or "medial@120=3.4"'
        ) from None


def wall_json(one: Compared) -> dict[str, object]:
    """A wall and its comparison as a JSON object."""
    return {
        "place": one.wall.place,
        "level_mm": one.wall.level_mm,
        "wall_mm": one.wall.wall_mm,
        "earlier_parts": one.parts,
        "least_mm": one.least_mm,
        "median_mm": one.median_mm,
        "most_mm": one.most_mm,
        "thinner_than_all": one.thinner,
    }


def wall_words(one: Compared) -> str:
    """'distal end: 2.8 mm; 12 earlier parts 2.6 to 3.3 mm, median 3.0 mm'."""
    level = "" if one.wall.level_mm is None else f" at {one.wall.level_mm:g} mm"
    told = f"{one.wall.place}{level}: {one.wall.wall_mm:g} mm"
    if one.median_mm is None:
        few = "no earlier part" if not one.parts else f"only {one.parts} earlier part{'s' if one.parts > 1 else ''}"
        return f"{told}; {few} to compare with"
    beside = f"{one.parts} earlier parts {one.least_mm:g} to {one.most_mm:g} mm, median {one.median_mm:.2g} mm"
    return f"{told}; {beside}{': thinner than all of them' if one.thinner else ''}"
