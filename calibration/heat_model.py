"""Several heats as one least-squares model: all their sheets with all moved unknowns are heated in one batch."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from calibration import times
from calibration.nonlinear import HUBER
from calibration.run import Place, Run, Series
from calibration.sensing import WANDER_K, Binned, binned, covariance, depth_weights, felt
from calibration.unknowns import FOIL_EMISSIVITY, FOIL_LN, Layout
from thermal.build import slab
from thermal.case import Departures
from thermal.conduction import TOLERANCE_K, Moment, march
from thermal.grid import natural_order
from thermal.slab import Slab
from thermal.surroundings import OvenFaces, SeriesAir, lagged_wall_c

Array = NDArray[np.float64]
Indices = NDArray[np.intp]

#: Intervals across the sheet: within a few hundredths of a kelvin of the plan's grid (docs/numerics.md).
INTERVALS = 12
#: Widest spacing of the model's times, s. The air is averaged about each: what swings faster, a sheet does not feel.
WIDEST_S = 20.0
#: Step of an unknown for its derivative, in its standard uncertainties.
_STEP = 0.02
#: Columns that are heated together; more leave the processor's cache.
_TOGETHER = 512


@dataclass(frozen=True)
class Group:
    """Runs that one batch can hold: the same polymer, support, opening, colour, tray, walls measured or not."""

    runs: tuple[int, ...]
    time_s: Array


@dataclass(frozen=True)
class Seen:
    """One sensor's readings beside the model.

    Attributes:
        run: number of its heat. series, at. root: whitens a difference: root @ (predicted - measured), (bins, bins).
    """

    run: int
    series: Series
    at: Binned
    root: Array


@dataclass(frozen=True)
class Prediction:
    """What one sensor should read, (bins,), and its derivative by the unknowns `by`, (bins, len(by))."""

    value: Array
    slope: Array
    by: tuple[int, ...]


@dataclass
class HeatModel:
    """Residuals and Jacobian of heats in the free unknowns of a layout; see `nonlinear.Model`.

    Attributes:
        wander_k: slow wander of the sensors of a place, K; the rest as `WANDER_K` has it.
    """

    runs: Sequence[Run]
    layout: Layout
    wander_k: Mapping[Place, float] = field(default_factory=dict)
    tolerance_k: float = TOLERANCE_K
    intervals: int = INTERVALS

    def __post_init__(self) -> None:
        self.groups = _groups(self.runs)
        self.seen = tuple(
            self._seen(number, series, group.time_s)
            for group in self.groups
            for number in group.runs
            for series in self.runs[number].series
        )

    def _seen(self, number: int, series: Series, time_s: Array) -> Seen:
        at = binned(series, time_s)
        wander = self.wander_k.get(series.place, WANDER_K[series.place])
        root = np.linalg.inv(np.linalg.cholesky(covariance(series, at, wander)))
        return Seen(number, series, at, root)

    # ------------------------------------------------------------ as a model

    def both(self, x: Array) -> tuple[Array, Array]:
        """See `nonlinear.Model.both`."""
        xi = self.layout.ties @ x
        residuals, rows = [], []
        for seen, found in zip(self.seen, self.predictions(xi), strict=True):
            slope = np.zeros((len(found.value), len(xi)))
            slope[:, list(found.by)] = found.slope
            residuals.append(seen.root @ (found.value - seen.at.values))
            rows.append(seen.root @ (slope @ self.layout.ties))
        if not residuals:
            return np.empty(0), np.empty((0, len(x)))
        return np.concatenate(residuals), np.concatenate(rows)

    def unwhitened(self, residuals: Array, jacobian: Array) -> list[tuple[Seen, Array, Array]]:
        """Each sensor with its residuals, predicted less measured, K, (bins,), and their derivatives, (bins, free)."""
        found: list[tuple[Seen, Array, Array]] = []
        start = 0
        for seen in self.seen:
            mine = slice(start, start + len(seen.root))
            both = np.linalg.solve(seen.root, np.column_stack([residuals[mine], jacobian[mine]])).astype(np.float64)
            found.append((seen, both[:, 0], both[:, 1:]))
            start = mine.stop
        return found

    def costs(self, x: Array) -> Array:
        """See `nonlinear.Model.costs`; a robust sum, so that one bad reading does not choose the start."""
        total: Array = np.sum(np.minimum(self.residuals(x) ** 2, HUBER**2), axis=0)
        return total

    def residuals(self, x: Array) -> Array:
        """Residuals for several sets of free unknowns at once, (m, sets), from (n, sets)."""
        xi = self.layout.ties @ x
        found = []
        for group in self.groups:
            columns = np.repeat(np.array(group.runs), x.shape[1])
            profile = self._profiles(group, columns, np.tile(xi, len(group.runs)))
            for seen in (one for one in self.seen if one.run in group.runs):
                own = profile[:, :, columns == seen.run]
                depth, lag = self._sensor(seen, xi)
                weights = np.stack([depth_weights(float(d), self.intervals + 1)[0] for d in depth], axis=1)
                value = _at(felt(group.time_s, np.einsum("tns,ns->ts", own, weights), lag), seen.at)
                found.append(seen.root @ (value - seen.at.values[:, None]))
        return np.concatenate(found) if found else np.empty((0, x.shape[1]))

    def predictions(self, xi: Array) -> list[Prediction]:
        """What every sensor of `seen` should read at unknowns xi, (all,), and the derivatives."""
        found: list[Prediction] = []
        for group in self.groups:
            moved = {number: self._moved(number) for number in group.runs}
            columns: list[int] = []
            sets: list[Array] = []
            first: dict[int, int] = {}
            for number in group.runs:
                first[number] = len(columns)
                columns += [number] * (1 + len(moved[number]))
                sets.append(xi)
                for i in moved[number]:
                    there = xi.copy()
                    there[i] += _STEP
                    sets.append(there)
            profile = self._profiles(group, np.array(columns), np.stack(sets, axis=1))
            found += self._read(group, profile, moved, first, xi)
        return found

    def _moved(self, number: int) -> tuple[int, ...]:
        """Unknowns that change how this run's sheet is heated."""
        run = self.runs[number]
        own = {"oven": ("",), "polymer": (run.case.polymer.id,), "sheet": (str(number),)}
        free = self.layout.moved
        return tuple(
            i
            for i, one in enumerate(self.layout.all)
            if free[i] and one.of in own.get(one.kind, ())
            and not (one.name == "wall.lag_s" and run.wall_c is not None)
            and not (one.name == "upper.emissivity_eff" and run.foiled[0])
            and not (one.name == "lower.emissivity_eff" and run.foiled[1])
        )  # fmt: skip

    def _sensor(self, seen: Seen, xi: Array) -> tuple[Array, Array]:
        """Depth, share of the gauge, and answer time, s, of a sensor for sets of unknowns, each (sets,)."""
        lag = self.layout.at["sensor", str(seen.run), f"lag:{seen.series.column}"]
        lag_s = self.layout.all[lag].value(xi[lag])
        depth = self.layout.at.get(("sensor", str(seen.run), f"depth:{seen.series.column}"))
        if depth is None:
            return np.full_like(lag_s, seen.series.depth), lag_s
        return self.layout.all[depth].value(xi[depth]), lag_s

    def _read(
        self, group: Group, profile: Array, moved: Mapping[int, tuple[int, ...]], first: Mapping[int, int], xi: Array
    ) -> list[Prediction]:
        """All sensors of a group: those of moved sheets, a depth's slope and a moved lag side by side, so that the
        answers of all are found in one sweep.
        """
        mine = [seen for seen in self.seen if seen.run in group.runs]
        truths, lags, layouts = [], [], []
        free = self.layout.moved
        for seen in mine:
            depth, lag = self._sensor(seen, xi[:, None])
            weights, slopes = depth_weights(float(depth[0]), self.intervals + 1)
            own = profile[:, :, first[seen.run] : first[seen.run] + 1 + len(moved[seen.run])]
            base = np.tensordot(own, weights, axes=(1, 0))
            by = list(moved[seen.run])
            truth, lag_s = [base], [np.full(base.shape[1], lag[0])]
            place = self.layout.at["sensor", str(seen.run), f"lag:{seen.series.column}"]
            lag_at = place if free[place] else None
            if lag_at is not None:
                truth.append(base[:, :1])
                lag_s.append(np.array([float(self.layout.all[lag_at].value(xi[lag_at] + _STEP))]))
            at = self.layout.at.get(("sensor", str(seen.run), f"depth:{seen.series.column}"))
            depth_at = at if at is not None and free[at] else None
            if depth_at is not None:
                inside = 0.0 < self.layout.all[depth_at].value(xi[depth_at]) < 1.0
                truth.append((own[:, :, 0] @ slopes * self.layout.all[depth_at].scale * inside)[:, None])
                lag_s.append(lag)
            truths.append(np.concatenate(truth, axis=1))
            lags.append(np.concatenate(lag_s))
            layouts.append((by, lag_at, depth_at))
        if not mine:
            return []
        answers = felt(group.time_s, np.concatenate(truths, axis=1), np.concatenate(lags))
        found, start = [], 0
        for seen, truth_of, (by, lag_at, depth_at) in zip(mine, truths, layouts, strict=True):
            value = _at(answers[:, start : start + truth_of.shape[1]], seen.at)
            start += truth_of.shape[1]
            k = len(by)
            slope = [(value[:, 1 : k + 1] - value[:, :1]) / _STEP]
            rest = value[:, k + 1 :]
            if lag_at is not None:
                slope.append((rest[:, :1] - value[:, :1]) / _STEP)
                by, rest = [*by, lag_at], rest[:, 1:]
            if depth_at is not None:
                slope.append(rest[:, :1])
                by = [*by, depth_at]
            found.append(Prediction(value[:, 0], np.concatenate(slope, axis=1), tuple(by)))
        return found

    # ------------------------------------------------------------ heating

    def _profiles(self, group: Group, columns: Indices, xi: Array) -> Array:
        """Temperatures of sheets, °C, (times, nodes, columns); `columns`: whose run each is of; xi (all, columns)."""
        parts = np.array_split(np.arange(len(columns)), max(1, -(-len(columns) // _TOGETHER)))
        return np.concatenate([self._heated(group, columns[part], xi[:, part]) for part in parts], axis=2)

    def _heated(self, group: Group, columns: Indices, xi: Array) -> Array:
        problem = self.problem(group, columns, xi)
        keeper = _Keeper(problem, group.time_s, self.intervals)
        until = np.array([self.runs[c].end_s for c in columns])
        last = np.searchsorted(group.time_s, until - 1e-9)
        march(problem, group.time_s[np.minimum(last, len(group.time_s) - 1)], keeper, self.intervals, self.tolerance_k)
        return keeper.profile

    def problem(self, group: Group, columns: Indices, xi: Array) -> Slab:
        """The heating problems of sheets, driven by their runs' air."""
        base = self.runs[group.runs[0]].case
        problem = slab(base, self._departures(columns, xi))
        assert isinstance(problem.surroundings, OvenFaces)
        return replace(problem, surroundings=replace(problem.surroundings, air=self._air(group, columns, xi)))

    def _value(self, kind: str, of: str, name: str, xi: Array, otherwise: float) -> Array:
        place = self.layout.at.get((kind, of, name))
        return np.full(xi.shape[1], otherwise) if place is None else self.layout.all[place].value(xi[place])

    def _departures(self, columns: Indices, xi: Array) -> Departures:
        first = self.runs[columns[0]].case
        card, of = first.oven, first.polymer.id
        values: dict[str, Array] = {}
        for side in ("upper", "lower"):
            face = getattr(card, side)
            if face.h_w_m2k > 0.0:
                values[f"h_{side}"] = self._value("oven", "", f"{side}.h_w_m2k", xi, face.h_w_m2k) / face.h_w_m2k
            if face.emissivity_eff > 0.0:
                known = self._value("oven", "", f"{side}.emissivity_eff", xi, face.emissivity_eff)
                known = np.where(self._foiled(columns, side), self._foil(columns, xi), known)
                values[f"emissivity_{side}"] = known / face.emissivity_eff
            offset = self._value("oven", "", f"{side}.air_offset_k", xi, face.air_offset_k)
            values[f"{side}_air_k"] = offset - face.air_offset_k
        emitter = card.upper.emitter or card.lower.emitter
        if emitter is not None:
            name = f"{'upper' if card.upper.emitter else 'lower'}.emitter.view_factor"
            values["emitter"] = self._value("oven", "", name, xi, emitter.view_factor) / emitter.view_factor
        if card.tray is not None:
            contact = self._value("oven", "", "tray.contact_w_m2k", xi, card.tray.contact_w_m2k)
            values["contact"] = contact / card.tray.contact_w_m2k
        for name, otherwise in (
            ("conductivity", 1.0), ("heat_capacity", 1.0), ("density", 1.0), ("melting_heat", 1.0), ("melting_k", 0.0),
        ):  # fmt: skip
            values[name] = self._value("polymer", of, name, xi, otherwise)
        gauge, start = np.empty(len(columns)), np.empty(len(columns))
        for number in np.unique(columns):
            mine = columns == number
            case = self.runs[number].case
            factor = self._value("sheet", str(number), "gauge", xi[:, mine], 1.0)
            gauge[mine] = factor * case.gauge_m / first.gauge_m
            for side in ("upper", "lower"):
                values[f"{side}_air_k"][mine] += self._value("sheet", str(number), f"air_{side}_k", xi[:, mine], 0.0)
            start[mine] = self._value("sheet", str(number), "start_k", xi[:, mine], 0.0) + case.start_c - first.start_c
        values["gauge"], values["start_k"] = gauge, start
        values["emitter_k"] = np.array([self.runs[c].case.set_c for c in columns]) - first.set_c
        return Departures(**values)

    def _foiled(self, columns: Indices, side: str) -> NDArray[np.bool_]:
        return np.array([self.runs[c].foiled[0 if side == "upper" else 1] for c in columns])

    def _foil(self, columns: Indices, xi: Array) -> Array:
        found = np.full(len(columns), FOIL_EMISSIVITY)
        for number in np.unique(columns):
            mine = columns == number
            place = self.layout.at.get(("sheet", str(number), "foil"))
            if place is not None:
                found[mine] = FOIL_EMISSIVITY * np.exp(FOIL_LN * xi[place, mine])
        return found

    def _air(self, group: Group, columns: Indices, xi: Array) -> SeriesAir:
        air = np.empty((len(group.time_s), 2, len(columns)))
        wall = np.empty((len(group.time_s), len(columns)))
        for number in np.unique(columns):
            mine = np.flatnonzero(columns == number)
            run, card = self.runs[number], self.runs[number].case.oven
            recorded = averaged(run.air_s, run.air_c, group.time_s)
            drift = self._value("sheet", str(number), "air_drift_k", xi[:, mine], 0.0)
            mean = recorded[:, None] + np.minimum(group.time_s / run.end_s, 1.0)[:, None] * drift
            air[:, :, mine] = mean[:, None, :]
            offset = self._value("oven", "", "wall.offset_k", xi[:, mine], card.wall_offset_k - card.air_offset_k)
            if run.wall_c is not None:
                # Walls that were measured are what they were; their sensor's own error is the offset's departure.
                stated = card.wall_offset_k - card.air_offset_k
                wall[:, mine] = averaged(run.air_s, run.wall_c, group.time_s)[:, None] + (offset - stated)
                continue
            lag = self._value("oven", "", "wall.lag_s", xi[:, mine], card.wall_lag_s)
            when = np.concatenate([run.before_s, group.time_s])
            before = run.before_c
            if not len(run.before_s):
                # Nothing recorded before: the walls start in balance with where the air stood at the end.
                when, before = np.concatenate([[-0.01], when]), np.array([_steady(run)])
            whole = np.concatenate([np.repeat(before[:, None], len(mine), axis=1), mean])
            wall[:, mine] = lagged_wall_c(when, whole, lag, offset)[len(when) - len(group.time_s) :]
        return SeriesAir(group.time_s, air, wall)


def averaged(time_s: Array, values: Array, wanted_s: Array) -> Array:
    """A series on a coarser grid that keeps its integral: means over half the way to each neighbour, of the straight
    lines between its values; its last value beyond them.
    """
    edges = np.concatenate([wanted_s[:1], 0.5 * (wanted_s[1:] + wanted_s[:-1]), wanted_s[-1:]])
    at = np.unique(np.concatenate([time_s, edges]))
    fine = np.interp(at, time_s, values)
    total = np.concatenate([[0.0], np.cumsum(0.5 * (fine[1:] + fine[:-1]) * np.diff(at))])
    result: Array = np.diff(np.interp(edges, at, total)) / np.diff(edges)
    return result


def _steady(run: Run) -> float:
    """Air that a run came to, °C: the mean of its last third."""
    return float(np.mean(run.air_c[run.air_s >= run.air_s[-1] * 2.0 / 3.0]))


def _at(values: Array, at: Binned) -> Array:
    """Values of the model's times at the readings' bins, by straight lines."""
    part = at.part.reshape(-1, *([1] * (values.ndim - 1)))
    low, high = values[at.before], values[at.before + 1]
    result: Array = low + part * (high - low)
    return result


def _groups(runs: Sequence[Run]) -> tuple[Group, ...]:
    found: dict[tuple[object, ...], list[int]] = {}
    for number, run in enumerate(runs):
        case = run.case
        key = (case.polymer.id, case.support, case.opening_m, case.colour)
        found.setdefault(key, []).append(number)
    return tuple(
        Group(tuple(mine), times.past(max(runs[i].end_s for i in mine), (), WIDEST_S)) for mine in found.values()
    )


class _Keeper:
    """Keeps the temperatures of each column at each time of the grid; a column that has ended keeps its last."""

    def __init__(self, problem: Slab, time_s: Array, intervals: int) -> None:
        self._time_s = time_s
        self._natural = natural_order(intervals)
        self.profile = np.zeros((len(time_s), intervals + 1, problem.batch))

    def see(self, moment: Moment) -> None:
        """See `Observer.see`."""
        place = np.minimum(np.searchsorted(self._time_s, moment.time_s - 1e-6), len(self._time_s) - 1)
        there = np.flatnonzero(np.abs(self._time_s[place] - moment.time_s) < 1e-6)
        if not len(there):
            return
        columns = moment.columns[there]
        self.profile[place[there], :, columns] = moment.inward_c[:, there][self._natural].T
