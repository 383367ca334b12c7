"""`pullcue watch` of a heat that is going on: the store is read each second while a recorder writes it."""

from __future__ import annotations

import datetime
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from calibration.observed import Observed
from dashboard.commands.plan_inputs import Asked, question
from dashboard.commands.watch_inputs import Wanted, followed_of, lines_in_notes
from dashboard.commands.watch_replay import title_of
from dashboard.commands.watch_views import Scene, View
from dashboard.follower import Followed, Follower, Told, silenced, untold
from dashboard.plan_measured import column_name
from dashboard.running_heat import Running, RunningHeat
from dashboard.units import Units
from logger.records import HeatForm, StoreDown
from thermal.fields import InputError

if TYPE_CHECKING:
    from dashboard.shop import Shop
    from logger.clock import Clock

#: A second's estimate is made each second, s.
_EVERY_S = 1.0
#: A bench that is silent this long is said aloud, s; beyond the second limit there is no cue any more (our choice).
STALE_S, SILENT_S = 5.0, 120.0
_NO_SHEET = (
    "The record does not say which sheet this is ({0}): mark it, as 'pullcue mark start --polymer pp-homopolymer "
    "--gauge-mm 6', or name it on this line"
)


@dataclass
class Watching:
    """Follows whatever heat is open.

    Args:
        asked: options on sheet and oven; they win over the record. more: the others.
    """

    heat: RunningHeat
    asked: Asked
    more: Wanted
    shop: Shop
    units: Units
    today: datetime.date

    def __post_init__(self) -> None:
        self._follower: Follower | None = None
        self._of: tuple[object, ...] = ()
        self._running: Running | None = None

    def scene(self, clock: Clock) -> Scene:
        """What is to be shown now; asked for each second."""
        alarms: list[str] = []
        try:
            self._running = self.heat.look()
        except StoreDown as error:
            alarms.append(f"The records cannot be read now: {error}")
            if self._running is not None:  # time goes on all the same
                silent_s = (self._running.silent_s or 0.0) + _EVERY_S
                self._running = replace(self._running, now_s=self._running.now_s + _EVERY_S, silent_s=silent_s)
        if self._running is None:
            empty = Observed(np.empty(0), {})
            where = "" if self.heat.bench is None else f" on bench {self.heat.bench!r}"
            begins = "it begins when the sheet goes in, or with 'pullcue mark start'"
            told = untold(0.0, f"No heat is open{where}: {begins}")
            return Scene(told, empty, None, "Waiting", tuple(alarms))
        return self._scene(self._running, alarms)

    def _scene(self, running: Running, alarms: list[str]) -> Scene:
        record = running.record
        title = f"Heat {record.number}, bench {record.bench}"
        known = running.seen.until(running.now_s)
        notes: tuple[str, ...] = ()
        try:
            notes = self._follow(running)
            assert self._follower is not None
            followed = self._follower.followed
            told = self._follower.at(running.seen, running.now_s)
            case = followed.case
            title = f"{title}: {title_of(case.polymer.id, case.gauge_m, case.oven.id, self.units)}"
        except InputError as error:
            return Scene(
                untold(running.now_s, str(error)), known, None, title, (*alarms, *_alarms(running, None, self.units))
            )
        alarms += _alarms(running, told, self.units)
        if told.pulled is None and running.silent_s is not None and running.silent_s > SILENT_S:
            told = silenced(told, f"Nothing has been measured for {self.units.seconds(running.silent_s)}")
        if record.state in ("aborted", "interrupted") and told.pulled is None:
            told = silenced(told, f"The record of this heat is {record.state}: nobody says what became of the sheet")
        return Scene(told, known, followed, title, tuple(alarms), (*notes, *_others(running)))

    def _follow(self, running: Running) -> tuple[str, ...]:
        """Have a follower for this heat as it is stated now; what was taken for granted, where it is a new one."""
        form, start_s = running.record.form, running.record.start_s
        lines = lines_in_notes((mark.name, mark.note) for mark in running.marks)
        of = (running.record.id, start_s, form, tuple(sorted(lines.items())))
        if of == self._of:
            return ()
        followed = self._followed(form, lines)
        new = self._of[:1] != of[:1] or self._follower is None
        self._follower, self._of = Follower(followed), of
        return followed.notes if new else ()

    def _followed(self, form: HeatForm, lines: Mapping[str, float]) -> Followed:
        asked = filled(self.asked, form)
        missing = [name for name, value in (("polymer", asked.polymer or asked.polymer_file),
                                            ("gauge", asked.gauge_mm or asked.gauge)) if not value]  # fmt: skip
        if missing:
            raise InputError(_NO_SHEET.format(f"no {' and no '.join(missing)}"))
        return followed_of(question(asked, self.shop, self.today, self.units), self.more, lines)


def filled(asked: Asked, form: HeatForm) -> Asked:
    """The options, with what the record says where they say nothing."""
    found = asked
    if not (asked.polymer or asked.polymer_file):
        found = replace(found, polymer=form.polymer)
    if asked.gauge is None and asked.gauge_mm is None:
        found = replace(found, gauge_mm=form.gauge_mm)
    if asked.set_c is None and asked.set_with_unit is None:
        found = replace(found, set_c=form.set_c)
    if not (asked.oven or asked.oven_card):
        found = replace(found, oven=form.oven)
    opening = None if form.opening_mm is None else "x".join(f"{side:g}" for side in form.opening_mm)
    support = form.support if form.support in ("frame", "tray") else None
    colour = "pigmented" if form.colour == "pattern" else form.colour
    return replace(
        found,
        start_c=form.start_c if asked.start_c is None else asked.start_c,
        support=asked.support or support,
        opening_mm=opening if asked.opening_mm is None else asked.opening_mm,
        colour=asked.colour or colour,
    )


def _alarms(running: Running, told: Told | None, units: Units) -> list[str]:
    """What is not measured though it should be, loudly."""
    found: list[str] = []
    if told is not None and told.pulled is not None:
        return found
    if running.silent_s is not None and running.silent_s > STALE_S:
        found.append(
            f"No new readings for {units.seconds(running.silent_s)}: what is shown is computed on from before. Is the "
            "recorder running?"
        )
    else:
        found += [f"{column_name(column)}: {state}" for column, state in running.troubles]
    return found


def _others(running: Running) -> tuple[str, ...]:
    names = sorted({one.bench for one in running.others} - {running.record.bench})
    return (f"Also open on: {', '.join(names)} (--bench names one)",) if names else ()


def live(watching: Watching, view: View, clock: Clock, for_s: float) -> None:
    """Show it until its time is over.

    Args:
        clock: of the machine. for_s: how long, s.
    """
    start_s = clock.monotonic_s()
    turn = 0
    with view:
        while True:
            view.show(watching.scene(clock))
            turn += 1
            # A turn that took longer is not made up for.
            turn = max(turn, int((clock.monotonic_s() - start_s) / _EVERY_S))
            wait_s = start_s + turn * _EVERY_S - clock.monotonic_s()
            if clock.monotonic_s() + max(wait_s, 0.0) - start_s >= for_s:
                return
            view.wait(clock, max(wait_s, 0.0))
