"""What is known about a sheet polymer, as values: tables, melting ranges, viscosity, limits; their sources.

Temperatures are °C, everything else SI. Each section names its source, how the numbers came about
(`basis`) and a relative standard uncertainty; where a section mixes published and recalled numbers its
basis is that of the weakest, and the source text says which number is which.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from thermal.rheology import ln_arrhenius, ln_wlf

Array = NDArray[np.float64]
Basis = Literal["published", "derived", "recalled", "estimated"]
Law = Literal["arrhenius", "wlf"]

#: How many times stiffer a semi-crystalline layer is below its melting range: 3 to 4 decades, recalled.
DEFAULT_SOLID_RATIO = 10.0**3.5


def _float(values: ArrayLike) -> Array:
    return np.asarray(values, dtype=np.float64)


@dataclass(frozen=True)
class Provenance:
    """Where numbers come from: the source in words, how they came about, relative standard uncertainty."""

    source: str
    basis: Basis
    rel_std: float


@dataclass(frozen=True)
class Table:
    """A property against temperature (°C, strictly increasing), linear between points, constant beyond them.

    One point is a value that holds at every temperature.
    """

    temperature_c: tuple[float, ...]
    value: tuple[float, ...]
    provenance: Provenance

    def at(self, temperature_c: ArrayLike) -> Array:
        """The property at temperatures of any shape (°C); same shape."""
        return np.asarray(np.interp(_float(temperature_c), self.temperature_c, self.value))

    def overreach_k(self, low_c: float, high_c: float) -> float:
        """How many kelvin the interval low..high leaves the table by; 0 inside it and for a single value."""
        if len(self.value) == 1:
            return 0.0
        return max(0.0, self.temperature_c[0] - low_c, high_c - self.temperature_c[-1])


@dataclass(frozen=True)
class Melting:
    """A melting range as a triangle of excess heat capacity: zero at onset, highest at peak, zero at end.

    Its area is `enthalpy_j_kg`. A crystallisation is kept the same way, with ascending temperatures:
    its `onset_c` is then the cold foot. `temperature_std_k`: standard uncertainty of the three
    temperatures, which move together.
    """

    onset_c: float
    peak_c: float
    end_c: float
    enthalpy_j_kg: float
    provenance: Provenance
    temperature_std_k: float = 0.0

    @property
    def height_j_kgk(self) -> float:
        """Excess heat capacity at the peak, J/(kg K): a triangle's height from its area."""
        return 2.0 * self.enthalpy_j_kg / (self.end_c - self.onset_c)

    def excess_j_kgk(self, temperature_c: ArrayLike) -> Array:
        """Excess heat capacity at temperatures of any shape (°C), J/(kg K)."""
        corners = (self.onset_c, self.peak_c, self.end_c)
        height = self.height_j_kgk
        return np.asarray(np.interp(_float(temperature_c), corners, (0.0, height, 0.0)))

    def fraction(self, temperature_c: ArrayLike) -> Array:
        """Share of the enthalpy taken up below these temperatures (°C), exact: 0 at onset, 1 at end."""
        t = np.clip(_float(temperature_c), self.onset_c, self.end_c)
        width = self.end_c - self.onset_c
        rising = (t - self.onset_c) ** 2 / (width * (self.peak_c - self.onset_c))
        falling = 1.0 - (self.end_c - t) ** 2 / (width * (self.end_c - self.peak_c))
        return np.where(t < self.peak_c, rising, falling)


@dataclass(frozen=True)
class Infrared:
    """How one colour of sheet takes up an infrared emitter's power.

    `bands` are pairs (fraction of the power, absorption coefficient 1/m), fractions adding up to 1;
    without bands the sheet is opaque and absorbs at the face.
    """

    reflectance: float
    bands: tuple[tuple[float, float], ...]
    provenance: Provenance

    @property
    def opaque(self) -> bool:
        """Whether all power is absorbed at the face."""
        return not self.bands


@dataclass(frozen=True)
class Surface:
    """Total emissivity of a face (hemispherical, sheet thick against its absorption), infrared by colour."""

    emissivity: float
    provenance: Provenance
    infrared: Mapping[str, Infrared]


