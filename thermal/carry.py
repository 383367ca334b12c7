"""The carry: how long a sheet stays formable on its way from the oven to the mold."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from thermal.build import sheet_material
from thermal.case import Departures
from thermal.history import record
from thermal.polymer import Polymer
from thermal.room import Room, rooms_faces
from thermal.slab import Lump, Slab

Array = NDArray[np.float64]

#: Area over perimeter of a sheet whose size is not stated, m: 0.3 m square.
DEFAULT_LENGTH_M = 0.075
_FOLLOWED_S = 1800.0


@dataclass(frozen=True)
class Carry:
    """Seconds from leaving the oven until a face falls below `form_until_c`; None: not within half an hour.

    Attributes:
        formable_s: the earlier of both faces, with its name in `limit` ('upper face', 'lower face').
        mean_c: mean temperature of the sheet at that time, °C.
    """

    formable_s: float | None
    limit: str | None
    mean_c: float
    room_c: float


def carry(
    polymer: Polymer,
    gauge_m: float,
    profile_c: Array,
    room: float | Room,
    stretch: float = 1.0,
    length_m: float = DEFAULT_LENGTH_M,
    tray: Lump | None = None,
) -> Carry:
    """Cool a sheet in the room.

    Args:
        gauge_m: of the flat sheet, m. profile_c: temperatures on leaving the oven, °C, (nodes,), upper face first.
        stretch: area of the bubble over the clamped area: the sheet is thinner by it.
        room: °C of a still one, or a `Room` with a draught or a mold below. length_m: area over perimeter, m.
        tray: that the sheet is carried on, with its temperature on leaving the oven; None: a frame, both faces free.

    On the way down the melt undercools: the heat of melting is not given back above the crystallisation range.
    """
    rooms = [room if isinstance(room, Room) else Room(room)]
    return carries(polymer, gauge_m, profile_c, rooms, stretch, length_m, tray)[0]


def carries(
    polymer: Polymer,
    gauge_m: float,
    profile_c: Array,
    rooms: Sequence[Room],
    stretch: float = 1.0,
    length_m: float = DEFAULT_LENGTH_M,
    tray: Lump | None = None,
) -> list[Carry]:
    """The same sheet in each of several rooms, as one batch. For the arguments see `carry`."""
    alike = np.zeros(len(rooms), np.intp)
    falling = replace(polymer, melting=(polymer.crystallisation,) if polymer.crystallisation else ())
    mass = float(polymer.density.at(23.0)) * gauge_m / stretch
    slab = Slab(
        sheet_material(falling, Departures(), len(rooms)),
        np.full(len(rooms), mass),
        profile_c[:, None][:, alike],
        rooms_faces(rooms, length_m, polymer.surface.emissivity),
        (None, None if tray is None else tray.columns(alike)),
    )
    history = record(slab, _FOLLOWED_S, intervals=len(profile_c) - 1)
    time = np.concatenate([np.arange(0.0, 120.0, 0.5), np.arange(120.0, _FOLLOWED_S + 1.0, 2.0)])
    return [
        _until_cold(time, history.temperature_at(time, column), polymer.forming.form_until_c, room.air_c)
        for column, room in enumerate(rooms)
    ]


def _until_cold(time: Array, temperature: Array, form_until_c: float, room_c: float) -> Carry:
    cold = temperature[[0, -1]] < form_until_c
    until = [float(time[np.argmax(face)]) if face.any() else np.inf for face in cold]
    first = int(np.argmin(until))
    if not np.isfinite(until[first]):
        return Carry(None, None, float(temperature[:, -1].mean()), room_c)
    at = int(np.argmax(cold[first]))
    return Carry(until[first], ("upper face", "lower face")[first], float(temperature[:, at].mean()), room_c)
