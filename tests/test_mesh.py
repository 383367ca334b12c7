"""A scanner's mesh: unit, axis, girths, volume, and what is wrong with it."""

from __future__ import annotations

import os
import subprocess
import sys
import textwrap
from pathlib import Path

import numpy as np
import pytest
from scipy.special import ellipe

from logger.mesh_file import read_mesh
from logger.mesh_shape import SECTORS, Shape, shape_of
from mold_meshes import limb, write_obj, write_ply, write_stl
from thermal.fields import InputError

WRITERS = {".stl": write_stl, ".obj": write_obj, ".ply": write_ply}


def measured(folder: Path, closed: bool = True, squash: float = 1.0, scale: float = 1.0, suffix: str = ".stl") -> Shape:
    vertices, faces = limb(closed=closed, squash=squash)
    return shape_of(read_mesh(WRITERS[suffix](folder / f"limb{suffix}", vertices * scale, faces)))


@pytest.mark.parametrize("suffix", WRITERS)
def test_formats_give_the_same_mold(tmp_path: Path, suffix: str) -> None:
    shape = measured(tmp_path, suffix=suffix)
    assert shape.sound
    assert (shape.holes, shape.open_end) == ((), False)
    # The limb's radius is 40 + 20 z/250 mm above its round end; polygon of 48 sides 0.07 % under the circle.
    for level, girth in zip(shape.girths.level_m, shape.girths.girth_m, strict=True):
        if level > 0.05:
            radius = 0.040 + 0.020 * level / 0.250
            assert girth == pytest.approx(2.0 * np.pi * radius, rel=3e-3)
    assert shape.axis == pytest.approx((0.0, 0.0, 1.0), abs=1e-9)


def test_volume_and_area_closed_and_open(tmp_path: Path) -> None:
    closed, opened = measured(tmp_path), measured(tmp_path, closed=False)
    assert opened.open_end
    assert opened.sound
    assert opened.volume_m3 == pytest.approx(closed.volume_m3, rel=1e-6)
    lid = 48 / 2 * np.sin(2.0 * np.pi / 48) * 0.060**2
    assert closed.area_m2 - opened.area_m2 == pytest.approx(lid, rel=1e-4)
    level = np.linspace(0.0, 0.25, 2001)
    tip = np.sqrt(np.clip(1.0 - (1.0 - np.minimum(level, 0.04) / 0.04) ** 2, 0.0, 1.0))
    radius = tip * (0.04 + 0.02 * level / 0.25)
    assert closed.volume_m3 == pytest.approx(float(np.trapezoid(np.pi * radius**2, level)), rel=1e-2)


def test_tape_around_an_ellipse(tmp_path: Path) -> None:
    # Girth of an ellipse 4 a E(m), m = 1 - (b/a)2 (closed form, scipy.special.ellipe).
    shape = measured(tmp_path, squash=0.7)
    a = 0.040 + 0.020 * shape.girths.level_m[6] / 0.250
    assert shape.girths.girth_m[6] == pytest.approx(4.0 * a * float(ellipe(1.0 - 0.7**2)), rel=4e-3)
    sectors = shape.sector_m[6]
    assert len(sectors) == SECTORS
    assert sectors.max() / sectors.min() > 1.1


@pytest.mark.parametrize("turn", [0, 1, 2])
def test_any_pose_gives_the_same_girths(tmp_path: Path, turn: int) -> None:
    vertices, faces = limb(closed=False)
    rotation, _ = np.linalg.qr(np.random.default_rng(turn).standard_normal((3, 3)))
    rotation *= np.sign(np.linalg.det(rotation))
    shape = shape_of(read_mesh(write_stl(tmp_path / "limb.stl", vertices @ rotation.T + [500.0, -80.0, 3.0], faces)))
    assert shape.axis == pytest.approx(rotation[:, 2], abs=1e-6)
    upright = measured(tmp_path, closed=False)
    np.testing.assert_allclose(shape.girths.girth_m, upright.girths.girth_m, rtol=1e-4)
    assert shape.volume_m3 == pytest.approx(upright.volume_m3, rel=1e-5)


def test_axis_and_end_can_be_said(tmp_path: Path) -> None:
    vertices, faces = limb()
    mesh = read_mesh(write_stl(tmp_path / "limb.stl", vertices, faces))
    flipped = shape_of(mesh, axis="z", flip=True)
    assert flipped.axis == (0.0, 0.0, -1.0)
    assert flipped.girths.girth_m[0] > flipped.girths.girth_m[-1]


