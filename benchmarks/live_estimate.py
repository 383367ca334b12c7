# ruff: noqa: E402 (threads must be switched off before numpy is imported)
"""How good the live estimate is, against what the data can tell, and whether its intervals hold.

    python benchmarks/live_estimate.py               everything, about an hour
    python benchmarks/live_estimate.py --heats 40    a look

For every set of sensors and every gauge: the standard deviation of the opening time and of the core temperature a
minute before it opens, by the linearised (Cramer-Rao) bound at each heat's own truth, beside the estimate's error over
heats whose truth is drawn from the estimate's own priors; and the share of heats whose truth lies in the 5 to 95 %
interval, at every quarter of the heat.
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

from calibration.air import Heard, heard
from calibration.doubt import believed
from calibration.estimate import Estimate
from calibration.estimator import MEMBERS, Estimator
from calibration.evidence import at_time, evidence, first_passed
from calibration.members import Members, names, solve
from calibration.observed import Observed
from calibration.times import ahead, past
from live_cases import CALIBRATED, DOUBLED, GAUGES_MM, ROUGH, Known, cell
from thermal.case import Case
from thermal.window import Limits
from virtual_heats import LINE_MM, TOGETHER, Disturbed, Truth, readings, together, virtual_heats

Array = NDArray[np.float64]

#: The last look is this long before the opening, on a raster that lets heats be solved together, s.
BEFORE_S, TICK_S = 60.0, 16.0
QUARTERS = (0.25, 0.5, 0.75, 1.0)
#: Draws of the exact posterior, from a normal distribution so much wider than the estimate's.
DRAWS, WIDER = 4000, 1.15
EXACT = (("face", 4.0), ("drop", 4.0), ("clear", 6.0), ("drop", 6.0), ("face-drop", 4.0))
#: Difference of one unknown for the slopes, in its standard deviations.
DIFFERENCE = 0.25


@dataclass(frozen=True)
class Sensors:
    """A set of sensors, with how well oven and polymer are known."""

    words: str
    of: frozenset[str]
    known: Known = ROUGH
    opening_m: tuple[float, ...] | None = None


SETS = {
    "clock": Sensors("no sensor: clock and plan", frozenset()),
    "air": Sensors("air only", frozenset({"air"})),
    "face": Sensors("+ one face", frozenset({"air", "face"})),
    "faces": Sensors("+ both faces", frozenset({"air", "faces"})),
    "calibrated": Sensors("calibrated, air only", frozenset({"air"}), CALIBRATED),
    "calibrated-face": Sensors("calibrated, + one face", frozenset({"air", "face"}), CALIBRATED),
    "doubled": Sensors("card half as sure, air only", frozenset({"air"}), DOUBLED),
    "doubled-face": Sensors("card half as sure, + one face", frozenset({"air", "face"}), DOUBLED),
    "clear": Sensors("air, 'clear through'", frozenset({"air", "clear"})),
    "lines": Sensors("air, lines marked", frozenset({"air", "lines"}), opening_m=(0.3,)),
    "drop": Sensors("air, drop sensor", frozenset({"air", "drop"}), opening_m=(0.3,)),
    "face-drop": Sensors("one face, drop sensor", frozenset({"air", "face", "drop"}), opening_m=(0.3,)),
}


def bounds(truth: Truth, some: Sequence[int], seen: Sequence[Observed], at_s: Sequence[float]) -> Array:
    """Least standard deviations that any unbiased estimate can have, linearised at each heat's truth: of the opening
    time, s, and of the coldest temperature at `at_s`, K; (heats, 2).
    """
    case, of = truth.case, truth.of
    count = len(names(case))
    steps = np.concatenate([np.zeros((count, 1)), DIFFERENCE * np.eye(count), -DIFFERENCE * np.eye(count)], axis=1)
    time_s = past(float(truth.members.time_s[-1]), case.openings_s[1:], 8.0)
    found = []
    size, together_now = steps.shape[1], max(1, TOGETHER // steps.shape[1])
    for start in range(0, len(some), together_now):
        part = some[start : start + together_now]
        normals = np.concatenate([truth.members.normals[:, [i]] + steps for i in part], axis=1)
        airs = [on_grid(truth.heard[i], time_s) for i in part] if "air_upper_c" in seen[part[0]].columns else None
        members = solve(case, of, airs, normals, time_s, float(max(at_s)))
        for k, i in enumerate(part):
            own = members.columns(slice(k * size, (k + 1) * size))
            found.append(bound(case, own, seen[i], at_s[start + k]))
    return np.array(found)


def on_grid(whole: Heard, time_s: Array) -> Heard:
    """Known air on other times."""
    upper, lower = (np.interp(time_s, whole.time_s, air) for air in (whole.upper_c, whole.lower_c))
    return replace(whole, time_s=time_s, upper_c=upper, lower_c=lower)


def bound(case: Case, members: Members, seen: Observed, at_s: float) -> tuple[float, float]:
    """The bound of one heat from members at its truth and to both sides of it along every unknown."""
    count = len(members.normals)

    def slope(values: Array) -> Array:
        """By each unknown; (..., unknowns)."""
        result: Array = (values[..., 1 : count + 1] - values[..., count + 1 :]) / (2.0 * DIFFERENCE)
        return result

    precision = np.eye(count)
    for one in evidence(case, seen.until(at_s), members, LINE_MM):
        lower = np.linalg.cholesky(one.covariance)
        white = np.linalg.solve(lower, slope(one.predicted))
        precision += white.T @ white
    covariance = np.linalg.inv(precision)
    opens = slope(first_passed(members.time_s, members.coldest_c, members.minimum_c))
    core_c = slope(at_time(members.time_s, members.coldest_c, np.array([at_s]))[0])
    return float(np.sqrt(opens @ covariance @ opens)), float(np.sqrt(core_c @ covariance @ core_c))


def exact(
    case: Case, of: Limits, live: Estimator, seen: Observed, at_s: float, seed: int
) -> tuple[float, float, float]:
    """The posterior without linearising, by importance sampling from the estimate's own, widened: mean and standard
    deviation of the opening time, s, and how many equal draws the weights are worth.
    """
    proposal, random = live.posterior(), np.random.default_rng(seed)
    xi = random.standard_normal((len(proposal.mean), DRAWS))
    normals = proposal.mean[:, None] + WIDER * proposal.factor @ xi
    known = believed(case, seen.until(at_s)).seen
    last_s = float(live.at(seen, at_s).opens.high or 2.0 * at_s) * 1.3
    time_s = np.concatenate([past(at_s, (), 6.0 if case.drops else 12.0), ahead(at_s, last_s)])
    air = heard(case, known, time_s, at_s)
    members = solve(case, of, None if air is None else [air], normals, time_s, at_s)
    log = -0.5 * np.sum(normals**2, axis=0) + 0.5 * np.sum(xi**2, axis=0)
    for one in evidence(case, known, members, LINE_MM):
        lower = np.linalg.cholesky(one.covariance)
        log -= 0.5 * np.sum(np.linalg.solve(lower, one.measured[:, None] - one.predicted) ** 2, axis=0)
    opens = first_passed(time_s, members.coldest_c, members.minimum_c)
    log[~np.isfinite(opens)] = -np.inf
    weight = np.exp(log - log.max())
    weight /= weight.sum()
    opens = np.where(np.isfinite(opens), opens, 0.0)
    mean = float(weight @ opens)
    return mean, float(np.sqrt(weight @ (opens - mean) ** 2)), float(1.0 / np.sum(weight**2))


def beside_exact(name: str, gauge_mm: float, heats: int, seed: int, members: int, worst: int) -> str:
    """A line of a cell: errors of the estimate and of the exact posterior's mean beside that posterior's spread, in
    all heats or in the `worst` of them by the estimate's error. No estimate has a less mean square error over the
    priors than the exact posterior's mean.
    """
    sensors = SETS[name]
    case, of = cell(gauge_mm, sensors.known, sensors.opening_m)
    probe = Estimator(case, of, members=members).at(Observed(np.zeros(1), {}), 0.0)
    truth = virtual_heats(case, of, heats, seed, 2.2 * float(probe.opens.middle or 0.0))
    seen = [readings(truth, i, sensors.of, seed) for i in range(heats)]
    live = [Estimator(case, of, LINE_MM, members=members) for _ in range(heats)]
    usable = [i for i in range(heats) if np.isfinite(truth.core_s[i]) and truth.core_s[i] > 2.0 * BEFORE_S]
    at_s = {i: float(round((truth.core_s[i] - BEFORE_S) / TICK_S) * TICK_S) for i in usable}
    answers = dict(zip(usable, ask(live, seen, usable, [at_s[i] for i in usable]), strict=True))
    errors = {i: (answers[i].opens.middle or np.inf) - float(truth.core_s[i]) for i in usable}
    chosen = sorted(usable, key=lambda i: -abs(errors[i]))[:worst] if worst else usable
    found = []
    for i in chosen:
        mean, spread, worth = exact(case, of, live[i], seen[i], at_s[i], i)
        found.append((errors[i], mean - truth.core_s[i], spread, worth))
    estimate, posterior, spreads, worths = np.array(found).T
    return (
        f"{sensors.words:30s} {gauge_mm:4g} mm  estimate {rms(estimate):5.1f} s"
        f"  exact posterior {rms(posterior):5.1f} s  its spread {rms(spreads):5.1f} s"
        f"  worth {np.median(worths):.0f} of {DRAWS} draws, {len(chosen)} of {heats} heats"
    )


@dataclass(frozen=True)
class Row:
    """One cell of the table."""

    opens_s: float
    bound_s: float
    error_s: float
    bound_k: float
    error_k: float
    bias_k: float
    heats: int
    opens_held: tuple[float, ...]
    core_held: tuple[float, ...]

    @property
    def ratio(self) -> float:
        """Error over bound, of the opening time."""
        return self.error_s / self.bound_s


def run(name: str, gauge_mm: float, heats: int, seed: int, members: int, disturbed: Disturbed | None = None) -> Row:
    """One cell: all its heats."""
    sensors = SETS[name]
    case, of = cell(gauge_mm, sensors.known, sensors.opening_m)
    probe = Estimator(case, of).at(Observed(np.zeros(1), {}), 0.0)
    nominal_s = float(probe.opens.middle or 0.0)
    truth = virtual_heats(case, of, heats, seed, 2.2 * nominal_s, disturbed, clock=not sensors.of)
    seen = [readings(truth, i, sensors.of, seed) for i in range(heats)]
    usable = [i for i in range(heats) if np.isfinite(truth.core_s[i]) and truth.core_s[i] > 2.0 * BEFORE_S]
    held: dict[float, tuple[float, float]] = {}
    live = [Estimator(case, of, LINE_MM, members=members) for _ in range(heats)]
    for quarter in QUARTERS[:-1]:
        now_s = round(quarter * nominal_s)
        some = [i for i in usable if truth.core_s[i] > now_s]
        answers = ask(live, seen, some, [float(now_s)] * len(some))
        held[quarter] = coverage(truth, some, answers)
    at_s = [float(round((truth.core_s[i] - BEFORE_S) / TICK_S) * TICK_S) for i in usable]
    answers = ask(live, seen, usable, at_s)
    held[1.0] = coverage(truth, usable, answers)
    least = bounds(truth, usable, seen, at_s)
    errors_s = np.array([(a.opens.middle or np.inf) - truth.core_s[i] for i, a in zip(usable, answers, strict=True)])
    errors_k = np.array([a.core_c.middle - core(truth, i, a.time_s) for i, a in zip(usable, answers, strict=True)])
    return Row(
        float(np.median(truth.core_s[usable])),
        rms(least[:, 0]),
        rms(errors_s),
        rms(least[:, 1]),
        rms(errors_k),
        float(errors_k.mean()),
        len(usable),
        tuple(held[q][0] for q in QUARTERS),
        tuple(held[q][1] for q in QUARTERS),
    )


def ask(
    live: Sequence[Estimator], seen: Sequence[Observed], some: Sequence[int], now_s: Sequence[float]
) -> list[Estimate]:
    """Estimates of some heats, those at one moment together."""
    found: dict[int, Estimate] = {}
    for moment in sorted(set(now_s)):
        part = [i for i, now in zip(some, now_s, strict=True) if now == moment]
        answers = together([live[i] for i in part], [seen[i] for i in part], [moment] * len(part))
        found.update(zip(part, answers, strict=True))
    return [found[i] for i in some]


def core(truth: Truth, heat: int, at_s: float) -> float:
    """True coldest temperature, °C."""
    return float(np.interp(at_s, truth.members.time_s, truth.members.coldest_c[:, heat]))


def coverage(truth: Truth, some: Sequence[int], answers: Sequence[Estimate]) -> tuple[float, float]:
    """Share of heats whose opening time, and core temperature, lie within the interval."""
    opens = [
        (a.opens.low or np.inf) <= truth.core_s[i] <= (a.opens.high or np.inf)
        for i, a in zip(some, answers, strict=True)
    ]
    cores = [a.core_c.low <= core(truth, i, a.time_s) <= a.core_c.high for i, a in zip(some, answers, strict=True)]
    return float(np.mean(opens)), float(np.mean(cores))


def rms(values: Array) -> float:
    """Root of the mean square."""
    return float(np.sqrt(np.mean(values**2)))


def main(arguments: Sequence[str] | None = None) -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--heats", type=int, default=300)
    parser.add_argument("--sets", nargs="*", default=list(SETS), choices=list(SETS))
    parser.add_argument("--gauges", nargs="*", type=float, default=list(GAUGES_MM))
    parser.add_argument("--seed", type=int, default=7)
    parser.add_argument("--members", type=int, default=MEMBERS)
    parser.add_argument(
        "--disturbed", action="store_true", help="truths with disturbances that the model does not know"
    )
    parser.add_argument("--door", type=float, help="when the door of --disturbed is opened, s")
    parser.add_argument("--exact", action="store_true", help="three cells beside the posterior without linearising")
    parser.add_argument("--worst", type=int, default=0, help="the same only in so many heats of the largest error")
    options = parser.parse_args(arguments)
    disturbed = None
    print(f"{platform.processor() or platform.machine()}, Python {platform.python_version()}, {datetime.date.today()}")
    if options.exact:
        for name, gauge_mm in EXACT:
            if name in options.sets and gauge_mm in options.gauges:
                heats, seed = options.heats, options.seed
                print(beside_exact(name, gauge_mm, heats, seed, options.members, options.worst), flush=True)
        return
    kind = "with disturbances" if options.disturbed else "from the priors"
    print(
        f"{options.heats} heats a cell, truth {kind}, {options.members} members; held: at each quarter, opens / core, %"
    )
    print("sensors                         gauge  opens   bound    error  ratio   bound   error   bias   held")
    for name in options.sets:
        for gauge_mm in options.gauges:
            begun = time.perf_counter()
            if options.disturbed:
                disturbed = Disturbed(door_s=(options.door or (200.0 if gauge_mm < 5 else 400.0),))
            row = run(name, gauge_mm, options.heats, options.seed, options.members, disturbed)
            opens = " ".join(f"{100 * share:3.0f}" for share in row.opens_held)
            cores = " ".join(f"{100 * share:3.0f}" for share in row.core_held)
            print(
                f"{SETS[name].words:30s} {gauge_mm:4g} mm {row.opens_s:5.0f} s {row.bound_s:5.1f} s"
                f" {row.error_s:6.1f} s {row.ratio:5.2f} {row.bound_k:5.2f} K {row.error_k:5.2f} K"
                f" {row.bias_k:+5.2f} K   {opens} / {cores}   of {row.heats}, {time.perf_counter() - begun:.0f} s"
            )
            sys.stdout.flush()


if __name__ == "__main__":
    main()
