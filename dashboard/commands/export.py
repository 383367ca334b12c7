"""`pullcue export`: a heat as a heat file or one of its tables, or the whole store, for spreadsheets and programs."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from dashboard.commands.records_options import bar, number_of, opened, place_of, store_options
from dashboard.heat_tables import TABLES
from thermal.fields import InputError

if TYPE_CHECKING:
    from dashboard.store_place import StorePlace


@click.command("export")
@click.argument("numbers", metavar="[NUMBER]...", nargs=-1)
@click.option("--all", "everything", is_flag=True, help="The whole store: its tables, and every sample.")
@click.option("--to", type=click.Path(path_type=Path), metavar="PLACE", help="File or folder for heat files; a new "
              "folder for --all.  [default: here]")  # fmt: skip
@click.option("--format", "form", type=click.Choice(["csv", "parquet", "both"]), default="both", show_default=True,
              help="Of the tables of --all.")  # fmt: skip
@click.option("--table", type=click.Choice(TABLES), help="Of one heat this table as CSV, into --to or printed.")
@click.option("--raw", is_flag=True, help="With what the sources sent before it was converted to °C.")
@store_options
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object.")
def export(
    numbers: tuple[str, ...], everything: bool, to: Path | None, form: str, table: str | None, raw: bool, as_json: bool,
    shop: Path | None, store: str | None, practice: bool,
) -> None:  # fmt: skip
    """Write heats as heat files, by their NUMBER in 'pullcue heats', or with --all the whole store as tables.

    --table writes one table of one heat: its entries, marks, corrections, walls of the part, or, where it was reviewed,
    the causes and the state at the pull.

    A heat file that was imported comes out as it went in, byte for byte, unless its heat was corrected since. No file
    is written over. In CSV a text that a spreadsheet would run as a formula gets an apostrophe, which 'pullcue import'
    takes off again; numbers stay as they are.
    """
    if everything == bool(numbers):
        raise InputError("export: expected either numbers of heats, as 'pullcue heats' lists them, or --all")
    if table is not None and (len(numbers) != 1 or raw or as_json):
        raise InputError("--table: expected the number of one heat beside it, and neither --raw nor --json")
    place = place_of(shop, store, practice)
    if table is not None:
        _table(place, number_of(numbers[0]), table, to, shop)
        return
    with opened(place, whole=everything) as kept:
        if everything:
            from dashboard.store_tables import write_tables

            wanted = ("csv", "parquet") if form == "both" else (form,)
            written = write_tables(kept, to or Path("pullcue-export"), wanted, bar)
        else:
            written = _heat_files(kept, numbers, to, raw)
    if as_json:
        click.echo(
            json.dumps({"store": place.words, "files": [str(one) for one in written]}, ensure_ascii=False, indent=1)
        )
        return
    if everything:
        click.echo(f"{written[0].parent}: {len(written)} files.")
    else:
        click.echo("\n".join(map(str, written)))


def _table(place: StorePlace, number: int, name: str, to: Path | None, shop: Path | None) -> None:
    """One table of a heat, printed, or into a new file."""
    from dashboard.csv_table import csv_of
    from dashboard.heat_tables import table_of
    from dashboard.shop import open_shop
    from dashboard.units import Units
    from logger.heatfile import write_new

    units = Units("us" if open_shop(shop).units == "us" else "metric")
    with opened(place) as kept:
        text = csv_of(*table_of(kept, number, name, units))
    if to is None:
        click.echo(text, nl=False)
        return
    path = to / f"heat-{number}-{name}.csv" if to.is_dir() else to
    write_new(text.encode(), path)
    click.echo(str(path))


def _heat_files(store: Any, numbers: tuple[str, ...], to: Path | None, raw: bool) -> list[Path]:
    from logger.heatfile import write_new

    wanted = list(dict.fromkeys(map(number_of, numbers)))
    folder = to if to is not None and (to.is_dir() or len(wanted) > 1) else None
    if folder is not None and not folder.is_dir():
        raise InputError(f"--to {folder}: expected a folder for {len(wanted)} heats; make it first")
    written = []
    with bar(wanted, "Writing") as each:
        for number in each:
            name, content = heat_file(store, number, raw)
            path = (folder or Path()) / name if folder is not None or to is None else to
            write_new(content, path)
            written.append(path)
    return written


def heat_file(store: Any, number: int, raw: bool = False) -> tuple[str, bytes]:
    """Name and content of a heat's file.

    Raises:
        InputError: there is no such heat, or nothing was measured during it.
    """
    from dashboard.stored import whole_of
    from logger.heat_export import file_name, for_spreadsheet, heat_of
    from logger.heatfile import heat_as_bytes

    stored = whole_of(store, store.heat(number))
    name = file_name(stored.current)
    if stored.file is not None and not stored.corrections:
        return name, stored.file.content
    return name, heat_as_bytes(for_spreadsheet(heat_of(stored, raw)), name)
