"""`pullcue polymers`: list the sheet polymers, or show one with the sources of its values."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import click
from rich.console import Console, RenderableType
from rich.table import Table as Grid
from rich.text import Text

from dashboard.commands.polymer_json import polymer_json, summary_json
from dashboard.commands.polymer_text import Item, items
from dashboard.shop import Shop, open_shop
from dashboard.tomlfile import read_toml
from thermal.polymer import Polymer
from thermal.polymer_data import polymer_from_mapping


@click.command("polymers")
@click.argument("polymer_id", metavar="[ID]", required=False)
@click.option(
    "--polymer-file",
    type=click.Path(path_type=Path, dir_okay=False),
    help="Show a polymer file of your own instead.",
)
@click.option(
    "--plot",
    "plot_file",
    type=click.Path(path_type=Path, dir_okay=False),
    metavar="FILE.html|.png|.svg",
    help="Write heat capacity, conductivity and viscosity against temperature to a file.",
)
@click.option(
    "--shop",
    "shop_folder",
    type=click.Path(path_type=Path, file_okay=False),
    metavar="DIR",
    help="Folder of the shop, whose own polymers are added.",
)
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object, units in the keys.")
def polymers(
    polymer_id: str | None,
    polymer_file: Path | None,
    plot_file: Path | None,
    shop_folder: Path | None,
    as_json: bool,
) -> None:
    """List the sheet polymers, or show one with its sources.

    These are the polymers that ship with the tool and the shop's own, which win where both have the same ID.
    Without ID all are listed with the temperatures a technician needs; with ID every value is shown with
    unit, relative standard uncertainty, how it came about and source.
    """
    if polymer_id is not None and polymer_file is not None:
        raise click.UsageError(f"give either the ID {polymer_id!r} or --polymer-file, not both")
    if polymer_id is None and polymer_file is None:
        if plot_file is not None:
            raise click.UsageError("--plot needs the ID of a polymer or --polymer-file")
        _list(open_shop(shop_folder), as_json)
        return
    if polymer_file is not None:
        polymer = polymer_from_mapping(read_toml(polymer_file), polymer_file.name)
        note = f"Polymer {polymer.id} is read from {polymer_file.name}"
    else:
        shop = open_shop(shop_folder)
        polymer = shop.polymer(polymer_id or "")
        note = shop.polymer_note(polymer.id)
    if plot_file is not None:
        from dashboard.commands.polymer_plot import to_file

        to_file(polymer, plot_file)
    if as_json:
        _echo_json({**polymer_json(polymer), "own": bool(note)})
    else:
        _show(polymer, note)
        if plot_file is not None:
            click.echo(f"\nPlot written to {plot_file}")


def _echo_json(content: dict[str, Any]) -> None:
    click.echo(json.dumps(content, ensure_ascii=False, indent=1, allow_nan=False))


# ---------------------------------------------------------------- the list


def _list(shop: Shop, as_json: bool) -> None:
    known = [shop.polymer(polymer_id) for polymer_id in shop.polymer_ids()]
    own = shop.own_polymer_ids()
    if as_json:
        _echo_json({"polymers": [{**summary_json(polymer), "own": polymer.id in own} for polymer in known]})
        return
    grid = Grid(box=None, padding=(0, 1), pad_edge=False)
    for heading in ("id", "polymer", "core °C", "face at\nmost °C", "softens °C", "drying"):
        grid.add_column(heading, no_wrap=heading not in ("polymer", "face at\nmost °C"))
    for polymer in known:
        forming = polymer.forming
        grid.add_row(
            polymer.id,
            polymer.name,
            f"{forming.core_min_c:g} to {forming.core_max_c:g}",
            f"{forming.face_max_c:g}",
            _softens(polymer),
            _drying_word(polymer),
        )
    _console().print(grid)
    click.echo("\ncore, face: sheet temperatures while forming. One with its sources: pullcue polymers ID")
    for polymer_id in own:
        click.echo(shop.polymer_note(polymer_id))


def _softens(polymer: Polymer) -> str:
    main = polymer.main_melting
    if main:
        return f"melts {main.peak_c:g}"
    return f"glass {polymer.viscosity.solid_below_c:g}" if polymer.viscosity else "not stated"


def _drying_word(polymer: Polymer) -> str:
    if polymer.drying is None:
        return "no"
    return "needed" if polymer.drying.needed else "if damp"


# ---------------------------------------------------------------- one polymer


def _show(polymer: Polymer, origin: str) -> None:
    from dashboard.commands.polymer_plot import in_characters

    console = _console()
    console.print(Text(f"{polymer.name}  ({polymer.id}, data version {polymer.version})", style="bold"))
    if polymer.note:
        console.print(Text(polymer.note))
    if origin:
        console.print(Text(origin))
    grid = Grid(box=None, show_header=False, padding=(0, 2, 0, 0), pad_edge=False)
    grid.add_column(no_wrap=True)
    grid.add_column()
    for item in items(polymer):
        grid.add_row("", "")
        grid.add_row(item.heading, _item_text(item))
    console.print(grid)
    console.print()
    console.print(Text("±: one standard deviation. Of several numbers in a section the weakest is marked."))
    console.print()
    click.echo(in_characters(polymer, width=max(30, min(console.width, 72))))


def _item_text(item: Item) -> RenderableType:
    text = Text("\n".join(item.lines))
    if item.provenance is None:
        return text
    text.append(f"\n{item.uncertainty}, {item.provenance.basis}")
    if item.provenance.source != item.provenance.basis:
        text.append(f"\nsource: {item.provenance.source}", style="dim")
    return text


def _console() -> Console:
    return Console(highlight=False)
