"""The live estimate: where a heat stands and when it will be ready, from everything known up to a moment.

Given its unknowns (heat transfer of each face, air, gauge, the polymer's properties, the sensors' answer) a heat is
deterministic. An ensemble of members carries the unknowns through the batched solver over the whole heat so far and
on, and is conditioned on all evidence (`posterior`). Each second only the conditioning is done; members are heated
anew when their forecast grows old, when something was marked, or when the posterior has left them.

The answer depends on the heat's history alone: nothing but the proposal is carried from one moment to the next, and
that only to save work.
"""

from __future__ import annotations

from collections.abc import Generator, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr, ndtri

from calibration import air, posterior, times
from calibration.air import Heard
from calibration.air_low import air_low
from calibration.doubt import Believed, believed
from calibration.estimate import Answer, Estimate, Moment, Spread
from calibration.evidence import BOW_RATIO, CLEAR, LINES, Evidence, about, at_time, evidence, first_passed, flow, unflow
from calibration.members import Members, names, profile_c, served_s, solve
from calibration.observed import FACES, Observed
from calibration.posterior import Proposal, Update, Whitened
from calibration.reasons import likeliest, spreads
from thermal.case import Case
from thermal.heat import Event, role_of
from thermal.notes import Note
from thermal.sag import equivalent_radius_m
from thermal.uncertainty import unknowns
from thermal.window import CORE_HOT, DROP_LARGE, LOWER_FACE, TOO_LONG, UPPER_FACE, Limits, horizon_s

Array = NDArray[np.float64]

MEMBERS = 128
#: Members are heated anew when their forecast is older than this, s, or this share of the heat so far.
_OLD_S, _OLD_SHARE = 15.0, 0.05
#: ... or when the posterior has gone this far from them (see `Update.far`), this often at one moment at most.
_FAR, _ROUNDS = 0.5, 4
#: From scratch, after an interruption, the posterior is sought in so many rounds.
_ROUNDS_ANEW, _FAR_ANEW = 8, 0.3
#: ... and where their latest predictions are bent by so many standard deviations of the measuring, after this long, s.
_BENT, _OLD_BENT_S = 1.0, 4.0
#: Evidence this many standard deviations from what all else lets expect is doubted, and stays so to the lesser one.
_DOUBTED, _STAYS_DOUBTED = 5.0, 3.5
#: Air readings older than this are said, s; a misfit beyond this too.
_AIR_OLD_S, _MISFIT = 20.0, 2.0
#: Members are followed at least so far ahead, s.
_FOLLOWED_S = 900.0
#: A reading older than this is not shown as the present one, s.
_RECENT_S = 5.0
#: Skewness up to which the Cornish-Fisher expansion serves.
_MOST_SKEW = 1.0
#: Stands for members that are no longer followed: no dose adds up there, °C.
ZERO_DOSE_C = -200.0
#: Share of wrong cues that is accepted where nobody says otherwise.
RISK = 0.01
#: The first of many looks at an estimate that wanders is wrong more often than a single one: of 2048 virtual heats
#: 1.4 % at a look's 0.75 % (docs/numerics.md). A look is allowed this share of the accepted risk.
_FIRST = 0.4


@dataclass(frozen=True)
class Request:
    """Members that are to be heated: the arguments of `members.solve`."""

    case: Case
    of: Limits
    air: Heard | None
    normals: Array
    time_s: Array
    now_s: float

    def solved(self) -> Members:
        """Heat them."""
        heard = None if self.air is None else [self.air]
        return solve(self.case, self.of, heard, self.normals, self.time_s, self.now_s)


#: Yields requests for members, is sent them, returns the estimate.
Asking = Generator[Request, Members, Estimate]


@dataclass(frozen=True)
class _Heated:
    """Members with what is asked of them again and again: first times, s, (members,), infinity for never."""

    members: Members
    proposal: Proposal
    at_s: float
    events: tuple[Event, ...]
    air_s: float | None
    briefly: bool
    core_s: Array
    drop_s: Array
    maxima_s: dict[str, Array]

    @property
    def ready_s(self) -> Array:
        """When all minima are met."""
        return np.maximum(self.core_s, self.drop_s)

    @property
    def spoilt_s(self) -> Array:
        """When the first maximum is broken."""
        earliest: Array = np.minimum.reduce(list(self.maxima_s.values()))
        return earliest


