"""Two faces that are swapped in some of the heats are found from all of them together, and only where they differ."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from functools import lru_cache

import numpy as np
import pytest

from calibration.oven_fit import OvenFit, fit
from calibration.run import Run
from calibration.screening import BENT, ODD, Screened, screened, usual_misfits
from calibration.swapped import CLEAR, Straight, exchanged, found_swaps
from calibration.unknowns import Settings, layout
from calibration_truth import drawn, on_grid, planned, recorded, swung
from cases import CARD
from thermal.oven import Face, OvenCard

#: Less than a calibration would seek, so that the fits are quick.
SETTINGS = Settings(fixed=frozenset({"upper.air_offset_k", "lower.air_offset_k", "wall.lag_s"}))
FACES = ("face_upper_c", "face_lower_c")
EVEN = replace(CARD, upper=Face(16.0, 0.9), lower=Face(16.0, 0.9))


@lru_cache(maxsize=2)
def heats(card: OvenCard, upper: float, lower: float) -> tuple[Run, ...]:
    """Three heats of one oven that transfers so much more or less heat than the card says, in spreads of the prior."""
    random = np.random.default_rng(4)
    plans = [planned(4.0, 300.0), planned(3.0, 240.0), planned(5.0, 360.0)]
    runs = [replace(run, case=replace(run.case, oven=card)) for run in plans]
    runs = [on_grid(swung(run, i)) for i, run in enumerate(runs)]
    of = layout(card, runs, SETTINGS)
    truth = drawn(of, random)
    for j, name in enumerate(of.names):
        if of.lead(j).kind == "oven":
            truth[j] = {"upper.h_w_m2k": upper, "lower.h_w_m2k": lower}.get(name, 0.0)
    return tuple(recorded(runs, of, truth, random))


def uneven(heat_count: int = 3, swapped: tuple[int, ...] = ()) -> list[Run]:
    return turned(heats(CARD, 0.6, -0.6)[:heat_count], *swapped)


def turned(runs: Sequence[Run], *which: int) -> list[Run]:
    return [exchanged(run, FACES) if number in which else run for number, run in enumerate(runs)]


@lru_cache(maxsize=8)
def fitted(heat_count: int = 3, swapped: tuple[int, ...] = ()) -> OvenFit:
    return fit(CARD, uneven(heat_count, swapped), SETTINGS, starts=1)


@lru_cache(maxsize=1)
def one_of_three() -> Screened:
    return screened(CARD, uneven(swapped=(0,)), SETTINGS)


def test_two_faces_that_are_swapped_in_one_heat_are_named_though_the_fit_hides_them() -> None:
    averaged = fitted(swapped=(0,))
    assert max(usual_misfits(averaged).values()) < ODD
    assert np.abs(averaged.xi).max() < BENT
    found = one_of_three()
    assert [(odd.kind, odd.run, odd.columns) for odd in found.odd] == [("swapped", "4 mm", FACES)]
    assert "are swapped: each fits the other's place" in found.odd[0].text
    assert [[one.column for one in run.series] for run in found.runs] == [
        ["core_c"],
        [*FACES, "core_c"],
        [*FACES, "core_c"],
    ]


def test_what_was_swapped_is_not_averaged_in() -> None:
    sound, averaged, found = fitted(), fitted(swapped=(0,)), one_of_three().fit
    for name in ("upper.h_w_m2k", "lower.h_w_m2k"):
        right, wrong, now = (of.value(name) for of in (sound, averaged, found))
        assert right is not None
        assert wrong is not None
        assert now is not None
        assert abs(now.value - right.value) < 0.5 * abs(wrong.value - right.value)
        assert abs(now.value - right.value) < right.std


def test_sound_heats_are_left_alone() -> None:
    for count in (2, 3):
        assert found_swaps(fitted(count)) is None


def test_of_two_heats_nothing_tells_which_is_the_swapped_one() -> None:
    whole = screened(CARD, uneven(2, (1,)), SETTINGS)
    assert sorted(odd.run for odd in whole.odd) == ["3 mm", "4 mm"]
    assert all("nothing tells which" in odd.text for odd in whole.odd)
    assert [[one.column for one in run.series] for run in whole.runs] == [["core_c"], ["core_c"]]


def test_an_oven_that_heats_both_faces_alike_says_nothing() -> None:
    runs = heats(EVEN, 0.3, 0.3)[:2]
    for of in (runs, turned(runs, 0)):
        assert found_swaps(fit(EVEN, of, SETTINGS, starts=1)) is None


def test_what_is_told_without_heating_a_sheet_is_what_a_whole_fit_says() -> None:
    averaged, sound = (fit(CARD, uneven(swapped=of), SETTINGS, starts=1, noise_rounds=0) for of in ((0,), ()))
    straight = Straight(averaged, None)
    told = CLEAR - straight.cost(straight.best())
    assert told == pytest.approx(averaged.solution.cost - sound.solution.cost, rel=0.1)
