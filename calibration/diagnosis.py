"""Why a heat went as it did: causes ranked by how well each explains what was measured, 'nothing unusual' among them.

Three kinds of finding stand in one list with their probabilities:

- explanations of the heating and the measuring, fitted as alternatives; each counts by its evidence times how often it
  is met, alone and in pairs with the other likeliest ones;
- what the measured air and the marks say by themselves (door, display, preheat, carry, a frozen sensor);
- the moment of the pull. A core that was cold because the sheet was thick was not pulled too early by mistake: where
  something made the sheet heat otherwise, the pull is a cause of its own only if the sheet as it was stated would not
  have been ready either. What only a sensor shows otherwise leaves the moment what it was.

The probability of a finding is that it is present; of 'nothing' that none is.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from itertools import combinations

import numpy as np
from numpy.typing import NDArray
from scipy.special import expit, ndtr

from calibration import crosswise
from calibration.air_signs import AirSigns, air_signs
from calibration.alternative_fit import Beside, Fitted, beginning, fit
from calibration.alternatives import Alternative, Cause, alternatives
from calibration.door_cost import lost_k
from calibration.doubt import HOTTER, JUMPED, STILL, SetAside
from calibration.evidence import CLEAR, LINES
from calibration.given import Given
from calibration.hanging import watched
from calibration.observed import FACES
from calibration.reconstruction import (
    IN_TIME_BY_K,
    AtPull,
    Course,
    Pulls,
    Trajectories,
    at_pull,
    course,
    early_share,
    pulls,
    pulls_as_planned,
    trajectories,
)
from thermal.heat import role_of
from thermal.polymer import Polymer
from thermal.preheat import Preheat

Array = NDArray[np.float64]

#: How often heats are met in which ... (estimated; common practice, no source).
EARLY, LATE, FACE_HOT = 0.03, 0.02, 0.01
OFF_DISPLAY, DOOR, NOT_READY, CARRIED = 0.012, 0.012, 0.010, 0.015
#: So surely an opening that is marked, a verdict on the preheat, or a reading that no sheet can give is what it says.
_MARKED, _JUDGED, _READ = 0.99, 0.95, 0.97
#: An oven drifts by more than a thermostat's swing, K/min, or is off by so much, K, when it is called not ready.
_DRIFT_K_MIN, _OFF_K = 1.5, 8.0
#: The carry that is computed is this uncertain (standard deviation of its logarithm, estimated); a bubble that nobody
#: measured may have been thinner or thicker by more.
_CARRY_LN, _CARRY_UNSEEN_LN = 0.2, 0.3
#: A sheet that stays formable for less than this, s, was not so when it was pulled.
_FORMABLE_S = 1.0
#: Readings that are not believed count as a fault of their sensor from this long on, s.
_FAULTY_S = 20.0
#: Where the heating as stated is less likely than this nothing is heated to say how its pull would have been.
_HARDLY = 0.02
#: Pairs are tried of so many of the likeliest causes, once the best is this much likelier than nothing (logarithm), and
#: while it leaves readings unexplained.
_PAIRED, _PAIRS_FROM = 4, 3.0
#: Explanations whose evidence is this near to the best's (logarithm) cannot be told from it.
ALIKE = 3.0
#: Beyond this misfit no explanation explains the readings.
UNEXPLAINED = 2.0
NOTHING = "nothing unusual"


@dataclass(frozen=True)
class Finding:
    """One line of the ranking.

    Attributes:
        kind: 'gauge', 'pulled early', ... or `NOTHING`. of: what it concerns ('upper', a column, a polymer).
        probability: that it is present. size, size_std: how far, in the cause's own unit (logarithm for factors, K);
        None where there is none. from_s, to_s: where it shows. column: in which reading or mark it shows most.
        odds: logarithm of how much likelier the readings are with it than with nothing unusual.
        alike: causes that explain the readings as well.
    """

    kind: str
    of: str
    probability: float
    size: float | None = None
    size_std: float | None = None
    from_s: float | None = None
    to_s: float | None = None
    column: str | None = None
    odds: float | None = None
    alike: tuple[str, ...] = ()

    @property
    def name(self) -> str:
        """'film upper'."""
        return f"{self.kind} {self.of}".strip()


@dataclass(frozen=True)
class Around:
    """What else is known of a heat.

    Attributes:
        preheat: verdict on the oven before the sheet; None: not recorded. carried_s: from pull to mold; None: not
        marked. formable_s: how long the sheet was formable out of the oven; None: beyond half an hour.
        aside: readings that are not believed. marked_doors_s: when the door was marked as opened. pulled: whether the
        pull is on record.
    """

    preheat: Preheat | None = None
    carried_s: float | None = None
    formable_s: float | None = None
    aside: tuple[SetAside, ...] = ()
    marked_doors_s: tuple[float, ...] = ()
    pulled: bool = True


@dataclass(frozen=True)
class Diagnosis:
    """The ranking and the heat it is of.

    Attributes:
        findings: the likeliest first. course, at_pull: the heat as it was, over all explanations.
        beside: readings beside the likeliest explanation, as_stated: beside nothing unusual. explained_by: its name.
        misfit: of the likeliest; None without readings of the sheet. air: signs in the air, None without.
    """

    findings: tuple[Finding, ...]
    course: Course
    at_pull: AtPull
    beside: tuple[Beside, ...]
    as_stated: tuple[Beside, ...]
    explained_by: str
    misfit: float | None
    air: AirSigns | None
    aside: tuple[SetAside, ...] = field(default=())

    @property
    def first(self) -> Finding:
        """The likeliest."""
        return self.findings[0]

    @property
    def unexplained(self) -> bool:
        """Whether nothing that was tried explains the readings."""
        return self.misfit is not None and self.misfit > UNEXPLAINED


def explanations(given: Given, polymers: Iterable[Polymer] = ()) -> list[Fitted]:
    """All alternatives fitted, single ones and pairs, the likeliest first."""
    tried = [Alternative(), *alternatives(given.case, given.seen, given.end_s, polymers)]
    start = beginning(given)
    if not _of_sheet(given):
        return fit(given, tried[:1], start, rounds=1)  # nothing to tell them apart by
    found = fit(given, tried, start)
    nothing = next(one for one in found if not one.alternative.causes)
    better = [one for one in found if one.alternative.causes and one.log_evidence - nothing.log_evidence > 1.0]
    worth = better and max(one.weight for one in better) > nothing.weight - _PAIRS_FROM
    if worth and found[0].left > 0.0:
        best: dict[str, Fitted] = {}
        for one in better:
            best.setdefault(one.alternative.causes[0].kind + one.alternative.causes[0].of, one)
        some = list(best.values())[:_PAIRED]
        pairs = [first.alternative.with_(second.alternative) for first, second in combinations(some, 2)]
        found += fit(given, [pair for pair in pairs if pair is not None], start)
    return sorted(found, key=lambda one: -one.weight)


def _of_sheet(given: Given) -> bool:
    """Whether anything of the sheet was measured or marked."""
    roles = (*FACES, "drop_mm") if given.hangs else FACES
    measured = any(np.isfinite(given.seen.columns[name]).any() for role in roles for name in given.seen.of_role(role))
    return measured or any(event.name in (*LINES, CLEAR) for event in given.seen.events)


def diagnose(given: Given, fits: Sequence[Fitted], around: Around) -> Diagnosis:
    """Rank what may have been otherwise in a heat.

    Args:
        given: up to the pull, with the readings that are believed. fits: of `explanations`, the likeliest first.
    """
    shares = np.exp([one.weight - fits[0].weight for one in fits])
    shares /= shares.sum()
    ways = trajectories(given, [(one, float(share)) for one, share in zip(fits, shares, strict=True)])
    signs = air_signs(given.case, given.seen, given.end_s)
    by_fit = _of_fits(fits, shares)
    by_itself = _of_readings(given, around, signs)
    causes = _joined(by_fit, by_itself)
    moment = _of_pull(given, fits, ways, _usual_heating(fits, shares, by_itself)) if around.pulled else {}
    causes += [
        Finding(kind, "", share, from_s=given.end_s, to_s=given.end_s)
        for kind, share in moment.items()
        if kind != NOTHING
    ]
    carried = _of_carry(given, around)
    left = _usual(fits, shares, by_itself) * moment.get(NOTHING, 1.0)
    nothing = Finding(NOTHING, "", left * (1.0 - (carried.probability if carried else 0.0)))
    listed = [*causes, nothing, *([carried] if carried else [])]
    best, stated = fits[0], next(one for one in fits if not one.alternative.causes)
    return Diagnosis(
        findings=tuple(sorted(listed, key=lambda one: -one.probability)),
        course=course(given, ways),
        at_pull=at_pull(given, ways),
        beside=best.beside,
        as_stated=stated.beside,
        explained_by=best.alternative.name or NOTHING,
        misfit=best.misfit,
        air=signs,
        aside=around.aside,
    )


# ---------------------------------------------------------------- explanations


def _of_fits(fits: Sequence[Fitted], shares: Array) -> list[Finding]:
    """Every cause that was fitted with the probability of all explanations that it is a part of."""
    nothing = next(one for one in fits if not one.alternative.causes)
    groups: dict[tuple[str, str], list[tuple[Fitted, float, int]]] = {}
    for one, share in zip(fits, shares, strict=True):
        for place, cause in enumerate(one.alternative.causes):
            groups.setdefault((cause.kind, cause.of), []).append((one, float(share), place))
    best = max((one.log_evidence for one in fits if len(one.alternative.causes) == 1), default=0.0)
    near = {
        one.alternative.name
        for one in fits
        if len(one.alternative.causes) == 1
        and best - one.log_evidence < ALIKE
        and one.log_evidence > nothing.log_evidence
    }
    return [_finding(kind, of, group, nothing, near) for (kind, of), group in groups.items()]


def _finding(
    kind: str, of: str, group: Sequence[tuple[Fitted, float, int]], nothing: Fitted, near: set[str]
) -> Finding:
    one, _, place = max(group, key=lambda entry: entry[1])
    cause = one.alternative.causes[place]
    size = _size(one, cause)
    column, from_s, to_s = _shows(one, nothing)
    if cause.fault is not None:
        column, from_s, to_s = cause.fault.column, cause.fault.from_s, float(one.members.time_s[-1])
    name = f"{kind} {of}".strip()
    odds = max(entry[0].log_evidence for entry in group if len(entry[0].alternative.causes) == 1) - nothing.log_evidence
    alike = tuple(sorted(near - {name})) if name in near else ()
    return Finding(
        kind, of, sum(share for _, share, _ in group), *size, from_s, to_s, column, float(odds), alike
    )  # fmt: skip


def _size(one: Fitted, cause: Cause) -> tuple[float | None, float | None]:
    if cause.move is None:
        return (-cause.walls_below_k, None) if cause.walls_below_k else (None, None)
    moving = [each for each in one.alternative.causes if each.move is not None]
    return one.moved[moving.index(cause)]


def _shows(one: Fitted, nothing: Fitted) -> tuple[str | None, float | None, float | None]:
    """Column and stretch of time where an explanation does better than nothing unusual by most."""
    found: tuple[float, str, float, float] | None = None
    usual = {each.name: each for each in nothing.beside}
    for each in one.beside:
        other = usual.get(each.name)
        if other is None or len(other.off) != len(each.off):
            continue
        gain = other.off**2 - each.off**2
        total = float(gain.sum())
        if total > 0.0 and (found is None or total > found[0]):
            most = np.flatnonzero(gain > 0.25 * gain.max())
            found = (total, each.name, float(each.at_s[most[0]]), float(each.at_s[most[-1]]))
    return (None, None, None) if found is None else found[1:]


# ---------------------------------------------------------------- air, marks, rules

OVEN_OFF, DOOR_OPENED, OVEN_NOT_READY, CARRIED_LONG = "oven off", "door opened", "oven not ready", "carried too long"
FROZEN, LOOSE, SWAPPED, AIR_SENSOR_OFF = "frozen", "loose", "swapped", "air sensor off"
PLUGS_SWAPPED, AIR_ELSEWHERE = "plugs swapped", "air sensor out of place"
PULLED_EARLY, PULLED_LATE, FACE_OVERHEATED = "pulled early", "pulled late", "face overheated"


#: What readings that are not believed say of their sensor.
_FAULT_OF = {
    STILL: FROZEN,
    JUMPED: LOOSE,
    HOTTER: LOOSE,
    crosswise.SWAPPED: PLUGS_SWAPPED,
    crosswise.OUTSIDE: AIR_ELSEWHERE,
}


def _of_readings(given: Given, around: Around, signs: AirSigns | None) -> list[Finding]:
    """What the air, the marks and the rules on readings say by themselves."""
    found = [_marked_door(given, around.marked_doors_s)] if around.marked_doors_s else []
    if signs is not None:
        off_k = signs.settled_c - signs.expected_c
        off = _posterior(signs.off, OFF_DISPLAY)
        found.append(Finding(OVEN_OFF, "", off, off_k, signs.settled_std_k, 0.0, given.end_s, "air", signs.off))
        if not around.marked_doors_s:
            opened = _posterior(signs.opened, DOOR)
            at_s = signs.opened_s
            found.append(Finding(DOOR_OPENED, "", opened, signs.opened_k, None, at_s, at_s, "air", signs.opened))
    if around.preheat is not None and (not_ready := _not_ready(around.preheat)) is not None:
        found.append(not_ready)
    for one in around.aside:
        kind = _FAULT_OF.get(one.reason)
        if kind == PLUGS_SWAPPED and role_of(one.column) not in FACES:
            continue  # told of the face on the other plug
        if kind is not None and one.lasting_s >= _FAULTY_S:
            found.append(Finding(kind, one.column, _READ, from_s=one.from_s, to_s=one.to_s, column=one.column))
    return found


def _marked_door(given: Given, doors_s: Sequence[float]) -> Finding:
    """That the door was opened is on record; it is a cause as far as it cost: of sheets pulled in time it takes those
    below their least whose core was above it by less than that.
    """
    lost = lost_k(given, doors_s)
    cost = _MARKED * -float(np.expm1(-lost / IN_TIME_BY_K))
    return Finding(DOOR_OPENED, "", cost, lost, None, doors_s[0], doors_s[-1])


def _posterior(log_odds: float, prior: float) -> float:
    return float(expit(log_odds + np.log(prior / (1.0 - prior))))


def _not_ready(preheat: Preheat) -> Finding | None:
    """An oven that was still moving, or well below where it should be, when the sheet went in."""
    drift, off = preheat.drift_k_min, preheat.departure_k
    if drift is None or off is None or not (drift > _DRIFT_K_MIN or (off < -_OFF_K and drift > 0.3)):
        return None
    return Finding(OVEN_NOT_READY, "", _JUDGED, off, None, -300.0, 0.0, preheat.of)


def _joined(by_fit: Sequence[Finding], by_itself: Sequence[Finding]) -> list[Finding]:
    """One finding a cause: two independent ways to it leave only what both miss.

    An air sensor that reads as much too low as the oven seems to be, or too high, is not an oven off its display.
    """
    found = {(one.kind, one.of): one for one in by_fit}
    for one in by_itself:
        other = found.get((one.kind, one.of))
        if other is None:
            found[one.kind, one.of] = one
            continue
        stronger = max(one, other, key=lambda each: each.probability)
        together = 1.0 - (1.0 - one.probability) * (1.0 - other.probability)
        found[one.kind, one.of] = replace(stronger, probability=together)
    sensor, oven = found.get((AIR_SENSOR_OFF, "")), found.get((OVEN_OFF, ""))
    if sensor and oven and (sensor.size or 0.0) * (oven.size or 0.0) < 0.0:
        found[OVEN_OFF, ""] = replace(oven, probability=oven.probability * (1.0 - sensor.probability))
    return list(found.values())


def _usual(fits: Sequence[Fitted], shares: Array, by_itself: Sequence[Finding]) -> float:
    """Probability that nothing was otherwise but perhaps the moment of the pull."""
    nothing = sum(float(s) for one, s in zip(fits, shares, strict=True) if not one.alternative.causes)
    return float(nothing * np.prod([1.0 - one.probability for one in by_itself]))


def _usual_heating(fits: Sequence[Fitted], shares: Array, by_itself: Sequence[Finding]) -> float:
    """Probability that the sheet was heated as it is usual, whatever its sensors say of it."""
    usual = sum(float(s) for one, s in zip(fits, shares, strict=True) if one.alternative.heats_as_usual)
    others = [one.probability for one in by_itself if one.kind in (OVEN_OFF, OVEN_NOT_READY, DOOR_OPENED)]
    return float(usual * np.prod([1.0 - one for one in others]))


def _of_pull(given: Given, fits: Sequence[Fitted], ways: Sequence[Trajectories], usual: float) -> dict[str, float]:
    """Probabilities of the moment of the pull and of an overheated face as causes of their own, and of none of them
    where the heating was usual: see the module.
    """
    share = dict.fromkeys((PULLED_EARLY, PULLED_LATE, FACE_OVERHEATED), 0.0) | {NOTHING: 1.0}
    if usual > _HARDLY:
        stated = next((one for one in ways if one.fitted.alternative.heats_as_usual), None)
        if stated is None:
            as_usual = next(one for one in fits if one.alternative.heats_as_usual)
            stated = trajectories(given, [(as_usual, 1.0)])[0]
        share = _shares_of(pulls(given, stated.members))
    found = {kind: usual * share[kind] for kind in (PULLED_EARLY, PULLED_LATE, FACE_OVERHEATED)}
    if usual < 1.0 - _HARDLY:
        cold = float(sum(one.weight * early_share(given, one.members) for one in ways))
        planned = _shares_of(pulls_as_planned(given))[PULLED_EARLY] if cold > _HARDLY else 0.0
        found[PULLED_EARLY] += (1.0 - usual) * cold * planned
    return found | {NOTHING: share[NOTHING]}


def _shares_of(moment: Pulls) -> dict[str, float]:
    weights = {
        PULLED_EARLY: EARLY * moment.early,
        PULLED_LATE: LATE * moment.late,
        FACE_OVERHEATED: FACE_HOT * moment.face,
        NOTHING: (1.0 - EARLY - LATE - FACE_HOT) * moment.in_time,
    }
    both = EARLY * FACE_HOT * moment.early_and_face
    total = sum(weights.values()) + both
    if not total:
        return dict.fromkeys(weights, 0.0) | {NOTHING: 1.0}
    return {
        kind: (weight + (both if kind in (PULLED_EARLY, FACE_OVERHEATED) else 0.0)) / total
        for kind, weight in weights.items()
    }


def _of_carry(given: Given, around: Around) -> Finding | None:
    if around.carried_s is None or around.formable_s is None or around.carried_s <= 0.0:
        return None
    if around.formable_s < _FORMABLE_S:
        return None  # it could not be formed when it left the oven: no carry was quick enough
    unseen = given.opening_m is not None and not watched(given)
    beyond = np.log(around.carried_s / max(around.formable_s, 0.1)) / (_CARRY_UNSEEN_LN if unseen else _CARRY_LN)
    too_long = CARRIED * float(ndtr(beyond)) / (CARRIED * float(ndtr(beyond)) + (1.0 - CARRIED) * float(ndtr(-beyond)))
    return Finding(CARRIED_LONG, "", too_long, around.carried_s - around.formable_s)
