"""The demo shop's mold as a mesh, as a scanner would give it: `python -m dashboard.demo_mold limb.stl`."""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from dashboard.mold_file import MESHES, read_mold
from dashboard.shop import DEMO_FOLDER
from thermal.fields import InputError
from thermal.mold import Mold, meridian

_AROUND = 96


def surface_of(mold: Mold, around: int = _AROUND) -> tuple[NDArray[np.float64], NDArray[np.int64]]:
    """A mold as triangles, open at its proximal end: places, mm, (places, 3), and triangles, (triangles, 3)."""
    outline = meridian(mold)
    angle = np.linspace(0.0, 2.0 * np.pi, around, endpoint=False)
    rings = [
        np.column_stack([1e3 * r * np.cos(angle), 1e3 * r * np.sin(angle), np.full(around, 1e3 * z)])
        for r, z in zip(outline.radius_m[1:], outline.level_m[1:], strict=True)
    ]
    places = np.concatenate([[[0.0, 0.0, 1e3 * outline.level_m[0]]], *rings])
    i = np.arange(around)
    after = (i + 1) % around
    faces = [np.stack([np.zeros_like(i), 1 + after, 1 + i], axis=1)]
    for k in range(len(rings) - 1):
        low, high = 1 + k * around, 1 + (k + 1) * around
        faces.append(np.stack([low + i, low + after, high + i], axis=1))
        faces.append(np.stack([low + after, high + after, high + i], axis=1))
    return places, np.concatenate(faces)


def main(words: list[str]) -> None:
    """Write the mesh to the file named.

    Raises:
        InputError: no name, or one that is no mesh's.
    """
    if len(words) != 1 or Path(words[0]).suffix.lower() not in MESHES:
        raise InputError(f"expected the name of a file that ends in {', '.join(MESHES)}")
    import trimesh

    places, faces = surface_of(read_mold(DEMO_FOLDER / "molds" / "below-knee.toml").mold)
    trimesh.Trimesh(places, faces, process=False).export(words[0])


if __name__ == "__main__":
    main(sys.argv[1:])