@dataclass(frozen=True)
class Weighed:
    """Evidence that counts, all of it whitened by name, what is doubted with its surprise, and the update."""

    found: tuple[Evidence, ...]
    white: dict[str, Whitened]
    doubts: dict[str, float]
    update: Update


class Estimator:
    """The estimate of one heat.

    Args:
        case: sheet and oven as planned. of: limits of its window.
        line_mm: what each drop line stands for, mm.
        risk: accepted probability that the coldest point is not warm enough when it is called so.
        trusted: columns whose readings count whatever speaks against them.
        walks: see `asking`; not where the heat runs faster than it can be walked, on a clock that is sped up.
    """

    def __init__(
        self,
        case: Case,
        of: Limits,
        line_mm: Mapping[str, float] | None = None,
        risk: float = RISK,
        trusted: frozenset[str] = frozenset(),
        members: int = MEMBERS,
        walks: bool = True,
    ) -> None:
        self._case, self._of, self._line_mm = replace(case, measured=None), of, dict(line_mm or {})
        self._risk, self._trusted, self._walks = risk, trusted, walks
        self.names = names(case)
        self._own = len(unknowns(self._case))
        self._spreads = spreads(self._case)
        self._xi = posterior.design(len(self.names), members)
        self._heated: _Heated | None = None
        self._last: Weighed | None = None
        self._cold: Note | None = None
        self._until_s = horizon_s(case.gauge_m * 1.1)

    def at(self, seen: Observed, now_s: float) -> Estimate:
        """The estimate at `now_s` from what was known then; asked for again and again, with increasing times."""
        return _served(self.asking(seen, now_s))

    def asking(self, seen: Observed, now_s: float) -> Asking:
        """The same, with the heating of members left to the caller, who may batch it: yields requests, is sent the
        members, returns the estimate.
        """
        trust = self._believed(seen, now_s)
        seen_s = _bubble_seen_s(self._case, trust.seen) if self._walks else np.inf
        if seen_s < now_s:
            # A bubble that is come into (a restart), or was left alone for a while, is walked through as it would have
            # been lived, no faster. Sought in one go, or in strides of a minute, a posterior that bends as a bubble's
            # does may be found in a wrong place.
            for moment_s in _moments(seen_s if self._heated is None else max(seen_s, self._heated.at_s), now_s):
                yield from self._settle(self._believed(seen, moment_s), moment_s, walking=True)
        weighed = yield from self._settle(trust, now_s)
        self._last = weighed
        return self._estimate(trust, now_s, weighed)

    @property
    def heated_s(self) -> float | None:
        """Of which moment the members are; None before the first."""
        return None if self._heated is None else self._heated.at_s

    def serves(self, now_s: float) -> bool:
        """Whether there are members that are followed as far as `now_s`."""
        return self._heated is not None and now_s <= served_s(self._heated.at_s)

    def wants_members(self, seen: Observed, now_s: float) -> bool:
        """Whether `at` would heat members anew: none yet, or too old, or left by the posterior of the last estimate."""
        heated = self._heated
        if heated is None or self._last is None or self._is_old(heated, now_s):
            return True
        return heated.events != seen.until(now_s).events or self._last.update.far() >= _FAR

    def answer(self, seen: Observed, now_s: float) -> Estimate:
        """The estimate by the members that there are: for whoever heats them elsewhere, and cannot wait for it.

        Raises:
            ValueError: before the first members.
        """
        if self._heated is None:
            raise ValueError("no members were heated yet: ask for an estimate with `at` first")
        trust = self._believed(seen, now_s)
        self._last = self._weighed(trust.seen)
        return self._estimate(trust, now_s, self._last)

    def _believed(self, seen: Observed, now_s: float) -> Believed:
        return believed(self._case, seen.until(now_s), self._trusted)

    def _settle(self, trust: Believed, now_s: float, walking: bool = False) -> Generator[Request, Members, Weighed]:
        """Heat members until they and the posterior agree; nobody asks how it goes on from where one walks by."""
        heated, rounds, enough = self._heated, _ROUNDS, _FAR
        if heated is None:
            yield from self._heat(trust.seen, now_s, posterior.prior(len(self.names)))
            rounds, enough = _ROUNDS_ANEW, _FAR_ANEW
        elif self._is_old(heated, now_s) or heated.events != trust.seen.events or (heated.briefly and not walking):
            # After a long silence of whoever asks, some members are not followed as far as what was measured since.
            weighed = self._weighed(trust.seen.until(served_s(heated.at_s)))
            yield from self._heat(trust.seen, now_s, weighed.update.proposal(heated.proposal), walking)
        weighed = self._weighed(trust.seen)
        for _ in range(rounds):
            if weighed.update.far() < enough:
                break
            yield from self._heat(trust.seen, now_s, weighed.update.proposal(self._now().proposal), walking)
            weighed = self._weighed(trust.seen)
        return weighed

    def posterior(self) -> Proposal:
        """The unknowns (`names`) by the last estimate, as a normal distribution.

        Raises:
            ValueError: before the first estimate.
        """
        if self._last is None:
            raise ValueError("no estimate was asked for yet: ask for one with `at` first")
        return self._last.update.proposal(self._now().proposal)

    def profile_c(self, seen: Observed, at_s: float) -> tuple[Array, float]:
        """The likeliest temperatures across the sheet at a moment not after the last estimate, °C, (nodes,), upper
        face first, and its drop over the clamp radius.
        """
        heated, mean = self._now(), self.posterior().mean
        trust = self._believed(seen, heated.at_s)
        time_s = heated.members.time_s
        found = air.heard(self._case, trust.seen, time_s, heated.at_s)
        case = replace(self._case, openings_s=(0.0, *air.doors_s(trust.seen)))
        return profile_c(case, found, mean, time_s, at_s)

    # ------------------------------------------------------------ heating

    def _is_old(self, heated: _Heated, now_s: float) -> bool:
        age_s = now_s - heated.at_s
        bent = self._last is not None and self._last.update.bent > _BENT
        return age_s >= (_OLD_BENT_S if bent else _serve_s(heated.at_s))

    def _heat(
        self, seen: Observed, now_s: float, proposal: Proposal, briefly: bool = False
    ) -> Generator[Request, Members, None]:
        """Heat members anew, from the door through `now_s` on; `briefly`: no further than they serve."""
        doors_s = air.doors_s(seen)
        case = replace(self._case, openings_s=(0.0, *doors_s))
        widest_s = times.widest_s(now_s, case.drops)
        until_s = now_s + 2.0 * _serve_s(now_s) if briefly else max(self._until_s, now_s + _FOLLOWED_S)
        time_s = np.concatenate([times.past(now_s, doors_s, widest_s), times.ahead(now_s, until_s)])
        found = air.heard(case, seen, time_s, now_s)
        members = yield Request(case, self._of, found, proposal.members(self._xi), time_s, now_s)
        if self._heated is None:
            self._follow(first_passed(time_s, members.coldest_c, members.minimum_c))
        air_s = None if found is None else found.last_s
        self._heated = _first_times(members, self._of, proposal, now_s, seen.events, air_s, briefly)

    def _follow(self, ready_s: Array) -> None:
        """How far members are followed from now on: far beyond the last that got ready, where most do."""
        finite = ready_s[np.isfinite(ready_s)]
        if len(finite) > len(ready_s) // 2:
            self._until_s = min(self._until_s, max(_FOLLOWED_S, 1.7 * float(np.max(finite))))

    # ------------------------------------------------------------ conditioning

    def _now(self) -> _Heated:
        assert self._heated is not None, "members are heated before they are asked"
        return self._heated

    def _weighed(self, seen: Observed) -> Weighed:
        """All evidence, but what nothing else lets expect.

        A face that reads far colder than expected counts: whatever the reason, it is on the part's side.
        """
        proposal = self._now().proposal
        found = evidence(self._case, seen, self._now().members, self._line_mm)
        white = {one.name: posterior.whitened(self._xi, one) for one in found}
        doubts: dict[str, float] = {}
        before = frozenset() if self._last is None else self._last.doubts.keys()
        while found:
            apart = {}
            for one in found:
                others = posterior.update(proposal, [white[other.name] for other in found if other is not one])
                surprise = posterior.surprise(self._xi, others, one)
                limit = _STAYS_DOUBTED if one.name in before else _DOUBTED
                colder = surprise < 0.0 and role_of(one.name) in FACES
                if abs(surprise) > limit and not colder and one.name not in self._trusted:
                    apart[one.name] = surprise
            if not apart:
                break
            worst = max(apart, key=lambda name: abs(apart[name]))
            doubts[worst] = apart[worst]
            found = [one for one in found if one.name != worst]
        update = posterior.update(proposal, [white[one.name] for one in found])
        return Weighed(tuple(found), white, doubts, update)

    def _estimate(self, trust: Believed, now_s: float, weighed: Weighed) -> Estimate:
        found, update = weighed.found, weighed.update
        self._cold = air_low(self._case, trust.seen, now_s, self._cold)
        # Nobody has seen a drop that is only predicted: its limit is then the technician's to watch, not the cue's.
        of_sheet = [one for one in found if one.name not in LINES and role_of(one.name) != "drop_mm"]
        hangs = len(of_sheet) < len(found)
        full = self._answer(now_s, update, hangs)
        apart = None
        if hangs:
            white = [weighed.white[one.name] for one in of_sheet]
            apart = self._answer(now_s, posterior.update(self._now().proposal, white), hangs)
        readings = sum(len(one.measured) for one in found)
        misfit = None
        if readings:
            misfit = float(np.sqrt(sum(update.misfit[one.name] ** 2 * len(one.measured) for one in found) / readings))
        return Estimate(
            time_s=now_s,
            drop_measured_mm=_last(trust.seen, "drop_mm", now_s),
            drop_wanted_mm=self._wanted_mm(),
            thermal=apart,
            misfit=misfit,
            used=tuple(one.name for one in found),
            set_aside=tuple(
                ({name: doubted(name, by) for name, by in weighed.doubts.items()} | dict(trust.reasons)).items()
            ),
            notes=self._notes(trust, weighed, misfit),
            alarms=() if self._cold is None else (self._cold,),
            **{name: getattr(full, name) for name in Answer.__dataclass_fields__},
        )

    def _wanted_mm(self) -> float | None:
        if self._of.drop_min is None or self._case.opening_m is None:
            return None
        return self._of.drop_min * equivalent_radius_m(self._case.opening_m) * 1e3

    def _notes(self, trust: Believed, weighed: Weighed, misfit: float | None) -> tuple[Note, ...]:
        """What to know about the estimate, most important first."""
        notes = []
        heated = self._now()
        names_of = (one.name for one in weighed.found)
        if not trust.seen.of_role("air_upper_c") and not trust.seen.of_role("air_lower_c"):
            notes.append(Note("No air is measured: by the clock and the oven card alone"))
        elif heated.air_s is None:
            notes.append(Note("No reading of the air is believed: by the clock and the oven card alone"))
        elif heated.at_s - heated.air_s > _AIR_OLD_S:
            notes.append(Note(f"No air reading for {heated.at_s - heated.air_s:.0f} s: carried on along its course"))
        drops = (trust.seen.columns[name] for name in trust.seen.of_role("drop_mm"))
        if not any(names_of) and not any(np.isfinite(values).any() for values in drops):
            notes.append(Note("Nothing of the sheet is measured: the interval is that of the plan"))
        mean = weighed.update.proposal(heated.proposal).mean
        reason = likeliest(self._case, mean[: self._own], self._spreads)
        if reason is not None:
            notes.append(reason)
        elif misfit is not None and misfit > _MISFIT:
            notes.append(Note("Nothing known about oven or sheet explains the readings: sensors, door, polymer?"))
        return tuple(notes)

    def _at_moment(self, now_s: float, drops: bool) -> Array:
        """Coldest point, faces and, where the sheet drops, its `flow`: (3 or 4, members)."""
        members = self._now().members
        pair = about(members.time_s, now_s)
        tables = [members.coldest_c[pair], members.upper_c[pair], members.lower_c[pair]]
        if drops and members.drop_ratio is not None:
            tables.append(flow(members.drop_ratio[pair]))
        found = at_time(members.time_s[pair], np.concatenate(tables, axis=1), np.array([now_s]))
        return found.reshape(len(tables), -1)

    def _answer(self, now_s: float, update: Update, hangs: bool) -> Answer:
        """What an update says; `hangs`: whether the drop was seen, so that its largest value counts."""
        heated, of = self._now(), self._of
        names = [name for name in heated.maxima_s if hangs or name != DROP_LARGE]
        drops = heated.members.drop_ratio is not None and self._case.opening_m is not None
        rows = [heated.members.minimum_c, heated.core_s, heated.drop_s, *(heated.maxima_s[name] for name in names)]
        # All at once: a look at a heat is hundreds of operations on some hundred numbers each.
        every = np.stack([*self._at_moment(now_s, drops), *rows])
        carried = posterior.carried(every, self._xi, update.moved(self._xi))
        coldest, upper, lower = carried[:3]
        least, core_s, drop_s, *maxima = carried[len(every) - len(rows) :]
        above, ready_s, spoilt_s = coldest - least, np.maximum(core_s, drop_s), np.minimum.reduce(maxima)
        first = np.argmin(np.stack(maxima), axis=0)[np.isfinite(spoilt_s)]
        told = [coldest, upper, lower, least, above, ready_s, spoilt_s]
        if drops and self._case.opening_m is not None:
            told.append(np.maximum(unflow(carried[3]), 0.0) * equivalent_radius_m(self._case.opening_m) * 1e3)
        found = _quantiles(np.stack(told), (0.05, 0.5, 0.95, _FIRST * self._risk))
        spread = [Spread(middle, low, high) for low, middle, high, _ in found]
        dropped = np.ones(len(above), np.bool_) if of.drop_min is None else drop_s <= now_s
        return Answer(
            core_c=spread[0],
            upper_c=spread[1],
            lower_c=spread[2],
            drop_mm=spread[7] if drops else None,
            least_c=spread[3],
            above_k=spread[4],
            surely_k=found[4][3],
            p_core=_above_zero(above),
            p_drop=float(np.mean(dropped)),
            p_spoilt=float(np.mean(spoilt_s <= now_s)),
            p_ready=float(np.mean((above >= 0.0) & dropped & (spoilt_s > now_s))),
            opens=_moment(ready_s, found[5]),
            closes=_moment(spoilt_s, found[6]),
            closes_by=names[int(np.bincount(first).argmax())] if len(first) else None,
        )


