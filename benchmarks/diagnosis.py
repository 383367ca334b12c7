"""The diagnosis on virtual heats with planted causes: confusion table, false alarms, and beside it a classifier that
knows the simulator.

    python benchmarks/diagnosis.py --heats 2 --sound 20 --sets face --sizes 2 --reference 60

Sizes are multiples of the smallest size that can be told: for what is an unknown of its own, its posterior's standard
deviation in a sound heat times what the prior odds ask for (found 9 times of 10 by a normal posterior); for the rest as
`CONSTANT` says. The full table (2000 heats with causes and 2000 sound ones a sensor set) takes a day on two cores.
"""

from __future__ import annotations

import argparse
import datetime
import platform
import sys
import time
from collections import Counter
from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from scipy.stats import beta

from calibration import air
from calibration.air_signs import air_signs
from calibration.alternative_fit import fit, given
from calibration.alternatives import Alternative, alternatives
from calibration.diagnosis import NOTHING, Around, Diagnosis, Finding, diagnose, explanations
from calibration.doubt import believed, set_aside
from calibration.estimator import Estimator
from calibration.members import Members, names
from calibration.posterior import Proposal, prior
from live_cases import CALIBRATED, cell
from planted_heats import LABELS, MOVES, SOUND, WHOLE, Plant, Planted, as_stated, planted
from thermal.case import Case
from thermal.polymer_data import shipped_polymer
from thermal.window import Limits
from virtual_heats import LINE_MM

Array = NDArray[np.float64]

GAUGE_MM, OPENING_M = 6.0, (0.3,)
SETS = {
    "air": frozenset({"air"}),
    "face": frozenset({"air", "face"}),
    "drop": frozenset({"air", "face", "drop"}),
    "marks": frozenset({"air", "face", "drop", "lines", "clear"}),
}
#: Smallest sizes of what is no unknown of its own: K, share of the air; 'pulled early' by set (three times the spread
#: of the core at the pull).
CONSTANT = {"oven off low": 11.0, "oven off high": 11.0, "door opened": 7.0, "loose": 0.25, "drifting": 8.0,
            "frozen": 1.0}  # fmt: skip
EARLY_K = {"air": 12.0, "face": 9.0, "drop": 3.0, "marks": 3.0}
#: Never planted larger: beyond is no heat of a shop. Logarithm for factors, K.
MOST = {"gauge": 0.45, "h_upper": 1.2, "h_lower": 1.2, "start_k": 40.0}
#: What a set of sensors cannot tell apart; named as one (to be fixed by the reference's full run).
ALIKE: dict[str, tuple[frozenset[str], ...]] = {
    "face": (
        frozenset({"film upper", "face upper cold"}),
        frozenset({"film lower", "face lower cold"}),
        frozenset({"gauge thick", "oven drifted weak", "film both"}),
    ),
    "drop": (frozenset({"film upper", "face upper cold"}), frozenset({"film lower", "face lower cold"})),
    "marks": (frozenset({"film upper", "face upper cold"}), frozenset({"film lower", "face lower cold"})),
}
#: Where nothing of the sheet is measured only these can be planted to any purpose.
OF_AIR = (SOUND, "oven off low", "oven off high", "door opened", "pulled early")
POLYMERS = ("hdpe", "pp-block-copolymer", "ldpe")


def label_of(one: Finding) -> str:
    """A finding as a planted label has it."""
    high = (one.size or 0.0) > 0.0
    words = {
        "gauge": ("gauge thin", "gauge thick"),
        "start": ("start cold", "start warm"),
        "oven off": ("oven off low", "oven off high"),
        "oven drifted": ("oven drifted weak", "oven drifted strong"),
        "face": (f"face {one.of} cold", f"face {one.of} hot"),
    }.get(one.kind)
    if words is not None:
        return words[int(high)]
    return one.kind if one.kind in ("loose", "drifting", "frozen") else one.name


def same(kind: str, first: str, second: str) -> bool:
    """Whether two labels are one for a set of sensors."""
    return first == second or any(first in group and second in group for group in ALIKE.get(kind, ()))


