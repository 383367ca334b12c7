"""What changes a heat: how it begins, is filled in, moved and ended; and what is added to it then, link by link.

Functions of a connection that is inside a transaction; `logger.store.Store` says what each does and refuses.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from typing import Any

from sqlalchemy import Connection, func, insert, select, update

from logger import chain as links
from logger import heat_rows, ledger, review_rows, thinning
from logger.actions import Ended
from logger.records import (
    CHECKS,
    Attachment,
    Correction,
    HeatForm,
    HeatRecord,
    StartMove,
    corrected,
    new_id,
    value_of,
)
from logger.schema import attachments, corrections, heats, start_moves
from thermal.fields import InputError

#: Entries whose correction changes nothing of what a review found.
BESIDE_THE_HEATING = ("outcome", "outcome_kind", "notes", "job_number", "initials", "sheet_label",
                      *(f"checks.{name}" for name in CHECKS))  # fmt: skip


def begin(connection: Connection, record: HeatRecord, moves: Sequence[StartMove]) -> HeatRecord:
    """Enter an open heat; the record with its number."""
    if record.state != "open" or record.end_s is not None:
        raise InputError(f"heat of bench {record.bench} begins as {record.state}: expected an open heat, no end")
    if connection.execute(select(heats.c.id).where(heats.c.id == record.id)).one_or_none():
        return heat_rows.recorded(connection, record.id)
    ledger.lock_chain(connection)
    number = (connection.execute(select(func.max(heats.c.number))).scalar() or 0) + 1
    values = {
        "number": number,
        "id": record.id,
        "run": ledger.run_seq_of(connection, record.run),
        "start_s": float(record.start_s),
        "start_utc_ms": record.start_utc_ms,
        "state": "open",
        "outcome": record.outcome,
        "outcome_kind": record.outcome_kind,
        "form": heat_rows.form_text(record.form),
    }
    connection.execute(insert(heats), values)
    for one in moves:
        moved = {"old_start_s": one.old_start_s, "new_start_s": one.new_start_s, "who": one.who, "why": one.why}
        connection.execute(insert(start_moves), {"heat": number, **moved})
    heat_rows.index_heat(connection, number)
    return heat_rows.recorded(connection, number)


def _open_heat(connection: Connection, heat_id: str) -> HeatRecord:
    record = heat_rows.recorded(connection, heat_id)
    if record.state != "open":
        raise InputError(
            f"heat {record.number} is {record.state} and stays as it was recorded: enter a correction instead"
        )
    return record


def set_form(connection: Connection, heat_id: str, form: HeatForm) -> None:
    """Put another form in the place of an open heat's."""
    record = _open_heat(connection, heat_id)
    connection.execute(update(heats).where(heats.c.number == record.number).values(form=heat_rows.form_text(form)))
    heat_rows.index_heat(connection, record.number)


def move_start(connection: Connection, heat_id: str, new_start_s: float, who: str, why: str) -> HeatRecord:
    """Set the start of an open heat back or forward; the move is recorded."""
    record = _open_heat(connection, heat_id)
    earliest_s = max(0.0, record.start_s - thinning.KEPT_WHOLE_S)
    if not earliest_s <= new_start_s < float("inf"):
        raise InputError(
            f"start of heat {record.number} at {new_start_s} s of the run: expected {earliest_s:g} or later, "
            "as samples are kept whole for 30 minutes before a start"
        )
    before = (float(record.start_s), float(new_start_s))
    connection.execute(
        insert(start_moves),
        {"heat": record.number, "old_start_s": before[0], "new_start_s": before[1], "who": who, "why": why},
    )
    utc_ms = _utc_ms_at(connection, record, before[1])
    connection.execute(
        update(heats).where(heats.c.number == record.number).values(start_s=before[1], start_utc_ms=utc_ms)
    )
    heat_rows.index_heat(connection, record.number)
    return heat_rows.recorded(connection, record.number)


