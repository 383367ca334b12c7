"""What became of the part, entered for the heat that a bench shows: into the store, as `pullcue heats outcome` does."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

from dashboard.commands.records_options import opened
from dashboard.correcting import OUTCOMES
from dashboard.heat_form import entry
from dashboard.live_bench import LiveBench
from logger.clock import Clock
from logger.heat_export import ms_of
from logger.records import Correction, HeatRecord, new_id, value_of
from thermal.fields import InputError, shown

if TYPE_CHECKING:
    from dashboard.live_service import Live
    from logger.store import Store

#: The store is given this time to have the end of the heat, s of the machine.
_WITHIN_S, _LOOK_S = 4.0, 0.05
_WHY = "outcome entered"


def enter_outcome(live: Live, bench: LiveBench, outcome: str, kind: str | None, by: str, clock: Clock) -> None:
    """Close the heat that was pulled and keep its outcome; the earlier one, if any, stays in the record.

    Raises:
        InputError: no such outcome, no heat to say it of, or the store does not take it now.
    """
    if outcome not in OUTCOMES:
        raise InputError(f"outcome {shown(outcome)}: expected one of {', '.join(OUTCOMES)}")
    look = live.look(bench.bench.id).look
    if look.heat is None or look.told is None or look.told.pulled is None:
        raise InputError("no sheet was pulled yet: mark 'pulled' first")
    new = {"outcome": outcome, "outcome_kind": None if kind is None else entry("outcome_kind", kind)}
    if look.open:
        bench.over()
    with opened(bench.place) as store:
        heat = _ended(store, look.heat.id, clock)
        at_ms = ms_of(clock.utc())
        for field, value in new.items():
            old = value_of(heat, field)
            if old != value:
                store.correct(Correction(new_id(), heat.id, at_ms, by, _WHY, field, json.dumps(old), json.dumps(value)))
    live.keep_outcome(look.heat.id, f"{outcome}{f', {kind}' if kind else ''}, by {by}")


def _ended(store: Store, id: str, clock: Clock) -> HeatRecord:
    """The heat once the store has its end."""
    end_s = clock.monotonic_s() + _WITHIN_S
    while (heat := _found(store, id)) is None or heat.state == "open":
        if clock.monotonic_s() >= end_s:
            raise InputError(
                "the records do not have the end of this heat yet: it is safe on this disk; enter the outcome again in "
                "a minute"
            )
        clock.sleep(_LOOK_S)
    return heat


def _found(store: Store, id: str) -> HeatRecord | None:
    try:
        return store.heat(id)
    except InputError:
        return None
