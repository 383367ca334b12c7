"""Finding what does not belong among the heats, and naming it: before anything is averaged.

A heat whose sensors the joint fit cannot explain is looked at by itself, with what the other heats say of the oven as
its prior. What could be wrong is then tried, one thing at a time: a sensor that came loose, two channels swapped,
another polymer, a sensor that is simply wrong. The explanation that leaves the readings likeliest, by a clear margin,
is named; what it concerns is set aside, nothing is altered.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from calibration import nonlinear
from calibration.heat_model import HeatModel
from calibration.nonlinear import Priors
from calibration.oven_fit import OvenFit, fit
from calibration.run import FEWEST, Run, Series
from calibration.sensing import WANDER_K, Binned, covariance
from calibration.unknowns import Layout, Settings, layout
from thermal.fields import InputError
from thermal.oven import OvenCard
from thermal.polymer import Polymer

Array = NDArray[np.float64]

#: A sensor whose whitened residuals are larger than this (root mean square) is not explained.
ODD = 1.6
#: ... and a sheet or sensor that had to be bent by more than this, in its standard uncertainties, is none either.
BENT = 4.0
#: An explanation must lower the misfit by so much (twice a log-likelihood) to be named, and be so much better than a
#: sensor that is merely wrong.
_CLEAR, _BETTER = 25.0, 6.0
#: So many things are set aside at most before it is said that the heats do not go together.
_MOST = 8
_ROUGH = 3e-3


@dataclass(frozen=True)
class Odd:
    """Something that does not belong.

    Attributes:
        kind: 'loose', 'swapped', 'polymer', 'sensor' or 'heat'. run: name of its heat. columns: concerned; empty: the
        whole heat. from_s: from when on. polymer: id of the one that fits. text: one sentence without its full stop.
    """

    kind: str
    run: str
    columns: tuple[str, ...]
    text: str
    from_s: float = 0.0
    polymer: str = ""


@dataclass(frozen=True)
class Screened:
    """Runs that go together, without what was set aside; the fit of them, and what was found odd."""

    runs: tuple[Run, ...]
    fit: OvenFit
    odd: tuple[Odd, ...]


def screened(
    card: OvenCard,
    runs: Sequence[Run],
    settings: Settings | None = None,
    prior: OvenCard | None = None,
    polymers: Mapping[str, Polymer] | None = None,
) -> Screened:
    """Fit, find what does not belong, set it aside, fit again, until all that is left goes together.

    Args:
        polymers: that a heat might be of instead, by id.

    Raises:
        InputError: nothing is left, or too much is odd: then no fit can be trusted.
    """
    settings = settings or Settings()
    kept = list(runs)
    odd: list[Odd] = []
    result = fit(card, kept, settings, prior)
    while (worst := _worst(result)) is not None:
        if len(odd) >= _MOST:
            raise InputError(
                f"these heats do not go together: {'; '.join(one.text for one in odd)}; calibrate from heats of one "
                "oven in one state"
            )
        found, left = _explained(result, worst, card, settings, prior, polymers or {})
        odd.append(found)
        kept = [*kept[:worst], *left, *kept[worst + 1 :]]
        if not any(run.series for run in kept):
            raise InputError(f"no reading is left to calibrate from: {'; '.join(one.text for one in odd)}")
        result = fit(card, kept, settings, prior)
    return Screened(tuple(kept), result, tuple(odd))


def _worst(of: OvenFit) -> int | None:
    """The run that is explained worst, by its sensors' residuals or by how far its sheet and sensors had to be bent;
    None where all are explained well enough.
    """
    sizes = {number: 0.0 for number, run in enumerate(of.runs) if run.series}
    for (number, _), size in usual_misfits(of).items():
        sizes[number] = max(sizes[number], size / ODD)
    for one, xi in zip(of.layout.all, of.xi, strict=True):
        # A sensor that is slow, and fits once it is taken so, is no fault: `identify` says it.
        if one.kind in ("sheet", "sensor") and int(one.of) in sizes and not one.name.startswith("lag:"):
            sizes[int(one.of)] = max(sizes[int(one.of)], abs(float(xi)) / BENT)
    if not sizes:
        return None
    at = max(sizes, key=lambda key: sizes[key])
    return at if sizes[at] > 1.0 else None


def usual_misfits(of: OvenFit) -> dict[tuple[int, str], float]:
    """Root mean square of each sensor's residuals as they would be with the usual wander: a wander that was found from
    a sensor that had gone wild would excuse it.
    """
    found = {}
    for one in of.columns:
        run = of.runs[one.run]
        series = next(s for s in run.series if s.column == one.column)
        found[one.run, one.column] = _size(series, one.time_s, one.measured - one.predicted)
    return found


def _size(series: Series, at_s: Array, off: Array) -> float:
    count = np.full(len(at_s), max(1.0, len(series.values) / len(at_s)))
    at = Binned(at_s, off, count, np.zeros(len(at_s), np.intp), np.zeros(len(at_s)))
    whole = covariance(replace(series, noise_k=max(series.noise_k, 0.1)), at, 1.5 * WANDER_K[series.place])
    return float(np.sqrt(np.mean(np.linalg.solve(np.linalg.cholesky(whole), off) ** 2)))


# ---------------------------------------------------------------- one heat by itself


@dataclass(frozen=True)
class _Alone:
    """A heat fitted by itself under what the others say of the oven: twice its negative log-likelihood, and model."""

    cost: float
    model: HeatModel
    x: Array


def _explained(
    of: OvenFit,
    number: int,
    card: OvenCard,
    settings: Settings,
    prior: OvenCard | None,
    polymers: Mapping[str, Polymer],
) -> tuple[Odd, list[Run]]:
    """What is odd about a run, and what is left of it."""
    run = of.runs[number]
    others = [one for i, one in enumerate(of.runs) if i != number and one.series]
    known = _known(card, others, settings, prior)
    base = _alone(run, card, settings, known)
    tried: list[tuple[float, Odd, list[Run]]] = []
    for one in run.series:
        tried += _wrong(run, one, base, card, settings, known)
    for first, second in combinations(run.series, 2):
        if first.place != second.place or abs(first.depth - second.depth) > 0.2:
            tried.append(_swapped(run, first, second, card, settings, known))
    for polymer in polymers.values():
        if polymer.id != run.case.polymer.id:
            tried += _of_polymer(run, polymer, card, settings, known)
    clear = [one for one in tried if base.cost - one[0] > _CLEAR]
    if not clear:
        text = f"{run.name} does not go with the other heats, and nothing tried explains it: set aside"
        return Odd("heat", run.name, (), text), []
    best = min(clear, key=lambda one: one[0])
    return best[1], best[2]


def _known(card: OvenCard, others: list[Run], settings: Settings, prior: OvenCard | None) -> OvenFit | None:
    return fit(card, others, settings, prior, starts=1, noise_rounds=0) if others else None


def _alone(run: Run, card: OvenCard, settings: Settings, known: OvenFit | None) -> _Alone:
    of = layout(card, [run], settings)
    model = HeatModel([run], of)
    low, high = of.bounds()
    before = _prior_from(of, known)
    start = np.clip(before.centre, low, high)
    found = nonlinear.solve(model, start[:, None], before, low, high, tolerance=_ROUGH, most=12)
    return _Alone(found.cost + _determinants(model), model, found.x)


def _determinants(model: HeatModel) -> float:
    """What the whitening leaves out of twice the negative log-likelihood: hypotheses whiten different readings."""
    return -2.0 * float(sum(np.sum(np.log(np.diag(seen.root))) for seen in model.seen))


def _prior_from(of: Layout, known: OvenFit | None) -> Priors:
    """The other heats' posterior of oven and polymers, and the usual priors of the rest."""
    n = len(of.names)
    if known is None:
        return Priors(np.zeros(n), np.eye(n))
    shared = [j for j, name in enumerate(of.names) if name in known.layout.names and not name.startswith("heat ")]
    theirs = [known.layout.names.index(of.names[j]) for j in shared]
    covariance_of = known.solution.covariance[np.ix_(theirs, theirs)].copy()
    open_ended = ~np.isfinite(np.diag(covariance_of))
    covariance_of[open_ended, open_ended] = 1e4
    centre = np.zeros(n)
    for j, k in zip(shared, theirs, strict=True):
        # Stated values differ where the faces' measured air does: carried over by value.
        ours, lead = of.lead(j), known.layout.lead(k)
        centre[j] = ours.xi(float(lead.value(known.solution.x[k])))
    rows = np.eye(n)
    # Ovens do not repeat themselves to the last digit: a tenth of the prior's spread is left to each heat.
    values, vectors = np.linalg.eigh(covariance_of + 0.01 * np.eye(len(shared)))
    block = np.zeros((len(shared), n))
    block[:, shared] = (vectors / np.sqrt(values)).T
    kept = [i for i in range(n) if i not in shared]
    return Priors(centre, np.concatenate([rows[kept], block]))


