"""The demo heats: recordings of heats that never happened, for trying `pullcue plan --measured` without an oven.

    python -m dashboard.demo_heats           writes the demo shop's heats afresh
    python -m dashboard.demo_heats FOLDER    writes them into a folder that holds none of them yet

Each heat is the heating model with a truth that the plan does not know: oven and sheet depart from their card and file
by the amounts below, the thermostat cycles, the air over and under the sheet differs, the sensors are noisy, slow and
coarse. The truth is solved on twice the nodes of a plan. Seeds are fixed, and the noise comes from a generator whose
sequence Python promises to keep, so a heat is the same at every run.
"""

from __future__ import annotations

import random
import sys
from dataclasses import dataclass, replace
from pathlib import Path
from statistics import NormalDist

import numpy as np
from numpy.typing import NDArray

from dashboard.shop import DEMO_FOLDER, Shop, read_shop
from logger.heatfile import write_heat
from thermal.build import slab, steady_air_c, steady_wall_c
from thermal.case import Case, Departures, MeasuredAir
from thermal.grid import INTERVALS, coldest_c
from thermal.heat import Event, Heat, Sensor
from thermal.history import History, record
from thermal.measured import lagged
from thermal.sag import equivalent_radius_m

Array = NDArray[np.float64]

FOLDER = DEMO_FOLDER / "heats"

#: Recorder: rows of the preheat and of the heat, s apart; the record goes on this long after the sheet is out, s.
PREHEAT_S, PREHEAT_STEP_S, STEP_S, AFTER_S = 360.0, 10.0, 2.0, 10.0
#: Door: opened before the sheet goes in, closed after it, s; opened again this long before the sheet is out. While it
#: stands open the air approaches its fall with this time constant, s.
OPENED_S, CLOSED_S, OPENED_TO_PULL_S, FALLING_S = -6.0, 5.0, 3.0, 4.0
#: Thermocouples: standard deviation of the noise and step of the readings, K; the drop's sensor the same, mm.
NOISE_K, STEP_K = 0.3, 0.25
NOISE_MM, STEP_MM = 0.8, 0.5
AIR_LAG_S = 3.0
#: The truth is integrated with this step, s, and followed at most this long.
_FINE_S, _LONGEST_S = 1.0, 1200.0
_TOLERANCE_K = 0.004


@dataclass(frozen=True)
class Script:
    """One demo heat: what the file states, and what is true.

    Attributes:
        story: remarks of the file, after the line that says it is simulated. hidden: departures of oven and sheet.
        air_k: true air above against the card. lower_air_k: air below against above. cycle_k, cycle_s: amplitude and
        period of the thermostat. fall_k: of the air at the door. pull_core_c: the sheet is pulled when its true coldest
        point is this warm, °C; pull_s: or at this time. columns: recorded of the sheet, with the sensor of each.
        gap: column and (from, to), s, in which its recorder was silent.
    """

    name: str
    seed: int
    story: tuple[str, ...]
    polymer: str
    gauge_m: float
    oven: str
    opening_m: tuple[float, ...]
    hidden: Departures
    air_k: float
    lower_air_k: float
    cycle_k: float
    cycle_s: float
    fall_k: float
    columns: dict[str, Sensor]
    pull_core_c: float | None = None
    pull_s: float | None = None
    gap: tuple[str, float, float] | None = None


_FACE = Sensor(lag_s=2.5, std_k=NOISE_K)

