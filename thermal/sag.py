"""Sag of a clamped sheet: how far its lowest point hangs below the frame.

A clamped sheet first bows by thermal expansion (reversible, nothing has flowed), is pulled taut as extrusion
orientation relaxes, and then flows under its own weight. The flow of a circle of clamp radius a, drop w, s = w/a:

    ds/dt = kappa (1 + s2)3 / s2,      kappa = rho g a / (28 <eta>)
    G(s) = atan(s)/8 + s/(8 (1 + s2)) - s/(4 (1 + s2)2) = ∫ kappa dt

A spherical cap that carries its whole weight, with the constant 28 fitted to the exact axisymmetric Newtonian
membrane: within 2 % of it up to s = 1.2 (tests/test_sag.py has the table); the cube root of time at small sag is that
of A.J. Giacomin, A.W. Mix, O. Mahmood, Polym. Eng. Sci. 50 (2010) 2060. Layers of the sheet stretch together, so
<eta> is the mean over the thickness: a cold core carries the load.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from thermal.constants import GRAVITY_M_S2
from thermal.rheology import ln_arrhenius, ln_wlf

Array = NDArray[np.float64]
Columns = NDArray[np.intp]

#: Beyond this drop ratio the sheet hangs as a sack and the cap law does not hold.
VALID_RATIO = 1.2
#: Where the integration of the drop ends; the sheet is lost long before.
LOST_RATIO = 3.0
#: A layer stiffens from melt to solid over this span below `solid_below_c`, K (estimated; softens the switch).
SOFTENING_SPAN_K = 4.0
#: Modulus of the glassy or crystalline solid, Pa (order of magnitude, recalled): it carries the sheet while cold.
SOLID_MODULUS_PA = 1.5e9
#: Largest change of ln(kappa), of ln(stretch) by flow, and of the reversible strain in one step of the heating
#: solution. The drop goes with the root of the strain, so that is followed closely.
_KAPPA_CHANGE = 0.7
_STRETCH_CHANGE = 0.1
_STRAIN_CHANGE = 0.001
#: A bubble that would want shorter steps than this falls at once: nothing about it is worth following, s.
_SHORTEST_STEP_S = 0.02
#: Below this drop ratio the rate of the stretch says nothing about the coming step (it is infinite at none).
_FLAT = 0.05
#: Flow per step, in terms of G, below which its accuracy does not matter.
_NEGLIGIBLE_FLOW = 1e-4


def flow_integral(ratio: Array | float) -> Array:
    """G(s) of the module's text for drop ratio s, dimensionless; rises from 0 to pi/16."""
    s = np.asarray(ratio, float)
    q = 1.0 + s * s
    result: Array = np.arctan(s) / 8.0 + s / (8.0 * q) - s / (4.0 * q * q)
    return result


_TABLE_S = np.linspace(0.0, LOST_RATIO, 601)
_TABLE_ROOT = np.cbrt(3.0 * flow_integral(_TABLE_S))  # ~ s for small s: smooth to interpolate


def ratio_after_flow(integral: Array) -> Array:
    """Drop ratio whose G is `integral`; LOST_RATIO where that lies beyond it."""
    s = np.interp(np.cbrt(3.0 * integral), _TABLE_ROOT, _TABLE_S)
    for _ in range(2):  # Newton; G' = s2/(1 + s2)3
        slope = s * s / (1.0 + s * s) ** 3
        moved = s - (flow_integral(s) - integral) / np.maximum(slope, 1e-30)
        s = np.minimum(np.maximum(moved, 0.5 * s), np.minimum(2.0 * s, LOST_RATIO))
    return s


def equivalent_radius_m(opening_m: tuple[float, ...]) -> float:
    """Radius of the circle that sags alike, m, for an opening given as diameter (D,) or sides (D, E), m.

    Rectangles by the small-sag law w3 = C rho g b4 t/eta, b half the short side; C by the Ritz method (7 x 7 and
    14 x 14 functions, converged to 1 %), a = b (C/0.105258)^(1/4); the strip's C = 9/32 is exact. An equal-area
    circle would be wrong: the short side rules.
    """
    if len(opening_m) == 1:
        return opening_m[0] / 2.0
    short, long = sorted(opening_m)
    aspect_inverse = [0.0, 1 / 3, 1 / 2, 1 / 1.5, 1 / 1.25, 1.0]
    radius = [1.2785, 1.276, 1.263, 1.229, 1.180, 1.081]
    return short / 2.0 * float(np.interp(short / long, aspect_inverse, radius))


