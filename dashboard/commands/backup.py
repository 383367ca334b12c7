"""`pullcue backup`: the whole store copied, while it is being written; and put back."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from dashboard.commands.records_options import opened, place_of, store_options
from dashboard.store_place import SQLITE, StorePlace
from thermal.fields import InputError

if TYPE_CHECKING:
    from logger.clock import Clock

_NAME = "pullcue-{:%Y%m%d-%H%M%SZ}.sqlite"
_PATTERN = "pullcue-*.sqlite"


@click.command("backup")
@click.argument("folder", metavar="DIR", type=click.Path(path_type=Path))
@click.option("--restore", is_flag=True, help="Put the newest backup in DIR (or the one named) in the store's place.")
@store_options
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object.")
def backup(folder: Path, restore: bool, as_json: bool, shop: Path | None, store: str | None, practice: bool) -> None:
    """Copy the whole store into DIR, whole even while heats are recorded, and check the copy.

    With --restore the other way: the store that was there is set aside beside it under another name, not deleted.
    """
    place = place_of(shop, store, practice)
    content = put_back(folder, place) if restore else make(place, folder)
    click.echo(json.dumps(content, ensure_ascii=False, indent=1) if as_json else content["words"])


def make(place: StorePlace, folder: Path) -> dict[str, Any]:
    """Copy the store.

    Raises:
        InputError: it cannot be copied, or the copy is not whole.
    """
    from logger.clock import SystemClock
    from logger.heat_export import ms_of

    at = SystemClock().utc()
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise InputError(
            f"{folder}: the folder cannot be made ({error.strerror or error}): name one that can be written to"
        ) from None
    path = _free(folder.absolute(), _NAME.format(at))
    with opened(place) as kept:
        kept.backup(path, ms_of(at))
    count, problems = _checked(path)
    if problems:
        raise InputError(f"{path}: the copy was made, but {problems[0]}: keep older backups, and run 'pullcue check'")
    size = path.stat().st_size
    words = f"{path}: {count} heats, {size / 1e6:.1f} MB, checked. Keep it on another disk than the store's."
    return {"backup": str(path), "heats": count, "bytes": size, "store": place.words, "words": words}


def _checked(path: Path) -> tuple[int, list[str]]:
    """How many heats a copy holds, and what is wrong with it."""
    from logger.store import open_store

    copy = open_store(f"{SQLITE}{path.absolute()}")
    try:
        return copy.count(), copy.verify()
    finally:
        copy.close()


def _free(folder: Path, name: str) -> Path:
    """A name that no file has yet."""
    path, number = folder / name, 1
    while path.exists():
        number += 1
        path = folder / f"{Path(name).stem}-{number}.sqlite"
    return path


def put_back(source: Path, place: StorePlace) -> dict[str, Any]:
    """Put a backup in the store's place; what was there is set aside.

    Raises:
        InputError: there is no backup that is whole, or a bench is recording.
    """
    from logger.clock import SystemClock
    from logger.store import restore

    newest = _newest(source)
    count, problems = _checked_copy(newest)
    if problems:
        raise InputError(f"{newest}: {problems[0]}: nothing was changed; name an older backup")
    _refuse_while_recording(place)
    place.make()
    aside = _set_aside(place.file, SystemClock()) if place.file is not None else None
    try:
        restore(newest, place.url)
    except BaseException:
        if aside is not None and place.file is not None:
            _rename(aside, place.file)
        raise
    target = place.words
    words = f"{target}: {count} heats from {newest}." + (f" What was there is {aside.name} beside it." if aside else "")
    return {
        "store": place.words,
        "from": str(newest),
        "heats": count,
        "set_aside": aside and str(aside),
        "words": words,
    }


def _checked_copy(backup: Path) -> tuple[int, list[str]]:
    """As `_checked`, of a copy: opening a store may bring it to a newer form, and a backup is not to change."""
    from shutil import copyfile
    from tempfile import TemporaryDirectory

    with TemporaryDirectory(prefix="pullcue-") as folder:
        copy = Path(folder) / "copy.sqlite"
        copyfile(backup, copy)
        return _checked(copy)


def _set_aside(target: Path, clock: Clock) -> Path | None:
    """Give a store another name beside it; None where there was none."""
    if not target.exists():
        return None
    aside = _free(target.parent, f"{target.stem}-before-{clock.utc():%Y%m%d-%H%M%SZ}.sqlite")
    _rename(target, aside)
    return aside


def _rename(store: Path, to: Path) -> None:
    """A store is three files while it was not closed."""
    for end in ("-wal", "-shm", ""):
        part = store.with_name(store.name + end)
        if part.exists():
            part.replace(to.with_name(to.name + end))


def _newest(source: Path) -> Path:
    if source.is_file():
        if not source.stat().st_size:
            raise InputError(f"{source}: the file is empty: nothing was changed; name an older backup")
        return source
    # Names hold the time of the backup, so the last one is the newest.
    found = sorted(source.glob(_PATTERN)) if source.is_dir() else []
    if not found:
        raise InputError(f"{source}: there is no backup here: expected a file or a folder with {_PATTERN}")
    return found[-1]


def _refuse_while_recording(place: StorePlace) -> None:
    """A store must not be exchanged below a recorder that writes it."""
    from logger.clock import SystemClock
    from logger.heat_export import ms_of
    from logger.records import BenchHeld, new_id

    if place.file is not None and not place.file.exists():
        return
    try:
        with opened(place) as kept:
            now_ms = ms_of(SystemClock().utc())
            for holder in kept.holders():
                token = new_id()
                kept.hold(holder.bench, token, now_ms)  # refused by a recorder that lives
                kept.release(holder.bench, token)
    except BenchHeld as error:
        raise InputError(f"{error}: end it there with Ctrl-C, then restore") from None
    except InputError:
        return  # a damaged store is what a backup is for