def _utc_ms_at(connection: Connection, record: HeatRecord, at_s: float) -> int:
    """UTC as the bench had it then; by the monotonic difference where it has no sample."""
    run_seq, second = ledger.run_seq_of(connection, record.run), int(at_s // 1)
    for _, utc_ms, _columns, _data in ledger.raw_blocks(connection, run_seq, second, second):
        return utc_ms + round((at_s - second) * 1000)
    return record.start_utc_ms + round((at_s - record.start_s) * 1000)


def finish(
    connection: Connection,
    heat_id: str,
    end_s: float,
    state: Ended,
    outcome: str | None,
    outcome_kind: str | None,
    form: HeatForm | None,
) -> HeatRecord:
    """End a heat for good and link it into the chain."""
    there = heat_rows.recorded(connection, heat_id)
    if (there.state, there.end_s) == (state, end_s):
        return there
    record = _open_heat(connection, heat_id)
    if not record.start_s <= end_s < float("inf"):
        raise InputError(
            f"end of heat {record.number} at {end_s} s of the run: expected its start, {record.start_s:g} s, or later"
        )
    values: dict[str, Any] = {"end_s": float(end_s), "state": state}
    values["outcome"] = record.outcome if outcome is None else outcome
    values["outcome_kind"] = record.outcome_kind if outcome_kind is None else outcome_kind
    if form is not None:
        values["form"] = heat_rows.form_text(form)
    connection.execute(update(heats).where(heats.c.number == record.number).values(**values))
    ended = heat_rows.recorded(connection, heat_id)
    ledger.lock_chain(connection)
    # What has a link already, as a mark that takes back one of an earlier heat, is not linked twice.
    own = ledger.own_links(connection)
    ledger.append(connection, "heat", ended.id, ledger.content_of(connection, ended, own))
    heat_rows.index_heat(connection, record.number)
    return heat_rows.recorded(connection, heat_id)


def correct(connection: Connection, entry: Correction) -> HeatRecord:
    """Enter a correction of a heat that has ended; the heat as it reads now."""
    record = heat_rows.recorded(connection, entry.heat_id)
    if connection.execute(select(corrections.c.id).where(corrections.c.id == entry.id)).one_or_none():
        return heat_rows.now_reads(connection, record)
    if record.state == "open":
        raise InputError(f"heat {record.number} is open: change its form; corrections are for heats that have ended")
    for name, value in (("who", entry.who), ("why", entry.why)):
        if not value.strip():
            raise InputError(f"correction of {entry.field} of heat {record.number}: {name} is empty: say {name}")
    now = heat_rows.now_reads(connection, record)
    stands = json.dumps(value_of(now, entry.field), ensure_ascii=False)
    if json.loads(entry.old) != json.loads(stands):
        raise InputError(
            f"correction of {entry.field} of heat {record.number}: old is given as {entry.old}, and {stands} "
            "stands there: look at the heat again"
        )
    after = corrected(now, [entry])
    values = {
        "id": entry.id,
        "heat": record.number,
        "at_utc_ms": entry.at_utc_ms,
        "who": entry.who,
        "why": entry.why,
        "field": entry.field,
        "old": entry.old,
        "new": entry.new,
    }
    connection.execute(insert(corrections), values)
    ledger.lock_chain(connection)
    ledger.append(connection, "correction", entry.id, links.correction_content(entry))
    heat_rows.index_heat(connection, record.number)
    if entry.field not in BESIDE_THE_HEATING:
        review_rows.forget(connection, record.number)
    return after


def attach(connection: Connection, heat_id: str, name: str, content: bytes, media_type: str, id: str | None) -> str:
    """Keep a file with a heat, open or ended; its id."""
    record = heat_rows.recorded(connection, heat_id)
    if id is not None and connection.execute(select(attachments.c.id).where(attachments.c.id == id)).all():
        return id
    one = Attachment(id or new_id(), record.id, name, media_type, content)
    values = {
        "id": one.id,
        "heat": record.number,
        "name": name,
        "media_type": media_type,
        "content": content,
    }
    connection.execute(insert(attachments), values)
    if record.state != "open":
        ledger.lock_chain(connection)
        ledger.append(connection, "attachment", one.id, links.attachment_content(one))
    return one.id
