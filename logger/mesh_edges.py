"""The edges of a triangle mesh: where it is open, where more than two triangles meet, where it turns inside out."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Whole = NDArray[np.int64]


@dataclass(frozen=True)
class Edges:
    """What a mesh's edges say.

    Attributes:
        open: edges of one triangle only, (n, 2), places. loops: which connected open edge each belongs to, (n,).
        bad: edges of more than two triangles. turned: edges whose two triangles look to different sides.
    """

    open: Whole
    loops: Whole
    bad: int
    turned: int


def edges_of(faces: Whole, places: int) -> Edges:
    """The edges of triangles, (n, 3), over a number of places."""
    start = faces.ravel()
    end = np.roll(faces, -1, axis=1).ravel()
    up = start < end
    key = np.where(up, start, end) * places + np.where(up, end, start)
    order = np.argsort(key)
    key = key[order]
    first = np.flatnonzero(np.concatenate([[True], key[1:] != key[:-1]]))
    count = np.diff(np.concatenate([first, [len(key)]]))
    sense = np.add.reduceat(np.where(up[order], 1, -1), first)
    alone = order[first[count == 1]]
    edges = np.stack([start[alone], end[alone]], axis=1)
    return Edges(edges, _loops(edges), int((count > 2).sum()), int(((count == 2) & (sense != 0)).sum()))


def _loops(edges: Whole) -> Whole:
    if not len(edges):
        return np.zeros(0, np.int64)
    places, ends = np.unique(edges, return_inverse=True)
    ends = ends.reshape(-1, 2)
    return _connected(ends[:, 0], ends[:, 1], len(places))[ends[:, 0]]


def pieces_of(faces: Whole, places: int) -> int:
    """Number of separate surfaces."""
    labels = _connected(np.concatenate([faces[:, 0], faces[:, 1]]), np.concatenate([faces[:, 1], faces[:, 2]]), places)
    return len(np.unique(labels[faces[:, 0]]))


def _connected(a: Whole, b: Whole, places: int) -> Whole:
    from scipy.sparse import coo_matrix
    from scipy.sparse.csgraph import connected_components

    graph = coo_matrix((np.ones(len(a), np.int8), (a, b)), shape=(places, places))
    return np.asarray(connected_components(graph, directed=False)[1], np.int64)
