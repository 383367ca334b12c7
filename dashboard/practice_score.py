"""The judgement of a practice pull, with the truth it is judged by."""

from __future__ import annotations

from dashboard.follower import Followed
from dashboard.practice_model import PracticeOven
from dashboard.pull_score import Score, Truth, score
from thermal.sag import equivalent_radius_m


def judged(oven: PracticeOven, followed: Followed) -> tuple[Score, Truth] | None:
    """The score and the true sheet; None where no sheet was pulled. Takes some tenths of a second.

    Args:
        followed: for the drops that are wanted.
    """
    pulled_s = oven.pulled_after_s
    opening_m = followed.case.opening_m
    radius_mm = 0.0 if opening_m is None else equivalent_radius_m(opening_m) * 1e3
    drops = [None if one is None else one * radius_mm for one in (followed.of.drop_min, followed.of.drop_max)]
    truth = None if pulled_s is None else oven.truth(*drops)
    return None if truth is None or pulled_s is None else (score(truth, pulled_s), truth)
