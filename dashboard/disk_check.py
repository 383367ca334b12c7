"""How long the disk has room for: from what the benches of this store recorded last."""

from __future__ import annotations

from pathlib import Path
from shutil import disk_usage
from typing import TYPE_CHECKING

from dashboard.bench_check import Finding, Grade
from dashboard.store_place import StorePlace

if TYPE_CHECKING:
    from logger.store import Store

#: Below this the disk is called nearly full: a week of recording day and night, h.
ENOUGH_H = 168.0
#: Where nothing was recorded yet: 16 channels with their raw values at 10 Hz, by `logger.blobs`, bytes a second.
_UNKNOWN_RATE = 15 + 10 * (4 + 9 * 32)
#: A second's row takes more than its samples: key, index, and pages that are not filled to the brim (measured: 46
#: bytes and a quarter).
_ROW_BYTES, _PAGES = 46, 1.26


def bytes_per_hour(store: Store | None) -> tuple[float, bool]:
    """What recording takes of the disk, and whether that was measured.

    Outside of heats samples are thinned after an hour, so this is the most it can be.
    """
    found = None if store is None else store.recording_rate()
    rate, benches = found or (float(_UNKNOWN_RATE), 1)
    return 3600.0 * benches * (_PAGES * rate + _ROW_BYTES), found is not None


def disk_finding(place: StorePlace, store: Store | None) -> Finding:
    """Room on the disk of the records; of a server's store, on the disk of the spool."""
    folder = place.file.parent if place.file is not None else place.folder
    there = next((one for one in (folder, *folder.parents) if one.exists()), Path())
    try:
        free = disk_usage(there).free
    except OSError as error:
        return Finding("disk", Grade.WRONG, f"{there}: {error.strerror or error}", "give the folder rights")
    rate, measured = bytes_per_hour(store)
    hours = free / rate
    source = "as last recorded" if measured else "by reckoning for 16 channels at 10 Hz, as nothing is recorded yet"
    words = f"{free / 1e9:.1f} GB free at {there}, room for {hours_words(hours)}"
    words += f" ({rate / 1e6:.1f} MB an hour, {source})"
    if place.file is None:
        words += "; this is the spool's disk, look after the server's own"
    if hours >= ENOUGH_H:
        return Finding("disk", Grade.FINE, words)
    return Finding("disk", Grade.WRONG, words, f"free some: room for {hours_words(ENOUGH_H)} is wanted")


def hours_words(hours: float) -> str:
    """'20 hours', '9 days', '31 weeks' of recording day and night."""
    for size_h, word in ((168.0, "week"), (24.0, "day"), (1.0, "hour")):
        if hours >= 2 * size_h or (word == "week" and hours >= size_h):
            count = int(hours // size_h)
            return f"{count} {word}{'' if count == 1 else 's'} of recording day and night"
    return "less than 2 hours of recording"
