"""Linear systems of the conduction step, eliminated from both faces to the middle at once.

Nodes are ordered from the faces inward, upper and lower in turn, the middle last (see `grid.inward_order`): an array
over the nodes is then pairs (half, 2, batch) and a middle (batch,). A node is coupled to its neighbours on either
side; a face also to the second node inward. Every operation runs along the contiguous batch axis.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Solve = Callable[[Array], Array]

#: Up to this many problems of up to this many nodes a dense inverse each costs less than sweeps of array operations
#: over the nodes (measured: a sweep costs the same for 1 and for 40 columns).
NARROW = 16
SHORT = 40


def factor(weights: Array, weight: Array, differences: Array, slope: Array, at_face: Array) -> Solve:
    """Factor weight * weights - differences * slope (by column of the matrix), plus `at_face` on the faces' diagonal.

    Args:
        weights, differences: storage weights and second differences of the grid, (nodes, nodes).
        weight: (batch,). slope: (nodes, batch). at_face: (2, batch).

    Returns:
        A function that overwrites a right side, (nodes, batch), with the solution.
    """
    if len(weight) <= NARROW and len(weights) < SHORT:
        return _dense(weights, weight, differences, slope, at_face)
    return _sweep(weights, weight, slope, at_face)


def _dense(weights: Array, weight: Array, differences: Array, slope: Array, at_face: Array) -> Solve:
    matrix = weights * weight[:, None, None]
    matrix -= differences * slope.T[:, None, :]
    matrix[:, 0, 0] += at_face[0]
    matrix[:, 1, 1] += at_face[1]
    inverse = np.linalg.inv(matrix)

    def solve(right: Array) -> Array:
        if len(inverse) == 1:
            return np.asarray(inverse[0] @ right)
        right[:] = np.matmul(inverse, right.T[:, :, None])[:, :, 0].T
        return right

    return solve


def _bands(weights: Array, weight: Array, slope: Array, at_face: Array) -> tuple[Array, Array, Array, Array, Array]:
    """The matrix of `factor` as bands: pairs (half, 2, batch) and middle (batch,) of the diagonal; entry of a node's
    row for its neighbour towards the middle; entry of that neighbour's row for the node; entry of a face's row for
    the second node inward, the same on both sides.
    """
    # Weights of a face's row for itself and two nodes inward, and of an inner row for a neighbour and itself.
    w0, w1, w2, near, own = (weights[0, 0], weights[0, 2], weights[0, 4], weights[2, 0], weights[2, 2])
    ends = slope[:-1].reshape(len(slope) // 2, 2, -1)
    centre = slope[-1]
    diagonal = ends + ends
    diagonal[1:] += own * weight
    diagonal[0] = at_face + ends[0]
    diagonal[0] += w0 * weight
    beside = near * weight
    inward = np.empty_like(ends)
    np.subtract(beside, ends[1:], out=inward[:-1])
    np.subtract(beside, centre, out=inward[-1])
    inward[0] += (w1 - near) * weight
    return diagonal, own * weight + 2.0 * centre, inward, beside - ends, w2 * weight


def _sweep(weights: Array, weight: Array, slope: Array, at_face: Array) -> Solve:
    pairs, middle, inward, outward, corner = _bands(weights, weight, slope, at_face)
    half = len(pairs)
    pivot, into, back = list(pairs), list(inward), list(outward)
    work = np.empty_like(pivot[0])
    multiply, subtract, divide = np.multiply, np.subtract, np.divide
    divide(1.0, pivot[0], out=pivot[0])
    for i in range(half - 1):
        multiply(back[i], pivot[i], out=back[i])
        multiply(back[i], into[i], out=work)
        subtract(pivot[i + 1], work, out=work)
        divide(1.0, work, out=pivot[i + 1])
        if i == 0:
            multiply(back[0], corner, out=work)
            subtract(into[1], work, out=into[1])
    last = back[-1]
    multiply(last, pivot[-1], out=last)
    multiply(last, into[-1], out=work)
    last_pivot = 1.0 / (middle - work[0] - work[1])
    multiply(inward, pairs, out=inward)  # the pivots' inverses stand in `pairs`
    far = corner * pivot[0]

    def solve(right: Array) -> Array:
        x = right[:-1].reshape(pairs.shape)
        rows = list(x)
        for i in range(half - 1):
            multiply(back[i], rows[i], out=work)
            subtract(rows[i + 1], work, out=rows[i + 1])
        multiply(last, rows[-1], out=work)
        centre = right[-1]
        subtract(centre, work[0], out=centre)
        subtract(centre, work[1], out=centre)
        multiply(centre, last_pivot, out=centre)
        multiply(x, pairs, out=x)
        multiply(into[-1], centre, out=work)
        subtract(rows[-1], work, out=rows[-1])
        for i in range(half - 2, -1, -1):
            multiply(into[i], rows[i + 1], out=work)
            subtract(rows[i], work, out=rows[i])
        multiply(far, rows[2], out=work)
        subtract(rows[0], work, out=rows[0])
        return right

    return solve
