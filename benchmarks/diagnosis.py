# ruff: noqa: E402 (threads must be switched off before numpy is imported)
"""The diagnosis on virtual heats with planted causes: confusion table, false alarms, and beside it a classifier that
knows the simulator.

    python benchmarks/diagnosis.py --blocks 10 --sets face --reference 40 --into heats.jsonl
    python benchmarks/diagnosis.py --alike --reference 100    what that classifier cannot tell apart

Sizes are multiples of the smallest size that can be told: for what is an unknown of its own, its posterior's standard
deviation in a sound heat times what the prior odds ask for (found 9 times of 10 by a normal posterior); for the rest as
`CONSTANT` says. How long the full table takes is said in docs/numerics.md.
"""

from __future__ import annotations

import argparse
import datetime
import json
import os
import platform
from collections import Counter
from collections.abc import Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import asdict, dataclass
from itertools import pairwise
from pathlib import Path

for _variable in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ[_variable] = "1"

import numpy as np
from numpy.typing import NDArray
from scipy.stats import beta

from calibration import air, diagnosis
from calibration.air_signs import air_signs
from calibration.alternative_fit import beginning, fit
from calibration.alternatives import Alternative, alternatives
from calibration.diagnosis import Around, Diagnosis, Finding, diagnose, explanations
from calibration.doubt import believed, set_aside
from calibration.evidence import CLEAR, LINES, first_passed, flow
from calibration.given import given
from calibration.members import Members
from calibration.observed import AIR
from calibration.reconstruction import profile_at_pull
from live_cases import CALIBRATED, cell
from planted_heats import (
    CARRIED,
    DOOR,
    DRIFTING,
    EARLY,
    FROZEN,
    HIGH,
    HOT,
    LABELS,
    LATE,
    LOOSE,
    LOW,
    MOVES,
    NOT_READY,
    ROOM_C,
    SOUND,
    SWAPPED,
    TRAY,
    WHOLE,
    Plant,
    Planted,
    as_stated,
    formable_s,
    planted,
)
from thermal.carries import carry_of
from thermal.case import Case
from thermal.polymer_data import shipped_polymer
from thermal.preheat import Preheat, judge_preheat
from thermal.sag import equivalent_radius_m
from thermal.window import Limits
from virtual_heats import LINE_MM

Array = NDArray[np.float64]

