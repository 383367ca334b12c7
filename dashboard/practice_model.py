"""The practice oven as physics: what the sensors of `logger.practice_board` would find, computed by `thermal`.

The oven differs from its card, and the sheet from its polymer's data, by departures drawn from their stated
uncertainty with a seed: as in a real workshop, nobody knows them. The air follows the card's small oven model (falls
at each opening of the door, recovers exponentially; the walls follow with a lag) with a thermostat's slow swing upon
it, and this air drives the conduction solver. When something is done to the oven, its heat is solved anew from the
moment the sheet went in: that costs less than half a second and gives the same past.
"""

from __future__ import annotations

import math
import threading
from collections.abc import Mapping
from dataclasses import dataclass, fields, replace

import numpy as np
from numpy.typing import NDArray

from dashboard.pull_score import Truth
from thermal.build import face_air_k, sheet_material, slab, steady_air_c, steady_wall_c
from thermal.case import Case, Departures, MeasuredAir
from thermal.grid import coldest_c
from thermal.history import record
from thermal.room import room_faces
from thermal.sag import LOST_RATIO, equivalent_radius_m
from thermal.slab import Slab
from thermal.surroundings import lagged_wall_c
from thermal.uncertainty import draw

Array = NDArray[np.float64]

#: The oven's air is laid down at this spacing, s; on an exponential of 90 s a straight line is then 0.02 K off.
_KNOT_S = 5.0
#: Just before a door opens: where the air jumps.
_JUST_S = 0.01
_FIRST_HORIZON_S = 2400.0
_COOLING_S = 1800.0
#: Area over perimeter of the pulled sheet, m: 0.3 m square.
_COOLING_LENGTH_M = 0.075
#: The oven is computed at least this far beyond what is done to it.
_BEYOND_S = 600.0
_DRAWS = 16
#: Air of an oven that is switched on cold rises with this time constant, s (our choice, minutes as real ones).
WARMING_S = 300.0
#: How quickly a door left ajar is felt, and forgotten, s (our choice).
_AJAR_S = 60.0
#: Departures that the air given to the solver holds already.
_OF_AIR = ("air_k", "wall_k", "set_k", "door_drop_k", "recovery", "wall_lag", "upper_air_k", "lower_air_k")


@dataclass(frozen=True)
class Traits:
    """What is peculiar about an oven on one day.

    Attributes:
        swing_k, swing_s: half the thermostat's swing and its period. uneven_k: upper air above the lower by this.
        departs: how much of the drawn departures counts; 0: oven and sheet are as their data say.
        h_factor: on both faces' convection: below 1 the fan is weak. ajar_s: door left ajar from, to; ajar_k: how deep.
        cold: the oven is switched on as practice starts.
    """

    swing_k: float = 1.5
    swing_s: float = 140.0
    uneven_k: float = 3.0
    departs: float = 1.0
    h_factor: float = 1.0
    ajar_s: tuple[float, float] | None = None
    ajar_k: float = 25.0
    cold: bool = False


#: An oven without anything peculiar.
PLAIN = Traits()


