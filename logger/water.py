"""Ice point and boiling point of water: the two temperatures a workshop can make for itself."""

from __future__ import annotations

import math

from thermal.fields import InputError, Range

#: Melting ice in water that is saturated with air, °C: by definition of the old scale, and to 0.01 K on the ITS-90.
ICE_C = 0.0

#: Air pressure where people work, kPa: from a deep low at 4500 m to a strong high below sea level.
STATION_KPA = Range("kPa", at_least=50.0, at_most=112.0)
#: Air pressure reduced to sea level, as weather reports give it, kPa (records lie just inside).
SEA_LEVEL_KPA = Range("kPa", at_least=86.0, at_most=109.0)
#: Altitude of a workshop, m.
ALTITUDE_M = Range("m", at_least=-450.0, at_most=5500.0)

#: Coefficients n1 to n10 of the saturation-pressure equation, IAPWS R7-97(2012), table 34.
_N = (
    0.11670521452767e4,
    -0.72421316703206e6,
    -0.17073846940092e2,
    0.12020824702470e5,
    -0.32325550322333e7,
    0.14915108613530e2,
    -0.48232657361591e4,
    0.40511340542057e6,
    -0.23855557567849,
    0.65017534844798e3,
)
#: Range of that equation, kPa: from the triple point (611.213 Pa at 273.15 K) to the critical point.
_SATURATION_KPA = Range("kPa", at_least=0.611213, at_most=22064.0)

#: Other units that a number of kPa is taken for by mistake, and how many kPa one is.
_OTHER_UNITS = (("hPa (mbar)", 0.1), ("mmHg", 0.133322), ("psi", 6.894757), ("inHg", 3.386389), ("bar", 100.0))


def boiling_c(pressure_kpa: float) -> float:
    """Temperature at which pure water boils.

    Args:
        pressure_kpa: absolute pressure at the water's surface, kPa, 0.611213 to 22064.

    Returns:
        °C, by the backward equation of region 4 of IAPWS R7-97(2012), equation 31.

    Raises:
        InputError: a pressure outside, or no number.
    """
    if not _SATURATION_KPA.holds(pressure_kpa):
        raise InputError(f"pressure = {pressure_kpa} kPa: expected {_SATURATION_KPA}")
    beta = math.sqrt(math.sqrt(pressure_kpa / 1000.0))
    n1, n2, n3, n4, n5, n6, n7, n8, n9, n10 = _N
    e = beta * beta + n3 * beta + n6
    f = n1 * beta * beta + n4 * beta + n7
    g = n2 * beta * beta + n5 * beta + n8
    d = 2.0 * g / (-f - math.sqrt(f * f - 4.0 * e * g))
    s = n10 + d
    return 0.5 * (s - math.sqrt(s * s - 4.0 * (n9 + n10 * d))) - 273.15


def boiling_slope_k_kpa(pressure_kpa: float) -> float:
    """How much the boiling point rises with pressure, K/kPa: central difference of `boiling_c` over 0.2 kPa."""
    return (boiling_c(pressure_kpa + 0.1) - boiling_c(pressure_kpa - 0.1)) / 0.2


def pressure_at_altitude_kpa(altitude_m: float, sea_level_kpa: float = 101.325) -> float:
    """Air pressure at an altitude in the standard atmosphere (ISO 2533:1975, troposphere): an estimate.

    Args:
        altitude_m: above sea level, m (taken as geopotential: 0.02 % apart at 1000 m).
        sea_level_kpa: the day's pressure reduced to sea level, kPa; the standard's where it is not known.

    Raises:
        InputError: an altitude or a pressure outside what there is.
    """
    if not ALTITUDE_M.holds(altitude_m):
        raise InputError(f"altitude = {altitude_m} m: expected {ALTITUDE_M}")
    checked_pressure_kpa(sea_level_kpa, SEA_LEVEL_KPA, "pressure at sea level")
    return sea_level_kpa * float((1.0 - 0.0065 * altitude_m / 288.15) ** (9.80665 / (287.05287 * 0.0065)))


def checked_pressure_kpa(value: float, allowed: Range = STATION_KPA, what: str = "air pressure") -> float:
    """An air pressure in kPa, or a refusal that names the unit it looks like."""
    if allowed.holds(value):
        return float(value)
    likely = [
        f"{value:g} {unit} are {value * factor:.1f} kPa"
        for unit, factor in _OTHER_UNITS
        if allowed.holds(value * factor)
    ]
    hint = f"; {' and '.join(likely)}: give it in kPa" if likely else "; read a barometer in this room"
    raise InputError(f"{what} = {value:g} kPa: expected {allowed}{hint}")
