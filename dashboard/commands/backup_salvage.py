"""`pullcue backup --salvage`: what can be read of a damaged store, saved into a new file with a report beside it."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from dashboard.commands.backup import free_name, made_folder
from dashboard.store_place import StorePlace
from thermal.fields import InputError

#: Not the name of a backup, or --restore would take it for the newest one.
_NAME = "saved-{:%Y%m%d-%H%M%SZ}.sqlite"
#: So many losses are told on the screen; all are in the report.
_TOLD = 10


def save(place: StorePlace, folder: Path) -> dict[str, Any]:
    """Save what can be read of the store at a place; it is only read.

    Raises:
        InputError: it is a server's, or there is none.
    """
    from logger.clock import SystemClock
    from logger.copies import remove
    from logger.store import salvage

    if place.file is None:
        raise InputError(f"{place.words}: salvage reads SQLite files: a server has tools of its own, and its backups")
    place.must_exist()
    path = free_name(made_folder(folder), _NAME.format(SystemClock().utc()))
    part = path.with_name(f".{path.name}.part")
    try:
        saved = salvage(place.url, part)
        part.replace(path)
    except BaseException:
        remove(part)  # half of what can be saved would look like all of it
        raise
    lost = list(dict.fromkeys([*saved.lost, *saved.problems]))
    report = path.with_suffix(".txt") if lost else None
    if report is not None:
        told = [f"Saved from {place.words}; what is lost or not as it was recorded:", *lost, ""]
        report.write_text("\n".join(told), "utf-8")
    return {
        "store": place.words,
        "saved": str(path),
        "heats": saved.kept.get("heats", 0),
        "kept": saved.kept,
        "lost": lost,
        "report": report and str(report),
        "words": "\n".join(_words(place, path, saved.kept, lost, report)),
    }


def _words(place: StorePlace, path: Path, kept: dict[str, int], lost: list[str], report: Path | None) -> list[str]:
    counts = f"{kept.get('heats', 0)} heats, {kept.get('blocks', 0)} s of samples, {kept.get('marks', 0)} marks"
    lines = [f"{path}: {counts} saved from {place.words}, which was not changed."]
    if report is None:
        return [*lines, "Nothing was lost: the chain of records is whole."]
    lines += [f"LOST  {one}" for one in lost[:_TOLD]]
    lines.append(f"{len(lost)} entries on what is lost or not as it was recorded: {report}")
    lines.append("A backup may hold more: compare both. To go on with what was saved:")
    return [*lines, f"  pullcue backup {path} --restore --damaged"]
