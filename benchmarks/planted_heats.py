"""Virtual heats in which one thing is otherwise than stated: the truths of the diagnosis' proof.

Every heat has its own oven, sheet, air and sensors, drawn as in `virtual_heats`; the truth is solved on a grid twice as
fine at a third of the tolerance. A plant is what one heat has, and how much of it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import interpn

from calibration.air import Heard
from calibration.evidence import SAG_LN_STD, first_passed, flow, unflow
from calibration.members import INTERVALS, Members, names, solve
from calibration.observed import AIR, Observed
from thermal.carries import carry_of
from thermal.case import Case, Film
from thermal.conduction import TOLERANCE_K
from thermal.heat import Event
from thermal.oven import Tray
from thermal.polymer_data import shipped_polymer
from thermal.window import Limits
from virtual_heats import AIR_NOISE_K, READ_S, STEP_S, SWING_K, SWING_S, Truth, _air, sensed

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
FILM, POLYMER, TRAY = "film upper", "polymer hdpe", "tray cold"
EARLY, LATE, HOT, CARRIED = "pulled early", "pulled late", "face overheated", "carried too long"
LOW, HIGH, DOOR, NOT_READY = "oven off low", "oven off high", "door opened", "oven not ready"
LOOSE, DRIFTING, FROZEN, SWAPPED = "loose", "drifting", "frozen", "swapped"
#: Without a size of their own.
WHOLE = (FILM, POLYMER, TRAY, FROZEN, SWAPPED)
SOUND = "nothing unusual"
LABELS = (SOUND, *MOVES, *WHOLE, LOW, HIGH, DOOR, NOT_READY, LOOSE, DRIFTING, EARLY, LATE, HOT, CARRIED)
#: Sheets are pulled so much above the least core temperature, K, where their bubble is not beyond its most by then; the
#: air that a late reading may be of, s.
_ABOVE_K, _UNTIL_S = (1.0, 4.0), 1500.0
#: Of so many times as many heats those are taken that could be pulled in time.
_DRAWN = 4
#: 'Face overheated' is planted in an oven set to this, °C, whose faces come to about that by the time the core has its
#: least, °C: the sheet's faces stand less.
_HOT_SET_C, _HOT_FACE_C = 230.0, 184.0
#: A tray that is warm when the sheet is put on it, and one that was taken cold; °C.
_WARM, _COLD_C = Tray(8.1, 900.0, 150.0, 150.0), 22.0
#: The air is read for so long before the door is opened, s; an oven that is not ready lacks more the earlier, with this
#: time constant, s, down to the room's temperature, °C.
_READ_BEFORE_S, _RISES_S, ROOM_C = 300.0, 300.0, 22.0
#: Readings of the drop, the last ones, that make one: within some seconds the wander drawn is rougher than any sheet.
_STEADY = 5
#: A drop that is seen wanders about the sag law, hardly further than so far, logarithm of the flow.
_WANDERS = 2.5 * SAG_LN_STD
#: Sheets reach the mold in this share of the time that they stay formable.
_IN_TIME = (0.3, 0.7)


@dataclass(frozen=True)
class Plant:
    """What is planted in one heat: a label of `LABELS`, and its size in the cause's unit: logarithm for factors, K, the
    share of the air that a loose sensor reads, true drop over radius beyond the most for 'pulled late', logarithm of
    carry over formable for 'carried too long'. second: what is planted besides.
    """

    label: str
    size: float
    second: Plant | None = None

    @property
    def parts(self) -> tuple[Plant, ...]:
        """All that is planted, each by itself."""
        return (self,) if self.second is None else (self, self.second)

    def size_of(self, *labels: str) -> float | None:
        """The size of the first of some labels that is planted; None where none is."""
        return next((one.size for one in self.parts if one.label in labels), None)


@dataclass(frozen=True)
class Planted:
    """A heat with what was planted; case and limits as stated; `seen` up to its end, s; how long it was carried, s."""

    plant: Plant
    case: Case
    of: Limits
    seen: Observed
    end_s: float
    core_c: float
    carried_s: float


def planted(
    case: Case, of: Limits, plants: Sequence[Plant], sensors: frozenset[str], seed: int, finer: bool = True
) -> list[Planted]:
    """One heat a plant, all different."""
    groups: dict[tuple[str, float], list[int]] = {}
    for i, plant in enumerate(plants):
        whole = next((one for one in plant.parts if one.label in (*WHOLE, HOT)), Plant("", 0.0))
        key = (whole.label, whole.size if whole.label == HOT else 0.0)
        groups.setdefault(key, []).append(i)
    found: dict[int, Planted] = {}
    for key, some in groups.items():
        stated, limits, true = _cases(case, of, Plant(*key))
        own = seed + 1000 * len(key[0]) + round(100.0 * key[1])
        truth = _truth(true, limits, [plants[i] for i in some], own, finer, _WANDERS if "drop" in sensors else 0.0)
        for k, i in enumerate(some):
            found[i] = _recorded(stated, truth, k, plants[i], sensors, (own, k))
    return [found[i] for i in range(len(plants))]


def _cases(case: Case, of: Limits, plant: Plant) -> tuple[Case, Limits, Case]:
    """Case and limits as they are stated, and the true case."""
    if plant.label == FILM:
        return case, of, replace(case, film=(Film(), None))
    if plant.label == POLYMER:
        return case, of, replace(case, polymer=shipped_polymer("hdpe"))
    if plant.label == HOT:
        hotter = replace(case, set_c=_HOT_SET_C)
        return hotter, replace(of, face_max_c=_HOT_FACE_C - plant.size), hotter
    if plant.label == TRAY:
        warm, cold = (
            replace(case, support="tray", opening_m=None, oven=replace(case.oven, tray=tray))
            for tray in (_WARM, replace(_WARM, start_c=_COLD_C))
        )
        return warm, replace(of, drop_max=None), cold
    return case, of, case


def _truth(case: Case, of: Limits, plants: Sequence[Plant], seed: int, finer: bool, wanders: float) -> Truth:
    random = np.random.default_rng(seed)
    time_s = np.arange(0.0, _UNTIL_S + STEP_S, STEP_S)
    several = [plant for plant in plants for _ in range(_DRAWN)]
    normals = random.standard_normal((len(names(case)), len(several)))
    heard = [_planted_air(case, _air(case, time_s, random, None), plant, random) for plant in several]
    moved: dict[str, Array] = {}
    for k, plant in enumerate(several):
        for one in plant.parts:
            for name in MOVES.get(one.label, ((), 0.0))[0]:
                factor = name in FACTORS
                column = moved.setdefault(name, np.full(len(several), 1.0 if factor else 0.0))
                size = MOVES[one.label][1] * one.size
                column[k] = np.exp(size) if factor else size
    grid = (2 * INTERVALS, TOLERANCE_K / 3.0) if finer else (INTERVALS, TOLERANCE_K)
    members = solve(case, of, heard, normals, time_s, _UNTIL_S, *grid, moved=moved)
    kept = _in_time(of, members, plants, wanders)
    core_s = first_passed(time_s, members.coldest_c, members.minimum_c)[kept]
    heard = [heard[k] for k in kept]
    return Truth(case, of, members.columns(kept), tuple(heard), core_s, np.full(len(plants), np.inf))


def _in_time(of: Limits, members: Members, plants: Sequence[Plant], wanders: float) -> NDArray[np.intp]:
    """Of the heats drawn for each plant the first that could be pulled in time, its bubble not beyond its most however
    the sag law wanders (logarithm of the flow); for a late pull the first that comes to hang so low once its core is
    ready.
    """
    ready_s = first_passed(members.time_s, members.coldest_c, members.minimum_c + _ABOVE_K[1])
    never = ~np.isfinite(ready_s)
    most_s = np.full(len(ready_s), np.inf)
    if of.drop_max is not None and members.drop_ratio is not None:
        late = np.repeat([plant.size_of(LATE) or 0.0 for plant in plants], _DRAWN)
        most_s, late_s = (
            first_passed(members.time_s, members.drop_ratio, unflow(flow(of.drop_max + late) + side * wanders))
            for side in (-1.0, 1.0)
        )
        never |= ~np.isfinite(late_s) & (late > 0.0)
    spare_s = np.where(never, -np.inf, np.minimum(most_s - np.where(never, 0.0, ready_s), 0.0)).reshape(-1, _DRAWN)
    result: NDArray[np.intp] = np.arange(len(spare_s)) * _DRAWN + np.argmax(spare_s, axis=1)
    return result


def _planted_air(case: Case, air: Heard, plant: Plant, random: np.random.Generator) -> Heard:
    """The air of a heat and before it, measured as it is: off its display, late, or with a door that nobody marked."""
    shift: Array = np.zeros_like(air.time_s)
    before_s = np.arange(-_READ_BEFORE_S, 0.0, 5.0 * READ_S)
    settled_c = float(np.mean(air.upper_c[-round(300.0 / STEP_S) :]))
    before_c = settled_c + SWING_K * np.sin(2.0 * np.pi * (before_s / SWING_S + random.random()))
    low_k, high_k, fell_k, lacks_k = (plant.size_of(label) for label in (LOW, HIGH, DOOR, NOT_READY))
    if low_k is not None or high_k is not None:
        off_k = (high_k or 0.0) - (low_k or 0.0)
        shift, before_c = shift + off_k, before_c + off_k
    if fell_k is not None:
        since = air.time_s - random.uniform(150.0, 450.0)
        recovery_s = case.oven.recovery_s * np.exp(0.35 * random.standard_normal())
        recovering = np.exp(-np.maximum(since, 0.0) / recovery_s)
        shift = shift - np.where(since >= 0.0, fell_k * recovering, 0.0)
    if lacks_k is not None:
        shift = shift - lacks_k * np.exp(-air.time_s / _RISES_S)
        before_c = np.maximum(before_c - lacks_k * np.exp(-before_s / _RISES_S), ROOM_C)
    return replace(
        air, upper_c=air.upper_c + shift, lower_c=air.lower_c + shift, before_s=before_s, before_c=before_c
    )  # fmt: skip


def _recorded(
    stated: Case, truth: Truth, heat: int, plant: Plant, sensors: frozenset[str], seed: tuple[int, int]
) -> Planted:
    random = np.random.default_rng((*seed, len(plant.label)))
    seen, hangs = sensed(truth, heat, sensors, seed[0])
    members = truth.members
    if hangs is not None:
        hangs = np.convolve(hangs, np.full(_STEADY, 1.0 / _STEADY))[: len(hangs)]
    end_s = min(_pulled_s(truth, heat, plant, seen.time_s, hangs, random), _UNTIL_S - 10.0)
    drop = None if hangs is None else float(np.interp(end_s, seen.time_s, hangs))
    seen = _with_before(seen, truth.heard[heat], random)
    seen = _faulty(seen, plant, end_s, random).until(end_s)
    events = tuple(event for event in seen.events if event.time_s < end_s - 1.0)
    core_c = float(np.interp(end_s, members.time_s, members.coldest_c[:, heat]))
    seen = replace(seen, events=(*events, Event(end_s, "pulled")))
    carried_s = _carried_s(truth, heat, plant, end_s, drop, random)
    return Planted(plant, stated, truth.of, seen, end_s, core_c, carried_s)


def _with_before(seen: Observed, air: Heard, random: np.random.Generator) -> Observed:
    """The air's readings before the door too."""
    time_s = np.arange(-_READ_BEFORE_S, 0.0, READ_S)
    before_c = np.interp(time_s, air.before_s, air.before_c)
    columns = {}
    for name, values in seen.columns.items():
        noisy = before_c + AIR_NOISE_K * random.standard_normal(len(time_s))
        columns[name] = np.concatenate([noisy if name in AIR else np.full(len(time_s), np.nan), values])
    return replace(seen, time_s=np.concatenate([time_s, seen.time_s]), columns=columns)


