"""A hot sheet in the room against library values and a printed example."""

from __future__ import annotations

import numpy as np
import pytest

from thermal.room import Room, draught_w_m2k, free_convection_w_m2k, room_faces, vertical_convection_w_m2k

ROOM_C, LENGTH_M = 22.0, 0.075  # a 0.3 m square: area over perimeter

# ht 1.2.0 (McAdams) with CoolProp 8.0.0 air, emissivity 0.9: face °C -> h up, h down, total up, total down, W/(m2 K).
LIBRARY = {
    40.0: (5.486, 2.743, 11.24, 8.49),
    60.0: (6.547, 3.273, 12.90, 9.63),
    80.0: (7.206, 3.603, 14.21, 10.61),
    100.0: (7.686, 3.843, 15.41, 11.56),
    120.0: (8.062, 4.031, 16.55, 12.52),
    140.0: (8.369, 4.185, 17.69, 13.50),
    160.0: (8.627, 4.314, 18.84, 14.53),
    180.0: (8.848, 4.424, 20.02, 15.59),
    200.0: (9.040, 4.520, 21.23, 16.71),
}


@pytest.mark.parametrize("face_c", LIBRARY)
def test_free_convection_against_the_libraries(face_c: float) -> None:
    # 1.5 %: the product interpolates air between four temperatures.
    for upward, wanted in zip((True, False), LIBRARY[face_c][:2], strict=True):
        assert free_convection_w_m2k(face_c, ROOM_C, LENGTH_M, upward) == pytest.approx(wanted, rel=0.015)


@pytest.mark.parametrize("face_c", LIBRARY)
def test_convection_and_radiation_together(face_c: float) -> None:
    faces = room_faces(ROOM_C, LENGTH_M, 0.9)
    flux = faces.flux(faces.air.drive(np.zeros(1)), np.full((2, 1), face_c))
    np.testing.assert_allclose(-flux[:, 0] / (face_c - ROOM_C), LIBRARY[face_c][2:], rtol=0.015)


def test_printed_plate() -> None:
    # Y.A. Cengel, Heat and Mass Transfer: A Practical Approach, Ex. 9-2: plate 0.6 m square at 90 °C in 30 °C air;
    # (b) up 128 W, (c) down 64.2 W, radiation 182 W with emissivity 1. 3.5 %: the book's air conducts 0.02808 W/(m K)
    # at 60 °C, 2.4 % less than the libraries' (CoolProp 8.0.0), and the product interpolates (see above).
    length, area, rise = 0.15, 0.36, 60.0
    down = free_convection_w_m2k(90.0, 30.0, length, upward=False) * area * rise
    assert down == pytest.approx(64.2, rel=0.035)
    # At this Rayleigh number, 1.2e7, the book still uses 0.54 Ra^(1/4); McAdams' own change to 0.15 Ra^(1/3) at 1e7
    # gives 138.7 W (ht 1.2.0).
    up = free_convection_w_m2k(90.0, 30.0, length, upward=True) * area * rise
    assert up == pytest.approx(138.7, rel=0.035)
    rayleigh = 1.195e7
    assert up * (0.54 * rayleigh**0.25) / (0.15 * rayleigh ** (1 / 3)) == pytest.approx(128.4, rel=0.035)
    faces = room_faces(30.0, length, 1.0)
    flux = faces.flux(faces.air.drive(np.zeros(1)), np.full((2, 1), 90.0))[:, 0]
    assert -flux * area - [up, down] == pytest.approx([182.4, 182.4], rel=2e-3)


def test_cold_sheet_is_the_mirror_image() -> None:
    # A cold face looking down convects as a hot one looking up, at the same film temperature.
    for upward in (True, False):
        hot = free_convection_w_m2k(60.0, 20.0, LENGTH_M, upward)
        cold = free_convection_w_m2k(20.0, 60.0, LENGTH_M, not upward)
        assert cold == pytest.approx(hot, rel=1e-12)
    assert free_convection_w_m2k(60.0, 20.0, LENGTH_M, True) > 1.9 * free_convection_w_m2k(60.0, 20.0, LENGTH_M, False)


