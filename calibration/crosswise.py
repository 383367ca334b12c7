"""Air that reads colder than the sheet it heats, which no convection oven does for long: either the plugs of the two
are swapped, or the air's sensor is where no oven air is.

Swapped, the face's channel reads the oven: hot from the sheet's first second on, or from a leap on where somebody
changed the plugs meanwhile. An air sensor that hangs out of the oven leaves the face's channel what it was: cold at
first, and without a leap. (Both rules are ours.)
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from calibration.observed import AIR, FACES, Observed
from thermal.build import steady_air_c
from thermal.case import Case

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]

#: A face above an air by so much, K, for so long, s: a door's fall of the air lasts less (as the recorder's remark).
_ABOVE = ((60.0, 20.0), (15.0, 240.0))
#: What reads no lower than this below the oven's steady air, K, while a sheet goes in, reads the oven.
_OVEN_K = 90.0
#: ... and a record that begins later than this does not say what it read then, s.
_BEGINS_S = 30.0
#: A face that leaps by more than this from one reading to the next, K, is on another plug.
_LEAP_K = 12.0

SWAPPED = "are the two plugs swapped?"
OUTSIDE = "colder than the sheet: is it in its place?"


def crosswise(case: Case, seen: Observed) -> dict[str, tuple[str, Flags]]:
    """Columns whose readings are not what their names say: the reason, and which of them, (n,).

    Of several pairs that share a sensor the one that is furthest apart is meant.
    """
    found: dict[str, tuple[str, Flags]] = {}
    for _, face, air, apart in sorted(_apart(case, seen), key=lambda one: -one[0]):
        if face in found or air in found:
            continue
        swapped, outside = np.zeros(len(apart), np.bool_), np.zeros(len(apart), np.bool_)
        for run in _runs(seen.columns[face] - seen.columns[air], apart):
            (swapped if _reads_the_oven(case, seen, face, air, run) else outside)[run] = True
        outside &= ~_all_fell(seen, air, outside)
        if swapped.any():
            found[face] = found[air] = (SWAPPED, swapped)
        elif outside.any():
            found[air] = (OUTSIDE, outside)
    return found


def _all_fell(seen: Observed, air: str, outside: Flags) -> Flags:
    """Where the oven itself is so cold, a door that stands open: every other air is as cold, or the only one came down
    to it in the course of the heat without a leap.
    """
    others = [seen.columns[name] for role in AIR for name in seen.of_role(role) if name != air]
    if others:
        warmest = np.fmax.reduce(others)
        fell: Flags = ~np.isfinite(warmest) | (warmest - seen.columns[air] < _ABOVE[1][0])
        return fell
    rows = np.flatnonzero(outside)
    before = np.flatnonzero(np.isfinite(seen.columns[air])[: rows[0]]) if len(rows) else rows
    leapt = len(before) and seen.columns[air][before[-1]] - seen.columns[air][rows[0]] > _LEAP_K
    return np.full(len(outside), bool(len(before)) and not leapt)


def _apart(case: Case, seen: Observed) -> Iterator[tuple[float, str, str, Flags]]:
    """Pairs of a face and an air that is too cold for it: by how much at most, their columns, and where, (n,)."""
    if case.oven.kind != "convection":  # emitters may heat a sheet beyond its air
        return
    for face in (name for role in FACES for name in seen.of_role(role)):
        for air in (name for role in AIR for name in seen.of_role(role)):
            above = seen.columns[face] - seen.columns[air]
            apart = np.zeros(len(above), np.bool_)
            for least_k, least_s in _ABOVE:
                apart |= _lasting(seen.time_s, above, least_k, least_s)
            if apart.any():
                yield float(np.max(above[apart])), face, air, apart


def _lasting(time_s: Array, above: Array, least_k: float, least_s: float) -> Flags:
    """Where a difference is larger than so much for at least so long; gaps do not count against it."""
    known = np.flatnonzero(np.isfinite(above))
    lasts = np.zeros(len(above), np.bool_)
    for part in _parts(above[known] > least_k):
        rows = known[part]
        if time_s[rows[-1]] - time_s[rows[0]] >= least_s:
            lasts[rows] = True
    return lasts


def _runs(above: Array, apart: Flags) -> Iterator[slice]:
    """Rows in which the face is above the air at all, wherever it is so by too much for too long."""
    known = np.flatnonzero(np.isfinite(above))
    for part in _parts(above[known] > 0.0):
        rows = known[part]
        if apart[rows].any():
            yield slice(int(rows[0]), int(rows[-1]) + 1)


def _parts(holds: Flags) -> list[slice]:
    """Stretches in which something holds."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], holds, [False]]).astype(np.int8)))
    return [slice(int(first), int(end)) for first, end in zip(edges[::2], edges[1::2], strict=True)]


def _reads_the_oven(case: Case, seen: Observed, face: str, air: str, run: slice) -> bool:
    """Whether the face's channel reads air within a run."""
    values, known = seen.columns[face], np.isfinite(seen.columns[face] - seen.columns[air])
    inside = known & (seen.time_s >= 0.0)
    before = np.flatnonzero(inside[: run.start])
    if len(before):
        return bool(values[run.start] - values[before[-1]] > _LEAP_K)
    rows = np.arange(run.start, run.stop)
    rows = rows[inside[rows]] if inside[rows].any() else rows[known[rows]]
    if seen.time_s[rows[0]] > _BEGINS_S:
        return False  # how hot it was as the sheet went in is not on record
    return bool(np.min(values[rows]) >= steady_air_c(case.oven, case.set_c) - _OVEN_K)
