# ruff: noqa: E402 (threads must be switched off before numpy is imported)
"""What a second's estimate costs: one bench, sixteen benches, a replay, a heat of two hours.

    python benchmarks/live_speed.py

Times are of the processor, not of the clock on the wall, which a shared machine makes longer; and, for the worst
second, of the wall too.
"""

from __future__ import annotations

import os

for _variable in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ[_variable] = "1"

import datetime
import platform
import time
from dataclasses import replace

import numpy as np

from calibration.estimator import Estimator
from calibration.observed import Observed
from live_cases import ROUGH, cell
from thermal.case import Case
from thermal.window import Limits
from virtual_heats import LINE_MM, readings, virtual_heats

BENCHES = 16
#: Of a long heat so much is followed, s: long enough for members to be heated anew.
SPAN_S = 400.0


def heat(case: Case, of: Limits, until_s: float, sensors: frozenset[str]) -> Observed:
    """One virtual heat."""
    return readings(virtual_heats(case, of, 1, 9, until_s), 0, sensors, 9)


def follow(live: Estimator, seen: Observed, from_s: float, until_s: float) -> np.ndarray:
    """Processor time of every second's estimate, s."""
    costs = []
    for now_s in np.arange(from_s, until_s, 1.0):
        begun = time.process_time()
        live.at(seen, float(now_s))
        costs.append(time.process_time() - begun)
    return np.array(costs)


def told(words: str, costs: np.ndarray) -> str:
    """One line of the table."""
    return (
        f"{words:44s} median {1e3 * np.median(costs):5.1f} ms, mean {1e3 * costs.mean():5.1f} ms,"
        f" 99 % {1e3 * np.quantile(costs, 0.99):5.0f} ms; {1.0 / costs.mean():4.0f} times real time"
    )


def main() -> None:
    """Print the table."""
    print(f"{platform.machine()}, Python {platform.python_version()}, {datetime.date.today()}; processor time")
    for words, opening_m, sensors in (
        ("6 mm, air and two faces", None, frozenset({"air", "faces"})),
        ("6 mm bubble, air, two faces, drop", (0.3,), frozenset({"air", "faces", "drop"})),
    ):
        case, of = cell(6.0, ROUGH, opening_m)
        live = Estimator(case, of, LINE_MM)
        print(told(words, follow(live, heat(case, of, 1000.0, sensors), 0.0, 800.0)), flush=True)

    case, of = cell(6.0, ROUGH)
    seen = heat(case, of, 1000.0, frozenset({"air", "faces"}))
    benches = [Estimator(case, of, LINE_MM) for _ in range(BENCHES)]
    for i, one in enumerate(benches):
        one.at(seen, 400.0 + i)
    rounds = []
    for now_s in np.arange(420.0, 480.0, 1.0):
        begun = time.process_time()
        for one in benches:
            one.at(seen, float(now_s))
        rounds.append(time.process_time() - begun)
    middle, worst = np.median(rounds), max(rounds)
    print(f"{BENCHES} benches, a second of all: median {middle:.3f} s, worst {worst:.3f} s", flush=True)

    case, of = cell(15.0, ROUGH)
    case = replace(case, set_c=168.0)  # so that it takes two hours
    seen, one = heat(case, of, 7300.0, frozenset({"air", "faces"})), Estimator(case, of, LINE_MM)
    for end_s in (1800.0, 3600.0, 7200.0):
        one.at(seen, end_s - SPAN_S - 1.0)
        words = f"15 mm, the {SPAN_S:.0f} s before {end_s / 60.0:.0f} min"
        print(told(words, follow(one, seen, end_s - SPAN_S, end_s)), flush=True)


if __name__ == "__main__":
    main()
