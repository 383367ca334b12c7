"""Linear systems of the conduction step: tridiagonal, with one more entry in the two face rows.

Rows are nodes, columns are the batch: every operation runs along the contiguous batch axis.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Solve = Callable[[Array], Array]

#: Up to this many problems of up to this many rows a dense inverse each costs less than a sweep of array
#: operations over the rows (measured: a sweep costs the same for 1 and for 40 columns).
NARROW = 24
SHORT = 40


def factor(lower: Array, diagonal: Array, upper: Array, corners: tuple[Array, Array], faces: tuple[int, int]) -> Solve:
    """Factor one system per batch column; returns a function that overwrites a right side with the solution.

    Args:
        lower: entry left of the diagonal in rows 1.., shape (rows - 1, batch).
        diagonal: shape (rows, batch).
        upper: entry right of the diagonal in rows ..rows-2, shape (rows - 1, batch).
        corners: entry two right of the diagonal in row faces[0], two left of it in row faces[1], each (batch,).
        faces: the two rows that have such an entry; below and above them tridiagonal rows may follow.

    The three band arrays are used up.
    """
    if diagonal.shape[1] <= NARROW and len(diagonal) <= SHORT:
        return _dense(lower, diagonal, upper, corners, faces)
    return _sweep(lower, diagonal, upper, corners, faces)


def _dense(lower: Array, diagonal: Array, upper: Array, corners: tuple[Array, Array], faces: tuple[int, int]) -> Solve:
    rows, batch = diagonal.shape
    full = np.zeros((batch, rows * rows))
    full[:, :: rows + 1] = diagonal.T
    full[:, 1 :: rows + 1] = upper.T
    full[:, rows :: rows + 1] = lower.T
    matrix = full.reshape(batch, rows, rows)
    top, bottom = faces
    matrix[:, top, top + 2] = corners[0]
    matrix[:, bottom, bottom - 2] = corners[1]
    inverse = np.linalg.inv(matrix)

    def solve(right: Array) -> Array:
        right[:] = np.matmul(inverse, right.T[:, :, None])[:, :, 0].T
        return right

    return solve


def _sweep(lower: Array, diagonal: Array, upper: Array, corners: tuple[Array, Array], faces: tuple[int, int]) -> Solve:
    # Gaussian elimination from the last row up: there the face rows' extra entries fill nothing in.
    rows = len(diagonal)
    top, bottom = faces
    left, pivot, factors = list(lower), list(diagonal), list(upper)
    work = np.empty_like(pivot[0])
    multiply, subtract = np.multiply, np.subtract
    np.divide(1.0, pivot[-1], out=pivot[-1])
    skip = corners[0] * 0.0
    for i in range(rows - 2, -1, -1):
        f = factors[i]
        if i == top:
            skip = corners[0] * pivot[top + 2]
            multiply(skip, left[top + 1], out=work)
            subtract(f, work, out=f)
        multiply(f, pivot[i + 1], out=f)
        multiply(f, left[i], out=work)
        subtract(pivot[i], work, out=work)
        np.divide(1.0, work, out=pivot[i])
        if i + 1 == bottom:
            multiply(f, corners[1], out=work)
            subtract(left[i - 1], work, out=left[i - 1])
    for i in range(1, rows):
        multiply(left[i - 1], pivot[i], out=left[i - 1])
    far = corners[1] * pivot[bottom]

    def solve(right: Array) -> Array:
        x = list(right)
        for i in range(rows - 2, -1, -1):
            if i == top:
                multiply(skip, x[top + 2], out=work)
                subtract(x[i], work, out=x[i])
            multiply(factors[i], x[i + 1], out=work)
            subtract(x[i], work, out=x[i])
        multiply(right, diagonal, out=right)  # the pivots' inverses stand in `diagonal`
        for i in range(1, rows):
            multiply(left[i - 1], x[i - 1], out=work)
            subtract(x[i], work, out=x[i])
            if i == bottom:
                multiply(far, x[i - 2], out=work)
                subtract(x[i], work, out=x[i])
        return right

    return solve
