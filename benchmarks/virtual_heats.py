"""Virtual heats whose truth is known, for judging the live estimate and the cue.

Two kinds of truth: drawn from the estimator's own priors (the estimate must then be as good as the data allow), and
with disturbances that the model does not know (it must then still be honest). The nominal case is common to a cell;
every heat has its own oven, sheet, air and sensors. Seeds are fixed.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from calibration.air import DRIFT_STD_K, Heard
from calibration.estimate import Estimate
from calibration.estimator import Estimator, Request
from calibration.evidence import (
    BIAS_K,
    CLEAR,
    CLEAR_S,
    LAG_LN_STD,
    LAG_S,
    LINE_S,
    LINES,
    NOISE_K,
    NOISE_MM,
    SAG_LN_STD,
    SAG_S,
    WANDER_K,
    WANDER_S,
    ZERO_MM,
    first_passed,
    flow,
    unflow,
)
from calibration.members import EXTRAS, INTERVALS, Members, names, solve
from calibration.observed import Observed
from calibration.recovery import FALL_REL_STD, RECOVERY_LN_STD, STEADY_STD_K
from thermal.build import steady_air_c
from thermal.case import Case
from thermal.conduction import TOLERANCE_K
from thermal.heat import Event
from thermal.sag import equivalent_radius_m
from thermal.window import Limits

Array = NDArray[np.float64]

#: Spacing of the truth and of the readings, s.
STEP_S, READ_S = 2.0, 1.0
#: The air: a thermostat's swing, K, and period, s; a slow wander forgotten in so long, s; the sensor's noise, K. Its
#: steady value, fall and recovery spread as the estimator expects.
SWING_K, SWING_S, SLOW_S, AIR_NOISE_K = 1.5, 140.0, 300.0, 0.3
#: Members that are heated in one go: more leave the cache.
TOGETHER = 2048
LINE_MM: Mapping[str, float] = {"line_1": 30.0, "line_2": 60.0, "line_3": 90.0}


@dataclass(frozen=True)
class Truth:
    """Heats and what nobody at the oven knows of them.

    Attributes:
        members: one column a heat. heard: its air as it truly was. core_s: when the coldest point gets its minimum;
        spoilt_s: when the first of the other limits is broken; infinity for never.
    """

    case: Case
    of: Limits
    members: Members
    heard: tuple[Heard, ...]
    core_s: Array
    spoilt_s: Array
    disturbed: Disturbed | None = None


@dataclass(frozen=True)
class Disturbed:
    """What the model does not know: a grid twice as fine at a third of the tolerance, air that differs between the
    faces unseen by its sensors (K), slower sensors on the faces (factor), openings of the door, air that drifts (K).
    """

    uneven_k: float = 3.0
    lag: float = 2.5
    door_s: tuple[float, ...] = ()
    drift_k: float = 4.0


def virtual_heats(
    case: Case,
    of: Limits,
    heats: int,
    seed: int,
    until_s: float,
    disturbed: Disturbed | None = None,
    clock: bool = False,
) -> Truth:
    """Heats with truths drawn from the case's priors; `clock`: the air too, where nothing of it is measured."""
    random = np.random.default_rng(seed)
    time_s = np.arange(0.0, until_s + STEP_S, STEP_S)
    normals = random.standard_normal((len(names(case)), heats))
    heard = tuple(_air(case, time_s, random, disturbed) for _ in range(heats))
    if disturbed is not None and disturbed.door_s:
        case = replace(case, openings_s=(0.0, *disturbed.door_s))
    finer: dict[str, Any] = {"intervals": 2 * INTERVALS, "tolerance_k": TOLERANCE_K / 3.0}
    numerics = {} if disturbed is None else finer
    members = solve(case, of, None if clock else heard, normals, time_s, until_s, **numerics)
    hotter = np.fmax(members.upper_c, members.lower_c)
    spoilt = np.minimum(
        first_passed(time_s, hotter, members.face_max_c), first_passed(time_s, members.coldest_c, members.core_max_c)
    )
    if of.drop_max is not None and members.drop_ratio is not None:
        spoilt = np.minimum(spoilt, first_passed(time_s, members.drop_ratio, of.drop_max))
    core_s = first_passed(time_s, members.coldest_c, members.minimum_c)
    return Truth(case, of, members, heard, core_s, spoilt, disturbed)