@dataclass(frozen=True)
class Melt:
    """Viscosity in temperature, for a batch (each (batch,)), by the laws of `rheology`.

    Below `solid_below_c` the layer is a solid, `solid_ratio` times stiffer than its melt there. Where
    `activation_j_mol` is NaN the WLF law holds.
    """

    reference_pa_s: Array
    reference_c: Array
    activation_j_mol: Array
    c1: Array
    c2_k: Array
    solid_below_c: Array
    solid_ratio: Array

    def solidity(self, t_c: Array) -> Array:
        """Share of the way from melt (0) to solid (1), same shape as `t_c`, °C."""
        result: Array = np.minimum(np.maximum((self.solid_below_c - t_c) / SOFTENING_SPAN_K, 0.0), 1.0)
        return result

    def viscosity_pa_s(self, t_c: Array) -> Array:
        """Zero-shear viscosity, Pa s, same shape as `t_c`, °C (..., batch)."""
        fluid_c = np.maximum(t_c, self.solid_below_c)
        exponent = self._ln_shift(fluid_c)
        exponent += np.log(self.solid_ratio) * self.solidity(t_c)
        result: Array = self.reference_pa_s * np.exp(np.minimum(exponent, 60.0))
        return result

    def _ln_shift(self, fluid_c: Array) -> Array:
        """Logarithm of the viscosity over that at the reference; the rule is one law for the whole batch."""
        wlf = np.isnan(self.activation_j_mol)
        if not wlf.any():
            return ln_arrhenius(fluid_c, self.reference_c, self.activation_j_mol)
        by_wlf = ln_wlf(fluid_c, self.reference_c, self.c1, np.maximum(self.c2_k, 1.0))
        if wlf.all():
            return by_wlf
        return np.where(wlf, by_wlf, ln_arrhenius(fluid_c, self.reference_c, self.activation_j_mol))

    def columns(self, keep: Columns) -> Melt:
        """The same for some columns of the batch."""
        return Melt(*(getattr(self, f)[keep] for f in self.__dataclass_fields__))


@dataclass(frozen=True)
class Sag:
    """Constants of a clamped sheet, for a batch (each (batch,)).

    Attributes:
        radius_m: clamp radius, or that of the equivalent circle. density_kg_m3: of the hot sheet. melt: its viscosity.
        expansion_1_k: linear thermal expansion of the solid sheet. orientation_strain: frozen-in extrusion strain
        that shrinks the sheet when it softens. rubber_modulus_pa: of the softened sheet; infinity: flows at once.
    """

    radius_m: Array
    density_kg_m3: Array
    melt: Melt
    expansion_1_k: Array
    orientation_strain: Array
    rubber_modulus_pa: Array

    def columns(self, keep: Columns) -> Sag:
        """The same for some columns of the batch."""
        cut = {f: getattr(self, f)[keep] for f in self.__dataclass_fields__ if f != "melt"}
        return Sag(melt=self.melt.columns(keep), **cut)

    def kappa_1_s(self, t_c: Array) -> Array:
        """Flow rate rho g a/(28 <eta>), 1/s, (batch,), from temperatures across the sheet, °C, (nodes, batch)."""
        load = self.density_kg_m3 * GRAVITY_M_S2 * self.radius_m
        result: Array = load / (28.0 * _mean(self.melt.viscosity_pa_s(t_c)))
        return result

    def reversible_strain(self, t_c: Array, start_c: Array) -> Array:
        """In-plane strain without flow, (batch,): expansion less the shrinkage of relaxing orientation, as far as it
        bows the sheet, plus the elastic strain of a rubbery sheet under its weight.

        The cap of strain e has s = sqrt(exp(2 e) - 1). Elastic sag of a circular membrane:
        w = 0.5949 a (rho g a/E)^(1/3) (H. Hencky, Z. Math. Phys. 63 (1915) 311;
        constant for Poisson's ratio 1/2 recomputed by shooting).
        """
        solidity = self.melt.solidity(t_c)
        expansion = self.expansion_1_k * (_mean(t_c) - start_c)
        bow = np.maximum(expansion - self.orientation_strain * (1.0 - _mean(solidity)), 0.0)
        modulus = self.rubber_modulus_pa + SOLID_MODULUS_PA * _mean(solidity)
        load = self.density_kg_m3 * GRAVITY_M_S2 * self.radius_m
        elastic = 0.594879 * np.cbrt(load / modulus)
        return bow + 0.5 * np.log1p(elastic * elastic)

    def start(self, profile_c: Array) -> SagState:
        """The state of a flat sheet with this temperature profile, °C, (nodes, batch)."""
        return SagState(self, _mean(profile_c))


