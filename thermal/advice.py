"""What would make a window, or a better one, computed: set temperature, both faces, gauge."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from thermal.build import slab
from thermal.case import Case, Departures
from thermal.window import Limits, Windows, horizon_s, windows

Array = NDArray[np.float64]

#: A window of this length can be hit by a person who watches the sheet, s (our choice).
WANTED_S = 60.0
_SET_STEP_K = 1.0
_GAUGE_STEP_M = 0.5e-3
#: Search grid for advice: coarser than for the plan itself; widths to a few seconds are enough.
_INTERVALS = 12
_TOLERANCE_K = 0.03


@dataclass(frozen=True)
class Change:
    """One change and the window it gives (nominal values)."""

    set_c: float
    gauge_m: float
    support: str
    ready_s: float
    width_s: float


def by_set_temperature(case: Case, of: Limits) -> tuple[Array, Windows]:
    """Windows over set temperatures from below the core's minimum to far above the face's limit, 1 K apart."""
    low = max(20.0, np.floor(of.core_min_c - 15.0))
    sets = np.arange(low, of.face_max_c + 80.0, _SET_STEP_K)
    moved = sets - case.set_c
    return sets, _windows(case, of, Departures(set_k=moved, emitter_k=moved))


def highest_set(case: Case, of: Limits, wanted_s: float = WANTED_S) -> Change | None:
    """The highest set temperature with a window of at least `wanted_s`; None where no set temperature has one."""
    sets, found = by_set_temperature(case, of)
    good = np.flatnonzero(found.width_s >= wanted_s)
    if not len(good):
        return None
    return _change(case, found, int(good[-1]), set_c=float(sets[good[-1]]))


def thickest_with_window(case: Case, of: Limits, wanted_s: float = WANTED_S) -> Change | None:
    """The thickest gauge below the case's, in steps of half a millimetre, with a window of at least `wanted_s`."""
    gauges = np.arange(_GAUGE_STEP_M, case.gauge_m - 1e-9, _GAUGE_STEP_M)
    if not len(gauges):
        return None
    found = _windows(case, of, Departures(gauge=gauges / case.gauge_m))
    good = np.flatnonzero(found.width_s >= wanted_s)
    return _change(case, found, int(good[-1]), gauge_m=float(gauges[good[-1]])) if len(good) else None


def both_faces(case: Case, of: Limits, wanted_s: float = WANTED_S) -> Change | None:
    """The same sheet heated freely on both faces: off the tray, one face as well served as the other.

    Both ways are solved, both faces like the upper and both like the lower: which one heats better depends on h, air
    and emitters together. Of those that give a window of at least `wanted_s`, the one that is ready sooner; None
    where none does or both faces are already alike.
    """
    card = case.oven
    if case.support == "frame" and card.upper == card.lower:
        return None
    ways = [card.upper] if card.upper == card.lower else [card.upper, card.lower]
    changes = []
    for face in ways:
        even = replace(case, support="frame", oven=replace(card, upper=face, lower=face))
        changes.append(_change(even, _windows(even, of, Departures()), 0))
    return min((c for c in changes if c.width_s >= wanted_s), key=lambda c: c.ready_s, default=None)


def _windows(case: Case, of: Limits, by: Departures) -> Windows:
    gauge = float(np.max(np.asarray(by.gauge))) * case.gauge_m
    return windows(slab(case, by), of, horizon_s(gauge), _INTERVALS, _TOLERANCE_K)


def _change(
    case: Case, found: Windows, column: int, set_c: float | None = None, gauge_m: float | None = None
) -> Change:
    return Change(
        case.set_c if set_c is None else set_c,
        case.gauge_m if gauge_m is None else gauge_m,
        case.support,
        float(found.ready_s[column]),
        float(found.width_s[column]),
    )
