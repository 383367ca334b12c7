"""`pullcue choose`: method, sheet, blank, wall and cooling for a mold."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any, cast

import click

from dashboard.equipment import equipment_of, sides_from
from dashboard.mold_file import read_mold
from dashboard.plan_question import START_C, checked_c, millimetres_as_m, opening_from
from dashboard.shop import Shop, open_shop
from dashboard.tomlfile import read_toml
from dashboard.units import Units, parse_length_m
from thermal.fields import InputError, Range
from thermal.polymer import Polymer
from thermal.polymer_data import polymer_from_mapping

if TYPE_CHECKING:
    from dashboard.making import Making
    from thermal.method import Equipment, Method

_EXAMPLES = """\b
Examples:
pullcue choose --mold limb.toml --polymer pp-homopolymer --wall-mm 4
pullcue choose --mold limb.stl --unit mm --polymer petg --wall-mm 3 --opening-mm 300 --oven north
pullcue choose --mold limb.toml --polymer pp-homopolymer --gauge-mm 4 --method drape --pattern pattern.pdf
"""
_FILE = click.Path(path_type=Path, dir_okay=False)
_WALL_MM = Range("mm", at_least=0.5, at_most=20.0)
_GAUGE_MM = Range("mm", at_least=1.0, at_most=25.0)
_DROP_MM = Range("mm", at_least=0.0, at_most=1000.0)
_ROOM_MM = Range("mm", above=20.0, at_most=3000.0)


@click.command("choose", epilog=_EXAMPLES)
@click.option("--mold", "mold_file", type=_FILE, required=True, help="Girths (.toml, .csv) or mesh (.stl, .obj, .ply).")
@click.option("--unit", type=click.Choice(["mm", "cm", "in", "m"]), help="Unit of a mesh.  [default: found]")
@click.option("--axis", type=click.Choice(["x", "y", "z"]), help="Axis a mesh lies along.  [default: found]")
@click.option("--flip", is_flag=True, help="A mesh's other end is the distal one.")
@click.option(
    "--distal", type=click.Choice(["round", "flat", "conical"]), help="Distal end of a CSV.  [default: round]"
)
@click.option("--polymer", metavar="ID", help="Polymer of the sheet; 'pullcue polymers' lists them.")
@click.option("--polymer-file", type=_FILE, help="Polymer file of your own instead.")
@click.option("--wall-mm", type=float, metavar="W", help="Least wall wanted anywhere, mm.")
@click.option("--gauge-mm", type=float, metavar="G", help="Sheet that is to be taken, mm.  [default: the thinnest fit]")
@click.option("--gauge", metavar="LENGTH", help="The same with its unit: 5mm, 3/16in.")
@click.option("--method", type=click.Choice(["bubble", "drape"]), help="Method.  [default: chosen]")
@click.option("--opening-mm", multiple=True, metavar="D[xE]", help="Frame's free area, mm; several may be given.")
@click.option("--drop-mm", type=float, metavar="D", help="Drop of the bubble, mm.  [default: two thirds of the mold]")
@click.option("--rack-mm", type=float, metavar="H", help="Room below the frame in the oven, mm.")
@click.option("--oven-mm", metavar="WxD", help="Inside of the oven, mm.")
@click.option("--vacuum/--no-vacuum", default=None, help="Whether there is a vacuum.")
@click.option("--oven", metavar="ID", help="Oven of the shop: plans the heat and the carry too.")
@click.option("--set-c", type=float, metavar="T", help="Set temperature, °C; wins over the card's.")
@click.option("--room-c", type=float, metavar="T", help="Room, °C.  [default: the shop's]")
@click.option("--mold-c", type=float, metavar="T", help="Mold, °C.  [default: as the room]")
@click.option("--plaster", type=click.Choice(["dry", "damp"]), default="dry", show_default=True, help="Of the mold.")
@click.option("--pattern", type=_FILE, metavar="FILE.svg|.pdf", help="Write the draped blank, full size.")
@click.option("--card", type=_FILE, metavar="FILE.pdf|.svg|.png", help="Write a work card of one page.")
@click.option("--units", type=click.Choice(["metric", "us"]), help="°C and mm, or °F and in.  [default: the shop's]")
@click.option("--shop", type=click.Path(path_type=Path, file_okay=False), metavar="DIR", help="Folder of the shop.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object, units in the keys.")
def choose(
    units: str | None, shop: Path | None, as_json: bool, pattern: Path | None, card: Path | None, **options: Any
) -> None:
    """Tell what to take for a mold: method, sheet, frame, blank and drop, and what wall and cooling it will give.

    The mold is a list of girths by level, or a scanner's mesh. Say the wall that is wanted, or the sheet there is.
    What the workshop has at hand stands in equipment.toml in its folder; the line wins.
    """
    _check_names(pattern, card)
    workshop = open_shop(shop)
    shown_in = Units("us" if (units or workshop.units) == "us" else "metric")
    from dashboard.making_words import granted

    made = _made(options, workshop)
    notes = granted(made, workshop, mold_c_stated=options["mold_c"] is not None, units=shown_in)
    if pattern is not None:
        _write_pattern(made, pattern, shown_in)
    if card is not None:
        from dashboard.work_card import write_card

        write_card(made, card, shown_in)
    if as_json:
        from dashboard.commands.choose_json import choose_json
        from dashboard.commands.plan_json import dumps

        click.echo(dumps(choose_json(made, shown_in, notes)))
        return
    from dashboard.commands.choose_text import choose_text

    click.echo(choose_text(made, shown_in, notes))
    for what, path in (("Pattern", pattern), ("Work card", card)):
        if path is not None:
            click.echo(f"\n{what} written to {path}")


def _made(options: dict[str, Any], workshop: Shop) -> Making:
    from dashboard.making import OnTheMold, making
    from thermal.method import choose as choose_method

    mold = read_mold(options["mold_file"], options["unit"], options["axis"], options["flip"], options["distal"])
    choice = choose_method(
        _polymer(options, workshop),
        mold.mold,
        _equipment(options, workshop),
        _metres("--wall-mm", options["wall_mm"], _WALL_MM),
        _gauge_m(options),
        cast("Method | None", options["method"]),
        _metres("--drop-mm", options["drop_mm"], _DROP_MM),
    )
    room = workshop.room_c if options["room_c"] is None else checked_c("--room-c", options["room_c"], START_C)
    mold_c = None if options["mold_c"] is None else checked_c("--mold-c", options["mold_c"], START_C)
    oven = None if options["oven"] is None else workshop.oven(options["oven"])
    return making(mold, choice, OnTheMold(room, mold_c, options["plaster"]), oven, options["set_c"])


def _polymer(options: dict[str, Any], workshop: Shop) -> Polymer:
    own, named = options["polymer_file"], options["polymer"]
    if (own is None) == (named is None):
        raise click.UsageError("give either --polymer or --polymer-file")
    return workshop.polymer(named) if own is None else polymer_from_mapping(read_toml(own), own.name)


def _metres(option: str, value_mm: float | None, allowed: Range) -> float | None:
    return None if value_mm is None else millimetres_as_m(option, value_mm, allowed)


def _gauge_m(options: dict[str, Any]) -> float | None:
    if options["gauge"] is not None and options["gauge_mm"] is not None:
        raise click.UsageError("give either --gauge-mm or --gauge, not both")
    if options["gauge"] is not None:
        return parse_length_m(options["gauge"], _GAUGE_MM)
    return _metres("--gauge-mm", options["gauge_mm"], _GAUGE_MM)


def _equipment(options: dict[str, Any], workshop: Shop) -> Equipment:
    from dataclasses import replace

    found = equipment_of(workshop)
    if options["opening_mm"]:
        found = replace(found, openings_m=tuple(opening_from("--opening-mm", one) for one in options["opening_mm"]))
    if options["rack_mm"] is not None:
        found = replace(found, rack_m=_metres("--rack-mm", options["rack_mm"], _ROOM_MM))
    if options["oven_mm"] is not None:
        found = replace(found, oven_m=sides_from("--oven-mm", options["oven_mm"]))
    return found if options["vacuum"] is None else replace(found, vacuum=options["vacuum"])


def _check_names(pattern: Path | None, card: Path | None) -> None:
    for option, path, endings in (("--pattern", pattern, (".svg", ".pdf")), ("--card", card, (".pdf", ".svg", ".png"))):
        if path is not None and path.suffix.lower() not in endings:
            raise InputError(f"{option} {path}: expected a name that ends in {' or '.join(endings)}")


def _write_pattern(made: Making, path: Path, units: Units) -> None:
    from dashboard.pattern_drawing import write_pattern

    if made.choice.drape is None:
        raise InputError("--pattern: this mold cannot be draped with that sheet, so there is no pattern; leave it out")
    write_pattern(made.choice.drape.blank, path, made.mold.name, units)
