"""The store: every second, mark and heat of every bench, durable once a call has returned."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any, Literal

import numpy as np
from sqlalchemy import Connection, Engine, func, insert, select, update
from sqlalchemy.engine import Row

from logger import chain as links
from logger import copies, engine, heat_changes, heat_rows, holders, ledger, review_rows, sample_rows, thinning
from logger.blobs import DamagedBlock, joined, unpacked
from logger.copies import Salvaged
from logger.records import (
    Attachment,
    Block,
    Correction,
    HeatFilter,
    HeatForm,
    HeatRecord,
    Holder,
    Mark,
    Run,
    RunEnd,
    Samples,
    StartMove,
    StoreBroken,
)
from logger.review_rows import KeptReview, MarginColumns, State, Tally, TallyBy
from logger.sample_rows import SampleRows
from logger.schema import backups, blocks, chain, runs
from thermal.fields import InputError

__all__ = ["Store", "open_store", "restore", "salvage"]


def open_store(url: str, busy_s: float = 1.0, check: bool = True) -> Store:
    """Open a store, make it where there is none, bring its tables to the newest version.

    Args:
        url: 'sqlite:///path' or 'postgresql+psycopg://user@host/name'.
        busy_s: how long a call waits for a store that another program writes, before `StoreDown`.
        check: look a file through for damage first, some 0.5 s a gigabyte and more on a slow disk.

    Raises:
        InputError: for a URL that cannot be used, or a store that a newer Pullcue wrote.
        StoreBroken: for a file that is damaged or no store; nothing is changed.
        StoreDown: when it cannot be opened now.
    """
    parsed = engine.parsed(url)
    name, path = parsed.render_as_string(hide_password=True), engine.file_of(parsed)
    if path is not None and check:
        engine.check_file(path)
    with engine.faults(name):
        writing = engine.engine_of(parsed, busy_s, writes=True)
        try:
            engine.migrate(writing, name, heat_rows.index_all)
        except BaseException:
            writing.dispose()
            raise
    return Store(name, path, writing, engine.engine_of(parsed, busy_s, writes=False))


def salvage(url: str, target: Path) -> Salvaged:
    """Copy what can be read of a damaged SQLite store into a new file; the damaged one is only read.

    Raises:
        InputError: where `target` exists, or the URL is no SQLite file.
    """
    damaged = engine.file_of(engine.parsed(url))
    if damaged is None:
        raise InputError("salvage reads SQLite files: PostgreSQL has tools of its own, and its backups")
    return copies.salvage(damaged, target, lambda: open_store(f"sqlite:///{target}"))


def restore(backup: Path, url: str) -> None:
    """Copy a backup into a store that is new or empty.

    Raises:
        InputError: where there is something already, or the backup is none.
    """
    if not backup.is_file():
        raise InputError(f"backup {backup}: there is no such file")
    source = open_store(f"sqlite:///{copies.scratch_copy(backup)}")
    try:
        target = open_store(url)
        try:
            target.take_over(source)
        finally:
            target.close()
    finally:
        source.close()
        copies.remove(source.path)


#: The bench of heats that came from files (`logger.heat_export.IMPORTED`).
_NOT_RECORDED = "imported"


def _run_of(row: Row[Any]) -> Run:
    return Run(row.id, row.bench, row.started_utc_ms, row.zone, row.software, row.ended_utc_ms, row.how)


class Store:
    """See `open_store`. Calls may come from several threads; writes go one at a time over one connection.

    Every method raises `StoreDown` when the store cannot be asked now, and `StoreBroken` for damage.
    """

    def __init__(self, name: str, path: Path | None, writing: Engine, reading: Engine) -> None:
        self.name, self.path = name, path
        self._writing, self._reading = writing, reading
        self._lock = threading.RLock()
        self._rows = SampleRows(writing.dialect.name)

    # ------------------------------------------------------------ transactions

    @contextmanager
    def _write(self) -> Iterator[Connection]:
        """One transaction; durable when this ends without an error."""
        with self._lock, engine.faults(self.name):
            try:
                with self._writing.begin() as connection:
                    yield connection
            except BaseException:
                self._rows.forget()  # rows that were rolled back have no number
                raise

    @contextmanager
    def _read(self) -> Iterator[Connection]:
        with engine.faults(self.name), self._reading.connect() as connection:
            yield connection

    def close(self) -> None:
        """Let go of the database; may be called twice."""
        self._reading.dispose()
        self._writing.dispose()

    # ------------------------------------------------------------ samples and marks

    def add(self, blocks_: Sequence[Block], marks_: Sequence[Mark] = ()) -> None:
        """Keep seconds and marks, all or none; durable on return.

        What is there already (same bench, run and second; same id of a mark) is left as it is, so that a call may be
        made again. A run that was not begun, for want of a store then, is entered as far as it can be told.
        """
        if not blocks_ and not marks_:
            return
        with self._write() as connection:
            self._rows.add(connection, blocks_, marks_)

    def blocks(self, bench: str, run: str, from_s: float = 0.0, to_s: float = float("inf")) -> list[Block]:
        """Seconds of a run that hold samples of a stretch, in order."""
        found = []
        for second, utc_ms, columns, data in self._raw(run, from_s, to_s):
            try:
                offsets, values, states = unpacked(data)
                found.append(Block(bench, run, second, utc_ms, columns, offsets, values, states))
            except DamagedBlock as error:
                raise self._damaged(f"second {second}: {error}", run) from error
        return found

    def samples(self, run: str, from_s: float = 0.0, to_s: float = float("inf")) -> Samples:
        """The samples of a stretch in one piece, both ends included; the fast way to read a heat."""
        try:
            whole = joined(self._raw(run, from_s, to_s))
        except DamagedBlock as error:
            raise self._damaged(str(error), run) from error
        first = int(np.searchsorted(whole.at_ms, from_s * 1000.0, "left"))
        after = int(np.searchsorted(whole.at_ms, to_s * 1000.0, "right"))
        if (first, after) == (0, whole.at_ms.size):
            return whole
        part = slice(first, after)
        return Samples(whole.columns, whole.at_ms[part], whole.utc_ms[part], whole.values[part], whole.states[part])

    def _raw(self, run: str, from_s: float, to_s: float) -> list[ledger.RawBlock]:
        first, last = (int(np.clip(at_s, -(2.0**53), 2.0**53) // 1) for at_s in (from_s, to_s))
        with self._read() as connection:
            return list(ledger.raw_blocks(connection, ledger.run_seq_of(connection, run), first, last))

    def _damaged(self, what: str, run: str) -> StoreBroken:
        return StoreBroken(f"store {self.name}, run {run}: {what}; save what can be read into a new store")

    def last_block(self, run: str) -> tuple[int, int] | None:
        """(second, utc_ms) of the newest second of a run; None where it has none."""
        with self._read() as connection:
            row = connection.execute(
                select(blocks.c.second, blocks.c.utc_ms)
                .join(runs, runs.c.seq == blocks.c.run)
                .where(runs.c.id == run)
                .order_by(blocks.c.second.desc())
                .limit(1)
            ).one_or_none()
            return None if row is None else (row.second, row.utc_ms)

    def recording_rate(self) -> tuple[float, int] | None:
        """Bytes of samples a second and bench, and how many benches, over the newest hour; None: nothing recorded."""
        newest = (
            select(blocks.c.run, func.length(blocks.c.data).label("size"))
            .where(blocks.c.run.in_(select(runs.c.seq).where(runs.c.bench != _NOT_RECORDED)))
            .order_by(blocks.c.seq.desc())
            .limit(3600)
            .subquery()
        )
        query = select(func.avg(newest.c.size), func.count(func.distinct(runs.c.bench)))
        with self._read() as connection:
            size, benches = connection.execute(query.join(runs, runs.c.seq == newest.c.run)).one()
            return None if size is None else (float(size), benches)

    def marks(self, bench: str, run: str, from_s: float = float("-inf"), to_s: float = float("inf")) -> list[Mark]:
        """Marks of a stretch, both ends included, in order of time, with those that take one of them back.

        Of a whole run when no stretch is given: what was marked as 'so long ago' may lie before the run began.
        """
        with self._read() as connection:
            return heat_rows.marks_between(connection, ledger.run_seq_of(connection, run), from_s, to_s)

    def thin(self, bench: str, run: str, before_s: float) -> int:
        """Thin what lies outside heats, by the rule in `logger.thinning`; how many seconds went."""
        with self._write() as connection:
            return thinning.thin(connection, ledger.run_seq_of(connection, run), before_s)

    # ------------------------------------------------------------ runs

    def begin_run(self, run: Run) -> None:
        """Enter a run; one that is there already gets the zone and software it lacks."""
        with self._write() as connection:
            sample_rows.begin_run(connection, run)

    def end_run(self, run: str, how: Literal["ended", "interrupted"], utc_ms: int) -> None:
        """Say how a run ended; one that has ended stays as it is."""
        with self._write() as connection:
            ledger.run_seq_of(connection, run)
            connection.execute(
                update(runs).where(runs.c.id == run, runs.c.how == "open").values(how=how, ended_utc_ms=utc_ms)
            )

    def runs(self, bench: str | None = None, how: RunEnd | None = None) -> list[Run]:
        """Runs in order of their beginning."""
        query = select(runs).order_by(runs.c.started_utc_ms, runs.c.seq)
        query = query if bench is None else query.where(runs.c.bench == bench)
        query = query if how is None else query.where(runs.c.how == how)
        with self._read() as connection:
            return [_run_of(row) for row in connection.execute(query)]

    def run(self, run: str) -> Run | None:
        """A run; None where it was not entered."""
        with self._read() as connection:
            row = connection.execute(select(runs).where(runs.c.id == run)).one_or_none()
            return None if row is None else _run_of(row)

    def has_run(self, run: str) -> bool:
        """Whether a run was entered."""
        with self._read() as connection:
            return connection.execute(select(runs.c.seq).where(runs.c.id == run)).one_or_none() is not None

    def open_runs(self, bench: str | None = None) -> list[Run]:
        """Runs that were not ended: running now, or cut off."""
        return self.runs(bench, "open")

    # ------------------------------------------------------------ heats

    def begin_heat(self, record: HeatRecord, moves: Sequence[StartMove] = ()) -> HeatRecord:
        """Enter an open heat; the record with its number. One that is there already (same id) stays as it is.

        Args:
            moves: of its start, where it comes from another store.
        """
        with self._write() as connection:
            return heat_changes.begin(connection, record, moves)

    def set_form(self, heat_id: str, form: HeatForm) -> None:
        """Put another form in the place of an open heat's."""
        with self._write() as connection:
            heat_changes.set_form(connection, heat_id, form)

    def move_start(self, heat_id: str, new_start_s: float, who: str, why: str) -> HeatRecord:
        """Set the start of an open heat back or forward; the move is recorded."""
        with self._write() as connection:
            return heat_changes.move_start(connection, heat_id, new_start_s, who, why)

    def start_moves(self, heat_id: str) -> list[StartMove]:
        """Moves of a heat's start, in their order."""
        with self._read() as connection:
            return heat_rows.moves_of(connection, heat_rows.recorded(connection, heat_id))

    def finish_heat(
        self,
        heat_id: str,
        end_s: float,
        state: Literal["finished", "aborted", "interrupted"],
        outcome: str | None = None,
        outcome_kind: str | None = None,
        form: HeatForm | None = None,
    ) -> HeatRecord:
        """End a heat for good and link it into the chain, over its samples and marks up to `end_s`.

        What of the heat comes into the store later gets a link of its own. An outcome that is known later is a
        correction. Ending it again in the same way changes nothing.
        """
        with self._write() as connection:
            return heat_changes.finish(connection, heat_id, end_s, state, outcome, outcome_kind, form)

    def correct(self, entry: Correction) -> HeatRecord:
        """Enter a correction of a heat that has ended; the heat as it reads now. The same id again changes nothing."""
        with self._write() as connection:
            return heat_changes.correct(connection, entry)

    def corrections(self, heat_id: str) -> list[Correction]:
        """Corrections of a heat, in their order."""
        with self._read() as connection:
            number = heat_rows.recorded(connection, heat_id).number
            return heat_rows.corrections_of(connection, [number]).get(number, [])

    def attach(self, heat_id: str, name: str, content: bytes, media_type: str, id: str | None = None) -> str:
        """Keep a file with a heat, open or ended; its id.

        Args:
            id: the id it has in the store that it comes from. What is there under it already stays as it is.
        """
        with self._write() as connection:
            return heat_changes.attach(connection, heat_id, name, content, media_type, id)

    def attach_photo(self, heat_id: str, content: bytes, media_type: str) -> str:
        """Keep a photo of the sheet's label with a heat; its id."""
        return self.attach(heat_id, "photo", content, media_type)

    def attachments(self, heat_id: str) -> list[Attachment]:
        """Files kept with a heat."""
        with self._read() as connection:
            return heat_rows.attachments_of(connection, heat_rows.recorded(connection, heat_id))

    def files_of(self, numbers: Sequence[int], media_type: str) -> dict[int, list[Attachment]]:
        """Files of one kind kept with some heats, by the heat's number."""
        with self._read() as connection:
            return heat_rows.files_of(connection, numbers, media_type)

    def heat(self, key: int | str, as_recorded: bool = False) -> HeatRecord:
        """A heat by number or id, after its corrections unless `as_recorded`."""
        with self._read() as connection:
            record = heat_rows.recorded(connection, key)
            return record if as_recorded else heat_rows.now_reads(connection, record)

    def heats(self, wanted: HeatFilter = HeatFilter(), as_recorded: bool = False) -> list[HeatRecord]:  # noqa: B008
        """Heats of a filter; what they read after their corrections counts, and is given unless `as_recorded`."""
        with self._read() as connection:
            return heat_rows.found(connection, wanted, as_recorded)

    def count(self, wanted: HeatFilter = HeatFilter()) -> int:  # noqa: B008
        """How many heats a filter finds, whatever its limit."""
        with self._read() as connection:
            return heat_rows.count(connection, wanted)

    def page(self, wanted: HeatFilter, counted: int = 1000) -> tuple[int, bool, list[HeatRecord]]:
        """Heats of a filter's limit and offset, and how many it finds.

        Returns:
            The number; whether there are more than that; the heats. A text has to be looked for in every heat: with
            one, counting ends at the next multiple of `counted` after the page.
        """
        with self._read() as connection:
            records = heat_rows.found(connection, wanted)
            last = wanted.limit is None or len(records) < wanted.limit
            if last and (records or not wanted.offset):
                return wanted.offset + len(records), False, records
            most = -(-(wanted.offset + len(records)) // counted) * counted
            found = heat_rows.count(connection, wanted, most + 1 if wanted.text else None)
            return (most, True, records) if wanted.text and found > most else (found, False, records)

    def open_heats(self, bench: str | None = None) -> list[HeatRecord]:
        """Heats without an end: going on now, or cut off."""
        return self.heats(HeatFilter(bench=bench, state="open", limit=None, order="number"))

    # ------------------------------------------------------------ reviews and trends

    def keep_review(self, heat_id: str, found: KeptReview) -> None:
        """Keep what a review found beside an ended heat, in the place of what an earlier one found."""
        with self._write() as connection:
            review_rows.keep(connection, heat_rows.recorded(connection, heat_id), found)

    def kept_review(self, heat_id: str) -> KeptReview | None:
        """What a review found in a heat as it reads now; None: it was not reviewed since."""
        with self._read() as connection:
            return review_rows.kept(connection, heat_rows.recorded(connection, heat_id).number)

    def kept_reviews(self, numbers: Sequence[int]) -> dict[int, KeptReview]:
        """What reviews found in some heats, by number."""
        with self._read() as connection:
            return review_rows.kept_of(connection, numbers)

    def without_review(self, wanted: HeatFilter, version: int) -> list[int]:
        """Numbers of ended heats of a filter that no review of this version has looked at, the newest first."""
        with self._read() as connection:
            return review_rows.missing(connection, wanted, version)

    def margins(self, wanted: HeatFilter, version: int) -> MarginColumns:
        """The core's margin at the pull of reviewed heats of a filter, in order of time."""
        with self._read() as connection:
            return review_rows.margins(connection, wanted, version)

    def tallies(self, wanted: HeatFilter) -> dict[TallyBy, list[Tally]]:
        """Heats of a filter counted by outcome and something else each."""
        with self._read() as connection:
            return review_rows.tallies(connection, wanted)

    def state_of_trends(self, version: int) -> State:
        """What is another whenever margins or tallies may be: a look at the store, some ms for 100,000 heats."""
        with self._read() as connection:
            return review_rows.state_of_trends(connection, version)

    # ------------------------------------------------------------ trust

    def verify(self, progress: Callable[[int, int], None] | None = None) -> list[str]:
        """Everything that is altered, missing or damaged, a sentence each; empty when all is as it was recorded."""
        with self._read() as connection:
            return ledger.verify(connection, progress)

    def links(self) -> list[links.Link]:
        """The chain, in order."""
        with self._read() as connection:
            return [links.Link(*row) for row in connection.execute(select(chain).order_by(chain.c.seq))]

    def newest_hash(self) -> str:
        """Hash of the newest link: written down elsewhere, it shows whether the chain's end was cut off."""
        with self._read() as connection:
            return copies.newest_hash(connection)

    # ------------------------------------------------------------ who records

    def hold(self, bench: str, token: str, utc_ms: int, by_force: bool = False) -> Holder | None:
        """Take a bench for the recorder `token`, and say again, at least every 20 s, that it goes on.

        Returns:
            The dead recorder that held it, None where there was none.

        Raises:
            BenchHeld: when another recorder holds it; it says who and since when.
        """
        with self._write() as connection:
            return holders.hold(connection, bench, token, utc_ms, by_force)

    def release(self, bench: str, token: str) -> None:
        """Let go of a bench."""
        with self._write() as connection:
            holders.release(connection, bench, token)

    def holders(self) -> list[Holder]:
        """Who holds which bench; a dead recorder stands there until the next takes its place."""
        with self._read() as connection:
            return holders.held(connection)

    def recorders(self, utc_ms: int) -> list[Holder]:
        """The recorders that run now and write into this store."""
        with self._read() as connection:
            return holders.living(connection, utc_ms)

    # ------------------------------------------------------------ copies

    def backup(self, path: Path, utc_ms: int | None = None) -> None:
        """Copy the whole store, as it stands now, into a new SQLite file; recording may go on.

        Args:
            utc_ms: the time, where the backup is to be remembered in this store.

        Raises:
            InputError: where there is a file already.
        """
        with engine.faults(self.name):
            if self.path is not None:
                copies.backup_file(self.path, path)
            else:
                copies.backup_tables(self._reading, path, lambda part: open_store(f"sqlite:///{part}"))
        if utc_ms is not None:
            self.remember_backup(utc_ms, path)

    def remember_backup(self, utc_ms: int, path: Path) -> None:
        """Note that all of this store was in this backup at this time."""
        with self._write() as connection:
            connection.execute(insert(backups), {"at_utc_ms": utc_ms, "path": str(path)})

    def last_backup(self) -> tuple[int, str] | None:
        """(utc_ms, path) of the newest backup."""
        with self._read() as connection:
            query = select(backups.c.at_utc_ms, backups.c.path).order_by(backups.c.seq.desc()).limit(1)
            row = connection.execute(query).one_or_none()
            return None if row is None else (row.at_utc_ms, row.path)

    def take_over(self, source: Store) -> None:
        """Copy all of another store into this one, which must be empty."""
        with source._read() as reading, self._write() as connection:
            copies.copy_tables(reading, connection, self.name)

    def index_anew(self) -> None:
        """Make anew what lists and searches read."""
        with self._write() as connection:
            heat_rows.index_all(connection)
