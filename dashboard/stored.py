"""A heat taken out of the store with all that belongs to it, and its facts as JSON."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime
from hashlib import sha256
from typing import TYPE_CHECKING, Any

from logger.heat_export import BEFORE_S, MEDIA_TYPE, StoredHeat, utc_of
from logger.records import Attachment, Correction, HeatRecord, Mark, in_force

if TYPE_CHECKING:
    from logger.store import Store

#: The end of an open heat is not known: samples up to this long after its start are looked for, s.
LONGEST_S = 86400.0
#: What is marked this long after the pull (mold, vacuum, demolding) still belongs to the heat, s.
_AFTER_S = 1800.0


def is_photo(one: Attachment) -> bool:
    """Whether a file kept with a heat is a photo."""
    return one.media_type.startswith("image/")


def facts_of(store: Store, record: HeatRecord) -> StoredHeat:
    """A heat without its samples: marks, corrections, the file it came from."""
    start_s = record.start_s - BEFORE_S
    end_s = (record.start_s + LONGEST_S if record.end_s is None else record.end_s) + _AFTER_S
    attached = store.attachments(record.id)
    files = [one for one in attached if one.media_type == MEDIA_TYPE]
    return StoredHeat(
        record=store.heat(record.id, as_recorded=True),
        marks=tuple(store.marks(record.bench, record.run, start_s, end_s)),
        corrections=tuple(store.corrections(record.id)),
        file=files[0] if files else None,
        photos=tuple(one for one in attached if is_photo(one)),
        run=store.run(record.run),
    )


def whole_of(store: Store, record: HeatRecord) -> StoredHeat:
    """A heat with its samples and those of its preheat."""
    facts = facts_of(store, record)
    now = facts.current
    end_s = now.start_s + LONGEST_S if now.end_s is None else now.end_s
    blocks = store.blocks(record.bench, record.run, max(0.0, now.start_s - BEFORE_S), end_s)
    return replace(facts, blocks=tuple(blocks))


def iso(utc_ms: int) -> str:
    """UTC as JSON and CSV have it: 2026-03-04T05:06:07.250Z."""
    return _z(utc_of(utc_ms))


def _z(utc: datetime) -> str:
    return utc.isoformat(timespec="milliseconds").replace("+00:00", "Z")


#: Entries of the form of some thousand characters each.
LONG = ("plan_json", "card_json", "sensors_json")


def heat_json(record: HeatRecord, whole: bool = True) -> dict[str, Any]:
    """A heat as one JSON object.

    Args:
        whole: with the long entries of its form: plan, oven card, sensors.
    """
    form = {name: value for name, value in record.form.as_table().items() if whole or name not in LONG}
    return {
        "number": record.number,
        "id": record.id,
        "bench": record.bench,
        "run": record.run,
        "start_utc": iso(record.start_utc_ms),
        "start_s": record.start_s,
        "end_s": record.end_s,
        "duration_s": None if record.end_s is None else record.end_s - record.start_s,
        "state": record.state,
        "outcome": record.outcome,
        "outcome_kind": record.outcome_kind,
        "form": form,
        "hash": record.hash,
        "previous_hash": record.previous_hash,
    }


def mark_json(mark: Mark, start_s: float) -> dict[str, Any]:
    """A mark as one JSON object, on the heat's time."""
    return {
        "id": mark.id,
        "time_s": round(mark.at_s - start_s, 6),
        "utc": iso(mark.utc_ms),
        "name": mark.name,
        "by": mark.by,
        "note": mark.note,
        "source": mark.source,
        "undoes": mark.undoes,
    }


def correction_json(entry: Correction) -> dict[str, Any]:
    """A correction as one JSON object."""
    return {
        "id": entry.id,
        "at_utc": iso(entry.at_utc_ms),
        "who": entry.who,
        "why": entry.why,
        "field": entry.field,
        "old": entry.old,
        "new": entry.new,
    }


def facts_json(facts: StoredHeat) -> dict[str, Any]:
    """A heat with marks and corrections as one JSON object: as recorded, and as it reads now."""
    standing = {mark.id for mark in in_force(facts.marks)}
    return {
        **heat_json(facts.current),
        "recorded": heat_json(facts.record),
        "simulated": facts.simulated,
        "zone": facts.run.zone if facts.run else None,
        "recorder": facts.run.software if facts.run else None,
        "imported_file": facts.file.name if facts.file else None,
        "photos": [
            {
                "name": one.name,
                "media_type": one.media_type,
                "bytes": len(one.content),
                "sha256": sha256(one.content).hexdigest(),
            }
            for one in facts.photos
        ],
        "marks": [{**mark_json(mark, facts.current.start_s), "in_force": mark.id in standing} for mark in facts.marks],
        "corrections": [correction_json(one) for one in facts.corrections],
    }
