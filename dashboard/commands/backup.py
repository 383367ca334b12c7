"""`pullcue backup`: the whole store copied, while it is being written; and put back."""

from __future__ import annotations

import json
import re
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from dashboard.commands.records_options import json_option, opened, place_of, store_options, verifying
from dashboard.store_place import SQLITE, StorePlace
from thermal.fields import InputError

if TYPE_CHECKING:
    from logger.clock import Clock

_NAME = "pullcue-{:%Y%m%d-%H%M%SZ}.sqlite"
_PATTERN = "pullcue-*.sqlite"
_MADE = re.compile(r"pullcue-(\d{8}-\d{6})Z")


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
    else:
        content = put_back(folder, place, damaged) if restore else make(place, folder)
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
    count, problems = _checked(path)
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


def _checked(path: Path) -> tuple[int, list[str]]:
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


def put_back(source: Path, place: StorePlace, damaged: bool = False) -> dict[str, Any]:
    """Put a backup in the store's place; what was there is set aside. A whole backup counts as the store's last one.

    Args:
        damaged: also one that is not whole, which goes on being told by `pullcue check`.

    Raises:
        InputError: there is no backup that is whole, or a bench is recording.
    """
    from logger.clock import SystemClock
    from logger.store import restore

    newest = _newest(source)
    count, problems = _checked_copy(newest)
    if problems and not damaged:
        raise InputError(
            f"{newest}: {problems[0]}: nothing was changed; name an older backup, or put this one back with --damaged"
        )
    _refuse_while_recording(place)
    place.make()
    aside = _set_aside(place.file, SystemClock()) if place.file is not None else None
    try:
        restore(newest, place.url)
        if not problems:
            _remember(place, newest)
    except BaseException:
        if aside is not None and place.file is not None:
            _rename(aside, place.file)
        raise
    target = place.words
    words = f"{target}: {count} heats from {newest}." + (f" What was there is {aside.name} beside it." if aside else "")
    if problems:
        words += f" It is not whole: {problems[0]}" + (f", and {len(problems) - 1} more" if problems[1:] else "")
    return {
        "store": place.words,
        "from": str(newest),
        "heats": count,
        "set_aside": aside and str(aside),
        "problems": problems,
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
    aside = free_name(target.parent, f"{target.stem}-before-{clock.utc():%Y%m%d-%H%M%SZ}.sqlite")
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


def _remember(place: StorePlace, backup: Path) -> None:
    """The store now holds what is in this backup, made when its name or its file says: that is the last one.

    What the backup itself remembers is older: it was copied before it was made.
    """
    from logger.heat_export import ms_of

    named = _MADE.match(backup.name)
    at = (
        datetime.strptime(named[1], "%Y%m%d-%H%M%S").replace(tzinfo=UTC)
        if named
        else datetime.fromtimestamp(backup.stat().st_mtime, UTC)
    )
    with opened(place) as kept:
        last = kept.last_backup()
        if last is None or last[0] < ms_of(at):
            kept.remember_backup(ms_of(at), backup.absolute())


def _refuse_while_recording(place: StorePlace) -> None:
    """A store must not be exchanged below a recorder that writes it."""
    from logger.clock import SystemClock
    from logger.heat_export import ms_of

    if place.file is not None and not place.file.exists():
        return
    try:
        with opened(place) as kept:
            living = kept.recorders(ms_of(SystemClock().utc()))
    except InputError:
        return  # a damaged store is what a backup is for
    if living:
        one = living[0]
        raise InputError(
            f"bench {one.bench} is recorded into this store now, by process {one.pid} on {one.host}: end it there with "
            "Ctrl-C, then restore"
        )
