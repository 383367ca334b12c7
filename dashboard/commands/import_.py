"""`pullcue import`: heat files into the store, each kept byte for byte; and what `pullcue export --all` wrote."""

from __future__ import annotations

import json
from collections.abc import Iterable
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from dashboard.commands.records_options import bar, opened, place_of, store_options
from thermal.fields import InputError

if TYPE_CHECKING:
    from logger.records import HeatRecord
    from logger.store import Store

#: A heat file is a few megabytes; what is larger than this is another kind of file.
_LARGEST_BYTES = 200_000_000


@dataclass(frozen=True)
class _Kept:
    """What became of one file. `number`: of its heat, None where it was refused. `new`: it was not there before."""

    file: str
    number: int | None
    new: bool
    words: str


@click.command("import")
@click.argument("files", metavar="FILE...", nargs=-1, required=True, type=click.Path(path_type=Path))
@store_options
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object.")
def import_(files: tuple[Path, ...], as_json: bool, shop: Path | None, store: str | None, practice: bool) -> int:
    """Bring heat files into the records; of a folder, all its .csv files; a folder of 'pullcue export --all' whole.

    The files are not altered, and each is kept as it is. A file that is there already is not kept twice. Ends with 1
    where a file was refused; the others are kept all the same. An export is taken whole, with its samples, marks and
    corrections, or not at all; where its tables were altered since, that is said.
    """
    from dashboard.table_files import is_export

    place = place_of(shop, store, practice)
    exports = [path for path in files if is_export(path)]
    wanted = _expanded(path for path in files if path not in exports)
    with opened(place, make=True, whole=True) as kept:
        taken = [_export(kept, path) for path in exports]
        results = _all(kept, wanted)
    refused = [one for one in results if one.number is None]
    if as_json:
        content = {"store": place.words, "files": [asdict(one) for one in results], "exports": taken}
        click.echo(json.dumps(content, ensure_ascii=False, indent=1))
        return 1 if refused else 0
    for told in taken:
        click.echo(told["words"])
    for one in results:
        click.echo(one.words, err=one.number is None)
    new = sum(one.new for one in results)
    if len(results) > 1:
        there = len(results) - new - len(refused)
        click.echo(f"{new} kept, {there} were there already, {len(refused)} refused.")
    return 1 if refused else 0


def _expanded(files: Iterable[Path]) -> list[Path]:
    """The files, those of folders in order of name."""
    found: list[Path] = []
    for path in files:
        if path.is_dir():
            inside = sorted(one for one in path.iterdir() if one.suffix.lower() == ".csv")
            if not inside:
                raise InputError(
                    f"{path}: there is no .csv file in this folder: expected heat files; name their folder"
                )
            found += inside
        else:
            found.append(path)
    return found


def _export(store: Store, folder: Path) -> dict[str, Any]:
    """Take a whole-store export in; what became of it."""
    from dashboard.table_files import read_tables
    from dashboard.table_import import take_in

    taken = take_in(read_tables(folder), store, bar)
    new = {was: number for was, (number, is_new) in taken.numbers.items() if is_new}
    words = f"{folder}: {len(new)} heats kept, {len(taken.numbers) - len(new)} were there already"
    moved = {was: number for was, number in new.items() if was != number}
    if moved:
        few = [f"{was} is now {number}" for was, number in list(moved.items())[:5]]
        words += f"; {len(moved)} have another number here: {', '.join(few)}{' ...' if len(moved) > 5 else ''}"
    words += "; the chain of records is the same." if taken.same_chain else "; they stand in this store's own chain."
    numbers = [{"was": was, "number": number, "new": is_new} for was, (number, is_new) in taken.numbers.items()]
    return {"folder": str(folder), "heats": numbers, "same_chain": taken.same_chain, "words": words}


def _all(store: Store, files: list[Path]) -> list[_Kept]:
    with bar(files, "Importing") as each:
        return [_one(store, path) for path in each]


def _one(store: Store, path: Path) -> _Kept:
    from logger.heatfile import file_content

    try:
        if path.is_file() and path.stat().st_size > _LARGEST_BYTES:
            raise InputError(f"{path}: it is larger than {_LARGEST_BYTES // 10**6} MB: expected a heat file")
        number, new = keep(store, file_content(path, str(path)), path.name)
    except InputError as error:
        return _Kept(str(path), None, False, str(error))
    words = f"kept as heat {number}" if new else f"is there already as heat {number}"
    return _Kept(str(path), number, new, f"{path}: {words}")


def keep(store: Store, content: bytes, name: str) -> tuple[int, bool]:
    """Keep a heat file's content as a heat; its number, and whether it is new. A cut-off import is completed.

    Raises:
        InputError: it is no heat file.
    """
    from importlib.metadata import version

    from logger.clock import SystemClock
    from logger.heat_export import imported, ms_of

    at = SystemClock().utc()
    one = imported(content, name, at, f"pullcue {version('pullcue')}")
    there = _found(store, one.record.id)
    if there is not None and there.state != "open":
        return there.number, False
    store.begin_run(one.run)
    store.add(one.blocks, one.marks)
    store.begin_heat(one.record)
    if not store.attachments(one.record.id):
        store.attach(one.record.id, one.file.name, content, one.file.media_type, one.file.id)
    finished = store.finish_heat(one.record.id, one.end_s, one.how, one.outcome, one.outcome_kind)
    store.end_run(one.run.id, "ended", ms_of(at))
    return finished.number, True


def _found(store: Store, heat_id: str) -> HeatRecord | None:
    from logger.records import StoreBroken

    try:
        return store.heat(heat_id, as_recorded=True)
    except StoreBroken:
        raise
    except InputError:
        return None
