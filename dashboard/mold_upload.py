"""A mold that a browser sends: the content of a file with its name, read as a file of this computer is."""

from __future__ import annotations

import re
from pathlib import Path
from tempfile import TemporaryDirectory

from dashboard.mold_file import MESHES, MoldFile, read_mold
from logger.girths import DISTAL
from logger.mesh_file import METRES
from logger.mesh_shape import Axis
from thermal.fields import InputError, shown

#: What a page takes, about half a million triangles of a binary STL: it shares its computer with ovens at work.
LARGEST_BYTES = 25_000_000
_AXES: dict[str, Axis] = {"x": "x", "y": "y", "z": "z"}
_LONGEST_NAME = 80


def received(
    content: bytes, name: str, unit: str = "", axis: str = "", flip: bool = False, distal: str = ""
) -> MoldFile:
    """Read what was sent.

    Args:
        name: of the file as its sender calls it. unit, axis, flip: of a mesh, '' where found. distal: of a CSV file.

    Raises:
        InputError: whatever is wrong with it, in a sentence.
    """
    if unit and unit not in METRES:
        raise InputError(f"unit {shown(unit)}: expected one of {', '.join(METRES)}")
    if axis and axis not in _AXES:
        raise InputError(f"axis {shown(axis)}: expected one of x, y, z")
    if distal and distal not in DISTAL:
        raise InputError(f"distal end {shown(distal)}: expected one of {', '.join(DISTAL)}")
    called = safe_name(name)
    kind = Path(called).suffix.lower()
    mesh = kind in MESHES
    with TemporaryDirectory(prefix="pullcue-mold-") as folder:
        path = Path(folder) / called
        path.write_bytes(content)
        return read_mold(
            path,
            unit or None if mesh else None,
            _AXES.get(axis) if mesh else None,
            flip and mesh,
            distal or None if kind == ".csv" else None,
        )


def safe_name(name: str) -> str:
    """The last part of a file's name, with letters, digits, dots, dashes and spaces alone; its ending is kept."""
    last = re.sub(r"[^\w. -]", "_", re.split(r"[/\\]", name)[-1]).strip(" .")
    path = Path(last or "mold")
    return f"{path.stem[:_LONGEST_NAME]}{path.suffix[:8]}"
