"""What a calibration does not know: the oven's coefficients, and beside them the sheets' and the sensors' own.

Every unknown is a standard number xi about its stated value: value = stated exp(s xi) for what is positive, odds times
exp(s xi) for what lies between 0 and 1, stated + s xi for the rest. s is its standard uncertainty before the heats, so
that a prior is |xi|2 and all are of one size. No prior is cut off at a bound: a normal interval would not hold there.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from calibration.nonlinear import Priors
from calibration.run import Run
from thermal.fields import InputError, near_matches
from thermal.oven import OvenCard
from thermal.polymer import Polymer
from thermal.uncertainty import GAUGE_REL_STD, START_STD_K

Array = NDArray[np.float64]
Law = Literal["factor", "odds", "shift"]

#: How little is known of an oven before its calibration (our estimates): heat transfer within a factor of 1.5 as a
#: standard deviation, the rest about as an uncalibrated card's plan takes it; an emissivity by its odds e/(1 - e), so
#: that 0.90 may be 0.74 to 0.97 (90 %).
H_LN, EMISSIVITY_LN, AIR_K, WALL_K, LAG_LN, VIEW_LN, CONTACT_LN = 0.4, 0.7, 2.0, 4.0, 0.5, 0.3, 0.6
#: A polymer's conductivity and heat capacity, where they themselves are sought.
SOUGHT_LN = 0.3
#: An oven does not repeat itself: the air of each face differs so much from heat to heat, K, as its air by itself does
#: (`air_course`); and the air at the sheet against the recorded one so much more at a heat's end than at its beginning
#: (a thermocouple's drift, layers that even out as the sheet gets warm), K (estimated).
HEAT_AIR_K, HEAT_DRIFT_K = 1.0, 1.0
#: A sensor: its answer time, share of the stated one; its depth, m, and where no depth is stated, share of the gauge
#: (estimated). An answer that is quicker than this needs no correction, s.
SENSOR_LAG, DEPTH_M, DEPTH_SHARE = 0.4, 0.15e-3, 0.08
_QUICK_S = 0.1
#: Emissivity of a face under bright foil, and the spread of its logarithm (common range of polished aluminium, 0.03 to
#: 0.1; Incropera et al., Fundamentals of Heat and Mass Transfer, Table A.11).
FOIL_EMISSIVITY, FOIL_LN = 0.06, 0.4
#: Names of the oven's unknowns, as a card calls them.
OVEN = (
    "upper.h_w_m2k",
    "lower.h_w_m2k",
    "upper.emissivity_eff",
    "lower.emissivity_eff",
    "upper.air_offset_k",
    "lower.air_offset_k",
    "wall.offset_k",
    "wall.lag_s",
    "upper.emitter.view_factor",
    "tray.contact_w_m2k",
)
#: An emissivity is stated no nearer to 0 or 1 than this: its odds must be finite.
_INSIDE = 0.02


@dataclass(frozen=True)
class Unknown:
    """One unknown.

    Attributes:
        name; kind: 'oven', 'polymer', 'sheet' or 'sensor'; of: the polymer's id or the run's number, '' for the oven.
        stated: value at xi = 0. scale: s. law: value = stated exp(s xi), its odds times exp(s xi), or stated + s xi.
        bounds: of the value. fixed: xi stays 0.
    """

    name: str
    kind: str
    of: str
    stated: float
    scale: float
    law: Law
    bounds: tuple[float, float] = (-np.inf, np.inf)
    fixed: bool = False

    def value(self, xi: Array | float) -> Array:
        """The value behind xi, any shape."""
        moved = self.scale * np.asarray(xi, float)
        if self.law == "shift":
            return np.asarray(self.stated + moved)
        grown = self.stated * np.exp(moved)
        return np.asarray(grown if self.law == "factor" or self.stated == 1.0 else grown / (1.0 - self.stated + grown))

    def xi(self, value: float) -> float:
        """The number behind a value; minus infinity for a bound of zero, infinity for odds without end."""
        if self.law == "shift":
            return (value - self.stated) / self.scale
        ratio = value / self.stated
        if self.law == "odds":
            if value >= 1.0:
                return np.inf
            ratio *= (1.0 - self.stated) / (1.0 - value)
        return float(np.log(ratio) / self.scale) if value > 0.0 else -np.inf

    def slope(self, xi: float) -> float:
        """d(value)/d(xi)."""
        value = float(self.value(xi))
        return self.scale * {"shift": 1.0, "factor": value, "odds": value * (1.0 - value)}[self.law]


@dataclass(frozen=True)
class Settings:
    """What is fixed, free and tied, and which priors count.

    Attributes:
        oven_priors: whether what was known of the oven before counts; what is known of sheets and sensors always does.
        fixed: names of oven unknowns that stay as stated. tied: 'emissivity' or 'h': the same factor or shift for both
        faces. seek_polymer: the polymers' conductivity and heat capacity are sought as widely as the oven.
        gauge_rel_std: how well the sheets' gauge is known; 0.005 where it was measured with a caliper.
    """

    oven_priors: bool = True
    fixed: frozenset[str] = frozenset()
    tied: frozenset[str] = frozenset()
    seek_polymer: bool = False
    gauge_rel_std: float = GAUGE_REL_STD

    def __post_init__(self) -> None:
        for name in self.fixed:
            if name not in OVEN:
                raise InputError(
                    f"{name!r} cannot be fixed{near_matches(name, OVEN)}: expected one of {', '.join(OVEN)}"
                )
        for name in self.tied:
            if name not in _TIES:
                raise InputError(f"{name!r} cannot be tied: expected one of {', '.join(_TIES)}")


_TIES = {
    "h": ("upper.h_w_m2k", "lower.h_w_m2k"),
    "emissivity": ("upper.emissivity_eff", "lower.emissivity_eff"),
}


def oven_unknowns(card: OvenCard, runs: Sequence[Run], settings: Settings) -> tuple[Unknown, ...]:
    """The oven's unknowns; what plays no part in any run is left out.

    The face's air offsets start from where the air above and below was measured against their mean.
    """
    apart = [run.apart_k for run in runs if run.apart_k is not None]
    half = 0.5 * float(np.mean(apart)) if apart else 0.0
    air = {"upper": half or card.upper.air_offset_k, "lower": -half or card.lower.air_offset_k}
    found: list[Unknown] = []
    anything = (-np.inf, np.inf)

    def add(name: str, stated: float, scale: float, law: Law, bounds: tuple[float, float] = anything) -> None:
        fixed = name in settings.fixed
        if law == "odds" and not fixed:
            stated = float(np.clip(stated, _INSIDE, 1.0 - _INSIDE))
        found.append(Unknown(name, "oven", "", stated, scale, law, bounds, fixed))

    for side in ("upper", "lower"):
        face = getattr(card, side)
        tray_side = side == "lower" and all(run.case.support == "tray" for run in runs)
        if face.h_w_m2k > 0.0:
            add(f"{side}.h_w_m2k", face.h_w_m2k, H_LN, "factor", (1e-3, 2000.0))
        if face.emissivity_eff > 0.0:
            add(f"{side}.emissivity_eff", face.emissivity_eff, EMISSIVITY_LN, "odds")
        if not tray_side or face.h_w_m2k > 0.0:
            add(f"{side}.air_offset_k", air[side], AIR_K, "shift")
    radiates = card.upper.emissivity_eff + card.lower.emissivity_eff > 0.0
    if radiates:
        add("wall.offset_k", card.wall_offset_k - card.air_offset_k, WALL_K, "shift")
        if any(run.wall_c is None for run in runs) and card.wall_lag_s > 0.0:
            add("wall.lag_s", card.wall_lag_s, LAG_LN, "factor", (1.0, 36_000.0))
    emitter = card.upper.emitter or card.lower.emitter
    if card.kind == "infrared" and emitter is not None:
        add(f"{'upper' if card.upper.emitter else 'lower'}.emitter.view_factor", emitter.view_factor, VIEW_LN, "factor",
            (1e-3, 1.0))  # fmt: skip
    if card.tray is not None and any(run.case.support == "tray" for run in runs):
        add("tray.contact_w_m2k", card.tray.contact_w_m2k, CONTACT_LN, "factor", (1e-2, 20_000.0))
    return tuple(found)


def polymer_unknowns(polymer: Polymer, settings: Settings) -> tuple[Unknown, ...]:
    """A polymer's unknowns, as factors and shifts; its file says how well each is known."""

    def factor(name: str, std: float) -> Unknown:
        return Unknown(name, "polymer", polymer.id, 1.0, std, "factor", fixed=std <= 0.0)

    sought = settings.seek_polymer
    found = [
        factor("conductivity", SOUGHT_LN if sought else polymer.conductivity.provenance.rel_std),
        factor("heat_capacity", SOUGHT_LN if sought else polymer.heat_capacity.provenance.rel_std),
        factor("density", polymer.density.provenance.rel_std),
    ]
    main = polymer.main_melting
    if main is not None:
        found.append(factor("melting_heat", main.provenance.rel_std))
        std_k = main.temperature_std_k
        found.append(Unknown("melting_k", "polymer", polymer.id, 0.0, std_k or 1.0, "shift", fixed=std_k <= 0.0))
    return tuple(found)


