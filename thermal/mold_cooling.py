"""Cooling on the mold: a wall on plaster, the room outside, until the wall's core is cold enough to be stripped.

One dimension through wall and mold, as a cylinder of the mold's mean radius (or a flat slab), in finite volumes:

    rho dH/dt = 1/x^n d/dx( x^n k dT/dx )        n = 1 for the cylinder, 0 for the slab

H holds the heat of crystallising, given back over the polymer's range on the way down (undercooled, tens of kelvin
below its melting); the enthalpy is the unknown, so none of it is lost whatever the step. Between wall and plaster lies
a contact resistance (stocking, air), outside free convection on an upright face and radiation; the mold's middle is
insulated. Solved by LSODA (scipy) with a banded Jacobian.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from thermal.build import ROOM_C, sheet_material
from thermal.case import Departures
from thermal.enthalpy import Material
from thermal.polymer import Polymer
from thermal.room import upright_flux_w_m2

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Plaster:
    """What a mold is made of: density kg/m3, heat capacity J/(kg K), conductivity W/(m K)."""

    density_kg_m3: float
    heat_capacity_j_kgk: float
    conductivity_w_mk: float


#: Cast gypsum 35 days old, 998 kg/m3: Architecture Civil Engineering Environment 2019, doi 10.21307/acee-2019-037.
DRY = Plaster(998.0, 1520.0, 0.300)
#: The same with 36 % of its dry mass in water (derived by mixing); conductivity 0.6 to 0.8 recalled.
DAMP = Plaster(1358.0, 1910.0, 0.70)
PLASTERS = {"dry": DRY, "damp": DAMP}
#: Vacuum-drawn sheet over a stocking on plaster, 5e-4 to 3e-3 m2 K/W (recalled).
CONTACT_M2K_W = 1.5e-3
#: Standard deviations: of the logarithm of contact, plaster's conductivity, heat given off; of the sheet's heat and
#: conductivity those of its file; of the temperature at which it may be stripped, as its file states (estimated).
_CONTACT_STD, _PLASTER_STD, _LOSS_STD = 0.5, 0.2, 0.15
_WALL_CELLS, _MOLD_CELLS = 24, 36
_FOLLOWED_S = 24.0 * 3600.0
#: The instruction that stands, s (common practice, no source).
STANDING_S = 24.0 * 3600.0


@dataclass(frozen=True)
class OnMold:
    """A wall on its mold.

    Attributes:
        wall_m: thickness, m. start_c: of the wall when it is drawn on, °C. mold_c, room_c: °C. plaster: the mold's.
        radius_m: of the mold, m; None: a flat slab `depth_m` deep. height_m: of the upright face outside, m.
        contact_m2k_w: resistance between wall and mold.
    """

    polymer: Polymer
    wall_m: float
    start_c: float
    mold_c: float
    room_c: float
    plaster: Plaster = DRY
    radius_m: float | None = 0.05
    depth_m: float = 0.05
    height_m: float = 0.25
    contact_m2k_w: float = CONTACT_M2K_W


@dataclass(frozen=True)
class Cooling:
    """How a wall cools.

    Attributes:
        of: what was asked. time_s: (times,). outer_c, core_c, inner_c, mold_c: outer face, hottest place of the wall,
        its face on the mold, the mold's middle, °C, (times,). strip_s: until the hottest place is below the polymer's
        demold temperature, s; None: not within a day. interval_s: 5 and 95 %, None for beyond a day.
    """

    of: OnMold
    time_s: Array
    outer_c: Array
    core_c: Array
    inner_c: Array
    mold_c: Array
    strip_s: float | None
    interval_s: tuple[float | None, float | None]


def cool(of: OnMold) -> Cooling:
    """Follow a wall on its mold, with the interval of its stripping time (each uncertainty in turn, in quadrature)."""
    grid = Layers(of)
    time = np.concatenate([np.arange(0.0, 600.0, 10.0), np.geomspace(600.0, _FOLLOWED_S, 200)])
    course = temperatures(grid, time)
    below = of.polymer.forming.demold_c
    strip = _below_s(time, course[: grid.wall_cells].max(axis=0), below)
    wall = course[: grid.wall_cells]
    return Cooling(
        of, time, grid.outer_face_c(course[0]), wall.max(axis=0), wall[-1], course[-1], strip, _interval(of, strip)
    )


def _interval(of: OnMold, strip: float | None) -> tuple[float | None, float | None]:
    if strip is None:
        return None, None
    variance = 0.0
    for other, factor in _departures(of):
        grid = Layers(other, factor)
        time = np.linspace(0.0, min(_FOLLOWED_S, 6.0 * strip + 600.0), 400)
        moved = _below_s(
            time, temperatures(grid, time, 1e-4)[: grid.wall_cells].max(axis=0), other.polymer.forming.demold_c
        )
        variance += np.log((moved if moved is not None else time[-1]) / max(strip, 1.0)) ** 2
    wide = float(np.exp(1.645 * np.sqrt(variance)))
    late = strip * wide
    return strip / wide, late if late < _FOLLOWED_S else None


def _departures(of: OnMold) -> list[tuple[OnMold, float]]:
    """The wall with each uncertain quantity off by one standard deviation, and the factor on the heat given off."""
    forming = of.polymer.forming
    plaster = of.plaster
    heat = 1.0 + of.polymer.heat_capacity.provenance.rel_std
    conducts = 1.0 - of.polymer.conductivity.provenance.rel_std
    capacity, conductivity = of.polymer.heat_capacity, of.polymer.conductivity
    hotter = replace(capacity, value=tuple(heat * value for value in capacity.value))
    worse = replace(conductivity, value=tuple(conducts * value for value in conductivity.value))
    colder = forming.demold_c * (1.0 - forming.provenance.rel_std)
    duller = replace(plaster, conductivity_w_mk=plaster.conductivity_w_mk * float(np.exp(-_PLASTER_STD)))
    changed = [
        replace(of, contact_m2k_w=of.contact_m2k_w * float(np.exp(_CONTACT_STD))),
        replace(of, plaster=duller),
        replace(of, wall_m=of.wall_m * 1.08),
        replace(of, polymer=replace(of.polymer, heat_capacity=hotter)),
        replace(of, polymer=replace(of.polymer, conductivity=worse)),
        replace(of, polymer=replace(of.polymer, forming=replace(forming, demold_c=colder))),
    ]
    return [*((one, 1.0) for one in changed), (of, float(np.exp(-_LOSS_STD)))]


def _below_s(time: Array, temperature: Array, limit_c: float) -> float | None:
    """When a falling temperature has passed a limit for good, s."""
    above = np.flatnonzero(temperature > limit_c)
    if not len(above):
        return 0.0
    last = int(above[-1])
    if last == len(time) - 1:
        return None
    part = (temperature[last] - limit_c) / (temperature[last] - temperature[last + 1])
    return float(time[last] + part * (time[last + 1] - time[last]))


class Layers:
    """Cells from the outer face inward: the wall's, evenly, then the mold's, finer towards the wall."""

    def __init__(self, of: OnMold, loss: float = 1.0, outside: tuple[Array, Array] | None = None) -> None:
        """`outside`: evenly spaced face temperatures, °C, and heat that comes in there, W/m2; None: the room."""
        self.of = of
        self.wall_cells = _WALL_CELLS
        polymer = of.polymer
        falling = replace(polymer, melting=(polymer.crystallisation,) if polymer.crystallisation else ())
        self.material: Material = sheet_material(falling, Departures(), 1)
        self.density = float(polymer.density.at(ROOM_C))
        depth = of.depth_m if of.radius_m is None else of.radius_m
        edges = np.concatenate(
            [
                np.linspace(0.0, of.wall_m, _WALL_CELLS + 1),
                of.wall_m + depth * np.linspace(0.0, 1.0, _MOLD_CELLS + 1)[1:] ** 1.6,
            ]
        )
        # Area of each edge and volume of each cell, by the area of the wall's inner face.
        if of.radius_m is None:
            self.area, self.volume = np.ones_like(edges), np.diff(edges)
        else:
            radius = np.maximum(of.radius_m + of.wall_m - edges, 0.0)
            self.area = radius / of.radius_m
            self.volume = -np.diff(radius**2) / (2.0 * of.radius_m)
        self.half = 0.5 * np.diff(edges)
        flux_c, flux = outside or upright_flux_w_m2(of.room_c, of.height_m, polymer.surface.emissivity)
        # Plain numbers: they are looked up one at a time, thousands of times.
        self._table = (float(flux_c[0]), float(flux_c[1] - flux_c[0]))
        self._flux: list[float] = (loss * flux).tolist()

    @property
    def start(self) -> Array:
        """Enthalpy of each cell, J/m3."""
        of, n = self.of, self.wall_cells
        wall = float(self.material.enthalpy(np.array([[of.start_c]]))[0, 0]) * self.density
        mold = of.plaster.density_kg_m3 * of.plaster.heat_capacity_j_kgk * of.mold_c
        return np.concatenate([np.full(n, wall), np.full(len(self.volume) - n, mold)])

    def temperature(self, h: Array) -> Array:
        """°C of enthalpies, (cells,) or (cells, times)."""
        n, plaster = self.wall_cells, self.of.plaster
        wall = self.material.temperature(h[:n].reshape(-1, 1) / self.density).reshape(h[:n].shape)
        mold = h[n:] / (plaster.density_kg_m3 * plaster.heat_capacity_j_kgk)
        result: Array = np.concatenate([wall, mold])
        return result

    def conductivity(self, t_c: Array) -> Array:
        """W/(m K) of each cell."""
        n = self.wall_cells
        plaster = np.full(len(t_c) - n, self.of.plaster.conductivity_w_mk)
        result: Array = np.concatenate([self.of.polymer.conductivity.at(t_c[:n]), plaster])
        return result

    def rate(self, _time: float, h: Array) -> Array:
        """dH/dt of each cell, W/m3."""
        t_c = self.temperature(h)
        resistance = self.half / self.conductivity(t_c)
        between = resistance[:-1] + resistance[1:]
        between[self.wall_cells - 1] += self.of.contact_m2k_w
        flow = np.zeros(len(h) + 1)
        flow[1:-1] = self.area[1:-1] * (t_c[:-1] - t_c[1:]) / between
        face = self._outer_face_c(float(t_c[0]), float(resistance[0]))
        flow[0] = self.area[0] * self._taken(face)[0]
        result: Array = (flow[:-1] - flow[1:]) / self.volume
        return result

    def outer_face_c(self, first_c: Array) -> Array:
        """Outer face from the outermost cell's temperatures, °C."""
        resistance = self.half[0] / self.of.polymer.conductivity.at(first_c)
        return np.array([self._outer_face_c(t, r) for t, r in zip(first_c, resistance, strict=True)])

    def _outer_face_c(self, first_c: float, resistance: float) -> float:
        """Where what the half cell conducts meets what the room takes, by Newton's method."""
        face = first_c
        for _ in range(3):
            taken, slope = self._taken(face)
            face += (first_c + taken * resistance - face) / (1.0 - slope * resistance)
        return face

    def _taken(self, face_c: float) -> tuple[float, float]:
        """Heat into the outer face, W/m2, and its slope; the table's temperatures are evenly spaced."""
        first, step = self._table
        at = min(max(int((face_c - first) / step), 0), len(self._flux) - 2)
        slope = (self._flux[at + 1] - self._flux[at]) / step
        return self._flux[at] + slope * (face_c - first - at * step), slope


def temperatures(grid: Layers, time: Array, rtol: float = 1e-6) -> Array:
    """Temperatures of the cells at times, °C, (cells, times); `rtol` of the solver."""
    from scipy.integrate import solve_ivp

    found = solve_ivp(
        grid.rate, (0.0, float(time[-1])), grid.start, "LSODA", time, rtol=rtol, atol=500.0, lband=1, uband=1
    )
    if not found.success:
        raise ArithmeticError(f"the cooling wall cannot be computed: {found.message}")
    return grid.temperature(found.y)