GAUGE_MM, OPENING_M = 6.0, (0.3,)
SETS = {
    "air": frozenset({"air"}),
    "face": frozenset({"air", "face"}),
    "drop": frozenset({"air", "face", "drop"}),
    "marks": frozenset({"air", "face", "drop", "lines", "clear"}),
    "faces": frozenset({"air", "faces"}),
}
#: Smallest sizes of what is no unknown of its own, in the plant's unit; by set 'pulled early' and 'face overheated'
#: (three times the spread of what is computed of the core and of the faces at the pull) and 'carried too long' (the
#: spread of the carry times what the prior odds ask for).
CONSTANT = {LOW: 11.0, HIGH: 11.0, DOOR: 7.0, NOT_READY: 10.0, LOOSE: 0.25, DRIFTING: 8.0, LATE: 0.05}
EARLY_K = {"air": 12.0, "face": 9.0, "drop": 3.0, "marks": 3.0, "faces": 9.0}
CARRIED_LN = {"air": 1.0, "face": 1.0, "drop": 0.7, "marks": 0.7, "faces": 1.0}
HOT_K = {"air": 8.0, "face": 6.0, "drop": 5.0, "marks": 5.0, "faces": 6.0}
#: Never planted larger: beyond is no heat of a shop. Logarithm for factors, K, share.
MOST = {"gauge": 0.45, "h_upper": 1.2, "h_lower": 1.2, "start_k": 40.0}
MOST_OF = {LOOSE: 0.95, LATE: 0.2, HOT: 24.0, EARLY: 30.0, CARRIED: 1.5}
#: What a set of sensors cannot tell apart by the reference (`--alike`, 2026-11-27), fixed before the diagnosis was run:
#: named as one. And what it takes for a sound heat: planted and shown, but not counted.
_WEAK = frozenset({"face upper cold", "oven drifted weak"})
ALIKE: dict[str, tuple[frozenset[str], ...]] = {"face": (_WEAK,), "drop": (_WEAK,), "marks": (_WEAK,)}
UNSEEN: dict[str, frozenset[str]] = {kind: frozenset({"film upper"}) for kind in ("face", "drop", "marks", "faces")}
#: Where nothing of the sheet is measured only what the air and the clock show can be planted to any purpose; a late
#: pull where the bubble is measured; swapped thermocouples where there are two; on a tray there is no bubble.
OF_AIR = (SOUND, LOW, HIGH, DOOR, NOT_READY, EARLY, HOT, CARRIED)
PLANTED = {
    "air": OF_AIR,
    "face": tuple(label for label in LABELS if label not in (LATE, SWAPPED)),
    "drop": tuple(label for label in LABELS if label not in (SWAPPED, TRAY)),
    "marks": tuple(label for label in LABELS if label not in (SWAPPED, TRAY)),
    "faces": tuple(label for label in LABELS if label not in (LATE, TRAY)),
}
#: Two at once, of which neither hides the other, each at the largest size asked for.
PAIRS = {
    "air": ((LOW, DOOR), (DOOR, CARRIED), (EARLY, CARRIED)),
    "face": (("gauge thick", DOOR), ("gauge thin", LOW), ("start cold", DOOR), ("face upper cold", CARRIED),
             ("gauge thick", "start cold"), (LOOSE, DOOR), (EARLY, CARRIED)),
}  # fmt: skip
PAIRS["drop"] = PAIRS["marks"] = PAIRS["faces"] = PAIRS["face"]
POLYMERS = ("hdpe", "pp-block-copolymer", "ldpe")


def label_of(one: Finding) -> str:
    """A finding as a planted label has it."""
    high = (one.size or 0.0) > 0.0
    words = {
        "gauge": ("gauge thin", "gauge thick"),
        "start": ("start cold", "start warm"),
        "oven off": (LOW, HIGH),
        "oven drifted": ("oven drifted weak", "oven drifted strong"),
        "face": (f"face {one.of} cold", f"face {one.of} hot"),
    }.get(one.kind)
    if words is not None:
        return words[int(high)]
    return one.kind if one.kind in (LOOSE, DRIFTING, FROZEN, SWAPPED) else one.name


def same(kind: str, first: str, second: str) -> bool:
    """Whether two labels are one for a set of sensors."""
    return first == second or any(first in group and second in group for group in ALIKE.get(kind, ()))


def smallest(case: Case, of: Limits, kind: str, seed: int) -> dict[str, float]:
    """The smallest size of each planted cause that can be told with a set of sensors."""
    found = {**CONSTANT, EARLY: EARLY_K[kind], HOT: HOT_K[kind], CARRIED: CARRIED_LN[kind], SOUND: 0.0,
             **dict.fromkeys(WHOLE, 1.0)}  # fmt: skip
    if kind == "air":
        return found
    heat = planted(case, of, [Plant(SOUND, 0.0)], SETS[kind], seed)[0]
    known = given(case, of, believed(case, heat.seen).seen, LINE_MM, heat.end_s)
    start = beginning(known)
    singles = {one.moves[0].names: one for one in alternatives(known.case, known.seen, known.end_s) if one.moves}
    for label, (moved, _) in MOVES.items():
        one = singles[moved]
        std = fit(known, [Alternative(one.causes)], start)[0].moved[0][1]
        asked = np.sqrt(max(2.0 * (-one.log_prior + np.log(one.moves[0].std / std)), 0.0)) + 1.28
        found[label] = min(float(std * asked), MOST[moved[0]])
    return found