def run_unknowns(run: Run, number: int, settings: Settings) -> tuple[Unknown, ...]:
    """What is unknown of one heat: its sheet, the oven's mood, the sensors."""
    of = str(number)
    found = [
        Unknown("gauge", "sheet", of, 1.0, settings.gauge_rel_std, "factor"),
        Unknown("start_k", "sheet", of, 0.0, START_STD_K, "shift"),
        Unknown("air_upper_k", "sheet", of, 0.0, HEAT_AIR_K, "shift"),
        Unknown("air_lower_k", "sheet", of, 0.0, HEAT_AIR_K, "shift"),
        Unknown("air_drift_k", "sheet", of, 0.0, HEAT_DRIFT_K, "shift"),
    ]
    if any(run.foiled):
        found.append(Unknown("foil", "sheet", of, FOIL_EMISSIVITY, FOIL_LN, "factor"))
    for one in run.series:
        lag_s, quick = max(one.lag_s, _QUICK_S), one.lag_s < _QUICK_S
        found.append(
            Unknown(f"lag:{one.column}", "sensor", of, lag_s, SENSOR_LAG * lag_s, "shift", (0.0, np.inf), quick)
        )
        if one.place == "core":
            share = min(DEPTH_M / run.case.gauge_m, DEPTH_SHARE) if one.stated else DEPTH_SHARE
            found.append(Unknown(f"depth:{one.column}", "sensor", of, one.depth, share, "shift"))
    return tuple(found)


