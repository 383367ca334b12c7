"""A scanner's triangle mesh from a file (STL, OBJ, PLY), in metres, its corners joined.

The files state no unit. It is found from the size where only one unit makes a mold of it, and asked for elsewhere.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from thermal.fields import InputError

Array = NDArray[np.float64]
Whole = NDArray[np.int64]

KINDS = (".stl", ".obj", ".ply")
METRES = {"mm": 1e-3, "cm": 1e-2, "in": 25.4e-3, "m": 1.0}
#: Longest side of a mold, m (estimate): outside, a unit slipped.
SIZE_M = (0.05, 1.6)
#: More triangles than this are no mold but a scan to be thinned first; 2 million take 5 s and 1.1 GiB.
MOST_TRIANGLES = 4_000_000
_LARGEST_BYTES = 800_000_000


@dataclass(frozen=True)
class Mesh:
    """Triangles of a surface.

    Attributes:
        vertices_m: (vertices, 3), m, each place once. faces: (triangles, 3), places in it. unit: of the file.
        unit_was_found: from the size, not said. name: of the file.
    """

    vertices_m: Array
    faces: Whole
    unit: str
    unit_was_found: bool
    name: str


def read_mesh(path: Path, unit: str | None = None) -> Mesh:
    """Read a mesh.

    Args:
        unit: mm, cm, in or m; None: found from the size.

    Raises:
        InputError: no such file, another kind, no triangles, too many, values that are no numbers, a unit that is not
            clear or does not fit.
    """
    vertices, faces = _loaded(path)
    if not len(faces):
        raise InputError(f"{path.name} holds no triangles: expected a surface; export it from the scanner as a mesh")
    if len(faces) > MOST_TRIANGLES:
        raise InputError(
            f"{path.name} holds {len(faces)} triangles: expected {MOST_TRIANGLES} at most; thin the mesh and try again"
        )
    if not np.isfinite(vertices).all():
        raise InputError(f"{path.name} holds places that are no numbers; export the mesh again")
    joined, faces = _joined(vertices, faces)
    found = _unit(float(np.ptp(joined, axis=0).max()), unit, path.name)
    return Mesh(joined * METRES[found], faces, found, unit is None, path.name)


def _loaded(path: Path) -> tuple[Array, Whole]:
    if path.suffix.lower() not in KINDS:
        raise InputError(f"{path.name}: expected a mesh as {', '.join(KINDS)}; export it so")
    try:
        size = path.stat().st_size
    except OSError as error:
        raise InputError(f"{path}: {error.strerror}; check its name and folder") from error
    if size > _LARGEST_BYTES:
        raise InputError(f"{path.name} has {size // 1_000_000} MB: expected {_LARGEST_BYTES // 1_000_000} MB at most")
    from trimesh.exchange import stl  # only here: it takes a second to import
    from trimesh.exchange.load import load_mesh

    try:
        if path.suffix.lower() == ".stl":  # as plain arrays: a mesh object would copy millions of corners to and fro
            with path.open("rb") as file:
                mesh: dict[str, Any] = stl.load_stl(file)
        else:
            # Materials are files of other names, which a mesh from elsewhere is not to have opened.
            loaded = load_mesh(path, process=False, skip_materials=True)
            mesh = {"vertices": loaded.vertices, "faces": loaded.faces}
        return np.asarray(mesh["vertices"], float), np.asarray(mesh["faces"], np.int64).reshape(-1, 3)
    except Exception as error:  # whatever a damaged file makes of the reader
        reason = str(error).splitlines()[0][:120] if str(error) else type(error).__name__
        raise InputError(
            f"{path.name} cannot be read as {path.suffix[1:].upper()} ({reason}); export it again"
        ) from error


def _joined(vertices: Array, faces: Whole) -> tuple[Array, Whole]:
    """Each place once, and without triangles that have no area for having a corner twice.

    Places that differ by less than a millionth of the size are one: scanners write float32.
    """
    low, size = vertices.min(axis=0), float(np.ptp(vertices, axis=0).max())
    if size == 0.0:
        return vertices[:1], faces[:0]
    grid = np.round((vertices - low) * (1e6 / size)).astype(np.uint64)
    key = (grid[:, 0] << np.uint64(42)) | (grid[:, 1] << np.uint64(21)) | grid[:, 2]
    del grid
    _, first, place = np.unique(key, return_index=True, return_inverse=True)
    faces = place.reshape(-1)[faces]
    a, b, c = faces.T
    return vertices[first], faces[(a != b) & (b != c) & (c != a)]


def _unit(size: float, unit: str | None, name: str) -> str:
    low, high = SIZE_M
    fitting = [u for u, metres in METRES.items() if low <= size * metres <= high]
    readings = " or ".join(f"{size:.4g} {u} ({size * METRES[u] * 1e3:.0f} mm)" for u in fitting)
    if unit is not None:
        if unit in fitting:
            return unit
        hint = f"was {readings} meant? Say that unit" if fitting else "check the export"
        raise InputError(
            f"{name}: its longest side is {size:.4g} {unit} ({size * METRES[unit] * 1e3:.4g} mm): expected "
            f"{low * 1e3:.0f} to {high * 1e3:.0f} mm; {hint}"
        )
    if len(fitting) != 1:
        what = (
            f"may be {readings}: say which with the unit"
            if fitting
            else "is no mold in mm, cm, in or m: check the export"
        )
        raise InputError(f"{name}: its longest side, {size:.4g}, {what}")
    return fitting[0]
