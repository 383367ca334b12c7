"""A plan: what will happen to one sheet in one oven, how sure that is, and what to do about it. Values only;
how it is worded and drawn is the commands' business.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from thermal import advice
from thermal.build import oven_faces, slab
from thermal.carries import CarryIn, carries_of
from thermal.carry import Carry
from thermal.case import Case
from thermal.fields import InputError
from thermal.grid import coldest_c
from thermal.history import History, record
from thermal.notes import Note, difference, length, temperature
from thermal.preheat import preheat_s
from thermal.sag import VALID_RATIO, equivalent_radius_m
from thermal.uncertainty import draw
from thermal.window import Limits, Windows, horizon_s, limits, windows

Array = NDArray[np.float64]

DRAWS = 511
#: A bubble is let drop at most this many times the wanted drop, where no clearance is stated (our choice), and never
#: beyond the drop ratio at which it hangs as a sack.
LARGEST_DROP = 1.25
#: The pull target is the first moment at which the sheet is ready and not spoilt with this probability.
SURE = 0.95
_CURVE_POINTS = 240
#: A table left by more than this is said, K.
_OVERREACH_K = 30.0
_OUTSIDE_CARD = "is outside what the oven card was found for ({1} to {2}): less sure than the interval says"


@dataclass(frozen=True)
class Edge:
    """One edge of the window.

    Attributes:
        time_s: with the stated values; None: never. limit: what sets it; None where nothing does.
        interval_s: 5 and 95 % of the draws, None for never.
    """

    time_s: float | None
    limit: str | None
    interval_s: tuple[float | None, float | None]


@dataclass(frozen=True)
class Curve:
    """Temperatures and drop in time, with the stated values; each (times,). `drop_mm` None without an opening."""

    time_s: Array
    core_c: Array
    face_upper_c: Array
    face_lower_c: Array
    air_c: Array
    wall_c: Array
    drop_mm: Array | None


@dataclass(frozen=True)
class Target:
    """When to pull: time, s, and the probability that the sheet is then ready and not spoilt."""

    time_s: float
    probability: float


@dataclass(frozen=True)
class Options:
    """What would make a window or a quicker one; None where it would not, or was not asked."""

    highest_set: advice.Change | None
    both_faces: advice.Change | None
    thinner: advice.Change | None


@dataclass(frozen=True)
class Plan:
    """All that is known about a heat before it begins.

    Attributes:
        case, of: what was asked: the sheet in its oven, the limits. opens, closes: the window with the stated values;
        both without a time where there is none. ready_s: when all minima are met, window or not; None: never.
        spoilt_s, spoilt_by: when and by what the first maximum is broken. target: None without a window.
        window_probability: share of the draws with a window. state_c: coldest point and faces at the pull, °C.
        carry: from the target; carries: the same where the room is not still.
        preheat_s: wait after the air has reached its set temperature.
        notes: what was assumed or left its range.
        coldest_end_c: coldest point at the end of a sheet that never gets ready, °C; None otherwise.
    """

    case: Case
    of: Limits
    opens: Edge
    closes: Edge
    ready_s: float | None
    spoilt_s: float | None
    spoilt_by: str | None
    target: Target | None
    window_probability: float
    curve: Curve
    state_c: dict[str, float] | None
    carry: Carry | None
    carries: tuple[CarryIn, ...]
    preheat_s: float
    options: Options
    notes: tuple[Note, ...]
    coldest_end_c: float | None


def plan(case: Case, drop_m: float | None = None, clearance_m: float | None = None, room_c: float = 22.0) -> Plan:
    """Plan a heat.

    Args:
        drop_m: wanted drop of the bubble, m; None: the drop opens no window.
        clearance_m: largest drop there is room for, m; room_c: for the carry, °C.

    Raises:
        InputError: a drop without an opening, on a tray, of a polymer without viscosity, or out of reach of the model.
    """
    of = limits_of(case, drop_m, clearance_m)
    drawn = draw(case, DRAWS)
    until = horizon_s(case.gauge_m * 1.1)
    found = windows(slab(case, drawn.departures), of, until, by=drawn.departures)
    exists = bool(found.exists[0])
    ready, spoilt = (_finite(float(t[0])) for t in (found.ready_s, found.spoilt_s))
    target = _target(found) if exists else None
    curve, history = _curve(case, _shown_until(case, ready, spoilt, target, until))
    never = None if ready is not None else float(curve.core_c[-1])
    state, carried = None, None
    otherwise: tuple[CarryIn, ...] = ()
    if target is not None:
        at = np.array([target.time_s])
        profile = history.temperature_at(at)
        state = {
            "core": float(coldest_c(profile)[0]),
            "upper": float(profile[0, 0]),
            "lower": float(profile[-1, 0]),
        }
        leaving = profile[:, 0], float(history.drop_ratio_at(at)[0]), room_c
        carried, otherwise = carries_of(case, *leaving)
    minimum_names = found.opening_limit(0) if ready is not None else None
    return Plan(
        case=case,
        of=of,
        opens=Edge(ready if exists else None, minimum_names, _interval(found.ready_s)),
        closes=Edge(spoilt if exists else None, found.closing_limit(0), _interval(found.spoilt_s)),
        ready_s=ready,
        spoilt_s=spoilt,
        spoilt_by=found.closing_limit(0),
        target=target,
        window_probability=float(np.mean(found.exists[1:])),
        curve=curve,
        state_c=state,
        carry=carried,
        carries=otherwise,
        preheat_s=preheat_s(case.oven, case.set_c, room_c),
        options=_options(case, of, exists),
        notes=(*drawn.notes, *_notes(case, curve)),
        coldest_end_c=never,
    )


def _finite(value: float) -> float | None:
    return value if np.isfinite(value) else None


def limits_of(case: Case, drop_m: float | None = None, clearance_m: float | None = None) -> Limits:
    """Limits of a case's window; for the arguments and what is refused see `plan`."""
    if case.support == "tray" and (drop_m is not None or clearance_m is not None):
        raise InputError("a sheet on a tray does not drop: leave the drop out, or use support 'frame'")
    if case.opening_m is None or case.support == "tray":
        if drop_m is not None or clearance_m is not None:
            raise InputError("a drop needs the frame's opening: add the opening (diameter, or two sides)")
        return limits(case.polymer.forming)
    if not case.drops:
        if drop_m is not None or clearance_m is not None:
            raise InputError(
                f"polymer {case.polymer.id}: without [viscosity] the drop cannot be predicted: add it to the polymer's "
                "file, or ask for no drop"
            )
        return limits(case.polymer.forming)
    radius = equivalent_radius_m(case.opening_m)
    largest = VALID_RATIO * radius
    if drop_m is not None:
        if drop_m > largest:
            raise InputError(
                f"drop {drop_m * 1e3:g} mm is more than this opening allows: expected at most {largest * 1e3:.0f} mm, "
                f"{VALID_RATIO:g} times the clamp radius, beyond which the sheet hangs as a sack; take a larger opening"
            )
        largest = min(largest, LARGEST_DROP * drop_m)
    if clearance_m is not None:
        if drop_m is not None and clearance_m < drop_m:
            raise InputError(
                f"clearance {clearance_m * 1e3:g} mm is less than the wanted drop of {drop_m * 1e3:g} mm: "
                "expected more room than drop; raise the frame or want a smaller drop"
            )
        largest = min(clearance_m, VALID_RATIO * radius)
    return limits(case.polymer.forming, None if drop_m is None else drop_m / radius, largest / radius)