SCRIPTS = (
    Script(
        name="north-pp-6mm",
        seed=4711,
        story=("A good heat: oven and sheet depart a little from card and file, as they always do.",),
        polymer="pp-homopolymer",
        gauge_m=6.0e-3,
        oven="north",
        opening_m=(0.3,),
        hidden=Departures(
            gauge=0.99, conductivity=1.04, heat_capacity=0.98, melting_k=0.7, h_upper=1.03, h_lower=0.96, viscosity=1.4
        ),
        air_k=0.8,
        lower_air_k=-1.2,
        cycle_k=1.6,
        cycle_s=88.0,
        fall_k=36.0,
        columns={
            "face_upper": _FACE,
            "face_lower": _FACE,
            "core_1": Sensor(depth_m=3.0e-3, lag_s=1.5, std_k=NOISE_K),
        },
        pull_core_c=166.5,
    ),
    Script(
        name="ember-copolymer-4mm",
        seed=4712,
        story=("An infrared oven that was never calibrated; the drop was read by a distance sensor.",),
        polymer="pp-random-copolymer",
        gauge_m=4.0e-3,
        oven="ember",
        opening_m=(0.3,),
        hidden=Departures(
            gauge=1.02, heat_capacity=1.03, melting_k=-1.0, emitter=0.97, emitter_k=-4.0, h_upper=1.1, viscosity=1.5
        ),
        air_k=-1.0,
        lower_air_k=-2.0,
        cycle_k=2.2,
        cycle_s=64.0,
        fall_k=22.0,
        columns={"face_upper": _FACE, "face_lower": _FACE, "drop": Sensor(std_k=NOISE_MM)},
        pull_core_c=168.0,
    ),
    Script(
        name="north-pp-6mm-weak-fan",
        seed=4713,
        story=(
            "Something is wrong with the oven, and the sheet was pulled by the clock all the same.",
            "The recorder lost the lower air for 20 s.",
        ),
        polymer="pp-homopolymer",
        gauge_m=6.0e-3,
        oven="north",
        opening_m=(0.3,),
        hidden=Departures(gauge=1.01, conductivity=0.98, h_upper=0.97, h_lower=0.45, viscosity=1.2),
        air_k=-0.4,
        lower_air_k=-1.5,
        cycle_k=1.8,
        cycle_s=96.0,
        fall_k=40.0,
        columns={
            "face_upper": _FACE,
            "face_lower": _FACE,
            "core_1": Sensor(depth_m=3.0e-3, lag_s=1.5, std_k=NOISE_K),
        },
        pull_s=960.0,
        gap=("air_lower_c", 400.0, 420.0),
    ),
)


def demo_heat(script: Script, shop: Shop) -> Heat:
    """The recorded heat of a script: its truth, seen through the recorder's sensors."""
    sheet = Case(
        shop.polymer(script.polymer),
        script.gauge_m,
        shop.oven(script.oven),
        set_c=shop.oven(script.oven).set_c,
        start_c=shop.room_c,
        opening_m=script.opening_m,
    )
    # The sheet is solved as if it stayed in, and read only until the door opens to take it out.
    longest_s = script.pull_s or _LONGEST_S
    truth = _solved(script, sheet, _air(script, sheet, longest_s), longest_s)
    pulled_s = script.pull_s or _ready_s(script, truth)
    return _recorded(script, sheet, _air(script, sheet, pulled_s), truth, pulled_s)


@dataclass(frozen=True)
class _Air:
    """True oven in time, every second from before the preheat; °C."""

    time_s: Array
    upper_c: Array
    lower_c: Array
    wall_c: Array


def _air(script: Script, sheet: Case, pulled_s: float) -> _Air:
    """The thermostat's cycle, and the fall of the air while the door stands open; the walls follow with their lag."""
    time = np.arange(-PREHEAT_S - 600.0, pulled_s + AFTER_S + _FINE_S, _FINE_S)
    card = sheet.oven
    fall, wall_k = np.zeros_like(time), np.zeros_like(time)
    for i, now in enumerate(time[:-1]):
        is_open = OPENED_S <= now < CLOSED_S or now >= pulled_s - OPENED_TO_PULL_S
        rate = (script.fall_k - fall[i]) / FALLING_S if is_open else -fall[i] / card.recovery_s
        fall[i + 1] = fall[i] + _FINE_S * rate
        wall_k[i + 1] = wall_k[i] + _FINE_S * (-fall[i] - wall_k[i]) / card.wall_lag_s
    cycle = script.cycle_k * np.sin(2.0 * np.pi * (time / script.cycle_s + script.seed % 7 / 7.0))
    upper = steady_air_c(card, sheet.set_c) + script.air_k + cycle - fall
    wall = steady_wall_c(card, sheet.set_c) + script.air_k + wall_k
    return _Air(time, upper, upper + script.lower_air_k, wall)


def _solved(script: Script, sheet: Case, air: _Air, until_s: float) -> History:
    inside = air.time_s >= 0.0
    measured = MeasuredAir(
        air.time_s[inside], air.upper_c[inside], air.lower_c[inside], wall_c=air.wall_c[inside]
    )  # fmt: skip
    problem = slab(replace(sheet, measured=measured), script.hidden)
    return record(problem, until_s, intervals=2 * INTERVALS, tolerance_k=_TOLERANCE_K)


def _ready_s(script: Script, truth: History) -> float:
    """When the coldest point is as warm as the script wants, to a whole step of the recorder."""
    time = np.arange(0.0, _LONGEST_S, STEP_S)
    warm = coldest_c(truth.temperature_at(time)) >= (script.pull_core_c or np.inf)
    if not warm.any():
        raise ValueError(f"{script.name}: the core does not reach {script.pull_core_c} °C within {_LONGEST_S:g} s")
    return float(time[np.argmax(warm)])


