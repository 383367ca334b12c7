"""The heats of a calibration, from files and from the records, each with its sheet and the oven's card."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from calibration.run import Run, run_of
from dashboard.plan_question import DEFAULT_START_C
from thermal.case import Case
from thermal.fields import InputError
from thermal.heat import Heat
from thermal.oven import OvenCard
from thermal.polymer import Polymer

if TYPE_CHECKING:
    from logger.store import Store


@dataclass(frozen=True)
class Heats:
    """Runs of one oven, and what was taken because no heat stated it."""

    runs: tuple[Run, ...]
    notes: tuple[str, ...]


def named_heats(names: Sequence[str], store: Callable[[], Store]) -> list[tuple[str, Heat]]:
    """Heats by the name of a file or the number of a record; `store` is asked for only where there is a number.

    Raises:
        InputError: no such file or record, or one that cannot be read.
    """
    from logger.heatfile import read_heat

    found: list[tuple[str, Heat]] = []
    for name in dict.fromkeys(names):
        if name.removeprefix("#").isdecimal() and not Path(name).exists():
            from dashboard.stored import whole_of
            from logger.heat_export import heat_of

            number = int(name.removeprefix("#"))
            kept = store()
            found.append((f"heat {number}", heat_of(whole_of(kept, kept.heat(number)))))
        else:
            found.append((Path(name).name, read_heat(Path(name))))
    return found


def heats_of_oven(named: Sequence[tuple[str, Heat]], card: OvenCard, polymer: Callable[[str], Polymer]) -> Heats:
    """The heats as runs in the oven of a card.

    Raises:
        InputError: a heat of another oven, of no stated polymer or gauge, or without air.
    """
    runs, notes = [], []
    for name, heat in named:
        if heat.oven is not None and heat.oven != card.id:
            raise InputError(
                f"{name} was heated in oven {heat.oven!r}, expected {card.id!r}: leave it out, or name that oven"
            )
        if heat.polymer is None or heat.gauge_m is None:
            missing = "polymer" if heat.polymer is None else "gauge_mm"
            raise InputError(f"{name} does not state {missing}: expected it in its head; add it and try again")
        if heat.oven is None:
            notes.append(f"{name} does not state its oven: taken {card.id}")
        if heat.set_c is None:
            notes.append(f"{name} does not state its set temperature: taken {card.set_c:g} °C, the card's")
        if heat.start_c is None:
            notes.append(f"{name} does not state the sheet's start temperature: taken {DEFAULT_START_C:g} °C")
        case = Case(
            polymer(heat.polymer),
            heat.gauge_m,
            card,
            card.set_c if heat.set_c is None else heat.set_c,
            DEFAULT_START_C if heat.start_c is None else heat.start_c,
            heat.support or "frame",
            heat.opening_m if heat.support != "tray" else None,
            "natural" if heat.colour in (None, "natural") else "pigmented",
        )
        run = run_of(name, heat, case)
        if not run.series:
            notes.append(f"{name} has no thermocouple on or in the sheet: it tells of the oven's air alone")
        if heat.simulated:
            notes.append(f"{name} is simulated: no oven and no sheet were measured")
        runs.append(run)
    return Heats(tuple(runs), tuple(notes))
