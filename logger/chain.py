"""The chain over what is final: each link hashes its content and the link before, so that a change shows.

A link's content is the SHA-256 of canonical bytes: JSON with sorted keys and no spaces, UTF-8, for a heat followed by
the bytes of its samples. The link's hash is SHA-256 of 'previous|kind|ref|content' in hexadecimal. Removing the newest
links together with what they stand for leaves a shorter chain that is whole: keep the newest hash elsewhere (a backup
does) to see that too.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any, Literal

from logger.records import Attachment, Correction, HeatRecord, Mark, StartMove

Kind = Literal["heat", "correction", "attachment", "mark", "block"]
#: What the first link takes for the one before.
BEGINNING = "0" * 64


@dataclass(frozen=True)
class Link:
    """One link; `content`, `previous` and `hash` are SHA-256 in hexadecimal."""

    seq: int
    kind: Kind
    ref: str
    content: str
    previous: str
    hash: str


def canonical(table: Mapping[str, Any]) -> bytes:
    """A table as the same bytes everywhere; floats by their shortest exact form."""
    return json.dumps(table, sort_keys=True, separators=(",", ":"), ensure_ascii=False, allow_nan=False).encode()


def next_link(before: Link | None, kind: Kind, ref: str, content: str) -> Link:
    """The link that follows `before`."""
    previous = before.hash if before else BEGINNING
    return Link(before.seq + 1 if before else 1, kind, ref, content, previous, link_hash(previous, kind, ref, content))


def link_hash(previous: str, kind: str, ref: str, content: str) -> str:
    """Hash of a link."""
    return hashlib.sha256(f"{previous}|{kind}|{ref}|{content}".encode()).hexdigest()


def _mark(mark: Mark) -> dict[str, Any]:
    return {
        "id": mark.id, "run": mark.run, "at_s": mark.at_s, "utc_ms": mark.utc_ms, "name": mark.name, "by": mark.by,
        "note": mark.note, "source": mark.source, "undoes": mark.undoes,
    }  # fmt: skip


def _attachment(one: Attachment) -> dict[str, Any]:
    digest = hashlib.sha256(one.content).hexdigest()
    return {"id": one.id, "heat": one.heat_id, "name": one.name, "media_type": one.media_type, "sha256": digest}


def mark_content(mark: Mark) -> str:
    """Of a mark that was made in a heat after its end."""
    return hashlib.sha256(canonical(_mark(mark))).hexdigest()


def attachment_content(attachment: Attachment) -> str:
    """Of a file that was added to a heat after its end."""
    return hashlib.sha256(canonical(_attachment(attachment))).hexdigest()


def correction_content(entry: Correction) -> str:
    """Of a correction."""
    table = {
        "id": entry.id, "heat": entry.heat_id, "at_utc_ms": entry.at_utc_ms, "who": entry.who, "why": entry.why,
        "field": entry.field, "old": entry.old, "new": entry.new,
    }  # fmt: skip
    return hashlib.sha256(canonical(table)).hexdigest()


def block_content(second: int, utc_ms: int, columns: Iterable[str], data: bytes) -> str:
    """Of a second of samples that came into a heat after its end."""
    digest = hashlib.sha256(canonical({"second": second, "utc_ms": utc_ms, "columns": list(columns)}))
    digest.update(data)
    return digest.hexdigest()


def heat_content(
    record: HeatRecord,
    moves: Iterable[StartMove],
    attachments: Iterable[Attachment],
    marks: Iterable[Mark],
    blocks: Iterable[tuple[int, int, tuple[str, ...], bytes]],
) -> str:
    """Of a heat at its end: record, moves of its start, files, marks, and every second of samples.

    Args:
        attachments, marks: in the order of their ids.
        blocks: (second, utc_ms, columns, bytes), in order of time.
    """
    table = {
        "number": record.number, "id": record.id, "bench": record.bench, "run": record.run,
        "start_s": record.start_s, "end_s": record.end_s, "start_utc_ms": record.start_utc_ms,
        "state": record.state, "outcome": record.outcome, "outcome_kind": record.outcome_kind,
        "form": record.form.as_table(),
        "moves": [[move.old_start_s, move.new_start_s, move.who, move.why] for move in moves],
        "attachments": [_attachment(one) for one in attachments],
        "marks": [_mark(mark) for mark in marks],
    }  # fmt: skip
    digest = hashlib.sha256(canonical(table))
    for second, utc_ms, columns, data in blocks:
        digest.update(canonical({"second": second, "utc_ms": utc_ms, "columns": list(columns), "bytes": len(data)}))
        digest.update(data)
    return digest.hexdigest()
