"""`pullcue choose` as its user meets it: text, JSON, pattern and work card, and what it says to bad molds."""

from __future__ import annotations

import json
import re
import tomllib
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from click.testing import CliRunner, Result

from dashboard import demo_mold
from dashboard.commands import pullcue
from dashboard.equipment import equipment_of
from dashboard.mold_file import read_mold
from dashboard.pattern_drawing import outline_mm
from dashboard.shop import DEMO_FOLDER, read_shop
from mold_meshes import limb, write_stl
from thermal.blank import draped_blank
from thermal.fields import InputError
from thermal.mold import meridian

MOLD = str(DEMO_FOLDER / "molds" / "below-knee.toml")


def run(*words: str) -> Result:
    return CliRunner().invoke(pullcue, ["choose", *words])


def said(*words: str) -> dict[str, Any]:
    done = run(*words, "--json")
    assert done.exit_code == 0, done.output
    found: dict[str, Any] = json.loads(done.output)
    return found


@pytest.fixture(scope="module")
def bubble(tmp_path_factory: pytest.TempPathFactory) -> tuple[Result, Path]:
    card = tmp_path_factory.mktemp("card") / "card.svg"
    return run("--mold", MOLD, "--polymer", "hdpe", "--wall-mm", "5", "--oven", "north", "--card", str(card)), card


def test_bubble_in_words(bubble: tuple[Result, Path]) -> None:
    done, card = bubble
    assert done.exit_code == 0, done.output
    assert done.output.startswith("Pull a bubble: ")
    for needed in (
        "Blank", "Drop", "Thinnest", "Stretch", "Core cold", "24 hours on the mold, the instruction that stands",
        "not this tool's advice", "Cautions", f"Work card written to {card}",
    ):  # fmt: skip
        assert needed in " ".join(done.output.split())


def test_the_example_of_the_document_is_what_comes_out(bubble: tuple[Result, Path]) -> None:
    text = (DEMO_FOLDER.parents[1] / "docs" / "choosing.md").read_text("utf-8")
    (toml,) = re.findall(r"^```toml\n(.*?)^```", text, re.MULTILINE | re.DOTALL)
    assert tomllib.loads(toml) == tomllib.loads(Path(MOLD).read_text("utf-8"))
    (answer,) = re.findall(r"^The first lines are the answer:\n\n((?:    .*\n)+)", text, re.MULTILINE)
    shown = [line.strip() for line in bubble[0].output.splitlines()]
    assert [line.strip() for line in answer.splitlines() if line.strip() not in shown] == []


def test_work_card_is_one_page_with_everything(bubble: tuple[Result, Path]) -> None:
    svg = bubble[1].read_text(encoding="utf-8")
    assert svg.count("<svg ") == 1
    height = float(re.search(r'height="([0-9.]+)pt"', svg)[1])  # type: ignore[index]
    assert height == pytest.approx(297.0 / 25.4 * 72.0, rel=1e-3)  # A4
    comments = " ".join(re.findall(r"<!-- (.*?) -->", svg))
    for needed in (
        "Work card",
        "Oven north, set to 185 °C. Pull by the drop, from 140 mm to 175 mm",
        "Pull a bubble",
        "Take",
        "Wall by level",
        "Oven to demolding",
        "Check before",
        "Cautions",
        "Sheet lot",
    ):
        assert needed in comments
    # Each text is placed by a translation: the lowest one still lies on the page.
    lowest = max(float(y) for y in re.findall(r"translate\([0-9.]+ ([0-9.]+)\)", svg))
    assert lowest < height - 15.0


def test_a_sheet_without_a_window_is_warned_of() -> None:
    found = said("--mold", MOLD, "--polymer", "pp-homopolymer", "--wall-mm", "5", "--oven", "north", "--set-c", "160")
    assert found["heat"]["window"]["opens_s"] is None
    assert found["warnings"][0] == "This sheet has no window in oven north: do not heat it so"
    assert found["line"][0][1].startswith("Do not heat this: no window. ")


def test_card_of_a_long_mold_stays_on_its_page(tmp_path: Path) -> None:
    level = np.arange(20, 700, 20)
    girth = 200.0 + 0.2 * level
    mold, card = tmp_path / "leg.csv", tmp_path / "card.svg"
    rows = "".join(f"{a},{b:.1f}\n" for a, b in zip(level, girth, strict=True))
    mold.write_text("level_mm,girth_mm\n" + rows, encoding="utf-8")
    words = ["--mold", str(mold), "--polymer", "petg", "--gauge-mm", "12", "--opening-mm", "400", "--card", str(card)]
    done = run(*words, "--rack-mm", "400", "--units", "us", "--oven", "north")
    assert done.exit_code == 0, done.output
    svg = card.read_text(encoding="utf-8")
    height = float(re.search(r'height="([0-9.]+)pt"', svg)[1])  # type: ignore[index]
    assert height == pytest.approx(792.0)  # US letter, since inches are shown
    assert max(float(y) for y in re.findall(r"translate\([0-9.]+ ([0-9.]+)\)", svg)) < height - 15.0


