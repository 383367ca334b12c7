"""The nodes across a sheet: storage weights, interpolation in time, the coldest place.

Uniform nodes with the faces as nodes. The heat balance weighted with a hat function at a node is exact for the heat
flow; the heat stored takes weights 1/12, 10/12, 1/12 inside and 7/24, 6/24, -1/24 at a face (the integral of a cubic
under the half hat): fourth order everywhere, and the weights add up so that the heat stored is the heat that came in.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

#: Intervals across the sheet on the production grid: core and face within 0.03 K at the Biot numbers of ovens.
INTERVALS = 18

INNER_WEIGHTS = (1 / 12, 10 / 12)
FACE_WEIGHTS = (7 / 24, 6 / 24, -1 / 24)


def storage_weights(intervals: int) -> Array:
    """Storage matrix in units of one interval, (nodes, nodes)."""
    near, own = INNER_WEIGHTS
    weights = np.diag(np.full(intervals + 1, own))
    weights += np.diag(np.full(intervals, near), 1) + np.diag(np.full(intervals, near), -1)
    for row, order in ((0, slice(None)), (-1, slice(None, None, -1))):
        weights[row] = 0.0
        weights[row, order][:3] = FACE_WEIGHTS
    return weights


def second_differences(intervals: int) -> Array:
    """Heat flowing into each node per unit conductance of one interval, from the potentials, (nodes, nodes)."""
    matrix = np.diag(np.full(intervals + 1, -2.0))
    matrix += np.diag(np.ones(intervals), 1) + np.diag(np.ones(intervals), -1)
    matrix[0, 0] = matrix[-1, -1] = -1.0
    return matrix


def inward_order(intervals: int) -> NDArray[np.intp]:
    """Nodes from the faces inward, upper and lower in turn, the middle last: 0, n, 1, n - 1, ..., n/2.

    Raises:
        ValueError: for an odd number of intervals, or fewer than six (a face's row reaches two nodes inward).
    """
    if intervals < 6 or intervals % 2:
        raise ValueError(f"intervals = {intervals}: expected an even number, six or more")
    order = np.empty(intervals + 1, np.intp)
    order[:-1:2] = np.arange(intervals // 2)
    order[1:-1:2] = intervals - np.arange(intervals // 2)
    order[-1] = intervals // 2
    return order


def natural_order(intervals: int) -> NDArray[np.intp]:
    """Where each node, counted from the upper face, stands in `inward_order`."""
    return np.argsort(inward_order(intervals))


class Rates:
    """dH/dt at the nodes from the right side of their heat balances, both in natural order."""

    def __init__(self, intervals: int) -> None:
        self._inverse = np.linalg.inv(storage_weights(intervals)) * intervals

    def __call__(self, inflow_w_m2: Array, mass_kg_m2: Array) -> Array:
        """W/kg from W/m2, (..., nodes, batch)."""
        result: Array = self._inverse @ inflow_w_m2 / mass_kg_m2
        return result


def hermite(part: Array, step: Array, y0: Array, y1: Array, rate0: Array, rate1: Array) -> Array:
    """Cubic through two values and two rates; `part` of the step, 0 to 1."""
    rest = 1.0 - part
    return rest * rest * ((1.0 + 2.0 * part) * y0 + part * step * rate0) + part * part * (
        (3.0 - 2.0 * part) * y1 - rest * step * rate1
    )


def coldest_c(profile_c: Array) -> Array:
    """Lowest temperature of profiles, °C: the vertex of the parabola through the coldest node and its neighbours.

    Args:
        profile_c: (nodes, batch), °C.
    """
    at = np.minimum(np.maximum(np.argmin(profile_c, axis=0), 1), len(profile_c) - 2)
    column = np.arange(profile_c.shape[1])
    left, middle, right = (profile_c[at + i, column] for i in (-1, 0, 1))
    bend = left - 2.0 * middle + right
    lean = 0.5 * (right - left)
    at_vertex = np.minimum(np.maximum(-lean / np.where(bend > 0, bend, np.inf), -1.0), 1.0)
    vertex = middle + at_vertex * (lean + 0.5 * bend * at_vertex)
    result: Array = np.minimum(vertex, np.min(profile_c, axis=0))
    return result
