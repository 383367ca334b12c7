# ruff: noqa: E402 (threads must be switched off before numpy is imported)
"""How good the cue is: false and missed 'pull now' over virtual heats whose truth is known.

    python benchmarks/live_cue.py                 everything, more than an hour
    python benchmarks/live_cue.py --heats 64      a look

False: at the first 'pull now' the coldest point lacks more than 1 K of its minimum. The delay of that cue after the
true opening stands beside what the accepted rate of false cues costs: (z sigma - 1 K)/heating rate, with sigma of the
core temperature from the linearised bound at the cue. Missed: no 'pull now' before the window closed.
"""

from __future__ import annotations

import os

for _variable in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ[_variable] = "1"

import argparse
import datetime
import platform
import sys
import time
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri
from scipy.stats import beta

from calibration.cue import Cue, Rules, State, follow
from calibration.estimator import Estimator
from calibration.observed import Observed
from live_cases import CALIBRATED, ROUGH, Known, cell
from live_estimate import bounds
from thermal.case import Case
from thermal.window import Limits
from virtual_heats import LINE_MM, Truth, readings, together, virtual_heats

Array = NDArray[np.float64]

#: Heats that are followed side by side, which bounds the memory.
BATCH = 64
#: A heat is first looked at at these shares of its plan's early edge, then every so often: this share of its plan.
EARLY, EVERY = (0.3, 0.5, 0.7, 0.85), 1 / 150
#: A heat that lacks so much more for a cue, K, is looked at again after so many times.
FAR_K, FAR_TICKS = 2.0, 4
#: What the coldest point may lack before a cue counts as false, K.
FALSE_K = 1.0


@dataclass(frozen=True)
class Kind:
    """A kind of heat."""

    words: str
    gauge_mm: float
    sensors: frozenset[str]
    known: Known = ROUGH
    set_c: float | None = None


KINDS = {
    "air-4": Kind("4 mm, air only", 4.0, frozenset({"air"})),
    "face-4": Kind("4 mm, + one face", 4.0, frozenset({"air", "face"})),
    "face-6": Kind("6 mm, + one face", 6.0, frozenset({"air", "face"})),
    "calibrated-6": Kind("6 mm, calibrated, + one face", 6.0, frozenset({"air", "face"}), CALIBRATED),
    "hot-6": Kind("6 mm at 205 °C, calibrated, + one face", 6.0, frozenset({"air", "face"}), CALIBRATED, 205.0),
    "calibrated-12": Kind("12 mm, calibrated, + one face", 12.0, frozenset({"air", "face"}), CALIBRATED),
}


@dataclass(frozen=True)
class First:
    """One heat: its first 'pull now', if any.

    Attributes:
        at_s: of the cue, infinity for none. short_k: what the coldest point lacked of its minimum then. opens_s,
        closes_s: the true window. rate_k_s: of the coldest point at the cue. bound_k: see the module's text.
    """

    at_s: float
    short_k: float
    opens_s: float
    closes_s: float
    rate_k_s: float
    bound_k: float
    unknown: bool


def nominal(kind: Kind) -> tuple[Case, Limits]:
    """The kind's case."""
    case, of = cell(kind.gauge_mm, kind.known)
    return (case if kind.set_c is None else replace(case, set_c=kind.set_c)), of


def follow_heats(kind: Kind, heats: int, seed: int, risk: float, members: int) -> list[First]:
    """Follow a batch of heats to their first 'pull now', or to the end of their windows."""
    case, of = nominal(kind)
    plan = Estimator(case, of, members=members).at(Observed(np.zeros(1), {}), 0.0).opens
    middle, early = float(plan.middle or np.nan), float(plan.low or np.nan)
    end_s = 2.4 * middle
    truth = virtual_heats(case, of, heats, seed, end_s)
    seen = [readings(truth, i, kind.sensors, seed) for i in range(heats)]
    live = [Estimator(case, of, LINE_MM, risk, members=members) for _ in range(heats)]
    rules = Rules(hold_s=0.0)
    cues: list[Cue | None] = [None] * heats
    at_s = np.full(heats, np.inf)
    unknown, next_s = np.zeros(heats, np.bool_), np.zeros(heats)
    closes = np.minimum(truth.spoilt_s, end_s - 120.0)
    moments = [share * early for share in EARLY]
    moments += list(np.arange(0.9 * early, end_s - 120.0, EVERY * middle))
    for now_s in moments:
        alive = [i for i in range(heats) if np.isinf(at_s[i]) and now_s <= closes[i]]
        if not alive:
            break
        under_way = [i for i in alive if now_s >= next_s[i]]
        if not under_way:
            continue
        answers = together([live[i] for i in under_way], [seen[i] for i in under_way], [now_s] * len(under_way))
        for i, answer in zip(under_way, answers, strict=True):
            cues[i] = cue = follow(cues[i], answer, rules)
            unknown[i] |= cue.state is State.UNKNOWN
            # Nothing can come in the next seconds of a sheet that is still so far from it.
            next_s[i] = now_s + (FAR_TICKS * EVERY * middle - 1e-6 if answer.surely_k < -rules.short_k - FAR_K else 0.0)
            if cue.state in (State.PULL, State.LAST):
                at_s[i] = now_s
    return firsts(truth, seen, at_s, unknown)