def _interval(times_s: Array) -> tuple[float | None, float | None]:
    low, high = np.quantile(times_s[1:], [0.05, 0.95], method="nearest")
    return _finite(float(low)), _finite(float(high))


def _target(found: Windows) -> Target:
    ready, spoilt = found.ready_s[1:], found.spoilt_s[1:]
    nominal_end = found.spoilt_s[0]
    last = min(float(np.max(ready[np.isfinite(ready)], initial=float(found.ready_s[0]))), float(nominal_end))
    times = np.linspace(float(found.ready_s[0]), max(last, float(found.ready_s[0])), 400)
    good = np.mean((ready[:, None] <= times) & (times < spoilt[:, None]), axis=0)
    sure = np.flatnonzero(good >= SURE)
    at = int(sure[0]) if len(sure) else int(np.argmax(good))
    return Target(float(times[at]), float(good[at]))


def _shown_until(case: Case, ready: float | None, spoilt: float | None, target: Target | None, until: float) -> float:
    """End of the curve: somewhat beyond what matters, without following a sheet for hours."""
    shown = [t for t in (ready, None if target is None else target.time_s) if t is not None]
    if not shown:
        # Never ready: an hour, in proportion longer above 6 mm, so that it has all but settled: that is at least seven
        # time constants rho c d / (h_upper + h_lower), radiation in h, even without a fan.
        return min(until, 3600.0 * max(1.0, case.gauge_m / 6e-3))
    end = 1.25 * max(shown)
    if spoilt is not None and spoilt < 2.5 * max(shown):
        end = max(end, 1.08 * spoilt)
    return min(until, end)