def smallest(case: Case, of: Limits, kind: str, seed: int) -> dict[str, float]:
    """The smallest size of each planted cause that can be told with a set of sensors."""
    found = {**CONSTANT, "pulled early": EARLY_K[kind], SOUND: 0.0, **dict.fromkeys(WHOLE, 1.0)}
    if kind == "air":
        return found
    heat = planted(case, of, [Plant(SOUND, 0.0)], SETS[kind], seed)[0]
    known = given(case, of, believed(case, heat.seen).seen, LINE_MM, heat.end_s)
    start = _start(case, of, kind, heat)
    singles = {one.moves[0].names: one for one in alternatives(known.case, known.seen, known.end_s) if one.moves}
    for label, (moved, _) in MOVES.items():
        one = singles[moved]
        std = fit(known, [Alternative(one.causes)], start)[0].moved[0][1]
        asked = np.sqrt(max(2.0 * (-one.log_prior + np.log(one.moves[0].std / std)), 0.0)) + 1.28
        found[label] = min(float(std * asked), MOST[moved[0]])
    return found


def _start(case: Case, of: Limits, kind: str, heat: Planted) -> Proposal:
    if "drop" not in SETS[kind]:
        return prior(len(names(case)))
    live = Estimator(case, of, LINE_MM)
    live.at(replace(heat.seen, events=heat.seen.events[:-1]), heat.end_s)
    return live.posterior()


def diagnosed(case: Case, of: Limits, kind: str, heat: Planted, polymers: Sequence[str] = POLYMERS) -> Diagnosis:
    """One heat through the diagnosis, as the review does it."""
    known = given(case, of, believed(case, heat.seen).seen, LINE_MM, heat.end_s)
    fits = explanations(known, _start(case, of, kind, heat), tuple(map(shipped_polymer, polymers)))
    return diagnose(known, fits, Around(aside=tuple(set_aside(case, heat.seen))))


def plants(kind: str, count: int, sound: int, sizes: Sequence[float], least: dict[str, float]) -> list[Plant]:
    """`count` heats of each cause and size, and the sound ones."""
    labels = [label for label in (OF_AIR if kind == "air" else LABELS) if label != SOUND]
    found = []
    for label in labels:
        for size in sizes if label not in (*WHOLE, "frozen") else (1.0,):
            most = MOST[MOVES[label][0][0]] if label in MOVES else 0.95 if label == "loose" else np.inf
            found += [Plant(label, min(size * least[label], most))] * count
    return found + [Plant(SOUND, 0.0)] * sound


# ---------------------------------------------------------------- a classifier that knows the simulator

_BINS = 14


def features(case: Case, of: Limits, heats: Sequence[Planted]) -> Array:
    """What a heat shows against everything as stated, (heats, features): the face's departure in parts of the heat, the
    air's signs, the computed core at the pull, where the drop and the marks were expected.
    """
    time_s = np.arange(0.0, 1500.0, 10.0)
    airs = [air.heard(case, heat.seen, time_s, heat.end_s) for heat in heats]
    members = as_stated(case, of, heats, time_s, [one for one in airs if one is not None])
    return np.stack([_features(case, members, heat, k) for k, heat in enumerate(heats)])


def _features(case: Case, members: Members, heat: Planted, k: int) -> Array:
    face = heat.seen.columns.get("face_upper_c")
    at = np.linspace(0.0, heat.end_s, _BINS + 1)
    rows: list[float] = []
    trust = believed(case, heat.seen).seen
    if face is not None:
        values = np.where(np.isfinite(trust.columns["face_upper_c"]), face, np.nan)
        off = values - np.interp(heat.seen.time_s, members.time_s, members.upper_c[:, k])
        for low, high in pairwise(at):
            part = off[(heat.seen.time_s >= low) & (heat.seen.time_s < high)]
            rows.append(float(np.nanmean(part)) if np.isfinite(part).any() else 0.0)
        rows.append(float(np.isnan(values).mean()))
    signs = air_signs(case, heat.seen, heat.end_s)
    if signs is not None:
        rows += [signs.settled_c - signs.expected_c, np.clip(signs.opened, -4.0, 12.0), min(signs.opened_k, 25.0)]
    rows.append(float(np.interp(heat.end_s, members.time_s, members.coldest_c[:, k])))
    if "drop_mm" in heat.seen.columns:
        drop = heat.seen.columns["drop_mm"][heat.seen.time_s > heat.end_s - 20.0]
        rows.append(float(np.nanmean(drop)))
    return np.array(rows)


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


