"""How uncertain a case is, and draws of what it might really be.

Not drawn, because another quantity stands for it: the emissivity in a polymer's file, which only the carry uses (in
the oven the card's `emissivity_eff` counts, sheet and oven together).
"""

from __future__ import annotations

from dataclasses import dataclass
from statistics import NormalDist
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from thermal.case import NONE, Case, Departures
from thermal.notes import Note, Quantity, difference
from thermal.oven import OvenCard, Uncertainty
from thermal.polymer import Polymer

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


class _Normals(Protocol):
    """Gives standard normal columns one after the other, each (draws,), for the quantity named."""

    def next(self, name: str) -> Array:
        """The next column."""


class _Drawn:
    """Standard normal columns by Latin hypercube: every quantity's values are spread evenly over its distribution,
    so that quantiles of a few hundred draws are steady (M.D. McKay, R.J. Beckman, W.J. Conover, Technometrics 21
    (1979) 239).
    """

    def __init__(self, draws: int, seed: int) -> None:
        inverse = NormalDist().inv_cdf
        self._strata = np.array([inverse((i + 0.5) / draws) for i in range(draws)])
        self._random = np.random.default_rng(seed)

    def next(self, name: str) -> Array:
        return self._random.permutation(self._strata)


class _Given:
    """Columns given beforehand, row by row; without them zeros, to find out what is asked for."""

    def __init__(self, rows: Array | None) -> None:
        self.names: list[str] = []
        self._rows = rows

    def next(self, name: str) -> Array:
        self.names.append(name)
        return np.zeros(1) if self._rows is None else self._rows[len(self.names) - 1]


def unknowns(case: Case) -> tuple[str, ...]:
    """What is uncertain about a case, by name: one standard normal number each stands behind its departures."""
    given = _Given(None)
    _departures(case, given)
    return tuple(given.names)


def departures(case: Case, normals: Array) -> Departures:
    """Departures behind standard normal numbers, (unknowns, batch), rows in the order of `unknowns`; all zero: the
    stated case.
    """
    found, _ = _departures(case, _Given(normals))
    return Departures(**found)


def draw(case: Case, draws: int, seed: int = 1) -> Draws:
    """The case as stated followed by `draws` cases drawn from its uncertainty.

    Factors of the polymer are log-normal, shifts normal; the oven card's own covariance is used where it has one.
    Forming limits: see `_limits`.
    """
    values, taken = _departures(case, _Drawn(draws, seed))
    by = Departures(**{k: np.concatenate([[_neutral(k)], v]) for k, v in values.items()})
    return Draws(by, _notes(case, taken & values.keys()))


def _departures(case: Case, normals: _Normals) -> tuple[dict[str, Array], set[str]]:
    """Departures by name from standard normal columns, and which of the oven's were taken by default."""
    polymer = case.polymer
    main = polymer.main_melting

    def factor(name: str, rel_std: float) -> Array:
        return np.exp(rel_std * normals.next(name))

    values: dict[str, Array] = {
        "gauge": factor("gauge", GAUGE_REL_STD),
        "density": factor("density", polymer.density.provenance.rel_std),
        "conductivity": factor("conductivity", polymer.conductivity.provenance.rel_std),
        "heat_capacity": factor("heat_capacity", polymer.heat_capacity.provenance.rel_std),
        "start_k": START_STD_K * normals.next("start_k"),
        "expansion": factor("expansion", polymer.expansion.provenance.rel_std),
        "orientation": polymer.expansion.orientation_strain_std * normals.next("orientation"),
    }
    if main is not None:
        values["melting_heat"] = factor("melting_heat", main.provenance.rel_std)
        values["melting_k"] = main.temperature_std_k * normals.next("melting_k")
    if polymer.viscosity is not None:
        values["viscosity"] = factor("viscosity", polymer.viscosity.provenance.rel_std)
    infrared = polymer.surface.infrared.get(case.colour)
    if infrared is not None and case.oven.kind == "infrared":
        values["absorption"] = factor("absorption", infrared.provenance.rel_std)
    oven, taken = _oven(case.oven, normals)
    values |= oven
    if case.measured is not None:
        for name in ("recovery", "door_drop_k"):
            values.pop(name, None)  # the recorded air holds them
    if len(polymer.melting) > 1:
        values["lesser_melting"] = normals.next("lesser_melting")
    values |= _limits(polymer, values.get("melting_k"), normals)
    return values, taken


