"""Members of an ensemble: sheets and ovens that might be the true ones, each heated through the whole heat so far and
on into what is to come.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from calibration.air import Heard, Stops, members_air
from thermal.build import slab
from thermal.case import NONE, Case, Departures
from thermal.conduction import TOLERANCE_K, Moment, march
from thermal.grid import coldest_c, natural_order
from thermal.history import record
from thermal.joined import joined
from thermal.slab import Slab
from thermal.surroundings import Air, OvenFaces
from thermal.uncertainty import departures, unknowns
from thermal.window import Limits

Array = NDArray[np.float64]

#: Intervals across the sheet: the error is that of the plan's grid within a few hundredths of a kelvin
#: (docs/numerics.md), far below what is uncertain.
INTERVALS = 12
#: Beyond the case's own unknowns: where a drop sensor has its zero, for a sheet that drops; then the air to come, the
#: other face's air where only one is measured, the answer times of the faces' sensors, and at how little left of its
#: crystals a sheet looks clear.
DROP_ZERO = "drop_zero"
EXTRAS = ("air_later", "air_apart", "lag_upper", "lag_lower", "clear")
#: A member is followed until it is ready and this much longer, s and in shares of that time, or spoilt; but beyond
#: the present moment at least as long as it may serve before members are heated anew, s and in shares of the heat.
_AFTER_READY_S, _AFTER_READY = 300.0, 0.35
_SERVES_S, _SERVES = 60.0, 0.1
#: A natural sheet looks clear when so little of its main melting range is left, give or take so many kelvin (both
#: estimated; that it turns clear when its core has melted is common practice, no source).
_CRYSTALS_SEEN = 0.05
_CLEAR_STD_K = 2.0


def served_s(at_s: float) -> float:
    """Until when members that were heated at a moment are all followed, s."""
    return at_s + max(_SERVES_S, _SERVES * at_s)


def names(case: Case) -> tuple[str, ...]:
    """What is uncertain about a live heat, by name, in the order of the members' normals."""
    return (*unknowns(case), *((DROP_ZERO,) if case.drops else ()), *EXTRAS)


def of_case(case: Case, normals: Array) -> Array:
    """The rows of the case's own unknowns, those that oven, sheet and polymer have."""
    return normals[: len(unknowns(case))]


@dataclass(frozen=True)
class Members:
    """Members and their heats on a grid of times.

    Attributes:
        normals: standard normal numbers behind each member, (unknowns, members).
        time_s: (times,), from 0. upper_c, lower_c, coldest_c: (times, members), °C, NaN where not followed.
        drop_ratio: drop over clamp radius, (times, members); None where it is not predicted.
        minimum_c, core_max_c, face_max_c: limits of each member, (members,), °C.
        clear_c: at this coldest temperature a natural sheet looks clear, (members,); None where it does not turn.
        kept: what was computed from these members once and is asked for every second.
    """

    normals: Array
    time_s: Array
    upper_c: Array
    lower_c: Array
    coldest_c: Array
    drop_ratio: Array | None
    minimum_c: Array
    core_max_c: Array
    face_max_c: Array
    clear_c: Array | None = None
    kept: dict[tuple[str, float], Array] = field(default_factory=dict, compare=False, repr=False)

    def columns(self, keep: slice | NDArray[np.intp]) -> Members:
        """Some of the members."""
        cut: dict[str, Any] = {
            name: None if (value := getattr(self, name)) is None else value[..., keep]
            for name in self.__dataclass_fields__
            if name not in ("time_s", "kept")
        }
        return replace(self, **cut, kept={})


