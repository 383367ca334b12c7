"""The whole store as tables, in Parquet and CSV; `dashboard.table_import` reads them back in. Needs pandas, pyarrow.

    heats        one row a heat, as it reads after its corrections; its form in columns of their own: for people
    records      one row a heat, as it was recorded; its form as JSON
    marks        one row a mark, with those taken back
    corrections  one row a correction
    start_moves  one row a move of a heat's start
    attachments  one row a file that is kept with a heat; the files themselves in the folder files
    runs         one row a run
    chain        one row a link of the chain
    samples      a file for each 6 hours of a run: one row a moment, one column a role, and one with the state of each
    seconds      a file beside each of samples: how its rows are put together in the store
    column_sets  names of columns that came together, a JSON list each, which seconds refers to

SHA256SUMS names every file with its SHA-256. Parquet holds texts as they are. CSV is for spreadsheets: see
`logger.cells`.
"""

from __future__ import annotations

import csv
import json
from collections.abc import Callable, Iterator, Sequence
from dataclasses import asdict, fields
from hashlib import file_digest, sha256
from pathlib import Path
from shutil import rmtree
from typing import TYPE_CHECKING, Any, Literal

from dashboard.stored import LONG, iso
from logger.cells import guarded
from logger.records import CHECKS, NOT_SAMPLED, STATES, HeatFilter, HeatForm, HeatRecord, in_force, new_id
from thermal.fields import InputError

if TYPE_CHECKING:
    from pandas import DataFrame

    from logger.store import Store

#: Samples are read and written in pieces of this length, s: a bench records for weeks.
_PIECE_S = 6 * 3600.0
#: The columns of a table without rows.
_EMPTY = {
    "heats": ("number", "id"),
    "records": ("number", "id", "run", "form"),
    "marks": ("id", "run", "name"),
    "corrections": ("heat", "id", "field", "old", "new"),
    "start_moves": ("heat_id", "old_start_s", "new_start_s", "who", "why"),
    "attachments": ("id", "heat_id", "name", "media_type", "sha256", "file"),
    "runs": ("id", "bench"),
    "chain": ("seq", "kind", "ref", "content", "previous", "hash"),
    "column_sets": ("number", "names"),
}
#: The folder of files that are kept with heats, and the list of all files with their SHA-256, as sha256sum has it.
FILES, SUMS = "files", "SHA256SUMS"
_Row = dict[str, Any]


def write_tables(store: Store, folder: Path, kinds: Sequence[str], bar: Callable[[list[Any], str], Any]) -> list[Path]:
    """Write all tables into a new folder, which is there when all of them are.

    Args:
        kinds: of 'csv' and 'parquet'. bar: shows how far it is.

    Raises:
        InputError: the folder is there already, or cannot be made.
    """
    if folder.exists():
        raise InputError(f"{folder}: it is there already, and nothing is written over: give another --to")
    try:
        part = folder.with_name(f".{folder.name}.{new_id()[:8]}.part")
        part.mkdir(parents=True)
    except OSError as error:
        raise InputError(f"{folder}: it cannot be made ({error.strerror or error}): give another --to") from None
    try:
        written = _write_all(store, part, kinds, bar)
        part.rename(folder)
    except BaseException:
        rmtree(part, ignore_errors=True)
        raise
    return [folder / path.relative_to(part) for path in written]


def _write_all(store: Store, folder: Path, kinds: Sequence[str], bar: Callable[[list[Any], str], Any]) -> list[Path]:
    import pandas as pd

    every = HeatFilter(limit=None, order="number")
    heats, records = store.heats(every), store.heats(every, as_recorded=True)
    runs = store.runs()
    corrections, moves, files = list[_Row](), list[_Row](), list[_Row]()
    with bar(heats, "Heats") as each_heat:
        for heat in each_heat:
            corrections += [
                {"heat": heat.number, **asdict(entry), "at_utc": iso(entry.at_utc_ms)}
                for entry in store.corrections(heat.id)
            ]
            moves += [asdict(move) for move in store.start_moves(heat.id)]
            files += _attachments(store, heat, folder / FILES)
    tables: dict[str, list[_Row]] = {
        "heats": [_heat_row(heat) for heat in heats],
        "records": [_record_row(heat) for heat in records],
        "start_moves": moves,
        "attachments": files,
        "chain": [asdict(link) for link in store.links()],
        "marks": [row for run in runs for row in _mark_rows(store, run.bench, run.id)],
        "corrections": corrections,
        "runs": [{**asdict(run), "started_utc": iso(run.started_utc_ms)} for run in runs],
    }
    written = []
    for name, rows in tables.items():
        frame = pd.DataFrame(rows) if rows else pd.DataFrame(columns=list(_EMPTY[name]))
        written += _write(frame, folder / name, kinds)
    sets: dict[tuple[str, ...], int] = {}
    with bar(runs, "Samples") as each:
        for run in each:
            for index, (samples, seconds) in enumerate(_sample_frames(store, run.bench, run.id, sets)):
                written += _write(samples, folder / f"samples-{run.id}-{index:04d}", kinds)
                written += _write(seconds, folder / f"seconds-{run.id}-{index:04d}", kinds)
    rows = [{"number": number, "names": json.dumps(names, ensure_ascii=False)} for names, number in sets.items()]
    frame = pd.DataFrame(rows) if rows else pd.DataFrame(columns=list(_EMPTY["column_sets"]))
    written += _write(frame, folder / "column_sets", kinds)
    kept = sorted((folder / FILES).iterdir()) if (folder / FILES).is_dir() else []
    lines = [f"{file_hash(path)}  {path.relative_to(folder).as_posix()}" for path in (*written, *kept)]
    (folder / SUMS).write_text("\n".join([*lines, ""]), "utf-8", newline="\n")
    return [*written, *kept, folder / SUMS]


