"""Alternatives fitted to one heat: each is an ensemble of its own, conditioned on the same readings, and judged by how
likely it makes them (`posterior.log_evidence`).

All alternatives are heated as one batch, whatever their sheets are of. They begin at what is stated, with a bubble
where the heat as stated came to by itself, and are heated anew until members and posterior agree. A step towards the
posterior is never long, and one that led to worse is taken again, shorter: bubbles that run away bend.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from calibration import air, posterior
from calibration.air import Heard
from calibration.alternatives import Alternative, Fault
from calibration.evidence import CLEAR, LINE_S, LINES, Evidence, evidence
from calibration.given import Given
from calibration.members import Batch, Members, names, together
from calibration.posterior import Proposal, Update, Whitened
from thermal.fields import InputError

Array = NDArray[np.float64]

#: A bubble bends: the heat as stated begins in so much of its priors' width, what is added to it in so much, and the
#: first is fitted by itself in so many rounds.
_NARROW, _NEAR, _BY_ITSELF = 0.5, 0.3, 4
#: An ensemble has so many members, or twice its unknowns.
MEMBERS = 96
#: An alternative is done when members and posterior agree (see `Update.far`), or when its evidence (logarithm) has not
#: moved by more than the second from one round to the next and its posterior by no more than the third; most rounds.
_FAR, _STANDS, _AT_REST, ROUNDS = 0.35, 0.3, 1.0, 8
#: One that at the pace of its last step will stay so far below the best (logarithm) is given up; of a bubble so far
#: below the best that is settled, or so far below any (our choice).
_HOPELESS, _ON_THE_WAY = 14.0, 300.0
#: One this far below the best, with an evidence that moves no more than this, can neither win nor count: it is left.
_BEHIND, _SLOW = 6.0, 1.5
#: No unknown moves by more than so many standard deviations of its prior in one round. A step that led to worse by more
#: than this (logarithm) is taken again, shorter by this factor.
_STEP, _WORSE, _SHORTER = 1.5, 5.0, 0.3
#: A loose sensor reads this share of the air, give or take, and wanders by so much, K, for so long, s (estimated).
_SHARE, _SHARE_STD, _LOOSE_K, _LOOSE_S = 0.4, 0.3, 3.0, 60.0
#: A mark that an alternative has no place for counts as so many of its standard deviations.
_IMPOSSIBLE = 6.0
#: A drifting sensor is off by so much at the end of the heat, K (estimated).
_DRIFT_K = 10.0


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
        beside: by column and mark. settled: whether members and posterior agree. white: the evidence, as the
        members were conditioned on it. left: squares of readings and unknowns in their standard deviations beyond the
        readings' number: about none where the readings are explained.
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
    white: tuple[Whitened, ...]
    left: float

    @property
    def weight(self) -> float:
        """Logarithm of evidence times prior."""
        return self.log_evidence + self.alternative.log_prior

    def normals(self) -> Array:
        """Members of the posterior, (unknowns, members)."""
        return self.proposal.members(self.update.moved(self.xi))


@dataclass(frozen=True)
class _Way:
    """How far an alternative has come: the last round, the one from which the next step is taken with its merit, how
    long that step is, the highest weight so far, and what the last step brought.
    """

    last: Fitted
    base: Fitted
    merit: float
    most: float
    highest: float
    gained: float = np.inf

    @property
    def found(self) -> Fitted:
        """The last round; where it led to worse and did not come to rest there, the one before."""
        return self.last if self.last.settled else self.base

    def onward(self) -> Proposal:
        """Where it is heated next."""
        return posterior.step(self.base.proposal, self.base.white, self.most)

    def after(self, one: Fitted) -> _Way:
        """With another round."""
        gained = one.log_evidence - self.last.log_evidence
        stands = abs(gained) < _STANDS and one.update.far() < _AT_REST
        now = _way(replace(one, settled=one.settled or stands))
        if now.merit < self.merit - _WORSE:
            now = replace(now, base=self.base, merit=self.merit, most=_SHORTER * self.most)
        else:
            now = replace(now, most=min(2.0 * self.most, _STEP))
        return replace(now, highest=max(self.highest, one.weight), gained=gained)


def _way(one: Fitted) -> _Way:
    return _Way(one, one, posterior.merit(one.proposal, one.white), _STEP, one.weight)


def beginning(given: Given) -> Proposal:
    """Where alternatives begin, in the unknowns of `members.names`: everything as stated; with a bubble what the
    readings make of that: what is otherwise is found more surely from there.
    """
    begin = posterior.prior(len(names(given.case)))
    if not given.hangs:
        return begin
    return _rounds(given, [Alternative()], [replace(begin, factor=_NARROW * begin.factor)], _BY_ITSELF)[0].onward()


def fit(given: Given, tried: Sequence[Alternative], start: Proposal, rounds: int = ROUNDS) -> list[Fitted]:
    """Fit alternatives, best first.

    Args:
        start: of `beginning`.
    """
    ways = _rounds(given, tried, [_start(given, one, start) for one in tried], rounds)
    return sorted((one.found for one in ways.values()), key=lambda one: -one.weight)


def _rounds(given: Given, tried: Sequence[Alternative], start: Sequence[Proposal], rounds: int) -> dict[int, _Way]:
    ways: dict[int, _Way] = {}
    for number in range(rounds):
        waiting = _waiting(given, ways, rounds - number) if number else list(range(len(tried)))
        if not waiting:
            break
        asked = [(i, tried[i], ways[i].onward() if number else start[i]) for i in waiting]
        for i, one in _round(given, asked):
            ways[i] = ways[i].after(one) if number else _way(one)
    return ways


def _waiting(given: Given, ways: Mapping[int, _Way], left: int) -> list[int]:
    """Which are worth another round of those that are left; all of them have had one."""
    open_ones = [i for i, way in ways.items() if not way.last.settled]
    best = max((way.last.weight for way in ways.values()), default=-np.inf)
    sure = max((way.last.weight for way in ways.values() if way.last.settled), default=-np.inf)
    # What a bubble's fit says of itself on the way may be off by hundreds, also for the better.
    least = max(best - (_ON_THE_WAY if given.hangs else _HOPELESS), sure - _HOPELESS)
    behind = (sure if given.hangs else best) - _BEHIND

    def worth(way: _Way) -> bool:
        slow = way.last.weight < behind and abs(way.gained) < _SLOW
        return way.highest + left * max(way.gained, 0.0) > least and not slow

    return [i for i in open_ones if worth(ways[i])]


def _start(given: Given, one: Alternative, start: Proposal) -> Proposal:
    """With the added unknowns at their prior, or nearer to what is stated for a bubble; another polymer begins at its
    own.
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
        case, None if found is None else [found], one.normals[:stated], one.alternative.departures(one.normals[stated:])
    )


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
        white=tuple(white),
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
