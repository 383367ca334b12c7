"""The walk through a fixed-point check: preparing, waiting, judging, storing."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from datetime import date
from pathlib import Path
from typing import Any

import click

from dashboard.commands.sensors_text import CAUTION, PREPARE, settling_line, verdict_lines
from dashboard.sensor_file import NAME, append_entries, read_register
from dashboard.shop import Shop, open_shop
from dashboard.units import parse_temperature_c
from logger.clock import Clock, SystemClock
from logger.fixed_point import (
    BAROMETER_STD_KPA,
    Judgement,
    Point,
    PointName,
    Rules,
    Settled,
    Settling,
    Verdict,
    boiling_point,
    boiling_point_at_altitude,
    ice_point,
    judge,
    of_typed,
    wait_until_settled,
)
from logger.reading import Value
from logger.sensors import READING_C, Check, Correction, Register, Sensor, check_of, checked_serial, correction_from
from logger.tolerance import CLASS_NAMES, bands_of
from logger.water import checked_pressure_kpa
from thermal.fields import InputError

#: Readings a person is asked for, at least.
_TYPED_AT_LEAST = 3
#: What shells give for a program that Ctrl-C ended.
_BROKEN_OFF = 130


@dataclass(frozen=True)
class Injected:
    """What tests, and commands with a bench at hand, give as the context's object.

    Attributes:
        read: gives the sensor's present reading in °C at a point; None: a person types the readings.
        clock: waits and stamps. rules: when readings count as settled.
    """

    read: Callable[[PointName], Value] | None = None
    clock: Clock = field(default_factory=SystemClock)
    rules: Rules = Rules()  # noqa: RUF009 - frozen, and of numbers alone


@dataclass(frozen=True)
class Asked:
    """The options of `pullcue sensors check`."""

    serial: str
    points: tuple[PointName, ...]
    typed: dict[str, list[float]]
    kind: str | None = None
    tolerance_class: str | None = None
    certificate: str | None = None
    due: date | None = None
    pressure_kpa: float | None = None
    pressure_uncertainty_kpa: float | None = None
    altitude_m: float | None = None
    sea_level_kpa: float | None = None
    bench_file: Path | None = None
    dry_run: bool = False
    yes: bool = False
    shop: Path | None = None
    as_json: bool = False

    @property
    def silent(self) -> bool:
        """Whether nobody is there to answer."""
        return self.yes or self.as_json


@dataclass(frozen=True)
class _Outcome:
    """One point's check: the judgement, or only how the readings stood."""

    point: Point
    settled: Settled
    judgement: Judgement | None


def run_check(asked: Asked, injected: Injected) -> int:
    """Walk a person through the check; the exit code: 130 where somebody broke it off.

    Raises:
        InputError, click.UsageError: what was given cannot be used. Nothing is stored then.
    """
    try:
        return _walk(asked, injected)
    except (click.Abort, KeyboardInterrupt):  # Ctrl-C, or the end of the input at a question
        click.echo("\nBroken off: nothing was stored.", err=True)
        return _BROKEN_OFF


def _walk(asked: Asked, injected: Injected) -> int:
    shop = open_shop(asked.shop)
    if shop.is_demo and not asked.dry_run:
        raise InputError("the demo shop keeps no sensors: give --shop DIR with your own, or --dry-run to store nothing")
    register = read_register(shop.folder)
    sensor, is_new = _sensor(asked, register)
    _refuse_unanswerable(asked, injected)

    def say(line: str = "") -> None:
        if not asked.as_json:
            click.echo(line)

    say(f"Thermocouple {sensor.serial}: type {sensor.type}, {CLASS_NAMES[sensor.tolerance_class]}.")
    points = [_point(name, asked) for name in asked.points]
    with _reading_on(asked, sensor, shop, injected) as reading:
        outcomes = [_at(point, sensor, asked, reading, say) for point in points]
    today = injected.clock.utc().date()
    judgements = tuple(one.judgement for one in outcomes if one.judgement)
    correction, why = None, "No correction: a point has no verdict"
    if len(judgements) == len(outcomes):
        correction, why = correction_from(sensor.serial, today, judgements, register.correction(sensor.serial))
    checks = [check_of(sensor.serial, today, one) for one in judgements]
    entries: list[Sensor | Check | Correction] = [*([sensor] if is_new else []), *checks]
    entries += [correction] if correction else []
    store = bool(checks) and not asked.dry_run
    if store:
        append_entries(shop.folder, entries)
    if asked.as_json:
        click.echo(_json(sensor, outcomes, correction, why, store, today))
    else:
        _conclude(correction, why, store, bool(checks), say)
    fine = len(judgements) == len(outcomes) and all(one.verdict is Verdict.WITHIN for one in judgements)
    return 0 if fine else 1