class PracticeOven:
    """One oven with at most one sheet. Safe to use from two threads: one reads, one acts.

    Args:
        case: sheet and oven as the technician knows them. room_c: °C. seed: of what nobody knows.
    """

    def __init__(self, case: Case, room_c: float, seed: int = 1, traits: Traits = PLAIN) -> None:
        self._case, self._room_c, self._seed, self._traits = case, room_c, seed, traits
        self._by = _departures(case, seed, traits)
        self._phase = float(np.random.default_rng(seed).random())
        self._lock = threading.Lock()
        self._openings: tuple[float, ...] = ()
        self._in_s: float | None = None
        self._pulled_s: float | None = None
        self._horizon_s = _FIRST_HORIZON_S
        self._knots, self._walls = self._solve_walls()
        self._sheet: _Table | None = None
        self._cooling: _Table | None = None

    # ------------------------------------------------------------ what is done to it

    def prepare(self, case: Case, later_s: float) -> None:
        """Another sheet waits, or another setting was given time to settle; what is peculiar comes so much later.

        Args:
            later_s: than the traits say. Nothing changes once a sheet is in.
        """
        with self._lock:
            if self._in_s is not None:
                return
            ajar_s = self._traits.ajar_s
            if ajar_s is not None:
                self._traits = replace(self._traits, ajar_s=(ajar_s[0] + later_s, ajar_s[1] + later_s))
            self._case, self._by = case, _departures(case, self._seed, self._traits)
            self._knots, self._walls = self._solve_walls()

    def put_in(self, at_s: float) -> None:
        """The sheet goes in through the open door; a second sheet is not taken."""
        with self._lock:
            if self._in_s is None:
                self._in_s = at_s
                self._open(at_s)

    def open_door(self, at_s: float) -> None:
        """The door is opened and closed again."""
        with self._lock:
            self._open(at_s)

    def pull(self, at_s: float) -> None:
        """The sheet is pulled out; it cools in the room from then on."""
        with self._lock:
            if self._in_s is not None and self._pulled_s is None and at_s > self._in_s:
                self._pulled_s = at_s
                self._open(at_s)

    def _open(self, at_s: float) -> None:
        self._openings = (*self._openings, at_s)
        self._horizon_s = max(self._horizon_s, at_s + _BEYOND_S)
        self._solve()

    # ------------------------------------------------------------ what sensors find

    def advance(self, to_s: float) -> Mapping[str, float]:
        """See `logger.practice_board.OvenModel`."""
        with self._lock:
            return self._at(to_s)

    def core_c(self, at_s: float) -> float | None:
        """True temperature of the coldest plane, °C; None without a sheet. Only the scoring of practice asks."""
        with self._lock:
            table, since_s = self._table(at_s)
            return None if table is None else float(np.interp(since_s, table.time_s, table.core_c))

    @property
    def pulled_after_s(self) -> float | None:
        """How long the sheet was in the oven when it was pulled, s; None: it was not."""
        with self._lock:
            return None if self._pulled_s is None or self._in_s is None else self._pulled_s - self._in_s

    def truth(self, drop_min_mm: float | None = None, drop_max_mm: float | None = None) -> Truth | None:
        """The sheet as it would have gone on in the oven, and what it really stands; None without a sheet. Only the
        scoring of practice asks.

        Args:
            drop_min_mm, drop_max_mm: wanted and largest drop of the bubble.
        """
        with self._lock:
            if self._in_s is None:
                return None
            stays = PracticeOven(self._case, self._room_c, self._seed, self._traits)
            stays._in_s, stays._horizon_s = self._in_s, self._horizon_s
            stays._openings = tuple(at for at in self._openings if at != self._pulled_s)
            stays._solve()
        table, forming, by = stays._sheet, self._case.polymer.forming, self._by
        assert table is not None, "there is a sheet"
        return Truth(
            table.time_s,
            table.core_c,
            table.upper_c,
            table.lower_c,
            None if self._case.opening_m is None else table.drop_mm,
            forming.core_min_c + _number(by.core_min_k),
            forming.core_max_c + _number(by.core_max_k),
            forming.face_max_c + _number(by.face_max_k),
            drop_min_mm,
            drop_max_mm,
        )

    def _at(self, to_s: float) -> Mapping[str, float]:
        if to_s > self._horizon_s - 10.0:
            self._horizon_s = 2.0 * to_s
            self._solve()
        upper, lower = self._air(np.array([to_s]))
        start_c = self._case.start_c + float(np.asarray(self._by.start_k).item())
        table, since_s = self._table(to_s)
        found = {
            "air_upper": float(upper[0]),
            "air_lower": float(lower[0]),
            # Without a sheet in the oven its thermocouples are taped to the one that waits in the room.
            "face_upper": start_c,
            "face_lower": start_c,
            "wall": float(np.interp(to_s, self._knots, self._walls)),
            "room": self._room_c + 0.3 * math.sin(to_s / 400.0),
            "drop": math.nan,
        }
        if table is not None:
            for name, values in (("face_upper", table.upper_c), ("face_lower", table.lower_c), ("drop", table.drop_mm)):
                found[name] = float(np.interp(since_s, table.time_s, values))
        return found

    def _table(self, at_s: float) -> tuple[_Table | None, float]:
        if self._pulled_s is not None and at_s >= self._pulled_s:
            return self._cooling, at_s - self._pulled_s
        if self._in_s is not None and at_s >= self._in_s:
            return self._sheet, at_s - self._in_s
        return None, 0.0

    # ------------------------------------------------------------ air and walls

    def _air(self, time_s: Array) -> tuple[Array, Array]:
        """Air at the upper and at the lower face, °C, (times,) each."""
        air, half = self._oven_air(time_s), 0.5 * self._traits.uneven_k
        upper_k, lower_k = (_number(k) for k in face_air_k(self._case.oven, self._by))
        return air + upper_k + half, air + lower_k - half

    def _oven_air(self, time_s: Array) -> Array:
        card, by, traits = self._case.oven, self._by, self._traits
        steady = steady_air_c(card, self._case.set_c) + _number(by.set_k) + _number(by.air_k)
        air = np.full_like(time_s, steady)
        if traits.cold:
            air -= (steady - self._room_c) * np.exp(-time_s / WARMING_S)
        recovery_s = card.recovery_s * _number(by.recovery)
        fall_k = max(card.door_drop_k + _number(by.door_drop_k), 0.0) if card.door_drop_k > 0 else 0.0
        for opened_s in self._openings:
            since = time_s - opened_s
            air -= np.where(since >= 0.0, fall_k * np.exp(-np.maximum(since, 0.0) / max(recovery_s, 1e-3)), 0.0)
        if traits.ajar_s is not None:
            start, end = (1.0 - np.exp(-np.maximum(time_s - edge, 0.0) / _AJAR_S) for edge in traits.ajar_s)
            air -= traits.ajar_k * (start - end)
        cycle = (time_s / traits.swing_s + self._phase) % 1.0
        air += traits.swing_k * (4.0 * np.abs(cycle - 0.5) - 1.0)
        return np.maximum(air, self._room_c)

    def _solve_walls(self) -> tuple[Array, Array]:
        # Of a door opened at 0 too, the moment before: the walls start in balance with the first air.
        jumps = [at for opened in self._openings for at in (opened - _JUST_S, opened)]
        knots = np.unique(np.concatenate([np.arange(0.0, self._horizon_s + _KNOT_S, _KNOT_S), jumps]))
        card, case, by = self._case.oven, self._case, self._by
        offset_k = steady_wall_c(card, case.set_c) - steady_air_c(card, case.set_c)
        offset_k += _number(by.wall_k) - _number(by.air_k)
        lag_s = np.array([card.wall_lag_s * _number(by.wall_lag)])
        return knots, lagged_wall_c(knots, self._oven_air(knots), lag_s, np.array([offset_k]))[:, 0]

    # ------------------------------------------------------------ the sheet

    def _solve(self) -> None:
        self._knots, self._walls = self._solve_walls()
        if self._in_s is None:
            return
        inside = self._knots >= self._in_s
        if self._pulled_s is not None:  # from then on the sheet that cools is asked for
            inside &= self._knots <= self._pulled_s + 2.0 * _KNOT_S
        time_s = self._knots[inside]
        upper, lower = self._air(time_s)
        driven = MeasuredAir(time_s - self._in_s, upper, lower, self._walls[inside])
        history = record(slab(replace(self._case, measured=driven), _without_air(self._by)), float(driven.time_s[-1]))
        times = np.arange(0.0, float(driven.time_s[-1]), 1.0)
        drop_mm = np.full_like(times, math.nan)
        if history.slab.sag is not None and self._case.opening_m is not None:
            ratio = history.drop_ratio_at(times)
            radius_mm = equivalent_radius_m(self._case.opening_m) * 1e3
            drop_mm = np.where(ratio < LOST_RATIO, ratio * radius_mm, math.nan)
        self._sheet = _table_of(times, history.temperature_at(times), drop_mm)
        if self._pulled_s is not None:
            self._cooling = self._cool(self._sheet, self._pulled_s - self._in_s)

    def _cool(self, table: _Table, since_s: float) -> _Table:
        """The sheet in the room from the pull on, as `thermal.carry` does it; its drop is out of the sensor's sight.

        Args:
            since_s: from the sheet going in to the pull.
        """
        polymer = self._case.polymer
        profile = np.array([np.interp(since_s, table.time_s, node) for node in table.profile_c])
        falling = replace(polymer, melting=(polymer.crystallisation,) if polymer.crystallisation else ())
        mass = (
            float(polymer.density.at(23.0)) * self._case.gauge_m * _number(self._by.gauge) * _number(self._by.density)
        )
        room = room_faces(self._room_c, _COOLING_LENGTH_M, polymer.surface.emissivity)
        sheet = Slab(sheet_material(falling, Departures(), 1), np.array([mass]), profile[:, None], room)
        history = record(sheet, _COOLING_S, intervals=len(profile) - 1)
        times = np.arange(0.0, _COOLING_S, 1.0)
        return _table_of(times, history.temperature_at(times), np.full_like(times, math.nan))


