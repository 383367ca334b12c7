"""Thermoelectric voltage to temperature and back, for letter-designated thermocouples on the ITS-90.

The reference functions are those of NIST Monograph 175 (Burns, Scroger, Strouse, Croarkin and Guthrie, 1993), the
same as in IEC 60584-1:2013 Annex A and ASTM E230, as given by the package `thermocouple-its90`. That package works
number by number; for whole columns its functions are laid down here, once a type and when first needed, as cubic
Hermite pieces with the exact slopes, so fine that they differ from the package by less than 0.1 mK and 1e-4 µV.

A sample that has no temperature gets NaN and a state that says why: nothing is filled in and nothing is clipped.
The cold junction is always compensated as a voltage, t = E⁻¹(E_measured + E(t_cold)): adding temperatures is wrong,
since the voltage is no straight line.
"""

from __future__ import annotations

import math
from bisect import bisect_right
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cache
from itertools import pairwise
from typing import Any, Literal, overload

import numpy as np
from numpy.typing import ArrayLike, NDArray

from logger.reading import State, Value
from thermal.fields import InputError, near_matches

Array = NDArray[np.float64]
ThermocoupleType = Literal["B", "E", "J", "K", "N", "R", "S", "T"]
TYPES: tuple[ThermocoupleType, ...] = ("B", "E", "J", "K", "N", "R", "S", "T")

#: Type B falls and rises again near 21 °C: below this voltage two temperatures belong to one (Monograph 175 gives
#: its inverse from here up, which is 250 °C).
TYPE_B_FROM_UV = 291.0
#: Where the sensor of a cold junction works (usual span of such chips, recalled); outside, it is broken.
COLD_JUNCTION_C = (-55.0, 125.0)

#: Largest error of the tables, checked at three places of each piece when it is made.
_INVERSE_K = 3e-5
_FORWARD_UV = 3e-5


@dataclass(frozen=True)
class Converted:
    """Temperatures of samples, all arrays of the shape of the samples (0-dimensional for a single number).

    Attributes:
        value: °C, NaN wherever `state` is not OK. state: a `State` for each sample.
    """

    value: Array
    state: NDArray[np.object_]


def checked_type(name: str) -> ThermocoupleType:
    """The type of this letter.

    Raises:
        InputError: no such type.
    """
    for known in TYPES:
        if name == known:
            return known
    raise InputError(
        f"thermocouple type {name!r} is not known{near_matches(name.upper(), TYPES)}: "
        f"expected one of {', '.join(TYPES)}"
    )


def range_c(kind: str) -> tuple[float, float]:
    """Lowest and highest temperature of a type's reference function, °C."""
    table = _table(checked_type(kind))
    return float(table.t_c[0]), float(table.t_c[-1])


@overload
def emf_uv(kind: str, t_c: float) -> float: ...
@overload
def emf_uv(kind: str, t_c: Array) -> Array: ...
def emf_uv(kind: str, t_c: float | Array) -> float | Array:
    """Voltage against a cold junction at 0 °C.

    Args:
        kind: letter of the type. t_c: °C, one number or an array of any shape.

    Returns:
        µV, of the same shape.

    Raises:
        InputError: no such type, or a temperature (NaN too) outside the type's range.
    """
    checked = checked_type(kind)
    if isinstance(t_c, float | int) and (one := _piecewise(_pieces(checked)[0], t_c)) is not None:
        return one
    table = _table(checked)
    wanted = np.asarray(t_c, dtype=np.float64)
    outside = ~((wanted >= table.t_c[0]) & (wanted <= table.t_c[-1]))
    if outside.any():
        raise InputError(
            f"temperature = {float(wanted[outside][0])}: expected {table.t_c[0]:g} to {table.t_c[-1]:g} °C, "
            f"the range of type {kind}"
        )
    result = _hermite(wanted, table.t_c, table.t_emf_uv, table.t_slope)
    return float(result) if np.ndim(t_c) == 0 else result