def diagnosed(kind: str, heat: Planted, polymers: Sequence[str] = POLYMERS) -> Diagnosis:
    """One heat through the diagnosis, as the review does it."""
    case, trust = heat.case, believed(heat.case, heat.seen)
    known = given(case, heat.of, trust.seen, LINE_MM, heat.end_s)
    fits = explanations(known, tuple(map(shipped_polymer, polymers)))
    carry = carry_of(fits[0].alternative.case(case), *profile_at_pull(known, fits[0]), ROOM_C)
    around = Around(
        preheat=_preheat(heat),
        carried_s=heat.carried_s,
        formable_s=carry.formable_s,
        aside=tuple(set_aside(case, heat.seen)),
    )
    return diagnose(known, fits, around)


def _preheat(heat: Planted) -> Preheat:
    before = heat.seen.time_s < 0.0
    air_c = np.mean([heat.seen.columns[name][before] for name in AIR], axis=0)
    return judge_preheat(heat.case.oven, heat.case.set_c, heat.seen.time_s[before], air_c)


def plants(
    kind: str, count: int, sound: int, sizes: Sequence[float], least: dict[str, float]
) -> list[tuple[Plant, float]]:
    """`count` heats of each cause and size, with the multiple of the smallest, and the sound ones; none of a cause that
    cannot be told in any size.
    """
    found = []
    for label in PLANTED[kind]:
        most = MOST[MOVES[label][0][0]] if label in MOVES else MOST_OF.get(label, np.inf)
        if label == SOUND or least[label] >= most:
            continue
        for size in sizes if label not in WHOLE else (1.0,):
            found += [(Plant(label, min(size * least[label], most)), size)] * count
    return found + [(Plant(SOUND, 0.0), 0.0)] * sound


def paired(kind: str, count: int, size: float, least: dict[str, float]) -> list[tuple[Plant, float]]:
    """`count` heats of each pair of causes."""

    def one(label: str, second: Plant | None = None) -> Plant:
        most = MOST[MOVES[label][0][0]] if label in MOVES else MOST_OF.get(label, np.inf)
        return Plant(label, min(size * least[label], most), second)

    return [(one(first, one(second)), size) for first, second in PAIRS[kind] for _ in range(count)]


# ---------------------------------------------------------------- a classifier that knows the simulator

_BINS, _DROPS = 14, 6
_NEVER_S = 300.0


def features(heats: Sequence[Planted]) -> Array:
    """What heats show against everything as stated, (heats, features): the faces' departures in parts of the heat, the
    air's signs and those of the preheat, the computed core and faces at the pull against their limits, how far drop and
    marks were from where they were expected, and the carry.
    """
    groups: dict[tuple[object, ...], list[int]] = {}
    for i, heat in enumerate(heats):
        groups.setdefault((heat.case.set_c, heat.case.support, heat.of.face_max_c), []).append(i)
    time_s = np.arange(0.0, 1500.0, 10.0)
    rows: dict[int, Array] = {}
    for own in groups.values():
        some = [heats[i] for i in own]
        airs = [air.heard(one.case, one.seen, time_s, one.end_s) for one in some]
        members = as_stated(some, time_s, [one for one in airs if one is not None])
        rows |= {i: _features(members, heats[i], k) for k, i in enumerate(own)}
    return np.stack([rows[i] for i in range(len(heats))])


