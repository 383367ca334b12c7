"""The plan of a heat while it is recorded: computed beside the recording, kept in the heat's form, told in short.

Planning takes some tenths of a second, in which a board goes on sending: a thread computes, the recorder goes on. What
cannot be planned is said and kept with its reason, and a plan is made anew when the form says something else.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from datetime import date
from threading import Thread
from typing import Any

from dashboard.shop import Shop
from dashboard.units import Units
from logger.records import HeatForm, HeatRecord
from thermal.fields import InputError

#: In place of a plan: why there is none.
NOT_PLANNED = "not_planned"
#: What a plan follows from; `pullcue plan` calls it the same.
_ENTRIES = ("polymer", "gauge_mm", "oven", "set_c", "start_c", "support", "colour")
#: How long the end of a recording waits for a plan that is being computed, s.
_WAIT_S = 10.0


def planned(form: HeatForm, shop: Shop, today: date) -> str:
    """The plan of a form as JSON, as `pullcue plan --json` prints it; {"not_planned": why} where there can be none."""
    from dashboard.commands.plan_inputs import Asked, question
    from dashboard.commands.plan_json import dumps, plan_json
    from thermal.plan import plan

    needed = {"polymer": form.polymer, "gauge": form.gauge_mm, "oven": form.oven}
    missing = [name for name, value in needed.items() if value is None]
    if missing:
        return _reason(f"{' and '.join(missing)} not stated")
    told = {name: getattr(form, name) for name in _ENTRIES}
    if form.opening_mm is not None:
        told["opening_mm"] = "x".join(f"{side:.10g}" for side in form.opening_mm)
    units = Units("metric")
    try:
        asked = question(Asked(**told), shop, today, units)
        made = plan(asked.case, asked.drop_m, asked.clearance_m, asked.room_c)
        return dumps(plan_json(made, None, asked.notes, units, asked.room_c))
    except InputError as error:
        return _reason(str(error))
    except ArithmeticError as error:
        return _reason(f"this sheet in this oven cannot be computed: {error}; correct the oven card")


def _reason(why: str) -> str:
    return json.dumps({NOT_PLANNED: why}, ensure_ascii=False)


def plan_words(plan_json: str | None) -> str:
    """A kept plan in one sentence; '' where there is none."""
    if plan_json is None:
        return ""
    try:
        content = json.loads(plan_json)
        if NOT_PLANNED in content:
            return f"No plan: {content[NOT_PLANNED]}"
        window, target = content["window"], content["target"]
        moments = (("ready from", window["opens_s"]), ("pull at", target and target["time_s"]),
                   ("closes", window["closes_s"]))  # fmt: skip
    except (ValueError, TypeError, KeyError):
        return "A plan is kept that cannot be read in short"
    told = [f"{words} {Units.seconds(at_s)}" for words, at_s in moments if at_s is not None]
    return f"Planned: {', '.join(told)}" if told else "Planned: no window"


class HeatPlanner:
    """Plans the heat that is open.

    Args:
        shop: its ovens and polymers. today: for the date until which an oven card is valid. make: of a plan.
    """

    def __init__(
        self, shop: Shop, today: Callable[[], date], make: Callable[[HeatForm, Shop, date], str] = planned
    ) -> None:
        self._shop, self._today, self._make = shop, today, make
        self._for: tuple[str, tuple[Any, ...]] | None = None
        self._thread: Thread | None = None
        self._made: str | None = None
        self._card: str | None = None

    def turn(self, heat: HeatRecord | None) -> dict[str, Any]:
        """What is to be said of the open heat now: its plan, once that is made; else nothing."""
        if self._thread is not None:
            if self._thread.is_alive():
                return {}
            self._thread = None
            if heat is not None and self._for == (heat.id, _asked(heat.form)) and self._made is not None:
                # The card that the plan was made with: another may have been accepted since recording began.
                card = {} if self._card in (None, heat.form.card_json) else {"card_json": self._card}
                return {"plan_json": self._made, **card}
        if heat is not None and self._for != (heat.id, _asked(heat.form)):
            self._for, self._made, self._card = (heat.id, _asked(heat.form)), None, None
            self._thread = Thread(target=self._compute, args=(heat.form,), name="plan of a heat", daemon=True)
            self._thread.start()
        return {}

    def last(self, heat: HeatRecord | None) -> dict[str, Any]:
        """As `turn`, before the recording ends: a plan that is being computed is waited for."""
        said = self.turn(heat)
        if not said and self._thread is not None:
            self._thread.join(_WAIT_S)
            said = self.turn(heat)
        return said

    def _compute(self, form: HeatForm) -> None:
        from dashboard.recording import of_oven

        try:
            self._card = of_oven(self._shop, form).card_json
            self._made = self._make(form, self._shop, self._today())
        except Exception as error:  # a plan is an aid: whatever is wrong with it must not end the recording
            self._made = _reason(f"the plan failed ({type(error).__name__}: {error}); report this")


def _asked(form: HeatForm) -> tuple[Any, ...]:
    return (*(getattr(form, name) for name in _ENTRIES), form.opening_mm)
