"""Sheets and ovens for the tests: invented, of ordinary size."""

from __future__ import annotations

from thermal.case import Case
from thermal.oven import Face, OvenCard, Tray
from thermal.polymer import Expansion, Forming, Melting, Polymer, Provenance, Surface, Table, Viscosity

INVENTED = Provenance("invented for a test", "estimated", 0.05)
Values = tuple[tuple[float, ...], tuple[float, ...]]

CARD = OvenCard(
    id="test",
    kind="convection",
    set_c=185.0,
    air_offset_k=-3.0,
    door_drop_k=40.0,
    recovery_s=90.0,
    wall_offset_k=-5.0,
    wall_lag_s=300.0,
    upper=Face(18.0, 0.90),
    lower=Face(14.0, 0.90),
    tray=Tray(8.1, 900.0, 150.0, 22.0),
)

VISCOSITY = Viscosity("arrhenius", 5e4, 190.0, 160.0, INVENTED, activation_j_mol=40e3)


def polymer_of(
    capacity: Values,
    conductivity: Values,
    melting: tuple[float, float, float, float] | None = None,
    density: Values = ((23.0,), (905.0,)),
    core_min_c: float = 165.0,
    core_max_c: float = 195.0,
    face_max_c: float = 200.0,
    viscosity: Viscosity | None = VISCOSITY,
) -> Polymer:
    """A polymer from its tables; `melting` as (onset, peak, end °C, J/kg)."""
    return Polymer(
        id="test",
        name="test polymer",
        note="",
        version=1,
        density=Table(*density, INVENTED),
        conductivity=Table(*conductivity, INVENTED),
        heat_capacity=Table(*capacity, INVENTED),
        melting=(Melting(*melting, INVENTED, 2.0),) if melting else (),
        crystallisation=None,
        expansion=Expansion(1.2e-4, INVENTED, 0.02, 0.01),
        surface=Surface(0.93, INVENTED, {}),
        viscosity=viscosity,
        forming=Forming(core_min_c, core_max_c, face_max_c, 90.0, min(135.0, core_min_c), INVENTED),
        drying=None,
        clears_when_melted=melting is not None,
    )


def case_of(polymer: Polymer, gauge_mm: float, card: OvenCard, set_c: float) -> Case:
    """A sheet in an oven, starting at 22 °C."""
    return Case(polymer, gauge_mm * 1e-3, card, set_c)
