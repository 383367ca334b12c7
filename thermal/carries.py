"""The carry of a case as it leaves the oven, and what else the room may be: cold, draughty, a mold below."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from thermal.carry import DEFAULT_LENGTH_M, Carry, carries
from thermal.case import Case
from thermal.room import Room
from thermal.slab import Lump

Array = NDArray[np.float64]

#: A cold morning is this much colder than the room as stated, K; a door or a fan moves the air at this speed, m/s; a
#: mold is warmed to this, °C (our choices).
COLDER_K = 10.0
DRAUGHT_M_S = 1.0
WARM_MOLD_C = 45.0


@dataclass(frozen=True)
class CarryIn:
    """A carry in a room that is not still: its name in words, the room, the carry."""

    name: str
    room: Room
    carry: Carry


def carry_of(case: Case, profile_c: Array, drop_ratio: float, room: float | Room) -> Carry:
    """How long a sheet stays formable that leaves the oven with this profile, °C, (nodes,), and drop over radius.

    A sheet on a tray is carried on it; the tray then has its lower face's temperature.
    """
    return _carries(case, profile_c, drop_ratio, [room if isinstance(room, Room) else Room(room)])[0]


def carries_of(case: Case, profile_c: Array, drop_ratio: float, room_c: float) -> tuple[Carry, tuple[CarryIn, ...]]:
    """The same in a still room, and on a cold morning, in a draught, over a mold as cold as the room or warmed."""
    rooms = [
        ("on a cold morning", Room(room_c - COLDER_K)),
        ("in a draught", Room(room_c, DRAUGHT_M_S)),
        ("over a mold as cold as the room", Room(room_c, mold_c=room_c)),
        ("over a warm mold", Room(room_c, mold_c=max(WARM_MOLD_C, room_c))),
    ]
    if case.support == "tray":
        rooms = rooms[:2]  # nothing is seen through the tray
    still, *found = _carries(case, profile_c, drop_ratio, [Room(room_c), *(room for _, room in rooms)])
    return still, tuple(CarryIn(name, room, one) for (name, room), one in zip(rooms, found, strict=True))


def _carries(case: Case, profile_c: Array, drop_ratio: float, rooms: Sequence[Room]) -> list[Carry]:
    stretch = 1.0 + drop_ratio**2
    return carries(
        case.polymer, case.gauge_m, profile_c, rooms, stretch, cooling_length_m(case), _tray(case, profile_c)
    )


def _tray(case: Case, profile_c: Array) -> Lump | None:
    tray = case.oven.tray
    if case.support != "tray" or tray is None:
        return None
    capacity, contact = tray.mass_kg_m2 * tray.heat_capacity_j_kgk, tray.contact_w_m2k
    return Lump(np.array([capacity]), np.array([contact]), profile_c[-1:])


def cooling_length_m(case: Case) -> float:
    """Area over perimeter of the sheet in its opening, m."""
    if case.opening_m is None:
        return DEFAULT_LENGTH_M
    if len(case.opening_m) == 1:
        return case.opening_m[0] / 4.0
    a, b = case.opening_m
    return a * b / (2.0 * (a + b))
