"""Stored heats and heat files, both ways: values only, no store and no clock.

A heat that was recorded here becomes a heat file: its samples on the heat's own time, its marks as events, its form as
metadata. A heat file becomes a stored heat with the file itself beside it, byte for byte, so that giving it back loses
nothing; its bench is `IMPORTED` and its run names the file's SHA-256.
"""

from __future__ import annotations

import hashlib
import math
import re
from collections.abc import Iterable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from itertools import groupby, pairwise
from pathlib import PurePath
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from logger.bench import column_of
from logger.cells import guarded, unguarded
from logger.comments import SENSOR
from logger.heatfile import heat_from_bytes
from logger.marks import FORM
from logger.metadata import metadata_of, typed_metadata
from logger.reading import State
from logger.records import (
    CHECKS,
    NOT_SAMPLED,
    STATE_CODES,
    Attachment,
    Block,
    Correction,
    HeatForm,
    HeatRecord,
    Mark,
    Run,
    corrected,
    in_force,
)
from logger.sensor_places import for_heat_file, of_heat
from thermal.fields import InputError
from thermal.heat import COLOURS, EVENTS, SUPPORTS, TIME_S, Event, Heat, role_of

#: The bench of heats that came from files.
IMPORTED = "imported"
MEDIA_TYPE = "text/csv"
#: Samples this long before the start belong to the heat's file: the oven's preheat, s.
BEFORE_S = 1800.0
#: Columns of what sources sent before it was converted begin so.
RAW = "raw:"
#: In a run's software: what was recorded came from a computed oven.
SIMULATED = "simulated"
#: Metadata of a file whose texts carry apostrophes (`logger.cells`).
GUARDED = "text_cells"
_GUARD = "guarded"
_START = "start"
_MS = 1000

#: What the form calls what a heat file has under another name.
_FORM_KEYS: Mapping[str, str] = {
    "sheet_label": "label",
    "job_number": "job_number",
    "initials": "initials",
    "dried_hours": "dried_hours",
    "dried_c": "dried_c",
    "heated_before": "heated_before",
    "other_sheets": "other_sheets",
    "notes": "notes",
    "polymer_version": "polymer_version",
    "software": "software",
}
#: Of the record itself: a heat file has them under the same names.
_RECORD_KEYS = ("outcome", "outcome_kind", "start_s", "end_s")
#: Metadata that an exported heat has beyond what a heat file's reader knows: the record's, and no mistake of a file's.
OF_RECORD = frozenset({
    "heat", "heat_id", "bench", "start_utc", "state", "outcome", "outcome_kind", "hash", "checks", "marks",
    "corrections", GUARDED, *_FORM_KEYS.values(),
})  # fmt: skip
_TEXTS = ("sheet_label", "job_number", "initials", "notes", "polymer_version", "software")


@dataclass(frozen=True)
class StoredHeat:
    """All that a store holds of one heat.

    Attributes:
        record: as it was finished. blocks: its samples and those of the preheat, in order of time. marks: of its run,
        those taken back too. file: the heat file it came from. photos: of the sheet's label. run: None where not known.
    """

    record: HeatRecord
    blocks: tuple[Block, ...] = ()
    marks: tuple[Mark, ...] = ()
    corrections: tuple[Correction, ...] = ()
    file: Attachment | None = None
    run: Run | None = None
    photos: tuple[Attachment, ...] = ()

    @property
    def current(self) -> HeatRecord:
        """The record as it reads after its corrections."""
        return corrected(self.record, self.corrections)

    @property
    def simulated(self) -> bool:
        """Whether a computer made up what was recorded."""
        return self.run is not None and SIMULATED in self.run.software


# ---------------------------------------------------------------- stored heat -> heat


def heat_of(stored: StoredHeat, raw: bool = False) -> Heat:
    """A stored heat as a Heat.

    Args:
        raw: with the columns of what the sources sent before conversion, 'raw:...'.

    An imported one is exactly what its file says; corrections made here since then replace what they correct and are
    listed in the metadata.

    Raises:
        InputError: no sample was recorded during the heat, or something in it that no heat file can hold.
    """
    if stored.file is not None:
        heat = _unguarded(heat_from_bytes(stored.file.content, stored.file.name))
        return _with_corrections(heat, stored) if stored.corrections else heat
    return _recorded(stored, raw)