@contextmanager
def _reading_on(asked: Asked, sensor: Sensor, shop: Shop, injected: Injected) -> Iterator[Injected]:
    """What is injected, with readings from the bench where one was named."""
    if asked.bench_file is None or injected.read is not None or set(asked.points) <= set(asked.typed):
        yield injected
        return
    from dashboard.commands.sensors_bench import bench_readings

    with bench_readings(asked.bench_file, sensor, shop, injected.clock) as read:
        yield replace(injected, read=lambda _: read())


# ---------------------------------------------------------------- what is asked


def _sensor(asked: Asked, register: Register) -> tuple[Sensor, bool]:
    """The sensor, and whether it is new to the register."""
    known = register.sensor(checked_serial(asked.serial))
    if known is None:
        if asked.kind is None or asked.tolerance_class is None:
            try:
                register.must_have(asked.serial)
            except InputError as error:
                raise InputError(f"{error} with --type and --class, as --type K --class 2") from None
        sensor = Sensor(asked.serial, asked.kind or "", asked.tolerance_class or "", asked.certificate or "", asked.due)
    else:
        sensor = known
        for option, given, there in (
            ("--type", asked.kind, known.type),
            ("--class", asked.tolerance_class, known.tolerance_class),
            ("--certificate", asked.certificate, known.certificate),
            ("--due", asked.due, known.due),
        ):
            if given is not None and given != there:
                raise InputError(
                    f"{option} {given}: {NAME} says {there or 'nothing'} for sensor {known.serial}; "
                    "leave the option away, or correct the file by hand"
                )
    bands_of(sensor.type, sensor.tolerance_class)
    if sensor.type == "B":
        raise InputError(
            "type B gives next to no voltage up to 100 °C (0.033 mV; two temperatures below 0.291 mV): it cannot be "
            "checked in ice and boiling water; have it calibrated"
        )
    return sensor, known is None


def _refuse_unanswerable(asked: Asked, injected: Injected) -> None:
    """Refuse before anything is prepared what could only be answered by somebody who is not asked."""
    for point in asked.typed:
        if point not in asked.points:
            raise click.UsageError(f"--reading {point}=... but --point {asked.points[0]} only; leave one of them away")
    if asked.pressure_kpa is not None and (asked.altitude_m is not None or asked.sea_level_kpa is not None):
        raise click.UsageError("give either --pressure-kpa of this room or --altitude-m, not both")
    if asked.sea_level_kpa is not None and asked.altitude_m is None:
        raise click.UsageError("--sea-level-kpa needs --altitude-m: the pressure in the room is computed from both")
    if asked.pressure_uncertainty_kpa is not None and asked.pressure_kpa is None:
        raise click.UsageError("--pressure-uncertainty-kpa belongs to --pressure-kpa; give both")
    if asked.pressure_kpa is not None or asked.altitude_m is not None:
        _point("boiling", asked)  # refuses what cannot be
    if not asked.silent:
        return
    if "boiling" in asked.points and asked.pressure_kpa is None and asked.altitude_m is None:
        raise click.UsageError("boiling water needs --pressure-kpa (a barometer in this room) or --altitude-m")
    missing = [point for point in asked.points if point not in asked.typed]
    if not missing or injected.read is not None:
        return
    if asked.bench_file is None:
        raise click.UsageError(f"nobody is asked with --json or --yes: give --reading {missing[0]}=TEMPERATURE")
    if len(missing) > 1:
        raise click.UsageError("nobody says with --json or --yes when the sensor has moved: give one --point at a time")


def _point(name: PointName, asked: Asked) -> Point:
    if name == "ice":
        return ice_point()
    if asked.altitude_m is not None:
        return boiling_point_at_altitude(asked.altitude_m, asked.sea_level_kpa)
    pressure_kpa = asked.pressure_kpa if asked.pressure_kpa is not None else _asked_pressure_kpa()
    std_kpa = asked.pressure_uncertainty_kpa
    return boiling_point(pressure_kpa, BAROMETER_STD_KPA if std_kpa is None else std_kpa)


def _asked_pressure_kpa() -> float:
    def parse(text: str) -> float:
        try:
            return checked_pressure_kpa(float(text))
        except InputError as error:
            raise click.UsageError(str(error)) from error
        except ValueError as error:
            raise click.UsageError(f"{text!r} is no number; give the pressure in kPa, as 98.6") from error

    text = "Air pressure in this room (a barometer here, not reduced to sea level), kPa"
    return float(click.prompt(text, value_proc=parse))