# ---------------------------------------------------------------- what may be wrong


def _wrong(
    run: Run, one: Series, base: _Alone, card: OvenCard, settings: Settings, known: OvenFit | None
) -> list[tuple[float, Odd, list[Run]]]:
    """A sensor that is not to be believed: from a moment on it reads more of the air (loose), or throughout it is
    anything at all.
    """
    without = run.without(one.column)
    rest = _alone(without, card, settings, known) if without.series else None
    count = len(one.values)
    # A sensor that may read anything: each reading explained by itself, at the price of a spread of tens of kelvin.
    anything = _anything(base, one.column) + (0.0 if rest is None else rest.cost) + _BETTER
    left = [without] if without.series else []
    text = f"{run.name}: {one.column} does not fit the rest of the heat and no single fault explains it: set aside"
    found = [(anything, Odd("sensor", run.name, (one.column,), text), left)]
    loose = _loose(run, one, base, rest)
    if loose is not None and count >= 2 * FEWEST:
        cost, from_s, share = loose
        kept = run.without(one.column, from_s)
        far = "reads the air" if share > 0.9 else f"reads {100.0 * share:.0f} % of the air"
        text = (
            f"{run.name}: {one.column} came loose at {from_s:.0f} s and {far} from then on; its readings from there "
            "are set aside"
        )
        found.append((cost, Odd("loose", run.name, (one.column,), text, from_s), [kept] if kept.series else []))
    return found


