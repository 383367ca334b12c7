"""A mold's mesh measured: axis, distal end, girths by level, volume and area; and what is wrong with it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from logger.girths import Girths
from logger.mesh_edges import Edges, edges_of, pieces_of
from logger.mesh_file import Mesh
from thermal.fields import InputError

Array = NDArray[np.float64]
Whole = NDArray[np.int64]
Axis = Literal["x", "y", "z"]

#: Distance of the levels at which a mesh is measured, m.
STEP_M = 0.02
#: Sectors around the axis whose radii are told apart.
SECTORS = 8
_SHORTEST_M = 0.03
#: An end is distal where its girth is smaller than the other's by this share, if openness does not tell.
_CLEARLY = 0.05
#: An axis is clear where the mold spreads along it by this factor more than across.
_LONGISH = 1.3
#: An open edge within this share of the length of the proximal end is the mold's own end.
_AT_END = 0.15


@dataclass(frozen=True)
class Hole:
    """An open edge: its length, m, and its mean level from the distal end, m."""

    length_m: float
    level_m: float


@dataclass(frozen=True)
class Shape:
    """A mesh as a mold.

    Attributes:
        girths: by level, as a tape measures (around the section's convex outside). sector_m: mean distance from the
        section's middle by level and sector, (levels, SECTORS), m; NaN where a sector is empty. towards: unit vector
        to the middle of each sector. area_m2; volume_m3. axis: unit vector from the distal to the proximal end. Vectors
        are in the file's coordinates. open_end: the mesh is open at
        its proximal end, as a mold may be. holes: other open edges. bad_edges: edges of more than two triangles.
        turned: edges whose two triangles look to different sides. pieces: separate surfaces. notes: what was taken.
    """

    girths: Girths
    sector_m: Array
    towards: tuple[tuple[float, float, float], ...]
    area_m2: float
    volume_m3: float
    axis: tuple[float, float, float]
    open_end: bool
    holes: tuple[Hole, ...]
    bad_edges: int
    turned: int
    pieces: int
    triangles: int
    notes: tuple[str, ...]

    @property
    def sound(self) -> bool:
        """Whether it is one closed surface, but for its proximal end."""
        return not self.holes and not self.bad_edges and not self.turned and self.pieces == 1


def shape_of(mesh: Mesh, axis: Axis | None = None, flip: bool = False) -> Shape:
    """Measure a mesh.

    Args:
        axis: of the file that the mold lies along; None: found. flip: take the other end for the distal one.

    Raises:
        InputError: a mesh too short, or without a section at some level.
    """
    edges = edges_of(mesh.faces, len(mesh.vertices_m))
    cross, middle, area = _triangles(mesh)
    frame, notes = _frame(mesh, middle, area, axis)
    notes += _from_distal(mesh, frame, edges, flip)
    place = mesh.vertices_m @ frame.T
    place -= [*np.average(middle, axis=0, weights=area) @ frame[:2].T, place[:, 2].min()]
    length = float(place[:, 2].max())
    if length < _SHORTEST_M:
        raise InputError(f"{mesh.name} is {length * 1e3:.0f} mm long: expected a mold of 30 mm or more; check its unit")
    girths, sectors = _measured(place, mesh, length)
    holes = _holes(place, edges)
    mouth = _mouth(holes, 0.0, length, girths.girth_m[-1])
    centre = mesh.vertices_m[edges.open].reshape(-1, 3).mean(axis=0) if len(edges.open) else None
    # Open edges closed by a fan from their middle add nothing to a volume that is counted from there.
    origin = centre if centre is not None else np.zeros(3)
    volume = float(np.einsum("ij,ij->", middle - origin, cross)) / 6.0
    if mesh.unit_was_found:
        notes.insert(0, f"the file states no unit: taken as {mesh.unit}, the only one that makes a mold of its size")
    if volume < 0.0:
        notes.append("the mesh is inside out: its volume is taken without sign")
    return Shape(
        girths,
        sectors,
        _towards(frame),
        float(area.sum()),
        abs(volume),
        (float(frame[2, 0]), float(frame[2, 1]), float(frame[2, 2])),
        mouth is not None,
        tuple(hole for hole in holes if hole is not mouth),
        edges.bad,
        edges.turned,
        pieces_of(mesh.faces, len(mesh.vertices_m)),
        len(mesh.faces),
        tuple(notes),
    )


def _triangles(mesh: Mesh) -> tuple[Array, Array, Array]:
    """Twice the area vectors, middles and areas of the triangles."""
    a, b, c = (mesh.vertices_m[mesh.faces[:, i]] for i in range(3))
    cross = np.cross(b - a, c - a)
    return cross, (a + b + c) / 3.0, 0.5 * np.sqrt(np.einsum("ij,ij->i", cross, cross))


def _frame(mesh: Mesh, middle: Array, area: Array, axis: Axis | None) -> tuple[Array, list[str]]:
    """Two directions across and one along the mold, as rows."""
    if axis is not None:
        return np.roll(np.eye(3), "xyz".index(axis) - 2, axis=0)[[0, 1, 2]], []
    off = middle - np.average(middle, axis=0, weights=area)
    spread, directions = np.linalg.eigh((off * area[:, None]).T @ off)
    frame = directions.T.copy()
    if np.linalg.det(frame) < 0.0:
        frame[0] = -frame[0]
    notes = []
    if spread[2] < _LONGISH**2 * spread[1]:
        notes.append("the mold is nearly as wide as long: say its axis (x, y or z) if the levels look wrong")
    return frame, notes


def _from_distal(mesh: Mesh, frame: Array, edges: Edges, flip: bool) -> list[str]:
    """Turn the frame to point away from the distal end: the one across from the mold's open end, else the slimmer."""
    place = mesh.vertices_m @ frame.T
    low, high = float(place[:, 2].min()), float(place[:, 2].max())
    cutter = _Cutter(place, mesh.faces)
    near = [_girth(cutter.section(low + part * (high - low))) for part in (0.1, 0.9)]
    mouth = _mouth(_holes(place, edges), low, high, max(near))
    turn = near[1] < near[0] if mouth is None else mouth.level_m < 0.5 * (low + high)
    if turn != flip:
        frame[2], frame[0] = -frame[2], -frame[0]
    if mouth is None and min(near) > (1.0 - _CLEARLY) * max(near):
        return ["both ends are alike: the levels may count from the proximal end; flip them if so"]
    return []


def _mouth(holes: list[Hole], low: float, high: float, girth: float) -> Hole | None:
    """The open edge that is the mold's own end: near one end, and long for the girth there."""
    margin = _AT_END * (high - low)
    at_ends = [hole for hole in holes if not low + margin < hole.level_m < high - margin]
    longest = max(at_ends, key=lambda hole: hole.length_m, default=None)
    return longest if longest is not None and longest.length_m > 0.5 * girth else None


def _holes(place: Array, edges: Edges) -> list[Hole]:
    """Every open edge, with its level."""
    if not len(edges.open):
        return []
    ends = place[edges.open]
    long = np.sqrt(((ends[:, 1] - ends[:, 0]) ** 2).sum(axis=1))
    lengths = np.bincount(edges.loops, long)
    levels = np.bincount(edges.loops, long * ends[:, :, 2].mean(axis=1)) / lengths
    return [Hole(float(a), float(b)) for a, b in zip(lengths, levels, strict=True)]


class _Cutter:
    """A surface in the mold's own directions, ready to be cut at many levels."""

    def __init__(self, place: Array, faces: Whole) -> None:
        self._place, self._faces = place, faces
        height = place[:, 2]
        self._low = np.minimum(np.minimum(height[faces[:, 0]], height[faces[:, 1]]), height[faces[:, 2]])
        self._high = np.maximum(np.maximum(height[faces[:, 0]], height[faces[:, 1]]), height[faces[:, 2]])

    def section(self, level: float) -> Array:
        """Where the surface crosses a level: pieces of line, (n, 2 ends, 2)."""
        corners = self._faces[(self._low <= level) & (self._high > level)]
        height = self._place[:, 2][corners] - level
        above = height > 0.0
        # The corner that is alone on its side, and the two others.
        alone = np.where(above.sum(axis=1) == 1, above.argmax(axis=1), above.argmin(axis=1))
        rows = np.arange(len(corners))
        ends = []
        for other in ((alone + 1) % 3, (alone + 2) % 3):
            part = height[rows, alone] / (height[rows, alone] - height[rows, other])
            a, b = self._place[corners[rows, alone], :2], self._place[corners[rows, other], :2]
            ends.append(a + part[:, None] * (b - a))
        return np.stack(ends, axis=1)


def _girth(section: Array) -> float:
    """Girth of a section by tape: around its convex outside, m; 0 where there is none."""
    from scipy.spatial import ConvexHull, QhullError

    if len(section) < 3:
        return 0.0
    try:
        return float(ConvexHull(section.reshape(-1, 2)).area)
    except QhullError:
        return 0.0


def _measured(place: Array, mesh: Mesh, length: float) -> tuple[Girths, Array]:
    """Girths and sectors at levels every `STEP_M`, the last just inside the proximal end."""
    count = max(2, int(np.ceil(length / STEP_M - 1e-3)))
    levels = np.linspace(0.0, length, count + 1)[1:]
    levels[-1] = length * (1.0 - 1e-3)
    girths, sectors = [], []
    cutter = _Cutter(place, mesh.faces)
    for level in levels:
        section = cutter.section(float(level))
        girths.append(_girth(section))
        if girths[-1] == 0.0:
            raise InputError(
                f"{mesh.name}: no section at {level * 1e3:.0f} mm from the distal end: expected one surface from end "
                "to end; mend the mesh, or say its axis"
            )
        sectors.append(_sectors(section))
    tip = cutter.section(1e-3 * length)
    flat = _girth(tip) > 0.5 * girths[0]
    return Girths(tuple(levels.tolist()), tuple(girths), "flat" if flat else "round", mesh.name), np.array(sectors)


def _towards(frame: Array) -> tuple[tuple[float, float, float], ...]:
    """To the middles of the sectors: the first looks along the frame's first direction."""
    angle = 2.0 * np.pi * np.arange(SECTORS) / SECTORS
    found = np.cos(angle)[:, None] * frame[0] + np.sin(angle)[:, None] * frame[1]
    return tuple((float(x), float(y), float(z)) for x, y, z in found)


def _sectors(section: Array) -> Array:
    """Mean distance from the section's middle, by sector, each piece of line by its length."""
    middle = section.mean(axis=1)
    weight = np.hypot(*(section[:, 1] - section[:, 0]).T)
    middle = middle - np.average(middle, axis=0, weights=weight)
    turn = np.arctan2(middle[:, 1], middle[:, 0]) / (2.0 * np.pi)
    sector = ((turn * SECTORS + SECTORS + 0.5) % SECTORS).astype(int)
    total = np.bincount(sector, weight, SECTORS)[:SECTORS]
    moment = np.bincount(sector, weight * np.hypot(*middle.T), SECTORS)[:SECTORS]
    result: Array = np.divide(moment, total, out=np.full(SECTORS, np.nan), where=total > 0.0)
    return result