# ---------------------------------------------------------------- one point


def _at(point: Point, sensor: Sensor, asked: Asked, injected: Injected, say: Callable[..., None]) -> _Outcome:
    say()
    say(f"{point.name.capitalize()}: {point.expected_c:.2f} °C, {point.how}.")
    if point.name in asked.typed:
        settled = of_typed(asked.typed[point.name], injected.rules)
    else:
        for line in PREPARE[point.name]:
            say(f"  - {line}")
        if point.name == "boiling":
            say(f"  {CAUTION}")
        settled = _readings(point, asked, injected, say)
    judgement = None
    if settled.how is Settling.SETTLED:
        judgement = judge(point, settled, sensor.type, sensor.tolerance_class)
    for line in verdict_lines(settled, judgement, sensor, injected.rules):
        say(line)
    return _Outcome(point, settled, judgement)


def _readings(point: Point, asked: Asked, injected: Injected, say: Callable[..., None]) -> Settled:
    read = injected.read
    if read is None:
        return of_typed(_asked_readings(), injected.rules)
    if not asked.silent:
        click.prompt("Press Enter when the sensor is in", default="", show_default=False)
    last: list[str] = []

    def tell(stand: Settled) -> None:
        line = settling_line(stand)
        if line != (last[-1] if last else ""):
            say(f"  {line}")
            last.append(line)

    return wait_until_settled(lambda: read(point.name), injected.clock, injected.rules, tell)


def _asked_readings() -> Sequence[float]:
    """Readings that a person types, ended by an empty line."""

    def parse(text: str) -> float | None:
        if not text.strip():
            return None
        try:
            return parse_temperature_c(text, READING_C)
        except InputError as error:
            raise click.UsageError(str(error)) from error

    click.echo(
        f"  Wait until it is steady, then type {_TYPED_AT_LEAST} readings or more, 10 s apart; Enter alone ends."
    )
    readings: list[float] = []
    while True:
        text = f"Reading {len(readings) + 1} (as 0.4C or 32.7F)"
        value = click.prompt(text, default="", show_default=False, value_proc=parse)
        if value is not None:
            readings.append(value)
        elif len(readings) >= _TYPED_AT_LEAST:
            return readings
        else:
            click.echo(
                f"  {_TYPED_AT_LEAST - len(readings)} more, please: one reading alone says nothing of its scatter."
            )


# ---------------------------------------------------------------- the end


def _conclude(correction: Correction | None, why: str, stored: bool, checked: bool, say: Callable[..., None]) -> None:
    say()
    if correction:
        for reading_c, offset_k in zip(correction.reading_c, correction.offset_k, strict=True):
            say(f"Correction: {offset_k:+.2f} K are taken off at {reading_c:.1f} °C.")
        if len(correction.reading_c) > 1:
            say("Between the two it goes in a straight line; beyond them it stays what it is there.")
    if why:
        say(f"{why}.")
    if stored:
        say(f"Stored in {NAME}.")
    elif checked:
        say("Nothing was stored (--dry-run).")
    else:
        say("Nothing was stored: there was nothing to judge.")


def _json(
    sensor: Sensor, outcomes: Sequence[_Outcome], correction: Correction | None, why: str, stored: bool, today: date
) -> str:
    content = {
        "serial": sensor.serial,
        "type": sensor.type,
        "class": sensor.tolerance_class,
        "date": today.isoformat(),
        "points": [_outcome_json(one) for one in outcomes],
        "correction": {"reading_c": list(correction.reading_c), "offset_k": list(correction.offset_k)}
        if correction
        else None,
        "note": why or None,
        "stored": stored,
    }
    return json.dumps(content, ensure_ascii=False, indent=1, allow_nan=False)


def _outcome_json(outcome: _Outcome) -> dict[str, Any]:
    settled, judgement = outcome.settled, outcome.judgement

    def number(value: float) -> float | None:
        return None if value != value else round(value, 4)

    return {
        "point": outcome.point.name,
        "expected_c": round(outcome.point.expected_c, 4),
        "how": outcome.point.how,
        "pressure_kpa": outcome.point.pressure_kpa,
        "readings": str(settled.how),
        "state": str(settled.state),
        "reading_c": number(settled.mean_c),
        "scatter_k": number(settled.scatter_k),
        "drift_k": number(settled.drift_k),
        "count": settled.count,
        "deviation_k": number(judgement.deviation_k) if judgement else None,
        "uncertainty_k": number(judgement.uncertainty_k) if judgement else None,
        "limit_k": number(judgement.limit_k) if judgement and judgement.limit_k is not None else None,
        "verdict": str(judgement.verdict) if judgement else None,
    }
