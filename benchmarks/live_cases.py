"""The cells of the live estimate's proofs: one nominal sheet in one nominal oven each, invented for the purpose."""

from __future__ import annotations

from dataclasses import dataclass, replace

from thermal.case import Case
from thermal.oven import Face, OvenCard, Uncertainty
from thermal.polymer import Melting, Polymer, Provenance, Table
from thermal.polymer_data import shipped_polymer
from thermal.sag import VALID_RATIO, equivalent_radius_m
from thermal.window import Limits, limits

GAUGES_MM = (4.0, 6.0, 12.0)
CORE_MIN_C = 165.0
SET_C, H_UPPER, H_LOWER, EMISSIVITY = 185.0, 18.0, 14.0, 0.9


@dataclass(frozen=True)
class Known:
    """How well oven and polymer are known: relative, or absolute where the unit says so."""

    h: float
    emissivity: float
    polymer: float
    melting_heat: float
    air_k: float


#: h to 20 %, emissivity to 0.04, the polymer's properties to 4 to 8 %; after a calibration of both; and the same with
#: all that the oven's card says half as sure.
ROUGH = Known(0.20, 0.04, 0.05, 0.08, 0.5)
CALIBRATED = Known(0.05, 0.02, 0.02, 0.03, 0.5)
DOUBLED = Known(0.10, 0.04, 0.02, 0.03, 1.0)


def cell(gauge_mm: float, known: Known, opening_m: tuple[float, ...] | None = None) -> tuple[Case, Limits]:
    """Polypropylene that melts from 140 to 170 °C, whose core must get 165 °C, in an oven set to 185 °C."""
    case = Case(_polymer(known), gauge_mm * 1e-3, _oven(known), SET_C, opening_m=opening_m)
    of = limits(case.polymer.forming)
    if opening_m is not None:
        of = replace(of, drop_max=VALID_RATIO * equivalent_radius_m(opening_m) / equivalent_radius_m(opening_m))
    return case, of


def _polymer(known: Known) -> Polymer:
    base = shipped_polymer("pp-homopolymer")

    def table(of: Table) -> Table:
        return replace(of, provenance=replace(of.provenance, rel_std=known.polymer))

    heat = Provenance("invented", "estimated", known.melting_heat)
    exact = Provenance("invented", "estimated", 0.0)
    return replace(
        base,
        density=replace(base.density, provenance=replace(base.density.provenance, rel_std=0.01)),
        conductivity=table(base.conductivity),
        heat_capacity=table(base.heat_capacity),
        melting=(Melting(140.0, 160.0, 170.0, 90e3, heat, 0.0),),
        viscosity=None if base.viscosity is None else replace(base.viscosity, solid_below_c=158.0),
        forming=replace(base.forming, core_min_c=CORE_MIN_C, provenance=exact),
    )


def _oven(known: Known) -> OvenCard:
    order = ("upper.h_w_m2k", "lower.h_w_m2k", "upper.emissivity_eff", "lower.emissivity_eff", "air.offset_k")
    stds = (known.h * H_UPPER, known.h * H_LOWER, known.emissivity, known.emissivity, known.air_k)
    covariance = tuple(tuple(s * s if i == j else 0.0 for j in range(len(stds))) for i, s in enumerate(stds))
    return OvenCard(
        id="bench",
        kind="convection",
        set_c=SET_C,
        air_offset_k=0.0,
        door_drop_k=40.0,
        recovery_s=90.0,
        wall_offset_k=0.0,
        wall_lag_s=300.0,
        upper=Face(H_UPPER, EMISSIVITY),
        lower=Face(H_LOWER, EMISSIVITY),
        uncertainty=Uncertainty(order, covariance),
    )
