"""Boiling point of water and the pressure at an altitude, against published values."""

from __future__ import annotations

import math

import pytest

from logger.water import (
    SEA_LEVEL_KPA,
    boiling_c,
    boiling_slope_k_kpa,
    checked_pressure_kpa,
    pressure_at_altitude_kpa,
)
from thermal.fields import InputError


@pytest.mark.parametrize(("mpa", "kelvin"), [(0.1, 372.755919), (1.0, 453.035632), (10.0, 584.149488)])
def test_check_values_of_the_formulation(mpa: float, kelvin: float) -> None:
    # IAPWS R7-97(2012), table 36, for computer-program verification: printed to 1e-6 K
    assert boiling_c(mpa * 1e3) + 273.15 == pytest.approx(kelvin, abs=6e-7)


@pytest.mark.parametrize(("kpa", "t_c"), [(57.87, 85.0), (70.18, 90.0), (84.61, 95.0), (47.41, 80.0), (31.20, 70.0)])
def test_steam_table_by_temperature(kpa: float, t_c: float) -> None:
    # Saturation table of an engineering faculty (Ohio University, temperature table), pressure printed to 0.01 kPa:
    # that is 0.005 kPa or 0.006 K at 70 °C, less above
    assert boiling_c(kpa) == pytest.approx(t_c, abs=0.006)


@pytest.mark.parametrize(("kpa", "t_c"), [(50.0, 81.3), (75.0, 91.8), (95.0, 98.2), (100.0, 99.6), (110.0, 102.3)])
def test_steam_table_by_pressure(kpa: float, t_c: float) -> None:
    # Dry saturated steam table of a maker of steam equipment, to 0.1 K; the last one recalled from another such table
    assert boiling_c(kpa) == pytest.approx(t_c, abs=0.055)


@pytest.mark.parametrize(
    ("kpa", "t_c"), [(80.0, 93.486), (85.0, 95.125), (90.0, 96.687), (95.0, 98.178), (101.325, 99.974), (105.0, 100.98)]
)
def test_where_workshops_are(kpa: float, t_c: float) -> None:
    # recalled from IAPWS-95 saturation tables (373.124 K at 101.325 kPa); the two formulations differ by < 1 mK here
    assert boiling_c(kpa) == pytest.approx(t_c, abs=0.006)


def test_slope() -> None:
    # Clausius-Clapeyron at 100 °C: T v_fg / h_fg = 373.12 K * 1.672 m3/kg / 2256.5 kJ/kg (steam tables) = 0.2765 K/kPa
    assert boiling_slope_k_kpa(101.325) == pytest.approx(373.12 * 1.672 / 2256.5, rel=0.005)


@pytest.mark.parametrize("kpa", [0.0, -1.0, 0.6, 22065.0, math.nan, math.inf])
def test_no_boiling_there(kpa: float) -> None:
    with pytest.raises(InputError, match=r"pressure = .* kPa: expected a number at least 0\.611213 and at most"):
        boiling_c(kpa)


@pytest.mark.parametrize(("m", "kpa"), [(0, 101.325), (500, 95.461), (1000, 89.875), (2000, 79.495), (3000, 70.109)])
def test_standard_atmosphere(m: float, kpa: float) -> None:
    # ISO 2533:1975, table of geopotential altitude (recalled): 95461, 89875, 79495, 70109 Pa
    assert pressure_at_altitude_kpa(m) == pytest.approx(kpa, abs=6e-4)


def test_the_day_counts() -> None:
    assert pressure_at_altitude_kpa(500.0, 99.0) == pytest.approx(99.0 * 95.461 / 101.325, abs=1e-3)


@pytest.mark.parametrize("m", [-451.0, 5501.0, math.nan, math.inf])
def test_no_workshop_there(m: float) -> None:
    with pytest.raises(InputError, match=r"altitude = .* m: expected a number at least -450 and at most 5500 m"):
        pressure_at_altitude_kpa(m)


@pytest.mark.parametrize(
    ("value", "hint"),
    [
        (1013.0, "1013 hPa (mbar) are 101.3 kPa: give it in kPa"),
        (29.92, "29.92 inHg are 101.3 kPa"),
        (14.7, "14.7 psi are 101.4 kPa"),
        (760.0, "760 hPa (mbar) are 76.0 kPa and 760 mmHg are 101.3 kPa"),
        (1.013, "1.013 bar are 101.3 kPa"),
        (101325.0, "read a barometer in this room"),
        (math.nan, "read a barometer in this room"),
    ],
)
def test_another_unit_is_seen(value: float, hint: str) -> None:
    with pytest.raises(InputError) as error:
        checked_pressure_kpa(value)
    assert f"air pressure = {value:g} kPa: expected a number at least 50 and at most 112 kPa" in str(error.value)
    assert hint in str(error.value)


def test_sea_level_has_its_own_range() -> None:
    assert checked_pressure_kpa(101.9, SEA_LEVEL_KPA) == 101.9
    with pytest.raises(InputError, match="pressure at sea level = 70 kPa"):
        pressure_at_altitude_kpa(100.0, 70.0)
