# ruff: noqa: E402 (threads must be switched off before numpy is imported)
"""Whether a calibration's intervals hold, over heats whose truth is known.

    python benchmarks/calibration_coverage.py               1000 fits of the first kind, 200 of the second: an hour
    python benchmarks/calibration_coverage.py --fits 40     a look
    python benchmarks/calibration_coverage.py --log FILE    carries on where FILE ends; with --table only shows it

First kind: every unknown of oven, polymer, sheets and sensors, and the sensors' wander, drawn from the fit's own
priors. The 90 % interval of each must hold in 87 to 93 % of 1000 fits, whether the heats determine it or not. Second
kind: with what the fit does not know, simulated on a finer grid: air that is uneven between the faces from heat to
heat, sensors twice as slow as stated, sheets anywhere within their tolerance, recorded air that drifts by more than is
assumed. There the ready time of sheets that were not heated (6 mm 10 K hotter, 12 mm, 12 mm 10 K hotter) must lie in
its interval in at least 80 %. In both the median error of these ready times is at most 3 %.
"""

from __future__ import annotations

import os

for _variable in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ[_variable] = "1"

import argparse
import json
import sys
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

sys.path.insert(0, str(Path(__file__).parent.parent / "tests"))

from calibration.heat_model import INTERVALS, HeatModel
from calibration.oven_fit import OvenFit, fit
from calibration.ready import heated_problem, ready_slopes
from calibration.run import Planned, Run, planned_run
from calibration.sensing import WANDER_K, covariance
from calibration.unknowns import OVEN, Layout, Settings, label, layout
from calibration_truth import drawn, on_grid, planned, sheet, swung, virtual_heats
from cases import CARD
from thermal.case import Case
from thermal.conduction import TOLERANCE_K
from thermal.crossing import Threshold, first_times
from thermal.window import horizon_s

Array = NDArray[np.float64]
Record = dict[str, Any]

#: Of the first kind so many fits are judged by ready times too; a fit of the second kind comes with so many.
READY_EVERY, SECOND_EVERY = 8, 5
#: What the fit does not know: air of a face off the mean, K, each heat; lag, factor; gauge, uniform share; drift, K.
UNEVEN_K, SLOWER, GAUGE_WITHIN, DRIFT_K = 1.0, 2.0, 0.04, 1.5


def heats() -> list[Run]:
    """Two short heats with two thermocouples each: much stays undetermined, which the intervals must know."""
    return [planned(4.0, 420.0, places=("upper", "core")), planned(3.0, 300.0, places=("lower", "core"))]


def more_heats() -> list[Run]:
    """Three heats, as a shop would make them, each until its core is ready."""
    return [planned(4.0, 600.0), planned(3.0, 420.0), planned(6.0, 1000.0)]


def unseen() -> list[Case]:
    """Sheets that were not heated."""
    return [sheet(6.0, 195.0), sheet(12.0, 185.0), sheet(12.0, 195.0)]


def disturbed_heats(runs: Sequence[Run], seed: int) -> tuple[list[Run], Layout, Array]:
    """Heats of one truth with disturbances, as the fit gets them."""
    random = np.random.default_rng(seed)
    runs = [on_grid(swung(run, seed * 100 + i)) for i, run in enumerate(runs)]
    of = layout(CARD, runs, Settings())
    x = drawn(of, random)
    xi = of.ties @ x
    for i, one in enumerate(of.all):
        if one.name == "gauge":
            xi[i] = one.xi(1.0 + GAUGE_WITHIN * random.uniform(-1.0, 1.0))
        elif one.name.startswith("lag:"):
            xi[i] = one.xi(SLOWER * float(one.value(xi[i])))
    found = []
    for number, run in enumerate(runs):
        # Each heat has its own unevenness: moved by the two faces' offsets, which the fit takes for the oven's.
        own = xi.copy()
        off = UNEVEN_K * random.standard_normal()
        for name, sign in (("upper.air_offset_k", 1.0), ("lower.air_offset_k", -1.0)):
            place = of.at["oven", "", name]
            own[place] += sign * off / of.all[place].scale
        true_air = run.air_c + DRIFT_K * random.standard_normal() * run.air_s / run.air_s[-1]
        truth = replace(run, air_c=true_air)
        model = HeatModel(
            [*runs[:number], truth, *runs[number + 1 :]], of, intervals=2 * INTERVALS, tolerance_k=TOLERANCE_K / 3.0
        )
        predictions = zip(model.seen, model.predictions(own), strict=True)
        series = []
        for seen, prediction in predictions:
            if seen.run == number:
                noise = np.linalg.cholesky(covariance(seen.series, seen.at, WANDER_K[seen.series.place]))
                values = prediction.value + noise @ random.standard_normal(len(prediction.value))
                series.append(replace(seen.series, time_s=seen.at.at_s, values=values))
        found.append(replace(run, series=tuple(series)))
    return found, of, xi