def _pulled_s(
    truth: Truth, heat: int, plant: Plant, time_s: Array, hangs: Array | None, random: np.random.Generator
) -> float:
    """When it is pulled, s: in time, but where it is planted otherwise; a bubble that is seen, `hangs` at `time_s`, is
    not let fall beyond its most once the core has its least.
    """
    members, early_k, late = truth.members, plant.size_of(EARLY), plant.size_of(LATE)
    if late is not None:
        if hangs is None or truth.of.drop_max is None:
            raise ValueError(f"{plant}: expected a drop sensor and a most drop for a late pull")
        return float(first_passed(time_s, hangs[:, None], truth.of.drop_max + late)[0])
    above = np.array([0.0, random.uniform(*_ABOVE_K) if early_k is None else -early_k])
    passed = members.coldest_c[:, [heat, heat]]
    least_s, end_s = map(float, first_passed(members.time_s, passed, members.minimum_c[heat] + above))
    if hangs is not None and truth.of.drop_max is not None:
        most_s = float(first_passed(time_s, hangs[:, None], truth.of.drop_max)[0])
        end_s = min(end_s, max(most_s, least_s))
    return end_s


def _carried_s(
    truth: Truth, heat: int, plant: Plant, end_s: float, drop: float | None, random: np.random.Generator
) -> float:
    """From the oven to the mold, s: in time, but where it is planted otherwise; drop: over radius, where it is seen."""
    beyond = plant.size_of(CARRIED)
    share = random.uniform(*_IN_TIME) if beyond is None else float(np.exp(beyond))
    members = truth.members
    kept = [members.upper_c, members.coldest_c, members.lower_c, members.drop_ratio]
    upper, core, lower, law = (
        0.0 if values is None else float(np.interp(end_s, members.time_s, values[:, heat])) for values in kept
    )
    return share * formable_s(truth.case, (upper, core, lower), law if drop is None else drop)


