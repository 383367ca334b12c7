"""A heat as a calibration takes it: its air that drives the model, and what was measured of the sheet."""

from __future__ import annotations

import hashlib
import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from thermal.build import steady_air_c
from thermal.case import Case
from thermal.fields import InputError
from thermal.heat import Heat, role_of
from thermal.measured import measured_air

Array = NDArray[np.float64]
Place = Literal["upper", "lower", "core"]

#: Roles that say something of the sheet. The drop is left out: it knows the melt's viscosity better than the oven.
ROLES: Mapping[str, Place] = {"face_upper_c": "upper", "face_lower_c": "lower", "core_c": "core"}
#: Answer time of a thermocouple that states none, s, and its place: in the middle.
LAG_S, MIDDLE = 2.0, 0.5
#: Readings of the first seconds are of a sheet that is still being pushed in, s.
SETTLED_S = 5.0
#: Least noise that is believed of a thermocouple, K.
LEAST_NOISE_K = 0.05
#: A heat of fewer readings of a place says nothing about it.
FEWEST = 10
#: Metadata of a heat file: faces covered with bright aluminium foil, 'upper', 'lower' or 'both'.
FOIL = "foil"
_FOILED = {"upper": (True, False), "lower": (False, True), "both": (True, True)}


@dataclass(frozen=True)
class Series:
    """What one sensor of the sheet gave.

    Attributes:
        column: name in the heat file. place; depth: share of the gauge from the upper face, 0 to 1; stated: whether
        the file says it. lag_s: answer time. bias_k: known error, not yet taken off. noise_k: of one reading, K.
        time_s, values: readings that count, (readings,), °C.
    """

    column: str
    place: Place
    depth: float
    stated: bool
    lag_s: float
    bias_k: float
    noise_k: float
    time_s: Array
    values: Array


@dataclass(frozen=True)
class Run:
    """One heat.

    Attributes:
        name: what messages call it. case: sheet and oven, without measured air. air_s, air_c: mean air from 0 on, °C,
        (times,). apart_k: mean of upper less lower air, K; None where they were not measured apart. wall_c: (times,) or
        None. before_s, before_c: mean air before. end_s: until when it counts. series: by sensor. foiled: faces under
        foil. fingerprint: SHA-256 of what was used. simulated: made by a computer.
    """

    name: str
    case: Case
    air_s: Array
    air_c: Array
    apart_k: float | None
    wall_c: Array | None
    before_s: Array
    before_c: Array
    end_s: float
    series: tuple[Series, ...]
    foiled: tuple[bool, bool]
    fingerprint: str
    simulated: bool = False

    def without(self, column: str, from_s: float = 0.0) -> Run:
        """The same without a sensor's readings from a moment on."""
        kept = []
        for one in self.series:
            if one.column == column:
                there = one.time_s < from_s
                one = replace(one, time_s=one.time_s[there], values=one.values[there])
                if len(one.values) < FEWEST:
                    continue
            kept.append(one)
        return replace(self, series=tuple(kept))


def run_of(name: str, heat: Heat, case: Case) -> Run:
    """A heat with the sheet and the oven it was heated in.

    Raises:
        InputError: no air drives it, or an unknown word for its foil.
    """
    try:
        air = measured_air(heat)
    except InputError as error:
        raise InputError(f"{name}: {error}") from None
    foil = heat.extra.get(FOIL)
    if foil is not None and foil not in _FOILED:
        raise InputError(f"{name}: {FOIL} = {foil!r}: expected one of {', '.join(_FOILED)}, the faces under foil")
    end_s = float(air.time_s[-1])
    columns = [column for column in heat.columns if role_of(column) in ROLES]
    found = [_series(heat, case, column, end_s) for column in columns]
    both = all(
        any(role_of(c) == r and np.isfinite(heat.columns[c]).any() for c in heat.columns)
        for r in ("air_upper_c", "air_lower_c")
    )
    return Run(
        name=name,
        case=replace(case, measured=None),
        air_s=air.time_s,
        air_c=0.5 * (air.upper_c + air.lower_c),
        apart_k=float(np.mean(air.upper_c - air.lower_c)) if both else None,
        wall_c=air.wall_c,
        before_s=air.before_s,
        before_c=air.before_c,
        end_s=end_s,
        series=tuple(one for one in found if one is not None),
        foiled=(False, False) if foil is None else _FOILED[foil],
        fingerprint=_fingerprint(heat),
        simulated=heat.simulated,
    )


