"""`pullcue plan`: when a sheet in an oven will be ready to pull, how sure that is, and what to do about it."""

from __future__ import annotations

import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from dashboard.commands.plan_inputs import Asked, question
from dashboard.plan_question import Question
from dashboard.shop import open_shop
from dashboard.units import Units
from thermal.fields import InputError
from thermal.plan import Plan
from thermal.plan import plan as plan_heat

if TYPE_CHECKING:
    from thermal.measured import Recorded

_EXAMPLES = """\b
Examples:
pullcue plan --polymer pp-homopolymer --gauge-mm 6 --oven north
pullcue plan --polymer pp-homopolymer --gauge 1/4in --oven north --set 365F --units us
pullcue plan --measured heat.csv
"""
_FILE = click.Path(path_type=Path, dir_okay=False)


@click.command("plan", epilog=_EXAMPLES)
@click.option("--polymer", metavar="ID", help="Polymer of the sheet; 'pullcue polymers' lists them.")
@click.option("--polymer-file", type=_FILE, help="Polymer file of your own instead.")
@click.option("--gauge-mm", type=float, metavar="G", help="Thickness of the sheet, mm.")
@click.option("--gauge", metavar="LENGTH", help="The same with its unit: 5mm, 3/16in.")
@click.option("--oven", metavar="ID", help="Oven of the shop.")
@click.option("--oven-card", type=_FILE, help="Oven card of your own instead.")
@click.option("--set-c", type=float, metavar="T", help="Set temperature, °C; wins over the card's.")
@click.option("--set", "set_with_unit", metavar="TEMPERATURE", help="The same with its unit: 185C, 365F.")
@click.option("--start-c", type=float, metavar="T", help="Sheet when it goes in, °C.  [default: 22]")
@click.option("--support", type=click.Choice(["frame", "tray"]), help="What holds the sheet.  [default: frame]")
@click.option("--opening-mm", metavar="D[xE]", help="Free area inside the frame: diameter, or two sides, mm.")
@click.option("--drop-mm", type=float, metavar="W", help="Wanted drop of the bubble, mm; becomes part of the window.")
@click.option("--clearance-mm", type=float, metavar="C", help="Largest drop there is room for, mm.")
@click.option("--colour", type=click.Choice(["natural", "pigmented"]), help="Counts in infrared ovens.")
@click.option("--room-c", type=float, metavar="T", help="Room for the carry, °C.  [default: the shop's]")
@click.option("--measured", type=_FILE, metavar="HEAT.csv", help="Recorded heat: its air drives the model.")
@click.option("--units", type=click.Choice(["metric", "us"]), help="°C and mm, or °F and in.  [default: the shop's]")
@click.option("--shop", type=click.Path(path_type=Path, file_okay=False), metavar="DIR", help="Folder of the shop.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object, units in the keys.")
@click.option("--plot", "plot_file", type=_FILE, metavar="FILE.html|.png|.svg", help="Write the plot to a file.")
def plan(units: str | None, shop: Path | None, as_json: bool, plot_file: Path | None, **options: Any) -> None:
    """Tell when a sheet in an oven is ready to pull, until when, and how sure that is.

    Give a polymer, a gauge and an oven; with --measured what the heat file states need not be repeated.
    """
    if plot_file is not None:
        from dashboard.commands.plan_plot import check_name

        check_name(plot_file)
    workshop = open_shop(shop)
    shown_in = Units("us" if (units or workshop.units) == "us" else "metric")
    asked = question(Asked(**options), workshop, datetime.date.today(), shown_in)
    result, recorded = _computed(asked)
    if plot_file is not None:
        from dashboard.commands.plan_plot import to_file

        to_file(result, shown_in, plot_file, recorded, asked.notes)
    if as_json:
        from dashboard.commands.plan_json import dumps, plan_json

        click.echo(dumps(plan_json(result, recorded, asked.notes, shown_in, asked.room_c)))
        return
    from dashboard.commands.plan_text import plan_text

    source = (
        f"Oven of the {workshop.name}, an invented example." if workshop.is_demo and not options["oven_card"] else ""
    )
    click.echo(plan_text(result, shown_in, recorded, asked.notes, source))
    if plot_file is not None:
        click.echo(f"\nPlot written to {plot_file}")


def _computed(asked: Question) -> tuple[Plan, Recorded | None]:
    """The plan, and where a heat was recorded what it says beside the model."""
    try:
        result = plan_heat(asked.case, asked.drop_m, asked.clearance_m, asked.room_c)
        if asked.heat is None:
            return result, None
        from thermal.measured import beside

        return result, beside(asked.case, asked.heat)
    except ArithmeticError as error:
        raise InputError(f"this sheet in this oven cannot be computed: {error}; correct the oven card") from error