def ready_truth(of: Layout, xi: Array, case: Case) -> float:
    """When a sheet of stated gauge is truly ready, s."""
    until = horizon_s(case.gauge_m)
    problem = heated_problem(of, planned_run(Planned("", replace(case, oven=CARD), until)), xi[:, None])
    core = np.array([case.polymer.forming.core_min_c])
    return float(
        first_times(problem, [Threshold("coldest", core, True)], until, 2 * INTERVALS, TOLERANCE_K / 3.0)[0, 0]
    )


def judged(found: OvenFit, of: Layout, xi: Array) -> list[tuple[float, bool]]:
    """Error of each unseen sheet's ready time, share, and whether its interval holds it."""
    result = []
    for one in ready_slopes(found, unseen()):
        truth = ready_truth(of, xi, one.case)
        if np.isfinite(truth) and np.isfinite(one.time_s):
            half = one.half_width_s(found.solution.covariance)
            result.append((one.time_s / truth - 1.0, abs(one.time_s - truth) <= half))
    return result


def of_first_kind(seed: int) -> Record:
    """One fit of the first kind: which of its intervals hold, and, of every eighth, its unseen ready times."""
    runs, of, x = virtual_heats(heats(), seed)
    found = fit(CARD, runs, starts=1)
    ready = judged(found, of, of.ties @ x) if seed % READY_EVERY == 0 else []
    return _record("first", seed, found, of, of.ties @ x, of.names, ready)


def of_second_kind(seed: int) -> Record:
    """One fit of the second kind."""
    runs, of, xi = disturbed_heats(more_heats(), 10_000 + seed)
    found = fit(CARD, runs, starts=1)
    oven = [name for name in of.names if name in OVEN]
    return _record("second", seed, found, of, xi, oven, judged(found, of, xi))


def _record(
    kind: str, seed: int, found: OvenFit, of: Layout, xi: Array, names: Sequence[str], ready: list[tuple[float, bool]]
) -> Record:
    held = {}
    for name in names:
        one = found.value(name)
        assert one is not None
        i = next(i for i, unknown in enumerate(of.all) if label(unknown) == name)
        held[name] = bool(one.interval[0] <= float(of.all[i].value(xi[i])) <= one.interval[1])
    return {"kind": kind, "seed": seed, "held": held, "ready": ready, "status": found.status}


def table(records: Sequence[Record]) -> bool:
    """Print shares and errors of all records; whether they are as wanted."""
    good = True
    for kind, title in (
        ("first", "First kind, {} fits of two short heats: share of 90 % intervals that hold the truth"),
        ("second", "Second kind, {} fits of three heats with disturbances the fit does not know"),
    ):
        mine = [one for one in records if one["kind"] == kind]
        if mine:
            print("\n" + title.format(len(mine)))
            good &= _shares(mine, judge=kind == "first")
            good &= _ready(mine)
    return good


def _shares(mine: Sequence[Record], judge: bool) -> bool:
    """Of each unknown, and of all; a table of few fits is allowed three standard errors more."""
    few = 0.0 if len(mine) >= 1000 else 3.0 * float(np.sqrt(0.09 / len(mine)))
    good = True
    shares = {name: float(np.mean([one["held"][name] for one in mine])) for name in mine[0]["held"]}
    for name, share in shares.items():
        fine = not judge or abs(share - 0.90) <= 0.03 + few
        good &= fine
        print(f"  {name:32s} {100.0 * share:5.1f} %{'' if fine else '   <-- outside'}")
    spread = f"{100.0 * min(shares.values()):.1f} to {100.0 * max(shares.values()):.1f} %"
    print(f"  {'all together':32s} {100.0 * float(np.mean(list(shares.values()))):5.1f} %, {spread}")
    return good


def _ready(mine: Sequence[Record]) -> bool:
    of = [one for record in mine for one in record["ready"]]
    if not of:
        return True
    share = float(np.mean([held for _, held in of]))
    median = float(np.median([abs(error) for error, _ in of]))
    words = f"{100.0 * share:5.1f} % held, median error {100.0 * median:.2f} %, {len(of)} ready times"
    print(f"  {'ready time of unseen sheets':32s} {words}")
    return share >= 0.80 and median <= 0.03


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--fits", type=int, default=1000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--log", type=Path, help="A line for each fit goes here as it ends; lines there count already.")
    parser.add_argument("--table", action="store_true", help="Only the table of what --log holds.")
    asked = parser.parse_args()
    records: list[Record] = []
    if asked.log is not None and asked.log.exists():
        records = [json.loads(line) for line in asked.log.read_text().splitlines()]
    done = {(one["kind"], one["seed"]) for one in records}
    for seed in range(asked.seed, asked.seed + asked.fits) if not asked.table else ():
        kinds = [("first", of_first_kind), *([("second", of_second_kind)] if seed % SECOND_EVERY == 0 else [])]
        for kind, made in kinds:
            if (kind, seed) not in done:
                records.append(made(seed))
                if asked.log is not None:
                    with asked.log.open("a") as log:
                        log.write(json.dumps(records[-1]) + "\n")
    good = table(records)
    print("\nas wanted" if good else "\nNOT as wanted")
    return 0 if good else 1


if __name__ == "__main__":
    sys.exit(main())
