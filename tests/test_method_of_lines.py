"""The independent method-of-lines solver against exact solutions and a finite-volume table."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.linalg import expm

import exact
import method_of_lines as lines
from method_of_lines import Face, Lump, Melting, Oven, Problem, Table, constant

ALPHA = 0.20 / (905.0 * 2100.0)
# a sheet with constant properties, 6 mm; each test gives it faces and an oven
SHEET = Problem(0.006, 905.0, constant(0.20), constant(2100.0), 20.0, Oven(180.0), Face(25.0), Face(25.0))
HOUR_S = 3600.0

# 'PP-ref': rho 905, k 0.20, H = 1650 (T-20) + 2.5 (T-20)^2 J/kg and a triangular peak 120, 162, 170 degC of
# 90 kJ/kg; start 22, h 25 and emissivity 0.9 on both faces to air and walls at 185 degC.
PP_REF = Problem(
    0.006,
    905.0,
    constant(0.20),
    Table((-80.0, 320.0), (1650.0 - 5.0 * 100.0, 1650.0 + 5.0 * 300.0)),
    22.0,
    Oven(185.0),
    Face(25.0, 0.9),
    Face(25.0, 0.9),
    (Melting(120.0, 162.0, 170.0, 90e3),),
)


def test_table_integral_is_exact() -> None:
    table = Table((20.0, 100.0, 160.0), (0.22, 0.20, 0.26))
    # by hand: trapezoids inside, rectangles beyond the ends
    got = table.integral([0.0, 20.0, 60.0, 100.0, 160.0, 200.0])
    assert got == pytest.approx([-4.4, 0.0, 8.6, 16.8, 30.6, 41.0], abs=1e-12)
    assert constant(0.2).integral([10.0, 30.0]) == pytest.approx([-2.0, 2.0])


@pytest.mark.parametrize("h", [10.0, 60.0, 700.0])  # Bi 0.15, 0.9, 10.5 on the half gauge
def test_plane_wall(h: float) -> None:
    # C&J sec. 3.11; from Fo = 0.1 the extrapolated error is below 2 mK of 160 K
    problem = replace(SHEET, upper=Face(h), lower=Face(h))
    times = [0.1 * 0.003**2 / ALPHA, 0.003**2 / ALPHA]
    got = lines.richardson(problem, cells=40, times_s=times)
    for row, fo in zip(got.temperature_c, (0.1, 1.0), strict=True):
        theta = exact.plane_wall(np.abs(got.z_m / 0.003 - 1.0), fo, h * 0.003 / 0.20)
        assert row == pytest.approx(180.0 - 160.0 * theta, abs=2e-3)


def test_second_order_in_space() -> None:
    problem = replace(SHEET, upper=Face(60.0), lower=Face(60.0))
    truth = 180.0 - 160.0 * exact.plane_wall(0.0, 0.5, 0.9)
    time = [0.5 * 0.003**2 / ALPHA]
    errors = [
        abs(float(lines.solve(problem, cells=n, times_s=time).temperature_c[0, n // 2] - truth)) for n in (8, 16, 32)
    ]
    assert np.log2(errors[0] / errors[1]) == pytest.approx(2.0, abs=0.1)
    assert np.log2(errors[1] / errors[2]) == pytest.approx(2.0, abs=0.1)


def test_faces_with_their_own_air() -> None:
    # series in the eigenfunctions of unequal faces (C&J sec. 3.11)
    problem = replace(SHEET, upper=Face(25.0), lower=Face(10.0, air_offset_k=-60.0))
    got = lines.richardson(problem, cells=40, times_s=[100.0, 600.0])
    for row, time_s in zip(got.temperature_c, (100.0, 600.0), strict=True):
        series = exact.two_surroundings(
            got.z_m,
            time_s,
            thickness_m=0.006,
            k_w_mk=0.20,
            rho_c_j_m3k=905.0 * 2100.0,
            h_w_m2k=(25.0, 10.0),
            surroundings_c=(180.0, 120.0),
            start_c=20.0,
        )
        assert row == pytest.approx(series, abs=1e-3)


def test_constant_flux_one_face() -> None:
    # C&J sec. 3.8, the other face insulated
    problem = replace(SHEET, upper=Face(flux_w_m2=3000.0), lower=Face())
    got = lines.richardson(problem, cells=40, times_s=[120.0])
    fo = ALPHA * 120.0 / 0.006**2
    rise = 3000.0 * 0.006 / 0.20 * exact.constant_flux(1.0 - got.z_m / 0.006, fo)
    assert got.temperature_c[0] == pytest.approx(20.0 + rise, abs=2e-3)


def test_absorption_in_depth() -> None:
    # cosine series for insulated faces (derived from the heat equation), lit from above
    light = lines.Absorption(1000.0, upper_w_m2=5000.0)
    problem = replace(SHEET, gauge_m=0.003, upper=Face(), lower=Face(), absorption=light)
    slab = exact.Absorbing(0.003, 1000.0, 5000.0, 0.20, 905.0 * 2100.0)
    got = lines.richardson(problem, cells=40, times_s=[20.0, 60.0])
    for row, time_s in zip(got.temperature_c, (20.0, 60.0), strict=True):
        assert row == pytest.approx(20.0 + slab.insulated_rise_k(got.z_m, time_s), abs=2e-3)
    # lit from below: the mirror image
    mirror = replace(problem, absorption=lines.Absorption(1000.0, lower_w_m2=5000.0))
    again = lines.richardson(mirror, cells=40, times_s=[20.0, 60.0])
    assert again.temperature_c[:, ::-1] == pytest.approx(got.temperature_c, abs=1e-6)


def test_thin_sheet_radiates_as_a_lump() -> None:
    # Incropera eq. 5.18; 0.2 mm: gradients below 0.4 K, their effect on the mean far below
    thin = replace(SHEET, gauge_m=2e-4, upper=Face(emissivity=0.9), lower=Face(emissivity=0.9))
    seconds = exact.radiating_lump_time_s(905.0 * 2100.0 * 2e-4, 2, 0.9, 180.0, 20.0, 120.0)
    got = lines.richardson(thin, cells=8, times_s=[seconds])
    assert got.mean_c == pytest.approx([120.0], abs=0.1)


def test_air_recovers_and_wall_lags() -> None:
    # a skin of no mass follows air (convection alone) or wall (radiation alone);
    # wall deviation, drop r/(r - L) (e^(-t/L) - e^(-t/r)), solved by hand from its equation
    oven = Oven(185.0, -3.0, 40.0, 90.0, wall_offset_k=-5.0, wall_lag_s=300.0)
    skin = replace(SHEET, gauge_m=2e-7, oven=oven)
    times = np.array([30.0, 120.0, 600.0])
    air = lines.solve(skin, cells=2, times_s=times.tolist()).mean_c
    assert air == pytest.approx(182.0 - 40.0 * np.exp(-times / 90.0), abs=0.02)
    seen = replace(skin, upper=Face(emissivity=0.9), lower=Face(emissivity=0.9))
    wall = lines.solve(seen, cells=2, times_s=times.tolist()).mean_c
    lagged = 40.0 * 90.0 / (90.0 - 300.0) * (np.exp(-times / 300.0) - np.exp(-times / 90.0))
    assert wall == pytest.approx(180.0 + lagged, abs=0.02)
    # no lag: the wall falls with the air
    prompt = replace(seen, oven=replace(oven, wall_lag_s=0.0))
    together = lines.solve(prompt, cells=2, times_s=times.tolist()).mean_c
    assert together == pytest.approx(180.0 - 40.0 * np.exp(-times / 90.0), abs=0.02)


@pytest.mark.parametrize("wall_lag_s", [0.0, 300.0])
def test_tray_between_oven_and_sheet(wall_lag_s: float) -> None:
    # two lumps in series, matrix exponential: a sheet that conducts without resistance, a cold tray below
    tray = Lump(4000.0, 50.0, 60.0)
    problem = replace(
        SHEET,
        conductivity_w_mk=constant(2000.0),
        lower=Face(15.0, lump=tray),
        oven=Oven(180.0, wall_lag_s=wall_lag_s),
    )
    sheet = 905.0 * 2100.0 * 0.006
    matrix = np.array([[-(25.0 + 50.0) / sheet, 50.0 / sheet], [50.0 / 4000.0, -(15.0 + 50.0) / 4000.0]])
    truth = 180.0 + expm(matrix * 300.0) @ np.array([20.0 - 180.0, 60.0 - 180.0])
    got = lines.solve(problem, cells=4, times_s=[300.0])
    assert got.mean_c == pytest.approx([truth[0]], abs=0.01)
    # and upside down
    flipped = replace(problem, upper=problem.lower, lower=problem.upper)
    again = lines.solve(flipped, cells=4, times_s=[300.0])
    assert again.temperature_c[:, ::-1] == pytest.approx(got.temperature_c, abs=1e-6)


def test_emitter_fills_its_share_of_the_view() -> None:
    # a skin of no mass between emitter and wall settles at the mean fourth power
    face = Face(emissivity=0.9, emitter_c=500.0, view_factor=0.4)
    skin = replace(SHEET, gauge_m=2e-7, upper=face, lower=face)
    fourth = 0.4 * (500.0 + 273.15) ** 4 + 0.6 * (180.0 + 273.15) ** 4
    got = lines.solve(skin, cells=2, times_s=[60.0])
    assert got.mean_c == pytest.approx([fourth**0.25 - 273.15], abs=1e-3)


def test_melting_front() -> None:
    # Neumann (C&J sec. 11.2) has a sharp melting point; here it is 2 K wide, and the profile near the front
    # differs by as much as half of that
    solid = replace(
        SHEET,
        gauge_m=0.008,
        heat_capacity_j_kgk=constant(2200.0),
        start_c=25.0,
        oven=Oven(200.0),
        upper=Face(1e6),
        lower=Face(),
        melting=(Melting(164.0, 165.0, 166.0, 100e3),),
    )
    neumann = exact.Neumann(25.0, 165.0, 200.0, 0.2 / (905.0 * 2200.0), 2200.0, 1e5)
    got = lines.solve(solid, cells=160, times_s=[60.0], rtol=1e-6)
    inside = got.z_m <= 0.004  # beyond, the back face is felt
    assert got.temperature_c[0, inside] == pytest.approx(neumann.temperature_c(got.z_m[inside], 60.0), abs=0.8)


# finite volumes, 200 cells, LSODA rtol 1e-7, computed apart from this code: minutes for the core to reach
# 150, 160, 165, 170 degC, and the face when the core is at 165
PP_REF_MINUTES = {
    3.0: (2.61, 3.68, 4.36, 4.88, 167.99),
    6.0: (5.91, 8.31, 9.73, 10.81, 170.47),
    12.0: (14.63, 20.33, 23.54, 25.97, 173.94),
    15.0: (20.04, 27.72, 32.00, 35.24, 175.14),
}


@pytest.mark.parametrize("gauge_mm", list(PP_REF_MINUTES))
def test_pp_reference(gauge_mm: float) -> None:
    *minutes, face_c = PP_REF_MINUTES[gauge_mm]
    sheet = replace(PP_REF, gauge_m=gauge_mm * 1e-3)
    got = lines.richardson(sheet, cells=20, limits_c=(150.0, 160.0, 165.0, 170.0), until_s=HOUR_S, rtol=1e-8)
    assert got.reached_s / 60.0 == pytest.approx(minutes, abs=0.0065)  # printed to 0.01; its cells cost 0.0015
    at_165 = lines.richardson(sheet, cells=20, times_s=[got.reached_s[2]], rtol=1e-8)
    assert at_165.coldest_c == pytest.approx([165.0], abs=2e-3)
    assert at_165.temperature_c[0, 0] == pytest.approx(face_c, abs=0.012)


def test_pp_reference_curve() -> None:
    # the same table: 6 mm, middle and face at 120 to 1200 s; its own cells cost up to 0.01 K
    curve = {
        120.0: (102.45, 122.32),
        300.0: (144.567, 154.451),
        600.0: (166.096, 171.280),
        900.0: (181.189, 182.175),
        1200.0: (184.246, 184.442),
    }
    got = lines.richardson(PP_REF, cells=20, times_s=list(curve), rtol=1e-8)
    assert got.temperature_c[:, [10, 0]] == pytest.approx(np.array(list(curve.values())), abs=0.012)


# minutes of the 6 mm sheet to 165 degC when one input changes, same table
@pytest.mark.parametrize(
    ("changed", "minutes"),
    [
        (replace(PP_REF, upper=Face(15.0, 0.9), lower=Face(15.0, 0.9)), 12.16),
        (replace(PP_REF, upper=Face(25.0), lower=Face(25.0)), 14.92),
        (replace(PP_REF, oven=Oven(200.0)), 7.11),
        (replace(PP_REF, oven=Oven(175.0)), 13.52),
        (replace(PP_REF, lower=Face(8.0, 0.9)), 11.98),
    ],
    ids=["h 15", "no radiation", "oven 200", "oven 175", "lower h 8"],
)
def test_pp_reference_sensitivity(changed: Problem, minutes: float) -> None:
    got = lines.richardson(changed, cells=20, limits_c=(165.0,), until_s=HOUR_S, rtol=1e-7)
    assert got.reached_s / 60.0 == pytest.approx([minutes], abs=0.0065)


def test_limit_never_reached_is_nan() -> None:
    got = lines.solve(PP_REF, cells=20, limits_c=(100.0, 190.0), until_s=1200.0, rtol=1e-6)
    assert np.isfinite(got.reached_s[0])
    assert np.isnan(got.reached_s[1])
