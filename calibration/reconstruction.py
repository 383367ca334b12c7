"""A heat as it was: the core from the door to the pull and the sheet at the pull, with their intervals, from all that
was measured.

The explanations that were found likely are heated once more at their posterior, each counting by its probability, and
followed beyond the pull, so that it can be said how long the sheet would still have needed.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from calibration import air
from calibration.alternative_fit import Fitted, walled
from calibration.estimate import Spread
from calibration.evidence import at_time, first_passed
from calibration.given import Given
from calibration.hanging import hung, watched
from calibration.members import DROP_ZERO, Batch, Members, names, profile_c, solve, together
from calibration.posterior import carried, design
from calibration.times import ahead
from thermal.case import Case
from thermal.sag import VALID_RATIO, equivalent_radius_m
from thermal.window import CORE_HOT, DROP_LARGE, TOO_LONG, Limits

Array = NDArray[np.float64]

#: After the pull sheets are followed for this share of the heat, at least so long, s.
_FOLLOWED, _FOLLOWED_S = 0.6, 300.0
#: Explanations less likely than this are left out.
_LEAST = 0.02
#: Sheets are pulled so far above the core's least when in time, and so far below when too early, on average, K
#: (exponential distributions; estimated).
IN_TIME_BY_K, EARLY_BY_K = 5.0, 8.0
#: Sheets whose core is this far above its least at the pull, K, are not followed beyond it.
_HARDLY_K = 2.0
#: Sheets as planned that are heated.
_PLANNED = 96


@dataclass(frozen=True)
class Course:
    """The coldest point over the heat: 5 %, median and 95 %, (3, times), °C."""

    time_s: Array
    core_c: Array


@dataclass(frozen=True)
class AtPull:
    """The sheet when it was pulled (or when the record ends).

    Attributes:
        time_s: s since it went in. core_c: coldest point. least_c: what it must have to be formed, as far as that is
        known of this sheet. above_k: coldest point above that least.
        hottest_c: hotter face; drop_mm: None where it is not predicted. drop_measured: see `hanging.hung`.
        dose: share of the allowed time at temperature that was used; None without one. hot_s: for how long the hotter
        face had the least temperature that the core must have, s. before_ready_s: how much earlier than its window
        opened it was pulled, s; negative: so long after; None: it may not have opened in what was followed. p_never:
        that it would not have, in the `followed_s` after the pull.
        p_early, p_late, p_face: that the core was below its least, that a limit of core, drop or time was passed, that
        a face was beyond its limit at any time. p_passed: that limit by limit, by the names of
        `thermal.window`, where there is one.
    """

    time_s: float
    core_c: Spread
    least_c: Spread
    above_k: Spread
    hottest_c: Spread
    drop_mm: Spread | None
    drop_measured: bool
    dose: Spread | None
    hot_s: Spread
    before_ready_s: Spread | None
    p_never: float
    followed_s: float
    p_early: float
    p_late: float
    p_face: float
    p_passed: Mapping[str, float]


@dataclass(frozen=True)
class Trajectories:
    """An explanation heated at its posterior: one column a member, each with `weight`."""

    fitted: Fitted
    members: Members
    weight: float


def trajectories(given: Given, fits: Sequence[tuple[Fitted, float]]) -> list[Trajectories]:
    """Heat explanations at their posterior and on beyond the pull.

    Args:
        fits: with their probabilities, the likeliest first; the first is kept whatever it is.
    """
    kept = [fits[0], *(one for one in fits[1:] if one[1] >= _LEAST)]
    total = sum(weight for _, weight in kept)
    heated = _heated(given, [one for one, _ in kept])
    return [Trajectories(one, members, weight / total) for (one, weight), members in zip(kept, heated, strict=True)]


def _heated(given: Given, several: Sequence[Fitted]) -> list[Members]:
    """Members of explanations at their posterior; what hangs is heated as one batch, and what lies flat."""
    time_s = _beyond(given) if any(_needed_more(one) for one in several) else given.time_s
    found: dict[int, Members] = {}
    for drops in (False, True):
        own = [i for i, one in enumerate(several) if _hanging(given, one).drops == drops]
        if own:
            batches = [_batch(given, several[i], time_s) for i in own]
            found |= dict(zip(own, together(batches, given.of, time_s, given.end_s), strict=True))
    return [found[i] for i in range(len(several))]


def _batch(given: Given, one: Fitted, time_s: Array) -> Batch:
    case = _hanging(given, one)
    heard = walled(air.heard(case, given.seen, time_s, given.end_s), one.alternative)
    stated, added = _in_frame(given, one, case, one.normals())
    return Batch(case, None if heard is None else [heard], stated, one.alternative.departures(added))


def _needed_more(one: Fitted) -> bool:
    """Whether the core had, in some member, hardly its least at the pull: only then it matters what came after."""
    core_c = carried(one.members.coldest_c[-1], one.xi, one.update.moved(one.xi))
    return bool(np.any(core_c < one.members.minimum_c + _HARDLY_K))


def _hanging(given: Given, one: Fitted) -> Case:
    """The sheet of an explanation, in its frame."""
    case = one.alternative.case(given.case)
    return replace(case, openings_s=(0.0, *air.doors_s(given.seen)), opening_m=given.opening_m)


def _in_frame(given: Given, one: Fitted, hanging: Case, rows: Array) -> tuple[Array, Array]:
    """Rows of a fit as the sheet in its frame has them, and those of the added unknowns.

    A heat that was fitted flat has no zero of the drop's sensor among its unknowns; nothing is measured by it then.
    """
    fitted, hung = names(one.alternative.case(given.case)), names(hanging)
    stated, added = rows[: len(fitted)], rows[len(fitted) :]
    return (np.insert(stated, hung.index(DROP_ZERO), 0.0, axis=0) if len(hung) > len(fitted) else stated), added


def _beyond(given: Given) -> Array:
    return np.concatenate([given.time_s, ahead(given.end_s, given.end_s + _followed_s(given.end_s))])


def _followed_s(end_s: float) -> float:
    return max(_FOLLOWED_S, _FOLLOWED * end_s)


def profile_at_pull(given: Given, one: Fitted) -> tuple[Array, float]:
    """Likeliest temperatures across the sheet at the end, °C, (nodes,), upper face first, and its drop ratio."""
    mean = one.update.proposal(one.proposal).mean
    case = _hanging(given, one)
    stated, added = _in_frame(given, one, case, mean[:, None])
    found = walled(given.heard, one.alternative)
    profile, drop = profile_c(case, found, stated[:, 0], given.time_s, given.end_s, one.alternative.departures(added))
    if watched(given) and one.members.drop_ratio is not None:
        # One sheet with everything at its mean may run away where those about it do not.
        its = one.normals()[: len(one.members.normals)]
        ratio, _ = hung(given, its, one.members.time_s, one.members.drop_ratio)
        return profile, float(np.median(ratio))
    # A bubble that is only predicted may have run away in the computing: its most was the technician's to watch.
    return profile, min(drop, VALID_RATIO if given.of.drop_max is None else given.of.drop_max)


def at_pull(given: Given, several: Sequence[Trajectories]) -> AtPull:
    """The state at the pull over all explanations."""
    weight = np.concatenate([np.full(one.members.normals.shape[1], one.weight) for one in several])
    weight /= weight.sum()
    parts = [_state(given, one.members) for one in several]
    joined = {
        name: np.concatenate([part[name] for part in parts]) for name in parts[0] if all(name in p for p in parts)
    }

    def spread(name: str) -> Spread | None:
        return _spread(joined[name], weight) if name in joined else None

    before = joined["before_ready"]
    core, least, above, hottest, hot = map(spread, ("core", "least", "above", "hottest", "hot"))
    assert core is not None
    assert least is not None
    assert above is not None
    assert hottest is not None
    assert hot is not None
    return AtPull(
        time_s=given.end_s,
        core_c=core,
        least_c=least,
        above_k=above,
        hottest_c=hottest,
        drop_mm=spread("drop"),
        drop_measured="measured" in joined and _share(joined["measured"] > 0.0, weight) > 0.5,
        dose=spread("dose"),
        hot_s=hot,
        before_ready_s=_spread(before, weight) if np.isfinite(before).mean() > 0.95 else None,
        p_never=_share(~np.isfinite(before), weight),
        followed_s=_followed_s(given.end_s),
        p_early=_share(joined["above"] < 0.0, weight),
        p_late=_share(joined["late"] > 0.0, weight),
        p_face=_share(joined["face"] > 0.0, weight),
        p_passed={
            limit: _share(joined[f"over {limit}"] > 0.0, weight)
            for limit in (CORE_HOT, DROP_LARGE, TOO_LONG)
            if f"over {limit}" in joined
        },
    )


@dataclass(frozen=True)
class Pulls:
    """How likely a pull at this moment is, 1/K, where it was in time, too early or too late, where a face was
    overheated by then, or both that and too early.

    A moment is no reading: how people choose it tells of the core too. Who pulls in time pulls soon after the core has
    its least; who pulls too early may be anywhere before it.
    """

    in_time: float
    early: float
    late: float
    face: float
    early_and_face: float


def early_share(given: Given, members: Members) -> float:
    """The share of members whose core had less than its least at the pull."""
    return float(np.mean(_state(given, members)["above"] < 0.0))


def pulls(given: Given, members: Members) -> Pulls:
    """The moment of the pull under one explanation, by its members."""
    state = _state(given, members)
    above, late, face = state["above"], state["late"] > 0.0, state["face"] > 0.0
    early = above < 0.0
    by_k = np.where(early, EARLY_BY_K, IN_TIME_BY_K)
    density = np.exp(-np.abs(above) / by_k) / by_k
    late &= ~early
    kinds = (~(early | late | face), early & ~face, late, face & ~late & ~early, early & face)
    return Pulls(*(float(np.mean(np.where(which, density, 0.0))) for which in kinds))


def pulls_as_planned(given: Given) -> Pulls:
    """The moment of the pull had the sheet been as stated in the oven as its card says, whatever was measured."""
    case = replace(given.case, opening_m=given.opening_m)
    time_s = _beyond(given)
    members = solve(case, given.of, None, design(len(names(case)), _PLANNED), time_s, given.end_s)
    return pulls(replace(given, seen=replace(given.seen, columns={})), members)


def _state(given: Given, members: Members) -> dict[str, Array]:
    """Quantities of every member at the pull, (members,)."""
    end = np.array([given.end_s])
    of: Limits = given.of

    def now(values: Array) -> Array:
        found: Array = at_time(members.time_s, values, end)[0]
        return found

    core = now(members.coldest_c)
    hotter = np.fmax(members.upper_c, members.lower_c)
    inside = members.time_s <= given.end_s + 1e-6
    found = {
        "core": core,
        "least": members.minimum_c,
        "above": core - members.minimum_c,
        "hottest": now(hotter),
        "face": np.max(hotter[inside], axis=0) - members.face_max_c,
        "hot": _time_above(members.time_s[inside], hotter[inside], of.core_min_c),
        "before_ready": first_passed(members.time_s, members.coldest_c, members.minimum_c) - given.end_s,
    }
    over = {CORE_HOT: core - members.core_max_c}
    if members.drop_ratio is not None and given.opening_m is not None:
        ratio, measured = hung(given, members.normals, members.time_s, members.drop_ratio)
        found["drop"] = ratio * equivalent_radius_m(given.opening_m) * 1e3
        found["measured"] = np.full_like(ratio, float(measured))
        # Nobody has seen a drop that is only predicted: its limit was the technician's to watch.
        if of.drop_max is not None and watched(given):
            over[DROP_LARGE] = ratio - of.drop_max
    if of.dose is not None:
        rate = of.dose.rate(np.nan_to_num(hotter[inside], nan=-200.0))
        used = np.sum(0.5 * (rate[1:] + rate[:-1]) * np.diff(members.time_s[inside])[:, None], axis=0)
        found["dose"] = used / of.dose.limit_s
        over[TOO_LONG] = found["dose"] - 1.0
    found |= {f"over {limit}": values for limit, values in over.items()}
    found["late"] = np.max(np.stack(list(over.values())), axis=0)
    return found


def _time_above(time_s: Array, values: Array, level: float) -> Array:
    """For how long each member was at a level or above, s, (members,), by straight lines between (times, members)."""
    over = np.nan_to_num(values, nan=-np.inf) - level
    first, last = over[:-1], over[1:]
    with np.errstate(invalid="ignore", divide="ignore"):
        crossing = np.fmax(first, last) / np.abs(last - first)
    part = np.where((first >= 0.0) & (last >= 0.0), 1.0, np.where((first < 0.0) & (last < 0.0), 0.0, crossing))
    found: Array = np.sum(np.nan_to_num(part) * np.diff(time_s)[:, None], axis=0)
    return found


def course(given: Given, several: Sequence[Trajectories]) -> Course:
    """The core over the heat with its interval."""
    weight = np.concatenate([np.full(one.members.normals.shape[1], one.weight) for one in several])
    inside = several[0].members.time_s <= given.end_s + 1e-6
    core_c = np.concatenate([one.members.coldest_c[inside] for one in several], axis=1)
    return Course(several[0].members.time_s[inside], np.stack([_quantiles(row, weight) for row in core_c], axis=1))


def _share(flags: NDArray[np.bool_], weight: Array) -> float:
    return float(weight[flags].sum())


def _spread(values: Array, weight: Array) -> Spread:
    low, middle, high = map(float, _quantiles(values, weight))
    return Spread(middle, low, high)


def _quantiles(values: Array, weight: Array) -> Array:
    """5 %, median and 95 % of weighted values, by straight lines between the middles of their weights."""
    order = np.argsort(values)
    place = np.cumsum(weight[order])
    place = (place - 0.5 * weight[order]) / place[-1]
    result: Array = np.interp([0.05, 0.5, 0.95], place, values[order])
    return result
