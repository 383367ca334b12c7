"""`pullcue watch --replay`: a recorded heat followed as if it were going on, from what was known by then alone."""

from __future__ import annotations

from typing import TYPE_CHECKING

from dashboard.commands.watch_inputs import Wanted, followed_of, lines_of_head, must_have
from dashboard.commands.watch_views import Scene, View
from dashboard.units import Units
from thermal.fields import InputError

if TYPE_CHECKING:
    from dashboard.plan_question import Question
    from logger.clock import Clock


def replay(asked: Question, more: Wanted, units: Units, view: View, clock: Clock | None) -> None:
    """Follow the heat of a file from the door on.

    Args:
        asked: with its heat. clock: paces the samples; None: as fast as possible.

    Raises:
        InputError: the file has no row from the door on, or the sheet cannot be computed.
    """
    from calibration.observed import observed
    from dashboard.follower import Follower
    from logger.clock import SystemClock

    heat = asked.heat
    assert heat is not None, "a replay has a heat"
    times = [float(at) for at in heat.time_s if at >= 0.0]
    if not times:
        raise InputError(
            f"the heat file ends at {float(heat.time_s[-1]):g} s, before its sheet went in: expected rows at time_s = "
            "0 and later"
        )
    seen = observed(heat)
    must_have(seen.columns, more.trusted)
    followed = followed_of(asked, more, lines_of_head(heat))
    follower = Follower(followed)
    simulated = ("The heat file is simulated: no oven and no sheet were measured",) if heat.simulated else ()
    title = f"Recorded heat: {title_of(followed.case.polymer.id, followed.case.gauge_m, followed.case.oven.id, units)}"
    paced, clock = clock is not None, clock or SystemClock()
    start_s = clock.monotonic_s()
    with view:
        for at_s in times:
            view.wait(clock, max(0.0, start_s + at_s - times[0] - clock.monotonic_s()) if paced else 0.0)
            told = follower.at(seen, at_s)
            if at_s == times[0] and follower.failure is not None:
                raise InputError(
                    f"this sheet in this oven cannot be computed: {follower.failure}; correct the oven card"
                )
            # What was taken for granted stands with the first moment; it holds for all.
            notes = (*followed.notes, *simulated) if at_s == times[0] else ()
            view.show(Scene(told, seen.until(at_s), followed, title, notes=notes))


def title_of(polymer: str, gauge_m: float, oven: str, units: Units) -> str:
    """'pp-homopolymer 6.0 mm, oven north'."""
    return f"{polymer} {units.length(gauge_m)}, oven {oven}"
