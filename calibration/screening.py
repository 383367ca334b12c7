"""Finding what does not belong among the heats, and naming it: before anything is averaged.

A heat whose sensors the joint fit cannot explain is looked at by itself, with what the other heats say of the oven as
its prior. What could be wrong is then tried, one thing at a time: a sensor that came loose, two channels swapped,
another polymer, a sensor that is simply wrong. The explanation that leaves the readings likeliest, by a clear margin,
is named; what it concerns is set aside, nothing is altered. Where all is explained, swapped channels are looked for
nevertheless (`swapped`): a fit may hide them.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from calibration.oven_fit import OvenFit, fit
from calibration.run import FEWEST, Run, Series
from calibration.sensing import WANDER_K, Binned, covariance
from calibration.single_heat import MOST, Alone, alone, known_from, seen_from
from calibration.swapped import BETTER, CLEAR, exchanged, found_swaps, pairs
from calibration.unknowns import Settings
from thermal.fields import InputError
from thermal.oven import OvenCard
from thermal.polymer import Polymer

Array = NDArray[np.float64]

#: A sensor whose whitened residuals are larger than this (root mean square) is not explained.
ODD = 1.6
#: ... and a sheet or sensor that had to be bent by more than this, in its standard uncertainties, is none either.
BENT = 4.0
#: So many things are set aside at most before it is said that the heats do not go together.
_MOST = 8
#: All polymers are tried with so few evaluations, and so many of the best in earnest.
_GLANCE, _FOLLOWED = 2, 3


@dataclass(frozen=True)
class Odd:
    """Something that does not belong.

    Attributes:
        kind: 'loose', 'swapped', 'polymer', 'sensor' or 'heat'. run: name of its heat. columns: concerned; empty: the
        whole heat. from_s: from when on they are set aside. polymer: id of the one that fits. text: one sentence
        without its full stop.
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
    while (step := _next(result, card, settings, prior, polymers or {})) is not None:
        if len(odd) >= _MOST:
            raise InputError(
                f"these heats do not go together: {'; '.join(one.text for one in odd)}; calibrate from heats of one "
                "oven in one state"
            )
        found, kept = step
        for one in found:
            odd = _with(odd, one)
        if not any(run.series for run in kept):
            raise InputError(f"no reading is left to calibrate from: {'; '.join(one.text for one in odd)}")
        result = fit(card, kept, settings, prior)
    return Screened(tuple(kept), result, tuple(odd))


_Step = tuple[list[Odd], list[Run]]


def _next(
    of: OvenFit, card: OvenCard, settings: Settings, prior: OvenCard | None, polymers: Mapping[str, Polymer]
) -> _Step | None:
    """What is odd next, and the runs without it; None: nothing is."""
    worst = _worst(of)
    if worst is None:
        return _swapped_among(of, prior)
    found, left = _explained(of, worst, card, settings, prior, polymers)
    # Which of the heats has its faces swapped is seen from all together only.
    together = _swapped_among(of, prior) if found.kind == "swapped" else None
    return together or ([found], [*of.runs[:worst], *left, *of.runs[worst + 1 :]])


def _swapped_among(of: OvenFit, prior: OvenCard | None) -> _Step | None:
    """Swapped channels among all heats: in one of them, or in some, nothing telling which."""
    swaps = found_swaps(of, prior)
    if swaps is None:
        return None
    runs = list(of.runs)
    odd = []
    for mine, others in ((swaps.found, swaps.instead), (swaps.instead, swaps.found)):
        names, elsewhere = ([of.runs[one.run].name for one in several] for several in (mine, others))
        for one, name in zip(mine, names, strict=True):
            along = [other for other in names if other != name]
            odd.append(_swapped_odd(name, one.columns, along, [] if one in others else elsewhere))
            runs[one.run] = runs[one.run].without(one.columns[0]).without(one.columns[1])
    kept = [run for number, run in enumerate(runs) if run.series or not of.runs[number].series]
    return odd, kept


def _swapped_odd(run: str, columns: tuple[str, str], along: Sequence[str] = (), elsewhere: Sequence[str] = ()) -> Odd:
    """Two swapped channels of a heat; elsewhere: heats that may have them swapped instead of it and those along."""
    first, second = columns
    text = (
        f"{run}: {first} and {second} are swapped: each fits the other's place; both are set aside, "
        "correct the file or the bench file"
    )
    if elsewhere:
        also = ", ".join(along)
        text = (
            f"{run}: {first} and {second} are swapped{f', those of {also} too' if also else ''}, or else "
            f"those of {', '.join(elsewhere)}: nothing tells which; all are set aside, find out which and correct the "
            "file or the bench file"
        )
    return Odd("swapped", run, columns, text)


