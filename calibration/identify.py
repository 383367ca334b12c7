"""What heats can and cannot tell about an oven, in words, and what would tell it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calibration import nonlinear
from calibration.oven_fit import OvenFit, Value
from calibration.unknowns import priors

Array = NDArray[np.float64]

#: Radiation's conductance of a face, 4 sigma T3, at 400 K, W/(m2 K): between a sheet and walls of a forming oven.
RADIATION_W_M2K = 4.0 * 5.670374419e-8 * 400.0**3
#: Two values cannot be told apart from this correlation on, or from this loss of precision against their sum.
_APART = 0.9
_LOSS = 2.5
#: What the heats took this share of the variance from, or less, they say next to nothing about.
_NOTHING = 0.1
#: A sheet's or a sensor's own value further than this from what is stated, in standard uncertainties, is said.
_PULLED = 2.5


@dataclass(frozen=True)
class Finding:
    """One thing to know about what the heats can tell.

    Attributes:
        kind: 'apart', 'pair', 'nothing', 'unseen', 'gauge', 'pulled' or 'bound'. text: one sentence without its full
        stop. names: of the values it is about.
    """

    kind: str
    text: str
    names: tuple[str, ...]


def findings(fit: OvenFit, prior_stated: bool = False) -> tuple[Finding, ...]:
    """All findings, what matters most first.

    Args:
        prior_stated: whether an oven card's stated uncertainty was the prior.
    """
    found = [*_separation(fit), *_unseen(fit), *_with_polymer(fit), *_nothing(fit, prior_stated), *_pulled(fit)]
    return (*found, *_bounds(fit))


def _separation(fit: OvenFit) -> list[Finding]:
    """Convection against radiation on each face, from the heats without the two values' own priors."""
    found = []
    for side in ("upper", "lower"):
        names = (f"{side}.h_w_m2k", f"{side}.emissivity_eff")
        if not all(name in fit.layout.names for name in names):
            continue
        h, e = (fit.value(name) for name in names)
        assert h is not None
        assert e is not None
        block = _without_priors(fit, names)
        free = [fit.layout.names.index(name) for name in names]
        units = np.array([fit.layout.lead(j).slope(float(fit.solution.x[j])) for j in free])
        per_w = np.array([1.0, RADIATION_W_M2K]) * units
        total = float(np.sqrt(per_w @ block @ per_w)) if np.all(np.isfinite(block)) else np.inf
        single = float(np.sqrt(block[0, 0])) * units[0]
        size = h.value + RADIATION_W_M2K * e.value
        correlation = block[0, 1] / np.sqrt(block[0, 0] * block[1, 1]) if np.all(np.isfinite(block)) else -1.0
        if np.isfinite(total) and not (correlation < -_APART and single / h.value > _LOSS * total / size):
            continue
        how = f"correlation {correlation:.2f}" if np.isfinite(total) else "no correlation can be given"
        well = f"together to {100.0 * total / size:.0f} %, the convection alone to {_percent(single / h.value)}"
        found.append(
            Finding(
                "apart",
                f"These heats cannot separate convection from radiation on the {side} face ({how}): known are the two "
                f"{well if np.isfinite(total) else 'not even together'}, by the heats alone; add one with the sheet "
                "foiled, another fan speed, or with the walls well off the air",
                names,
            )
        )
    return found


def _percent(share: float) -> str:
    return f"{100.0 * share:.0f} %" if share < 1.0 else "no better than 100 %"


def _without_priors(fit: OvenFit, names: tuple[str, ...]) -> Array:
    """Covariance of some unknowns' xi where their own priors do not count but everything else's do."""
    root = priors(fit.layout, fit.settings).root
    at = [fit.layout.names.index(name) for name in names]
    own = [i for i, row in enumerate(root) if any(row[j] != 0.0 for j in at)]
    kept = np.delete(root, own, axis=0)
    result: Array = nonlinear.inverse(fit.solution.information + kept.T @ kept)[np.ix_(at, at)]
    return result


def _unseen(fit: OvenFit) -> list[Finding]:
    places = {one.place for run in fit.runs for one in run.series}
    found = []
    for side in ("upper", "lower"):
        if side not in places:
            rest = (
                "what was found for that side comes from the core alone"
                if "core" in places
                else ("nothing was measured of that side at all")
            )
            found.append(
                Finding("unseen", f"No heat has a thermocouple on the {side} face: {rest}", (f"{side}.h_w_m2k",))
            )
    if "core" not in places:
        found.append(
            Finding(
                "unseen",
                "No heat has a thermocouple in the core: when the core is ready follows from the "
                "faces and the polymer's data",
                (),
            )
        )
    return found


