"""One heat followed from the door to the mold: the estimate, the cue, and after the pull the carry. No clock, no files;
whoever shows it asks for one moment after the other.
"""

from __future__ import annotations

from collections.abc import Mapping
from concurrent.futures import BrokenExecutor, Future
from contextlib import suppress
from dataclasses import dataclass, field, replace

import numpy as np

from calibration.cue import Cue, Rules, State, follow
from calibration.estimate import Estimate
from calibration.estimator import RISK, Estimator
from calibration.observed import Observed
from dashboard.after_pull import After, Pulled, as_it_left, carried_until_s, pulled_s
from dashboard.aside import Aside, Elsewhere
from thermal.case import Case
from thermal.notes import Note, temperature
from thermal.window import Limits

#: After a moment that could not be computed it is tried again so much later, s.
_AGAIN_S = 10.0
#: No sheet is ready so soon: 'heating' needs no estimate, s.
_SURELY_HEATING_S = 20.0
_FAILED = "What was measured cannot be computed with: look at the sensors, most of all at one that was taken back"


@dataclass(frozen=True)
class Followed:
    """What is followed, and how.

    Attributes:
        case, of: sheet and oven as stated, limits of the window. room_c: for the carry, °C.
        line_mm: drop that each line stands for, mm. risk: accepted share of wrong cues.
        trusted: columns that count whatever speaks against them. notes: what was taken because nothing stated it.
    """

    case: Case
    of: Limits
    room_c: float = 22.0
    line_mm: Mapping[str, float] = field(default_factory=dict)
    risk: float = RISK
    trusted: frozenset[str] = frozenset()
    notes: tuple[str, ...] = ()


@dataclass(frozen=True)
class Told:
    """What is told at one moment.

    Attributes:
        time_s: since the sheet went in. state: of the cue, or after the pull. since_s: when that began.
        countdown_s: to `countdown_to` ('ready', 'spoilt', 'too cold'); None: nothing to count.
        reason: why, without its full stop. estimate: of this moment; None after the pull and where none can be made.
        cue: None with it. pulled: None before the pull.
    """

    time_s: float
    state: State | After
    since_s: float
    countdown_s: float | None
    countdown_to: str | None
    reason: Note
    estimate: Estimate | None = None
    cue: Cue | None = None
    pulled: Pulled | None = None


def untold(time_s: float, reason: str) -> Told:
    """Where nothing can be said of a sheet, and why."""
    return Told(time_s, State.UNKNOWN, time_s, None, None, Note(reason))


def silenced(told: Told, reason: str) -> Told:
    """The same with the cue withdrawn: what it rests on has become too old."""
    return replace(
        told, state=State.UNKNOWN, since_s=told.time_s, countdown_s=None, countdown_to=None, reason=Note(reason)
    )


def _first_comes(now_s: float, from_the_door: bool) -> Told:
    """While the first estimate is being made.

    Args:
        from_the_door: it was asked for as the sheet had just gone in.
    """
    reason = "The first estimate is being made"
    if now_s < _SURELY_HEATING_S:
        return Told(now_s, State.HEATING, 0.0, None, None, Note(reason))
    if from_the_door:
        return untold(now_s, f"{reason}: this computer is slow or busy")
    return untold(now_s, "The estimate is being made anew from all that was measured since the sheet went in")


class _Waiting:
    """Estimates with members that are waited for."""

    def __init__(self, estimator: Estimator) -> None:
        self.at, self._estimator = estimator.at, estimator

    def left(self, inside: Observed, out_s: float, case: Case, room_c: float) -> Future[Pulled]:
        """See `as_it_left`; it is done when this returns."""
        found: Future[Pulled] = Future()
        found.set_result(as_it_left(self._estimator, inside, out_s, case, room_c))
        return found


