"""The whole store as tables: heats, marks, corrections, runs and samples, in Parquet and CSV. Needs pandas, pyarrow.

    heats       one row a heat, as it reads after its corrections; its form in columns of their own
    marks       one row a mark, with those taken back
    corrections one row a correction
    runs        one row a run
    samples     a file a run: one row a moment, one column a role, and a column with the state of each

Parquet holds texts as they are. CSV is for spreadsheets: see `logger.cells`.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import asdict, fields
from pathlib import Path
from typing import TYPE_CHECKING, Any

from dashboard.stored import iso
from logger.cells import guarded
from logger.records import CHECKS, NOT_SAMPLED, STATES, HeatFilter, HeatForm, HeatRecord, in_force
from thermal.fields import InputError

if TYPE_CHECKING:
    from pandas import DataFrame

    from logger.store import Store

#: Samples are read and written in pieces of this length, s: a bench records for weeks.
_PIECE_S = 6 * 3600.0
_LONGEST_S = 1e9
#: The columns of a table without rows.
_EMPTY = {
    "heats": ("number", "id"),
    "marks": ("id", "run", "name"),
    "corrections": ("heat", "id", "field", "old", "new"),
    "runs": ("id", "bench"),
}


def write_tables(store: Store, folder: Path, kinds: Sequence[str], bar: Callable[[list[Any], str], Any]) -> list[Path]:
    """Write all tables into a new folder.

    Args:
        kinds: of 'csv' and 'parquet'. bar: shows how far it is.

    Raises:
        InputError: the folder is there already, or cannot be made.
    """
    import pandas as pd

    try:
        folder.mkdir(parents=True)
    except FileExistsError:
        raise InputError(f"{folder}: it is there already, and nothing is written over: give another --to") from None
    except OSError as error:
        raise InputError(f"{folder}: it cannot be made ({error.strerror or error}): give another --to") from None
    heats = store.heats(HeatFilter(limit=None, order="number"))
    runs = store.runs()
    tables: dict[str, list[dict[str, Any]]] = {
        "heats": [_heat_row(heat) for heat in heats],
        "marks": [row for run in runs for row in _mark_rows(store, run.bench, run.id)],
        "corrections": [
            {"heat": heat.number, **asdict(entry), "at_utc": iso(entry.at_utc_ms)}
            for heat in heats
            for entry in store.corrections(heat.id)
        ],
        "runs": [{**asdict(run), "started_utc": iso(run.started_utc_ms)} for run in runs],
    }
    written = []
    for name, rows in tables.items():
        frame = pd.DataFrame(rows) if rows else pd.DataFrame(columns=list(_EMPTY[name]))
        written += _write(frame, folder / name, kinds)
    with bar(runs, "Samples") as each:
        for run in each:
            for index, frame in enumerate(_sample_frames(store, run.bench, run.id)):
                written += _write(frame, folder / f"samples-{run.id}-{index:04d}", kinds)
    return written


def _heat_row(heat: HeatRecord) -> dict[str, Any]:
    row: dict[str, Any] = {
        part.name: getattr(heat, part.name) for part in fields(HeatRecord) if part.name not in ("form", "start_utc_ms")
    }
    row["start_utc"] = iso(heat.start_utc_ms)
    form = heat.form.as_table()
    for part in fields(HeatForm):
        if part.name == "checks":
            row |= {f"check_{name}": heat.form.checks.get(name) for name in CHECKS}
        elif part.name == "opening_mm":
            row["opening_mm"] = "x".join(f"{side!r}" for side in heat.form.opening_mm) if heat.form.opening_mm else None
        else:
            row[part.name] = form.get(part.name)
    return row


def _mark_rows(store: Store, bench: str, run: str) -> list[dict[str, Any]]:
    marks = store.marks(bench, run, -_LONGEST_S, _LONGEST_S)
    standing = {mark.id for mark in in_force(marks)}
    return [{**asdict(mark), "utc": iso(mark.utc_ms), "in_force": mark.id in standing} for mark in marks]


def _sample_frames(store: Store, bench: str, run: str) -> list[DataFrame]:
    import numpy as np
    import pandas as pd

    last = store.last_block(run)
    frames = []
    words = np.array([str(state) for state in STATES] + [""], dtype=object)
    from_s = 0.0
    while last is not None and from_s <= last[0]:
        part = store.samples(run, from_s, from_s + _PIECE_S - 0.001)
        if part.at_ms.size:
            columns: dict[str, Any] = {"at_s": part.at_ms / 1000.0, "utc_ms": part.utc_ms}
            codes = np.where(part.states == NOT_SAMPLED, len(STATES), part.states).astype(np.intp)
            for index, name in enumerate(part.columns):
                columns[name] = part.values[:, index]
                columns[f"{name}_state"] = words[codes[:, index]]
            frames.append(pd.DataFrame(columns))
        from_s += _PIECE_S
    return frames


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
        harmless.to_csv(path, index=False, lineterminator="\n", encoding="utf-8")
        written.append(path)
    return written
