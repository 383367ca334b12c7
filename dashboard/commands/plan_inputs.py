"""What was asked on the line of `pullcue plan`, checked and put together; each refusal names its option."""

from __future__ import annotations

import datetime
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from dashboard.plan_question import (
    DEFAULT_START_C,
    DROP_MM,
    FORMING_C,
    GAUGE_MM,
    ROOM_C,
    SET_C,
    START_C,
    Question,
    checked_c,
    granted,
    millimetres_as_m,
    opening_from,
)
from dashboard.plan_words import opening_words
from dashboard.units import Units, parse_length_m, parse_temperature_c
from thermal.case import Case
from thermal.fields import InputError, Range
from thermal.heat import Heat
from thermal.oven import OvenCard, oven_card_from_mapping
from thermal.polymer import Polymer
from thermal.polymer_data import polymer_from_mapping

if TYPE_CHECKING:
    from dashboard.shop import Shop


@dataclass(frozen=True)
class Asked:
    """The options as they stood on the line; None where one was not given."""

    polymer: str | None = None
    polymer_file: Path | None = None
    gauge_mm: float | None = None
    gauge: str | None = None
    oven: str | None = None
    oven_card: Path | None = None
    set_c: float | None = None
    set_with_unit: str | None = None
    start_c: float | None = None
    support: str | None = None
    opening_mm: str | None = None
    drop_mm: float | None = None
    clearance_mm: float | None = None
    colour: str | None = None
    room_c: float | None = None
    measured: Path | None = None


def question(asked: Asked, shop: Shop, today: datetime.date, units: Units, driven: bool = True) -> Question:
    """Put the case together. What the line leaves out is taken from the recorded heat, then from the shop.

    Args:
        today: for the date until which an oven card is valid. units: of the notes.
        driven: the recorded air drives the case; False: only what the head of the recorded heat states is used.

    Raises:
        InputError: a value out of range, unknown, or in a file that cannot be used.
        click.UsageError: two options that say the same thing, or none where one is needed.
    """
    from logger.heatfile import read_heat  # only here: a plan without a recorded heat needs no reader

    heat = None if asked.measured is None else read_heat(asked.measured)
    room_c = shop.room_c if asked.room_c is None else checked_c("--room-c", asked.room_c, ROOM_C)
    oven = _oven(asked, shop, heat)
    notes: list[str] = []
    start_c = _start_c(asked, heat, notes, units)
    support = asked.support or (heat and heat.support) or "frame"
    opening_m = _opening_m(asked, heat)
    if support == "tray" and opening_m is not None:
        notes.append("A sheet on a tray does not drop: the opening is not used")
        opening_m = None
    elif support == "frame" and opening_m is None:
        notes.append("No opening stated: the drop is not predicted")
    polymer = _polymer(asked, shop, heat)
    if asked.polymer_file is None and (note := shop.polymer_note(polymer.id)):
        notes.append(note)
    case = Case(
        polymer=polymer,
        gauge_m=_gauge_m(asked, heat),
        oven=oven,
        set_c=_set_c(asked, heat, oven),
        start_c=start_c,
        support=support,
        opening_m=opening_m,
        colour=_colour(asked, heat, oven, notes),
    )
    if heat is not None:
        notes += _differences(case, heat, units)
        if driven:
            notes += heat.notes
            case = _driven_by(case, heat, notes)
    notes += granted(oven, today)
    return Question(
        case,
        None if asked.drop_mm is None else millimetres_as_m("--drop-mm", asked.drop_mm, DROP_MM),
        None if asked.clearance_mm is None else millimetres_as_m("--clearance-mm", asked.clearance_mm, DROP_MM),
        room_c,
        heat,
        tuple(notes),
    )


def _driven_by(case: Case, heat: Heat, notes: list[str]) -> Case:
    """The case with the recorded air in place of the oven's own."""
    from thermal.measured import measured_air

    air = measured_air(heat)
    notes.append(f"The recorded air ends at {Units.seconds(float(air.time_s[-1]))}; its last value is kept after that")
    if heat.simulated:
        notes.append("The heat file is simulated: no oven and no sheet were measured")
    return replace(case, measured=air)


def _one_of(first: tuple[str, Any], second: tuple[str, Any], otherwise: object | None) -> None:
    """Refuse both of a pair, and neither where nothing else states the value."""
    given = [name for name, value in (first, second) if value is not None]
    if len(given) == 2:
        raise click.UsageError(f"give either {first[0]} or {second[0]}, not both")
    if not given and otherwise is None:
        raise click.UsageError(f"{first[0]} or {second[0]} is missing: give one of them")


