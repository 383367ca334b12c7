"""Heats whose truth is known, for the tests and benchmarks of calibration: invented ovens, seeds fixed."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from calibration.heat_model import HeatModel
from calibration.run import Place, Planned, Run, planned_run
from calibration.sensing import WANDER_K, covariance
from calibration.unknowns import Layout, Settings, layout
from calibration.wander import WANDER_LN
from cases import CARD, case_of, polymer_of
from thermal.case import Case

Array = NDArray[np.float64]

#: Heat capacity without melting about 2 kJ/(kg K), conductivity 0.2 W/(m K), a melting peak as polypropylene has.
POLYMER = polymer_of(
    ((20.0, 200.0), (1700.0, 2700.0)), ((20.0, 200.0), (0.22, 0.20)), (130.0, 160.0, 170.0, 90e3), viscosity=None
)
ALL: tuple[Place, ...] = ("upper", "lower", "core")


def planned(
    gauge_mm: float, end_s: float, set_c: float = 185.0, places: tuple[Place, ...] = ALL, **more: object
) -> Run:
    case = case_of(POLYMER, gauge_mm, CARD, set_c)
    return planned_run(Planned(f"{gauge_mm:g} mm", case, end_s, places, **more))  # type: ignore[arg-type]


def swung(run: Run, seed: int) -> Run:
    """The same with the air of an oven: a thermostat's swing, and a steady value of its own."""
    random = np.random.default_rng(seed)
    swing = 1.5 * np.sin(2.0 * np.pi * (run.air_s / 110.0 + random.random()))
    return replace(run, air_c=run.air_c + swing + 1.0 * random.standard_normal())


def drawn(of: Layout, random: np.random.Generator) -> Array:
    """Free unknowns from their priors, within their bounds."""
    low, high = of.bounds()
    x = random.standard_normal(len(of.names))
    while np.any(outside := (x < low) | (x > high)):
        x[outside] = random.standard_normal(int(np.count_nonzero(outside)))
    return x


def drawn_wander(seed: int) -> dict[Place, float]:
    """Amplitudes of the sensors' wander from their prior, K."""
    random = np.random.default_rng([seed, 1])
    return {place: float(usual * np.exp(WANDER_LN * random.standard_normal())) for place, usual in WANDER_K.items()}


def recorded(
    runs: Sequence[Run], of: Layout, x: Array, random: np.random.Generator, wander_k: Mapping[Place, float] = WANDER_K
) -> list[Run]:
    """The runs with readings as their sensors gave them for a truth x: noise, constant error and wander.

    Readings are at the model's own times, so that what is averaged is exact.
    """
    model = HeatModel(runs, of)
    readings: dict[int, list[object]] = {number: [] for number in range(len(runs))}
    for seen, found in zip(model.seen, model.predictions(of.ties @ x), strict=True):
        noise = np.linalg.cholesky(covariance(seen.series, seen.at, wander_k[seen.series.place]))
        values = found.value + noise @ random.standard_normal(len(found.value))
        readings[seen.run].append(replace(seen.series, time_s=seen.at.at_s, values=values))
    return [replace(run, series=tuple(readings[number])) for number, run in enumerate(runs)]  # type: ignore[arg-type]


def virtual_heats(runs: Sequence[Run], seed: int, settings: Settings | None = None) -> tuple[list[Run], Layout, Array]:
    """Heats of one truth drawn from the priors: the runs with their readings, the layout, the truth's free unknowns."""
    settings = settings or Settings()
    random = np.random.default_rng(seed)
    runs = [on_grid(swung(run, seed * 100 + i)) for i, run in enumerate(runs)]
    of = layout(CARD, runs, settings)
    x = drawn(of, random)
    return recorded(runs, of, x, random, drawn_wander(seed)), of, x


def on_grid(run: Run) -> Run:
    """The same with its readings moved onto the model's own times, one each."""
    times = HeatModel([run], layout(CARD, [run], Settings())).groups[0].time_s
    at = times[times >= 5.0]
    return replace(
        run, series=tuple(replace(one, time_s=at, values=np.zeros(len(at)), noise_k=0.3) for one in run.series)
    )


def sheet(gauge_mm: float, set_c: float = 185.0) -> Case:
    return case_of(POLYMER, gauge_mm, CARD, set_c)