@pytest.mark.parametrize(("scale", "unit"), [(1.0, "mm"), (1e-3, "m")])
def test_unit_found_from_the_size(tmp_path: Path, scale: float, unit: str) -> None:
    shape = measured(tmp_path, scale=scale)
    assert shape.girths.girth_m[-1] == pytest.approx(0.376, abs=2e-3)
    assert f"taken as {unit}" in shape.notes[0]


def test_unit_that_is_not_clear_is_asked_for(tmp_path: Path) -> None:
    vertices, faces = limb()
    path = write_stl(tmp_path / "limb.stl", vertices / 25.4, faces)
    with pytest.raises(InputError, match=r"9\.843, may be 9\.843 cm \(98 mm\) or 9\.843 in \(250 mm\): say which"):
        read_mesh(path)
    assert shape_of(read_mesh(path, "in")).girths.girth_m[-1] == pytest.approx(0.376, abs=2e-3)
    with pytest.raises(InputError, match=r"9\.843 mm .*expected 50 to 1600 mm; was 9\.843 cm .* or 9\.843 in .* meant"):
        read_mesh(path, "mm")


def test_open_mesh_says_where(tmp_path: Path) -> None:
    vertices, faces = limb()
    shape = shape_of(read_mesh(write_stl(tmp_path / "limb.stl", vertices, np.delete(faces, [1000, 1001], axis=0))))
    (hole,) = shape.holes
    assert not shape.sound
    assert 0.0 < hole.length_m < 0.1
    assert 0.02 < hole.level_m < 0.2


def test_edges_of_three_triangles_and_turned_ones(tmp_path: Path) -> None:
    vertices, faces = limb()
    fin = np.array([[faces[500, 0], faces[500, 1], len(vertices)]])
    shape = shape_of(
        read_mesh(
            write_stl(tmp_path / "a.stl", np.concatenate([vertices, [[90.0, 0, 100]]]), np.concatenate([faces, fin]))
        )
    )
    assert shape.bad_edges == 1
    turned = faces.copy()
    turned[600] = turned[600, ::-1]
    shape = shape_of(read_mesh(write_stl(tmp_path / "b.stl", vertices, turned)))
    assert (shape.bad_edges, shape.turned) == (0, 3)


def test_inside_out(tmp_path: Path) -> None:
    vertices, faces = limb()
    shape = shape_of(read_mesh(write_stl(tmp_path / "limb.stl", vertices, faces[:, ::-1])))
    assert shape.volume_m3 == pytest.approx(measured(tmp_path).volume_m3, rel=1e-6)
    assert any("inside out" in note for note in shape.notes)


def test_files_that_are_no_mesh(tmp_path: Path) -> None:
    for name, content, match in (
        ("limb.step", b"", r"limb\.step: expected a mesh as \.stl, \.obj, \.ply"),
        ("limb.stl", b"solid nothing\nendsolid nothing\n", r"limb\.stl"),
        ("cut.stl", b"\0" * 80 + b"\xff\xff\0\0" + b"\0" * 500, r"cut\.stl cannot be read as STL"),
        ("limb.ply", b"ply\nhello", r"limb\.ply cannot be read as PLY"),
    ):
        path = tmp_path / name
        path.write_bytes(content)
        with pytest.raises(InputError, match=match):
            shape_of(read_mesh(path))
    with pytest.raises(InputError, match="No such file"):
        read_mesh(tmp_path / "none.stl")


@pytest.mark.skipif(sys.platform == "win32", reason="peak memory is read the Unix way")
def test_many_triangles(tmp_path: Path) -> None:
    """In a process of its own; two million with PULLCUE_FULL_MESH, which took 6.3 s of one core and 0.68 GiB."""
    rows, around = (1000, 1001) if os.environ.get("PULLCUE_FULL_MESH") else (200, 250)
    write_stl(tmp_path / "big.stl", *limb(rows, around, squash=0.8))
    program = textwrap.dedent(
        """
        import resource, sys
        from pathlib import Path
        from logger.mesh_file import read_mesh
        from logger.mesh_shape import shape_of
        shape = shape_of(read_mesh(Path(sys.argv[1])))
        print(shape.triangles, resource.getrusage(resource.RUSAGE_SELF).ru_maxrss)
        """
    )
    done = subprocess.run(
        [sys.executable, "-c", program, str(tmp_path / "big.stl")], capture_output=True, text=True, check=True
    )
    triangles, peak_kib = map(int, done.stdout.split())
    assert triangles == 2 * rows * around
    assert peak_kib < 2 * 1024**2
