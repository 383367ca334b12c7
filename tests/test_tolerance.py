"""Tolerance classes of IEC 60584-1 and ASTM E230, against makers' printed tables of them."""

from __future__ import annotations

import math

import pytest

from logger.thermocouple import TYPES
from logger.tolerance import BANDS, CLASS_NAMES, CLASSES, classes_of, tolerance_k
from thermal.fields import InputError

#: Read in a sensor maker's table of JIS C1602, IEC 584-2 and ASTM E230, where each class is printed in two parts with
#: the temperature at which the share takes over (375, 333, -167, 125, 133, -67, 600, 800 °C), and in the reference
#: section of a thermocouple supplier's handbook (for R and S class 1: 1 + 0.003 (t - 1100), recalled).
PRINTED = [
    ("K", "1", -40, 1.5), ("K", "1", 375, 1.5), ("K", "1", 1000, 4.0), ("N", "1", 500, 2.0), ("J", "1", 750, 3.0),
    ("E", "1", 800, 3.2), ("T", "1", 125, 0.5), ("T", "1", 350, 1.4), ("T", "1", 185, 0.74),
    ("K", "2", 333, 2.5), ("K", "2", 1200, 9.0), ("N", "2", 100, 2.5), ("J", "2", 600, 4.5), ("E", "2", 900, 6.75),
    ("T", "2", 133, 1.0), ("T", "2", 350, 2.625), ("K", "2", 185, 2.5), ("T", "2", 185, 1.3875),
    ("K", "3", -167, 2.505), ("K", "3", -200, 3.0), ("N", "3", 40, 2.5), ("E", "3", -100, 2.5),
    ("T", "3", -67, 1.005), ("T", "3", -200, 3.0),
    ("R", "1", 0, 1.0), ("S", "1", 1100, 1.0), ("S", "1", 1600, 2.5), ("R", "2", 600, 1.5), ("S", "2", 1600, 4.0),
    ("B", "2", 600, 1.5), ("B", "2", 1700, 4.25), ("B", "3", 800, 4.0), ("B", "3", 1700, 8.5),
    ("K", "standard", 100, 2.2), ("K", "standard", 1000, 7.5), ("K", "standard", -200, 4.0),
    ("N", "standard", 400, 3.0), ("J", "standard", 760, 5.7), ("E", "standard", 870, 4.35),
    ("E", "standard", -200, 2.0), ("T", "standard", 370, 2.775), ("T", "standard", -200, 3.0),
    ("S", "standard", 1000, 2.5), ("R", "special", 1000, 1.0), ("B", "standard", 1000, 5.0),
    ("B", "special", 1000, 2.5), ("K", "special", 100, 1.1), ("K", "special", 1000, 4.0), ("J", "special", 500, 2.0),
    ("E", "special", 100, 1.0), ("T", "special", 185, 0.74), ("N", "special", 0, 1.1), ("K", "standard", 0, 2.2),
]  # fmt: skip


@pytest.mark.parametrize(("kind", "tolerance_class", "t_c", "k"), PRINTED)
def test_printed(kind: str, tolerance_class: str, t_c: float, k: float) -> None:
    assert tolerance_k(kind, tolerance_class, t_c) == pytest.approx(k, abs=1e-9)


@pytest.mark.parametrize(
    ("kind", "tolerance_class", "t_c"),
    [
        ("K", "1", -41), ("K", "1", 1001), ("K", "2", 1201), ("J", "2", 751), ("T", "1", 351), ("K", "3", 41),
        ("B", "2", 599), ("B", "standard", 869), ("S", "1", -1), ("K", "special", -1), ("J", "standard", -1),
        ("K", "standard", -201),
    ],
)  # fmt: skip
def test_outside_a_class_says_nothing(kind: str, tolerance_class: str, t_c: float) -> None:
    assert tolerance_k(kind, tolerance_class, t_c) is None


def test_which_classes_there_are() -> None:
    assert classes_of("K") == ("1", "2", "3", "standard", "special")
    assert classes_of("J") == ("1", "2", "standard", "special")
    assert classes_of("S") == ("1", "2", "standard", "special")
    assert classes_of("B") == ("2", "3", "standard", "special")
    assert set(CLASS_NAMES) == set(CLASSES)
    assert {kind for kind, _ in BANDS} == set(TYPES)


@pytest.mark.parametrize(("kind", "tolerance_class"), [("J", "3"), ("B", "1"), ("K", "4"), ("K", "")])
def test_a_class_that_is_not_there(kind: str, tolerance_class: str) -> None:
    with pytest.raises(
        InputError, match=f"tolerance class '{tolerance_class}' does not exist for type {kind}: expected"
    ):
        tolerance_k(kind, tolerance_class, 100.0)


def test_no_temperature_no_tolerance() -> None:
    with pytest.raises(InputError, match="temperature = nan"):
        tolerance_k("K", "1", math.nan)
