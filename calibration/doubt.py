"""Readings that cannot be true are set aside, with the reason: they are not believed, and not lost.

Four rules on the readings alone (all ours): an air colder than the sheet it heats (`crosswise`); a face hotter than
anything around it; a reading that stands still to the last digit while another moves; a jump that no sheet can make.
What is set aside comes back by itself when it is plausible again, or when a person says so.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from calibration.crosswise import crosswise
from calibration.observed import AIR, FACES, USED, Observed
from thermal.build import steady_wall_c
from thermal.case import Case
from thermal.heat import role_of

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]

#: A face may read this far above the hottest air or wall about it, K: what two sensors are off by.
_HOTTER_K = 8.0
#: ... and by so much it is no oven's air on a face's plug either, K.
_NO_OVEN_K = 30.0
#: The same number for this long, s, or so long for each kelvin of the reading's step, s/K, while another moved by so
#: much, K: a sheet that melts warms by a hundredth of a kelvin a second or two.
_STILL_S, _STILL_S_K, _MOVED_K = 60.0, 150.0, 3.0
#: A recorder gives no value any more once a channel stood still for 30 s: what it gave until then is as false, s.
_GIVEN_UP_S = 25.0
#: A reading's step is at most so much, K: beyond it readings that are few, or far apart, look like a coarse sensor.
_COARSEST_K = 1.0
#: A face's change from one reading to the next, K, beyond so many K a second: neither sheet nor sensor is as quick.
_JUMP_K, _JUMP_K_S = 12.0, 4.0
#: After a jump a face is believed again once it has come back to this near of where it was, K, or after this long, s.
_BACK_K, _BACK_S = 6.0, 600.0
#: A reading set aside within this time is reported, s.
_REPORTED_S = 10.0

HOTTER = "hotter than anything around it"
STILL = "stands still while others move"
JUMPED = "jumped as no sheet can: loose?"


@dataclass(frozen=True)
class Believed:
    """What counts of a heat so far.

    Attributes:
        seen: with the readings that are set aside as gaps. reasons: column and reason, of what is set aside now.
    """

    seen: Observed
    reasons: tuple[tuple[str, str], ...]


def believed(case: Case, seen: Observed, trusted: frozenset[str] = frozenset()) -> Believed:
    """Set aside what cannot be true; columns in `trusted` are taken as they are."""
    columns = dict(seen.columns)
    reasons: dict[str, str] = {}
    for name, reason, wrong in _wrong(case, seen):
        if name in trusted:
            continue
        columns[name] = np.where(wrong, np.nan, columns[name])
        if wrong[seen.time_s > seen.time_s[-1] - _REPORTED_S].any():
            reasons.setdefault(name, reason)
    return Believed(replace(seen, columns=columns), tuple(reasons.items()))


@dataclass(frozen=True)
class SetAside:
    """Readings of a column that are not believed: from when to when, s, why, and how long in all, s."""

    column: str
    reason: str
    from_s: float
    to_s: float
    lasting_s: float


def set_aside(case: Case, seen: Observed) -> list[SetAside]:
    """What is not believed of a whole heat, the longest first; stretches of a reason in a column count as one."""
    found = []
    for name, reason, wrong in _wrong(case, seen):
        if (at := seen.time_s[wrong & (seen.time_s >= 0.0)]).size:
            lasting_s = len(at) * float(np.median(np.diff(seen.time_s))) if len(seen.time_s) > 1 else 0.0
            found.append(SetAside(name, reason, float(at[0]), float(at[-1]), lasting_s))
    return sorted(found, key=lambda one: one.from_s - one.to_s)


def _wrong(case: Case, seen: Observed) -> list[tuple[str, str, Flags]]:
    """Column, reason, and which of its readings it speaks against, (n,).

    What is hotter than the oven is no air on a face's plug; and what is on another's plug is judged no further: back on
    its own, it makes a leap that is none.
    """
    if not len(seen.time_s):
        return []
    faces = [name for role in FACES for name in seen.of_role(role)]
    # An oven that is somewhat hotter than its card says is air all the same.
    elsewhere = crosswise(case, _without(seen, {name: _hotter(case, seen, name, _NO_OVEN_K) for name in faces}))
    found = [(name, HOTTER, _hotter(case, seen, name, _HOTTER_K)) for name in faces]
    found = [(name, why, wrong & ~elsewhere[name][1] if name in elsewhere else wrong) for name, why, wrong in found]
    found += [(name, reason, wrong) for name, (reason, wrong) in elsewhere.items()]
    seen = _without(seen, {name: wrong for name, (_, wrong) in elsewhere.items()})
    for name, values in seen.columns.items():
        found += [(name, reason, wrong) for reason, wrong in _of_itself(seen, name, values)]
    return found


def _without(seen: Observed, wrong: Mapping[str, Flags]) -> Observed:
    columns = {name: np.where(wrong[name], np.nan, v) if name in wrong else v for name, v in seen.columns.items()}
    return replace(seen, columns=columns)


def _hotter(case: Case, seen: Observed, name: str, by_k: float) -> Flags:
    """Where a face is hotter than anything around it by more than so much, K; under emitters it may be."""
    if case.oven.kind != "convection":
        return np.zeros(len(seen.time_s), np.bool_)
    hotter: Flags = seen.columns[name] > _hottest(case, seen) + by_k
    return hotter


def _of_itself(seen: Observed, name: str, values: Array) -> list[tuple[str, Flags]]:
    role = role_of(name)
    found = []
    if role in USED and role != "drop_mm":
        found.append((STILL, _still(seen, name, values)))
    if role in FACES:
        found.append((JUMPED, _jumped(seen.time_s, values)))
    return found


def _hottest(case: Case, seen: Observed) -> Array:
    """The hottest of air and walls at each time, °C; the walls as the card says where they were not measured."""
    around = [seen.columns[name] for role in (*AIR, "wall_c") for name in seen.of_role(role)]
    walls = np.full(len(seen.time_s), steady_wall_c(case.oven, case.set_c))
    hottest: Array = np.fmax.reduce([walls, *around])
    return hottest


def _still(seen: Observed, name: str, values: Array) -> Flags:
    """Readings of a run of equal numbers that is too long while another temperature moved; the whole run but its
    first reading. The air and the walls of a steady oven stand still, whatever the sheet does: they are held against
    each other only.
    """
    wrong = np.zeros(len(values), np.bool_)
    known = np.flatnonzero(np.isfinite(values))
    if len(known) < 2:
        return wrong
    bounds = np.flatnonzero(np.diff(values[known]) != 0.0) + 1
    firsts, lasts = known[np.append(0, bounds)], known[np.append(bounds, len(known)) - 1]
    step_k = min(float(np.min(np.diff(np.unique(values[known])), initial=np.inf)), _COARSEST_K)
    movers = (*AIR, "wall_c") if role_of(name) not in FACES else (*AIR, *FACES, "wall_c")
    lasted_s = seen.time_s[lasts] - seen.time_s[firsts]
    for one in np.flatnonzero(lasted_s >= max(_GIVEN_UP_S, _STILL_S_K * step_k)):
        if lasted_s[one] < _STILL_S and not _given_up(seen, values, int(lasts[one])):
            continue
        run = slice(firsts[one], lasts[one] + 1)
        others = [v[run] for n, v in seen.columns.items() if n != name and role_of(n) in movers]
        if any(np.nanmax(v) - np.nanmin(v) > _MOVED_K for v in others if np.isfinite(v).any()):
            wrong[run.start + 1 : run.stop] = True
    return wrong


def _given_up(seen: Observed, values: Array, last: int) -> bool:
    """Whether a column has no reading after this row, and another one has."""
    after = last + 1
    if after >= len(values) or np.isfinite(values[after]):
        return False
    return any(np.isfinite(other[after]) for other in seen.columns.values())


def _jumped(time_s: Array, values: Array) -> Flags:
    """Readings from a jump on until they are back near where it began."""
    wrong = np.zeros(len(values), np.bool_)
    known = np.flatnonzero(np.isfinite(values) & (time_s >= 0.0))
    if len(known) < 2:
        return wrong
    step_k, step_s = np.abs(np.diff(values[known])), np.diff(time_s[known])
    jumps = known[1:][(step_k > _JUMP_K + _JUMP_K_S * step_s) & (step_s < _BACK_S)]
    resumed = -1
    for at in jumps:
        if at <= resumed:
            continue
        before = values[known[np.searchsorted(known, at) - 1]]
        after = known[known >= at]
        back = after[(np.abs(values[after] - before) < _BACK_K) | (time_s[after] - time_s[at] > _BACK_S)]
        resumed = int(back[0]) if len(back) else len(values)
        wrong[at:resumed] = True
    return wrong