def temperature_c(kind: str, emf: ArrayLike, cold_junction_c: ArrayLike | None) -> Converted:
    """Temperatures of the measuring junction.

    Args:
        kind: letter of the type. emf: measured voltage, µV; NaN where there is none.
        cold_junction_c: temperature where the thermocouple ends, °C, a number or of a shape that fits; None or NaN
            where it is not known. 0 for a voltage that is compensated already.

    Returns:
        Values and states: MISSING without voltage or cold junction, FAULT for a cold junction that cannot be
        (outside -55..125 °C), NOT_MEASURABLE for type B below 0.291 mV, OUT_OF_RANGE beyond the reference function.

    Raises:
        InputError: no such type.
    """
    checked = checked_type(kind)
    table = _table(checked)
    cold: ArrayLike = np.nan if cold_junction_c is None else cold_junction_c
    measured, junction = np.broadcast_arrays(np.asarray(emf, np.float64), np.asarray(cold, np.float64))
    absent = np.isnan(measured) | np.isnan(junction)
    impossible = (junction < COLD_JUNCTION_C[0]) | (junction > COLD_JUNCTION_C[1])
    known = ~absent & (junction >= table.t_c[0]) & (junction <= table.t_c[-1])
    total = measured + _hermite(np.where(known, junction, table.t_c[0]), table.t_c, table.t_emf_uv, table.t_slope)
    ambiguous = np.zeros(total.shape, bool) if checked != "B" else known & (np.abs(total) < TYPE_B_FROM_UV)
    good = known & ~impossible & (total >= table.emf_uv[0]) & (total <= table.emf_uv[-1]) & ~ambiguous

    state = np.empty(total.shape, dtype=object)  # np.full would make plain texts of the states
    state[...] = State.OUT_OF_RANGE
    state[ambiguous] = State.NOT_MEASURABLE
    state[impossible] = State.FAULT
    state[absent] = State.MISSING
    state[good] = State.OK
    inside = np.where(good, total, table.emf_uv[0])
    value = np.where(good, _hermite(inside, table.emf_uv, table.emf_t_c, table.emf_slope), np.nan)
    return Converted(value, state)


def one_c(kind: str, emf: float | None, cold_junction_c: float | None) -> tuple[float, State]:
    """One sample as `temperature_c` would have it, twenty times faster: for values that come one by one.

    Returns:
        °C (NaN unless OK) and state.

    Raises:
        InputError: no such type.
    """
    checked = checked_type(kind)
    if emf is None or cold_junction_c is None or emf != emf or cold_junction_c != cold_junction_c:
        return math.nan, State.MISSING
    if not COLD_JUNCTION_C[0] <= cold_junction_c <= COLD_JUNCTION_C[1]:
        return math.nan, State.FAULT
    forward, inverse = _pieces(checked)
    junction_uv = _piecewise(forward, cold_junction_c)
    if junction_uv is None:
        return math.nan, State.OUT_OF_RANGE
    total = emf + junction_uv
    if checked == "B" and abs(total) < TYPE_B_FROM_UV:
        return math.nan, State.NOT_MEASURABLE
    t_c = _piecewise(inverse, total)
    return (math.nan, State.OUT_OF_RANGE) if t_c is None else (t_c, State.OK)


def to_celsius(value: Value, kind: str) -> Value:
    """A channel's voltage as a temperature of the same channel; a state that is not OK stays what it is.

    Raises:
        InputError: no such type, or a channel that is not in µV.
    """
    if value.unit != "uV":
        raise InputError(
            f"channel {value.channel} is in {value.unit}: expected uV; declare it as a thermocouple only there"
        )
    checked_type(kind)
    if value.state is not State.OK:
        return replace(value, unit="C", value=None)
    t_c, state = one_c(kind, value.value, value.cold_junction_c)
    return replace(value, unit="C", value=t_c if state is State.OK else None, state=state)


# ---------------------------------------------------------------- tables


@dataclass(frozen=True)
class _Table:
    """Nodes of a type's reference function (t_...) and of its inverse (emf_...), with the exact slopes there."""

    t_c: Array
    t_emf_uv: Array
    t_slope: Array  # µV/K
    emf_uv: Array
    emf_t_c: Array
    emf_slope: Array  # K/µV