def _with(odd: list[Odd], new: Odd) -> list[Odd]:
    """What is odd with one more, one finding for each sensor: what is found of it later replaces the earlier."""
    before = [one for one in odd if one.columns and one.run == new.run and set(one.columns) <= set(new.columns)]
    if new.kind == "loose" and before:
        text = (
            f"{new.run}: {new.columns[0]} came loose bit by bit from about {new.from_s:.0f} s on; its readings from "
            "there are set aside"
        )
        new = replace(new, text=text)
    return [*(one for one in odd if one not in before), new]


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


# ---------------------------------------------------------------- what may be wrong


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
    known = known_from(card, others, settings, prior)
    base = alone(run, card, settings, known)
    tried: list[tuple[float, Odd, list[Run]]] = []
    for one in run.series:
        tried += _wrong(run, one, base, card, settings, known)
    for first, second in pairs(run):
        columns = (first.column, second.column)
        cost = alone(exchanged(run, columns), card, settings, known).cost
        kept = run.without(first.column).without(second.column)
        tried.append((cost, _swapped_odd(run.name, columns), [kept] if kept.series else []))
    tried += _of_polymer(run, polymers, card, settings, known)
    clear = [one for one in tried if base.cost - one[0] > CLEAR]
    if not clear:
        text = f"{run.name} does not go with the other heats, and nothing tried explains it: set aside"
        return Odd("heat", run.name, (), text), []
    best = min(clear, key=lambda one: one[0])
    return best[1], best[2]


def _wrong(
    run: Run, one: Series, base: Alone, card: OvenCard, settings: Settings, known: OvenFit | None
) -> list[tuple[float, Odd, list[Run]]]:
    """A sensor that is not to be believed: from a moment on it reads more of the air (loose), or throughout it is
    anything at all.
    """
    without = run.without(one.column)
    rest = alone(without, card, settings, known) if without.series else None
    count = len(one.values)
    # A sensor that may read anything: each reading explained by itself, at the price of a spread of tens of kelvin.
    anything = _anything(base, one.column) + (0.0 if rest is None else rest.cost) + BETTER
    left = [without] if without.series else []
    text = f"{run.name}: {one.column} does not fit the rest of the heat and no single fault explains it: set aside"
    found = [(anything, Odd("sensor", run.name, (one.column,), text), left)]
    loose = _loose(run, one, base, rest)
    if loose is not None and count >= 2 * FEWEST:
        cost, at_s, from_s, share = loose
        kept = run.without(one.column, from_s)
        far = "reads the air" if share > 0.9 else f"reads {100.0 * share:.0f} % of the air"
        text = (
            f"{run.name}: {one.column} came loose at about {at_s:.0f} s and {far} from then on; its readings from "
            f"{from_s:.0f} s on are set aside"
        )
        found.append((cost, Odd("loose", run.name, (one.column,), text, from_s), [kept] if kept.series else []))
    return found


def _anything(base: Alone, column: str) -> float:
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


def _loose(run: Run, one: Series, base: Alone, rest: Alone | None) -> tuple[float, float, float, float] | None:
    """The likeliest moment of a sensor that came loose: cost; the moment, s; until when its averaged readings are
    sound, s, those before the moment being mixed; share of the air. None without others to say what the sheet did.
    """
    if rest is None:
        return None
    ours = next(seen for seen in base.model.seen if seen.series.column == one.column)
    predicted = seen_from(run, one, rest, base)
    air = np.interp(ours.at.at_s, run.air_s, run.air_c)
    wander = 3.0 * WANDER_K[one.place]
    whole = covariance(one, ours.at, wander)
    # Once loose, the air it touches swings and the touch changes: readings are worth less.
    best: tuple[float, int, float] | None = None
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
                best = (cost, start, share)
    if best is None:
        return None
    cost, start, share = best
    edges = 0.5 * (ours.at.at_s[1:] + ours.at.at_s[:-1])
    return cost + rest.cost, float(edges[start - 1]), float(edges[start - 2]), share


def _of_polymer(
    run: Run, polymers: Mapping[str, Polymer], card: OvenCard, settings: Settings, known: OvenFit | None
) -> list[tuple[float, Odd, list[Run]]]:
    """The sheet is of another polymer than stated: at a glance each, then those in earnest that fit best."""

    def costs(ids: Sequence[str], most: int) -> dict[str, float]:
        found = {}
        for one in ids:
            try:
                other = replace(run, case=replace(run.case, polymer=polymers[one]))
                found[one] = alone(other, card, settings, known, most).cost
            except (InputError, ArithmeticError):
                continue  # a polymer that cannot be heated so is no explanation
        return found

    seen = costs([one for one in polymers if polymers[one].id != run.case.polymer.id], _GLANCE)
    found = costs(sorted(seen, key=lambda one: seen[one])[:_FOLLOWED], MOST)
    return [(cost, _polymer_odd(run, polymers[one].id), []) for one, cost in found.items()]


def _polymer_odd(run: Run, polymer: str) -> Odd:
    text = (
        f"{run.name} is not of {run.case.polymer.id}: {polymer} fits its readings; the heat is set aside, correct "
        "its polymer or leave it out"
    )
    return Odd("polymer", run.name, (), text, polymer=polymer)
