"""Estimates whose members are heated elsewhere: what is told meanwhile, and that it is the same in the end."""

from __future__ import annotations

import os
from collections.abc import Callable
from concurrent.futures import Future
from concurrent.futures.process import BrokenProcessPool
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from calibration.cue import State
from calibration.estimator import Estimator
from dashboard.after_pull import After
from dashboard.aside import Aside, settled
from dashboard.commands.watch_words import rows
from dashboard.follower import Followed, Follower, Told
from dashboard.units import Units
from dashboard.workers import Workers, how_many
from live_rig import estimator, nominal, seen
from thermal.heat import Event

SENSORS = ("air", "face")


def at_once(job: Callable[..., Any], /, *given: object) -> Future[Any]:
    future: Future[Any] = Future()
    future.set_result(job(*given))
    return future


class ByHand:
    """Does what is asked when told to."""

    def __init__(self) -> None:
        self.asked: list[tuple[Future[Any], Callable[..., Any], tuple[object, ...]]] = []

    def __call__(self, job: Callable[..., Any], /, *given: object) -> Future[Any]:
        self.asked.append((Future(), job, given))
        return self.asked[-1][0]

    def heat(self) -> None:
        """What was asked last."""
        future, job, given = self.asked[-1]
        future.set_result(job(*given))


def test_members_that_are_there_answer_until_the_new_ones_come() -> None:
    all_of_it, by_hand = seen(*SENSORS), ByHand()
    aside = Aside(estimator(members=64), by_hand)
    assert aside.at(all_of_it.until(60.0), 60.0) is None
    assert aside.at(all_of_it.until(61.0), 61.0) is None
    assert len(by_hand.asked) == 1, "asked once"
    by_hand.heat()
    first = aside.at(all_of_it.until(62.0), 62.0)
    assert first is not None
    assert first.time_s == 62.0
    told = [aside.at(all_of_it.until(at), at) for at in (77.0, 85.0, 93.0)]
    assert len(by_hand.asked) == 2, "the members of 60 s have become old"
    waited_for = estimator(members=64)
    for at in range(60, 94):
        same = waited_for.at(all_of_it.until(float(at)), float(at))
    assert told[-1] is not None
    wide = same.core_c.high - same.core_c.low
    assert abs(told[-1].core_c.middle - same.core_c.middle) < 0.1 * wide
    by_hand.heat()
    last = aside.at(all_of_it.until(94.0), 94.0)
    assert last is not None
    assert abs(last.core_c.middle - waited_for.at(all_of_it.until(94.0), 94.0).core_c.middle) < 0.03 * wide


def test_members_that_are_much_too_old_are_waited_for(monkeypatch: pytest.MonkeyPatch) -> None:
    all_of_it, by_hand = seen(*SENSORS), ByHand()
    aside = Aside(estimator(members=64), by_hand)
    aside.at(all_of_it.until(60.0), 60.0)
    by_hand.heat()
    aside.at(all_of_it.until(61.0), 61.0)
    aside.at(all_of_it.until(80.0), 80.0)
    late: Future[Estimator] = by_hand.asked[-1][0]
    waited: list[bool] = []

    def result(self: Future[Estimator], timeout: float | None = None) -> Estimator:
        waited.append(True)
        by_hand.heat()
        monkeypatch.undo()
        return late.result(timeout)

    monkeypatch.setattr(Future, "result", result)
    aside.at(all_of_it.until(119.0), 119.0)
    assert not waited
    # Members of 60 s are followed to 120 s.
    assert aside.at(all_of_it.until(121.0), 121.0) is not None
    assert waited


def test_members_that_never_come_in_time_are_waited_for_again() -> None:
    # On a very fast clock new members are old when they come: those of 80 s are looked at with 300 s.
    all_of_it, by_hand = seen(*SENSORS), ByHand()
    aside = Aside(estimator(members=64), by_hand)
    aside.at(all_of_it.until(60.0), 60.0)
    by_hand.heat()
    aside.at(all_of_it.until(61.0), 61.0)
    aside.at(all_of_it.until(80.0), 80.0)
    by_hand.heat()
    here = Aside(estimator(members=64), at_once)
    here._estimator, here._coming = aside._estimator, aside._coming
    assert here.at(all_of_it.until(300.0), 300.0) is not None
    assert here._estimator.serves(300.0)