def file_hash(path: Path) -> str:
    """SHA-256 of a file, hexadecimal."""
    with path.open("rb") as file:
        return file_digest(file, "sha256").hexdigest()


def _heat_row(heat: HeatRecord) -> dict[str, Any]:
    row: dict[str, Any] = {
        part.name: getattr(heat, part.name) for part in fields(HeatRecord) if part.name not in ("form", "start_utc_ms")
    }
    row["start_utc"] = iso(heat.start_utc_ms)
    form = heat.form.as_table()
    for part in fields(HeatForm):
        if part.name in LONG:
            continue  # no reading matter: records has them
        if part.name == "checks":
            row |= {f"check_{name}": heat.form.checks.get(name) for name in CHECKS}
        elif part.name == "opening_mm":
            row["opening_mm"] = "x".join(f"{side!r}" for side in heat.form.opening_mm) if heat.form.opening_mm else None
        else:
            row[part.name] = form.get(part.name)
    return row


def _record_row(heat: HeatRecord) -> dict[str, Any]:
    names = ("number", "id", "run", "start_s", "start_utc_ms", "end_s", "state", "outcome", "outcome_kind")
    form = json.dumps(heat.form.as_table(), ensure_ascii=False, allow_nan=False)
    return {name: getattr(heat, name) for name in names} | {"form": form}


def _attachments(store: Store, heat: HeatRecord, folder: Path) -> list[_Row]:
    """The rows of the files kept with a heat; the files are written."""
    rows = []
    for one in store.attachments(heat.id):
        folder.mkdir(exist_ok=True)
        path = folder / f"heat-{heat.number:04d}-{one.id}"
        path.write_bytes(one.content)
        digest = sha256(one.content).hexdigest()
        names = {"id": one.id, "heat_id": one.heat_id, "name": one.name, "media_type": one.media_type}
        rows.append({**names, "sha256": digest, "file": path.name})
    return rows


def _mark_rows(store: Store, bench: str, run: str) -> list[dict[str, Any]]:
    marks = store.marks(bench, run)
    standing = {mark.id for mark in in_force(marks)}
    return [{**asdict(mark), "utc": iso(mark.utc_ms), "in_force": mark.id in standing} for mark in marks]


def _sample_frames(
    store: Store, bench: str, run: str, sets: dict[tuple[str, ...], int]
) -> Iterator[tuple[DataFrame, DataFrame]]:
    """Samples and seconds of a run, piece by piece; new sets of columns are added to `sets`."""
    import numpy as np
    import pandas as pd

    last = store.last_block(run)
    words = np.array([*map(str, STATES), ""], dtype=object)
    from_s = 0.0
    while last is not None and from_s <= last[0]:
        part = store.samples(run, from_s, from_s + _PIECE_S - 0.001)
        blocks = store.blocks(bench, run, from_s, from_s + _PIECE_S - 1.0)
        from_s += _PIECE_S
        if not blocks:
            continue
        columns: dict[str, Any] = {"at_s": part.at_ms / 1000.0, "utc_ms": part.utc_ms}
        codes = np.where(part.states == NOT_SAMPLED, len(STATES), part.states).astype(np.intp)
        for index, name in enumerate(part.columns):
            columns[name] = part.values[:, index]
            columns[f"{name}_state"] = words[codes[:, index]]
        seconds = [
            (one.second, one.utc_ms, one.offsets_ms.size, sets.setdefault(one.columns, len(sets))) for one in blocks
        ]
        yield pd.DataFrame(columns), pd.DataFrame(seconds, columns=["second", "utc_ms", "rows", "column_set"])


def _write(frame: DataFrame, stem: Path, kinds: Sequence[str]) -> list[Path]:
    written = []
    if "parquet" in kinds:
        path = stem.with_name(f"{stem.name}.parquet")
        frame.to_parquet(path, engine="pyarrow", index=False)
        written.append(path)
    if "csv" in kinds:
        path = stem.with_name(f"{stem.name}.csv")
        harmless = frame.rename(columns=guarded)
        for name in harmless.columns:
            if harmless[name].dtype.kind not in "biuf":
                harmless[name] = harmless[name].map(lambda cell: guarded(cell) if isinstance(cell, str) else cell)
        # Texts in quotes, whatever is in them: a lone carriage return would else end the row for some readers.
        quoted: Literal[0, 2] = csv.QUOTE_MINIMAL if stem.name.startswith("samples") else csv.QUOTE_NONNUMERIC
        harmless.to_csv(path, index=False, lineterminator="\n", encoding="utf-8", quoting=quoted)
        written.append(path)
    return written
