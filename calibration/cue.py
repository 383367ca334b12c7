"""The cue: what the technician is told now, from one estimate after the other.

A state is entered when its condition has held for a moment, and left only when it is missed by some margin: a cue that
flickers is not believed. Where the bubble and the thermal picture disagree, the caution is on the part's side: ready
only when both say so, closing when the first says so.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import Enum

from calibration.estimate import Answer, Estimate, Moment
from thermal.notes import Note, difference, length
from thermal.window import DROP_LARGE


class State(Enum):
    """What to do, in the words that are shown."""

    HEATING = "heating"
    CLOSE = "getting close"
    PULL = "pull now"
    LAST = "last chance"
    LATE = "too late"
    UNKNOWN = "cannot tell"


@dataclass(frozen=True)
class Rules:
    """When the cue changes.

    Attributes:
        short_k: what the coldest point may lack, K, with the risk that the estimator was given.
        p_drop: probability at which the wanted drop counts as reached.
        p_spoilt: probability of a broken maximum from which it is too late.
        close_s, close_share: 'getting close' so long before the likely opening, s or share of its time.
        last_s, last_share: 'last chance' so long before the early edge (5 %) of the closing, s, or this share of the
        window where that is less.
        misfit: from here on the heat is not explained by the model; misfit_s: readings must reach back so far, s.
        hold_s: a condition must hold so long to change the state, s; back_k: and be missed by so much to go back, K.
        disagree: bubble and thermal picture disagree beyond so many standard deviations.
    """

    short_k: float = 1.0
    p_drop: float = 0.5
    p_spoilt: float = 0.5
    close_s: float = 60.0
    close_share: float = 0.08
    last_s: float = 20.0
    last_share: float = 0.25
    misfit: float = 2.0
    misfit_s: float = 60.0
    hold_s: float = 2.0
    back_k: float = 1.0
    disagree: float = 2.5


@dataclass(frozen=True)
class Cue:
    """What is told now.

    Attributes:
        state: with `since_s`, when it was entered. countdown_s: to `countdown_to` ('ready' or 'spoilt'); None: nothing
        to count. reason: why, in a sentence without its full stop. sag: 'ahead' or 'behind' where the bubble disagrees
        with the thermal picture, None where it agrees or is not used.
        waiting: state whose condition holds, and since when; becomes the state once it has held long enough.
    """

    state: State
    since_s: float
    countdown_s: float | None
    countdown_to: str | None
    reason: Note
    sag: str | None
    waiting: tuple[State, float]


def follow(before: Cue | None, now: Estimate, rules: Rules = Rules()) -> Cue:
    """The cue after one more estimate."""
    sag = disagreement(now, rules)
    answers = (now,) if sag is None or now.thermal is None else (now, now.thermal)
    # The part's side: the colder of both pictures for ready, the earlier for spoilt.
    colder = min(answers, key=lambda one: one.surely_k)
    hotter = max(answers, key=lambda one: one.p_spoilt)
    held = None if before is None else before.state
    wanted, reason = _wanted(now, colder, hotter, held, rules)
    if before is None:
        state, since_s, waiting = wanted, now.time_s, (wanted, now.time_s)
    else:
        waiting = before.waiting if before.waiting[0] is wanted else (wanted, now.time_s)
        changed = wanted is not before.state and now.time_s - waiting[1] >= rules.hold_s
        state, since_s = (wanted, now.time_s) if changed else (before.state, before.since_s)
        if state is not wanted:
            reason = before.reason
    countdown_s, countdown_to = _countdown(state, now.time_s, colder, hotter)
    return Cue(state, since_s, countdown_s, countdown_to, reason, sag, waiting)


def disagreement(now: Estimate, rules: Rules = Rules()) -> str | None:
    """'ahead' where the bubble says warmer than the thermal picture by more than chance, 'behind' where colder."""
    if now.thermal is None:
        return None
    # The spread of what the bubble may change: what it knows more is the difference of the variances.
    wide, narrow = (_std(one.above_k.low, one.above_k.high) for one in (now.thermal, now))
    step_k = now.above_k.middle - now.thermal.above_k.middle
    if abs(step_k) <= rules.disagree * math.sqrt(max(wide * wide - narrow * narrow, 0.25)):
        return None
    return "ahead" if step_k > 0.0 else "behind"


def _std(low: float, high: float) -> float:
    """Standard deviation of a normal quantity from its 5 and 95 %."""
    return (high - low) / 3.29


def _wanted(now: Estimate, colder: Answer, hotter: Answer, held: State | None, rules: Rules) -> tuple[State, Note]:
    """The state that the estimate asks for, and why."""
    short_k = rules.short_k + (rules.back_k if held in (State.PULL, State.LAST) else 0.0)
    warm = colder.surely_k >= -short_k
    dropped = colder.p_drop >= rules.p_drop
    if now.misfit is not None and now.misfit > rules.misfit and now.time_s >= rules.misfit_s:
        # What the model says is not believed; where it would be too late by it, that is said all the same.
        late = f"; if anything, past its limit: {hotter.closes_by}" if hotter.p_spoilt >= rules.p_spoilt else ""
        return State.UNKNOWN, Note(f"What is measured does not fit any sheet in this oven{late}")
    if hotter.p_spoilt >= rules.p_spoilt:
        return State.LATE, Note(f"Most likely past its limit: {hotter.closes_by}")
    closing = _closing(colder, hotter, now.time_s, rules)
    if warm and dropped:
        if closing:
            return State.LAST, Note(f"Ready, and close to its limit: {hotter.closes_by}")
        return State.PULL, _ready_note(now)
    # A drop that is not there yet cannot be about to be too large.
    if closing and colder.p_core >= 0.5 and (dropped or hotter.closes_by != DROP_LARGE):
        return State.LAST, Note(
            f"Close to its limit ({hotter.closes_by}); the core is warm enough with {100 * colder.p_core:.0f} %"
            + ("" if dropped else ", the drop is not there yet")
        )
    if colder.opens.middle is None:
        return State.UNKNOWN, Note("By all that is known it does not get ready at this setting")
    ahead_s = colder.opens.middle - now.time_s
    near = rules.close_share * colder.opens.middle * (1.25 if held is State.CLOSE else 1.0)
    if ahead_s <= max(rules.close_s, near):
        if warm:
            return State.CLOSE, Note("Warm enough; the drop is not there yet")
        return State.CLOSE, Note("The coldest point may still be {0} short", (difference(max(-colder.surely_k, 0.0)),))
    return State.HEATING, Note("The coldest point is {0} short", (difference(max(-colder.above_k.middle, 0.0)),))


def _closing(colder: Answer, hotter: Answer, now_s: float, rules: Rules) -> bool:
    """Whether the early edge of the closing is near, measured by the window's own length where that is short."""
    if hotter.closes.low is None:
        return False
    before_s = rules.last_s
    if colder.opens.middle is not None and hotter.closes.middle is not None:
        before_s = min(before_s, rules.last_share * max(hotter.closes.middle - colder.opens.middle, 0.0))
    return hotter.closes.low - now_s <= before_s


def _ready_note(now: Estimate) -> Note:
    if now.drop_wanted_mm is None:
        return Note("The coldest point is warm enough")
    if now.thermal is not None:
        return Note("The coldest point is warm enough, the drop is there")
    wanted = length(now.drop_wanted_mm * 1e-3)
    return Note("The coldest point is warm enough; nobody measures the drop: look that it is {0}", (wanted,))


def _countdown(state: State, now_s: float, colder: Answer, hotter: Answer) -> tuple[float | None, str | None]:
    if state in (State.HEATING, State.CLOSE):
        return _left(colder.opens, now_s, early=False), "ready"
    if state in (State.PULL, State.LAST):
        return _left(hotter.closes, now_s, early=True), "spoilt"
    return None, None


def _left(moment: Moment, now_s: float, early: bool) -> float | None:
    at = moment.low if early else moment.middle
    return None if at is None else max(at - now_s, 0.0)
