"""Handing something to the recorder that runs in another program, through the bench's mailbox; whether it took it."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from dashboard.heat_form import MADE, one_line
from dashboard.store_place import StorePlace

if TYPE_CHECKING:
    from logger.clock import Clock
    from logger.marks import Request

#: How long a command waits for the recorder to take what it is handed, and how often it looks, s.
WAIT_S, LOOK_S = 3.0, 0.1
#: Of a note, characters.
_LONGEST_NOTE = 400


def handed_over(place: StorePlace, bench: str, wanted: Request, clock: Clock) -> bool:
    """Hand a request to the recorder of a bench; whether it took it. If not it waits there."""
    from logger.marks import Mailbox

    path = Mailbox(place.marks / bench).post(wanted)
    end_s = clock.monotonic_s() + WAIT_S
    while path.exists() and clock.monotonic_s() < end_s:
        clock.sleep(LOOK_S)
    return not path.exists()


def form_note(said: Mapping[str, Any]) -> str:
    """What was said of a sheet, for the mark that tells of it: 'gauge_mm 6; sheet_label lot 0417'."""
    words = [f"{name} {_said(value)}" for name, value in said.items() if name not in MADE]
    return one_line("; ".join(words), _LONGEST_NOTE)


def _said(value: object) -> str:
    if isinstance(value, Mapping):
        return ", ".join(f"{name} {_said(one)}" for name, one in value.items())
    if isinstance(value, bool) or value is None:
        return {True: "yes", False: "no", None: "not known"}[value]
    return "x".join(f"{side:g}" for side in value) if isinstance(value, list | tuple) else str(value)
