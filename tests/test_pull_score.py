"""A practice pull against a truth that is known in closed form: straight lines."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from dashboard.commands.pull_words import score_words
from dashboard.practice_bench import practice_case
from dashboard.practice_model import PracticeOven
from dashboard.pull_score import Truth, score
from dashboard.shop import DEMO_FOLDER, read_shop
from dashboard.units import Units

TIME = np.arange(0.0, 1000.0, 1.0)
#: The core rises by 0.2 K/s from 20 °C, the faces are 20 K ahead: ready (165 °C) at 725 s, a face at 190 °C at 750 s.
TRUTH = Truth(TIME, 20.0 + 0.2 * TIME, 40.0 + 0.2 * TIME, 39.0 + 0.2 * TIME, None, 165.0, 400.0, 190.0)


@pytest.mark.parametrize(
    ("pulled_s", "verdict", "off_s", "above_k"),
    [
        (700.0, "early", 25.0, -5.0),
        (724.0, "right", None, -0.2),  # within what a hand can do
        (730.0, "right", None, 1.0),
        (760.0, "late", 10.0, 7.0),
    ],
)
def test_verdicts(pulled_s: float, verdict: str, off_s: float | None, above_k: float) -> None:
    found = score(TRUTH, pulled_s)
    assert found.verdict == verdict
    assert (found.opens_s, found.closes_s) == pytest.approx((725.0, 750.0))
    assert found.closes_by == "upper face"
    assert found.above_k == pytest.approx(above_k)
    assert found.off_s == (None if off_s is None else pytest.approx(off_s))


def test_a_wanted_drop_opens_and_a_large_one_closes() -> None:
    drop = np.where(TIME < 900.0, 0.1 * TIME, np.nan)  # then it hangs as a sack
    bubble = replace(TRUTH, face_max_c=300.0, drop_mm=drop, drop_min_mm=80.0, drop_max_mm=150.0)
    found = score(bubble, 790.0)
    assert (found.verdict, found.opens_s, found.closes_s, found.closes_by) == ("early", 800.0, 900.0, "drop too large")


def test_never_ready_and_never_spoilt() -> None:
    cold = score(replace(TRUTH, minimum_c=500.0), 700.0)
    assert (cold.verdict, cold.opens_s, cold.off_s) == ("early", None, None)
    lasting = score(replace(TRUTH, face_max_c=900.0), 900.0)
    assert (lasting.verdict, lasting.closes_s, lasting.closes_by) == ("right", None, None)


def test_spoilt_before_it_was_ready() -> None:
    found = score(replace(TRUTH, face_max_c=150.0), 740.0)
    assert found.verdict == "late"
    assert found.off_s == pytest.approx(190.0)
    assert "There was no window" in score_words(found, Units())[1]


@pytest.mark.parametrize(
    ("pulled_s", "said"),
    [
        (700.0, "EARLY by 0:25: pulled at 11:40; its coldest point was 5.0 K below the least it must have"),
        (730.0, "RIGHT: pulled at 12:10, its coldest point was 1.0 K above the least it must have"),
        (760.0, "LATE by 0:10: pulled at 12:40, spoilt before (upper face); its coldest point was 7.0 K above the"),
    ],
)
def test_words(pulled_s: float, said: str) -> None:
    words = score_words(score(TRUTH, pulled_s), Units())
    assert words[0].startswith(said)
    assert words[1] == "The true window opened at 12:05; closed at 12:30 (upper face)"


def test_the_truth_of_the_practice_oven_is_that_of_a_sheet_that_stays() -> None:
    shop = read_shop(DEMO_FOLDER)
    case = practice_case(shop, "pp-homopolymer", 4.0, "north", shop.room_c)
    stays, pulled = (PracticeOven(case, shop.room_c, seed=3) for _ in range(2))
    for oven in (stays, pulled):
        oven.put_in(60.0)
    pulled.pull(460.0)
    truths = stays.truth(), pulled.truth()
    assert truths[0] is not None
    assert truths[1] is not None
    early = truths[0].time_s <= 900.0
    np.testing.assert_allclose(truths[1].core_c[early[: len(truths[1].core_c)]], truths[0].core_c[early], atol=0.02)
    # What sensors find at the pull is that truth.
    found = stays.core_c(460.0)
    assert found == pytest.approx(float(np.interp(400.0, truths[0].time_s, truths[0].core_c)), abs=0.01)


def test_no_truth_without_a_sheet() -> None:
    shop = read_shop(DEMO_FOLDER)
    assert PracticeOven(practice_case(shop, "pp-homopolymer", 4.0, "north", 22.0), 22.0).truth() is None