def _features(members: Members, heat: Planted, k: int) -> Array:
    rows: list[float] = []
    for side in ("upper", "lower"):
        name = f"face_{side}_c"
        if name in heat.seen.columns:
            rows += _off_in_parts(heat, name, members.time_s, getattr(members, f"{side}_c")[:, k])
    signs = air_signs(heat.case, heat.seen, heat.end_s)
    if signs is not None:
        rows += [signs.settled_c - signs.expected_c, np.clip(signs.opened, -4.0, 12.0), min(signs.opened_k, 25.0)]
    before = _preheat(heat)
    rows += [before.drift_k_min or 0.0, before.departure_k or 0.0]
    inside = members.time_s <= heat.end_s
    ends = [float(np.interp(heat.end_s, members.time_s, values[:, k]))
            for values in (members.upper_c, members.coldest_c, members.lower_c)]  # fmt: skip
    hottest = float(np.nanmax(np.fmax(members.upper_c, members.lower_c)[inside, k]))
    rows += [ends[1] - heat.of.core_min_c, hottest - heat.of.face_max_c]
    rows += _of_bubble(members, heat, k)
    drop = members.drop_ratio
    dropped = 0.0 if drop is None else float(np.interp(heat.end_s, members.time_s, drop[:, k]))
    return np.array([*rows, np.log(heat.carried_s / formable_s(heat.case, (ends[0], ends[1], ends[2]), dropped))])


def _off_in_parts(heat: Planted, name: str, time_s: Array, stated_c: Array) -> Iterator[float]:
    """How far a face reads from where it was expected, K, in parts of the heat, and how much of it stands still."""
    seen = heat.seen
    off = seen.columns[name] - np.interp(seen.time_s, time_s, stated_c)
    for low, high in pairwise(np.linspace(0.0, heat.end_s, _BINS + 1)):
        yield float(np.mean(off[(seen.time_s >= low) & (seen.time_s < high)]))
    inside = (seen.time_s >= 0.0) & (seen.time_s < heat.end_s)
    yield float(np.mean(np.diff(seen.columns[name][inside]) == 0.0))


def _of_bubble(members: Members, heat: Planted, k: int) -> Iterator[float]:
    """How far the drop is from where it was expected, as the logarithm of the sag's flow, in parts of the second half,
    what it is at the end, and how far in time the marks are, s.
    """
    seen, opening = heat.seen, heat.case.opening_m
    if "drop_mm" not in seen.columns or opening is None or members.drop_ratio is None:
        return
    ratio = seen.columns["drop_mm"] / (1e3 * equivalent_radius_m(opening))
    off = flow(np.clip(ratio, 0.0, None)) - np.interp(seen.time_s, members.time_s, flow(members.drop_ratio[:, k]))
    for low, high in pairwise(np.linspace(0.5 * heat.end_s, heat.end_s, _DROPS + 1)):
        yield float(np.nanmean(off[(seen.time_s >= low) & (seen.time_s <= high)]))
    yield float(np.nanmean(ratio[seen.time_s > heat.end_s - 3.0]))
    marks = {event.name: event.time_s for event in seen.events}
    drop_mm = 1e3 * equivalent_radius_m(opening) * members.drop_ratio[:, [k]]
    expected = {line: float(first_passed(members.time_s, drop_mm, LINE_MM[line])[0]) for line in LINES}
    if members.clear_c is not None:
        expected[CLEAR] = float(first_passed(members.time_s, members.coldest_c[:, [k]], members.clear_c[k])[0])
    for name in (*LINES, CLEAR):
        late = marks[name] - min(expected.get(name, np.inf), heat.end_s) if name in marks else 0.0
        yield float(np.clip(late, -_NEVER_S, _NEVER_S))
        yield float(name in marks)