def test_a_process_that_died_is_asked_again() -> None:
    all_of_it, by_hand = seen(*SENSORS), ByHand()
    aside = Aside(estimator(members=64), by_hand)
    aside.at(all_of_it.until(60.0), 60.0)
    by_hand.asked[-1][0].set_exception(BrokenProcessPool("gone"))
    assert aside.at(all_of_it.until(61.0), 61.0) is None
    assert aside.at(all_of_it.until(62.0), 62.0) is None
    assert len(by_hand.asked) == 2


def test_before_the_first_estimate_a_sheet_that_has_just_gone_in_is_heating() -> None:
    case, of = nominal()
    follower = Follower(Followed(case, of), elsewhere=ByHand())
    all_of_it = seen(*SENSORS)
    early, slow = follower.at(all_of_it, 5.0), follower.at(all_of_it, 25.0)
    assert "slow or busy" in slow.reason.text, "nothing is made anew"
    late = Follower(Followed(case, of), elsewhere=ByHand()).at(all_of_it, 200.0)
    assert "anew" in late.reason.text
    assert (early.state, early.countdown_s, early.estimate) == (State.HEATING, None, None)
    assert late.state is State.UNKNOWN, "come into in the middle: nothing is known yet"


def test_a_carry_that_is_computed_elsewhere_is_waited_for_by_nobody() -> None:
    (case, of), by_hand = nominal(), ByHand()
    follower = Follower(Followed(case, of), elsewhere=by_hand)
    all_of_it = seen(*SENSORS)
    follower.at(all_of_it, 60.0)
    by_hand.heat()
    follower.at(all_of_it, 61.0)
    out = replace(all_of_it, events=(*all_of_it.events, Event(62.0, "pulled")))
    told = follower.at(out, 62.5)
    assert (told.state, told.countdown_s, told.since_s) == (After.CARRY, None, 62.0)
    assert dict(after_rows(told)) == {"pulled": "at 1:02", "carry": "being computed"}
    by_hand.asked[-1][0].set_exception(BrokenProcessPool("gone"))
    assert follower.at(out, 63.0).countdown_s is None
    follower.at(out, 63.5)  # asks again
    by_hand.heat()
    told = follower.at(out, 64.0)
    same = Follower(Followed(case, of)).at(out, 64.0)
    assert told.pulled is not None
    assert same.pulled is not None
    assert told.pulled.carry is not None
    assert same.pulled.carry is not None
    assert told.pulled.carry.limit == same.pulled.carry.limit
    assert told.pulled.carry.formable_s == pytest.approx(same.pulled.carry.formable_s, abs=2.0)
    assert len(by_hand.asked) == 3
    mold = replace(out, events=(*out.events, Event(65.0, "on_mold")))
    assert follower.at(mold, 66.0).state is After.MOLD


def after_rows(told: Told) -> list[tuple[str, str]]:
    case, of = nominal()
    return rows(told, seen(*SENSORS).until(told.time_s), Followed(case, of), Units())


def test_a_process_of_its_own_gives_the_same_and_may_die() -> None:
    known = seen(*SENSORS).until(60.0)
    here = settled(estimator(members=64), known, 60.0).answer(known, 60.0)
    with Workers(1) as workers:
        there = workers.do(settled, estimator(members=64), known, 60.0).result().answer(known, 60.0)
        assert there == here
        for _ in range(2):
            with pytest.raises(BrokenProcessPool):
                workers.do(os._exit, 3).result()
        assert workers.do(os.getpid).result() == os.getpid(), "after two deaths it is done here"
    np.testing.assert_equal([how_many(1), how_many(16) <= 4], [1, True])


def test_whoever_did_not_ask_for_minutes_late_in_a_heat_is_answered_all_the_same() -> None:
    """A computer that slept: members that were spoilt are not followed as far as what was measured meanwhile."""
    all_of_it, (case, of) = seen("air", "face"), nominal()
    soon_spoilt = replace(of, face_max_c=of.core_min_c)
    before_s, now_s = 600.0, 900.0
    one = Estimator(case, soon_spoilt, members=64)
    one.at(all_of_it.until(before_s), before_s)
    assert not one.serves(now_s)
    told = one.at(all_of_it.until(now_s), now_s)
    anew = Estimator(case, soon_spoilt, members=64).at(all_of_it.until(now_s), now_s)
    assert abs(told.core_c.middle - anew.core_c.middle) < 0.1 * (anew.core_c.high - anew.core_c.low)