def test_no_heat_flows_at_room_temperature() -> None:
    faces = room_faces(25.0, LENGTH_M, 0.9)
    flux = faces.flux(faces.air.drive(np.zeros(1)), np.full((2, 1), 25.0))
    np.testing.assert_allclose(flux, 0.0, atol=1e-9)


def test_slopes_and_columns() -> None:
    faces = room_faces(ROOM_C, LENGTH_M, 0.9, batch=2)
    drive = faces.air.drive(np.zeros(2))
    face = np.array([[151.3, 90.4], [77.7, 399.0]])
    by_face, by_time = faces.slopes(drive, face)
    step = 1e-3
    numeric = (faces.flux(drive, face + step) - faces.flux(drive, face - step)) / (2 * step)
    np.testing.assert_allclose(by_face, numeric, rtol=1e-6)
    assert not by_time.any()
    one = faces.columns(np.array([1]))
    np.testing.assert_allclose(one.flux(one.air.drive(np.zeros(1)), face[:, 1:]), faces.flux(drive, face)[:, 1:])


# The same libraries, upright plate 0.3 m high (S.W. Churchill, H.H.S. Chu 1975): face °C -> h, W/(m2 K).
UPRIGHT = {40.0: 4.216, 80.0: 5.762, 120.0: 6.524, 160.0: 7.008, 200.0: 7.346}


@pytest.mark.parametrize("face_c", UPRIGHT)
def test_upright_face_against_the_libraries(face_c: float) -> None:
    assert vertical_convection_w_m2k(face_c, ROOM_C, 0.3) == pytest.approx(UPRIGHT[face_c], rel=0.015)


def test_printed_upright_plate() -> None:
    # Cengel Ex. 9-2 (a): the same plate upright, 115 W; 3.5 % as above.
    assert vertical_convection_w_m2k(90.0, 30.0, 0.6) * 0.36 * 60.0 == pytest.approx(115.0, rel=0.035)


def test_draught_is_the_laminar_plate() -> None:
    # Nu = 0.664 Re^(1/2) Pr^(1/3), 0.3 m, film 100 °C (CoolProp 8.0.0 air): 1, 3, 5 m/s -> 7.1, 12.2, 15.8 W/(m2 K).
    for speed, wanted in ((1.0, 7.1), (3.0, 12.2), (5.0, 15.8)):
        assert draught_w_m2k(180.0, 20.0, 0.3, speed) == pytest.approx(wanted, rel=0.02)
    assert draught_w_m2k(180.0, 20.0, 0.3, 0.0) == 0.0


def test_draught_adds_to_free_convection_and_a_warm_mold_takes_less() -> None:
    def loss(room: Room) -> tuple[float, float]:
        faces = room_faces(room, LENGTH_M, 0.9)
        upper, lower = -faces.flux(faces.air.drive(np.zeros(1)), np.full((2, 1), 160.0))[:, 0]
        return float(upper), float(lower)

    still = loss(Room(ROOM_C))
    assert loss(Room(ROOM_C, draught_m_s=1.0))[0] > 1.05 * still[0]
    assert loss(Room(ROOM_C, draught_m_s=1.0))[1] > 1.2 * still[1]
    cold, warm = loss(Room(ROOM_C, mold_c=ROOM_C)), loss(Room(ROOM_C, mold_c=60.0))
    assert cold[0] == warm[0] == still[0]
    assert cold[1] == pytest.approx(still[1], rel=1e-12)
    # Half of the lower face's view is at 60 °C instead of 22 °C (Stefan and Boltzmann, interpolated in the table).
    gained = 0.5 * 0.9 * 5.670374e-8 * ((60.0 + 273.15) ** 4 - (22.0 + 273.15) ** 4)
    assert cold[1] - warm[1] == pytest.approx(gained, rel=1e-6)
