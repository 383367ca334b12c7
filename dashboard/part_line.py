"""From the oven to demolding as one line of time: three legs, each with a scale of its own. Values only.

Minutes in the oven, seconds on the way and a day on the mold would not be seen on one scale.
"""

from __future__ import annotations

from dataclasses import dataclass

from dashboard.making import Making
from dashboard.plan_words import percent
from dashboard.units import Units
from thermal.mold_cooling import STANDING_S, Cooling
from thermal.plan import Plan


@dataclass(frozen=True)
class Stretch:
    """A stretch of a leg: from, to, s; None: to its end. `good`: in it things go well. What it is, in words."""

    from_s: float
    to_s: float | None
    good: bool
    words: str


@dataclass(frozen=True)
class Moment:
    """A moment of a leg, s; None: at its end, beyond a break of the scale. `strong`: something is to be done then."""

    at_s: float | None
    strong: bool
    words: str


@dataclass(frozen=True)
class Leg:
    """One leg: its title, what its clock counts from, from when to when it is drawn, s, and what lies in it."""

    title: str
    clock: str
    from_s: float
    end_s: float
    stretches: tuple[Stretch, ...]
    moments: tuple[Moment, ...]


#: A leg is drawn so much beyond the last thing in it.
_BEYOND = 1.15
#: The heating before a window is drawn at most this many times as long as what follows.
_BEFORE = 1.0
#: How long a carry is drawn that nothing ends, s.
_LONG_S = 1800.0


def legs(made: Making, units: Units) -> tuple[Leg, ...]:
    """The legs that are known: in the oven, from door to mold, on the mold."""
    found = []
    if made.plan is not None and made.plan.opens.time_s is not None:
        found.append(_in_oven(made.plan, units))
        if made.plan.carry is not None:
            found.append(_carry(made.plan, units))
    if made.cooling is not None:
        found.append(_on_mold(made.cooling, units))
    return tuple(found)


def _in_oven(plan: Plan, units: Units) -> Leg:
    opens, closes = plan.opens.time_s, plan.closes.time_s
    assert opens is not None
    last = f"to {units.seconds(closes)}" if closes is not None else "on"
    window = Stretch(opens, closes, True, f"window {units.seconds(opens)} {last}")
    pull: tuple[Moment, ...] = ()
    if plan.target is not None:
        words = f"surest {units.seconds(plan.target.time_s)} ({percent(plan.target.probability)} sure)"
        pull = (Moment(plan.target.time_s, True, words),)
    last_s = max([closes or 1.3 * opens, *(one.at_s or 0.0 for one in pull)])
    end = opens + _BEYOND * (last_s - opens)
    return Leg(
        "In the oven", "from the sheet going in", max(0.0, opens - _BEFORE * (end - opens)), end, (window,), pull
    )


def _carry(plan: Plan, units: Units) -> Leg:
    assert plan.carry is not None
    still = plan.carry.formable_s
    others = [(one.carry.formable_s, one.name) for one in plan.carries if one.carry.formable_s is not None]
    worst = min(others, default=None)
    words = "formable over 30 min, still room" if still is None else f"formable {units.seconds(still)}, still room"
    stretches = [Stretch(0.0, still, worst is None, words)]
    if worst is not None:
        stretches.append(Stretch(0.0, worst[0], True, f"formable {units.seconds(worst[0])} {worst[1]}"))
    end = _LONG_S if still is None else _BEYOND * max(still, worst[0] if worst else 0.0)
    return Leg("Door to mold", "from the door opening", 0.0, end, tuple(stretches), ())


def _on_mold(cooling: Cooling, units: Units) -> Leg:
    hours = f"demold after {STANDING_S / 3600.0:.0f} h"
    demold = Moment(None, True, hours)
    if cooling.strip_s is None:
        return Leg("On the mold", "from the sheet on the mold", 0.0, STANDING_S, (), (demold,))
    low, high = cooling.interval_s
    between = Stretch(low or 0.0, high, False, f"90 of 100: {units.seconds(low or 0.0)} to "
                      f"{'over a day' if high is None else units.seconds(high)}")  # fmt: skip
    cold = Moment(cooling.strip_s, False, f"core cold {units.seconds(cooling.strip_s)}")
    return Leg(
        "On the mold", "from the sheet on the mold", 0.0, 1.8 * (high or cooling.strip_s), (between,), (cold, demold)
    )
