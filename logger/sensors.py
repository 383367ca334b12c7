"""The shop's register of thermocouples: what each is, when it was checked, and by how much it is corrected.

    [[sensor]]
    serial = "TC-0417"
    type = "K"                    # B E J K N R S T
    class = "2"                   # 1 2 3 (IEC 60584-1), standard special (ASTM E230)
    certificate = "2026-118"      # optional
    due = 2027-01-05              # optional: when it must be checked or calibrated again

    [[check]]                     # written by `pullcue sensors check`, one a point
    [[correction]]                # likewise; the latest is in force

Checks and corrections name their sensor by its serial number and stand in lists of their own, so that a new one is
written behind what is there without touching it. This module turns tables into values and values into text; reading
and writing files is done elsewhere.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, datetime
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from logger.fixed_point import POINTS, Judgement, Verdict
from logger.thermocouple import TYPES, checked_type
from logger.tolerance import CLASSES, bands_of, classes_of
from thermal.fields import Fields, InputError, Range, near_matches

Array = NDArray[np.float64]

#: A reading in ice or boiling water, however wrong the sensor is.
READING_C = Range("°C", at_least=-270.0, at_most=1820.0)
EXPECTED_C = Range("°C", at_least=-1.0, at_most=110.0)
PRESSURE_KPA = Range("kPa", at_least=50.0, at_most=112.0)
NOT_NEGATIVE_K = Range("K", at_least=0.0)
#: Larger than the tolerance of any class at these points: such a sensor is replaced, not corrected.
OFFSET_K = Range("K", at_least=-10.0, at_most=10.0)
LONGEST_SERIAL = 60
#: Rounding of the numbers in the file: a deviation must be reading - expected to this.
_ROUNDING_K = 0.0021


@dataclass(frozen=True)
class Sensor:
    """One thermocouple. `due`: the day from which it must be checked again; None where nobody set one."""

    serial: str
    type: str
    tolerance_class: str
    certificate: str = ""
    due: date | None = None


@dataclass(frozen=True)
class Check:
    """One sensor at one point on one day.

    Attributes:
        scatter_k: standard deviation of the readings; None for a single one. uncertainty_k: expanded, k = 2.
        limit_k: ± of its class; None where the class says nothing. pressure_kpa: for boiling water.
    """

    serial: str
    day: date
    point: str
    expected_c: float
    reading_c: float
    scatter_k: float | None
    deviation_k: float
    uncertainty_k: float
    limit_k: float | None
    verdict: str
    pressure_kpa: float | None = None


@dataclass(frozen=True)
class Correction:
    """What to take off a sensor's readings: a straight line between the points, constant beyond them.

    Attributes:
        reading_c: what the sensor showed at its points, rising, one or two. offset_k: shown - true there.
    """

    serial: str
    day: date
    reading_c: tuple[float, ...]
    offset_k: tuple[float, ...]

    def offset_at_k(self, reading_c: Array | float) -> Array:
        """Offset for readings, K; NaN for NaN."""
        return np.asarray(np.interp(reading_c, self.reading_c, self.offset_k), np.float64)

    def corrected_c(self, reading_c: Array | float) -> Array:
        """Readings without the sensor's offset, °C, of the same shape; NaN for NaN."""
        return np.asarray(reading_c, np.float64) - self.offset_at_k(reading_c)


@dataclass(frozen=True)
class Register:
    """All sensors of a shop, with their history in the order of the file."""

    sensors: tuple[Sensor, ...] = ()
    checks: tuple[Check, ...] = ()
    corrections: tuple[Correction, ...] = ()

    def sensor(self, serial: str) -> Sensor | None:
        """The sensor of this serial number; None where there is none."""
        return next((one for one in self.sensors if one.serial == serial), None)

    def must_have(self, serial: str) -> Sensor:
        """The sensor of this serial number.

        Raises:
            InputError: there is none; near matches are named.
        """
        found = self.sensor(serial)
        if found is None:
            known = [one.serial for one in self.sensors]
            raise InputError(
                f"sensor {serial!r} is not in the register{near_matches(serial, known)}: "
                f"expected one of {', '.join(known) or 'none yet'}; correct the number or register the sensor"
            )
        return found

    def checks_of(self, serial: str) -> tuple[Check, ...]:
        """A sensor's checks, in the order of the file."""
        return tuple(one for one in self.checks if one.serial == serial)

    def last_check(self, serial: str, point: str) -> Check | None:
        """A sensor's latest check at a point; of several on one day the one that stands last."""
        found = [one for one in self.checks_of(serial) if one.point == point]
        return sorted(found, key=lambda one: one.day)[-1] if found else None

    def correction(self, serial: str, on: date | None = None) -> Correction | None:
        """The correction in force, or the one that was on a day; of several on one day the one that stands last."""
        found = [one for one in self.corrections if one.serial == serial and (on is None or one.day <= on)]
        return sorted(found, key=lambda one: one.day)[-1] if found else None