def _recorded(script: Script, sheet: Case, air: _Air, truth: History, pulled_s: float) -> Heat:
    noise = _Noise(script.seed)
    time = np.concatenate([np.arange(-PREHEAT_S, 0.0, PREHEAT_STEP_S), np.arange(0.0, pulled_s + AFTER_S, STEP_S)])
    heating = (time >= 0.0) & (time <= pulled_s - OPENED_TO_PULL_S)
    columns = {}
    for name, values in (("air_upper_c", air.upper_c), ("air_lower_c", air.lower_c)):
        slow = lagged(air.time_s, values, AIR_LAG_S)
        columns[name] = noise.reading(np.interp(time, air.time_s, slow), NOISE_K, STEP_K)
    fine = np.arange(0.0, pulled_s + _FINE_S, _FINE_S)
    profile = truth.temperature_at(fine)
    for sensor_name, sensor in script.columns.items():
        if sensor_name == "drop":
            radius_mm = equivalent_radius_m(script.opening_m) * 1e3
            seen, name, spread, step = truth.drop_ratio_at(fine) * radius_mm, "drop_mm", NOISE_MM, STEP_MM
        else:
            seen = lagged(fine, _at_sensor(sensor_name, sensor, script.gauge_m, profile), sensor.lag_s or 0.0)
            name, spread, step = f"{sensor_name}_c", NOISE_K, STEP_K
        columns[name] = np.where(heating, noise.reading(np.interp(time, fine, seen), spread, step), np.nan)
    if script.gap is not None:
        name, first, last = script.gap
        columns[name] = np.where((time > first) & (time < last), np.nan, columns[name])
    return Heat(
        time_s=time,
        columns=columns,
        events=_events(sheet, script, fine, coldest_c(profile), pulled_s),
        polymer=script.polymer,
        gauge_m=script.gauge_m,
        oven=script.oven,
        support="frame",
        opening_m=script.opening_m,
        start_c=sheet.start_c,
        set_c=sheet.set_c,
        colour="natural",
        simulated=True,
        sensors={"air_upper": Sensor(lag_s=AIR_LAG_S), "air_lower": Sensor(lag_s=AIR_LAG_S), **script.columns},
        remarks=("Simulated: made by a computer for demonstration. No oven and no sheet were measured.", *script.story),
    )


def _at_sensor(name: str, sensor: Sensor, gauge_m: float, profile_c: Array) -> Array:
    """Temperature where a sensor sits, °C, (times,); `profile_c` (nodes, times) from the upper face."""
    depth_m = gauge_m if name == "face_lower" else sensor.depth_m or 0.0
    place = depth_m / gauge_m * (len(profile_c) - 1)
    below = min(int(place), len(profile_c) - 2)
    between: Array = profile_c[below] + (place - below) * (profile_c[below + 1] - profile_c[below])
    return between


def _events(sheet: Case, script: Script, time_s: Array, core_c: Array, pulled_s: float) -> tuple[Event, ...]:
    events = [Event(OPENED_S, "door_open"), Event(CLOSED_S, "door_closed")]
    main = sheet.polymer.main_melting
    if main is not None:
        clear = np.flatnonzero(core_c >= main.end_c + float(script.hidden.melting_k))
        if len(clear) and time_s[clear[0]] < pulled_s - OPENED_TO_PULL_S:
            events.append(Event(float(time_s[clear[0]]), "clear_through"))
    return (*events, Event(pulled_s - OPENED_TO_PULL_S, "door_open"), Event(pulled_s, "pulled"))


class _Noise:
    """Normal noise from Python's own generator, whose sequence for a seed is promised to stay."""

    def __init__(self, seed: int) -> None:
        self._random = random.Random(seed)
        self._normal = NormalDist().inv_cdf

    def reading(self, truth: Array, std: float, step: float) -> Array:
        """What a sensor shows: noise added, in whole steps."""
        noise = np.array([self._normal(self._random.random()) for _ in truth])
        result: Array = np.round((truth + std * noise) / step) * step
        return result


def write_demo_heats(folder: Path) -> list[Path]:
    """Write all demo heats into a folder as new files; their paths.

    Raises:
        InputError: one of them is there already.
    """
    shop = read_shop(DEMO_FOLDER)
    folder.mkdir(parents=True, exist_ok=True)
    paths = []
    for script in SCRIPTS:
        paths.append(folder / f"{script.name}.csv")
        write_heat(demo_heat(script, shop), paths[-1])
    return paths


def main(words: list[str]) -> None:
    """Write into the folder named, else replace the demo shop's own."""
    folder = Path(words[0]) if words else FOLDER
    if not words:
        for script in SCRIPTS:
            (folder / f"{script.name}.csv").unlink(missing_ok=True)
    for path in write_demo_heats(folder):
        print(path)


if __name__ == "__main__":
    main(sys.argv[1:])