def _polymer(asked: Asked, shop: Shop, heat: Heat | None) -> Polymer:
    stated = heat.polymer if heat else None
    _one_of(("--polymer", asked.polymer), ("--polymer-file", asked.polymer_file), stated)
    if asked.polymer_file is not None:
        return polymer_from_mapping(_toml(asked.polymer_file), asked.polymer_file.name)
    return shop.polymer(asked.polymer or stated or "")


def _oven(asked: Asked, shop: Shop, heat: Heat | None) -> OvenCard:
    stated = heat.oven if heat else None
    _one_of(("--oven", asked.oven), ("--oven-card", asked.oven_card), stated)
    if asked.oven_card is not None:
        return oven_card_from_mapping(_toml(asked.oven_card), asked.oven_card.name)
    return shop.oven(asked.oven or stated or "")


def _toml(path: Path) -> dict[str, Any]:
    from dashboard.tomlfile import read_toml

    return read_toml(path)


def _gauge_m(asked: Asked, heat: Heat | None) -> float:
    stated = heat.gauge_m if heat else None
    _one_of(("--gauge-mm", asked.gauge_mm), ("--gauge", asked.gauge), stated)
    if asked.gauge is not None:
        return _with_option("--gauge", parse_length_m, asked.gauge, GAUGE_MM)
    if asked.gauge_mm is None:
        return millimetres_as_m("gauge_mm of the heat file", (stated or 0.0) * 1e3, GAUGE_MM)
    return millimetres_as_m("--gauge-mm", asked.gauge_mm, GAUGE_MM)


def _set_c(asked: Asked, heat: Heat | None, oven: OvenCard) -> float:
    _one_of(("--set-c", asked.set_c), ("--set", asked.set_with_unit), oven.set_c)
    allowed = SET_C[oven.kind]
    if asked.set_with_unit is not None:
        return _with_option("--set", parse_temperature_c, asked.set_with_unit, allowed)
    if asked.set_c is not None:
        return checked_c("--set-c", asked.set_c, allowed, FORMING_C)
    if heat is not None and heat.set_c is not None:
        return checked_c("set_c of the heat file", heat.set_c, allowed, FORMING_C)
    return checked_c(f"set_c of oven card {oven.id}", oven.set_c, allowed, FORMING_C)


def _start_c(asked: Asked, heat: Heat | None, notes: list[str], units: Units) -> float:
    if asked.start_c is not None:
        return checked_c("--start-c", asked.start_c, START_C)
    if heat is not None and heat.start_c is not None:
        return heat.start_c
    notes.append(f"Start temperature of the sheet not stated: taken {units.temperature(DEFAULT_START_C)}")
    return DEFAULT_START_C


def _opening_m(asked: Asked, heat: Heat | None) -> tuple[float, ...] | None:
    if asked.opening_mm is None:
        return heat.opening_m if heat else None
    return opening_from("--opening-mm", asked.opening_mm)


def _colour(asked: Asked, heat: Heat | None, oven: OvenCard, notes: list[str]) -> str:
    colour = asked.colour or (heat and heat.colour)
    if colour == "pattern":
        notes.append("Patterned sheet: taken as pigmented")
        return "pigmented"
    if colour is None and oven.kind == "infrared":
        notes.append("Colour not stated: taken natural; pigmented sheet takes up infrared at its face")
    return colour or "natural"


def _differences(case: Case, heat: Heat, units: Units) -> list[str]:
    """Where the line says otherwise than the heat file: the line wins, and that is said."""
    pairs = (
        ("polymer", heat.polymer, case.polymer.id),
        ("oven", heat.oven, case.oven.id),
        ("support", heat.support, case.support),
        ("gauge", _shown(units.length, heat.gauge_m), units.length(case.gauge_m)),
        ("set temperature", _shown(units.temperature, heat.set_c), units.temperature(case.set_c)),
        ("start temperature", _shown(units.temperature, heat.start_c), units.temperature(case.start_c)),
        ("opening", *(side and opening_words(side, units) for side in (heat.opening_m, case.opening_m))),
    )
    return [
        f"The heat file states {name} {recorded}; planned with {used}"
        for name, recorded, used in pairs
        if recorded is not None and recorded != used
    ]


def _shown(words: Callable[[float], str], value: float | None) -> str | None:
    return None if value is None else words(value)


def _with_option(option: str, parse: Callable[[str, Range], float], text: str, allowed: Range) -> float:
    try:
        return parse(text, allowed)
    except InputError as error:
        raise InputError(f"{option}: {error}") from None
