"""`pullcue backup --restore`: a backup put in the store's place; what was there keeps another name beside it."""

from __future__ import annotations

import re
from collections.abc import Iterator
from contextlib import ExitStack, closing, contextmanager
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from dashboard.commands.backup import checked, free_name
from dashboard.commands.records_options import opened
from dashboard.store_place import SQLITE, StorePlace
from logger.disk import sync_folder
from thermal.fields import InputError

_PATTERN = "pullcue-*.sqlite"
_MADE = re.compile(r"pullcue-(\d{8}-\d{6})Z")
#: A store is these files while it was not closed; the last is the store itself.
_ENDS = ("-wal", "-shm", "")


def put_back(source: Path, place: StorePlace, damaged: bool = False) -> dict[str, Any]:
    """Put a backup in the store's place; what was there is set aside. A whole backup counts as the store's last one.

    Args:
        damaged: also one that is not whole, which goes on being told by `pullcue check`.

    Raises:
        InputError: there is no backup that is whole, or a bench is recording.
    """
    newest = _newest(source)
    count, problems = _checked_copy(newest)
    if problems and not damaged:
        raise InputError(
            f"{newest}: {problems[0]}: nothing was changed; name an older backup, or put this one back with --damaged"
        )
    place.make()
    with _no_recorder(place):
        aside = _exchanged(place, newest, whole=not problems)
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
    """As `checked`, of a copy: opening a store may bring it to a newer form, and a backup is not to change."""
    from shutil import copyfile
    from tempfile import TemporaryDirectory

    with TemporaryDirectory(prefix="pullcue-") as folder:
        copy = Path(folder) / "copy.sqlite"
        copyfile(backup, copy)
        return checked(copy)


def _exchanged(place: StorePlace, backup: Path, whole: bool) -> Path | None:
    """Put the backup there; the name that the store has now that was there, None where there was none.

    A file is made ready under another name first: whatever goes wrong meanwhile, the store that is there stays there.
    """
    from logger.clock import SystemClock
    from logger.store import restore

    if place.file is None:
        restore(backup, place.url)
        if whole:
            _remember(place, backup)
        return None
    ready = free_name(place.file.parent, f".{place.file.stem}-restoring.sqlite")
    try:
        restore(backup, f"{SQLITE}{ready}")
        if whole:
            _remember(replace(place, url=f"{SQLITE}{ready}"), backup)
        aside = None
        if place.file.exists():
            at = SystemClock().utc()
            aside = free_name(place.file.parent, f"{place.file.stem}-before-{at:%Y%m%d-%H%M%SZ}.sqlite")
            _rename(place.file, aside)
        _rename(ready, place.file)
    finally:
        for end in _ENDS:
            ready.with_name(ready.name + end).unlink(missing_ok=True)
    sync_folder(place.file.parent)
    return aside


def _rename(store: Path, to: Path) -> None:
    """Give a store another name, its log before itself."""
    for end in _ENDS:
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


@contextmanager
def _no_recorder(place: StorePlace) -> Iterator[None]:
    """Keeps recorders away: a store must not be exchanged below one that writes it, and would go on in the old file.

    Raises:
        InputError: one runs, or nobody can say.
    """
    from logger.filelock import FileLock

    _refuse_while_recording(place)
    words = "the bench is recorded now: end its recorder with Ctrl-C, then restore"
    with ExitStack() as held:
        for lock in place.spool.glob("*/lock"):
            held.enter_context(closing(FileLock(lock, words)))
        yield


def _refuse_while_recording(place: StorePlace) -> None:
    from logger.clock import SystemClock
    from logger.heat_export import ms_of
    from logger.records import StoreDown

    if place.file is not None and not place.file.exists():
        return
    try:
        with opened(place) as kept:
            living = kept.recorders(ms_of(SystemClock().utc()))
    except InputError as error:
        if isinstance(error.__cause__, StoreDown):
            raise  # locked, by a recorder perhaps
        return  # a damaged store is what a backup is for
    if living:
        one = living[0]
        raise InputError(
            f"bench {one.bench} is recorded into this store now, by process {one.pid} on {one.host}: end it there with "
            "Ctrl-C, then restore"
        )
