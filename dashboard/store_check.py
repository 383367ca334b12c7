"""Can the records be trusted, and is there room for more? Disk, store, chain, spool, backup and clock, as findings."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from datetime import datetime, timedelta
from importlib.metadata import packages_distributions
from pathlib import Path
from shutil import disk_usage
from typing import TYPE_CHECKING

from dashboard.bench_check import Finding, Grade
from dashboard.store_place import StorePlace, backup_words
from logger.heat_export import utc_of
from logger.records import HeatFilter, StoreDown
from thermal.fields import InputError

if TYPE_CHECKING:
    from logger.store import Store

#: A year of one bench with 8 channels at 5 Hz needs some 5 GB unthinned; below this the disk is called nearly full.
NEEDED_BYTES = 2_000_000_000
#: A store whose newest entry lies this far ahead of the clock was written under another one.
_AHEAD = timedelta(minutes=2)
_PACKAGES = ("thermal", "logger", "dashboard")


def _finding(about: str, fine: bool, found: str, do: str = "") -> Finding:
    """What was looked at, graded by whether it is fine."""
    return Finding(about, Grade.FINE if fine else Grade.WRONG, found, do)


def record_findings(place: StorePlace, now: datetime) -> list[Finding]:
    """All findings on a shop's records; a store that nobody has made yet is fine."""
    found = [strangers(packages_distributions()), _disk(place)]
    if place.file is not None and not place.file.exists():
        return [*found, _finding("store", True, f"{place.words}: nothing is recorded here yet")]
    from logger.store import open_store

    try:
        store = open_store(place.url)
    except StoreDown as error:
        return [*found, _finding("store", False, str(error), "what is recorded meanwhile waits in the spool; start the "
                                "store's server, or end the program that keeps it locked"), *_spool(place)]  # fmt: skip
    except InputError as error:
        return [*found, _finding("store", False, str(error), "put a backup back: pullcue backup --restore DIR"),
                *_spool(place)]  # fmt: skip
    try:
        found += _store(store, place, now)
    except StoreDown as error:
        found.append(_finding("store", False, str(error), "run this again when the store is free"))
    except InputError as error:
        found.append(_finding("store", False, str(error), "put a backup back: pullcue backup --restore DIR"))
    finally:
        store.close()
    return [*found, *_spool(place)]


def _store(store: Store, place: StorePlace, now: datetime) -> list[Finding]:
    count, problems = store.count(HeatFilter(limit=None)), store.verify()
    found = [_finding("store", True, f"{place.words}: {count} heats")]
    if problems:
        found += [
            _finding("chain of records", False, problem, "compare with a backup: pullcue backup --restore DIR --store "
                    "sqlite:///ANOTHER-FILE") for problem in problems
        ]  # fmt: skip
    else:
        found.append(
            _finding("chain of records", True, f"whole; its newest link is {store.newest_hash()[:16] or 'none yet'}")
        )
    fresh, words = backup_words(store.last_backup(), now)
    needed = count > 0 and not place.practice
    found.append(
        _finding("backup", fresh or not needed, words, "" if fresh or not needed else "make one: pullcue backup DIR")
    )
    if not place.practice:  # practice runs ahead of the time of day when it is sped up
        found.append(_clock(store, now))
    stale = [heat.number for heat in store.open_heats()]
    if stale and not store.open_runs():
        numbers = ", ".join(map(str, stale))
        found.append(
            _finding("open heats", False, f"heat {numbers} has no end and no recorder runs", "start the bench again")
        )
    return found


def _clock(store: Store, now: datetime) -> Finding:
    newest = store.heats(HeatFilter(limit=1, order="newest"))
    latest_ms = [heat.start_utc_ms for heat in newest] + [run.started_utc_ms for run in store.runs()[-1:]]
    if latest_ms and utc_of(max(latest_ms)) > now + _AHEAD:
        return _finding(
            "clock and records",
            False,
            f"the newest record is of {utc_of(max(latest_ms)):%Y-%m-%d %H:%M} UTC, the computer says "
            f"{now:%Y-%m-%d %H:%M}",
            "set date and time; if these are right, the records were written under a wrong clock",
        )
    return _finding("clock and records", True, "the computer's clock is later than all records")


def _disk(place: StorePlace) -> Finding:
    folder = place.file.parent if place.file is not None else place.folder
    there = next((one for one in (folder, *folder.parents) if one.exists()), Path())
    try:
        free = disk_usage(there).free
    except OSError as error:
        return _finding("disk", False, f"{there}: {error.strerror or error}", "give the folder rights")
    words = f"{free / 1e9:.1f} GB free at {there}"
    enough = free >= NEEDED_BYTES
    return _finding("disk", enough, words, "" if enough else f"free some: {NEEDED_BYTES / 1e9:g} GB are wanted")


def _spool(place: StorePlace) -> list[Finding]:
    """What waits for the store; read without disturbing a recorder that runs."""
    waiting = [path for path in place.spool.rglob("*.spool") if path.is_file()] if place.spool.is_dir() else []
    damaged = list(place.spool.rglob("*.damaged")) if place.spool.is_dir() else []
    size = sum(path.stat().st_size for path in waiting if path.exists())
    found = []
    if size:
        words = f"{size / 1e6:.1f} MB wait in {place.spool} for the store"
        found.append(_finding("spool", True, f"{words}: the bench's recorder stores them when it can"))
    else:
        found.append(_finding("spool", True, "nothing waits for the store"))
    if damaged:
        found.append(
            _finding("spool", False, f"{damaged[0]} could not be read in full", "keep the file; a disk may be failing")
        )
    return found


def strangers(owners: Mapping[str, list[str]], ours: Iterable[str] = _PACKAGES) -> Finding:
    """Whether another installed distribution brings files under one of our names.

    Args:
        owners: by package, the distributions that bring it (`importlib.metadata.packages_distributions`).
    """
    for name in ours:
        foreign = [one for one in owners.get(name, []) if one.lower() != "pullcue"]
        if foreign:
            return _finding("program", False, f"{foreign[0]} brings a package {name} too, which is a name of Pullcue's",
                           "install Pullcue into an environment of its own")  # fmt: skip
    return _finding("program", True, "no other installed package uses its names")
