"""The measured air that drives a live estimate's members."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from calibration.air import _course, heard, members_air
from calibration.observed import Observed
from cases import CARD, case_of
from thermal.case import Departures
from thermal.polymer_data import shipped_polymer

NONE = np.zeros(1)
#: The card's air is 2 K warmer above and 1 K colder below than the oven's.
CASE = case_of(
    shipped_polymer("pp-homopolymer"),
    6.0,
    replace(CARD, upper=replace(CARD.upper, air_offset_k=2.0), lower=replace(CARD.lower, air_offset_k=-1.0)),
    185.0,
)


@pytest.mark.parametrize(
    ("columns", "met_c", "moved_k"),
    [
        ({"air_upper_c": 172.0, "air_lower_c": 168.0}, (172.0, 168.0), (0.0, 0.0)),
        ({"air_upper_c": 172.0}, (172.0, 169.0), (0.0, 0.7)),
        ({"air_lower_c": 168.0}, (171.0, 168.0), (-0.7, 0.0)),
    ],
)
def test_a_face_meets_the_air_that_was_measured_at_it(
    columns: dict[str, float], met_c: tuple[float, float], moved_k: tuple[float, float]
) -> None:
    time_s = np.arange(0.0, 301.0, 5.0)
    seen = Observed(time_s, {name: np.full(len(time_s), c) for name, c in columns.items()})
    air = heard(CASE, seen, time_s, 300.0)
    assert air is not None
    for by, moved in ((Departures(), (0.0, 0.0)), (Departures(lower_air_k=0.7), moved_k)):
        driven = members_air(CASE, [air], by, NONE, NONE)
        offsets = np.array([2.0 + by.upper_air_k, -1.0 + by.lower_air_k])
        assert driven.air_c[40, :, 0] + offsets == pytest.approx(np.add(met_c, moved), abs=0.05)


def test_an_oven_that_still_warmed_up_is_expected_to_go_on() -> None:
    """Steady at 160 °C, or on its way past it as the door is opened: the card says 182 °C; a fall of 40 K since."""
    case = CASE
    at_s = np.arange(-300.0, 40.0)
    fall_k = np.where(at_s >= 0.0, 40.0 * np.exp(-np.maximum(at_s, 0.0) / 90.0), 0.0)
    steady_c, rising_c = np.full(len(at_s), 160.0), 160.0 + 0.2 * np.minimum(at_s + 10.0, 0.0)
    expected = {}
    for name, air_c in (("steady", steady_c), ("rising", rising_c)):
        seen = Observed(at_s, {"air_upper_c": air_c - fall_k})
        expected[name] = _course(case, seen, air_c - fall_k).steady_c
    assert expected["steady"] == pytest.approx(160.0, abs=1.5)
    assert expected["rising"] > 168.0
