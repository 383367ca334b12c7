"""`pullcue sensors`: the shop's thermocouples, and their check in ice and boiling water."""

from __future__ import annotations

import datetime
import json
from pathlib import Path
from typing import Any

import click

from dashboard.sensor_file import NAME, read_register
from dashboard.shop import Shop, open_shop
from dashboard.units import parse_temperature_c
from logger.clock import SystemClock
from logger.fixed_point import POINTS
from logger.sensors import READING_C, Register, Sensor, overdue
from logger.thermocouple import TYPES
from logger.tolerance import CLASSES
from thermal.fields import InputError

_SHOP = click.option(
    "--shop", type=click.Path(path_type=Path, file_okay=False), metavar="DIR", help="Folder of the shop."
)
_JSON = click.option("--json", "as_json", is_flag=True, help="Print one JSON object, units in the keys.")


@click.group("sensors")
def sensors() -> None:
    """List the shop's thermocouples, or check one in ice and boiling water.

    They stand in sensors.toml in the shop's folder, each with serial number, type, class, certificate, the day it is
    due again, its checks and its correction.
    """


# ---------------------------------------------------------------- list


@sensors.command("list")
@_SHOP
@_JSON
@click.pass_obj
def list_sensors(injected: object, shop: Path | None, as_json: bool) -> None:
    """List the thermocouples, their last checks, and which are overdue."""
    from dashboard.commands.sensors_check import Injected

    clock = injected.clock if isinstance(injected, Injected) else SystemClock()
    today = clock.utc().date()
    workshop = open_shop(shop)
    register = read_register(workshop.folder)
    if as_json:
        entries = [_entry(register, sensor, today) for sensor in register.sensors]
        click.echo(
            json.dumps({"shop": workshop.name, "sensors": entries}, ensure_ascii=False, indent=1, allow_nan=False)
        )
        return
    if not register.sensors:
        click.echo(f"The {_called(workshop)} has no thermocouples in {NAME} yet.")
        click.echo("Register the first one by checking it: pullcue sensors check SERIAL --type K --class 2")
        return
    for sensor in register.sensors:
        click.echo("\n".join(_shown(register, sensor, today)))


def _called(shop: Shop) -> str:
    return f"shop {shop.name}" + (" (an invented example)" if shop.is_demo else "")


def _entry(register: Register, sensor: Sensor, today: datetime.date) -> dict[str, Any]:
    correction = register.correction(sensor.serial)
    checks = [found for point in POINTS if (found := register.last_check(sensor.serial, point))]
    return {
        "serial": sensor.serial,
        "type": sensor.type,
        "class": sensor.tolerance_class,
        "certificate": sensor.certificate or None,
        "due": sensor.due.isoformat() if sensor.due else None,
        "overdue": overdue(sensor, today),
        "last_checks": [
            {
                "date": one.day.isoformat(),
                "point": one.point,
                "deviation_k": one.deviation_k,
                "uncertainty_k": one.uncertainty_k,
                "limit_k": one.limit_k,
                "verdict": one.verdict,
            }
            for one in checks
        ],
        "correction": {
            "date": correction.day.isoformat(),
            "reading_c": list(correction.reading_c),
            "offset_k": list(correction.offset_k),
        }
        if correction
        else None,
    }


def _shown(register: Register, sensor: Sensor, today: datetime.date) -> list[str]:
    certificate = f", certificate {sensor.certificate}" if sensor.certificate else ""
    if sensor.due is None:
        due = "no due date"
    else:
        due = f"OVERDUE since {sensor.due}" if overdue(sensor, today) else f"due {sensor.due}"
    lines = [f"{sensor.serial}: type {sensor.type}, class {sensor.tolerance_class}{certificate}, {due}"]
    for point in POINTS:
        check = register.last_check(sensor.serial, point)
        if check is None:
            lines.append(f"  {point}: never checked")
        else:
            limit = "no limit there" if check.limit_k is None else f"limit ±{check.limit_k:.2f} K"
            lines.append(f"  {point}: {check.deviation_k:+.2f} K on {check.day}, {limit}: {check.verdict}")
    correction = register.correction(sensor.serial)
    if correction:
        offsets = " and ".join(
            f"{offset:+.2f} K at {reading:.1f} °C"
            for reading, offset in zip(correction.reading_c, correction.offset_k, strict=True)
        )
        lines.append(f"  corrected since {correction.day}: {offsets} are taken off")
    return lines


