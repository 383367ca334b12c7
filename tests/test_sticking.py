"""Sheet laid with sticking contact against the closed forms of cones, cylinders and domes."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from thermal.mold import Meridian, evenly
from thermal.sticking import Laid, Span, arc_area, draw_into, draw_over

Array = NDArray[np.float64]


def cone(angle_deg: float, points: int) -> Meridian:
    """A hollow cone of rim radius 1; angle of its wall to the horizontal."""
    r = np.linspace(0.0, 1.0, points)
    return Meridian(r, math.tan(math.radians(angle_deg)) * (1.0 - r))


def middle(of: Array) -> Array:
    result: Array = 0.5 * (of[1:] + of[:-1])
    return result


def total(laid: Laid) -> float:
    return laid.taken_m2 + laid.spare_m2


# Hollow cone: h/h0 = ((1 + cos a)/2) (1 - u)^(sec a - 1), u = S sin a/H the depth over that of the apex.
# J.G. Williams, J. Strain Analysis 5 (1970) 49 (recalled); the same in R.J. Crawford, Plastics Engineering, 3rd ed.
# 1998, sec. 4.4.1, and in course notes of UC Berkeley (ME221, thermoforming, theory). Values at u = 0.25, 0.5, 0.75.
CONES = {
    45.0: (0.757669, 0.640531, 0.480673),
    60.0: (0.5625, 0.375, 0.1875),
    80.0: (0.149263, 0.0216758, 0.00080065),
}


@pytest.mark.parametrize("angle_deg", CONES)
def test_hollow_cone_against_williams(angle_deg: float) -> None:
    outline = cone(angle_deg, 401)
    laid = draw_into(outline, np.pi)
    depth = 1.0 - middle(outline.radius_m)
    found = np.interp((0.25, 0.5, 0.75), depth[::-1], 1.0 / laid.stretch[::-1])
    # 400 pieces, of which each is one thickness: 7e-4 at the steepest, a sixteenth of that at 60 degrees.
    assert found == pytest.approx(CONES[angle_deg], rel=1e-3)
    assert total(laid) == pytest.approx(np.pi, rel=1e-12)


def test_mesh_converges_with_second_order() -> None:
    cosine = 0.5
    errors = []
    for points in (101, 201, 401):
        outline = cone(60.0, points)
        u = 1.0 - middle(outline.radius_m)
        wanted = (1.0 + cosine) / 2.0 * (1.0 - u) ** (1.0 / cosine - 1.0)
        errors.append(float(np.abs(1.0 / draw_into(outline, np.pi).stretch / wanted - 1.0)[u < 0.9].max()))
    orders = np.log2(np.divide(errors[:-1], errors[1:]))
    assert np.all(orders > 1.8)
    assert errors[-1] < 6e-5


def test_hollow_cylinder() -> None:
    # Until its bottom is touched: h = (h0/2) exp(-z/a), the cone's formula (Williams 1970, above) at 90 degrees.
    wall = np.linspace(0.0, 1.0, 200)
    bottom = np.linspace(0.0, 1.0, 67)
    outline = Meridian(np.concatenate([bottom, np.ones(199)]), np.concatenate([np.full(67, 3.0), 3.0 * wall[::-1][1:]]))
    laid = draw_into(outline, np.pi)
    depth, share = middle(outline.level_m)[66:], 1.0 / laid.stretch[66:]
    for z, wanted in ((0.25, 0.389400), (0.5, 0.303265), (1.0, 0.183940), (1.5, 0.111565), (1.9, 0.0747843)):
        assert np.interp(z, depth[::-1], share[::-1]) == pytest.approx(wanted, rel=5e-4)
    assert total(laid) == pytest.approx(np.pi, rel=1e-12)


def test_hollow_hemisphere_is_half_as_thick_all_over() -> None:
    angle = np.linspace(0.0, np.pi / 2.0, 181)
    laid = draw_into(Meridian(np.sin(angle), np.cos(angle)), np.pi)
    # Derived: pi R2 of sheet over 2 pi R2 of hemisphere, whose every zone takes the same share.
    # 3e-3: the piece at the rim sees the tangent on one side only.
    np.testing.assert_allclose(1.0 / laid.stretch, 0.5, rtol=3e-3)
    np.testing.assert_allclose(1.0 / laid.stretch[:-1], 0.5, rtol=3e-4)


def dome(depth: float, points: int) -> Meridian:
    """A dome of radius 0.05 m on a column, on a platen inside a ring of 0.15 m."""
    angle = np.linspace(0.0, np.pi / 2.0, points)
    column = np.linspace(0.05, depth, points)[1:]
    r = np.concatenate([0.05 * np.sin(angle), np.full(points - 1, 0.05), np.linspace(0.05, 0.15, points)[1:]])
    return Meridian(r, np.concatenate([0.05 * (1.0 - np.cos(angle)), column, np.full(points - 1, depth)]))


# Ring of 150 mm lowered over a dome of 50 mm: where the tight sheet leaves the dome, degrees, and the free cone's
# thickness over gauge (derived: every ring of sheet moves only vertically, so h = h0 cos phi on the dome).
RINGS = {0.10: (36.870, 0.8), 0.15: (49.792, 0.64556), 0.20: (58.633, 0.52052)}


@pytest.mark.parametrize("depth", RINGS)
def test_dome_under_a_tight_sheet(depth: float) -> None:
    points = 121
    laid = draw_over(dome(depth, points), np.pi * 0.15**2)
    angle = middle(np.linspace(0.0, 90.0, points))
    share = 1.0 / laid.stretch[: points - 1]
    leaves, free = RINGS[depth]
    tight = angle < leaves - 1.0
    np.testing.assert_allclose(share[tight], np.cos(np.radians(angle[tight])), rtol=1e-4)
    assert np.interp(leaves + 2.0, angle, share) == pytest.approx(free, rel=0.03)  # the vacuum goes on from the cone
    assert total(laid) == pytest.approx(np.pi * 0.15**2, rel=1e-12)


def test_cone_under_a_tight_sheet() -> None:
    # The ring goes down past where the sheet lies along the cone (0.1 m at 45 degrees): h = h0 cos(45) all over it.
    column, table = np.linspace(0.05, 0.12, 40)[1:], np.linspace(0.05, 0.10, 40)[1:]
    r = np.concatenate([np.linspace(0.0, 0.05, 41), np.full(39, 0.05), table])
    z = np.concatenate([np.linspace(0.0, 0.05, 41), column, np.full(39, 0.12)])
    laid = draw_over(Meridian(r, z), np.pi * 0.10**2)
    np.testing.assert_allclose(1.0 / laid.stretch[:40], np.sqrt(0.5), rtol=1e-9)
    assert total(laid) == pytest.approx(np.pi * 0.10**2, rel=1e-12)


def test_flat_topped_cylinder() -> None:
    # Free frustum (A - b)/sqrt((A - b)2 + H2); mean of wall and platen (A2 - b2)/(2 b H + A2 - b2) (derived).
    for b, a, height, frustum, mean in (
        (0.05, 0.10, 0.10, 0.447214, 0.428571),
        (0.05, 0.12, 0.15, 0.422885, 0.442379),
        (0.04, 0.15, 0.20, 0.481919, 0.566396),
    ):
        outline = evenly(np.array([0.0, b, b, a]), np.array([0.0, 0.0, height, height]), 301)
        laid = draw_over(outline, np.pi * a * a)
        beside = outline.radius_m[:-1] >= b - 1e-9
        share = 1.0 / laid.stretch[beside]
        areas = outline.areas_m2[beside]
        assert np.average(share, weights=areas) == pytest.approx(mean, rel=1e-5)
        np.testing.assert_allclose(1.0 / laid.stretch[~beside], 1.0, rtol=1e-12)  # the top keeps the gauge
        # The arc stretches somewhat before it touches: the wall begins no thicker than the free frustum would be.
        assert share[0] == pytest.approx(frustum, rel=0.1)


def test_area_of_a_free_arc_is_that_of_a_torus() -> None:
    # A quarter circle of radius R in the corner of a cylinder b and its platen, bulging into it: by Pappus
    # 2 pi [(b + R) pi R/2 - R2] (closed form).
    b, ball = 0.05, 0.03
    corner = Meridian(np.array([0.0, b, b, b + ball]), np.array([0.0, 0.0, 0.07, 0.10]))
    wanted = 2.0 * np.pi * ((b + ball) * np.pi * ball / 2.0 - ball**2)
    assert arc_area(corner, Span(2, 3, 0.0, False), ball) == pytest.approx(wanted, rel=1e-12)
    # A cap over the axis: 2 pi R h.
    assert arc_area(corner, Span(0, 1, 0.0, True), 0.13) == pytest.approx(2.0 * np.pi * 0.13 * 0.01, rel=1e-12)


def test_waist_is_bridged_and_filled() -> None:
    level = np.linspace(0.0, 0.3, 301)
    waisted = 0.06 - 0.02 * np.sin(np.pi * np.clip((level - 0.05) / 0.2, 0.0, 1.0)) ** 2
    r = np.concatenate([[0.0], waisted, np.linspace(waisted[-1], 0.15, 60)[1:]])
    z = np.concatenate([[0.0], level, np.full(59, 0.3)])
    laid = draw_over(Meridian(r, z), 2.0 * np.pi * 0.15**2)
    assert total(laid) == pytest.approx(2.0 * np.pi * 0.15**2, rel=1e-12)
    assert np.all(laid.stretch >= 1.0 - 1e-9)


def test_hollow_tip_is_reached_by_the_vacuum() -> None:
    angle = np.linspace(0.0, np.pi, 121)
    r = np.concatenate([np.linspace(0.0, 0.05, 61), np.full(60, 0.05), np.linspace(0.05, 0.15, 61)[1:]])
    z = np.concatenate([0.01 * (1.0 + np.cos(angle[::2])), np.linspace(0.0, 0.1, 61)[1:], np.full(60, 0.1)])
    laid = draw_over(Meridian(r, z), np.pi * 0.15**2)
    assert total(laid) == pytest.approx(np.pi * 0.15**2, rel=1e-12)
    assert laid.stretch[:60].max() > 1.02


def test_more_sheet_than_the_body_needs_lies_in_folds() -> None:
    laid = draw_over(dome(0.1, 61), 0.2)
    assert laid.spare_m2 > 0.01
    np.testing.assert_allclose(laid.stretch[:60], 1.0)
    assert total(laid) == pytest.approx(0.2, rel=1e-9)


@settings(max_examples=25, deadline=None)
@given(
    radii=st.lists(st.floats(0.03, 0.1), min_size=3, max_size=7),
    length=st.floats(0.08, 0.4),
    surplus=st.floats(1.0, 2.5),
)
def test_volume_is_kept_over_any_mold(radii: list[float], length: float, surplus: float) -> None:
    fine = np.linspace(0.0, 1.0, 61)
    level = fine * length
    radius = np.interp(fine, np.linspace(0.0, 1.0, len(radii) + 1), [0.0, *radii])
    r = np.concatenate([radius, np.linspace(radius[-1], 0.16, 30)[1:]])
    z = np.concatenate([level, np.full(29, length)])
    laid = draw_over(Meridian(r, z), surplus * np.pi * 0.16**2)
    assert total(laid) == pytest.approx(surplus * np.pi * 0.16**2, rel=1e-9)
    assert np.all(np.isfinite(laid.stretch))
    assert np.all(laid.stretch > 1.0 - 1e-9)


def test_sheet_that_gathers_is_thinner_and_lies_in_folds() -> None:
    outline = dome(0.2, 121)
    thick, gathered = (draw_over(outline, 1.3 * np.pi * 0.15**2, thickens) for thickens in (True, False))
    assert total(gathered) == pytest.approx(total(thick), rel=1e-12)
    # On the dome and the column's upper half; what it saves there it has left for the corner at the platen.
    assert np.all(gathered.stretch[:180] >= thick.stretch[:180] - 1e-9)
    assert gathered.stretch[150] > 1.02 * thick.stretch[150]
    assert gathered.spare_m2 > thick.spare_m2