def overdue(sensor: Sensor, today: date) -> bool:
    """Whether the day a sensor is due has come."""
    return sensor.due is not None and sensor.due <= today


# ---------------------------------------------------------------- new entries


def check_of(serial: str, day: date, result: Judgement) -> Check:
    """A judgement as an entry of the register, rounded as the file has it (mK)."""
    expected_c, reading_c = round(result.point.expected_c, 3), round(result.settled.mean_c, 3)
    scatter_k = result.settled.scatter_k
    return Check(
        serial,
        day,
        result.point.name,
        expected_c,
        reading_c,
        None if scatter_k != scatter_k else round(scatter_k, 3),
        round(reading_c - expected_c, 3),
        round(result.uncertainty_k, 3),
        None if result.limit_k is None else round(result.limit_k, 3),
        str(result.verdict),
        None if result.point.pressure_kpa is None else round(result.point.pressure_kpa, 3),
    )


def correction_from(
    serial: str, day: date, results: tuple[Judgement, ...], in_force: Correction | None = None
) -> tuple[Correction | None, str]:
    """The correction that checks of one sensor give, or None and why there is none.

    Args:
        in_force: the correction so far; one of two points is not replaced by one of a single point.

    Returns:
        correction, and a sentence (empty where both points count).
    """
    if any(one.verdict is Verdict.OUTSIDE for one in results):
        return None, "A sensor outside its class is not corrected: replace it, or find what is wrong with its wiring"
    good = sorted((one for one in results if one.point.corrects), key=lambda one: one.settled.mean_c)
    if not good:
        return None, "The boiling point is known from the altitude alone, too coarsely to correct a sensor by"
    if any(not OFFSET_K.holds(one.deviation_k) for one in good):
        return None, f"More than {OFFSET_K.at_most:g} K off is no matter of correction: find what is wrong"
    if len(good) == 1 and in_force is not None and len(in_force.reading_c) > 1:
        return None, f"The correction at two points of {in_force.day} stays in force: check both to renew it"
    correction = Correction(
        serial,
        day,
        tuple(round(one.settled.mean_c, 3) for one in good),
        tuple(round(one.deviation_k, 3) for one in good),
    )
    return correction, "" if len(good) > 1 else "One point only: its offset is taken off at all temperatures"


# ---------------------------------------------------------------- from tables


def register_from_mapping(table: Mapping[str, Any], where: str) -> Register:
    """The register in a TOML tree.

    Args:
        where: file name for messages.

    Raises:
        InputError: for whatever cannot be used: file, key, value and what was expected.
    """
    fields = Fields(table, where)
    sensors = tuple(_sensor(one) for one in fields.tables("sensor"))
    serials = [one.serial for one in sensors]
    for index, serial in enumerate(serials):
        if serial in serials[:index]:
            raise InputError(f"{where}: two sensors have serial = {serial!r}: expected each once; remove one")
    checks = tuple(_check(one, serials) for one in fields.tables("check"))
    corrections = tuple(_correction(one, serials) for one in fields.tables("correction"))
    fields.close()
    return Register(sensors, checks, corrections)


def checked_serial(serial: str) -> str:
    """A serial number that a file and a screen can show.

    Raises:
        InputError: empty, too long, blanks at an end, or signs that cannot be printed.
    """
    if not serial or serial != serial.strip() or not serial.isprintable() or len(serial) > LONGEST_SERIAL:
        raise InputError(
            f"serial number {serial[:80]!r}: expected 1 to {LONGEST_SERIAL} printable signs without blanks at the ends"
        )
    return serial


def _sensor(fields: Fields) -> Sensor:
    serial = fields.text("serial")
    try:
        checked_serial(serial)
    except InputError:
        raise fields.refuse("serial", serial, f"1 to {LONGEST_SERIAL} printable signs") from None
    kind = fields.text("type", TYPES)
    tolerance_class = fields.text("class", CLASSES)
    if tolerance_class not in classes_of(kind):
        raise fields.refuse(
            "class", tolerance_class, f"one of {', '.join(classes_of(kind))}, the classes of type {kind}"
        )
    sensor = Sensor(
        serial,
        kind,
        tolerance_class,
        fields.text("certificate") if fields.has("certificate") else "",
        _day(fields, "due") if fields.has("due") else None,
    )
    fields.close()
    return sensor


