"""One bench followed from sheet to sheet: seconds in, looks out. No clock, no thread, no file but the shop's."""

from __future__ import annotations

import datetime
import math
from collections.abc import Callable

from calibration.observed import Observed
from dashboard.aside import Elsewhere
from dashboard.bench_look import Look, Second
from dashboard.follower import Followed, Follower, Told, silenced, untold
from dashboard.heat_curve import Curve, row_of
from dashboard.heat_followed import Stated, followed, stated
from dashboard.pull_score import Score, Truth
from dashboard.seconds import Seconds
from dashboard.shop import Shop
from dashboard.units import Units
from logger.bench import Bench
from logger.heat_export import event_name
from logger.marks import FORM, START
from logger.records import HeatRecord, Mark
from thermal.fields import InputError
from thermal.heat import Event

#: Readings of so long before the sheet went in tell how warm the walls were, s.
_BEFORE_S = 1800.0
#: A mark that belongs to a heat may have been made a little before its start, s.
_JUST_BEFORE_S = 60.0
#: Without a reading for so long there is no cue any more, s (our choice; as `pullcue watch`).
SILENT_S = 120.0

#: One wild sample, or a drop that is seen a moment after its sheet, is no trouble: it has to last so long, s (ours).
_LASTS_S = 3.0
#: What was well for longer than this is well again, s (ours).
_WELL_S = 3.0

#: Judges a practice pull; None: there is nothing to judge.
Judge = Callable[[Followed], tuple[Score, Truth] | None]


class HeatWatch:
    """Follows the heats of one bench.

    Args:
        today: the date on the wall. judge: of a pull, where the oven is a practice oven; asked once a pull.
        elsewhere, walks: see `Follower`.
    """

    def __init__(
        self, bench: Bench, shop: Shop, today: Callable[[], datetime.date], judge: Judge | None = None,
        elsewhere: Elsewhere | None = None, walks: bool = True,
    ) -> None:  # fmt: skip
        self._bench, self._shop, self._today, self._judge = bench, shop, today, judge
        self._elsewhere, self._walks = elsewhere, walks
        self._sensors = {role.name: role.sensor for role in bench.roles}
        self._lines = dict(bench.lines_mm or {})
        self._seconds = Seconds()
        self._now: Second | None = None
        self._heard_s: float | None = None
        self._unwell_s: dict[str, tuple[float, float]] = {}  # since when, and last
        self._heat: HeatRecord | None = None
        self._of: tuple[str, float, Stated] | None = None
        self._follower: Follower | None = None
        self._why_not = ""
        self._curve: Curve | None = None
        self._judged: tuple[Score, Truth] | None = None

    def take(self, second: Second) -> None:
        """Take in a second; cheap."""
        self._now = second
        if second.values:
            self._heard_s = second.at_s
        for column, _ in (*second.troubles, *second.remarks):
            since_s, last_s = self._unwell_s.get(column, (second.at_s, second.at_s))
            # Well for a moment only: a plug that flickers is as bad as one that is open.
            flickers = second.at_s - last_s <= _WELL_S
            self._unwell_s[column] = (since_s if flickers else second.at_s, second.at_s)
        self._seconds.add(second.at_s, second.values)
        start_s = second.at_s if second.heat is None else second.heat.start_s
        self._seconds.keep_from(min(start_s, second.at_s) - _BEFORE_S)

    def look(self) -> Look:
        """The bench as it stands after the last second; computes the estimate."""
        now = self._now
        if now is None:
            return Look(self._bench.id, self._bench.oven)
        marks = self._choose(now)
        told = self._told(now, marks)
        if told is not None and self._heat is not None:
            if self._curve is None or self._curve.heat != self._heat.id:
                self._curve = Curve(self._heat.id)
            self._curve = self._curve.with_row(row_of(now.at_s, told, now.values))
        follower = self._follower
        score, truth = self._judged or (None, None)
        return Look(
            bench=self._bench.id,
            oven=self._bench.oven,
            at_s=now.at_s,
            heat=self._heat,
            open=now.heat is not None,
            told=told,
            followed=None if follower is None else follower.followed,
            measured=now.values,
            troubles=self._lasting(now.troubles, now.at_s),
            remarks=self._lasting(now.remarks, now.at_s),
            silent_s=None if self._heard_s is None else now.at_s - self._heard_s,
            marks=marks,
            curve=self._curve if self._heat is not None else None,
            form=now.form,
            words=now.words,
            unsaved=now.unsaved,
            links=now.links,
            notes=() if follower is None else follower.followed.notes,
            score=score,
            truth=truth,
            read_s=now.read_s,
            cut_off_s=now.cut_off_s,
        )

    def _lasting(self, said: tuple[tuple[str, str], ...], at_s: float) -> tuple[tuple[str, str], ...]:
        start_s = -math.inf if self._heat is None else self._heat.start_s
        return tuple(one for one in said if at_s - max(self._unwell_s[one[0]][0], start_s) >= _LASTS_S)

    def _choose(self, now: Second) -> tuple[Mark, ...]:
        """Decide which heat is shown; its marks. One that was pulled stays until the next sheet goes in."""
        if now.heat is not None:
            self._heat = now.heat
        elif self._heat is not None and not any(one.name == "pulled" for one in self._marks_of(self._heat, now)):
            self._heat = None  # its start was taken back: there was no sheet
        if self._heat is None:
            self._of = self._follower = self._curve = self._judged = None
            return ()
        return self._marks_of(self._heat, now)

    @staticmethod
    def _marks_of(heat: HeatRecord, now: Second) -> tuple[Mark, ...]:
        return tuple(one for one in now.marks if one.at_s >= heat.start_s - _JUST_BEFORE_S)

    def _told(self, now: Second, marks: tuple[Mark, ...]) -> Told | None:
        heat = self._heat
        if heat is None:
            return None
        time_s = now.at_s - heat.start_s
        self._follow(heat, marks)
        if self._follower is None:
            return untold(time_s, self._why_not)
        told = self._follower.at(self._observed(heat, marks), time_s)
        if told.pulled is None:
            self._judged = None
        elif self._judge is not None and self._judged is None and told.pulled.carry is not None:
            self._judged = self._judge(self._follower.followed)
        silent_s = None if self._heard_s is None else now.at_s - self._heard_s
        if told.pulled is None and silent_s is not None and silent_s > SILENT_S:
            return silenced(told, f"Nothing has been measured for {Units.seconds(silent_s)}")
        return told

    def _follow(self, heat: HeatRecord, marks: tuple[Mark, ...]) -> None:
        """Have a follower for the heat as it is stated now."""
        of = (heat.id, heat.start_s, stated(heat.form, marks))
        if of == self._of:
            return
        self._of, self._judged = of, None
        try:
            known = followed(heat.form, marks, self._lines, self._shop, self._today())
            self._follower = Follower(known, elsewhere=self._elsewhere, walks=self._walks)
        except InputError as error:
            self._follower, self._why_not = None, str(error)

    def _observed(self, heat: HeatRecord, marks: tuple[Mark, ...]) -> Observed:
        events = [
            Event(round(mark.at_s - heat.start_s, 3), event_name(mark.name))
            for mark in marks
            if not mark.of_machine and mark.name not in (START, FORM)  # the start is time 0
        ]
        return self._seconds.observed(heat.start_s, events, self._sensors)
