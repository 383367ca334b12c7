"""The wall of a bubble over a mold: what must hold whatever the mold."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from thermal.fields import InputError
from thermal.mold import Mold, meridian
from thermal.wall import Pull, Wall, least_share, wall

LEVELS = (0.03, 0.06, 0.10, 0.15, 0.20, 0.25)
SOCKET = Mold(LEVELS, (0.20, 0.26, 0.30, 0.33, 0.36, 0.40))


def thinnest(mold: Mold, opening_m: float, ratio: float) -> float:
    return least_share(Pull(mold, (opening_m,), ratio * opening_m / 2.0, 0.012))


@pytest.fixture(scope="module")
def socket() -> Wall:
    return wall(Pull(SOCKET, (0.300,), 0.160, 0.012))


def test_socket(socket: Wall) -> None:
    assert socket.volume_error < 1e-6
    assert socket.folds_m2 == pytest.approx(0.0, abs=1e-12)
    assert least_share(socket.pull) * 0.012 == pytest.approx(socket.thinnest.wall_m, rel=1e-12)
    tip, *rest = socket.places
    assert tip.level_m == 0.0
    assert tip.wall_m > socket.thinnest.wall_m
    # The bubble's pole is laid down first and keeps its thickness.
    assert tip.wall_m / 0.012 == pytest.approx(0.590, abs=0.01)
    for place in (tip, *rest, socket.thinnest):
        low, high = place.interval_m
        assert 0.0 < low < place.wall_m < high < 0.012
    assert socket.thinnest.wall_m < socket.mean_m < 0.012
    assert socket.stretch == pytest.approx(0.012 / socket.thinnest.wall_m)


def test_volume_is_kept_where_there_is_more_sheet_than_the_mold_takes() -> None:
    found = wall(Pull(SOCKET, (0.420,), 0.220, 0.012))
    assert found.folds_m2 > 1e-3
    assert found.volume_error < 1e-6


def test_wall_is_in_proportion_to_the_gauge(socket: Wall) -> None:
    other = wall(Pull(SOCKET, (0.300,), 0.160, 0.006))
    for same in (other, socket.of_gauge(0.006)):
        np.testing.assert_allclose(same.wall_m, 0.5 * socket.wall_m, rtol=1e-12)
        np.testing.assert_allclose(same.interval_m, 0.5 * socket.interval_m, rtol=1e-12)
        assert same.thinnest.interval_m == pytest.approx([0.5 * x for x in socket.thinnest.interval_m], rel=1e-12)
        assert same.pull == other.pull


def test_larger_bench_and_mold_in_proportion_give_the_same_wall(socket: Wall) -> None:
    double = Mold(tuple(2.0 * v for v in SOCKET.level_m), tuple(2.0 * v for v in SOCKET.girth_m))
    other = wall(Pull(double, (0.600,), 0.320, 0.012, stand_m=0.08))
    np.testing.assert_allclose(other.wall_m, socket.wall_m, rtol=1e-9)


@settings(max_examples=12, deadline=None)
@given(
    longer=st.floats(1.05, 1.8),
    ratio=st.floats(0.0, 1.1),
    girths=st.lists(st.floats(0.15, 0.42), min_size=6, max_size=6),
)
def test_deeper_draw_never_thickens_the_thinnest_place(longer: float, ratio: float, girths: list[float]) -> None:
    # Molds that widen upward: a groove that is drawn out becomes shallower for its width, so the sheet that sinks to
    # its ground is stretched less.
    girths = sorted(girths)
    deep = Mold(tuple(longer * level for level in LEVELS), tuple(girths))
    # 0.5 %: a piece of outline is 0.4 % of the mold and has one thickness.
    assert thinnest(deep, 0.300, ratio) <= thinnest(Mold(LEVELS, tuple(girths)), 0.300, ratio) * 1.005


@settings(max_examples=12, deadline=None)
@given(
    wider=st.floats(1.05, 1.8),
    ratio=st.floats(0.0, 1.1),
    girths=st.lists(st.floats(0.15, 0.42), min_size=6, max_size=6),
)
def test_larger_opening_never_thins_the_thinnest_place(wider: float, ratio: float, girths: list[float]) -> None:
    mold = Mold(LEVELS, tuple(girths))
    assert thinnest(mold, 0.220 * wider, ratio) >= thinnest(mold, 0.220, ratio) * 0.995


def test_mesh_converged() -> None:
    coarse, fine = (
        np.interp((0.02, 0.05, 0.10, 0.15, 0.20), found.level_m, found.wall_m) for found in (_on(120), _on(480))
    )
    np.testing.assert_allclose(coarse, fine, rtol=2e-3)


def _on(points: int) -> Wall:
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("thermal.wall.meridian", lambda mold: meridian(mold, points))
        return wall(Pull(SOCKET, (0.300,), 0.150, 0.012))


def test_frame_smaller_than_the_mold_is_refused() -> None:
    with pytest.raises(InputError, match=r"opening 120 mm: expected more than the mold's widest part, 127 mm across"):
        Pull(SOCKET, (0.120,), 0.05, 0.012)


def test_drop_beyond_the_bubble_is_refused() -> None:
    with pytest.raises(InputError, match=r"drop 200 mm: expected 0 to 180 mm"):
        Pull(SOCKET, (0.300,), 0.200, 0.012)


# --- molds ---


def test_meridian_of_a_ball() -> None:
    # A half ball of radius 50 mm measured at five levels: volume 2/3 pi R3, area 2 pi R2 (closed forms). A monotone
    # cubic through the squared radii follows it to half a percent.
    level = np.array([0.005, 0.01, 0.02, 0.03, 0.04, 0.05])
    ball = Mold(tuple(level), tuple(2.0 * np.pi * np.sqrt(level * (0.1 - level))))
    outline = meridian(ball)
    assert outline.volume_m3 == pytest.approx(2.0 / 3.0 * np.pi * 0.05**3, rel=5e-3)
    assert outline.areas_m2.sum() == pytest.approx(2.0 * np.pi * 0.05**2, rel=5e-3)


def test_meridian_of_a_cone_and_a_flat_end() -> None:
    tip = meridian(Mold((0.05, 0.10), (0.1, 0.2), "conical"))
    assert tip.volume_m3 == pytest.approx(0.10 * (0.2 / (2.0 * np.pi)) ** 2 * np.pi / 3.0, rel=1e-3)
    flat = meridian(Mold((0.0, 0.10), (0.2, 0.2)))
    radius = 0.1 / np.pi
    assert flat.volume_m3 == pytest.approx(np.pi * radius**2 * 0.1, rel=1e-9)
    assert flat.areas_m2.sum() == pytest.approx(np.pi * radius**2 + 0.2 * 0.1, rel=1e-9)


def test_girths_come_back() -> None:
    assert SOCKET.girth_at(np.array(LEVELS)) == pytest.approx(SOCKET.girth_m, rel=1e-3)
    assert SOCKET.widest == (0.25, 0.40)


@pytest.mark.parametrize(
    ("levels", "girths", "match"),
    [
        ((0.0, 0.1), (0.2,), "2 levels and 1 girths"),
        ((0.1,), (0.2,), "two or more levels"),
        ((0.1, 0.05), (0.2, 0.2), "level 50 mm stands after level 100 mm"),
        ((0.0, 0.1), (0.2, -0.2), "girths above 0"),
        ((0.0, float("nan")), (0.2, 0.2), "levels from 0 on"),
    ],
)
def test_bad_molds(levels: tuple[float, ...], girths: tuple[float, ...], match: str) -> None:
    with pytest.raises(InputError, match=match):
        Mold(levels, girths)