def test_drape_as_json_with_its_pattern(tmp_path: Path) -> None:
    pattern = tmp_path / "pattern.svg"
    found = said("--mold", MOLD, "--polymer", "pp-homopolymer", "--wall-mm", "3", "--pattern", str(pattern))
    assert found["method"] == "drape"
    assert found["gauge_mm"] == 4.0
    blank = found["drape"]
    assert len(blank["pattern"]["along_mm"]) == len(blank["pattern"]["width_mm"]) == 9
    assert found["cooling"]["shortening_is_advised"] is False
    assert found["cooling"]["standing_instruction_s"] == 86400.0
    low, high = found["cooling"]["interval_s"]
    assert low < found["cooling"]["core_below_demold_s"] < high < 86400.0
    assert found["heat"] is None
    assert found["mold"]["length_mm"] == 210.0
    # Drawn to scale: the picture is as large as the blank and 15 mm around it, in points of 1/72 inch.
    head = pattern.read_text(encoding="utf-8")[:2000]
    width, height = (float(re.search(rf'{side}="([0-9.]+)pt"', head)[1]) for side in ("width", "height"))  # type: ignore[index]
    assert width / 72.0 * 25.4 == pytest.approx(blank["breadth_mm"] + 30.0, abs=0.1)
    assert height / 72.0 * 25.4 == pytest.approx(blank["length_mm"] + 30.0, abs=0.1)


def test_pattern_as_pages(tmp_path: Path) -> None:
    pattern = tmp_path / "pattern.pdf"
    done = run("--mold", MOLD, "--polymer", "pp-homopolymer", "--gauge", "1/8in", "--pattern", str(pattern))
    assert done.exit_code == 0, done.output
    boxes = re.findall(rb"/MediaBox \[ 0 0 ([0-9.]+) ([0-9.]+) \]", pattern.read_bytes())
    large, *a4 = [(float(w) / 72.0 * 25.4, float(h) / 72.0 * 25.4) for w, h in boxes]
    assert len(a4) >= 4
    assert all(page == pytest.approx((210.0, 297.0), abs=0.1) for page in a4)
    assert large[0] > 300.0


def test_outline_is_closed_and_as_wide_as_the_blank() -> None:
    mold = read_mold(Path(MOLD)).mold
    blank = draped_blank(mold, 0.004)
    x, y = outline_mm(blank)
    assert (x[0], y[0]) == (x[-1], y[-1])
    assert max(x) - min(x) == pytest.approx(1e3 * blank.breadth_m)
    assert max(y) == pytest.approx(1e3 * blank.length_m)


def test_mesh_gives_sectors_and_its_measures(tmp_path: Path) -> None:
    vertices, faces = limb(around=32, along=30, squash=0.8)
    path = write_stl(tmp_path / "limb.stl", vertices, faces)
    found = said("--mold", str(path), "--polymer", "petg", "--gauge-mm", "6", "--opening-mm", "300", "--drop-mm", "120")
    assert found["mold"]["mesh"]["sound"] is True
    assert found["mold"]["mesh"]["triangles"] == len(faces)
    assert len(found["sectors"]) == 8
    thinnest = [one["thinnest"]["wall_mm"] for one in found["sectors"]]
    assert max(thinnest) > min(thinnest)
    assert any("taken as mm" in note for note in found["notes"])
    text = run("--mold", str(path), "--polymer", "petg", "--gauge-mm", "6", "--opening-mm", "300", "--drop-mm", "120")
    words = " ".join(text.output.split())
    assert f"Sectors thinnest {min(thinnest):.1f} mm in sector" in words
    # The limb is wider along x: each sector is named by where it lies, and the wider ones come out thinner.
    names = [one["sector"] for one in found["sectors"]]
    assert sorted(name[3:-1] for name in names) == sorted(["+x", "+x +y", "+y", "-x +y", "-x", "-x -y", "-y", "+x -y"])
    by_name = {one["sector"][3:-1]: one["thinnest"]["wall_mm"] for one in found["sectors"]}
    assert by_name["+x"] == pytest.approx(by_name["-x"], rel=0.01)
    assert by_name["+y"] == pytest.approx(by_name["-y"], rel=0.01)
    assert by_name["+x"] != pytest.approx(by_name["+y"], rel=0.02)
    for name, one in zip(names, found["sectors"], strict=True):
        low, high = one["thinnest"]["interval_mm"]
        thin = f"thinnest {one['thinnest']['wall_mm']:.1f} mm (90 of 100: {low:.1f} mm to {high:.1f} mm)"
        assert f"Sector {name} {thin}" in words
    assert "as if the whole mold were round with that sector's radius" in words


