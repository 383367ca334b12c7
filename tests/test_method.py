"""Which way to form, with which sheet and frame, and the pattern of a draped blank."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from dashboard.plan_words import note_words
from dashboard.units import Units
from thermal.blank import draped_blank, fits
from thermal.fields import InputError
from thermal.method import DRAPE_GAUGE_M, Choice, Equipment, Method, choose
from thermal.mold import Mold
from thermal.notes import Note
from thermal.plan import LARGEST_DROP
from thermal.polymer_data import shipped_polymer

LIMB = Mold((0.03, 0.06, 0.09, 0.12, 0.15, 0.18, 0.21), (0.21, 0.255, 0.28, 0.296, 0.31, 0.33, 0.345))
SHOP = Equipment(
    ((0.25,), (0.30,), (0.30, 0.40)), 0.025, 0.28, (0.9, 0.7), True, (0.003, 0.004, 0.005, 0.006, 0.01, 0.012)
)
PP, PETG = "pp-homopolymer", "petg"


def words(notes: tuple[Note, ...]) -> str:
    return "; ".join(note_words(note, Units()) for note in notes)


def chosen(polymer: str, wanted_mm: float | None = None, gauge_mm: float | None = None, of: Equipment = SHOP) -> Choice:
    wanted, gauge = (None if value is None else value * 1e-3 for value in (wanted_mm, gauge_mm))
    return choose(shipped_polymer(polymer), LIMB, of, wanted, gauge)


def test_thin_sheet_that_sticks_to_itself_is_draped() -> None:
    # Common practice, no source: draping suits sheet of 3 to 5 mm that sticks to itself.
    found = chosen(PP, wanted_mm=3.0)
    assert found.method == "drape"
    assert found.drape is not None
    assert found.drape.gauge_m == 0.004
    assert found.drape.wall_m[0] >= 0.003
    assert DRAPE_GAUGE_M == (0.003, 0.005)
    assert "sticks to itself" in words(found.reasons)


def test_thick_sheet_is_pulled_as_a_bubble() -> None:
    # Common practice, no source: bubbles suit thicker sheet of any kind; the drop is about two thirds of the length.
    found = chosen(PP, wanted_mm=5.0)
    assert found.method == "bubble"
    bubble = found.bubble
    assert bubble is not None
    assert bubble.drop_m == pytest.approx(2.0 / 3.0 * 0.21)
    assert bubble.wall.thinnest.interval_m[0] >= 0.005
    assert bubble.room_m == pytest.approx(LARGEST_DROP * bubble.drop_m)
    assert "too thick to drape" in words(found.reasons)
    assert "is commonly draped" in words(found.against["drape"])


def test_sheet_that_does_not_stick_is_pulled_as_a_bubble() -> None:
    found = chosen(PETG, wanted_mm=1.5)
    assert found.method == "bubble"
    assert found.drape is None
    assert "does not stick to itself" in words(found.against["drape"])


def test_wanted_wall_takes_the_thinnest_sheet_that_gives_it() -> None:
    # The frames fit; a thinner sheet of the list would not do in any of them.
    found = chosen(PETG, wanted_mm=3.0).bubble
    assert found is not None
    at = SHOP.gauges_m.index(found.gauge_m)
    thinner = SHOP.gauges_m[at - 1]
    assert chosen(PETG, 3.0, thinner * 1e3).bubble is None


def test_a_given_gauge_takes_the_frame_with_the_best_wall() -> None:
    found = chosen(PETG, gauge_mm=6.0)
    assert found.bubble is not None
    assert found.bubble.opening_m == (0.30, 0.40)
    assert found.bubble.blank_m == pytest.approx((0.35, 0.45))


@pytest.mark.parametrize(
    ("change", "match"),
    [
        ({"vacuum": False}, "There is no vacuum"),
        ({"openings_m": ((0.10,),)}, "Frame of 100 mm: the mold is 110 mm across"),
        ({"oven_m": (0.2, 0.2)}, "does not go into the oven"),
        ({"gauges_m": (0.003,)}, "would be needed, more than there is"),
    ],
)
def test_what_stands_against_a_bubble(change: dict[str, object], match: str) -> None:
    found = chosen(PETG, wanted_mm=3.0, of=replace(SHOP, **change))  # type: ignore[arg-type]
    assert found.bubble is None
    assert match in words(found.against["bubble"])
    assert found.method is None
    assert found.reasons == ()


def test_a_low_rack_lessens_the_drop() -> None:
    found = chosen(PETG, wanted_mm=3.0, of=replace(SHOP, rack_m=0.10)).bubble
    assert found is not None
    assert found.drop_m == pytest.approx(0.10 / LARGEST_DROP)
    refused = choose(shipped_polymer(PETG), LIMB, replace(SHOP, rack_m=0.10), 0.003, drop_m=0.14)
    assert "wants 175 mm of room, the rack leaves 100 mm" in words(refused.against["bubble"])


@pytest.mark.parametrize("method", ["bubble", "drape"])
def test_a_method_can_be_asked_for(method: Method) -> None:
    found = choose(shipped_polymer(PP), LIMB, SHOP, gauge_m=0.004, method=method)
    assert found.method == method
    assert "It was asked for" in words(found.reasons)
    never = choose(shipped_polymer(PETG), LIMB, replace(SHOP, vacuum=False), gauge_m=0.004, method=method)
    assert never.method is None


def test_neither_wall_nor_gauge() -> None:
    with pytest.raises(InputError, match="a wall that is wanted or a gauge"):
        chosen(PP)


# --- the blank ---


def test_pattern_of_a_cylinder_is_a_rectangle() -> None:
    # Unrolled around the middle of the sheet: girth + pi gauge; both closed forms.
    blank = draped_blank(Mold((0.0, 0.1, 0.2), (0.3, 0.3, 0.3)), 0.004, seam_m=0.02, overhang_m=0.05)
    np.testing.assert_allclose(blank.width_m, 0.3 + np.pi * 0.004 + 0.04, rtol=1e-12)
    # The sheet covers the flat end too: its radius comes on top of the length and both overhangs.
    assert blank.length_m == pytest.approx(0.2 + 0.3 / (2.0 * np.pi) + 0.1, rel=1e-6)
    assert blank.area_m2 == pytest.approx(blank.length_m * blank.breadth_m, rel=1e-6)


def test_pattern_of_a_cone_runs_along_its_slant() -> None:
    mold = Mold((0.05, 0.25), (0.1, 0.5), "conical")
    blank = draped_blank(mold, 0.004, seam_m=0.03, overhang_m=0.04)
    slant = np.hypot(0.20, 0.4 / (2.0 * np.pi))
    assert blank.along_m[2] - blank.along_m[1] == pytest.approx(slant, rel=2e-3)
    assert blank.width_m[2] - blank.width_m[1] == pytest.approx(0.4)


def test_fits_either_way_round() -> None:
    assert fits(0.6, 0.4, (0.4, 0.6))
    assert not fits(0.6, 0.41, (0.4, 0.7))
    assert fits(9.0, 9.0, None)