class Reference:
    """Normal densities of the features for each cause and size, learnt from a bank of heats of the simulator, with the
    priors of the diagnosis: what can be told at all, as far as the features hold it. Covariances are drawn a third of
    the way towards the common one (J.H. Friedman, J. Am. Statist. Assoc. 84 (1989) 165, from memory).
    """

    def __init__(self, bank: Sequence[Planted], rows: Array, weights: dict[str, float]) -> None:
        self._scale = np.maximum(rows.std(axis=0), 1e-6)
        scaled = rows / self._scale
        keys = [(one.plant.label, round(one.plant.size, 6)) for one in bank]
        common = sum(_scatter(scaled[[key == other for other in keys]]) for key in set(keys)) / len(set(keys))
        self._classes = []
        sizes = Counter(label for label, _ in set(keys))
        for key in sorted(set(keys)):
            own = scaled[[key == other for other in keys]]
            covariance = 0.67 * _scatter(own) + 0.33 * common + 1e-3 * np.eye(len(self._scale))
            self._classes.append((key[0], own.mean(axis=0), covariance, weights[key[0]] / sizes[key[0]]))

    def ranked(self, row: Array) -> list[str]:
        """Labels, the likeliest first."""
        scores: dict[str, float] = {}
        for label, mean, covariance, weight in self._classes:
            off = row / self._scale - mean
            log = -0.5 * float(off @ np.linalg.solve(covariance, off)) - 0.5 * float(np.linalg.slogdet(covariance)[1])
            scores[label] = float(np.logaddexp(scores.get(label, -np.inf), log + np.log(weight)))
        return sorted(scores, key=lambda label: -scores[label])


def _scatter(rows: Array) -> Array:
    off = rows - rows.mean(axis=0)
    result: Array = off.T @ off / max(len(rows) - 1, 1)
    return result


#: Shares of heats as the diagnosis takes them; the others a hundredth each.
SHARES = {EARLY: diagnosis.EARLY, LATE: diagnosis.LATE, HOT: diagnosis.FACE_HOT, CARRIED: diagnosis.CARRIED,
          LOW: 0.5 * diagnosis.OFF_DISPLAY, HIGH: 0.5 * diagnosis.OFF_DISPLAY, DOOR: diagnosis.DOOR,
          "gauge thick": 0.006, "gauge thin": 0.006, "start cold": 0.004, "face upper cold": 0.003,
          "face lower cold": 0.003, "oven drifted weak": 0.005, DRIFTING: 0.004, SWAPPED: 0.004}  # fmt: skip


def weights(labels: Sequence[str]) -> dict[str, float]:
    """Shares of heats, the rest sound."""
    causes = {label: SHARES.get(label, 0.01) for label in labels if label != SOUND}
    return {SOUND: 1.0 - sum(causes.values()), **causes}


# ---------------------------------------------------------------- heats

#: Joins the labels of two causes in one heat.
AND = " and "


@dataclass(frozen=True)
class Row:
    """One heat: what was planted, in which size (as a multiple of the smallest and in the cause's unit), and what the
    diagnosis and the reference named first and second; the reference's is empty without one.
    """

    kind: str
    seed: int
    label: str
    multiple: float
    size: float
    ours: tuple[str, ...]
    probability: float
    theirs: tuple[str, ...] = ()


def rows_of(kind: str, options: argparse.Namespace, pool: ProcessPoolExecutor) -> Iterator[Row]:
    """Heats of one sensor set, in blocks, so that a run that is cut short has all causes in it."""
    case, of = cell(GAUGE_MM, CALIBRATED, OPENING_M)
    least = smallest(case, of, kind, options.seed)
    sized = [label for label in PLANTED[kind] if label not in (SOUND, *WHOLE)]
    print(f"{kind}: smallest sizes " + ", ".join(f"{label} {least[label]:.3g}" for label in sized), flush=True)
    reference = learnt(kind, options, case, of, least) if options.reference else None
    for block in range(options.first, options.first + options.blocks):
        seed = options.seed + 5000 * block
        several = plants(kind, options.heats, options.sound, options.sizes, least)
        if options.pairs:
            several = paired(kind, options.heats, max(options.sizes), least)
        heats = planted(case, of, [plant for plant, _ in several], SETS[kind], seed)
        shown = features(heats) if reference else None
        answers = pool.map(diagnosed, [kind] * len(heats), heats)
        for i, ((plant, multiple), answer) in enumerate(zip(several, answers, strict=True)):
            theirs = () if reference is None or shown is None else tuple(reference.ranked(shown[i])[:2])
            ours = tuple(label_of(one) for one in answer.findings[:2])
            yield Row(
                kind,
                seed,
                AND.join(one.label for one in plant.parts),
                multiple,
                plant.size,
                ours,
                answer.first.probability,
                theirs,
            )