#: Mean temperatures, °C, and drops over radius at which a carry is computed once.
_CARRY_C, _CARRY_DROP = (140.0, 160.0, 180.0, 200.0), (0.0, 0.4, 0.8, 1.2)


def formable_s(case: Case, profile_c: tuple[float, float, float], drop_ratio: float) -> float:
    """How long a sheet stays formable, s, by its mean temperature (upper face, middle, lower face; Simpson's rule) and
    its drop, between carries that were computed once for the case: a bank of heats takes thousands.
    """
    mean_c = (profile_c[0] + 4.0 * profile_c[1] + profile_c[2]) / 6.0
    table = _carries(case)
    at = (np.clip(mean_c, _CARRY_C[0], _CARRY_C[-1]), np.clip(drop_ratio, _CARRY_DROP[0], _CARRY_DROP[-1]))
    return float(interpn((_CARRY_C, _CARRY_DROP), table, at)[0])


_TABLES: dict[tuple[str, float, str], Array] = {}


def _carries(case: Case) -> Array:
    key = (case.polymer.id, case.gauge_m, case.support)
    if key not in _TABLES:
        drops = _CARRY_DROP if case.drops else (0.0,) * len(_CARRY_DROP)
        _TABLES[key] = np.array(
            [
                [carry_of(case, np.full(INTERVALS + 1, mean_c), drop, ROOM_C).formable_s or np.inf for drop in drops]
                for mean_c in _CARRY_C
            ]
        )
    return _TABLES[key]


