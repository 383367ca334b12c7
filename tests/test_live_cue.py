"""The cue of a practice, fed as the live view feeds it; and the carry after the pull."""

from __future__ import annotations

import math

import numpy as np
import pytest

from calibration.cue import State
from calibration.observed import Observed
from dashboard.after_pull import After
from dashboard.follower import Followed, Follower, Told
from dashboard.live_cue import LiveCue
from dashboard.practice_bench import practice_case
from dashboard.practice_model import PracticeOven
from dashboard.shop import DEMO_FOLDER, read_shop
from thermal.case import Case
from thermal.heat import Event
from thermal.plan import plan
from thermal.window import limits

PUT_IN_S = 30.0


def case_of(gauge_mm: float = 3.0) -> Case:
    shop = read_shop(DEMO_FOLDER)
    return practice_case(shop, "pp-homopolymer", gauge_mm, "north", shop.room_c)


def test_a_practice_from_the_door_to_the_carry() -> None:
    case = case_of()
    oven = PracticeOven(case, 22.0, seed=2)
    oven.put_in(PUT_IN_S)
    truth = oven.truth()
    assert truth is not None
    cue = LiveCue(Followed(case, limits(case.polymer.forming)))
    assert cue.told(0.0) is None
    ready_s = float(truth.time_s[(truth.core_c >= truth.minimum_c).argmax()])
    pull_s = PUT_IN_S + ready_s + 60.0
    told: list[Told] = []
    for at_s in range(0, round(pull_s), 3):
        found = oven.advance(float(at_s))
        cue.sample(float(at_s), {name: None if math.isnan(value) else value for name, value in found.items()})
        cue.sample(float(at_s), dict.fromkeys(found, 999.0))  # of a time only the first is kept
        if at_s >= PUT_IN_S and not told:
            cue.heed([("door_closed", PUT_IN_S)])
        if at_s >= PUT_IN_S and at_s % 15 == 0:  # as often as members are heated anew
            now = cue.told(float(at_s))
            assert now is not None
            told.append(now)
    assert told[0].state is State.HEATING
    assert told[-1].estimate is not None
    assert "face_upper_c" in told[-1].estimate.used
    # What nobody saw, at every moment: the true core is where the estimate says in 90 of 100 cases; here within four
    # standard deviations of it and 1 K.
    for one in told[1:]:
        assert one.estimate is not None
        core_c = oven.core_c(PUT_IN_S + one.time_s)
        assert core_c is not None
        spread = one.estimate.core_c
        assert abs(core_c - spread.middle) < 4.0 * (spread.high - spread.low) / 3.29 + 1.0
    cue.heed([("door_closed", PUT_IN_S), ("pulled", pull_s)])
    out = cue.told(pull_s + 1.0)
    assert out is not None
    assert (out.state, out.countdown_to) == (After.CARRY, "too cold")
    assert out.countdown_s is not None
    late = cue.told(pull_s + out.countdown_s + 2.0)
    assert late is not None
    assert late.state is After.COLD


def test_the_carry_of_a_sheet_as_planned_is_the_plans() -> None:
    """With nothing measured the estimate is the plan's, and so is the carry from its pull."""
    case = case_of(6.0)
    planned = plan(case)
    assert planned.carry is not None
    assert planned.carry.formable_s is not None
    assert planned.target is not None
    seen = Observed(np.empty(0), {}, (Event(planned.target.time_s, "pulled"),))
    told = Follower(Followed(case, planned.of)).at(seen, planned.target.time_s)
    assert told.pulled is not None
    # The posterior's medians against the stated values: within 2 K, which is some seconds of the carry.
    assert told.pulled.carry is not None
    assert told.pulled.carry.formable_s == pytest.approx(planned.carry.formable_s, abs=5.0)
    assert told.pulled.carry.limit == planned.carry.limit