def learnt(
    kind: str, options: argparse.Namespace, case: Case, of: Limits, least: dict[str, float], later: int = 77
) -> Reference:
    """The reference of a set of sensors, from a bank of heats of its own."""
    several = plants(kind, options.reference, 4 * options.reference, options.sizes, least)
    bank = planted(case, of, [plant for plant, _ in several], SETS[kind], options.seed + later, finer=False)
    return Reference(bank, features(bank), weights(PLANTED[kind]))


def alike(kind: str, options: argparse.Namespace) -> None:
    """What the reference takes for what in heats it has not seen, sizes two and four: whatever it names at least once
    in eight first.
    """
    case, of = cell(GAUGE_MM, CALIBRATED, OPENING_M)
    least = smallest(case, of, kind, options.seed)
    reference = learnt(kind, options, case, of, least)
    several = plants(kind, options.reference // 2, 0, options.sizes[1:], least)
    heats = planted(case, of, [plant for plant, _ in several], SETS[kind], options.seed + 991, finer=False)
    told = Counter(
        (heat.plant.label, reference.ranked(row)[0]) for heat, row in zip(heats, features(heats), strict=True)
    )
    print(f"\n== {kind}: the reference, sizes {options.sizes[1:]}, {len(heats)} heats")
    for true in dict.fromkeys(heat.plant.label for heat in heats):
        count = sum(n for (one, _), n in told.items() if one == true)
        often = [(other, n) for (one, other), n in told.most_common() if one == true and 8 * n >= count]
        print(f"  {true:22s} " + ", ".join(f"{other} {100 * n / count:.0f} %" for other, n in often), flush=True)


# ---------------------------------------------------------------- the table


def table(rows: Sequence[Row]) -> None:
    """Print what was named how often, by sensor set."""
    for kind in dict.fromkeys(row.kind for row in rows):
        _pairs(kind, [row for row in rows if row.kind == kind and AND in row.label])
        own = [row for row in rows if row.kind == kind and AND not in row.label]
        causes = [row for row in own if row.label != SOUND and row.label not in UNSEEN.get(kind, ())]
        print(f"  {len(own)} heats, {len(own) - sum(row.label != SOUND for row in own)} of them sound")
        for label in dict.fromkeys(row.label for row in own):
            told = Counter(row.ours[0] for row in own if row.label == label)
            unseen = " (not seen by the reference either, not counted)" if label in UNSEEN.get(kind, ()) else ""
            print(f"  {label:22s} " + ", ".join(f"{other} {n}" for other, n in told.most_common()) + unseen)
        _rates(kind, "all sizes", causes)
        for multiple in sorted({row.multiple for row in causes}):
            _rates(kind, f"size {multiple:g}", [row for row in causes if row.multiple == multiple])
        _found(kind, causes)
        _alarms([row for row in own if row.label == SOUND])


def _pairs(kind: str, rows: Sequence[Row]) -> None:
    """Of heats with two causes how often one was named first, and both before all others."""
    print(f"\n== {kind}")
    for label in dict.fromkeys(row.label for row in rows):
        right = [[any(same(kind, true, one) for true in label.split(AND)) for one in row.ours]
                 for row in rows if row.label == label]  # fmt: skip
        print(f"  {label:40s} one of them first {sum(one[0] for one in right)}, both before all others "
              f"{sum(all(one) for one in right)} of {len(right)}")  # fmt: skip


def _rates(kind: str, of: str, rows: Sequence[Row]) -> None:
    """First, and among the first two."""
    named = {
        "diagnosis": [(row.label, row.ours) for row in rows],
        "reference": [(row.label, row.theirs) for row in rows],
    }
    for who, several in named.items():
        right = [[same(kind, label, one) for one in each] for label, each in several if each]
        if right:
            first, two = np.mean([one[0] for one in right]), np.mean([any(one) for one in right])
            print(f"  {of}, {who}: first {100 * first:.1f} %, first two {100 * two:.1f} % of {len(right)}")


def _found(kind: str, rows: Sequence[Row]) -> None:
    """By cause the share that was named first of each size, and the smallest named nine times of ten."""
    for label in dict.fromkeys(row.label for row in rows):
        shares = []
        for size in sorted({round(row.size, 4) for row in rows if row.label == label}):
            own = [same(kind, label, row.ours[0]) for row in rows if (row.label, round(row.size, 4)) == (label, size)]
            shares.append((size, sum(own), len(own)))
        often = [size for size, right, count in shares if right >= 0.9 * count]
        least = f"nine of ten from {min(often):g}" if often else "never nine of ten"
        print(f"  {label:22s} " + ", ".join(f"{size:g}: {n} of {count}" for size, n, count in shares) + f"; {least}")


def _alarms(rows: Sequence[Row]) -> None:
    for who, named in (("diagnosis", [row.ours for row in rows]), ("reference", [row.theirs for row in rows])):
        heats = [each[0] for each in named if each]
        if heats:
            alarms = sum(one != SOUND for one in heats)
            upper = beta.ppf(0.95, alarms + 1, len(heats) - alarms) if alarms < len(heats) else 1.0
            print(f"  {who}: false alarms {alarms} of {len(heats)}, 95 % upper limit {100 * upper:.1f} %")


def _read(path: Path) -> list[Row]:
    if not path.exists():
        return []
    told = [json.loads(line) for line in path.read_text(encoding="utf-8").splitlines()]
    return [Row(**{**one, "ours": tuple(one["ours"]), "theirs": tuple(one["theirs"])}) for one in told]


def main(arguments: Sequence[str] | None = None) -> None:
    """Diagnose heats, or read what was kept, and print the tables."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--heats", type=int, default=1, help="of each cause and size in a block")
    parser.add_argument("--sound", type=int, default=50, help="sound heats in a block")
    parser.add_argument("--blocks", type=int, default=1, help="each with heats of its own; 0: only the table")
    parser.add_argument("--first", type=int, default=0, help="number of the first block, where a run goes on")
    parser.add_argument("--sets", nargs="*", default=list(SETS), choices=list(SETS))
    parser.add_argument("--sizes", nargs="*", type=float, default=[1.0, 2.0, 4.0])
    parser.add_argument("--reference", type=int, default=0, help="heats of each cause and size it learns from; 0: none")
    parser.add_argument("--pairs", action="store_true", help="two causes in each heat instead, of the largest size")
    parser.add_argument("--seed", type=int, default=11)
    parser.add_argument("--workers", type=int, default=os.cpu_count())
    parser.add_argument("--alike", action="store_true", help="only what the reference cannot tell apart")
    parser.add_argument("--into", type=Path, help="heats are added to this file, and the table is of all in it")
    parser.add_argument("--verbose", action="store_true", help="every heat")
    options = parser.parse_args(arguments)
    print(f"{platform.processor() or platform.machine()}, Python {platform.python_version()}, {datetime.date.today()}")
    rows = _read(options.into) if options.into else []
    with ProcessPoolExecutor(options.workers) as pool:
        for kind in options.sets:
            if options.alike:
                alike(kind, options)
                continue
            for row in rows_of(kind, options, pool) if options.blocks else ():
                rows.append(row)
                if options.verbose:
                    print(f"{row.label} {row.size:.3g} -> {row.ours[0]} {row.probability:.2f}", flush=True)
                if options.into:
                    with options.into.open("a", encoding="utf-8") as file:
                        file.write(json.dumps(asdict(row)) + "\n")
    table(rows)


if __name__ == "__main__":
    main()
