"""Seconds of samples, marks and runs, as they come: into rows of the store, each once."""

from __future__ import annotations

import json
from collections.abc import Sequence
from typing import Any

from sqlalchemy import Connection, bindparam, insert, select, update
from sqlalchemy.dialects import postgresql, sqlite

from logger import chain as links
from logger import ledger
from logger.blobs import packed
from logger.records import Block, Mark, Run
from logger.schema import blocks, column_sets, heats, marks, runs
from thermal.fields import InputError

#: Built once: building a statement costs more than SQLite takes to run it.
_ENDED_HEATS = select(heats.c.start_s, heats.c.end_s).where(heats.c.run == bindparam("of_run"), heats.c.state != "open")


class SampleRows:
    """Puts samples and marks in; remembers the rows of runs and sets of columns, as they come every second.

    Args:
        dialect: name of the database's, 'sqlite' or 'postgresql'.
    """

    def __init__(self, dialect: str) -> None:
        self._run_seqs: dict[str, int] = {}
        self._column_seqs: dict[tuple[str, ...], int] = {}
        kind = sqlite if dialect == "sqlite" else postgresql
        # Inserts that leave out what is there already.
        self._new_blocks = kind.insert(blocks).on_conflict_do_nothing(index_elements=["run", "second"])
        self._new_marks = kind.insert(marks).on_conflict_do_nothing(index_elements=["id"])
        self._new_columns = kind.insert(column_sets).on_conflict_do_nothing(index_elements=["names"])

    def forget(self) -> None:
        """Remember no rows: those of a transaction that was rolled back are none."""
        self._run_seqs.clear()
        self._column_seqs.clear()

    def add(self, connection: Connection, blocks_: Sequence[Block], marks_: Sequence[Mark]) -> None:
        """See `logger.store.Store.add`."""
        self._know_runs(connection, blocks_, marks_)
        self._know_columns(connection, {block.columns for block in blocks_})
        late = self._late(connection, blocks_, marks_)
        if blocks_:
            connection.execute(self._new_blocks, [self._block_row(b) for b in blocks_])
        if marks_:
            connection.execute(self._new_marks, [self._mark_row(mark) for mark in marks_])
        if late:
            ledger.lock_chain(connection)
            for kind, ref, content in late:
                ledger.append(connection, kind, ref, content)

    def _block_row(self, block: Block) -> dict[str, Any]:
        return {
            "run": self._run_seqs[block.run],
            "second": block.second,
            "utc_ms": block.utc_ms,
            "columns": self._column_seqs[block.columns],
            "data": packed(block),
        }

    def _mark_row(self, mark: Mark) -> dict[str, Any]:
        return {
            "id": mark.id,
            "run": self._run_seqs[mark.run],
            "at_s": float(mark.at_s),
            "utc_ms": mark.utc_ms,
            "name": mark.name,
            "made_by": mark.by,
            "note": mark.note,
            "source": str(mark.source),
            "undoes": mark.undoes,
        }

    def _know_runs(self, connection: Connection, blocks_: Sequence[Block], marks_: Sequence[Mark]) -> None:
        for one in _both(blocks_, marks_):
            if one.run in self._run_seqs:
                continue
            row = connection.execute(select(runs).where(runs.c.id == one.run)).one_or_none()
            if row is not None and row.bench != one.bench:
                raise InputError(f"run {one.run} is of bench {row.bench}: expected its samples, not of {one.bench}")
            if row is None:
                since_s = one.second if isinstance(one, Block) else one.at_s
                began_ms = round(one.utc_ms - 1000 * since_s)
                _insert_run(connection, Run(one.run, one.bench, began_ms, zone="", software=""))
            self._run_seqs[one.run] = ledger.run_seq_of(connection, one.run)

    def _know_columns(self, connection: Connection, sets: set[tuple[str, ...]]) -> None:
        for columns in sets - self._column_seqs.keys():
            names = json.dumps(columns, ensure_ascii=False)
            connection.execute(self._new_columns, {"names": names})
            found = connection.execute(select(column_sets.c.seq).where(column_sets.c.names == names))
            self._column_seqs[columns] = found.scalar_one()

    def _late(
        self, connection: Connection, blocks_: Sequence[Block], marks_: Sequence[Mark]
    ) -> list[tuple[links.Kind, str, str]]:
        """(kind, ref, content) of links for what is new and falls into a heat that has ended."""
        ended: dict[int, list[tuple[float, float]]] = {}

        def ended_of(run_seq: int) -> list[tuple[float, float]]:
            if run_seq not in ended:
                rows = connection.execute(_ENDED_HEATS, {"of_run": run_seq})
                ended[run_seq] = [(start_s, end_s) for start_s, end_s in rows]
            return ended[run_seq]

        undoing = any(mark.undoes is not None for mark in marks_)  # may take back a mark of an earlier run
        if not undoing and not any(ended_of(self._run_seqs[one.run]) for one in _both(blocks_, marks_)):
            return []
        late: dict[tuple[links.Kind, str], str] = {}
        for block in blocks_:
            run_seq = self._run_seqs[block.run]
            if any(start_s // 1 <= block.second <= end_s for start_s, end_s in ended_of(run_seq)):
                ref = ledger.block_ref(block.run, block.second)
                content = links.block_content(block.second, block.utc_ms, block.columns, packed(block))
                if not list(ledger.raw_blocks(connection, run_seq, block.second, block.second)):
                    late.setdefault(("block", ref), content)
        for mark in marks_:
            moments = [(self._run_seqs[mark.run], mark.at_s)]
            if mark.undoes is not None:
                undone = connection.execute(select(marks.c.run, marks.c.at_s).where(marks.c.id == mark.undoes))
                moments += [(run_seq, at_s) for run_seq, at_s in undone]
                moments += [(self._run_seqs[one.run], one.at_s) for one in marks_ if one.id == mark.undoes]
            inside = any(start_s <= at_s <= end_s for seq, at_s in moments for start_s, end_s in ended_of(seq))
            if inside and not connection.execute(select(marks.c.id).where(marks.c.id == mark.id)).all():
                late.setdefault(("mark", mark.id), links.mark_content(mark))
        return [(kind, ref, content) for (kind, ref), content in late.items()]


def _both(blocks_: Sequence[Block], marks_: Sequence[Mark]) -> Sequence[Block | Mark]:
    return [*blocks_, *marks_]


def _insert_run(connection: Connection, run: Run) -> None:
    values = {
        "id": run.id,
        "bench": run.bench,
        "started_utc_ms": run.started_utc_ms,
        "zone": run.zone,
        "software": run.software,
        "ended_utc_ms": run.ended_utc_ms,
        "how": run.how,
    }
    connection.execute(insert(runs), values)


def begin_run(connection: Connection, run: Run) -> None:
    """See `logger.store.Store.begin_run`."""
    there = connection.execute(select(runs).where(runs.c.id == run.id)).one_or_none()
    if there is None:
        _insert_run(connection, run)
    elif there.how == "open" and not there.software:
        known = {"zone": run.zone, "software": run.software, "started_utc_ms": run.started_utc_ms}
        connection.execute(update(runs).where(runs.c.id == run.id).values(**known))