def _bubble_seen_s(case: Case, seen: Observed) -> float:
    """Since when a drop beyond the level that bow and zero rule was seen, or a line marked, s; infinity: never."""
    found = [event.time_s for event in seen.events if event.name in LINES]
    if case.opening_m is not None:
        bow_mm = BOW_RATIO * equivalent_radius_m(case.opening_m) * 1e3
        for name in seen.of_role("drop_mm"):
            hangs = (seen.columns[name] > bow_mm) & (seen.time_s >= 0.0)
            found += [float(seen.time_s[np.argmax(hangs)])] if hangs.any() else []
    return min(found, default=np.inf)


def _moments(from_s: float, now_s: float) -> list[float]:
    """Moments between two of a heat at which its members would have grown old, s: of one row whatever the heat and the
    moment it is come into, so that many heats can be walked side by side.
    """
    found, at_s = [], 0.0
    while (at_s := at_s + _serve_s(at_s)) < now_s:
        if at_s > from_s:
            found.append(at_s)
    return found


def _serve_s(at_s: float) -> float:
    """How long members that were heated at a moment serve, s."""
    return max(_OLD_S, _OLD_SHARE * at_s)


def doubted(name: str, by: float) -> str:
    """Why evidence is set aside that lies `by` standard deviations from what all else lets expect."""
    if name in (*LINES, CLEAR):
        return f"cannot be so {'early' if by < 0.0 else 'late'}: marked by mistake?"
    if role_of(name) == "drop_mm":
        return f"hangs far {'higher' if by < 0.0 else 'lower'} than anything else allows: sensor moved or covered?"
    return "far hotter than anything else allows: come off the sheet?"