class Follower:
    """Follows one heat; asked for increasing times.

    Args:
        elsewhere: has members heated, and a carry computed, while the members that there are answer; None: all of it
        is waited for.
        walks: see `Estimator`.

    Attributes:
        failure: why the last moment could not be computed; None: it could.
    """

    def __init__(
        self,
        followed: Followed,
        rules: Rules = Rules(),  # noqa: B008  # a frozen value
        elsewhere: Elsewhere | None = None,
        walks: bool = True,
    ) -> None:
        self.followed, self._rules, self._elsewhere, self._walks = followed, rules, elsewhere, walks
        self.failure: str | None = None
        self._estimator = self._new_estimator()
        self._cue: Cue | None = None
        self._failed_s: float | None = None
        self._asked_s: float | None = None  # first
        self._pulled: Pulled | None = None
        self._leaving: Future[Pulled] | None = None

    def at(self, seen: Observed, now_s: float) -> Told:
        """What is told at a moment, from what was known then.

        Args:
            seen: may go on beyond `now_s`; that is not looked at.
        """
        known = seen.until(now_s)
        if self._failed_s is not None and now_s - self._failed_s < _AGAIN_S:
            return untold(now_s, _FAILED)
        try:
            out_s = pulled_s(known)
            told = self._in_oven(known, now_s) if out_s is None else self._out(known, now_s, out_s)
        except (ArithmeticError, np.linalg.LinAlgError) as error:
            # A technician is at the oven: say that nothing can be said, and begin anew with what comes.
            self.failure, self._failed_s = str(error), now_s
            self._estimator, self._cue = self._new_estimator(), None
            return untold(now_s, _FAILED)
        self.failure = self._failed_s = None
        return told

    def _new_estimator(self) -> Aside | _Waiting:
        of = self.followed
        made = Estimator(of.case, of.of, of.line_mm, risk=of.risk, trusted=of.trusted, walks=self._walks)
        return _Waiting(made) if self._elsewhere is None else Aside(made, self._elsewhere)

    def _in_oven(self, known: Observed, now_s: float) -> Told:
        self._pulled = None  # a pull that was marked by mistake may have been taken back
        estimate = self._estimator.at(known, now_s)
        if estimate is None:
            self._asked_s = now_s if self._asked_s is None else self._asked_s
            return _first_comes(now_s, self._asked_s < _SURELY_HEATING_S)
        cue = self._cue = follow(self._cue, estimate, self._rules)
        return Told(now_s, cue.state, cue.since_s, cue.countdown_s, cue.countdown_to, cue.reason, estimate, cue)

    def _out(self, known: Observed, now_s: float, out_s: float) -> Told:
        pulled = replace(self._left(known.until(out_s), out_s), on_mold_s=carried_until_s(known, out_s))
        state = pulled.state(now_s)
        left_s = pulled.left_s(now_s) if state is After.CARRY else None
        since_s = {After.CARRY: out_s, After.MOLD: pulled.on_mold_s}.get(state)
        if since_s is None:
            since_s = out_s if pulled.carry is None else out_s + (pulled.carry.formable_s or 0.0)
        reason = self._reason(pulled, state)
        return Told(now_s, state, since_s, left_s, None if left_s is None else "too cold", reason, pulled=pulled)

    def _left(self, inside: Observed, out_s: float) -> Pulled:
        """The sheet as it left the oven, as far as that is computed by now."""
        if self._pulled is None or self._pulled.at_s != out_s:
            self._pulled, self._leaving = Pulled(out_s), None
        if self._pulled.carry is not None:
            return self._pulled
        if self._leaving is None:
            self._leaving = self._estimator.left(inside, out_s, self.followed.case, self.followed.room_c)
        if self._leaving.done():
            leaving, self._leaving = self._leaving, None
            with suppress(BrokenExecutor):  # asked for again with the next look
                self._pulled = leaving.result()
        return self._pulled

    def _reason(self, pulled: Pulled, state: After) -> Note:
        if state is After.MOLD:
            return Note("Marked as on the mold")
        if pulled.carry is None:
            return Note("How long it stays formable is being computed")
        until, limit = temperature(self.followed.case.polymer.forming.form_until_c), pulled.carry.limit
        if state is After.COLD:
            return Note(f"The {limit} has most likely fallen below {{0}}", (until,))
        if limit:
            return Note(f"Until the {limit} falls below {{0}}", (until,))
        return Note("No face falls below {0} within half an hour", (until,))