@dataclass(frozen=True)
class _Table:
    """A sheet in time, each (times,): s, °C, mm; profile_c (nodes, times)."""

    time_s: Array
    upper_c: Array
    lower_c: Array
    core_c: Array
    drop_mm: Array
    profile_c: Array


def _table_of(time_s: Array, profile_c: Array, drop_mm: Array) -> _Table:
    return _Table(time_s, profile_c[0], profile_c[-1], coldest_c(profile_c), drop_mm, profile_c)


def _number(value: Array | float) -> float:
    return float(np.asarray(value).item())


def _departures(case: Case, seed: int, traits: Traits) -> Departures:
    """One draw of what oven and sheet really are, the factors of the traits put on it."""
    drawn = draw(case, _DRAWS, seed).departures
    column = 1 + seed % _DRAWS
    neutral = Departures()
    picked: dict[str, Array | float] = {}
    for field in fields(Departures):
        stated = float(getattr(neutral, field.name))
        values = np.broadcast_to(np.asarray(getattr(drawn, field.name), float), (_DRAWS + 1,))
        picked[field.name] = stated + traits.departs * (float(values[column]) - stated)
    by = Departures(**picked)
    return replace(by, h_upper=by.h_upper * traits.h_factor, h_lower=by.h_lower * traits.h_factor)


def _without_air(by: Departures) -> Departures:
    """The departures that the solver is still to be told."""
    neutral = Departures()
    return replace(by, **{name: getattr(neutral, name) for name in _OF_AIR})