class _OnGrid:
    """Keeps the state of each member at each time of the grid; done with one that has nothing more to tell."""

    def __init__(self, of: Limits, limits_c: Array, time_s: Array, now_s: float) -> None:
        self._time_s, self._of = time_s, of
        self._until_s = served_s(now_s)
        self.minimum, self.core_max, self.face_max = limits_c
        shape = (len(time_s), len(self.minimum))
        self.upper, self.lower, self.coldest = (np.full(shape, np.nan) for _ in range(3))
        self.drop = np.full(shape, np.nan)
        self._ready_s = np.full(shape[1], np.inf)
        self._natural: NDArray[np.intp] | None = None

    def see(self, moment: Moment) -> NDArray[np.bool_] | None:
        """See `Observer.see`."""
        place = np.searchsorted(self._time_s, moment.time_s - 1e-6)
        place = np.minimum(place, len(self._time_s) - 1)
        there = np.flatnonzero(np.abs(self._time_s[place] - moment.time_s) < 1e-6)
        if not len(there):
            return None
        if self._natural is None:
            self._natural = natural_order(len(moment.inward_c) - 1)
        whole = len(there) == len(moment.columns)
        columns = moment.columns if whole else moment.columns[there]
        inward_c = moment.inward_c if whole else moment.inward_c[:, there]
        profile = inward_c[self._natural]
        at = place[there], columns
        coldest = coldest_c(profile)
        self.upper[at], self.lower[at], self.coldest[at] = profile[0], profile[-1], coldest
        drop = moment.drop_ratio[there]
        self.drop[at] = drop
        return self._done(moment, there, columns, coldest, np.maximum(profile[0], profile[-1]), drop)

    def _done(
        self,
        moment: Moment,
        there: NDArray[np.intp],
        columns: NDArray[np.intp],
        coldest: Array,
        hotter: Array,
        drop: Array,
    ) -> NDArray[np.bool_]:
        time_s = moment.time_s[there]
        ready = coldest >= self.minimum[columns]
        if self._of.drop_min is not None:
            ready &= drop >= self._of.drop_min
        self._ready_s[columns] = np.where(ready, np.minimum(self._ready_s[columns], time_s), self._ready_s[columns])
        since = time_s - self._ready_s[columns]
        spoilt = (hotter >= self.face_max[columns]) | (coldest >= self.core_max[columns])
        if self._of.drop_max is not None:
            spoilt |= drop >= self._of.drop_max
        over = (since > _AFTER_READY_S + _AFTER_READY * self._ready_s[columns]) | (spoilt & (since >= 0.0))
        done = np.zeros(len(moment.columns), np.bool_)
        done[there] = over & (time_s > self._until_s)
        return done


def solve(
    case: Case,
    of: Limits,
    heard: Sequence[Heard] | None,
    normals: Array,
    time_s: Array,
    now_s: float,
    intervals: int = INTERVALS,
    tolerance_k: float = TOLERANCE_K,
    moved: Mapping[str, Array] | None = None,
) -> Members:
    """Heat every member from the door to the end of the grid, or until it has nothing more to tell.

    Args:
        case: without measured air of its own; with the door's openings. heard: air measured and carried on, on the
        same grid, each for an equal share of the members; None: each member's oven as its card and departures say.
        normals: (unknowns, members), see `names`. time_s: (times,), from 0, increasing. now_s: members are followed
        at least so far. intervals, tolerance_k: see `march`.
        moved: departures beyond the members' own, by name, (members,) each: factors multiply them, shifts add.
    """
    return together([Batch(case, heard, normals, moved or {})], of, time_s, now_s, intervals, tolerance_k)[0]


@dataclass(frozen=True)
class Batch:
    """Members of one case that are heated together with those of others; see `solve`."""

    case: Case
    heard: Sequence[Heard] | None
    normals: Array
    moved: Mapping[str, Array]


def together(
    batches: Sequence[Batch],
    of: Limits,
    time_s: Array,
    now_s: float,
    intervals: int = INTERVALS,
    tolerance_k: float = TOLERANCE_K,
) -> list[Members]:
    """Heat the members of several cases as one march, each as `solve` heats it alone; for the arguments see there.

    Args:
        batches: of sheets that all drop or all lie flat (`Case.drops`), all with measured air or all without.
    """
    problems, departed = zip(*(_problem(one) for one in batches), strict=True)
    problem = _stopping(joined(problems), time_s) if batches[0].heard is None else joined(problems)
    limits_c = [_limits_c(of, by, one.batch) for by, one in zip(departed, problems, strict=True)]
    keeper = _OnGrid(of, np.concatenate(limits_c, axis=1), time_s, now_s)
    march(problem, float(time_s[-1]), keeper, intervals, tolerance_k)
    ends = np.cumsum([one.batch for one in problems])
    return [
        _kept(keeper, one, by, time_s, slice(end - part.batch, end))
        for one, by, part, end in zip(batches, departed, problems, ends, strict=True)
    ]


