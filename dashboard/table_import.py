"""A whole-store export brought into a store: what happened is done again in the order of the chain, and checked by it.

Into an empty store the same chain comes out, hash by hash. It is done in a store of its own first, which is thrown
away: where the chain comes out another, the tables are not what was exported, and nothing of them is taken.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING, Any

from dashboard.table_files import ALTERED, KeptFile, Tables
from logger.records import Block, HeatFilter, HeatRecord, Mark, StoreBroken
from thermal.fields import InputError

if TYPE_CHECKING:
    from logger.store import Store

#: So many seconds are kept in one transaction.
_AT_ONCE = 1000


@dataclass(frozen=True)
class Taken:
    """What became of an export.

    Attributes:
        numbers: by a heat's number in the export, its number here, and whether it is new. same_chain: the chain here is
        now the export's.
    """

    numbers: dict[int, tuple[int, bool]]
    same_chain: bool


def take_in(tables: Tables, store: Store, bar: Callable[[Sequence[Any], str], Any]) -> Taken:
    """Bring an export into a store; what is there already is left as it is.

    Raises:
        InputError: the tables are not what was exported, or a heat is there already and reads differently.
    """
    from logger.store import open_store

    linked = {link.ref for link in tables.chain if link.kind == "heat"}
    for record in tables.records:
        if record.state != "open" and record.id not in linked:
            raise InputError(f"{tables.folder}: heat {record.number} has no link in the chain: {ALTERED}")
    with TemporaryDirectory(prefix="pullcue-") as folder:
        trial = open_store(f"sqlite:///{Path(folder) / 'trial.sqlite'}")
        try:
            _again(tables, trial, bar, "Checking")
            _must_be_same(tables, trial)
        finally:
            trial.close()
    there = _there(tables, store)
    _again(tables, store, bar, "Importing")
    numbers = {one.number: (store.heat(one.id).number, one.id not in there) for one in tables.records}
    return Taken(numbers, store.links() == list(tables.chain))


def _must_be_same(tables: Tables, trial: Store) -> None:
    made = trial.links()
    for link, found in zip(tables.chain, made, strict=False):
        if link != found:
            raise InputError(f"{tables.folder}: {link.kind} {link.ref} does not fit its link {link.seq}: {ALTERED}")
    if len(made) != len(tables.chain):
        raise InputError(f"{tables.folder}: {len(tables.chain)} links for {len(made)} entries: {ALTERED}")


def _there(tables: Tables, store: Store) -> set[str]:
    """Ids of heats that are in the store already.

    Raises:
        InputError: one of them reads differently there.
    """
    known = {one.id: one for one in store.heats(HeatFilter(limit=None, order="number"), as_recorded=True)}
    for one in tables.records:
        mine = known.get(one.id)
        if mine is not None and mine.state != "open" and _bare(mine) != _bare(one):
            raise InputError(
                f"{tables.folder}: heat {one.number} is here already as heat {mine.number} and reads differently: "
                "nothing was imported; compare both"
            )
    return {one.id for one in tables.records if one.id in known}


def _bare(record: HeatRecord) -> HeatRecord:
    """A record without what its store gives it."""
    return replace(record, number=0, hash=None, previous_hash=None)


def _again(tables: Tables, store: Store, bar: Callable[[Sequence[Any], str], Any], label: str) -> None:
    """Do again what happened; what was done before is left as it is."""
    late = {(link.kind, link.ref) for link in tables.chain if link.kind in ("block", "mark", "attachment")}
    late_blocks: dict[str, Block] = {}
    marks: dict[str, list[Mark]] = {}
    for mark in tables.marks:
        if ("mark", mark.id) not in late:
            marks.setdefault(mark.run, []).append(mark)
    with bar(tables.runs, label) as each:
        for run in each:
            store.begin_run(replace(run, how="open", ended_utc_ms=None))
            batch: list[Block] = []
            for block in tables.blocks(run):
                ref = f"{block.run}:{block.second}"
                if ("block", ref) in late:
                    late_blocks[ref] = block
                else:
                    batch.append(block)
                if len(batch) == _AT_ONCE:
                    store.add(batch)
                    batch.clear()
            store.add(batch, marks.get(run.id, ()))
    records = {one.id: one for one in tables.records}
    for one in sorted(tables.records, key=lambda record: record.number):
        begun = replace(_bare(one), state="open", end_s=None, outcome=None, outcome_kind=None)
        store.begin_heat(begun, tables.moves.get(one.id, ()))
    for file in tables.attachments:
        if ("attachment", file.id) not in late:
            _attach(store, file)
    _links_again(tables, store, records, late_blocks)
    for run in tables.runs:
        if run.how != "open" and run.ended_utc_ms is not None:
            store.end_run(run.id, run.how, run.ended_utc_ms)


def _attach(store: Store, file: KeptFile) -> None:
    store.attach(file.heat_id, file.name, file.content(), file.media_type, file.id)


def _links_again(tables: Tables, store: Store, records: dict[str, HeatRecord], late_blocks: dict[str, Block]) -> None:
    marks = {one.id: one for one in tables.marks}
    corrections = {one.id: one for one in tables.corrections}
    files = {one.id: one for one in tables.attachments}
    for link in tables.chain:
        try:
            match link.kind:
                case "heat":
                    one = records[link.ref]
                    if one.state == "open" or one.end_s is None:
                        raise KeyError(link.ref)
                    store.finish_heat(one.id, one.end_s, one.state, one.outcome, one.outcome_kind)
                case "correction":
                    store.correct(corrections[link.ref])
                case "attachment":
                    _attach(store, files[link.ref])
                case "mark":
                    store.add((), [marks[link.ref]])
                case "block":
                    store.add([late_blocks[link.ref]])
        except KeyError:
            raise InputError(f"{tables.folder}: {link.kind} {link.ref} of the chain is missing: {ALTERED}") from None
        except StoreBroken:
            raise
        except InputError as error:
            raise InputError(f"{tables.folder}: {link.kind} of link {link.seq} cannot be kept ({error})") from error