@pytest.mark.parametrize(
    ("content", "match"),
    [
        ("level_mm = [30, 60]\ngirth_mm = [200, -5]\n", "girth -5 mm at level 60 mm: expected a number above 0"),
        ("level_mm = [60, 30]\ngirth_mm = [200, 250]\n", "level 30 mm stands after 60 mm"),
        ("level_mm = [30, 60]\ngirth_mm = [8, 13]\n", "13 in (330 mm) meant"),
        ("level = [30, 60]\ngirth = [200, 250]\n", "girth_mm is missing"),
    ],
)
def test_bad_girths(tmp_path: Path, content: str, match: str) -> None:
    path = tmp_path / "limb.toml"
    path.write_text(content, encoding="utf-8")
    with pytest.raises(InputError, match=re.escape(match)):
        read_mold(path)


def test_open_mesh_is_measured_and_its_hole_said(tmp_path: Path) -> None:
    vertices, faces = limb()
    path = write_stl(tmp_path / "limb.stl", vertices, np.delete(faces, [1000, 1001], axis=0))
    notes = read_mold(path).notes
    assert any(re.search(r"Mesh: a hole \d+ mm around, \d+ mm from the distal end", note) for note in notes)


@pytest.mark.parametrize(
    ("words", "match"),
    [
        (["--wall-mm", "5", "--pattern", "x.png"], "expected a name that ends in .svg or .pdf"),
        (["--wall-mm", "5", "--card", "x.doc"], "expected a name that ends in .pdf or .svg or .png"),
        (["--wall-mm", "50"], "--wall-mm 50: expected"),
        (["--gauge-mm", "4", "--gauge", "4mm"], "give either --gauge-mm or --gauge"),
        ([], "expected a wall that is wanted or a gauge"),
        (["--wall-mm", "5", "--unit", "mm"], "unit, axis and flip are for meshes"),
        (["--wall-mm", "5", "--oven-mm", "600"], "expected two sides as 600x500"),
        (["--gauge-mm", "10", "--pattern", "x.svg"], "cannot be draped with that sheet"),
    ],
)
def test_refusals(words: list[str], match: str) -> None:
    done = run("--mold", MOLD, "--polymer", "pp-homopolymer", *words)
    assert done.exit_code != 0
    assert match in (done.output if done.exception is None else f"{done.output}{done.exception}")


def test_equipment_of_a_shop(tmp_path: Path) -> None:
    demo = equipment_of(read_shop(DEMO_FOLDER))
    assert demo.openings_m == ((0.25,), (0.3,), (0.3, 0.4))
    assert demo.oven_m == pytest.approx((0.9, 0.7))
    (tmp_path / "shop.toml").write_text('name = "Test"\n', encoding="utf-8")
    shop = read_shop(tmp_path)
    assert equipment_of(shop).openings_m == ()
    for line, match in (
        ("openings_mm = [300]", r"openings_mm = \[300\]: expected a list of openings as texts"),
        ("rack_mm = 2", r"rack_mm = 2: expected"),
        ("racks_mm = 200", r"racks_mm = 200 is not known"),
    ):
        (tmp_path / "equipment.toml").write_text(line + "\n", encoding="utf-8")
        with pytest.raises(InputError, match=match):
            equipment_of(shop)


def test_the_demo_mold_as_a_mesh_gives_its_girths_back(tmp_path: Path) -> None:
    path = tmp_path / "limb.stl"
    demo_mold.main([str(path)])
    mold, scanned = read_mold(Path(MOLD)).mold, read_mold(path)
    assert scanned.shape is not None
    assert scanned.shape.sound
    assert scanned.shape.open_end
    # A polygon of 96 sides is 0.02 % under its circle; float32 and straight lines between rings add to it.
    levels = np.array(scanned.mold.level_m[1:])
    np.testing.assert_allclose(scanned.mold.girth_m[1:], mold.girth_at(levels), rtol=2e-3)
    assert scanned.shape.volume_m3 == pytest.approx(meridian(mold).volume_m3, rel=2e-3)
    with pytest.raises(InputError, match="name of a file"):
        demo_mold.main(["limb.txt"])