def _hermite(x: Array, nodes: Array, values: Array, slopes: Array) -> Array:
    """Cubic with the nodes' values and slopes, at x inside the nodes (Press et al., Numerical Recipes, section 3.3)."""
    left = np.clip(np.searchsorted(nodes, x, side="right") - 1, 0, len(nodes) - 2)
    width = nodes[left + 1] - nodes[left]
    s = (x - nodes[left]) / width
    rise = values[left + 1] - values[left]
    bend_left = slopes[left] * width - rise
    bend_right = rise - slopes[left + 1] * width
    result: Array = values[left] + s * rise + s * (1.0 - s) * ((1.0 - s) * bend_left + s * bend_right)
    return result


_Lists = tuple[list[float], list[float], list[float]]


@cache
def _pieces(kind: ThermocoupleType) -> tuple[_Lists, _Lists]:
    """The table as lists of Python's own numbers, which are quicker one by one."""
    table = _table(kind)
    return (
        (table.t_c.tolist(), table.t_emf_uv.tolist(), table.t_slope.tolist()),
        (table.emf_uv.tolist(), table.emf_t_c.tolist(), table.emf_slope.tolist()),
    )


def _piecewise(pieces: _Lists, x: float) -> float | None:
    """`_hermite` for one number; None outside the nodes."""
    nodes, values, slopes = pieces
    if not nodes[0] <= x <= nodes[-1]:
        return None
    left = min(bisect_right(nodes, x) - 1, len(nodes) - 2)
    width = nodes[left + 1] - nodes[left]
    s = (x - nodes[left]) / width
    rise = values[left + 1] - values[left]
    bend_left, bend_right = slopes[left] * width - rise, rise - slopes[left + 1] * width
    return values[left] + s * rise + s * (1.0 - s) * ((1.0 - s) * bend_left + s * bend_right)


@cache
def _table(kind: ThermocoupleType) -> _Table:
    import thermocouple_its90  # only here: whoever converts nothing needs it not

    reference = thermocouple_its90.get(kind)

    def emf(t: float) -> float:
        return reference.emf(t) * 1e3

    def slope(t: float) -> float:
        return reference.seebeck(t) * 1e3

    low, high = reference.range
    start = low if kind != "B" else _type_b_start(emf)
    t_nodes = _nodes(low, high, lambda t: (t, emf(t), slope(t)), _FORWARD_UV)
    emf_nodes = _nodes(start, high, lambda t: (emf(t), t, 1.0 / slope(t)), _INVERSE_K)
    return _Table(*t_nodes, *emf_nodes)


def _type_b_start(emf: Callable[[float], float]) -> float:
    """The temperature of 0.291 mV, rounded so that its voltage is not above that."""
    low, high = 240.0, 260.0
    for _ in range(60):
        middle = 0.5 * (low + high)
        low, high = (low, middle) if emf(middle) > TYPE_B_FROM_UV else (middle, high)
    return low


def _nodes(
    low_c: float, high_c: float, point: Callable[[float], tuple[float, float, float]], error: float
) -> tuple[Array, Array, Array]:
    """Nodes (abscissa, value, slope), halved until the cubic between two of them meets `error` at three places."""
    # 0 °C and the like, where a function is joined from two, become nodes: no piece then spans a join by much.
    edges = sorted(
        {low_c, high_c, *(t for t in _JOINS_C if low_c < t < high_c), *np.arange(low_c, high_c, 40.0).tolist()}
    )
    todo = list(pairwise(edges))[::-1]
    done: list[tuple[float, float, float]] = [point(edges[0])]
    while todo:
        left, right = todo.pop()
        ends = np.array([point(left), point(right)]).T
        inner = np.array([point(left + part * (right - left)) for part in (0.25, 0.5, 0.75)]).T
        off: Any = np.abs(_hermite(inner[0], ends[0], ends[1], ends[2]) - inner[1]).max()
        if off > error and right - left > 1e-3:
            middle = 0.5 * (left + right)
            todo += [(middle, right), (left, middle)]
        else:
            done.append((float(ends[0, 1]), float(ends[1, 1]), float(ends[2, 1])))
    x, y, slope = np.array(done).T
    return np.ascontiguousarray(x), np.ascontiguousarray(y), np.ascontiguousarray(slope)


#: Where Monograph 175 joins two polynomials: 0 for most, B 630.615, J 760, R and S 1064.18 and 1664.5.
_JOINS_C = (0.0, 630.615, 760.0, 1064.18, 1664.5)