def weights(labels: Sequence[str]) -> dict[str, float]:
    """Shares of heats as the diagnosis takes them, roughly: a hundredth each, the rest sound."""
    causes = [label for label in labels if label != SOUND]
    return {SOUND: 1.0 - 0.01 * len(causes), **dict.fromkeys(causes, 0.01)}


# ---------------------------------------------------------------- the table


def run(kind: str, options: argparse.Namespace) -> None:
    """One sensor set: its table."""
    begun = time.process_time()
    case, of = cell(GAUGE_MM, CALIBRATED, OPENING_M)
    least = smallest(case, of, kind, options.seed)
    wanted = plants(kind, options.heats, options.sound, options.sizes, least)
    heats = planted(case, of, wanted, SETS[kind], options.seed)
    print(f"\n== {kind}: {len(heats)} heats, {options.sound} of them sound; smallest sizes: "
          + ", ".join(f"{k} {v:.3g}" for k, v in least.items() if k != SOUND))  # fmt: skip
    reference = None
    if options.reference:
        bank = planted(case, of, plants(kind, options.reference, options.reference, options.sizes, least), SETS[kind],
                       options.seed + 77, finer=False)  # fmt: skip
        reference = Reference(bank, features(case, of, bank), weights(OF_AIR if kind == "air" else LABELS))
        rows = features(case, of, heats)
    table: Counter[tuple[str, str]] = Counter()
    ours, theirs, alarms, sizes = [], [], 0, Counter[tuple[str, float]]()
    for i, heat in enumerate(heats):
        found = [label_of(one) for one in diagnosed(case, of, kind, heat).findings]
        true = heat.plant.label
        table[true, found[0]] += 1
        if true == SOUND:
            alarms += found[0] != NOTHING
        else:
            ours.append([same(kind, true, other) for other in found[:2]])
            sizes[true, round(heat.plant.size, 4)] += ours[-1][0]
        if reference is not None and true != SOUND:
            theirs.append([same(kind, true, other) for other in reference.ranked(rows[i])[:2]])
        if options.verbose:
            print(f"{true} {heat.plant.size:.3g} -> {found[:3]}", flush=True)
    _print(table, ours, theirs, alarms, options, sizes)
    print(f"{time.process_time() - begun:.0f} s of CPU", flush=True)


def _print(
    table: Counter[tuple[str, str]], ours: list[list[bool]], theirs: list[list[bool]], alarms: int,
    options: argparse.Namespace, sizes: Counter[tuple[str, float]],
) -> None:  # fmt: skip
    for true in dict.fromkeys(pair[0] for pair in table):
        told = ", ".join(f"{other} {n}" for (one, other), n in table.most_common() if one == true)
        print(f"  {true:22s} {told}")
    for label, rates in (("diagnosis", ours), ("reference", theirs)):
        if rates:
            first, two = np.mean([r[0] for r in rates]), np.mean([any(r) for r in rates])
            print(f"  {label}: first {100 * first:.0f} %, first two {100 * two:.0f} % of {len(rates)}")
    for (label, size), n in sorted(sizes.items()):
        print(f"  {label} {size:g}: found {n} of {options.heats}")
    if options.sound:
        upper = beta.ppf(0.95, alarms + 1, max(options.sound - alarms, 1)) if alarms < options.sound else 1.0
        print(f"  false alarms {alarms} of {options.sound}, 95 % upper limit {100 * upper:.1f} %")


def main(arguments: Sequence[str] | None = None) -> None:
    """Print the tables."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--heats", type=int, default=10, help="of each cause and size")
    parser.add_argument("--sound", type=int, default=100)
    parser.add_argument("--sets", nargs="*", default=list(SETS), choices=list(SETS))
    parser.add_argument("--sizes", nargs="*", type=float, default=[1.0, 2.0, 4.0])
    parser.add_argument("--reference", type=int, default=0, help="heats of each cause and size it learns from; 0: none")
    parser.add_argument("--seed", type=int, default=11)
    parser.add_argument("--verbose", action="store_true", help="every heat")
    options = parser.parse_args(arguments)
    print(f"{platform.processor() or platform.machine()}, Python {platform.python_version()}, {datetime.date.today()}")
    for kind in options.sets:
        run(kind, options)
        sys.stdout.flush()


if __name__ == "__main__":
    main()