def _anything(base: _Alone, column: str) -> float:
    """Twice the negative log-likelihood of readings that wander by 20 K (a loose, broken or wrong channel)."""
    total = 0.0
    for seen in base.model.seen:
        if seen.series.column == column:
            whole = covariance(seen.series, seen.at, 20.0)
            root = np.linalg.cholesky(whole)
            off = seen.at.values - seen.at.values.mean()
            total += float(np.sum(np.linalg.solve(root, off) ** 2)) + 2.0 * float(np.sum(np.log(np.diag(root))))
    return total


#: Shares of the air that a loose sensor may read.
_SHARES = (0.15, 0.3, 0.5, 0.7, 0.85, 1.0)


def _loose(run: Run, one: Series, base: _Alone, rest: _Alone | None) -> tuple[float, float, float] | None:
    """The likeliest moment and share of the air of a sensor that came loose: cost, s, share; None without others to
    say what the sheet did.
    """
    if rest is None:
        return None
    ours = next(seen for seen in base.model.seen if seen.series.column == one.column)
    predicted = _seen_from(run, one, rest, base)
    air = np.interp(ours.at.at_s, run.air_s, run.air_c)
    wander = 3.0 * WANDER_K[one.place]
    whole = covariance(one, ours.at, wander)
    # Once loose, the air it touches swings and the touch changes: readings are worth less.
    best: tuple[float, float, float] | None = None
    for start in range(FEWEST // 2, len(predicted) - FEWEST // 2, 1):
        after = np.arange(len(predicted)) >= start
        loose_k = np.where(after, 4.0, 0.0)
        inner = whole + np.outer(loose_k, loose_k) * np.exp(-np.abs(ours.at.at_s[:, None] - ours.at.at_s) / 60.0)
        root = np.linalg.inv(np.linalg.cholesky(inner))
        base_cost = -2.0 * float(np.sum(np.log(np.diag(root))))
        for share in _SHARES:
            reads = predicted + np.where(after, share * (air - predicted), 0.0)
            cost = float(np.sum((root @ (ours.at.values - reads)) ** 2)) + base_cost
            if best is None or cost < best[0]:
                best = (cost, float(ours.at.at_s[start]), share)
    if best is None:
        return None
    return best[0] + rest.cost, best[1], best[2]


def _seen_from(run: Run, one: Series, rest: _Alone, base: _Alone) -> Array:
    """What a sensor should have read, from the fit of the heat's other sensors, (bins,)."""
    whole = base.model
    x = np.zeros(len(whole.layout.names))
    for j, name in enumerate(whole.layout.names):
        if name in rest.model.layout.names:
            x[j] = rest.x[rest.model.layout.names.index(name)]
    for seen, found in zip(whole.seen, whole.predictions(whole.layout.ties @ x), strict=True):
        if seen.series.column == one.column:
            return found.value
    raise AssertionError(f"{run.name} has no sensor {one.column}")


def _swapped(
    run: Run, first: Series, second: Series, card: OvenCard, settings: Settings, known: OvenFit | None
) -> tuple[float, Odd, list[Run]]:
    """The two channels changed places."""
    names = {first.column, second.column}
    values = {first.column: second, second.column: first}
    series = tuple(
        replace(s, time_s=v.time_s, values=v.values, noise_k=v.noise_k) if (v := values.get(s.column)) else s
        for s in run.series
    )
    cost = _alone(replace(run, series=series), card, settings, known).cost
    text = (
        f"{run.name}: {first.column} and {second.column} are swapped: each fits the other's place; both are set aside, "
        "correct the file or the bench file"
    )
    kept = replace(run, series=tuple(s for s in run.series if s.column not in names))
    return cost, Odd("swapped", run.name, (first.column, second.column), text), [kept] if kept.series else []


def _of_polymer(
    run: Run, polymer: Polymer, card: OvenCard, settings: Settings, known: OvenFit | None
) -> list[tuple[float, Odd, list[Run]]]:
    """The sheet is of another polymer than stated."""
    other = replace(run, case=replace(run.case, polymer=polymer))
    try:
        cost = _alone(other, card, settings, known).cost
    except (InputError, ArithmeticError):
        return []  # a polymer that cannot be heated so is no explanation
    text = (
        f"{run.name} is not of {run.case.polymer.id}: {polymer.id} fits its readings; the heat is set aside, correct "
        "its polymer or leave it out"
    )
    return [(cost, Odd("polymer", run.name, (), text, polymer=polymer.id), [])]
