"""The tables of a whole-store export read again, from Parquet or CSV, as the values they were made of. Needs pandas."""

from __future__ import annotations

import csv
import json
from collections.abc import Iterator
from dataclasses import dataclass
from hashlib import sha256
from pathlib import Path
from typing import Any, cast

import numpy as np

from dashboard.store_tables import FILES, SUMS, file_hash
from logger.cells import unguarded
from logger.chain import Kind, Link
from logger.records import (
    NOT_SAMPLED,
    STATES,
    Block,
    Correction,
    HeatForm,
    HeatRecord,
    HeatState,
    Mark,
    MarkSource,
    Run,
    RunEnd,
    StartMove,
)
from thermal.fields import InputError

#: Why an export is refused.
ALTERED = (
    "this is not what was exported (saved again by a spreadsheet?), and nothing was imported; use the export as it was "
    "written, or a backup"
)
#: Without this table a folder is no export.
_SIGN = "records"
_STATE_CODES = {str(state): code for code, state in enumerate(STATES)} | {"": NOT_SAMPLED}
_Row = dict[str, Any]


@dataclass(frozen=True)
class KeptFile:
    """A file that was kept with a heat, in the export's folder."""

    id: str
    heat_id: str
    name: str
    media_type: str
    sha256: str
    path: Path

    def content(self) -> bytes:
        """What it holds.

        Raises:
            InputError: that is not what was exported, or it is not there.
        """
        _must_be_there(self.path)
        found = self.path.read_bytes()
        if sha256(found).hexdigest() != self.sha256:
            raise InputError(f"{self.path}: {ALTERED}")
        return found


@dataclass(frozen=True)
class Tables:
    """What an export holds; its samples and files are read when they are asked for.

    Attributes:
        records: as recorded, without hash. moves: by heat id.
    """

    folder: Path
    kind: str
    runs: tuple[Run, ...]
    records: tuple[HeatRecord, ...]
    marks: tuple[Mark, ...]
    corrections: tuple[Correction, ...]
    moves: dict[str, list[StartMove]]
    attachments: tuple[KeptFile, ...]
    chain: tuple[Link, ...]
    column_sets: dict[int, tuple[str, ...]]

    def blocks(self, run: Run) -> Iterator[Block]:
        """The seconds of a run, in order.

        Raises:
            InputError: samples and seconds do not go together.
        """
        for path in sorted(self.folder.glob(f"seconds-{run.id}-*.{self.kind}")):
            samples = path.with_name(path.name.replace("seconds", "samples", 1))
            yield from _blocks(_frame(samples), _rows(path), run, self.column_sets, samples.name)


def is_export(folder: Path) -> bool:
    """Whether a folder holds a whole-store export."""
    return any((folder / f"{_SIGN}.{kind}").is_file() for kind in ("parquet", "csv"))


def read_tables(folder: Path) -> Tables:
    """The tables in a folder; of Parquet and CSV, Parquet.

    Raises:
        InputError: a file is missing, was altered since the export, or holds what it cannot.
    """
    kind = "parquet" if (folder / f"{_SIGN}.parquet").is_file() else "csv"
    _must_be_as_exported(folder, kind)
    try:
        return _tables(folder, kind)
    except InputError:
        raise
    except (KeyError, ValueError, TypeError, OSError, csv.Error) as error:
        raise InputError(
            f"{folder}: its tables cannot be read ({type(error).__name__}: {error}): expected what 'pullcue export "
            "--all' wrote, unchanged"
        ) from None


def _must_be_as_exported(folder: Path, kind: str) -> None:
    sums = folder / SUMS
    _must_be_there(sums)
    for line in sums.read_text("utf-8").splitlines():
        digest, _, name = line.partition("  ")
        path = folder / name
        if path.parent.name != FILES and path.suffix != f".{kind}":
            continue  # the same tables once more, which are not read
        _must_be_there(path)
        if file_hash(path) != digest:
            raise InputError(f"{path}: {ALTERED}")