def _with_polymer(fit: OvenFit) -> list[Finding]:
    """The oven's heat transfer against the sheet: its gauge, its polymer's data."""
    names = fit.layout.names
    covariance = fit.solution.covariance
    size = np.sqrt(np.diag(covariance))
    found = []
    gauges = {round(run.case.gauge_m, 6) for run in fit.runs}
    for j, name in enumerate(names):
        if not name.endswith((": conductivity", ": heat_capacity", ": melting_heat")):
            continue
        for i, oven in enumerate(names):
            if oven not in ("upper.h_w_m2k", "lower.h_w_m2k") or not np.isfinite(size[i] * size[j]):
                continue
            correlation = covariance[i, j] / (size[i] * size[j])
            if abs(correlation) > 0.8:
                what = name.partition(": ")[2].replace("_", " ")
                add = (
                    "add a heat of another gauge"
                    if len(gauges) == 1
                    else "add a heat of a polymer that is known better"
                )
                found.append(
                    Finding(
                        "gauge",
                        f"The oven's heat transfer ({oven.partition('.')[0]} face) and the polymer's {what} can hardly "
                        f"be told apart (correlation {correlation:.2f}): {add}",
                        (oven, name),
                    )
                )
    return found


def _nothing(fit: OvenFit, prior_stated: bool) -> list[Finding]:
    silent = [one for one in fit.values if one.kind == "oven" and not one.fixed and (one.learned < _NOTHING)]
    if not silent:
        return []
    open_ended = [one for one in silent if one.prior_std is None]
    kept = [one for one in silent if one.prior_std is not None]
    found = []
    if kept:
        where = "the card it started from" if prior_stated else "the card it started from and usual spreads"
        found.append(
            Finding(
                "nothing",
                f"These heats say next to nothing about {_list(kept)}: what stands there is {where}",
                tuple(one.name for one in kept),
            )
        )
    if open_ended:
        found.append(
            Finding(
                "nothing",
                f"These heats do not determine {_list(open_ended)} any better than is known of most ovens, and no "
                "prior counts: use the priors, or fix what you know",
                tuple(one.name for one in open_ended),
            )
        )
    return found


def _list(values: list[Value]) -> str:
    names = [one.name for one in values]
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"


def _pulled(fit: OvenFit) -> list[Finding]:
    """Sheets and sensors that had to be bent for the fit: a sign that something else is wrong."""
    found = []
    for j, name in enumerate(fit.layout.names):
        one, xi = fit.layout.lead(j), float(fit.solution.x[j])
        if one.kind == "oven" or abs(xi) < _PULLED:
            continue
        heat = fit.runs[int(one.of)].name if one.kind in ("sheet", "sensor") else ""
        value = float(one.value(xi))
        found.append(Finding("pulled", _pulled_words(one.kind, one.name, heat, one.of, value, abs(xi)), (name,)))
    return found


def _pulled_words(kind: str, name: str, heat: str, of: str, value: float, by: float) -> str:
    """What was bent, in words; `value`: a factor or a shift."""
    far = f"{by:.1f} times its uncertainty"
    if name == "gauge":
        side = "above" if value > 1.0 else "below"
        words = f"fits only with a gauge {abs(100.0 * (value - 1.0)):.0f} % {side} the stated one ({far}): measure the "
        words += "sheet, check its polymer and whether the oven was as in the others"
    elif name == "start_k":
        side = "warmer" if value > 0.0 else "colder"
        words = f"fits only with a sheet {abs(value):.1f} K {side} at the door than stated ({far})"
    elif name.startswith("air_"):
        words = f"fits only with the air {abs(value):.1f} K {'warmer' if value > 0.0 else 'colder'} at the {name[4:9]} "
        words += f"face than in the other heats ({far})"
    elif name.startswith("lag:"):
        words = f"{name[4:]} answers with {value:.1f} s, {far} from what is stated: is it well in contact?"
    elif name.startswith("depth:"):
        words = f"{name[6:]} seems to sit at {value:.2f} of the gauge ({far}): check its depth"
    elif name == "foil":
        words = f"the foil seems to have an emissivity of {value:.2f} ({far}): bright side out, no wrinkles?"
    else:
        by_what = f"shifted by {value:.1f} K" if name.endswith("_k") else f"at {value:.2f} of what its file states"
        words = f"fits only with {name.removesuffix('_k').replace('_', ' ')} {by_what} ({far})"
    return f"{heat if kind in ('sheet', 'sensor') else of}: {words}"


def _bounds(fit: OvenFit) -> list[Finding]:
    return [
        Finding("bound", f"{one.name} stands on its bound, {one.value:g}: it is no free finding", (one.name,))
        for one in fit.values
        if one.at_bound
    ]
