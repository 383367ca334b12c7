"""A mold from whatever file describes it: girths in TOML or CSV, or a scanner's mesh."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, cast

import numpy as np

from dashboard.tomlfile import LARGEST_BYTES, read_toml
from logger.girths import DISTAL, Girths, girths_from_csv, girths_from_mapping
from thermal.fields import InputError
from thermal.mold import Distal, Mold

if TYPE_CHECKING:
    from logger.mesh_shape import Axis, Shape

MESHES = (".stl", ".obj", ".ply")


@dataclass(frozen=True)
class MoldFile:
    """A mold as read: its girths as a body of revolution, the mesh's measures where it is one, remarks."""

    mold: Mold
    name: str
    shape: Shape | None = None
    notes: tuple[str, ...] = ()

    def sectors(self) -> tuple[Mold, ...]:
        """A mesh's sectors, each as a body of revolution of its own radii; none for girths, or where one is empty."""
        if self.shape is None or not np.isfinite(self.shape.sector_m).all():
            return ()
        girths = 2.0 * np.pi * self.shape.sector_m.T
        return tuple(Mold(self.mold.level_m, tuple(one.tolist()), self.mold.distal) for one in girths)


def read_mold(
    path: Path, unit: str | None = None, axis: Axis | None = None, flip: bool = False, distal: str | None = None
) -> MoldFile:
    """Read a mold file, its kind by its ending.

    Args:
        unit, axis, flip: of a mesh (see `logger.mesh_file`, `logger.mesh_shape`). distal: of a CSV file.

    Raises:
        InputError: whatever is wrong with the file, in a sentence.
    """
    kind = path.suffix.lower()
    if kind in MESHES:
        return _mesh(path, unit, axis, flip)
    if unit is not None or axis is not None or flip:
        raise InputError(f"{path.name}: unit, axis and flip are for meshes ({', '.join(MESHES)}); leave them out")
    if kind == ".csv":
        return _girths(girths_from_csv(_text(path), path.name, distal or DISTAL[0]), path)
    if kind == ".toml":
        if distal is not None:
            raise InputError(f"{path.name}: the distal end stands in the file; leave it out on the line")
        return _girths(girths_from_mapping(read_toml(path), path.name), path)
    raise InputError(f"{path.name}: expected girths as .toml or .csv, or a mesh as {', '.join(MESHES)}; export it so")


def _girths(girths: Girths, path: Path) -> MoldFile:
    mold = Mold(girths.level_m, girths.girth_m, cast(Distal, girths.distal))
    return MoldFile(mold, girths.name or path.stem)


def _text(path: Path) -> str:
    try:
        content = path.read_bytes()[: LARGEST_BYTES + 1]
    except OSError as error:
        raise InputError(f"{path} cannot be read ({error.strerror}); check its name and folder") from error
    if len(content) > LARGEST_BYTES:
        raise InputError(f"{path.name} is larger than {LARGEST_BYTES // 1000} kB; expected a row for each level")
    try:
        return content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise InputError(f"{path.name} is not UTF-8; save the file as UTF-8 text") from error


def _mesh(path: Path, unit: str | None, axis: Axis | None, flip: bool) -> MoldFile:
    from logger.mesh_file import read_mesh
    from logger.mesh_shape import shape_of

    shape = shape_of(read_mesh(path, unit), axis, flip)
    girths = shape.girths
    mold = Mold(girths.level_m, girths.girth_m, cast(Distal, girths.distal))
    return MoldFile(mold, path.stem, shape, (*(f"Mesh: {note}" for note in shape.notes), *_faults(shape)))


def _faults(shape: Shape) -> list[str]:
    found = [
        f"Mesh: a hole {hole.length_m * 1e3:.0f} mm around, {hole.level_m * 1e3:.0f} mm from the distal end"
        for hole in sorted(shape.holes, key=lambda one: -one.length_m)[:5]
    ]
    if len(shape.holes) > len(found):
        found.append(f"Mesh: {len(shape.holes) - len(found)} smaller holes")
    if shape.bad_edges:
        found.append(f"Mesh: {shape.bad_edges} edges where more than two triangles meet: no plain surface")
    if shape.turned:
        found.append(f"Mesh: {shape.turned} edges where it turns inside out")
    if shape.pieces > 1:
        found.append(f"Mesh: {shape.pieces} separate surfaces; girths go around all of them")
    return [*found, "Mesh: mend it in the scanner's program if the girths look wrong"] if found else []
