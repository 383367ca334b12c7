"""Alternatives fitted to one heat: each is an ensemble of its own, conditioned on the same readings, and judged by how
likely it makes them (`posterior.log_evidence`).

All alternatives are heated as one batch, whatever their sheets are of. They begin where the live estimate ended, with
what they add as wide as its prior (narrower for a bubble), and are heated anew from their own posterior until the two
agree.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from calibration import air, posterior, times
from calibration.air import Heard
from calibration.alternatives import Alternative, Fault
from calibration.evidence import CLEAR, LINE_S, LINES, Evidence, evidence, first_passed
from calibration.members import Batch, Members, names, solve, together
from calibration.observed import FACES, Observed
from calibration.posterior import Proposal, Update
from thermal.case import Case
from thermal.fields import InputError
from thermal.heat import role_of
from thermal.window import Limits

Array = NDArray[np.float64]

#: A bubble bends: what is added begins in so much of its prior's width about what is stated, and goes on from there.
_NEAR = 0.3
#: An ensemble has so many members, or twice its unknowns.
MEMBERS = 96
#: An alternative is done when members and posterior agree (see `Update.far`), or when its evidence (logarithm) has not
#: moved by more than the second from one round to the next and its posterior by no more than the third; most rounds.
_FAR, _STANDS, _AT_REST, ROUNDS = 0.35, 0.3, 1.0, 6
#: After the second round, alternatives this far below the best (logarithm) are given up; after the third where the
#: second left them further than this from their posterior.
_HOPELESS, _MOVING = 14.0, 5.0
#: One this far below the best, with an evidence that moves no more than this, can neither win nor count: it is left.
_BEHIND, _SLOW = 6.0, 1.5
#: A loose sensor reads this share of the air, give or take, and wanders by so much, K, for so long, s (estimated).
_SHARE, _SHARE_STD, _LOOSE_K, _LOOSE_S = 0.4, 0.3, 3.0, 60.0
#: At this drop over clamp radius a sheet has thinned by a tenth (area stretch 1 + s2).
_THIN = 0.32
#: A mark that an alternative has no place for counts as so many of its standard deviations.
_IMPOSSIBLE = 6.0
#: A drifting sensor is off by so much at the end of the heat, K (estimated).
_DRIFT_K = 10.0


@dataclass(frozen=True)
class Given:
    """A heat as alternatives are fitted to it.

    Attributes:
        case, of: as stated; fitted flat where nobody saw the bubble. seen: what is believed of it.
        line_mm: what each drop line stands for. time_s: times at which members are compared with readings, from 0 to
        the end. heard: the measured air at these times. opening_m: the frame's, for what is followed after the fit.
        hangs: whether the bubble was seen.
    """

    case: Case
    of: Limits
    seen: Observed
    line_mm: Mapping[str, float]
    time_s: Array
    heard: Heard | None
    opening_m: tuple[float, ...] | None
    hangs: bool

    @property
    def end_s(self) -> float:
        """The last moment, s."""
        return float(self.time_s[-1])


def given(case: Case, of: Limits, seen: Observed, line_mm: Mapping[str, float], end_s: float) -> Given:
    """A heat up to its end, s, ready to be fitted.

    Args:
        seen: what is believed of it; what came after the end is left out.

    A bubble that nobody saw runs away in some members and not in others, which no regression over them describes. Such
    a heat is fitted flat, with the faces' readings up to where the sheet as stated would have begun to thin.
    """
    known = seen.until(end_s)
    known = replace(known, events=tuple(event for event in known.events if event.time_s < end_s))
    hangs = bool(known.of_role("drop_mm")) or any(event.name in LINES for event in known.events)
    time_s = times.past(end_s, air.doors_s(known), times.widest_s(end_s, case.drops and hangs))
    if not case.drops or hangs:
        found = air.heard(case, known, time_s, end_s)
        return Given(case, of, known, line_mm, time_s, found, case.opening_m, hangs and case.drops)
    thins_s = _thins_s(case, of, known, time_s)
    columns = {
        name: np.where(known.time_s > thins_s, np.nan, values) if role_of(name) in FACES else values
        for name, values in known.columns.items()
    }
    flat, found = replace(case, opening_m=None), air.heard(case, known, time_s, end_s)
    limits, seen = replace(of, drop_min=None, drop_max=None), replace(known, columns=columns)
    return Given(flat, limits, seen, line_mm, time_s, found, case.opening_m, False)


def _thins_s(case: Case, of: Limits, seen: Observed, time_s: Array) -> float:
    """When the sheet as stated begins to thin, s."""
    found = air.heard(case, seen, time_s, float(time_s[-1]))
    asked = replace(case, openings_s=(0.0, *air.doors_s(seen)))
    members = solve(
        asked, of, None if found is None else [found], np.zeros((len(names(case)), 1)), time_s, float(time_s[-1])
    )  # fmt: skip
    assert members.drop_ratio is not None
    return float(first_passed(time_s, members.drop_ratio, _THIN)[0])


@dataclass(frozen=True)
class Beside:
    """What was measured beside what an alternative leaves of it: a column or mark, s, and its unit; (readings,).

    `off`: measured - predicted, in standard deviations of the measuring, each reading by itself.
    """

    name: str
    at_s: Array
    measured: Array
    predicted: Array
    off: Array


@dataclass(frozen=True)
class Fitted:
    """An alternative after its last round.

    Attributes:
        members, xi: heated at the design's points of `proposal`; update: what the evidence says of them.
        log_evidence: see `posterior.log_evidence`. misfit: root mean square of the evidence's departures in their
        own standard deviations; None without evidence.
        moved: of each added unknown, mean and standard deviation in its own unit (logarithm for factors).
        beside: by column and mark. settled: whether members and posterior agree. left: squares of readings and
        unknowns in their standard deviations beyond the readings' number: about none where the readings are explained.
    """

    alternative: Alternative
    proposal: Proposal
    members: Members
    xi: Array
    update: Update
    log_evidence: float
    misfit: float | None
    moved: tuple[tuple[float, float], ...]
    beside: tuple[Beside, ...]
    settled: bool
    left: float

    @property
    def weight(self) -> float:
        """Logarithm of evidence times prior."""
        return self.log_evidence + self.alternative.log_prior

    def normals(self) -> Array:
        """Members of the posterior, (unknowns, members)."""
        return self.proposal.members(self.update.moved(self.xi))


def fit(given: Given, tried: Sequence[Alternative], start: Proposal, rounds: int = ROUNDS) -> list[Fitted]:
    """Fit alternatives, best first.

    Args:
        start: posterior of the heat as stated, in the unknowns of `members.names`.
    """
    proposals = [_start(given, one, start) for one in tried]
    done: dict[int, Fitted] = {}
    highest: dict[int, float] = {}
    moved: dict[int, float] = {}
    for number in range(rounds):
        waiting = [i for i in range(len(tried)) if i not in done or not done[i].settled]
        # The first round, from so far, may be off by hundreds. What bends may be thrown far off by one round: its best
        # round counts.
        if number > 1:
            best = max((one.weight for one in done.values() if one.settled or not given.hangs), default=-np.inf)
            waiting = [
                i
                for i in waiting
                if (highest[i] > best - _HOPELESS or (number == 2 and done[i].update.far() > _MOVING))
                and not (done[i].weight < best - _BEHIND and moved[i] < _SLOW)
            ]
        if not waiting:
            break
        for i, one in _round(given, [(i, tried[i], proposals[i]) for i in waiting]):
            if i in done:
                moved[i] = abs(one.log_evidence - done[i].log_evidence)
            stands = moved.get(i, np.inf) < _STANDS and one.update.far() < _AT_REST
            done[i] = replace(one, settled=one.settled or stands)
            highest[i] = max(highest.get(i, -np.inf), one.weight)
            proposals[i] = one.update.proposal(one.proposal)
    return sorted(done.values(), key=lambda one: -one.weight)


def _start(given: Given, one: Alternative, start: Proposal) -> Proposal:
    """What the heat as stated left, with the added unknowns at their prior, or nearer to what is stated for a bubble;
    another polymer begins at its own.
    """
    extra = len(one.moves)
    stated = len(names(one.case(given.case)))
    if stated != len(start.mean) or any(cause.polymer is not None for cause in one.causes):
        return posterior.prior(stated + extra)
    factor = np.eye(stated + extra) * (_NEAR if given.hangs else 1.0)
    factor[:stated, :stated] = start.factor
    return Proposal(np.concatenate([start.mean, np.zeros(extra)]), factor)


@dataclass(frozen=True)
class _Waiting:
    place: int
    alternative: Alternative
    proposal: Proposal
    xi: Array
    normals: Array


@lru_cache(maxsize=8)
def _design(unknowns: int) -> Array:
    return posterior.design(unknowns, max(MEMBERS, 2 * unknowns))


def _round(given: Given, asked: Sequence[tuple[int, Alternative, Proposal]]) -> list[tuple[int, Fitted]]:
    """Heat all that are asked once and condition them."""
    waiting = []
    for place, one, proposal in asked:
        xi = _design(len(proposal.mean))
        waiting.append(_Waiting(place, one, proposal, xi, proposal.members(xi)))
    found = []
    for drops in (False, True):
        # A polymer of no known viscosity hangs no bubble; the two kinds of sheet do not march as one.
        group = [one for one in waiting if one.alternative.case(given.case).drops == drops]
        found += _fitted(given, group)
    return found


def _fitted(given: Given, group: Sequence[_Waiting]) -> list[tuple[int, Fitted]]:
    """All of a group, heated as one batch; where that fails, each polymer by itself."""
    try:
        several = _heated(given, group)
        return [(one.place, _conditioned(given, one, its)) for one, its in zip(group, several, strict=True)]
    except (InputError, ArithmeticError):
        parts: dict[str, list[_Waiting]] = {}
        for one in group:
            parts.setdefault(one.alternative.case(given.case).polymer.id, []).append(one)
        if len(parts) > 1:
            return [fitted for part in parts.values() for fitted in _fitted(given, part)]
        if given.case.polymer.id in parts:
            raise
        return []  # a polymer that cannot be heated so is no explanation


def _heated(given: Given, group: Sequence[_Waiting]) -> list[Members]:
    """Members of alternatives, heated as one batch; faults of sensors move nothing: what heats alike from one proposal
    is heated once.
    """
    unique = {_key(given, one): one for one in group}
    if not unique:
        return []
    solved = together([_batch(given, one) for one in unique.values()], given.of, given.time_s, given.end_s)
    parts = dict(zip(unique, solved, strict=True))
    return [parts[_key(given, one)] for one in group]


def _batch(given: Given, one: _Waiting) -> Batch:
    """What is heated for one alternative."""
    case = replace(one.alternative.case(given.case), openings_s=(0.0, *air.doors_s(given.seen)))
    stated = len(names(case))
    found = walled(given.heard, one.alternative)
    return Batch(
        case, None if found is None else [found], one.normals[:stated], _added(one.alternative, one.normals[stated:])
    )


def _added(one: Alternative, rows: Array) -> dict[str, Array]:
    """Departures behind the added unknowns, (added, members), by name, (members,) each."""
    found: dict[str, Array] = {}
    for move, row in zip(one.moves, rows, strict=True):
        for name, value in move.values(row).items():
            before = found.get(name)
            found[name] = value if before is None else before * value if move.factor else before + value
    return found


def _key(given: Given, one: _Waiting) -> bytes:
    case = one.alternative.case(given.case)
    heating = (case.polymer.id, case.film, case.oven.tray, one.alternative.moves, one.alternative.walls_below_k)
    return one.normals.tobytes() + repr(heating).encode()


def walled(found: Heard | None, one: Alternative) -> Heard | None:
    """The measured air, with walls that had not caught up where the alternative says so."""
    if found is None or not one.walls_below_k:
        return found
    # An air that came up late by so much leaves the walls, which follow it, below their balance.
    before_s = np.array([-1.0, -0.01])
    return replace(found, before_s=before_s, before_c=np.full(2, _mean_c(found) - one.walls_below_k))


def _mean_c(found: Heard) -> float:
    return float(0.5 * (found.upper_c[-1] + found.lower_c[-1]))


def _conditioned(given: Given, waiting: _Waiting, members: Members) -> Fitted:
    one, xi = waiting.alternative, waiting.xi
    found = evidence(one.case(given.case), one.seen(given.seen), members, given.line_mm)
    for cause in one.causes:
        if cause.fault is not None:
            found = [_faulty(given, each, cause.fault) for each in found]
    white = [posterior.whitened(xi, each) for each in found]
    update = posterior.update(waiting.proposal, white)
    readings = sum(len(each.measured) for each in found)
    squares = sum(update.misfit[each.name] ** 2 * len(each.measured) for each in found)
    missing = _marks(given) - {each.name for each in found}
    return Fitted(
        alternative=one,
        proposal=waiting.proposal,
        members=members,
        xi=xi,
        update=update,
        log_evidence=posterior.log_evidence(waiting.proposal, white, update) - _unlikely() * len(missing),
        misfit=float(np.sqrt(squares / readings)) if readings else None,
        moved=_sizes(one, waiting.proposal, update),
        beside=tuple(_beside(each, xi, update) for each in found),
        settled=update.far() < _FAR,
        left=squares - readings + float(np.sum((waiting.proposal.mean + waiting.proposal.factor @ update.shift) ** 2)),
    )


def _marks(given: Given) -> set[str]:
    """Marks of which every alternative must say when they were due."""
    known = {CLEAR} if given.case.polymer.clears_when_melted and given.case.colour == "natural" else set()
    if given.case.drops:
        known |= set(LINES) & given.line_mm.keys()
    return {event.name for event in given.seen.events} & known


def _unlikely() -> float:
    return float(0.5 * _IMPOSSIBLE**2 + np.log(LINE_S))


def _beside(one: Evidence, xi: Array, update: Update) -> Beside:
    predicted = posterior.carried(one.predicted, xi, update.moved(xi)).mean(axis=1)
    off = (one.measured - predicted) / np.sqrt(np.diag(one.covariance))
    return Beside(one.name, one.at_s, one.measured, predicted, off)


def _sizes(one: Alternative, proposal: Proposal, update: Update) -> tuple[tuple[float, float], ...]:
    after = update.proposal(proposal)
    stds = np.sqrt(np.sum(after.factor**2, axis=1))
    first = len(after.mean) - len(one.moves)
    return tuple(
        (float(move.std * after.mean[first + k]), float(move.std * stds[first + k])) for k, move in enumerate(one.moves)
    )


def _faulty(given: Given, one: Evidence, fault: Fault) -> Evidence:
    """What a sensor with a fault would say: its mean moved, its covariance widened along what the fault does."""
    if one.name != fault.column:
        return one
    after = one.at_s >= fault.from_s
    if fault.kind == "drifting":
        ramp = _DRIFT_K * one.at_s / given.end_s
        return replace(one, covariance=one.covariance + np.outer(ramp, ramp))
    found = given.heard
    around = np.full(len(one.at_s), given.case.set_c)
    if found is not None:
        around = np.interp(one.at_s, given.time_s, 0.5 * (found.upper_c + found.lower_c))
    towards = np.where(after, around - one.predicted.mean(axis=1), 0.0)
    wander = _LOOSE_K**2 * np.exp(-np.abs(one.at_s[:, None] - one.at_s) / _LOOSE_S) * np.outer(after, after)
    covariance = one.covariance + _SHARE_STD**2 * np.outer(towards, towards) + wander
    part = _SHARE * np.where(after, 1.0, 0.0)[:, None]
    predicted = one.predicted + part * (around[:, None] - one.predicted)
    return replace(one, predicted=predicted, covariance=covariance)
