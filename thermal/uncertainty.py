"""How uncertain a case is, and draws of what it might really be."""

from __future__ import annotations

from dataclasses import dataclass
from statistics import NormalDist

import numpy as np
from numpy.typing import NDArray

from thermal.case import NONE, Case, Departures
from thermal.notes import Note, difference
from thermal.oven import OvenCard

Array = NDArray[np.float64]

#: Standard uncertainties taken where nothing states them (our estimates, from the trade's usual tolerances).
GAUGE_REL_STD = 0.025  # extruded sheet is sold within about 5 %; common practice, no source
START_STD_K = 2.0
H_REL_STD = 0.15  # each face, of which half (in variance) is shared by both
EMISSIVITY_STD = 0.05
AIR_STD_K = 2.0
WALL_STD_K = 4.0
DOOR_DROP_REL_STD = 0.25
RECOVERY_REL_STD = 0.30
WALL_LAG_REL_STD = 0.30
EMITTER_STD_K = 10.0
VIEW_REL_STD = 0.08
CONTACT_REL_STD = 0.40
#: A factor on a coefficient never falls below this, however far out a draw lies.
LEAST_FACTOR = 0.05


@dataclass(frozen=True)
class Draws:
    """Departures whose first column is the stated case and whose others are drawn; and what was taken by default."""

    departures: Departures
    notes: tuple[Note, ...]


class _Normals:
    """Standard normal columns by Latin hypercube: every quantity's values are spread evenly over its distribution,
    so that quantiles of a few hundred draws are steady (M.D. McKay, R.J. Beckman, W.J. Conover, Technometrics 21
    (1979) 239).
    """

    def __init__(self, draws: int, seed: int) -> None:
        inverse = NormalDist().inv_cdf
        self._strata = np.array([inverse((i + 0.5) / draws) for i in range(draws)])
        self._random = np.random.default_rng(seed)

    def next(self) -> Array:
        return self._random.permutation(self._strata)

    def correlated(self, covariance: Array) -> Array:
        """Rows of one quantity each, with this covariance."""
        values, vectors = np.linalg.eigh(covariance)
        independent = np.stack([self.next() for _ in values])
        result: Array = vectors @ (np.sqrt(np.maximum(values, 0.0))[:, None] * independent)
        return result


def draw(case: Case, draws: int, seed: int = 1) -> Draws:
    """The case as stated followed by `draws` cases drawn from its uncertainty.

    Factors of the polymer are log-normal, shifts normal; the oven card's own covariance is used where it has one.
    """
    normals = _Normals(draws, seed)
    polymer = case.polymer
    main = polymer.main_melting

    def factor(rel_std: float) -> Array:
        return np.exp(rel_std * normals.next())

    values: dict[str, Array] = {
        "gauge": factor(GAUGE_REL_STD),
        "density": factor(polymer.density.provenance.rel_std),
        "conductivity": factor(polymer.conductivity.provenance.rel_std),
        "heat_capacity": factor(polymer.heat_capacity.provenance.rel_std),
        "start_k": START_STD_K * normals.next(),
        "expansion": factor(polymer.expansion.provenance.rel_std),
        "orientation": polymer.expansion.orientation_strain_std * normals.next(),
    }
    if main is not None:
        values["melting_heat"] = factor(main.provenance.rel_std)
        values["melting_k"] = main.temperature_std_k * normals.next()
    if polymer.viscosity is not None:
        values["viscosity"] = factor(polymer.viscosity.provenance.rel_std)
    infrared = polymer.surface.infrared.get(case.colour)
    if infrared is not None and case.oven.kind == "infrared":
        values["absorption"] = factor(infrared.provenance.rel_std)
    oven, notes = _oven(case.oven, normals)
    values |= oven
    if case.measured is not None:
        for name in ("recovery", "door_drop_k"):
            values.pop(name, None)  # the recorded air holds them
    return Draws(Departures(**{k: np.concatenate([[_neutral(k)], v]) for k, v in values.items()}), notes)


def _neutral(name: str) -> float:
    neutral: float = getattr(NONE, name)
    return neutral


def _oven(card: OvenCard, normals: _Normals) -> tuple[dict[str, Array], tuple[Note, ...]]:
    """Departures of the oven: from the card's covariance, and by default for what it does not cover."""
    shared, upper, lower, emissivity = (normals.next() for _ in range(4))
    half = np.sqrt(0.5)

    def part(value: float | None, std: float, z: Array) -> Array:
        return np.maximum(1.0 + (std / value if value else 0.0) * z, LEAST_FACTOR)

    default = {
        "upper.h_w_m2k": ("h_upper", np.exp(H_REL_STD * half * (shared + upper))),
        "lower.h_w_m2k": ("h_lower", np.exp(H_REL_STD * half * (shared + lower))),
        "upper.emissivity_eff": (
            "emissivity_upper",
            part(card.upper.emissivity_eff, EMISSIVITY_STD, emissivity),
        ),
        "lower.emissivity_eff": (
            "emissivity_lower",
            part(card.lower.emissivity_eff, EMISSIVITY_STD, emissivity),
        ),
        "air.offset_k": ("air_k", AIR_STD_K * normals.next()),
        "wall.offset_k": ("wall_k", WALL_STD_K * normals.next()),
        "air.door_drop_k": ("door_drop_k", DOOR_DROP_REL_STD * card.door_drop_k * normals.next()),
        "air.recovery_s": ("recovery", np.exp(RECOVERY_REL_STD * normals.next())),
        "wall.lag_s": ("wall_lag", np.exp(WALL_LAG_REL_STD * normals.next())),
    }
    if card.kind == "infrared":
        default["upper.emitter.temperature_c"] = ("emitter_k", EMITTER_STD_K * normals.next())
        default["upper.emitter.view_factor"] = ("emitter", np.exp(VIEW_REL_STD * normals.next()))
    if card.tray is not None:
        default["tray.contact_w_m2k"] = ("contact", np.exp(CONTACT_REL_STD * normals.next()))
    names = {key: name for key, (name, _) in default.items()}
    names |= {"upper.air_offset_k": "upper_air_k", "lower.air_offset_k": "lower_air_k"}
    names |= {"lower.emitter.temperature_c": "emitter_k", "lower.emitter.view_factor": "emitter"}
    fitted: dict[str, Array] = {}
    if card.uncertainty is not None:
        rows = normals.correlated(np.array(card.uncertainty.covariance))
        for key, row in zip(card.uncertainty.order, rows, strict=True):
            value = card.coefficient(key)
            if value is None:
                continue  # the card states an uncertainty of something it does not have
            if names[key].endswith("_k"):
                fitted[names[key]] = row
            elif value > 0:
                fitted[names[key]] = np.maximum(1.0 + row / value, LEAST_FACTOR)
    taken = {name: value for name, value in default.values() if name not in fitted}
    if not fitted:
        words = (
            f"The oven card states no uncertainty: taken {100.0 * H_REL_STD:g} % on the heat transfer of each face, "
            f"{EMISSIVITY_STD:g} on emissivity, {{0}} on air, {{1}} on walls"
        )
        return taken, (Note(words, (difference(AIR_STD_K), difference(WALL_STD_K))),)
    return taken | fitted, ()
