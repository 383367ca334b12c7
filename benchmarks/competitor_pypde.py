"""The same heating problem written with py-pde: a PDE class of its own, temperature as the unknown.

py-pde keeps cell centres, so each face's temperature is found half a cell away by two Newton steps. Ways to
run it: 'lsoda' (the default and the fastest as a whole: its wrapper of scipy's solve_ivp with a banded
Jacobian; it starts anew at each look at the core), 'runge-kutta-numpy' (adaptive explicit steps in Python)
and 'runge-kutta' (the same steps compiled by numba: the fastest stepping, but compiled anew, some seconds,
for each problem). The rate itself is compiled once for all problems in the first two.
"""

from __future__ import annotations

import importlib
import math
import warnings
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy.interpolate import CubicSpline
from scipy.optimize import brentq

from competitors import LONGEST_S, SIGMA_W_M2K4, ZERO_C_K, Array, Problem, Sheet, parabola_minimum

# by name, so that types are checked alike where the two packages are not installed
numba: Any = importlib.import_module("numba")
pde: Any = importlib.import_module("pde")
FinishedSimulation: type[Exception] = importlib.import_module("pde.trackers.base").FinishedSimulation


@numba.njit(cache=True)  # type: ignore[untyped-decorator]
def _face_flux(cell_c: float, air_c: float, wall_c: float, h: float, eps: float, resistance: float) -> float:
    """Flux into a face whose cell centre lies `resistance` (half a cell over k) below it."""
    wall_4 = (wall_c + ZERO_C_K) ** 4
    flux = 0.0
    for _ in range(2):
        face_k = cell_c + flux * resistance + ZERO_C_K
        from_oven = h * (air_c + ZERO_C_K - face_k) + eps * SIGMA_W_M2K4 * (wall_4 - face_k**4)
        slope = h + 4.0 * eps * SIGMA_W_M2K4 * face_k**3
        flux += (from_oven - flux) / (1.0 + slope * resistance)
    return flux


@numba.njit(cache=True)  # type: ignore[untyped-decorator]
def _rate(t_c: Array, time_s: float, numbers: Array, table: Array) -> Array:
    """dT/dt of the cells. numbers: see `SheetPDE`; table rows: T, theta, rho cp, k."""
    step, set_c, drop, recovery, offset, lag, h_0, h_1, eps_0, eps_1 = numbers
    recovering = math.exp(-time_s / recovery)
    air = set_c - drop * recovering
    wall = set_c + offset + drop * recovery / (recovery - lag) * (math.exp(-time_s / lag) - recovering)
    n = t_c.size
    theta = np.interp(t_c, table[0], table[1])
    capacity = np.interp(t_c, table[0], table[2])
    k_0, k_1 = np.interp(t_c[0], table[0], table[3]), np.interp(t_c[n - 1], table[0], table[3])
    out = np.empty(n)
    flow = _face_flux(t_c[0], air, wall, h_0, eps_0, 0.5 * step / k_0)
    for i in range(n):
        if i < n - 1:
            leaving = (theta[i] - theta[i + 1]) / step
        else:
            leaving = -_face_flux(t_c[n - 1], air, wall, h_1, eps_1, 0.5 * step / k_1)
        out[i] = (flow - leaving) / (step * capacity[i])
        flow = leaving
    return out


class SheetPDE(pde.PDEBase):  # type: ignore[misc]
    """rho cp(T) dT/dt = d/dz(k dT/dz) with the oven on both faces."""

    def __init__(self, problem: Problem, cells: int) -> None:
        super().__init__()
        p = problem
        sheet = Sheet(problem, cells, 0.25)
        conductivity = np.interp(sheet.t_c, p.conductivity_c, p.conductivity_w_mk)
        self.table = np.stack([sheet.t_c, sheet.theta, sheet.capacity, conductivity])
        oven = [p.set_c, p.door_drop_k, p.recovery_s, p.wall_offset_k, p.wall_lag_s]
        self.numbers = np.array([p.gauge_m / cells, *oven, *p.h_w_m2k, *p.emissivity])

    def evolution_rate(self, state: Any, t: float = 0.0) -> Any:
        """Rate for the numpy backend."""
        return pde.ScalarField(state.grid, _rate(np.asarray(state.data, dtype=np.float64), t, self.numbers, self.table))

    def make_evolution_rate(self, state: Any, backend: Any) -> Callable[[Array, float], Array]:
        """Rate for compiling backends."""
        numbers, table = self.numbers, self.table

        def rate(data: Array, t: float) -> Array:
            return _rate(data, t, numbers, table)  # type: ignore[no-any-return]

        return rate


@dataclass(frozen=True)
class Run:
    """Ready time and what py-pde's own clock says of it: compiling and stepping (seconds)."""

    ready_s: float
    compile_s: float
    stepping_s: float


WAYS: dict[str, dict[str, Any]] = {
    "lsoda": {
        "solver": "scipy",
        "backend": "numpy",
        "method": "LSODA",
        "lband": 1,
        "uband": 1,
        "rtol": 2e-6,
        "atol": 1e-3,
    },
    "runge-kutta-numpy": {"solver": "runge-kutta", "backend": "numpy", "adaptive": True, "tolerance": 1e-2},
    "runge-kutta": {"solver": "runge-kutta", "backend": "numba", "adaptive": True, "tolerance": 1e-2},
}


def pde_run(problem: Problem, *, cells: int = 48, way: str = "lsoda") -> Run:
    """Solve until the core has passed, looking at it in regular intervals; a cubic spline gives the time."""
    state = pde.ScalarField(pde.CartesianGrid([[0.0, problem.gauge_m]], cells), problem.start_c)
    interval_s = 2.4e5 * problem.gauge_m**2 + 6.0  # about 1/25 of the time to be found
    times: list[float] = []
    above_k: list[float] = []

    def look(field: Any, time_s: float) -> None:
        i = min(max(int(np.argmin(field.data)), 1), cells - 2)
        times.append(time_s)
        above_k.append(parabola_minimum(*field.data[i - 1 : i + 2].tolist()) - problem.limit_c)
        if len(above_k) > 3 and above_k[-2] > 0.0:  # one look more than needed steadies the spline
            raise FinishedSimulation

    equation = SheetPDE(problem, cells)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        tracker = pde.CallbackTracker(look, interrupts=interval_s)
        equation.solve(state, t_range=LONGEST_S, tracker=tracker, dt=1.0, **WAYS[way])
    clock = equation.diagnostics["controller"]["profiler"]
    ready_s = math.nan
    if above_k[-1] > 0.0:
        after = int(np.argmax(np.array(above_k) > 0.0))
        spline = CubicSpline(times, above_k)
        ready_s = float(brentq(lambda t: float(spline(t)), times[after - 1], times[after]))
    return Run(ready_s, clock["compilation"], clock["solver"])


def pde_ready_time(problem: Problem, *, cells: int = 48, way: str = "lsoda") -> float:
    """Ready time alone."""
    return pde_run(problem, cells=cells, way=way).ready_s