def _served(asking: Asking) -> Estimate:
    """Run a question, heating its members one request after the other."""
    try:
        request = next(asking)
        while True:
            request = asking.send(request.solved())
    except StopIteration as done:
        answer: Estimate = done.value
        return answer


def _first_times(
    members: Members,
    of: Limits,
    proposal: Proposal,
    now_s: float,
    events: tuple[Event, ...],
    air_s: float | None,
    briefly: bool,
) -> _Heated:
    time_s = members.time_s
    maxima = {
        UPPER_FACE: first_passed(time_s, members.upper_c, members.face_max_c),
        LOWER_FACE: first_passed(time_s, members.lower_c, members.face_max_c),
        CORE_HOT: first_passed(time_s, members.coldest_c, members.core_max_c),
    }
    drop_s = np.zeros(members.normals.shape[1])
    if members.drop_ratio is not None:
        if of.drop_min is not None:
            drop_s = first_passed(time_s, members.drop_ratio, of.drop_min)
        if of.drop_max is not None:
            maxima[DROP_LARGE] = first_passed(time_s, members.drop_ratio, of.drop_max)
    if of.dose is not None:
        rate = of.dose.rate(np.nan_to_num(np.fmax(members.upper_c, members.lower_c), nan=ZERO_DOSE_C))
        used = np.cumsum(0.5 * (rate[1:] + rate[:-1]) * np.diff(time_s)[:, None], axis=0)
        maxima[TOO_LONG] = first_passed(time_s[1:], used, of.dose.limit_s)
    core_s = first_passed(time_s, members.coldest_c, members.minimum_c)
    return _Heated(members, proposal, now_s, events, air_s, briefly, core_s, drop_s, maxima)