@dataclass(frozen=True)
class Layout:
    """All unknowns in order, and how the free ones move them: xi = ties @ free.

    Attributes:
        all: every unknown. ties: (all, free). names: of the free ones. at: (kind, of, name) -> place in `all`.
    """

    all: tuple[Unknown, ...]
    ties: Array
    names: tuple[str, ...]
    at: Mapping[tuple[str, str, str], int]

    @property
    def oven(self) -> tuple[int, ...]:
        """Places of the oven's unknowns in `all`."""
        return tuple(i for i, one in enumerate(self.all) if one.kind == "oven")

    @property
    def moved(self) -> NDArray[np.bool_]:
        """Which of all unknowns are not fixed, (all,)."""
        moved: NDArray[np.bool_] = np.any(self.ties != 0.0, axis=1)
        return moved

    def lead(self, free: int) -> Unknown:
        """The unknown that a free one is named after."""
        return self.all[int(np.flatnonzero(self.ties[:, free])[0])]

    def bounds(self) -> tuple[Array, Array]:
        """Bounds of the free unknowns, each (free,)."""
        low, high = np.full(len(self.names), -np.inf), np.full(len(self.names), np.inf)
        for i, one in enumerate(self.all):
            for j in np.flatnonzero(self.ties[i]):
                low[j] = max(low[j], one.xi(one.bounds[0]) if np.isfinite(one.bounds[0]) else -np.inf)
                high[j] = min(high[j], one.xi(one.bounds[1]) if np.isfinite(one.bounds[1]) else np.inf)
        return low, high