def _tables(folder: Path, kind: str) -> Tables:
    def rows(name: str) -> list[_Row]:
        return _rows(folder / f"{name}.{kind}")

    runs = tuple(
        Run(r["id"], r["bench"], _whole(r["started_utc_ms"]), r["zone"], r["software"],
            _maybe(_whole, r["ended_utc_ms"]), cast(RunEnd, r["how"])) for r in rows("runs")
    )  # fmt: skip
    bench_of = {run.id: run.bench for run in runs}
    records = tuple(_record(r, bench_of) for r in rows("records"))
    id_of = {record.number: record.id for record in records}
    moves: dict[str, list[StartMove]] = {}
    for r in rows("start_moves"):
        moves.setdefault(r["heat_id"], []).append(
            StartMove(r["heat_id"], float(r["old_start_s"]), float(r["new_start_s"]), r["who"], r["why"])
        )
    return Tables(
        folder,
        kind,
        runs,
        records,
        tuple(
            Mark(r["id"], r["bench"], r["run"], float(r["at_s"]), _whole(r["utc_ms"]), r["name"], r["by"], r["note"],
                 cast(MarkSource, r["source"]), _maybe(str, r["undoes"])) for r in rows("marks")
        ),
        tuple(
            Correction(r["id"], id_of[_whole(r["heat"])], _whole(r["at_utc_ms"]), r["who"], r["why"], r["field"],
                       r["old"], r["new"]) for r in rows("corrections")
        ),
        moves,
        tuple(
            KeptFile(r["id"], r["heat_id"], r["name"], r["media_type"], r["sha256"],
                     folder / FILES / Path(r["file"]).name) for r in rows("attachments")
        ),
        tuple(
            Link(_whole(r["seq"]), cast(Kind, r["kind"]), r["ref"], r["content"], r["previous"], r["hash"])
            for r in rows("chain")
        ),
        {_whole(r["number"]): tuple(json.loads(r["names"])) for r in rows("column_sets")},
    )  # fmt: skip


def _record(row: _Row, bench_of: dict[str, str]) -> HeatRecord:
    return HeatRecord(
        number=_whole(row["number"]),
        id=row["id"],
        bench=bench_of[row["run"]],
        run=row["run"],
        start_s=float(row["start_s"]),
        start_utc_ms=_whole(row["start_utc_ms"]),
        end_s=_maybe(float, row["end_s"]),
        state=cast(HeatState, row["state"]),
        outcome=_maybe(str, row["outcome"]),
        outcome_kind=_maybe(str, row["outcome_kind"]),
        form=HeatForm.from_table(json.loads(row["form"])),
    )


def _blocks(
    samples: dict[str, Any], seconds: list[_Row], run: Run, sets: dict[int, tuple[str, ...]], where: str
) -> Iterator[Block]:
    at_ms = np.round(np.asarray(samples["at_s"], np.float64) * 1000.0).astype(np.int64)
    if sum(_whole(row["rows"]) for row in seconds) != at_ms.size:
        raise InputError(f"{where}: {at_ms.size} rows: not those that were exported; nothing was imported")
    values = {name: np.asarray(samples[name], np.float64) for names in sets.values() for name in names
              if name in samples}  # fmt: skip
    states = {name: np.array([_STATE_CODES[word] for word in samples[f"{name}_state"]], np.uint8) for name in values}
    first = 0
    for row in seconds:
        second, size, columns = _whole(row["second"]), _whole(row["rows"]), sets[_whole(row["column_set"])]
        rows = slice(first, first + size)
        first += size
        shape = (size, len(columns))
        yield Block(
            run.bench,
            run.id,
            second,
            _whole(row["utc_ms"]),
            columns,
            (at_ms[rows] - 1000 * second).astype(np.int32),
            np.array([values[name][rows] for name in columns]).T.reshape(shape).copy(),
            np.array([states[name][rows] for name in columns], np.uint8).T.reshape(shape).copy(),
        )


# ---------------------------------------------------------------- cells


def _whole(cell: Any) -> int:
    number = float(cell)
    if number != int(number):
        raise ValueError(f"{cell!r} is no whole number")
    return int(cell) if not isinstance(cell, str) or cell.lstrip("-").isdecimal() else int(number)


def _maybe(kind: Any, cell: Any) -> Any:
    """A cell that may be empty: nothing in CSV; None or NaN in Parquet."""
    return None if cell is None or cell == "" or cell != cell else kind(cell)


def _rows(path: Path) -> list[_Row]:
    """A table as rows; of CSV every cell as text, apostrophes taken off."""
    _must_be_there(path)
    if path.suffix == ".parquet":
        import pandas as pd

        table = pd.read_parquet(path, engine="pyarrow")
        return [dict(zip(table.columns, row, strict=True)) for row in table.itertuples(index=False, name=None)]
    with path.open(encoding="utf-8", newline="") as file:
        head, *rows = csv.reader(file)
    names = [unguarded(name) for name in head]
    return [dict(zip(names, map(unguarded, row), strict=True)) for row in rows]


def _frame(path: Path) -> dict[str, Any]:
    """A table of samples, by column: states as words, all else as numbers, to the bit."""
    import pandas as pd

    _must_be_there(path)
    if path.suffix == ".parquet":
        table = pd.read_parquet(path, engine="pyarrow")
        return {str(name): table[name].to_numpy() for name in table.columns}
    table = pd.read_csv(path, dtype=str, keep_default_na=False)
    cells = {unguarded(str(name)): table[name].to_numpy(dtype=object) for name in table.columns}
    # Python's own float() reads what was written back to the last bit; an empty cell is a gap.
    return {
        name: words if name.endswith("_state") else np.array([float(word or "nan") for word in words])
        for name, words in cells.items()
    }


def _must_be_there(path: Path) -> None:
    if not path.is_file():
        raise InputError(f"{path}: the export lacks this file: expected all that 'pullcue export --all' wrote")