def _recorded(stored: StoredHeat, raw: bool) -> Heat:
    now = stored.current
    start_ms = round(now.start_s * _MS)
    columns, at_ms, values = merged(stored.blocks)
    end_ms = math.inf if now.end_s is None else round(now.end_s * _MS)
    inside = (at_ms >= start_ms - round(BEFORE_S * _MS)) & (at_ms <= end_ms)
    if not inside.any():
        raise InputError(
            f"heat {now.number}: nothing was measured during it: there is no curve; see 'pullcue heats "
            f"{now.number}' for what is known of it"
        )
    marks = [mark for mark in in_force(stored.marks) if TIME_S.holds(mark.at_s - now.start_s)]
    form = now.form
    known = {
        "polymer": form.polymer,
        "gauge_mm": form.gauge_mm,
        "oven": form.oven,
        "support": form.support if form.support in SUPPORTS else None,
        "opening_mm": None if form.opening_mm is None else list(form.opening_mm),
        "start_c": form.start_c,
        "set_c": form.set_c,
        "colour": form.colour if form.colour in COLOURS else None,
        "simulated": stored.simulated or None,
    }
    if form.opening_mm is not None and len(form.opening_mm) == 1:
        known["opening_mm"] = form.opening_mm[0]
    told: dict[str, Any] = {name: value for name, value in known.items() if value not in (None, "")}
    told["sensor"] = for_heat_file(form.sensors_json, form.gauge_mm)
    typed = typed_metadata(told, f"heat {now.number}")
    return Heat(
        time_s=(at_ms[inside] - start_ms) / _MS,
        columns={name: values[inside, index] for index, name in enumerate(columns) if raw or not name.startswith(RAW)},
        events=_events(marks, now),
        **(typed | {"extra": _extra(stored, marks) | typed["extra"]}),
    )


def merged(blocks: Sequence[Block]) -> tuple[tuple[str, ...], NDArray[np.int64], NDArray[np.float64]]:
    """Samples of several blocks as one table.

    Rows of several sources at the same millisecond become one. Where one source has several rows in a millisecond, each
    but the first comes a millisecond later: none is lost.

    Returns:
        Columns with their unit (air_upper_c); times, shape (n,), ms of the run, increasing; values, shape (n, columns).
    """
    columns = tuple(dict.fromkeys(_column(name) for block in blocks for name in block.columns))
    place = {name: index for index, name in enumerate(columns)}
    parts: list[tuple[list[int], NDArray[np.int64], NDArray[np.float64], NDArray[np.uint8]]] = []
    for names, group in groupby(blocks, key=lambda block: block.columns):
        same = list(group)
        times = np.concatenate([block.offsets_ms.astype(np.int64) + block.second * _MS for block in same])
        states, values = (np.concatenate([getattr(block, name) for block in same]) for name in ("states", "values"))
        parts.append(([place[_column(name)] for name in names], times, values, states))
    if not parts:
        return columns, np.empty(0, np.int64), np.empty((0, 0))
    apart = []
    for places, times, values, states in parts:
        # Rows that sampled the same columns are of one source, and each has a moment of its own.
        sampled = states != NOT_SAMPLED
        own = times.copy()
        kinds = np.unique(sampled, axis=0, return_inverse=True)[1].reshape(-1)
        for kind in range(int(kinds.max()) + 1 if kinds.size else 0):
            rows = np.flatnonzero(kinds == kind)
            steps = np.arange(rows.size)
            own[rows] = np.maximum.accumulate(times[rows] - steps) + steps
        apart.append((places, own, values, sampled))
    at_ms, whole = np.unique(np.concatenate([own for _, own, _, _ in apart]), return_inverse=True)
    table = np.full((at_ms.size, len(columns)), np.nan)
    first = 0
    for places, own, values, sampled in apart:
        rows = whole[first : first + own.size]
        first += own.size
        for source, target in enumerate(places):
            taken = sampled[:, source] & ~np.isnan(values[:, source])
            table[rows[taken], target] = values[taken, source]
    return columns, at_ms, table