def _curve(case: Case, until_s: float) -> tuple[Curve, History]:
    history = record(slab(case), until_s)
    time = np.linspace(0.0, until_s, _CURVE_POINTS + 1)
    temperature = history.temperature_at(time)
    faces = oven_faces(case)
    drives = [faces.air.drive(np.array([t])) for t in time]
    drop = None
    if case.opening_m is not None and case.drops:
        ratio = history.drop_ratio_at(time)
        # Beyond the cap's validity the sheet is a sack and the number would be made up.
        drop = np.where(ratio <= VALID_RATIO, ratio, np.nan) * equivalent_radius_m(case.opening_m) * 1e3
    return (
        Curve(
            time_s=time,
            core_c=coldest_c(temperature),
            face_upper_c=temperature[0],
            face_lower_c=temperature[-1],
            air_c=np.array([float(np.mean(d.air + faces.air_offset_k)) for d in drives]),
            wall_c=np.array([float(d.wall_k4[0]) ** 0.25 - 273.15 for d in drives]),
            drop_mm=drop,
        ),
        history,
    )


def _options(case: Case, of: Limits, exists: bool) -> Options:
    if case.measured is not None:
        return Options(None, None, None)  # what was recorded cannot be set otherwise
    highest = advice.highest_set(case, of)
    if exists:
        return Options(highest, None, None)
    return Options(highest, advice.both_faces(case, of), advice.thickest_with_window(case, of))


def _notes(case: Case, curve: Curve) -> tuple[Note, ...]:
    notes = []
    hottest = float(max(curve.face_upper_c.max(), curve.face_lower_c.max()))
    for name, table in (
        ("conductivity", case.polymer.conductivity),
        ("heat capacity", case.polymer.heat_capacity),
        ("density", case.polymer.density),
    ):
        beyond = table.overreach_k(case.start_c, hottest)
        if beyond > _OVERREACH_K:
            words = f"The sheet leaves the {name} table of {case.polymer.id} by {{0}}; its last value is kept there"
            notes.append(Note(words, (difference(beyond),)))
    valid = case.oven.valid
    gauge_mm = case.gauge_m * 1e3
    if valid.set_c and not valid.set_c[0] <= case.set_c <= valid.set_c[1]:
        notes.append(
            Note(
                f"Set {{0}} {_OUTSIDE_CARD}",
                (temperature(case.set_c), temperature(valid.set_c[0]), temperature(valid.set_c[1])),
            )
        )
    if valid.gauge_mm and not valid.gauge_mm[0] <= gauge_mm <= valid.gauge_mm[1]:
        span = tuple(length(gauge * 1e-3) for gauge in valid.gauge_mm)
        notes.append(Note(f"Gauge {{0}} {_OUTSIDE_CARD}", (length(case.gauge_m), *span)))
    if case.opening_m is not None and case.support == "frame" and not case.drops:
        notes.append(Note(f"Polymer {case.polymer.id} has no [viscosity]: the drop is not predicted"))
    elif case.opening_m is not None and len(case.opening_m) == 2:
        notes.append(Note("Rectangular opening: the drop is that of the circle that sags alike; the short side rules"))
    return tuple(notes)