def _limits(polymer: Polymer, melting_k: Array | None, normals: _Normals) -> dict[str, Array]:
    """Shifts of the forming limits, K, each with the standard deviation that the polymer's file states.

    The least core temperature of a polymer that melts lies where its crystals are gone, so it moves with the melting
    range as far as that explains its uncertainty; the rest, and all of it where nothing melts, is its own. The two
    highest temperatures are set by other things (oxidation, a melt too soft) and known as well or badly as each other:
    one draw moves both.
    """
    forming = polymer.forming
    rel_std, main = forming.provenance.rel_std, polymer.main_melting
    core_std = rel_std * forming.core_min_c
    core_min, hottest = core_std * normals.next("core_min_k"), normals.next("hottest")
    if main is not None and melting_k is not None and main.temperature_std_k > 0.0:
        shared = min(1.0, core_std / main.temperature_std_k)
        own_share = np.sqrt(max(0.0, 1.0 - (shared * main.temperature_std_k / core_std) ** 2)) if core_std else 0.0
        core_min = shared * melting_k + own_share * core_min
    return {
        "core_min_k": core_min,
        "core_max_k": rel_std * forming.core_max_c * hottest,
        "face_max_k": rel_std * forming.face_max_c * hottest,
    }


def _neutral(name: str) -> float:
    neutral: float = getattr(NONE, name)
    return neutral


def _oven(card: OvenCard, normals: _Normals) -> tuple[dict[str, Array], set[str]]:
    """Departures of the oven: from the card's covariance, and by default for what it does not cover, which is named."""
    shared, upper, lower, emissivity = map(normals.next, ("h_shared", "h_upper", "h_lower", "emissivity"))
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
        "air.offset_k": ("air_k", AIR_STD_K * normals.next("air_k")),
        "wall.offset_k": ("wall_k", WALL_STD_K * normals.next("wall_k")),
        "air.door_drop_k": ("door_drop_k", DOOR_DROP_REL_STD * card.door_drop_k * normals.next("door_drop_k")),
        "air.recovery_s": ("recovery", np.exp(RECOVERY_REL_STD * normals.next("recovery"))),
        "wall.lag_s": ("wall_lag", np.exp(WALL_LAG_REL_STD * normals.next("wall_lag"))),
    }
    if card.kind == "infrared":
        default["upper.emitter.temperature_c"] = ("emitter_k", EMITTER_STD_K * normals.next("emitter_k"))
        default["upper.emitter.view_factor"] = ("emitter", np.exp(VIEW_REL_STD * normals.next("emitter")))
    if card.tray is not None:
        default["tray.contact_w_m2k"] = ("contact", np.exp(CONTACT_REL_STD * normals.next("contact")))
    names = {key: name for key, (name, _) in default.items()}
    names |= {"upper.air_offset_k": "upper_air_k", "lower.air_offset_k": "lower_air_k"}
    names |= {"lower.emitter.temperature_c": "emitter_k", "lower.emitter.view_factor": "emitter"}
    fitted: dict[str, Array] = {}
    if card.uncertainty is not None:
        rows = _correlated(card.uncertainty, normals)
        for key, row in zip(card.uncertainty.order, rows, strict=True):
            value = card.coefficient(key)
            if value is None:
                continue  # the card states an uncertainty of something it does not have
            if names[key].endswith("_k"):
                fitted[names[key]] = row
            elif value > 0:
                fitted[names[key]] = np.maximum(1.0 + row / value, LEAST_FACTOR)
    taken = {name: value for name, value in default.values() if name not in fitted}
    return taken | fitted, set(taken)


