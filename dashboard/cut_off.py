"""A heat that was going on when Pullcue stopped: its sheet may still be in the oven as Pullcue is started again."""

from __future__ import annotations

from dataclasses import dataclass

from dashboard.commands.records_options import opened
from dashboard.store_place import StorePlace
from logger.heat_book import SET_BACK_S
from logger.marks import PULLED, START
from logger.records import HeatFilter, HeatForm, HeatRecord, Mark, in_force
from thermal.fields import InputError


@dataclass(frozen=True)
class CutOff:
    """When its sheet went in, ms of UTC; what was said of it, and of its start."""

    start_utc_ms: int
    form: HeatForm
    note: str

    def ago_s(self, now_ms: int) -> float | None:
        """How long ago, s; None where it is too long for a start to be set back to it, or the clock was set back."""
        ago_s = (now_ms - self.start_utc_ms) / 1e3
        return ago_s if 0.0 <= ago_s < SET_BACK_S else None


def cut_off(place: StorePlace, bench: str, now_ms: int) -> CutOff | None:
    """The newest heat of a bench that nobody records now, where it was cut off and its sheet was not pulled.

    Asked before the bench is recorded anew. What cannot be read now is no reason not to record.
    """
    try:
        with opened(place) as store:
            heats = store.heats(HeatFilter(bench=bench, limit=1))
            if not heats or heats[0].state not in ("open", "interrupted"):
                return None
            heat = heats[0]
            marks = in_force(store.marks(bench, heat.run, heat.start_s - 60.0))
    except InputError:
        return None
    found = CutOff(heat.start_utc_ms, heat.form, _note(heat, marks))
    pulled = any(mark.name == PULLED and mark.at_s > heat.start_s for mark in marks)
    return None if pulled or found.ago_s(now_ms) is None else found


def _note(heat: HeatRecord, marks: list[Mark]) -> str:
    return next((mark.note for mark in marks if mark.id == heat.id and mark.name == START), "")