def layout(card: OvenCard, runs: Sequence[Run], settings: Settings) -> Layout:
    """The unknowns of a calibration.

    Raises:
        InputError: nothing of the oven is left to be found.
    """
    found: list[Unknown] = list(oven_unknowns(card, runs, settings))
    for polymer in {run.case.polymer.id: run.case.polymer for run in runs}.values():
        found += polymer_unknowns(polymer, settings)
    for number, run in enumerate(runs):
        found += run_unknowns(run, number, settings)
    place = {(one.kind, one.of, one.name): i for i, one in enumerate(found)}
    leader = list(range(len(found)))
    for tie in settings.tied:
        first, second = (place.get(("oven", "", name)) for name in _TIES[tie])
        if first is not None and second is not None:
            leader[second] = first
    free = [i for i, one in enumerate(found) if leader[i] == i and not one.fixed]
    if not any(found[i].kind == "oven" for i in free) and not settings.seek_polymer:
        raise InputError("nothing of the oven is left to be found: fix fewer of its values")
    ties = np.zeros((len(found), len(free)))
    for i in range(len(found)):
        if leader[i] in free and not found[i].fixed:
            ties[i, free.index(leader[i])] = 1.0
    return Layout(tuple(found), ties, tuple(label(found[i]) for i in free), place)


def label(one: Unknown) -> str:
    """A name that is the only one: 'upper.h_w_m2k', 'pp-homopolymer: conductivity', 'heat 2: gauge'."""
    if one.kind == "oven":
        return one.name
    return f"{one.of}: {one.name}" if one.kind == "polymer" else f"heat {int(one.of) + 1}: {one.name}"


def priors(of: Layout, settings: Settings, card: OvenCard | None = None) -> Priors:
    """The priors of the free unknowns: one row each; of the oven's own none where they are switched off.

    Args:
        card: whose stated uncertainty is the oven's prior as far as it goes; None: as little as `oven_unknowns` says.
    """
    n = len(of.names)
    rows = list(np.eye(n))
    oven = [j for j in range(n) if of.lead(j).kind == "oven"]
    drop: set[int] = set()
    if not settings.oven_priors:
        drop = set(oven)
    elif card is not None and card.uncertainty is not None:
        known = [j for j in oven if of.names[j] in card.uncertainty.order]
        covariance = _stated(of, known, card)
        usable = [k for k in range(len(known)) if covariance[k, k] > 0.0]
        if usable:
            known = [known[k] for k in usable]
            inner = covariance[np.ix_(usable, usable)]
            values, vectors = np.linalg.eigh(inner)
            root = (vectors / np.sqrt(np.maximum(values, 1e-6 * values.max()))).T
            drop = set(known)
            for line in root:
                row = np.zeros(n)
                row[known] = line
                rows.append(row)
    kept = [row for i, row in enumerate(rows) if i >= n or i not in drop]
    return Priors(np.zeros(n), np.array(kept).reshape(len(kept), n))


def _stated(of: Layout, known: Iterable[int], card: OvenCard) -> Array:
    """The card's covariance of some of the free unknowns, in units of their xi."""
    assert card.uncertainty is not None
    known = list(known)
    places = [card.uncertainty.order.index(of.names[j]) for j in known]
    units = np.array([of.lead(j).slope(0.0) for j in known])
    whole = np.array(card.uncertainty.covariance)
    result: Array = whole[np.ix_(places, places)] / np.outer(units, units) if known else np.empty((0, 0))
    return result