# ---------------------------------------------------------------- check


def _typed(_: click.Context, __: click.Parameter, texts: tuple[str, ...]) -> dict[str, list[float]]:
    """POINT=TEMPERATURE of every --reading, by point."""
    found: dict[str, list[float]] = {}
    for text in texts:
        point, equals, temperature = text.partition("=")
        if not equals or point not in POINTS:
            raise click.BadParameter(f"{text!r}: expected ice=TEMPERATURE or boiling=TEMPERATURE, as ice=0.4C")
        try:
            found.setdefault(point, []).append(parse_temperature_c(temperature, READING_C))
        except InputError as error:
            raise click.BadParameter(str(error)) from error
    return found


def _date(_: click.Context, __: click.Parameter, text: str | None) -> datetime.date | None:
    if text is None:
        return None
    try:
        return datetime.date.fromisoformat(text)
    except ValueError:
        raise click.BadParameter(f"{text!r}: expected a date as 2027-01-31") from None


@sensors.command(
    "check",
    epilog="\b\nExamples:\n"
    "pullcue sensors check TC-0417 --type K --class 2 --pressure-kpa 98.6\n"
    "pullcue sensors check TC-0417 --bench north-bench.toml --pressure-kpa 98.6\n"
    "pullcue sensors check TC-0417 --reading ice=0.4C --reading boiling=99.1C --pressure-kpa 98.6",
)
@click.argument("serial")
@click.option("--type", "kind", type=click.Choice(TYPES), help="Type of a sensor that is not in the register yet.")
@click.option("--class", "tolerance_class", type=click.Choice(CLASSES), help="Its class: IEC 60584-1 or ASTM E230.")
@click.option("--certificate", metavar="TEXT", help="Number of its certificate.")
@click.option("--due", callback=_date, metavar="DATE", help="Day it is due again, as 2027-01-31.")
@click.option("--point", "points", multiple=True, type=click.Choice(POINTS), help="One point only.  [default: both]")
@click.option("--pressure-kpa", type=float, metavar="P", help="Air pressure in this room, kPa: not at sea level.")
@click.option("--pressure-uncertainty-kpa", type=float, metavar="U", help="Its standard uncertainty.  [default: 0.3]")
@click.option("--altitude-m", type=float, metavar="H", help="Without a barometer: altitude of this room, m.")
@click.option("--sea-level-kpa", type=float, metavar="P", help="With --altitude-m: today's pressure at sea level, kPa.")
@click.option(
    "--reading",
    "typed",
    multiple=True,
    callback=_typed,
    metavar="POINT=TEMPERATURE",
    help="A reading you took, as ice=0.4C; may be repeated.",
)
@click.option(
    "--bench",
    "bench_file",
    type=click.Path(path_type=Path, dir_okay=False),
    metavar="BENCH.toml",
    help="Read the sensor on this bench, at the role with its serial.",
)
@click.option("--dry-run", is_flag=True, help="Store nothing.")
@click.option("--yes", is_flag=True, help="Ask nothing: all is prepared.")
@_SHOP
@_JSON
@click.pass_context
def check(ctx: click.Context, /, **options: Any) -> None:
    """Check the thermocouple SERIAL in melting ice and in boiling water.

    You are told what to prepare; readings are awaited until they are steady, compared with the true temperature, and
    judged by the limits of the sensor's class. Check and correction are stored with their date in sensors.toml. The
    exit code is 0 where the sensor is within its class, 1 where it is not, or that could not be told.

    Boiling water and steam scald: gloves, eye protection, a pot that cannot tip, the cable clear of the flame.
    """
    from dashboard.commands.sensors_check import Asked, Injected, run_check

    injected = ctx.obj if isinstance(ctx.obj, Injected) else Injected()
    chosen = options.pop("points")
    points = tuple(point for point in POINTS if point in chosen) or POINTS
    ctx.exit(run_check(Asked(points=points, **options), injected))
