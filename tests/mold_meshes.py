"""Molds of our own invention as triangle meshes: a limb of elliptic section with a round end."""

from __future__ import annotations

import struct
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Whole = NDArray[np.int64]


def limb(around: int = 48, along: int = 40, closed: bool = True, squash: float = 1.0) -> tuple[Array, Whole]:
    """Vertices, mm, and faces of a round-ended limb of 250 mm along z, tip at z = 0, radius 40 to 60 mm.

    Args:
        squash: one half axis of the section over the other. closed: with a lid on the proximal end.
    """
    part = np.linspace(0.0, 1.0, along + 1)[1:] ** 1.5
    z = 250.0 * part
    tip = np.sqrt(np.clip(1.0 - (1.0 - np.minimum(z, 40.0) / 40.0) ** 2, 0.0, 1.0))
    radius = tip * (40.0 + 20.0 * part)
    angle = np.linspace(0.0, 2.0 * np.pi, around, endpoint=False)
    ring = np.stack([np.cos(angle), squash * np.sin(angle)], axis=1)
    rings = np.concatenate(
        [np.column_stack([r * ring, np.full(around, level)]) for r, level in zip(radius, z, strict=True)]
    )
    vertices = np.concatenate([[[0.0, 0.0, 0.0]], rings, [[0.0, 0.0, 250.0]]])
    i = np.arange(around)
    after = (i + 1) % around
    faces = [np.stack([np.zeros_like(i), 1 + after, 1 + i], axis=1)]
    for k in range(along - 1):
        low, high = 1 + k * around, 1 + (k + 1) * around
        faces += [
            np.stack([low + i, low + after, high + i], axis=1),
            np.stack([low + after, high + after, high + i], axis=1),
        ]
    last = 1 + (along - 1) * around
    if closed:
        faces.append(np.stack([last + i, last + after, np.full(around, len(vertices) - 1)], axis=1))
        return vertices, np.concatenate(faces)
    return vertices[:-1], np.concatenate(faces)


def write_stl(path: Path, vertices: Array, faces: Whole) -> Path:
    """Binary STL."""
    record = np.zeros(len(faces), np.dtype([("normal", "<f4", 3), ("corners", "<f4", (3, 3)), ("more", "<u2")]))
    record["corners"] = vertices[faces]
    path.write_bytes(b"\0" * 80 + struct.pack("<I", len(faces)) + record.tobytes())
    return path


def write_obj(path: Path, vertices: Array, faces: Whole) -> Path:
    """Wavefront OBJ."""
    lines = [f"v {x:.6g} {y:.6g} {z:.6g}" for x, y, z in vertices]
    lines += [f"f {a} {b} {c}" for a, b, c in faces + 1]
    path.write_text("\n".join(lines) + "\n")
    return path


def write_ply(path: Path, vertices: Array, faces: Whole) -> Path:
    """PLY, text."""
    head = (
        f"ply\nformat ascii 1.0\nelement vertex {len(vertices)}\nproperty float x\nproperty float y\nproperty float z\n"
        f"element face {len(faces)}\nproperty list uchar int vertex_indices\nend_header\n"
    )
    rows = [f"{x:.6g} {y:.6g} {z:.6g}" for x, y, z in vertices] + [f"3 {a} {b} {c}" for a, b, c in faces]
    path.write_text(head + "\n".join(rows) + "\n")
    return path
