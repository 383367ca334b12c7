# ruff: noqa: E402 (threads must be switched off before numpy is imported)
"""Pullcue's heating solver beside scipy's and py-pde's on the same problems at the same error, in one run.

    python start.py bench                    everything, some minutes
    python benchmarks/solver.py --quick      a look, half a minute, in an environment with py-pde

Everybody gets the same random problems and answers the same question: when does the core reach its limit? Each
time starts from the bare numbers of the problem and ends with that time. Everything runs in one thread: threads of
BLAS are switched off before numpy is imported. The candidates take turns, several rounds, and the best round of
each counts, because a shared machine makes times longer, never shorter.
"""

from __future__ import annotations

import os

for _variable in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ[_variable] = "1"

import argparse
import datetime
import platform
import statistics
import subprocess
import sys
import time
import tracemalloc
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from importlib.metadata import version
from pathlib import Path

import numpy as np

from _batch import mean_steps, passing_times, ready_times
from competitor_pypde import pde_ready_time
from competitors import (
    Array,
    Problem,
    ivp_ready_time,
    odeint_ready_time,
    random_problems,
    reference_ready_time,
)
from thermal.conduction import TOLERANCE_K
from thermal.grid import INTERVALS

SEED = 20
#: The product's own fine solution, where the independent reference would take too long.
FINE_INTERVALS, FINE_TOLERANCE_K = 48, 1e-4
#: The product brought down to the same error as the others: they have no more nodes than that error needs.
SAME_ERROR_INTERVALS = 12
#: Over this rise above the limit the core's rate is taken, K.
RISE_K = 0.2
DEMO = ["plan", "--polymer", "pp-homopolymer", "--gauge-mm", "6", "--oven", "north"]


@dataclass(frozen=True)
class Size:
    """How much is done: problems with a reference, problems for py-pde, batches, rounds, problems of the error."""

    referenced: int
    for_pde: int
    batches: tuple[int, ...]
    rounds: int
    judged: int
    starts: int


FULL = Size(referenced=60, for_pde=12, batches=(128, 512, 2000, 4000), rounds=7, judged=1000, starts=7)
QUICK = Size(referenced=12, for_pde=3, batches=(128, 512), rounds=2, judged=200, starts=3)


def print_table(head: Sequence[str], rows: Sequence[Sequence[str]]) -> None:
    """A table in Markdown, first column to the left, the others to the right."""
    width = [max(len(row[i]) for row in [head, *rows]) for i in range(len(head))]

    def line(row: Sequence[str]) -> str:
        cells = [cell.ljust(w) if i == 0 else cell.rjust(w) for i, (cell, w) in enumerate(zip(row, width, strict=True))]
        return f"| {' | '.join(cells)} |"

    rule = "|".join("-" * (w + 2) if i == 0 else "-" * (w + 1) + ":" for i, w in enumerate(width))
    print("\n".join([line(head), f"|{rule}|", *map(line, rows)]), flush=True)


def machine() -> str:
    """Where and when this was measured."""
    model = platform.processor() or platform.machine()
    cpuinfo = Path("/proc/cpuinfo")
    if cpuinfo.exists():
        names = [s.partition(":")[2].strip() for s in cpuinfo.read_text("utf-8").splitlines() if s[:10] == "model name"]
        model = names[0] if names else model
    packages = ", ".join(f"{name} {version(name)}" for name in ("numpy", "scipy", "py-pde", "numba"))
    return (
        f"{datetime.date.today()}, {platform.platform()}, {model}, {os.cpu_count()} cores, one thread used; "
        f"Python {platform.python_version()}, {packages}"
    )


def best_times(jobs: Mapping[str, Callable[[], Array]], rounds: int) -> tuple[dict[str, float], dict[str, Array]]:
    """Shortest time of each job, s, taking turns, and its answers. The first round warms up and does not count."""
    best = dict.fromkeys(jobs, np.inf)
    answers: dict[str, Array] = {}
    for turn in range(rounds + 1):
        for name, job in jobs.items():
            before = time.perf_counter()
            answers[name] = job()
            if turn:
                best[name] = min(best[name], time.perf_counter() - before)
    return best, answers


def peak_mb(job: Callable[[], object]) -> float:
    """Most memory that a job holds at once beyond what was there before, MB (numpy reports its arrays)."""
    tracemalloc.start()
    job()
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    return peak / 1e6


def looped(solve: Callable[[Problem], float], problems: Sequence[Problem]) -> Array:
    """One problem after the other."""
    return np.array([solve(p) for p in problems])


def alone(problem: Problem) -> float:
    """The product on a single problem: a batch of one."""
    return float(ready_times([problem])[0])


def spread(error: Array, digits: int = 2) -> list[str]:
    """Median, 95 % and largest size of an error, as text."""
    return [f"{q:.{digits}f}" for q in np.quantile(np.abs(error), [0.5, 0.95, 1.0])]