def _kept(keeper: _OnGrid, one: Batch, by: Departures, time_s: Array, own: slice) -> Members:
    """One batch's members, of all that were heated together."""
    upper, lower, coldest, drop = (
        np.ascontiguousarray(values[:, own]) for values in (keeper.upper, keeper.lower, keeper.coldest, keeper.drop)
    )
    return Members(
        one.normals,
        time_s,
        upper,
        lower,
        coldest,
        drop if one.case.drops else None,
        keeper.minimum[own],
        keeper.core_max[own],
        keeper.face_max[own],
        _clear_c(one.case, by, one.normals[-1]),
    )


def _limits_c(of: Limits, by: Departures, batch: int) -> Array:
    """Least core, most core and hottest face of each member, °C, (3, batch)."""
    stated = (of.core_min_c, by.core_min_k), (of.core_max_c, by.core_max_k), (of.face_max_c, by.face_max_k)
    return np.stack([np.broadcast_to(value + np.asarray(shift, float), (batch,)) for value, shift in stated])


def _problem(one: Batch) -> tuple[Slab, Departures]:
    """Sheets in their air, and by how much they depart from what is stated."""
    by = further(departures(one.case, of_case(one.case, one.normals)), one.moved)
    problem = slab(one.case, by)
    if one.heard is None:
        return problem, by
    later, apart = one.normals[-len(EXTRAS)], one.normals[1 - len(EXTRAS)]
    return _in_air(problem, members_air(one.case, one.heard, by, later, apart)), by


def _stopping(problem: Slab, time_s: Array) -> Slab:
    """The same, with a stop at every time; measured air stops there by itself."""
    return _in_air(problem, Stops(problem.surroundings.air, time_s))


def _in_air(problem: Slab, air: Air) -> Slab:
    assert isinstance(problem.surroundings, OvenFaces)
    return replace(problem, surroundings=replace(problem.surroundings, air=air))


def further(by: Departures, moved: Mapping[str, Array]) -> Departures:
    """Departures with others on top: factors multiply them, shifts add; by name, (members,) each."""
    changed = {
        name: getattr(by, name) * other if getattr(NONE, name) == 1.0 else getattr(by, name) + other
        for name, other in moved.items()
    }
    return replace(by, **changed)


def profile_c(
    case: Case,
    heard: Heard | None,
    normals: Array,
    time_s: Array,
    at_s: float,
    moved: Mapping[str, Array] | None = None,
) -> tuple[Array, float]:
    """Temperatures across one sheet at a moment, °C, (nodes,), upper face first, and its drop over the clamp radius.

    Args:
        normals: of this one sheet, (unknowns,). For the others see `solve`.
    """
    problem, _ = _problem(Batch(case, None if heard is None else [heard], normals[:, None], moved or {}))
    history = record(_stopping(problem, time_s) if heard is None else problem, at_s)
    moment = np.array([at_s])
    return history.temperature_at(moment)[:, 0], float(history.drop_ratio_at(moment)[0])


def _clear_c(case: Case, by: Departures, normal: Array) -> Array | None:
    main = case.polymer.main_melting
    if main is None or not case.polymer.clears_when_melted or case.colour != "natural":
        return None
    # Share of a triangle beyond T: (end - T)2/((end - onset)(end - peak)) between peak and end.
    below_k = np.sqrt(_CRYSTALS_SEEN * (main.end_c - main.onset_c) * (main.end_c - main.peak_c))
    clear_c: Array = main.end_c - below_k + by.melting_k + _CLEAR_STD_K * normal
    return clear_c