def _column(role: str) -> str:
    return column_of(role) or role


def _events(marks: Iterable[Mark], now: HeatRecord) -> tuple[Event, ...]:
    """What people, door and buttons marked, on the heat's time; the start itself is time 0 and needs no event."""
    found = [
        Event(round(mark.at_s * _MS - now.start_s * _MS) / _MS, event_name(mark.name))
        for mark in marks
        if not mark.of_machine
        and mark.name not in (_START, FORM)
        and (now.end_s is None or mark.at_s <= now.end_s + BEFORE_S)
    ]
    return tuple(sorted((one for one in found if one.time_s >= -BEFORE_S), key=lambda one: one.time_s))


def event_name(name: str) -> str:
    """A mark's name as a heat file can hold it: 'on mold' is 'on_mold'."""
    tidy = " ".join(name.replace(";", " ").split()) or "mark"
    joined = tidy.replace(" ", "_").lower()
    return joined if joined in EVENTS else tidy


def _extra(stored: StoredHeat, marks: Iterable[Mark]) -> dict[str, Any]:
    """What a heat file has no key of its own for, so that the reader of the file is told all the same."""
    now = stored.current
    told: dict[str, Any] = {
        "heat": now.number,
        "heat_id": now.id,
        "bench": now.bench,
        "start_utc": utc_of(now.start_utc_ms),
        "state": now.state,
        "outcome": now.outcome,
        "outcome_kind": now.outcome_kind,
        "hash": now.hash,
    }
    told |= {key: getattr(now.form, name) for name, key in _FORM_KEYS.items()}
    told["checks"] = dict(now.form.checks) or None
    told["marks"] = [
        {"time_s": mark.at_s - now.start_s, "name": mark.name, "by": mark.by, "note": mark.note, "source": mark.source}
        for mark in marks
        if mark.by or mark.note or mark.of_machine
    ] or None
    told["corrections"] = _correction_tables(stored.corrections) or None
    return {key: _kept(value) for key, value in told.items() if value is not None}


def _kept(value: Any) -> Any:
    """The value without what a heat file refuses in a text: zero bytes."""
    return value.replace("\0", "\N{REPLACEMENT CHARACTER}") if isinstance(value, str) else value


def _correction_tables(corrections: Iterable[Correction]) -> list[dict[str, Any]]:
    return [
        {
            "at": utc_of(one.at_utc_ms),
            "who": one.who,
            "why": one.why,
            "field": one.field,
            "old": one.old,
            "new": one.new,
        }
        for one in corrections
    ]


def _with_corrections(heat: Heat, stored: StoredHeat) -> Heat:
    """An imported heat with what was corrected here."""
    now, extra = stored.current.form, dict(heat.extra)
    tree = metadata_of(replace(heat, extra={}))
    for name in dict.fromkeys(one.field for one in stored.corrections):
        if name in ("polymer", "gauge_mm", "oven", "support", "opening_mm", "set_c", "start_c", "colour"):
            value = getattr(now, name)
            tree[name] = list(value) if isinstance(value, tuple) else value
        elif name in _FORM_KEYS:
            extra[_FORM_KEYS[name]] = getattr(now, name)
        elif name.startswith("checks."):
            extra["checks"] = dict(now.checks)
        elif name in _RECORD_KEYS:
            extra[name] = getattr(stored.current, name)
    extra["corrections"] = [*extra.get("corrections", []), *_correction_tables(stored.corrections)]
    told = typed_metadata({k: v for k, v in tree.items() if v is not None}, stored.file.name if stored.file else "")
    return replace(heat, **(told | {"extra": {key: value for key, value in extra.items() if value is not None}}))


def utc_of(utc_ms: int) -> datetime:
    """The moment of so many ms since 1970."""
    return datetime(1970, 1, 1, tzinfo=UTC) + timedelta(milliseconds=utc_ms)