def _air(case: Case, time_s: Array, random: np.random.Generator, disturbed: Disturbed | None) -> Heard:
    card = case.oven
    air = np.full_like(time_s, steady_air_c(card, case.set_c) + STEADY_STD_K * random.standard_normal())
    air += SWING_K * np.sin(2.0 * np.pi * (time_s / SWING_S + random.random()))
    air += _wander(random, len(time_s), DRIFT_STD_K, SLOW_S, STEP_S)
    openings = (0.0, *(disturbed.door_s if disturbed else ()))
    for opening in openings:
        fall = card.door_drop_k * (1.0 + FALL_REL_STD * random.standard_normal())
        since = np.maximum(time_s - opening, 0.0)
        recovery = card.recovery_s * np.exp(RECOVERY_LN_STD * random.standard_normal())
        air -= np.where(time_s >= opening, fall * np.exp(-since / recovery), 0.0)
    half = 0.0
    if disturbed is not None:
        air += disturbed.drift_k * random.standard_normal() * time_s / time_s[-1]
        half = 0.5 * disturbed.uneven_k * random.standard_normal()
    nothing = np.empty(0)
    return Heard(time_s, air + half, air - half, (0, 1), float(time_s[-1]), 0.0, None, nothing, nothing)


def readings(truth: Truth, heat: int, sensors: frozenset[str], seed: int) -> Observed:
    """What the sensors of a heat gave, with the noise that the estimator expects of them.

    Args:
        sensors: of 'air', 'face' (the upper), 'faces', 'drop', 'lines', 'clear'.
    """
    return sensed(truth, heat, sensors, seed)[0]


def sensed(truth: Truth, heat: int, sensors: frozenset[str], seed: int) -> tuple[Observed, Array | None]:
    """Readings of a heat, see `readings`, and the drop over radius that its sheet truly has at their times, wandering
    about what the sag law says; None without a drop sensor.
    """
    random = np.random.default_rng((seed, heat))
    members = truth.members
    time_s = np.arange(0.0, members.time_s[-1], READ_S)
    columns: dict[str, Array] = {}
    if "air" in sensors:
        upper, lower = truth.heard[heat].upper_c, truth.heard[heat].lower_c
        if truth.disturbed is not None:
            upper = lower = 0.5 * (upper + lower)
        for name, air in (("air_upper_c", upper), ("air_lower_c", lower)):
            columns[name] = np.interp(time_s, members.time_s, air) + AIR_NOISE_K * random.standard_normal(len(time_s))
    faces = {"face": ("upper",), "faces": ("upper", "lower")}
    for side in faces.get("faces" if "faces" in sensors else "face" if "face" in sensors else "", ()):
        face = np.interp(time_s, members.time_s, getattr(members, f"{side}_c")[:, heat])
        lag = (LAG_S if truth.disturbed is None else LAG_S * truth.disturbed.lag) * np.exp(
            LAG_LN_STD * members.normals[-3 if side == "upper" else -2, heat]
        )
        columns[f"face_{side}_c"] = (
            _lagged(face, lag)
            + BIAS_K * random.standard_normal()
            + _wander(random, len(time_s), WANDER_K, WANDER_S)
            + NOISE_K * random.standard_normal(len(time_s))
        )
    events, hangs = [], None
    if members.drop_ratio is not None and truth.case.opening_m is not None:
        radius_mm = equivalent_radius_m(truth.case.opening_m) * 1e3
        ratio = members.drop_ratio[:, heat]
        if "drop" in sensors:
            levelled = np.interp(time_s, members.time_s, flow(ratio)) + _wander(random, len(time_s), SAG_LN_STD, SAG_S)
            hangs = unflow(levelled)
            columns["drop_mm"] = (
                hangs * radius_mm
                + ZERO_MM * members.normals[-len(EXTRAS) - 1, heat]
                + NOISE_MM * random.standard_normal(len(time_s))
            )
        for line in LINES if "lines" in sensors else ():
            at = float(first_passed(members.time_s, ratio[:, None], LINE_MM[line] / radius_mm)[0])
            if np.isfinite(at):
                events.append(Event(max(at + LINE_S * random.standard_normal(), 1.0), line))
    if "clear" in sensors and members.clear_c is not None:
        at = float(first_passed(members.time_s, members.coldest_c[:, [heat]], members.clear_c[heat])[0])
        if np.isfinite(at):
            events.append(Event(at + CLEAR_S * random.standard_normal(), CLEAR))
    events += [Event(at, "door_open") for at in truth.case.openings_s if at > 0.0]
    return Observed(time_s, columns, tuple(sorted(events, key=lambda event: event.time_s))), hangs