@dataclass(frozen=True)
class Planned:
    """A heat that has not happened.

    Attributes:
        name. case: sheet and oven. end_s: until when it is recorded. places: of its thermocouples. foiled. on_for_s:
        the oven's air had been at its setting for so long; None: until walls and air were steady. room_c: before that.
    """

    name: str
    case: Case
    end_s: float
    places: tuple[Place, ...] = ("upper", "lower", "core")
    foiled: tuple[bool, bool] = (False, False)
    on_for_s: float | None = None
    room_c: float = 22.0


#: Of a planned heat: a reading every so often, s; noise of a reading, K.
PLANNED_STEP_S, PLANNED_NOISE_K = 5.0, 0.3
_COLUMNS: Mapping[Place, tuple[str, float]] = {
    "upper": ("face_upper_c", 0.0), "lower": ("face_lower_c", 1.0), "core": ("core_c", MIDDLE),
}  # fmt: skip


def planned_run(of: Planned) -> Run:
    """The run of a heat that has not happened: the card's air, and readings without values (zeros)."""
    card, case = of.case.oven, of.case
    steady = steady_air_c(card, case.set_c)
    time = np.arange(0.0, of.end_s + PLANNED_STEP_S, PLANNED_STEP_S)
    fall = card.door_drop_k * np.exp(-time / max(card.recovery_s, 1.0))
    before_s, before_c = np.array([-0.01]), np.array([steady])
    if of.on_for_s is not None:
        before_s = np.array([-of.on_for_s - 60.0, -of.on_for_s, -0.01])
        before_c = np.array([of.room_c, steady, steady])
    at = time[time >= SETTLED_S]
    series = tuple(
        Series(_COLUMNS[p][0], p, _COLUMNS[p][1], True, LAG_S, 0.0, PLANNED_NOISE_K, at, np.zeros(len(at)))
        for p in of.places
    )
    return Run(
        of.name, replace(case, measured=None), time, steady - fall, None, None, before_s, before_c, float(time[-1]),
        series, of.foiled, "", simulated=True,
    )  # fmt: skip


def _series(heat: Heat, case: Case, column: str, end_s: float) -> Series | None:
    values = heat.columns[column]
    good = np.isfinite(values) & (heat.time_s >= SETTLED_S) & (heat.time_s <= end_s)
    if np.count_nonzero(good) < FEWEST:
        return None
    place = ROLES[role_of(column) or ""]
    sensor = heat.sensor(column)
    depth = {"upper": 0.0, "lower": 1.0, "core": MIDDLE}[place]
    stated = place != "core" or sensor.depth_m is not None
    if place == "core" and sensor.depth_m is not None:
        depth = float(np.clip(sensor.depth_m / case.gauge_m, 0.0, 1.0))
    return Series(
        column,
        place,
        depth,
        stated,
        LAG_S if sensor.lag_s is None else sensor.lag_s,
        sensor.bias_k or 0.0,
        noise_of(values[good], heat.time_s[good]),
        heat.time_s[good],
        values[good],
    )


def noise_of(values: Array, time_s: Array) -> float:
    """White noise of readings of a smooth curve, K: from their departures from the line through their neighbours,
    by the median, which does not mind spikes. Quantisation counts as its step's uniform noise does.
    """
    inner = values[1:-1]
    before, after = time_s[1:-1] - time_s[:-2], time_s[2:] - time_s[1:-1]
    share = before / (before + after)
    off = inner - (values[:-2] * (1.0 - share) + values[2:] * share)
    size = np.abs(off) / np.sqrt(1.0 + share**2 + (1.0 - share) ** 2)
    # Median of |normal| is 0.6745 of its standard deviation; a coarse step can make the median vanish.
    steps = np.diff(np.unique(values))
    step = float(steps.min()) if len(steps) else 0.0
    return max(float(np.median(size)) / 0.6745, step / math.sqrt(12.0), LEAST_NOISE_K)


def _fingerprint(heat: Heat) -> str:
    digest = hashlib.sha256(np.ascontiguousarray(heat.time_s).tobytes())
    for name in sorted(heat.columns):
        digest.update(name.encode())
        digest.update(np.ascontiguousarray(heat.columns[name]).tobytes())
    for known in (heat.polymer, heat.gauge_m, heat.set_c, heat.start_c, heat.oven):
        digest.update(repr(known).encode())
    return digest.hexdigest()