def ms_of(utc: datetime) -> int:
    """Whole ms since 1970."""
    return (utc - datetime(1970, 1, 1, tzinfo=UTC)) // timedelta(milliseconds=1)


# ---------------------------------------------------------------- heat file -> stored heat


@dataclass(frozen=True)
class Imported:
    """A heat file, ready to be kept. `record` is open: the store closes it with the state `how`."""

    run: Run
    record: HeatRecord
    blocks: tuple[Block, ...]
    marks: tuple[Mark, ...]
    file: Attachment
    end_s: float
    how: Literal["finished", "aborted", "interrupted"]
    outcome: str | None
    outcome_kind: str | None
    heat: Heat


def heat_id_of(content: bytes) -> str:
    """The id of the heat that a file's content becomes: the same content is the same heat, however it is called."""
    return hashlib.sha256(content).hexdigest()[:32]


def _part(sha256: str, index: int) -> str:
    """An id that is the same when a cut-off import is done again: nothing is doubled."""
    return hashlib.sha256(f"{sha256} {index}".encode()).hexdigest()[:32]


def imported(content: bytes, name: str, at: datetime, software: str) -> Imported:
    """A heat file as a stored heat.

    Args:
        content: of the file. name: of the file, without its folder. at: now, UTC; the heat's date where the file states
        none. software: this version.

    Raises:
        InputError: it is no heat file.
    """
    raw = heat_from_bytes(content, name)
    heat = _unguarded(raw)
    sha256 = hashlib.sha256(content).hexdigest()
    heat_id = run_id = heat_id_of(content)
    first_s = min(float(heat.time_s[0]), *(event.time_s for event in heat.events), 0.0)
    shift_s = -math.floor(first_s)
    started = _start_utc(heat) or at
    start_ms = ms_of(started) - shift_s * _MS
    last_s = max(float(heat.time_s[-1]), *(event.time_s for event in heat.events), 0.0)
    kind = f", {SIMULATED}" if heat.simulated else ""
    no_date = "its start_utc is no time with its zone" if "start_utc" in heat.extra else "the file states no date"
    dated = "" if _start_utc(heat) else f"; {no_date}, so its heat is dated by its import"
    run = Run(run_id, IMPORTED, start_ms, "UTC", f"{software}, import{kind}")
    where_from = f"{name}, SHA-256 {sha256}{dated}"
    marks = [
        Mark(_part(sha256, 0), IMPORTED, run_id, float(shift_s), ms_of(started), "imported", "", where_from, "machine")
    ]
    for index, event in enumerate(heat.events, 1):
        utc_ms = ms_of(started) + round(event.time_s * _MS)
        marks.append(Mark(_part(sha256, index), IMPORTED, run_id, event.time_s + shift_s, utc_ms, event.name))
    state = heat.extra.get("state")
    return Imported(
        run=run,
        record=HeatRecord(0, heat_id, IMPORTED, run_id, float(shift_s), ms_of(started), form=_form(heat)),
        blocks=_blocks(heat, run_id, shift_s, start_ms),
        marks=tuple(marks),
        file=Attachment(_part(sha256, -1), heat_id, PurePath(name).name, MEDIA_TYPE, content),
        end_s=last_s + shift_s,
        how=state if state in ("aborted", "interrupted") else "finished",
        outcome=_text(heat.extra.get("outcome")),
        outcome_kind=_text(heat.extra.get("outcome_kind")),
        heat=heat,
    )


def _blocks(heat: Heat, run: str, shift_s: int, start_ms: int) -> tuple[Block, ...]:
    """A block for each second that has rows; times to the millisecond (the file itself has them exactly)."""
    names = tuple(heat.columns)
    table = np.column_stack([heat.columns[name] for name in names]) if names else np.empty((heat.time_s.size, 0))
    seconds = np.floor(heat.time_s)
    offsets = np.minimum(np.floor((heat.time_s - seconds) * _MS), _MS - 1).astype(np.int32)
    blocks = []
    edges = [0, *(np.flatnonzero(np.diff(seconds)) + 1).tolist(), seconds.size]
    ok, missing = STATE_CODES[State.OK], STATE_CODES[State.MISSING]
    columns = tuple(_role(name) for name in names)
    for begin, end in pairwise(edges):
        second = int(seconds[begin]) + shift_s
        values = np.array(table[begin:end], dtype=np.float64)
        states = np.where(np.isnan(values), missing, ok).astype(np.uint8)
        utc_ms = start_ms + second * _MS
        blocks.append(Block(IMPORTED, run, second, utc_ms, columns, offsets[begin:end], values, states))
    return tuple(blocks)


