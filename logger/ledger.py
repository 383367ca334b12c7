"""Links of the chain in the store: adding one, and reading the chain over for what was altered or is missing."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from functools import lru_cache
from typing import Any

from sqlalchemy import Connection, func, insert, select, text

from logger import chain as links
from logger.blobs import DamagedBlock, unpacked
from logger.chain import BEGINNING, Kind, Link
from logger.heat_rows import attachments_of, corrections_of, marks_between, marks_by, moves_of, recorded
from logger.records import HeatRecord
from logger.schema import attachments, blocks, chain, column_sets, corrections, heats, marks, runs
from thermal.fields import InputError

RawBlock = tuple[int, int, tuple[str, ...], bytes]
#: Called with links read and links in all.
Progress = Callable[[int, int], None]


@lru_cache(maxsize=256)
def column_names(names: str) -> tuple[str, ...]:
    """The names of a column set."""
    return tuple(json.loads(names))


def raw_blocks(connection: Connection, run_seq: int, first: int, last: int) -> Iterator[RawBlock]:
    """Seconds `first` to `last`, both included, in order."""
    rows = connection.execute(
        select(blocks.c.second, blocks.c.utc_ms, column_sets.c.names, blocks.c.data)
        .join(column_sets, column_sets.c.seq == blocks.c.columns)
        .where(blocks.c.run == run_seq, blocks.c.second >= first, blocks.c.second <= last)
        .order_by(blocks.c.second)
    )
    for second, utc_ms, names, data in rows:
        yield second, utc_ms, column_names(names), bytes(data)


def lock_chain(connection: Connection) -> None:
    """Keep other writers from numbering heats and links until the transaction ends."""
    if connection.dialect.name == "postgresql":  # SQLite has one writer at a time anyway
        connection.execute(text("SELECT pg_advisory_xact_lock(5770701)"))


def append(connection: Connection, kind: Kind, ref: str, content: str) -> Link:
    """Add a link; the transaction must hold `lock_chain`."""
    last = connection.execute(select(chain).order_by(chain.c.seq.desc()).limit(1)).one_or_none()
    link = links.next_link(Link(*last) if last else None, kind, ref, content)
    connection.execute(
        insert(chain),
        {"seq": link.seq, "kind": kind, "ref": ref, "content": content, "previous": link.previous, "hash": link.hash},
    )
    return link


def run_seq_of(connection: Connection, run: str) -> int:
    """The row of a run.

    Raises:
        InputError: where there is none.
    """
    seq: int | None = connection.execute(select(runs.c.seq).where(runs.c.id == run)).scalar_one_or_none()
    if seq is None:
        raise InputError(f"run {run}: the store holds none of this id")
    return seq


def block_ref(run: str, second: int) -> str:
    """What a link calls a second of samples."""
    return f"{run}:{second}"


def content_of(connection: Connection, record: HeatRecord, own_link: frozenset[tuple[str, str]]) -> str:
    """What a heat's link hashes: all of it but what came later and has a link of its own."""
    if record.end_s is None:
        raise InputError(f"heat {record.number} has no end yet")
    run_seq = run_seq_of(connection, record.run)
    marks_in = marks_between(connection, run_seq, record.start_s, record.end_s)
    return links.heat_content(
        record,
        moves_of(connection, record),
        [one for one in attachments_of(connection, record) if ("attachment", one.id) not in own_link],
        sorted((m for m in marks_in if ("mark", m.id) not in own_link), key=lambda m: m.id),
        (
            block
            for block in raw_blocks(connection, run_seq, int(record.start_s // 1), int(record.end_s // 1))
            if ("block", block_ref(record.run, block[0])) not in own_link
        ),
    )


def own_links(connection: Connection) -> frozenset[tuple[str, str]]:
    """(kind, ref) of everything that came after the end of its heat."""
    rows = connection.execute(
        select(chain.c.kind, chain.c.ref).where(chain.c.kind.in_(("attachment", "mark", "block")))
    )
    return frozenset((kind, ref) for kind, ref in rows)


def verify(connection: Connection, progress: Progress | None = None) -> list[str]:
    """What is altered, missing or damaged, a sentence each; empty when all is as it was recorded."""
    problems = _broken_links(connection)
    rows = [Link(*row) for row in connection.execute(select(chain).order_by(chain.c.seq))]
    own = own_links(connection)
    for done, link in enumerate(rows, 1):
        problems += _broken_content(connection, link, own)
        if progress is not None:
            progress(done, len(rows))
    problems += _without_link(connection)
    problems += _damaged_blocks(connection)
    return problems


def _broken_links(connection: Connection) -> list[str]:
    problems = []
    seq, previous = 0, BEGINNING
    for row in connection.execute(select(chain).order_by(chain.c.seq)):
        link = Link(*row)
        if link.seq != seq + 1:
            missing = f"link {seq + 1} is" if link.seq == seq + 2 else f"links {seq + 1} to {link.seq - 1} are"
            problems.append(f"chain: {missing} missing: what stood there was removed")
        elif link.previous != previous:
            problems.append(f"chain: link {link.seq} does not follow link {seq}: one of them was altered")
        if link.hash != links.link_hash(link.previous, link.kind, link.ref, link.content):
            problems.append(f"chain: link {link.seq} ({link.kind} {link.ref}) was altered")
        seq, previous = link.seq, link.hash
    return problems


def _broken_content(connection: Connection, link: Link, own: frozenset[tuple[str, str]]) -> list[str]:
    what, found = link.ref, None
    try:
        what, found = _CONTENTS[link.kind](connection, link.ref, own)
    except InputError as error:
        return [f"{link.kind} {link.ref} (link {link.seq}) is missing or cannot be read: {error}"]
    except (ValueError, TypeError) as error:
        return [f"{link.kind} {link.ref} (link {link.seq}) was altered: it cannot be read: {error}"]
    if found is None:
        return [f"{what} (link {link.seq}) is missing"]
    return [] if found == link.content else [f"{what} (link {link.seq}) was altered after it was recorded"]


_Found = tuple[str, str | None]


def _heat(connection: Connection, ref: str, own: frozenset[tuple[str, str]]) -> _Found:
    if connection.execute(select(heats.c.id).where(heats.c.id == ref)).one_or_none() is None:
        return f"heat of id {ref}", None
    record = recorded(connection, ref)
    return f"heat {record.number} of bench {record.bench}", content_of(connection, record, own)


def _correction(connection: Connection, ref: str, _: frozenset[tuple[str, str]]) -> _Found:
    number = connection.execute(select(corrections.c.heat).where(corrections.c.id == ref)).scalar_one_or_none()
    if number is None:
        return f"correction {ref}", None
    entry = next(one for one in corrections_of(connection, [number])[number] if one.id == ref)
    return f"correction of {entry.field} of heat {number}", links.correction_content(entry)


def _attachment(connection: Connection, ref: str, _: frozenset[tuple[str, str]]) -> _Found:
    number = connection.execute(select(attachments.c.heat).where(attachments.c.id == ref)).scalar_one_or_none()
    if number is None:
        return f"attachment {ref}", None
    one = next(one for one in attachments_of(connection, recorded(connection, number)) if one.id == ref)
    return f"attachment {one.name} of heat {number}", links.attachment_content(one)


def _mark(connection: Connection, ref: str, _: frozenset[tuple[str, str]]) -> _Found:
    found = marks_by(connection, marks.c.id == ref)
    if not found:
        return f"mark {ref}", None
    return f"mark {found[0].name!r} of bench {found[0].bench}", links.mark_content(found[0])


def _block(connection: Connection, ref: str, _: frozenset[tuple[str, str]]) -> _Found:
    run, _colon, second = ref.rpartition(":")
    found = list(raw_blocks(connection, run_seq_of(connection, run), int(second), int(second)))
    what = f"second {second} of run {run}"
    return what, links.block_content(*found[0]) if found else None


_CONTENTS: dict[str, Callable[[Connection, str, frozenset[tuple[str, str]]], _Found]] = {
    "heat": _heat,
    "correction": _correction,
    "attachment": _attachment,
    "mark": _mark,
    "block": _block,
}


def _without_link(connection: Connection) -> list[str]:
    """What should have a link and has none, and heats whose number is missing."""
    has = select(chain.c.ref)
    bare = connection.execute(
        select(heats.c.number).where(heats.c.state != "open", heats.c.id.not_in(has.where(chain.c.kind == "heat")))
    ).scalars()
    problems = [f"heat {number} has ended and stands in no link of the chain" for number in bare]
    alone = connection.execute(
        select(corrections.c.field, corrections.c.heat).where(
            corrections.c.id.not_in(has.where(chain.c.kind == "correction"))
        )
    )
    problems += [f"correction of {field} of heat {number} stands in no link of the chain" for field, number in alone]
    numbers = set(connection.execute(select(heats.c.number)).scalars())
    gaps = [number for number in range(1, max(numbers, default=0) + 1) if number not in numbers]
    return problems + [f"heat {number} is missing" for number in gaps]


def _damaged_blocks(connection: Connection) -> list[str]:
    problems: list[str] = []
    total = connection.execute(select(func.max(blocks.c.seq))).scalar() or 0
    rows: Any = connection.execution_options(yield_per=1000).execute(
        select(runs.c.bench, runs.c.id, blocks.c.second, blocks.c.data)
        .join(runs, runs.c.seq == blocks.c.run)
        .where(blocks.c.seq <= total)
    )
    for bench, run, second, data in rows:
        try:
            unpacked(bytes(data))
        except DamagedBlock as error:
            problems.append(f"second {second} of run {run} of bench {bench} is damaged: {error}")
    return problems