def _check(fields: Fields, serials: list[str]) -> Check:
    check = Check(
        serial=_known(fields, serials),
        day=_day(fields, "date"),
        point=fields.text("point", POINTS),
        expected_c=fields.number("expected_c", EXPECTED_C),
        reading_c=fields.number("reading_c", READING_C),
        scatter_k=fields.maybe_number("scatter_k", NOT_NEGATIVE_K),
        deviation_k=fields.number("deviation_k"),
        uncertainty_k=fields.number("uncertainty_k", NOT_NEGATIVE_K),
        limit_k=fields.maybe_number("limit_k", NOT_NEGATIVE_K),
        verdict=fields.text("verdict", tuple(str(one) for one in Verdict)),
        pressure_kpa=fields.maybe_number("pressure_kpa", PRESSURE_KPA),
    )
    difference_k = check.reading_c - check.expected_c
    if abs(difference_k - check.deviation_k) > _ROUNDING_K:
        raise fields.refuse("deviation_k", check.deviation_k, f"reading_c - expected_c, {difference_k:.3f}")
    fields.close()
    return check


def _correction(fields: Fields, serials: list[str]) -> Correction:
    readings = fields.numbers("reading_c", READING_C)
    correction = Correction(
        serial=_known(fields, serials),
        day=_day(fields, "date"),
        reading_c=readings,
        offset_k=fields.numbers("offset_k", OFFSET_K, count=len(readings)),
    )
    if any(b <= a for a, b in pairwise(readings)):
        raise fields.refuse("reading_c", list(readings), "rising temperatures")
    fields.close()
    return correction


def _known(fields: Fields, serials: list[str]) -> str:
    serial = fields.text("serial")
    if serial not in serials:
        raise fields.refuse("serial", serial, f"the serial of a [[sensor]] in this file{near_matches(serial, serials)}")
    return serial


def _day(fields: Fields, name: str) -> date:
    value = fields.raw(name)
    if value is None:
        fields.text(name)  # refuses: it is missing
    if not isinstance(value, date) or isinstance(value, datetime):
        raise fields.refuse(name, value, "a date without quotes, as 2027-01-31")
    return value


# ---------------------------------------------------------------- to text


def text_of(entry: Sensor | Check | Correction) -> str:
    """The lines to write behind a register, ended by a line end; `register_from_mapping` gives the entry back.

    Raises:
        InputError: what a file cannot say.
    """
    checked_serial(entry.serial)
    if isinstance(entry, Sensor):
        bands_of(checked_type(entry.type), entry.tolerance_class)
        pairs: dict[str, object] = {
            "serial": entry.serial, "type": entry.type, "class": entry.tolerance_class,
            "certificate": entry.certificate or None, "due": entry.due,
        }  # fmt: skip
        return _lines("sensor", pairs)
    if isinstance(entry, Check):
        pairs = {
            "serial": entry.serial, "date": entry.day, "point": entry.point, "expected_c": entry.expected_c,
            "reading_c": entry.reading_c, "scatter_k": entry.scatter_k, "deviation_k": entry.deviation_k,
            "uncertainty_k": entry.uncertainty_k, "limit_k": entry.limit_k, "verdict": entry.verdict,
            "pressure_kpa": entry.pressure_kpa,
        }  # fmt: skip
        return _lines("check", pairs)
    return _lines("correction", {"serial": entry.serial, "date": entry.day,
                                 "reading_c": entry.reading_c, "offset_k": entry.offset_k})  # fmt: skip


def _lines(table: str, pairs: Mapping[str, object]) -> str:
    body = "".join(f"{key} = {_toml(value)}\n" for key, value in pairs.items() if value is not None)
    return f"[[{table}]]\n{body}"


def _toml(value: object) -> str:
    if isinstance(value, str):
        return json.dumps(value, ensure_ascii=False)  # a JSON string of printable signs is a TOML string
    if isinstance(value, date):
        return value.isoformat()
    if isinstance(value, tuple):
        return f"[{', '.join(_toml(one) for one in value)}]"
    return repr(float(value))  # type: ignore[arg-type]