def _lagged(truth: Array, lag_s: float) -> Array:
    decay = np.exp(-READ_S / lag_s)
    reading = np.empty_like(truth)
    reading[0] = truth[0]
    for i in range(1, len(truth)):
        reading[i] = truth[i] + (reading[i - 1] - truth[i]) * decay
    return reading


def _wander(random: np.random.Generator, count: int, std: float, forgotten_s: float, step_s: float = READ_S) -> Array:
    decay = np.exp(-step_s / forgotten_s)
    kicks = std * np.sqrt(1.0 - decay * decay) * random.standard_normal(count)
    wander = np.empty(count)
    wander[0] = std * random.standard_normal()
    for i in range(1, count):
        wander[i] = decay * wander[i - 1] + kicks[i]
    return wander


def together(estimators: Sequence[Estimator], seen: Sequence[Observed], now_s: Sequence[float]) -> list[Estimate]:
    """Estimates of several heats of one case; members that share a grid are heated in one go."""
    asking = [one.asking(heat, now) for one, heat, now in zip(estimators, seen, now_s, strict=True)]
    answers: dict[int, Estimate] = {}
    waiting: dict[int, Request] = {}

    def ask(i: int, members: Members | None) -> None:
        try:
            waiting[i] = next(asking[i]) if members is None else asking[i].send(members)
        except StopIteration as done:
            answers[i] = done.value

    for i in range(len(asking)):
        ask(i, None)
    while waiting:
        groups: dict[bytes, list[int]] = {}
        for i, request in waiting.items():
            groups.setdefault(request.time_s.tobytes() + bytes([request.air is None]), []).append(i)
        # The earliest moment first: heats that were come into later catch up with the others.
        earliest = min(waiting[group[0]].now_s for group in groups.values())
        for group in groups.values():
            if waiting[group[0]].now_s > earliest:
                continue
            size = waiting[group[0]].normals.shape[1]
            for start in range(0, len(group), max(1, TOGETHER // size)):
                some = group[start : start + max(1, TOGETHER // size)]
                requests = [waiting.pop(i) for i in some]
                for i, members in zip(some, solved(requests), strict=True):
                    ask(i, members)
    return [answers[i] for i in range(len(asking))]


def solved(requests: Sequence[Request]) -> list[Members]:
    """The members of several requests of one case, grid and moment."""
    first, size = requests[0], requests[0].normals.shape[1]
    heard = None if first.air is None else [request.air for request in requests if request.air is not None]
    normals = np.concatenate([request.normals for request in requests], axis=1)
    members = solve(first.case, first.of, heard, normals, first.time_s, first.now_s)
    return [members.columns(slice(i * size, (i + 1) * size)) for i in range(len(requests))]
