"""Girths by level from TOML and CSV; whatever is wrong with them is said."""

from __future__ import annotations

from typing import Any

import pytest

from logger.girths import Girths, girths_from_csv, girths_from_mapping
from thermal.fields import InputError

GOOD = {"level_mm": [30, 60, 120], "girth_mm": [200.0, 260, 330]}


def test_toml() -> None:
    found = girths_from_mapping({**GOOD, "distal": "conical", "name": "left"}, "limb.toml")
    assert found.level_m == pytest.approx((0.03, 0.06, 0.12))
    assert found.girth_m == pytest.approx((0.20, 0.26, 0.33))
    assert (found.distal, found.name) == ("conical", "left")


def test_other_units() -> None:
    inches = girths_from_mapping({"level_in": [1, 4], "girth_in": [8, 12]}, "limb.toml")
    assert inches.girth_m == pytest.approx((0.2032, 0.3048))
    centimetres = girths_from_csv("girth_cm,level_cm\n20,3\n26.5,6\n", "limb.csv")
    assert centimetres == Girths((0.03, 0.06), (0.2, 0.265))


def test_csv_with_remarks_and_blank_lines() -> None:
    text = "# left limb\nlevel_mm,girth_mm\n\n30,200\n60, 260\n"
    assert girths_from_csv(text, "limb.csv") == Girths((0.03, 0.06), (0.2, 0.26))


@pytest.mark.parametrize(
    ("change", "match"),
    [
        ({"girth_mm": [200, -260, 330]}, r"limb\.toml: girth -260 mm at level 60 mm: expected a number above 0"),
        ({"level_mm": [60, 30, 120]}, r"level 30 mm stands after 60 mm: expected levels that rise"),
        ({"level_mm": [30, 60]}, r"2 levels and 3 girths"),
        ({"level_mm": [30], "girth_mm": [200]}, r"expected two or more levels"),
        ({"level_mm": [-30, 60, 120]}, r"level -30 mm: expected 0 or more"),
        ({"girth_mm": [8, 10, 13]}, r"largest girth 13 mm .*expected 45 to 1800 mm; was 13 cm .* or 13 in \(330 mm\)"),
        ({"girth_mm": [2000, 2600, 3300]}, r"largest girth 3300 mm .*expected 45 to 1800 mm; correct it"),
        ({"level_mm": [1.2, 2.4, 4.8]}, r"length 4\.8 mm .*was 4\.8 cm \(48 mm\) or 4\.8 in \(122 mm\) meant"),
        ({"girth_mm": [200, "wide", 330]}, r"girth_mm\[1\] = 'wide': expected a number"),
        ({"girth_mm": [200, float("nan"), 330]}, r"girth_mm\[1\] = nan: expected a number"),
        ({"distal": "square"}, r"distal = 'square': expected"),
        ({"colour": "red"}, r"colour = 'red' is not known"),
    ],
)
def test_bad_molds(change: dict[str, Any], match: str) -> None:
    with pytest.raises(InputError, match=match):
        girths_from_mapping({**GOOD, **change}, "limb.toml")


@pytest.mark.parametrize(
    ("text", "match"),
    [
        ("", r"expected a header level_mm,girth_mm"),
        ("level_mm,girth_mm\n", r"expected a header"),
        ("level,girth\n30,200\n", r"girth_mm is missing"),
        ("level_mm,girth_cm\n30,200\n", r"line 1: header level_mm,girth_cm: expected level_cm,girth_cm"),
        ("level_mm,girth_mm\n30,200\n60\n", r"line 3: 1 cells: expected 2"),
        ("level_mm,girth_mm\n30,wide\n60,200\n", r"line 2: girth_mm = 'wide': expected a number"),
    ],
)
def test_bad_tables(text: str, match: str) -> None:
    with pytest.raises(InputError, match=match):
        girths_from_csv(text, "limb.csv")
