"""The shape and thickness of a sagging bubble: an axisymmetric Newtonian membrane under its own weight.

Stresses of an incompressible Newtonian film are sigma_m = 2 eta (2 e_m + e_t) along the meridian and
sigma_t = 2 eta (2 e_t + e_m) around (e: strain rates), so over a time step the film moves to the least of

    sum V [2 eta (Dm2 + Dm Dt + Dt2)/dt] - sum V rho g z        D: logarithmic strains of the step, V: volume

(an incremental variational form; straight elements, backward Euler, Newton). Viscosity, density and time enter only
through rho g a t/eta: how thickness is spread depends on the drop over the clamp radius alone, whatever the course of
the temperature. Uniform temperature is assumed.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

ELEMENTS = 80
_RATIO_STEP = 0.01
_NEWTON_STEPS = 30
_NEWTON_ENOUGH = 1e-11


@dataclass(frozen=True)
class Bubble:
    """A sagged sheet over a clamp circle of radius 1 and gauge 1.

    Attributes:
        ratio: drop over clamp radius. volume: of the sheet from the pole to each node, (nodes,), 0 to pi.
        area: of the bubble from the pole to each node, (nodes,). radius, drop: meridian from pole to rim, (nodes,).
    """

    ratio: float
    volume: Array
    area: Array
    radius: Array
    drop: Array

    @property
    def thickness(self) -> Array:
        """Thickness over gauge of each ring between nodes, (nodes - 1,)."""
        result: Array = np.diff(self.volume) / np.diff(self.area)
        return result


def flat() -> Bubble:
    """The sheet before it sags."""
    radius = np.linspace(0.0, 1.0, ELEMENTS + 1)
    area = np.pi * radius * radius
    return Bubble(0.0, area, area.copy(), radius, np.zeros_like(radius))


def even_cap(ratio: float) -> Bubble:
    """A spherical cap of uniform thickness 1/(1 + s2), the usual volume balance of a free bubble (e.g. R.J. Crawford,
    Plastics Engineering, 3rd ed. 1998, sec. 4.4.1).
    """
    volume = flat().volume
    sphere = 0.5 * (1.0 + ratio * ratio) / ratio if ratio > 0.0 else np.inf
    drop = np.full_like(volume, ratio) if ratio > 0.0 else np.zeros_like(volume)
    area = volume * (1.0 + ratio * ratio)
    if ratio > 0.0:
        drop = ratio - area / (2.0 * np.pi * sphere)
    radius = np.sqrt(np.maximum(area / np.pi - (ratio - drop) ** 2, 0.0))
    return Bubble(ratio, volume, area, radius, drop)


def sagged(ratio: float) -> Bubble:
    """The bubble of a drop ratio, interpolated between the steps of one march.

    Raises:
        ValueError: a ratio below 0 or beyond `LARGEST_RATIO`.
    """
    if not 0.0 <= ratio <= LARGEST_RATIO:
        raise ValueError(f"drop ratio {ratio}: expected 0 to {LARGEST_RATIO:g}")
    ratios, shapes, _ = march(LARGEST_RATIO)
    after = int(np.clip(np.searchsorted(ratios, ratio), 1, len(ratios) - 1))
    part = (ratio - ratios[after - 1]) / (ratios[after] - ratios[after - 1])
    shape = (1.0 - part) * shapes[after - 1] + part * shapes[after]
    return _bubble(ratio, shape)


#: As far as bubbles are followed; beyond, the sheet hangs as a sack that nobody pulls.
LARGEST_RATIO = 1.5


@lru_cache(maxsize=4)
def march(until_ratio: float, elements: int = ELEMENTS, ratio_step: float = _RATIO_STEP) -> tuple[Array, Array, Array]:
    """Sag from a flat sheet; each step is driven by the drop, and its time is found.

    Returns:
        Drop ratios (steps,); radii and drops of the nodes from the pole (steps, 2, nodes); times of the steps in units
        of eta/(rho g a), (steps,).
    """
    film = _Film(elements)
    ratios = _ratios(until_ratio, ratio_step)
    x = film.flat()
    # The first step starts from a paraboloid and the cube root law of small sag, s3 = 0.10526 t (Hencky's membrane for
    # Poisson's ratio 1/2); later ones go on as the one before.
    guess, time = film.paraboloid(ratios[1]), 1.5 * ratios[1] ** 3 / 0.105258
    shapes, times = [film.shape(x)], [0.0]
    for i in range(1, len(ratios)):
        moved, time = film.step(x, guess, time, ratios[i])
        shapes.append(film.shape(moved))
        times.append(times[-1] + time)
        if i + 1 < len(ratios):
            longer = (ratios[i + 1] - ratios[i]) / (ratios[i] - ratios[i - 1])
            guess, x, time = moved + longer * (moved - x), moved, time * longer
    return ratios, np.array(shapes), np.array(times)


def _ratios(until: float, step: float) -> Array:
    """Drops to step through: growing by a part of the drop itself at first, then evenly to `until`."""
    stops = [0.0, 0.004]
    share = 5.0 * step
    while share * stops[-1] < step and (1.0 + share) * stops[-1] < until:
        stops.append(stops[-1] * (1.0 + share))
    even = max(1, int(np.ceil((until - stops[-1]) / step)))
    return np.concatenate([stops, np.linspace(stops[-1], until, even + 1)[1:]])


def _bubble(ratio: float, shape: Array) -> Bubble:
    radius, drop = shape
    slant = np.hypot(np.diff(radius), np.diff(drop))
    area = np.concatenate([[0.0], np.cumsum(np.pi * (radius[1:] + radius[:-1]) * slant)])
    at = np.linspace(0.0, 1.0, len(radius))
    return Bubble(ratio, np.pi * at * at, area, radius, drop)


class _Film:
    """The finite elements: unknowns r and z of each node in turn, as one vector with the clamped and axial ones."""

    def __init__(self, elements: int) -> None:
        at = np.linspace(0.0, 1.0, elements + 1)
        self._nodes = elements + 1
        self._volume = 0.5 * (at[1:] ** 2 - at[:-1] ** 2)
        # Weight of an element on its two nodes: its thickness per original area is uniform, z linear in between.
        width = np.diff(at)
        outer = width * (at[:-1] / 6.0 + at[1:] / 3.0)
        self._load = np.zeros(2 * self._nodes)
        self._load[1:-2:2] += self._volume - outer
        self._load[3::2] += outer
        first = 2 * np.arange(elements)
        self._places = first[:, None] + np.arange(4)
        # Row and column of each entry of an element's matrix in banded storage (three bands either side).
        across, down = np.meshgrid(np.arange(4), np.arange(4))
        self._band = np.broadcast_to(3 + down - across, (elements, 4, 4))
        self._column = first[:, None, None] + across
        self._fixed = np.array([0, 2 * self._nodes - 2, 2 * self._nodes - 1])
        self._load[self._fixed] = 0.0

    def flat(self) -> Array:
        """The sheet before it sags."""
        return self.paraboloid(0.0)

    def paraboloid(self, ratio: float) -> Array:
        """A shape near that of a small drop."""
        at = np.linspace(0.0, 1.0, self._nodes)
        return np.stack([at, ratio * (1.0 - at * at)], axis=1).ravel()

    def shape(self, x: Array) -> Array:
        """Radii and drops of the nodes, (2, nodes)."""
        return np.stack([x[0::2], x[1::2]])

    def step(self, old: Array, guess: Array, time: float, ratio: float) -> tuple[Array, float]:
        """The film when its pole has reached `ratio`, and the time that took, in units of eta/(rho g a)."""
        new = guess.copy()
        new[1] = ratio
        for _ in range(_NEWTON_STEPS):
            resistance, stiffness = self._system(old, new)
            _hold(stiffness, self._fixed)
            resistance -= time * self._load
            resistance[self._fixed] = 0.0
            moves, by_time = _solve(stiffness, np.stack([-resistance, self._load], axis=1)).T
            longer = (ratio - new[1] - moves[1]) / by_time[1]
            change = moves + longer * by_time
            largest = float(np.abs(change).max())
            damped = min(1.0, 0.2 * ratio / max(largest, 1e-300))
            new += damped * change
            time += damped * longer
            if largest < _NEWTON_ENOUGH:
                return new, time
        raise ArithmeticError("the sagging bubble did not converge")

    def _system(self, old: Array, new: Array) -> tuple[Array, Array]:
        """Gradient and second derivative (bands) of sum 2 V (Dm2 + Dm Dt + Dt2)."""
        r1, z1, r2, z2 = new[self._places].T
        was = old[self._places].T
        dr, dz = r2 - r1, z2 - z1
        square = dr * dr + dz * dz
        along = 0.5 * np.log(square / ((was[2] - was[0]) ** 2 + (was[3] - was[1]) ** 2))
        around = np.log((r1 + r2) / (was[0] + was[2]))
        none = np.zeros_like(dr)
        by_m = np.stack([-dr, -dz, dr, dz]) / square
        by_t = np.stack([none + 1.0, none, none + 1.0, none]) / (r1 + r2)
        pull_m, pull_t = 2.0 * self._volume * (2.0 * along + around), 2.0 * self._volume * (2.0 * around + along)
        resistance = np.zeros(len(new))
        np.add.at(resistance, self._places, (pull_m * by_m + pull_t * by_t).T)
        mm, mt, tt = (np.einsum("ie,je->eij", a, b) for a, b in ((by_m, by_m), (by_m, by_t), (by_t, by_t)))
        viscous = 2.0 * self._volume[:, None, None] * (2.0 * (mm + tt) + mt + mt.transpose(0, 2, 1))
        bend = _APART / square[:, None, None] - 2.0 * mm
        matrix = viscous + pull_m[:, None, None] * bend - pull_t[:, None, None] * tt
        stiffness = np.zeros((7, len(new)))
        np.add.at(stiffness, (self._band, self._column), matrix)
        return resistance, stiffness


#: Second derivative of half the squared distance of an element's ends.
_APART = np.kron(np.array([[1.0, -1.0], [-1.0, 1.0]]), np.eye(2))


def _hold(stiffness: Array, fixed: NDArray[np.intp]) -> None:
    """Take fixed unknowns out of the equations."""
    for at in fixed:
        for band in range(7):
            row = at + band - 3
            if 0 <= row < stiffness.shape[1]:
                stiffness[band, at] = 0.0  # its column
                stiffness[6 - band, row] = 0.0  # its row
        stiffness[3, at] = 1.0


def _solve(stiffness: Array, sides: Array) -> Array:
    from scipy.linalg import solve_banded  # only here: a command that needs no bubble starts without it

    result: Array = solve_banded((3, 3), stiffness, sides)
    return result
