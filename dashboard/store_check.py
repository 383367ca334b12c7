"""Can the records be trusted, is there room for more? Program, disk, store, chain, spool, backup, clock: findings."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime, timedelta
from typing import TYPE_CHECKING

from dashboard.bench_check import Finding, Grade
from dashboard.disk_check import disk_finding
from dashboard.program_check import program_finding
from dashboard.store_place import EMPTY_FILE, StorePlace, backup_words
from logger.heat_export import ms_of, utc_of
from logger.marks import Mailbox
from logger.records import HeatFilter, StoreDown
from thermal.fields import InputError

if TYPE_CHECKING:
    from logger.store import Store

#: A store whose newest entry lies this far ahead of the clock was written under another one.
_AHEAD = timedelta(minutes=2)
_PUT_BACK = "put a backup back: pullcue backup DIR --restore; or save what can be read: pullcue backup DIR --salvage"


def _finding(about: str, fine: bool, found: str, do: str = "") -> Finding:
    """What was looked at, graded by whether it is fine."""
    return Finding(about, Grade.FINE if fine else Grade.WRONG, found, do)


def record_findings(
    place: StorePlace, now: datetime, progress: Callable[[int, int], None] | None = None
) -> list[Finding]:
    """All findings on a shop's records; a store that nobody has made yet is fine.

    Args:
        progress: called with links of the chain that are verified, and links in all.
    """
    return [program_finding(), *_disk_and_store(place, now, progress), *_spool(place), *_marks(place)]


def _disk_and_store(place: StorePlace, now: datetime, progress: Callable[[int, int], None] | None) -> list[Finding]:
    if place.file is not None and not place.file.exists():
        return [disk_finding(place, None), _finding("store", True, f"{place.words}: nothing is recorded here yet")]
    if place.is_empty_file:
        do = f"{_PUT_BACK}; where nothing was ever recorded here, delete the file"
        return [disk_finding(place, None), _finding("store", False, f"{place.words}: {EMPTY_FILE}", do)]
    from logger.store import open_store

    try:
        store = open_store(place.url)
    except StoreDown as error:
        do = "what is recorded meanwhile waits in the spool; start the store's server, or end the program that locks it"
        return [disk_finding(place, None), _finding("store", False, str(error), do)]
    except InputError as error:
        return [disk_finding(place, None), _finding("store", False, str(error), _PUT_BACK)]
    found: list[Finding] = []
    try:
        found.append(disk_finding(place, store))
        found += _store(store, place, now, progress)
    except StoreDown as error:
        found.append(_finding("store", False, str(error), "run this again when the store is free"))
    except InputError as error:
        found.append(_finding("store", False, str(error), _PUT_BACK))
    finally:
        store.close()
    return found


def _store(
    store: Store, place: StorePlace, now: datetime, progress: Callable[[int, int], None] | None
) -> list[Finding]:
    count, problems = store.count(HeatFilter(limit=None)), store.verify(progress)
    found = [_finding("store", True, f"{place.words}: {count} heat{'' if count == 1 else 's'}")]
    if problems:
        found += [
            _finding("chain of records", False, problem, "compare with a backup: pullcue backup DIR --restore --store "
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
    recorded = {one.bench for one in store.recorders(ms_of(now))}
    stale = [heat.number for heat in store.open_heats() if heat.bench not in recorded]
    if stale:
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


def _spool(place: StorePlace) -> list[Finding]:
    """What waits for the store; read without disturbing a recorder that runs."""
    waiting = [path for path in place.spool.rglob("*.spool") if path.is_file()] if place.spool.is_dir() else []
    damaged = list(place.spool.rglob("*.damaged")) if place.spool.is_dir() else []
    size = sum(path.stat().st_size for path in waiting if path.exists())
    found = []
    if size:
        words = f"{size / 1e3:.1f} kB wait in {place.spool} for the store"
        found.append(_finding("spool", True, f"{words}: the bench's recorder stores them when it can"))
    else:
        found.append(_finding("spool", True, "nothing waits for the store"))
    if damaged:
        found.append(
            _finding("spool", False, f"{damaged[0]} could not be read in full", "keep the file; a disk may be failing")
        )
    return found


def _marks(place: StorePlace) -> list[Finding]:
    """Marks that no recorder could read: what somebody marked is in none of the heats."""
    benches = [folder for folder in place.marks.iterdir() if folder.is_dir()] if place.marks.is_dir() else []
    refused = [path for folder in sorted(benches) for path in Mailbox(folder).refused()]
    if not refused:
        return []
    words = f"{len(refused)} handed over could not be read and stand in no heat: {refused[0]}"
    do = "open the file in an editor; what it says is entered with 'pullcue mark', or with 'pullcue heats correct'"
    return [_finding("marks", False, words, do)]
