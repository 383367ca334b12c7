"""`pullcue backup`: the whole store copied, while it is being written; and put back."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import click

from dashboard.commands.records_options import json_option, opened, place_of, store_options, verifying
from dashboard.store_place import SQLITE, StorePlace
from thermal.fields import InputError

_NAME = "pullcue-{:%Y%m%d-%H%M%SZ}.sqlite"


@click.command("backup")
@click.argument("folder", metavar="DIR", type=click.Path(path_type=Path))
@click.option("--restore", is_flag=True, help="Put the newest backup in DIR (or the one named) in the store's place.")
@click.option("--damaged", is_flag=True, help="With --restore: though not all of it is whole, as what was saved.")
@click.option("--salvage", is_flag=True, help="Of a damaged store: what can be read goes into a new file in DIR.")
@store_options
@json_option
def backup(
    folder: Path, restore: bool, damaged: bool, salvage: bool, as_json: bool, shop: Path | None, store: str | None,
    practice: bool,
) -> int:  # fmt: skip
    """Copy the whole store into DIR, whole even while heats are recorded, and check the copy.

    With --restore the other way: the store that was there is set aside beside it under another name, not deleted.

    With --salvage a damaged store is only read; what was lost is said, and stands in a text file beside what was saved.
    Ends with 1 where something was lost.
    """
    if restore and salvage:
        raise InputError("backup: expected either --restore or --salvage; save first, then put back what was saved")
    if damaged and not restore:
        raise InputError("--damaged: expected with --restore only")
    place = place_of(shop, store, practice)
    if salvage:
        from dashboard.commands.backup_salvage import save

        content = save(place, folder)
    elif restore:
        from dashboard.commands.backup_restore import put_back

        content = put_back(folder, place, damaged)
    else:
        content = make(place, folder)
    click.echo(json.dumps(content, ensure_ascii=False, indent=1) if as_json else content["words"])
    return 1 if content.get("lost") or content.get("problems") else 0


def make(place: StorePlace, folder: Path) -> dict[str, Any]:
    """Copy the store.

    Raises:
        InputError: it cannot be copied, or the copy is not whole.
    """
    from logger.clock import SystemClock
    from logger.heat_export import ms_of

    at = SystemClock().utc()
    path = free_name(made_folder(folder), _NAME.format(at))
    with opened(place) as kept:
        kept.backup(path, ms_of(at))
    count, problems = checked(path)
    if problems:
        raise InputError(f"{path}: the copy was made, but {problems[0]}: keep older backups, and run 'pullcue check'")
    size = path.stat().st_size
    words = f"{path}: {count} heats, {size / 1e6:.1f} MB, checked. Keep it on another disk than the store's."
    return {"backup": str(path), "heats": count, "bytes": size, "store": place.words, "words": words}


def made_folder(folder: Path) -> Path:
    """A folder for copies, made where there is none.

    Raises:
        InputError: it cannot be made.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise InputError(
            f"{folder}: the folder cannot be made ({error.strerror or error}): name one that can be written to"
        ) from None
    return folder.absolute()


def checked(path: Path) -> tuple[int, list[str]]:
    """How many heats a copy holds, and what is wrong with it."""
    from logger.store import open_store

    copy = open_store(f"{SQLITE}{path.absolute()}")
    try:
        with verifying() as progress:
            return copy.count(), copy.verify(progress)
    finally:
        copy.close()


def free_name(folder: Path, name: str) -> Path:
    """A name that no file has yet."""
    path, number = folder / name, 1
    while path.exists():
        number += 1
        path = folder / f"{Path(name).stem}-{number}.sqlite"
    return path