def _last(seen: Observed, role: str, now_s: float) -> float | None:
    """Last believed reading of a role, if it is not old."""
    recent = [
        (seen.time_s[at[-1]], float(values[at[-1]]))
        for name in seen.of_role(role)
        if len(at := np.flatnonzero(np.isfinite(values := seen.columns[name]) & (seen.time_s > now_s - _RECENT_S)))
    ]
    return max(recent)[1] if recent else None


def _quantiles(rows: Array, shares: Sequence[float]) -> list[list[float]]:
    """Quantiles of what the members are samples of, (rows, members): a list for each row.

    By the Cornish-Fisher expansion with the members' mean, spread and skewness (E.A. Cornish, R.A. Fisher, Rev. Inst.
    Int. Statist. 5 (1938) 307): mean and spread of the design are exact, where its ordered values, few in the tails,
    would err by an eighth of the interval, and in every heat alike. Where some are infinite (never), or the skewness is
    beyond the expansion, by the ordered values.
    """
    z = ndtri(np.asarray(shares))
    with np.errstate(invalid="ignore", divide="ignore"):
        mean = rows.mean(axis=1, keepdims=True)
        std = np.sqrt(np.mean((rows - mean) ** 2, axis=1, keepdims=True))
        skew = np.where(std == 0.0, 0.0, np.mean(((rows - mean) / std) ** 3, axis=1, keepdims=True))
        smooth = mean + std * (z + (z * z - 1.0) * skew / 6.0)
    bent = ~(np.abs(skew[:, 0]) <= _MOST_SKEW)  # infinite ones too
    return [_ordered(row, shares) if bent[n] else smooth[n].tolist() for n, row in enumerate(rows)]


def _ordered(values: Array, shares: Sequence[float]) -> list[float]:
    """A quantile p lies at place p (n + 1) of the ordered values (R.J. Hyndman, Y. Fan, Am. Statist. 50 (1996) 361,
    type 6).
    """
    ordered = np.sort(values)
    found = []
    for share in shares:
        place = share * (len(values) + 1) - 1.0
        at = min(max(int(place), 0), len(values) - 2)
        low, high = ordered[at], ordered[at + 1]
        found.append(float(low + (place - at) * (high - low)) if np.isfinite(high) else float(high))
    return found


def _moment(times_s: Array, quantiles: Sequence[float]) -> Moment:
    low, middle, high = (t if np.isfinite(t) else None for t in quantiles[:3])
    return Moment(middle, low, high, float(np.mean(np.isfinite(times_s))))


def _above_zero(values: Array) -> float:
    """Probability of more than zero, smoothed over the members' spacing."""
    width = 0.1 * max(float(np.std(values)), 1e-6)
    return float(np.mean(ndtr(values / width)))
