"""Sixty virtual heats with large causes, truths finer than the model and no two alike: how many are named, in which
size and with which core. The table by cause, size and sensor set is of `benchmarks/diagnosis.py`.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pytest

from calibration.diagnosis import CARRIED_LONG, Diagnosis
from calibration.recovery import STEADY_STD_K
from diagnosis import SETS, UNSEEN, diagnosed, label_of, same
from live_cases import CALIBRATED, cell
from planted_heats import (
    CARRIED,
    DOOR,
    DRIFTING,
    EARLY,
    FROZEN,
    HIGH,
    HOT,
    LOOSE,
    LOW,
    NOT_READY,
    POLYMER,
    SOUND,
    TRAY,
    Plant,
    Planted,
    planted,
)

#: Sizes in each cause's unit, about four times the smallest that can be told; how many of each.
OF_AIR = ((SOUND, 0.0, 10), (LOW, 30.0, 5), (HIGH, 30.0, 5), (DOOR, 25.0, 5), (NOT_READY, 40.0, 5), (EARLY, 25.0, 6),
          (HOT, 24.0, 5), (CARRIED, 1.5, 5))  # fmt: skip
OF_FACE = ((SOUND, 0.0, 2), ("gauge thick", 0.4, 1), ("gauge thin", 0.4, 1), ("start cold", 40.0, 1),
           ("face upper cold", 1.2, 1), ("oven drifted weak", 1.2, 1), (POLYMER, 1.0, 1), (TRAY, 1.0, 1),
           (LOOSE, 0.8, 1), (DRIFTING, 30.0, 1), (FROZEN, 1.0, 1), (NOT_READY, 40.0, 1), (EARLY, 25.0, 1))  # fmt: skip

Told = list[tuple[str, Planted, Diagnosis]]


def told_of(kind: str, several: Sequence[tuple[str, float, int]]) -> Told:
    case, of = cell(4.0, CALIBRATED)
    plants = [Plant(label, size) for label, size, count in several for _ in range(count)]
    return [(kind, heat, diagnosed(kind, heat)) for heat in planted(case, of, plants, SETS[kind], seed=5)]


@pytest.fixture(scope="module")
def told() -> Told:
    return told_of("air", OF_AIR) + told_of("face", OF_FACE)


def test_large_causes_are_named_first_or_second(told: Told) -> None:
    named = [
        [same(kind, heat.plant.label, label_of(one)) for one in found.findings[:2]]
        for kind, heat, found in told
        if heat.plant.label != SOUND and heat.plant.label not in UNSEEN.get(kind, ())
    ]
    assert (len(told), len(named)) == (60, 48)
    assert np.mean([one[0] for one in named]) >= 0.90
    assert np.mean([any(one) for one in named]) >= 0.97


def test_sound_heats_are_left_alone(told: Told) -> None:
    sound = [found for _, heat, found in told if heat.plant.label == SOUND]
    assert len(sound) == 12
    # One in two hundred is taken for something else: two of twelve less than once in 500 times.
    assert sum(label_of(found.first) != SOUND for found in sound) <= 1


def test_no_two_heats_are_alike(told: Told) -> None:
    assert len({(heat.end_s, heat.carried_s, heat.core_c) for _, heat, _ in told}) == len(told)


def test_what_is_named_is_likelier_than_not(told: Told) -> None:
    named = [found.first for kind, heat, found in told if same(kind, heat.plant.label, label_of(found.first))]
    assert np.mean([one.probability > 0.5 for one in named]) >= 0.95


def test_a_thermocouple_that_is_named_is_the_one_that_was_planted(told: Told) -> None:
    wrong = [
        (heat.plant.label, found.first) for _, heat, found in told if heat.plant.label in (LOOSE, DRIFTING, FROZEN)
    ]
    assert [(one.kind, one.of) for _, one in wrong] == [(label, "face_upper_c") for label, _ in wrong]


def test_the_size_that_is_told_is_the_one_planted(told: Told) -> None:
    off = []
    for _, heat, found in told:
        label, first = heat.plant.label, found.first
        if label not in (LOW, HIGH, "gauge thick", "gauge thin") or label_of(first) != label:
            continue
        assert first.size is not None
        assert first.size_std is not None
        # What is planted of an oven comes on top of what it is off by itself.
        own_std = STEADY_STD_K if label in (LOW, HIGH) else 0.0
        off.append((abs(first.size) - heat.plant.size) / np.hypot(first.size_std, own_std))
    # One of the twelve may be named otherwise; the largest of twelve is beyond 3.5 once in 180 times.
    assert len(off) >= 11
    assert np.abs(off).max() < 3.5


def test_the_core_at_the_pull_is_within_its_interval(told: Told) -> None:
    of = {
        kind: [(heat.core_c, found.at_pull.core_c) for one, heat, found in told if one == kind]
        for kind in ("air", "face")
    }
    held = {kind: sum(core.low <= true <= core.high for true, core in own) for kind, own in of.items()}
    # 90 % intervals: fewer of 46 or of 14, or all of 46, less than once in 100 times each.
    assert 35 <= held["air"] < 46
    assert held["face"] >= 9
    # A face that is measured halves what is not known of the core (the data's bound: 0.86 K instead of 1.83 K).
    wide = {kind: np.median([core.high - core.low for _, core in own]) for kind, own in of.items()}
    assert wide["face"] < 0.6 * wide["air"]


def test_the_course_ends_at_the_pull_and_rises(told: Told) -> None:
    for _, heat, found in told:
        course = found.course
        assert course.time_s[-1] == pytest.approx(found.at_pull.time_s)
        assert np.all(course.core_c[0] <= course.core_c[2])
        # The core of a heat never falls, but for what the middle of the members leaves; no sheet begins above 60 °C.
        assert np.all(np.diff(course.core_c[1][5:]) > -0.5)
        assert course.core_c[1][-1] > course.core_c[1][0] + 60.0, heat.plant.label


def test_probabilities_are_probabilities(told: Told) -> None:
    for _, _, found in told:
        assert all(0.0 <= one.probability <= 1.0 for one in found.findings)
        assert list(found.findings) == sorted(found.findings, key=lambda one: -one.probability)


def test_a_carry_within_its_time_is_no_cause(told: Told) -> None:
    sound = [found for _, heat, found in told if heat.plant.label == SOUND]
    carried = [one.probability for found in sound for one in found.findings if one.kind == CARRIED_LONG]
    assert len(carried) == len(sound)
    assert max(carried) < 0.05
