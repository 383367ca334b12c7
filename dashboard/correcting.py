"""Later entries beside a heat that has ended, or the form of one that still goes on: for commands and pages alike."""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from dashboard.commands.records_options import opened
from dashboard.handing import form_note, handed_over
from dashboard.store_place import StorePlace
from logger.clock import Clock
from logger.heat_export import ms_of
from logger.marks import FORM, request
from logger.records import Correction, HeatRecord, corrected, new_id, value_of
from thermal.fields import InputError

if TYPE_CHECKING:
    from logger.store import Store

#: What became of a part.
OUTCOMES = ("accepted", "failed", "discarded")


def enter(
    place: StorePlace, number: int, new: Mapping[str, Any], who: str, why: str, clock: Clock
) -> tuple[HeatRecord, list[Correction]]:
    """Add one correction for each entry that changes; what a heat says that still goes on is filled in.

    Returns:
        The heat as it read before, and the entries.

    Raises:
        InputError: no such heat, or what it cannot be made to say; nothing was changed.
    """
    at_ms = ms_of(clock.utc())
    with opened(place) as kept:
        now = kept.heat(number)
        entries = [
            Correction(new_id(), now.id, at_ms, who, why, field, *map(_as_json, (value_of(now, field), value)))
            for field, value in new.items()
            if value_of(now, field) != value
        ]
        after = corrected(now, entries)  # refuses what the field cannot hold, before anything is kept
        recorded = now.state == "open" and now.bench in [one.bench for one in kept.recorders(at_ms)]
        if now.state == "open":
            _refuse_of_open(now, after, recorded)
        if now.state == "open" and not recorded:
            _fill_in(kept, now, after, who, why)
        elif not recorded:
            for one in entries:
                kept.correct(one)
    if recorded and entries:
        _through_recorder(place, now.bench, {one.field: json.loads(one.new) for one in entries}, who, why, clock)
    return now, entries


def _refuse_of_open(now: HeatRecord, after: HeatRecord, recorded: bool) -> None:
    """Refuse what cannot be said of a heat that still goes on."""
    if (now.outcome, now.outcome_kind, now.end_s) != (after.outcome, after.outcome_kind, after.end_s):
        raise InputError(f"heat {now.number} is still going on: expected one that has ended; mark its end first")
    if recorded and after.start_s != now.start_s:
        raise InputError(
            f"heat {now.number} is still going on: its start is moved with 'pullcue mark start --ago TIME'"
        )


def _fill_in(store: Store, now: HeatRecord, after: HeatRecord, who: str, why: str) -> None:
    """Change a heat without an end whose recorder does not run: its form, or its start, whose move is recorded."""
    if after.start_s != now.start_s:
        store.move_start(now.id, after.start_s, who, why)
    if after.form != now.form:
        store.set_form(now.id, after.form)


def _through_recorder(place: StorePlace, bench: str, new: dict[str, Any], who: str, why: str, clock: Clock) -> None:
    """The recorder has the form of its heat in hand, and would write over what another program puts there."""
    checks = {name.removeprefix("checks."): done for name, done in new.items() if name.startswith("checks.")}
    said = {name: value for name, value in new.items() if not name.startswith("checks.")}
    form = said | ({"checks": checks} if checks else {})
    wanted = request(FORM, ms_of(clock.utc()), by=who, note=f"{why}: {form_note(form)}", form=form)
    if not handed_over(place, bench, wanted, clock):
        raise InputError(f"bench {bench}: its recorder has not taken this yet; it is kept and waits for it")


def _as_json(value: Any) -> str:
    return json.dumps(value, ensure_ascii=False, allow_nan=False)