@dataclass(frozen=True)
class Viscosity:
    """Zero-shear viscosity of the melt; `provenance.rel_std` is the standard deviation of its natural log.

    The laws are `rheology.ln_arrhenius` and `rheology.ln_wlf`.
    Below `solid_below_c` (crystals, or glass) a layer is a solid, `solid_ratio` times stiffer than the
    melt law says.
    """

    law: Law
    reference_pa_s: float
    reference_c: float
    solid_below_c: float
    provenance: Provenance
    activation_j_mol: float = 0.0
    c1: float = 0.0
    c2_k: float = 0.0
    solid_ratio: float = DEFAULT_SOLID_RATIO
    rubber_modulus_pa: float | None = None

    def melt_pa_s(self, temperature_c: ArrayLike) -> Array:
        """Viscosity by the melt law alone at temperatures of any shape (°C), Pa s.

        The wlf law has a pole at reference_c - c2_k; below `solid_below_c`, where it says nothing about a
        glass, it is kept at its value there. The arrhenius law is continued as it stands.
        """
        t = _float(temperature_c)
        if self.law == "wlf":
            exponent = ln_wlf(np.maximum(t, self.solid_below_c), self.reference_c, self.c1, self.c2_k)
        else:
            exponent = ln_arrhenius(t, self.reference_c, self.activation_j_mol)
        return np.asarray(self.reference_pa_s * np.exp(exponent))


@dataclass(frozen=True)
class Dose:
    """Time at temperature that a face stands: `limit_s` at `reference_c`, shorter where hotter by Arrhenius."""

    limit_s: float
    reference_c: float
    activation_j_mol: float

    def rate(self, temperature_c: ArrayLike) -> Array:
        """Seconds at the reference temperature that pass in a second at these temperatures (°C, any shape):
        exp(E/R (1/T_ref - 1/T)), T in kelvin.
        """
        return np.asarray(np.exp(-ln_arrhenius(temperature_c, self.reference_c, self.activation_j_mol)))


@dataclass(frozen=True)
class Forming:
    """Limits of forming, °C: the core's least and most, the face's most, and two on the way down.

    `form_until_c`: formable until a face falls below this; `demold_c`: stiff enough to leave the mold.
    `stretch_max`: largest area stretch (formed area / sheet area). `dose`: time at temperature a face stands.
    `provenance.rel_std` is relative to
    the Celsius value.
    """

    core_min_c: float
    core_max_c: float
    face_max_c: float
    demold_c: float
    form_until_c: float
    provenance: Provenance
    stretch_max: float | None = None
    dose: Dose | None = None


@dataclass(frozen=True)
class Expansion:
    """Linear thermal expansion, 1/K, and frozen-in extrusion strain.

    `orientation_strain` is the share of its length by which a free sheet shrinks on first heating (along
    the extrusion direction, where it is largest), with its standard deviation.
    """

    linear_1_k: float
    provenance: Provenance
    orientation_strain: float = 0.0
    orientation_strain_std: float = 0.0


@dataclass(frozen=True)
class Drying:
    """Whether the sheet must be dried before heating, in what air (°C) and how long per mm of gauge."""

    needed: bool
    provenance: Provenance
    temperature_c: float | None = None
    hours_per_mm: float | None = None


@dataclass(frozen=True)
class Polymer:
    """One sheet polymer.

    density kg/m3 (a heat balance per area uses its value at room temperature: mass per area does not
    change), conductivity W/(m K), heat_capacity J/(kg K) without melting, melting ranges in ascending
    order (none: amorphous), viscosity (None: not known, the drop cannot be predicted).
    `clears_when_melted`: natural sheet visibly turns clear when its core has
    melted. `sticks_to_itself`: hot sheet pressed on hot sheet welds, so that a seam can be made.
    """

    id: str
    name: str
    note: str
    version: int
    density: Table
    conductivity: Table
    heat_capacity: Table
    melting: tuple[Melting, ...]
    crystallisation: Melting | None
    expansion: Expansion
    surface: Surface
    viscosity: Viscosity | None
    forming: Forming
    drying: Drying | None
    clears_when_melted: bool
    sticks_to_itself: bool = False

    @property
    def semi_crystalline(self) -> bool:
        """Whether it melts, rather than softening from a glass."""
        return bool(self.melting)

    @property
    def main_melting(self) -> Melting | None:
        """The melting range with the largest enthalpy, None for an amorphous polymer."""
        return max(self.melting, key=lambda melting: melting.enthalpy_j_kg, default=None)