def compare(size: Size, problems: Sequence[Problem]) -> None:
    """Everybody's time and error on the same problems."""
    shared = problems[: size.referenced]
    reference = looped(reference_ready_time, shared)
    fine = passing_times(shared, (0.0, RISE_K), FINE_INTERVALS, FINE_TOLERANCE_K)
    rate_k_s = RISE_K / (fine[1] - fine[0])
    apart = spread(fine[0] - reference, 3)
    print(f"Fine solution against the independent reference, {len(shared)} problems: ready times {apart[1]} s apart "
          f"at 95 %, {apart[2]} s at most\n")  # fmt: skip

    banded = partial(ivp_ready_time, jacobian="banded")
    jobs: dict[str, Callable[[], Array]] = {
        "solve_ivp, LSODA, analytic band": partial(looped, ivp_ready_time, shared),
        "solve_ivp, LSODA, differenced band": partial(looped, banded, shared),
        "odeint": partial(looped, odeint_ready_time, shared),
        "py-pde, its LSODA": partial(looped, pde_ready_time, shared[: size.for_pde]),
        "Pullcue, one at a time": partial(looped, alone, shared),
    }
    counts = dict.fromkeys(jobs, size.referenced) | {"py-pde, its LSODA": size.for_pde}
    for batch in size.batches:
        name = f"Pullcue, batch of {batch}"
        jobs[name], counts[name] = partial(ready_times, problems[:batch]), batch
    for batch in size.batches[1:3]:
        name = f"Pullcue, {SAME_ERROR_INTERVALS} intervals, batch of {batch}"
        jobs[name], counts[name] = partial(ready_times, problems[:batch], SAME_ERROR_INTERVALS), batch
    best, answers = best_times(jobs, size.rounds)
    each = {name: best[name] / counts[name] for name in jobs}
    ivp = min(value for name, value in each.items() if name.startswith("solve_ivp"))
    rows = []
    for name, value in each.items():
        known = min(counts[name], len(shared))
        error = answers[name][:known] - reference[:known]
        ratios = [f"{reference_s / value:.2f}" if reference_s < 10 * value else f"{reference_s / value:.0f}"
                  for reference_s in (ivp, each["odeint"], each["py-pde, its LSODA"])]  # fmt: skip
        rows.append([name, f"{value * 1e3:.3f}", *ratios, *spread(error), *spread(error * rate_k_s[:known], 3)[1:]])
    print_table(
        ["", "ms each", "times faster than solve_ivp", "than odeint", "than py-pde", "ready time off by, s: median",
         "95 %", "most", "core off by, K: 95 %", "most"], rows)  # fmt: skip


def judge(size: Size, problems: Sequence[Problem], fine: Array) -> None:
    """The product's error on many problems."""
    rows = []
    for intervals in (INTERVALS, SAME_ERROR_INTERVALS):
        error = ready_times(problems[: size.judged], intervals) - fine
        rows.append([f"{intervals}", *spread(error), f"{np.mean(np.abs(error) <= 0.5):.1%}"])
    print_table(["intervals", "ready time off by, s: median", "95 %", "most", "within 0.5 s"], rows)


def growth(size: Size, problems: Sequence[Problem], fine: Array) -> None:
    """How time and memory grow with intervals, steps and batch."""
    wide = size.batches[min(2, len(size.batches) - 1)]
    cases = [(i, TOLERANCE_K, wide) for i in (12, 18, 24, 36)]
    cases += [(INTERVALS, t, wide) for t in (0.03, TOLERANCE_K, 0.003, 0.001)]
    cases += [(INTERVALS, TOLERANCE_K, b) for b in (1, 16, *size.batches)]
    cases = list(dict.fromkeys(cases))
    jobs = {str(case): partial(ready_times, problems[: case[2]], *case[:2]) for case in cases}
    best, answers = best_times(jobs, max(1, size.rounds - 4))
    rows = []
    for case in cases:
        intervals, tolerance_k, batch = case
        found = answers[str(case)]
        known = min(len(found), len(fine))
        rows.append([
            str(intervals), f"{tolerance_k:g}", str(batch),
            f"{mean_steps(problems[:batch], found, intervals, tolerance_k):.0f}",
            f"{best[str(case)] / batch * 1e3:.3f}", f"{peak_mb(jobs[str(case)]):.1f}",
            f"{np.quantile(np.abs(found[:known] - fine[:known]), 0.95):.2f}",
        ])  # fmt: skip
    print_table(["intervals", "tolerance, K", "batch", "steps", "ms each", "peak memory, MB", "95 % within, s"], rows)


def start_up(size: Size) -> None:
    """From starting the process to its end: a plan with the interval from 511 draws, and what it is made of."""
    main = "import sys; from dashboard.commands import main; main()"
    commands = {
        "pullcue plan, demo sheet, 511 draws": ["-c", main, *DEMO],
        "pullcue --version": ["-c", main, "--version"],
        "python -c 'import numpy'": ["-c", "import numpy"],
        "python -c pass": ["-c", "pass"],
    }
    taken: dict[str, list[float]] = {name: [] for name in commands}
    for _ in range(size.starts):
        for name, words in commands.items():
            before = time.perf_counter()
            subprocess.run([sys.executable, *words], check=True, stdout=subprocess.DEVNULL)
            taken[name].append(time.perf_counter() - before)
    rows = [[name, f"{statistics.median(times):.2f}", f"{min(times):.2f}"] for name, times in taken.items()]
    print_table(["process", "median, s", "best, s"], rows)


def main() -> None:
    """Run everything and print it."""
    parser = argparse.ArgumentParser(description="Compare the heating solver with scipy's and py-pde's.")
    parser.add_argument("--quick", action="store_true", help="few problems and rounds")
    size = QUICK if parser.parse_args().quick else FULL
    problems = random_problems(max(size.batches), SEED)
    fine = ready_times(problems[: size.judged], FINE_INTERVALS, FINE_TOLERANCE_K)
    print(f"{machine()}\nBest of {size.rounds} rounds taken in turns.\n\n## Side by side\n", flush=True)
    compare(size, problems)
    print(f"\n## Error on {size.judged} problems, against the fine solution\n", flush=True)
    judge(size, problems, fine)
    print("\n## Growth\n", flush=True)
    growth(size, problems, fine)
    print(f"\n## Start of the process, {size.starts} runs\n", flush=True)
    start_up(size)


if __name__ == "__main__":
    main()