def _role(column: str) -> str:
    """The role of a known column ('air_upper_c' -> 'air_upper'); others keep their name."""
    return column.rpartition("_")[0] if role_of(column) is not None else column


def _start_utc(heat: Heat) -> datetime | None:
    """When the file says that the sheet went in, also where it says so in quotation marks; None: it does not."""
    stated = heat.extra.get("start_utc")
    if isinstance(stated, str):
        with suppress(ValueError):
            stated = datetime.fromisoformat(stated)
    return stated.astimezone(UTC) if isinstance(stated, datetime) and stated.tzinfo is not None else None


def _text(value: object) -> str | None:
    return value if isinstance(value, str) and value.strip() else None


def _form(heat: Heat) -> HeatForm:
    """What the file says of the heat; what it says in another form than ours stays in the file alone."""
    tree = metadata_of(replace(heat, extra={}, sensors={}))
    opening = tree.get("opening_mm")
    told: dict[str, Any] = {name: tree.get(name) for name in ("polymer", "gauge_mm", "oven", "support", "start_c",
                                                              "set_c", "colour")}  # fmt: skip
    told["opening_mm"] = (opening,) if isinstance(opening, float) else tuple(opening) if opening else None
    for name, key in _FORM_KEYS.items():
        value = heat.extra.get(key)
        if name in _TEXTS:
            told[name] = _text(value)
        elif name == "heated_before":
            told[name] = value if isinstance(value, bool) else None
        elif isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value):
            told[name] = int(value) if name == "other_sheets" else float(value)
    told["sensors_json"] = of_heat(heat, heat.extra.get(SENSOR, {}))
    checks = heat.extra.get("checks")
    if isinstance(checks, Mapping):
        told["checks"] = {name: checks[name] for name in CHECKS if isinstance(checks.get(name), bool)}
    return HeatForm(**told)


# ---------------------------------------------------------------- spreadsheets


def for_spreadsheet(heat: Heat) -> Heat:
    """The heat with an apostrophe before each text that a spreadsheet would run; `imported` takes it off."""
    columns = {guarded(name): values for name, values in heat.columns.items()}
    texts = {guarded(name): tuple(map(guarded, cells)) for name, cells in heat.text_columns.items()}
    # A cell may hold several events: their first one decides.
    events = tuple(replace(event, name=guarded(event.name)) for event in heat.events)
    if (columns.keys(), texts, events) == (heat.columns.keys(), dict(heat.text_columns), heat.events):
        return heat
    return replace(heat, columns=columns, text_columns=texts, events=events, extra=dict(heat.extra) | {GUARDED: _GUARD})


def _unguarded(heat: Heat) -> Heat:
    if heat.extra.get(GUARDED) != _GUARD:
        return heat
    return replace(
        heat,
        columns={unguarded(name): values for name, values in heat.columns.items()},
        text_columns={unguarded(name): tuple(map(unguarded, cells)) for name, cells in heat.text_columns.items()},
        events=tuple(replace(event, name=unguarded(event.name)) for event in heat.events),
        extra={key: value for key, value in heat.extra.items() if key != GUARDED},
    )


def file_name(record: HeatRecord) -> str:
    """A name for a heat's file that every system can hold: its parts are reduced to letters, digits, '-' and '_'."""
    parts = [f"heat-{record.number:04d}", record.form.oven or record.bench, record.form.polymer or ""]
    if record.form.gauge_mm is not None:
        parts.append(f"{record.form.gauge_mm:g}mm")
    return "-".join(re.sub(r"[^A-Za-z0-9_]+", "-", part).strip("-")[:40] for part in parts if part.strip()) + ".csv"