def _mean(values: Array) -> Array:
    """Mean over the thickness (trapezoids over nodes, axis 0)."""
    result: Array = (values.sum(axis=0) - 0.5 * (values[0] + values[-1])) / (len(values) - 1)
    return result


class SagState:
    """A batch's drop while its heating is solved step by step.

    `arrive` is told the temperatures at each step's start, `leave` how far the step went. Between the two ends of a
    step kappa is taken as exponential in time.

    Attributes:
        ratio: drop over clamp radius, (batch,). stretch: area over clamped area, 1 + ratio2.
    """

    def __init__(self, sag: Sag, start_c: Array) -> None:
        self.sag = sag
        self.start_c = start_c
        self.ratio = np.zeros_like(start_c)
        self._kappa: Array | None = None
        self._strain = np.zeros_like(start_c)
        self._step = np.zeros_like(start_c)
        self._log_rate = np.zeros_like(start_c)
        self._strain_rate = np.zeros_like(start_c)

    @property
    def stretch(self) -> Array:
        """Area of the bubble over the clamped area, (batch,)."""
        return 1.0 + self.ratio * self.ratio

    def columns(self, keep: Columns) -> SagState:
        """The state of some columns of the batch."""
        cut = SagState(self.sag.columns(keep), self.start_c[keep])
        cut.ratio, cut._strain, cut._step = self.ratio[keep], self._strain[keep], self._step[keep]
        cut._log_rate, cut._strain_rate = self._log_rate[keep], self._strain_rate[keep]
        cut._kappa = None if self._kappa is None else self._kappa[keep]
        return cut

    def arrive(self, t_c: Array) -> None:
        """Carry the drop over the step just made to the temperatures reached, °C, (nodes, batch)."""
        kappa = self.sag.kappa_1_s(t_c)
        strain = self.sag.reversible_strain(t_c, self.start_c)
        before = kappa if self._kappa is None else self._kappa
        change = np.log(kappa / before)
        flat = np.abs(change) < 1e-6
        mean = np.where(flat, kappa, (kappa - before) / np.where(flat, 1.0, change))
        flowed = ratio_after_flow(flow_integral(self.ratio) + mean * self._step)
        stretch = (1.0 + flowed * flowed) * np.exp(2.0 * (strain - self._strain))
        # A bubble that is lost stays so: one that shrank a little would fall again at once, in steps of no length.
        ratio = np.minimum(np.sqrt(np.maximum(stretch - 1.0, 0.0)), LOST_RATIO)
        self.ratio = np.where(self.ratio >= LOST_RATIO, LOST_RATIO, ratio)
        moving = self._step > 0
        step = np.where(moving, self._step, 1.0)
        self._log_rate = np.where(moving, change / step, self._log_rate)
        self._strain_rate = np.where(moving, np.abs(strain - self._strain) / step, self._strain_rate)
        self._kappa, self._strain, self._step = kappa, strain, np.zeros_like(kappa)

    def leave(self, moved: NDArray[np.bool_], step_s: Array) -> None:
        """Note the step, s, (batch,), that the columns in `moved` are about to make."""
        self._step = np.where(moved, step_s, 0.0)

    def stretch_growth_1_s(self) -> Array:
        """Rate of ln(stretch) by flow at the moment, 1/s, (batch,), as far as a step of the heating may use it."""
        assert self._kappa is not None
        growth = 2.0 * self._kappa * self.stretch**2 / np.maximum(self.ratio, 1e-3)
        return np.where((self.ratio < LOST_RATIO) & (self.ratio > _FLAT), growth, 0.0)

    def longest_step_s(self) -> Array:
        """Longest next step, s, (batch,), over which kappa and the stretch change little enough."""
        assert self._kappa is not None
        by_kappa = _KAPPA_CHANGE / np.maximum(np.abs(self._log_rate), 1e-9)
        by_kappa = np.where(self._kappa * by_kappa < _NEGLIGIBLE_FLOW, np.inf, by_kappa)
        growth = 2.0 * self._kappa * self.stretch**2 / np.maximum(self.ratio, 1e-3)
        by_stretch = _STRETCH_CHANGE / np.maximum(growth, 1e-9)
        by_strain = _STRAIN_CHANGE / np.maximum(self._strain_rate, 1e-9)
        longest = np.minimum(np.minimum(by_kappa, by_stretch), by_strain)
        return np.where(self.ratio >= LOST_RATIO, np.inf, np.maximum(longest, _SHORTEST_STEP_S))