def _correlated(uncertainty: Uncertainty, normals: _Normals) -> Array:
    """Rows of one quantity each, with the card's covariance."""
    values, vectors = np.linalg.eigh(np.array(uncertainty.covariance))
    independent = np.stack([normals.next(f"card_{i}") for i in range(len(values))])
    result: Array = vectors @ (np.sqrt(np.maximum(values, 0.0))[:, None] * independent)
    return result


def _notes(case: Case, taken: set[str]) -> tuple[Note, ...]:
    """What was taken by default, of all that plays a part in this case."""
    card = case.oven
    taken = taken - _without_part(case)
    found: list[tuple[str, Quantity | None]] = [
        *_of_faces(taken, "h", f"{100.0 * H_REL_STD:g} % on the heat transfer"),
        *_of_faces(taken, "emissivity", f"{EMISSIVITY_STD:g} on the emissivity"),
    ]
    others: tuple[tuple[str, str, Quantity | None], ...] = (
        ("air_k", "{} on the air", difference(AIR_STD_K)),
        ("wall_k", "{} on the walls", difference(WALL_STD_K)),
        ("door_drop_k", f"{100.0 * DOOR_DROP_REL_STD:g} % on the air's fall at the door", None),
        ("recovery", f"{100.0 * RECOVERY_REL_STD:g} % on its recovery time", None),
        ("wall_lag", f"{100.0 * WALL_LAG_REL_STD:g} % on the walls' lag", None),
        ("emitter_k", "{} on the emitters", difference(EMITTER_STD_K)),
        ("emitter", f"{100.0 * VIEW_REL_STD:g} % on the emitters' share of the view", None),
        ("contact", f"{100.0 * CONTACT_REL_STD:g} % on the contact with the tray", None),
    )
    found += [(words, quantity) for name, words, quantity in others if name in taken]
    sheet = f"taken {100.0 * GAUGE_REL_STD:g} % on its gauge, {{0}} on its start temperature"
    notes = [Note(f"Uncertainty of the sheet itself not stated: {sheet}", (difference(START_STD_K),))]
    if found:
        which = "no uncertainty" if card.uncertainty is None else "no uncertainty of some of its values"
        quantities = tuple(quantity for _, quantity in found if quantity is not None)
        places = iter(range(len(quantities)))
        parts = [words if quantity is None else words.format(f"{{{next(places)}}}") for words, quantity in found]
        notes.insert(0, Note(f"The oven card states {which}: taken {', '.join(parts)}", quantities))
    return tuple(notes)


def _of_faces(taken: set[str], name: str, words: str) -> list[tuple[str, Quantity | None]]:
    sides = [side for side in ("upper", "lower") if f"{name}_{side}" in taken]
    if not sides:
        return []
    return [(f"{words} of {'each face' if len(sides) == 2 else f'the {sides[0]} face'}", None)]


def _without_part(case: Case) -> set[str]:
    """Quantities that do not enter this case, however uncertain."""
    card, measured = case.oven, case.measured
    found = {f"h_{side}" for side in ("upper", "lower") if getattr(card, side).h_w_m2k == 0.0}
    found |= {f"emissivity_{side}" for side in ("upper", "lower") if getattr(card, side).emissivity_eff == 0.0}
    if card.door_drop_k == 0.0:
        found |= {"door_drop_k", "recovery"}
    if card.upper.emissivity_eff == card.lower.emissivity_eff == 0.0:
        found |= {"wall_k", "wall_lag"}
    # Walls only lag behind an air that moves, and need no lag where they were recorded.
    still = card.door_drop_k == 0.0 if measured is None else measured.wall_c is not None
    return found | ({"wall_lag"} if still else set()) | ({"contact"} if case.support != "tray" else set())