def _faulty(seen: Observed, plant: Plant, end_s: float, random: np.random.Generator) -> Observed:
    """A thermocouple that does not say what it should, or two in each other's place."""
    name = "face_upper_c"
    fault = next((one for one in plant.parts if one.label in (LOOSE, DRIFTING, FROZEN, SWAPPED)), None)
    if name not in seen.columns or fault is None:
        return seen
    if fault.label == SWAPPED:
        upper, lower = seen.columns["face_upper_c"], seen.columns["face_lower_c"]
        return replace(seen, columns={**seen.columns, "face_upper_c": lower, "face_lower_c": upper})
    values, from_s = seen.columns[name].copy(), float(random.uniform(0.2, 0.6)) * end_s
    after = seen.time_s >= from_s
    if fault.label == LOOSE:
        air = np.mean([seen.columns[each] for each in seen.columns if each in AIR], axis=0)
        values[after] += fault.size * (air[after] - values[after])
    elif fault.label == DRIFTING:
        values += fault.size * seen.time_s / end_s * float(random.choice([-1.0, 1.0]))
    else:
        values[after] = values[np.argmax(after)]
    return replace(seen, columns={**seen.columns, name: values})


def as_stated(heats: Sequence[Planted], time_s: Array, heard: Sequence[Heard]) -> Members:
    """Heats of one stated case as they would have gone with everything as stated, in their own measured air."""
    case, of = heats[0].case, heats[0].of
    return solve(case, of, heard, np.zeros((len(names(case)), len(heats))), time_s, float(time_s[-1]))
