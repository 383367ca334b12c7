"""Virtual heats in which one thing is otherwise than stated: the truths of the diagnosis' proof.

Every heat has its own oven, sheet, air and sensors, drawn as in `virtual_heats`; the truth is solved on a grid twice as
fine at a third of the tolerance. A plant is what one heat has, and how much of it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from calibration.air import Heard
from calibration.evidence import first_passed
from calibration.members import INTERVALS, Members, names, solve
from calibration.observed import Observed
from thermal.case import Case, Film
from thermal.conduction import TOLERANCE_K
from thermal.heat import Event
from thermal.polymer_data import shipped_polymer
from thermal.window import Limits
from virtual_heats import STEP_S, Truth, _air, readings

Array = NDArray[np.float64]

#: What is planted: label -> departures that move with its size (factor: logarithm).
MOVES: dict[str, tuple[tuple[str, ...], float]] = {
    "gauge thick": (("gauge",), 1.0),
    "gauge thin": (("gauge",), -1.0),
    "start cold": (("start_k",), -1.0),
    "face upper cold": (("h_upper",), -1.0),
    "face lower cold": (("h_lower",), -1.0),
    "oven drifted weak": (("h_upper", "h_lower"), -1.0),
}
FACTORS = ("gauge", "h_upper", "h_lower")
#: Without a size of their own.
WHOLE = ("film upper", "polymer hdpe")
OTHERS = ("oven off low", "oven off high", "door opened", "loose", "drifting", "frozen", "pulled early")
SOUND = "nothing unusual"
LABELS = (SOUND, *MOVES, *WHOLE, *OTHERS)
#: Sound heats are pulled so much above the least core temperature, K; the air that a late reading may be of, s.
_ABOVE_K, _UNTIL_S = (1.0, 4.0), 1500.0


@dataclass(frozen=True)
class Plant:
    """What is planted in one heat: a label of `LABELS`, and its size in the cause's unit."""

    label: str
    size: float


@dataclass(frozen=True)
class Planted:
    """A heat with what was planted; `seen` up to its end, s."""

    plant: Plant
    seen: Observed
    end_s: float
    core_c: float


def planted(
    case: Case, of: Limits, plants: Sequence[Plant], sensors: frozenset[str], seed: int, finer: bool = True
) -> list[Planted]:
    """One heat a plant, all different."""
    groups: dict[str, list[int]] = {}
    for i, plant in enumerate(plants):
        groups.setdefault(plant.label if plant.label in WHOLE else "", []).append(i)
    found: dict[int, Planted] = {}
    for label, some in groups.items():
        truth = _truth(_case(case, label), of, [plants[i] for i in some], seed + 1000 * len(label), finer)
        for k, i in enumerate(some):
            found[i] = _recorded(truth, k, plants[i], sensors, seed)
    return [found[i] for i in range(len(plants))]


def _case(case: Case, label: str) -> Case:
    if label == "film upper":
        return replace(case, film=(Film(), None))
    return replace(case, polymer=shipped_polymer("hdpe")) if label == "polymer hdpe" else case


def _truth(case: Case, of: Limits, plants: Sequence[Plant], seed: int, finer: bool) -> Truth:
    random = np.random.default_rng(seed)
    time_s = np.arange(0.0, _UNTIL_S + STEP_S, STEP_S)
    normals = random.standard_normal((len(names(case)), len(plants)))
    heard = [_planted_air(case, _air(case, time_s, random, None), plant, random) for plant in plants]
    moved: dict[str, Array] = {}
    for k, plant in enumerate(plants):
        for name in MOVES.get(plant.label, ((), 0.0))[0]:
            factor = name in FACTORS
            column = moved.setdefault(name, np.full(len(plants), 1.0 if factor else 0.0))
            size = MOVES[plant.label][1] * plant.size
            column[k] = np.exp(size) if factor else size
    grid = (2 * INTERVALS, TOLERANCE_K / 3.0) if finer else (INTERVALS, TOLERANCE_K)
    members = solve(case, of, heard, normals, time_s, _UNTIL_S, *grid, moved=moved)
    core_s = first_passed(time_s, members.coldest_c, members.minimum_c)
    return Truth(case, of, members, tuple(heard), core_s, np.full(len(plants), np.inf))


def _planted_air(case: Case, air: Heard, plant: Plant, random: np.random.Generator) -> Heard:
    """The air of a heat, measured as it is: off its display, or with a door that nobody marked."""
    shift: Array = np.zeros_like(air.time_s)
    if plant.label.startswith("oven off"):
        shift = shift + (plant.size if plant.label.endswith("high") else -plant.size)
    if plant.label == "door opened":
        since = air.time_s - random.uniform(150.0, 450.0)
        recovering = np.exp(-np.maximum(since, 0.0) / (0.7 * case.oven.recovery_s))
        shift = shift - np.where(since >= 0.0, plant.size * recovering, 0.0)
    return replace(air, upper_c=air.upper_c + shift, lower_c=air.lower_c + shift)


def _recorded(truth: Truth, heat: int, plant: Plant, sensors: frozenset[str], seed: int) -> Planted:
    random = np.random.default_rng((seed, heat, len(plant.label)))
    seen = readings(truth, heat, sensors, seed)
    members = truth.members
    above = -plant.size if plant.label == "pulled early" else random.uniform(*_ABOVE_K)
    wanted = members.minimum_c[heat] + above
    end_s = float(first_passed(members.time_s, members.coldest_c[:, [heat]], wanted)[0])
    end_s = min(end_s, _UNTIL_S - 10.0)
    seen = _faulty(truth.case, seen, plant, end_s, random).until(end_s)
    events = tuple(event for event in seen.events if event.time_s < end_s - 1.0)
    core_c = float(np.interp(end_s, members.time_s, members.coldest_c[:, heat]))
    return Planted(plant, replace(seen, events=(*events, Event(end_s, "pulled"))), end_s, core_c)


def _faulty(case: Case, seen: Observed, plant: Plant, end_s: float, random: np.random.Generator) -> Observed:
    """A thermocouple that does not say what it should."""
    name = "face_upper_c"
    if name not in seen.columns or plant.label not in ("loose", "drifting", "frozen"):
        return seen
    values, from_s = seen.columns[name].copy(), float(random.uniform(0.2, 0.6)) * end_s
    after = seen.time_s >= from_s
    if plant.label == "loose":
        air = np.mean([seen.columns[each] for each in seen.columns if each.startswith("air")], axis=0)
        values[after] += plant.size * (air[after] - values[after])
    elif plant.label == "drifting":
        values += plant.size * seen.time_s / end_s * float(random.choice([-1.0, 1.0]))
    else:
        values[after] = values[np.argmax(after)]
    return replace(seen, columns={**seen.columns, name: values})


def as_stated(case: Case, of: Limits, heats: Sequence[Planted], time_s: Array, heard: Sequence[Heard]) -> Members:
    """The heats as they would have gone with everything as stated, in their own measured air."""
    return solve(case, of, heard, np.zeros((len(names(case)), len(heats))), time_s, float(time_s[-1]))