def firsts(truth: Truth, seen: Sequence[Observed], at_s: Array, unknown: NDArray[np.bool_]) -> list[First]:
    """What each heat's first cue was worth."""
    members, cued = truth.members, np.flatnonzero(np.isfinite(at_s))
    least = dict(zip(cued, bounds(truth, list(cued), seen, list(at_s[cued])), strict=True)) if len(cued) else {}
    found = []
    for i in range(len(at_s)):
        core, now = members.coldest_c[:, i], min(at_s[i], members.time_s[-1] - 10.0)
        short = members.minimum_c[i] - np.interp(now, members.time_s, core)
        rate = (np.interp(now + 5.0, members.time_s, core) - np.interp(now - 5.0, members.time_s, core)) / 10.0
        bound_k = float(least[i][1]) if i in least else np.nan
        found.append(
            First(at_s[i], float(short), truth.core_s[i], truth.spoilt_s[i], float(rate), bound_k, bool(unknown[i]))
        )
    return found


def upper_limit(count: int, of: int) -> float:
    """95 % upper limit of a share (Clopper and Pearson, Biometrika 26 (1934) 404)."""
    return 1.0 if count == of else float(beta.ppf(0.95, count + 1, of - count))


def summary(found: Sequence[First], risk: float) -> str:
    """One line of the table."""
    cued = [one for one in found if np.isfinite(one.at_s)]
    false = sum(one.short_k > FALSE_K for one in cued)
    delays = np.array([one.at_s - one.opens_s for one in cued])
    z = -float(ndtri(risk))
    costs = np.array([(z * one.bound_k - FALSE_K) / one.rate_k_s for one in cued])
    slow = float(np.quantile(delays, 0.95))
    wide = [one for one in found if one.closes_s - one.opens_s > slow]
    missed = sum(not np.isfinite(one.at_s) for one in wide)
    return (
        f"{len(found):5d} {100 * false / len(cued):5.2f} % <{100 * upper_limit(false, len(cued)):5.2f} %"
        f" {np.median(delays):6.1f} s {np.median(costs):6.1f} s {np.median(delays) / np.median(costs):5.2f}"
        f" {slow:6.0f} s {100 * missed / max(len(wide), 1):5.2f} % of {len(wide)}"
        f" {sum(one.unknown for one in found):3d}"
    )


def main(arguments: Sequence[str] | None = None) -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--heats", type=int, default=512, help="of each kind")
    parser.add_argument("--kinds", nargs="*", default=list(KINDS), choices=list(KINDS))
    parser.add_argument("--risk", type=float, default=0.01)
    parser.add_argument("--members", type=int, default=128)
    parser.add_argument("--seed", type=int, default=100)
    options = parser.parse_args(arguments)
    print(f"{platform.machine()}, Python {platform.python_version()}, {datetime.date.today()}, risk {options.risk:g}")
    print(
        "kind                                    heats  false  limit    delay     cost ratio  95 %  missed  cannot tell"
    )
    everything: list[First] = []
    for name in options.kinds:
        begun, found = time.perf_counter(), []
        for batch in range(-(-options.heats // BATCH)):
            size = min(BATCH, options.heats - batch * BATCH)
            found += follow_heats(KINDS[name], size, options.seed + batch, options.risk, options.members)
        print(f"{KINDS[name].words:40s}{summary(found, options.risk)}  {time.perf_counter() - begun:.0f} s")
        sys.stdout.flush()
        everything += found
    print(f"{'together':40s}{summary(everything, options.risk)}")


if __name__ == "__main__":
    main()
