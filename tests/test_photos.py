"""`pullcue heats photo`: what is a photo is kept byte for byte, once; what is none is refused with its reason."""

from __future__ import annotations

import json
import sqlite3
from io import BytesIO
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result
from PIL import Image

from dashboard.commands import pullcue
from dashboard.photo import LARGEST_BYTES, media_type_of
from dashboard.shop import DEMO_FOLDER
from logger.store import open_store

KINDS = {"JPEG": ("image/jpeg", ".jpg"), "PNG": ("image/png", ".png"), "WEBP": ("image/webp", ".webp")}


def run(*words: str) -> Result:
    return CliRunner().invoke(pullcue, list(words))


def as_json(*words: str) -> Any:
    result = run(*words, "--json")
    assert result.exit_code == 0, result.output
    return json.loads(result.stdout)


def picture(kind: str, size: tuple[int, int] = (60, 40)) -> bytes:
    content = BytesIO()
    Image.effect_noise(size, 60).convert("RGB").save(content, kind)
    return content.getvalue()


@pytest.fixture
def store(tmp_path: Path) -> str:
    url = str(tmp_path / "shop.sqlite")
    assert run("import", str(next(DEMO_FOLDER.glob("heats/*.csv"))), "--store", url).exit_code == 0
    return url


@pytest.mark.parametrize("kind", KINDS)
def test_a_photo_goes_in_and_comes_out_as_it_was(kind: str, store: str, tmp_path: Path) -> None:
    media_type, end = KINDS[kind]
    path = tmp_path / "label of lot 7.bin"  # the name does not matter
    path.write_bytes(picture(kind))
    (kept,) = as_json("heats", "photo", "1", str(path), "--store", store)["photos"]
    assert kept == {"name": path.name, "media_type": media_type, "bytes": path.stat().st_size, "new": True}
    assert not as_json("heats", "photo", "1", str(path), "--store", store)["photos"][0]["new"]
    (tmp_path / "out").mkdir()
    (written,) = as_json("heats", "photo", "1", "--to", str(tmp_path / "out"), "--store", store)["photos"]
    assert Path(written["file"]).read_bytes() == path.read_bytes()
    assert Path(written["file"]).suffix == end
    assert (
        "nothing is written over" in run("heats", "photo", "1", "--to", str(tmp_path / "out"), "--store", store).stderr
    )
    (told,) = as_json("heats", "1", "--store", store)["photos"]
    assert (told["name"], told["media_type"]) == (path.name, media_type)
    assert f"Photo {path.name}, " in run("heats", "1", "--store", store).stdout


def test_several_at_once_are_all_kept_or_none(store: str, tmp_path: Path) -> None:
    good, bad = tmp_path / "a.png", tmp_path / "b.png"
    good.write_bytes(picture("PNG"))
    bad.write_bytes(b"no picture")
    assert run("heats", "photo", "1", str(good), str(bad), "--store", store).exit_code == 2
    assert "no photo is kept with it" in run("heats", "photo", "1", "--store", store).stdout
    bad.write_bytes(picture("JPEG"))
    assert len(as_json("heats", "photo", "1", str(good), str(bad), "--store", store)["photos"]) == 2


@pytest.mark.parametrize(
    ("content", "said"),
    {
        "text": (b"lot 0417", "this is no photo that can be kept: expected a photo as JPEG, PNG or WebP"),
        "empty": (b"", "no photo that can be kept"),
        "gif": (b"GIF89a" + bytes(50), "no photo that can be kept"),
        "script with the first bytes of a picture": (b"\xff\xd8\xff<script>", "the picture cannot be shown"),
        "cut short": (picture("JPEG")[:-200], "the picture cannot be shown"),
        "cut png": (picture("PNG")[:-500], "the picture cannot be shown"),
        "cut webp": (picture("WEBP")[:-300], "the picture cannot be shown"),
    }.values(),
)
def test_what_is_no_photo_is_refused(content: bytes, said: str, store: str, tmp_path: Path) -> None:
    path = tmp_path / "photo.jpg"
    path.write_bytes(content)
    result = run("heats", "photo", "1", str(path), "--store", store)
    assert result.exit_code == 2, result.output
    assert said in result.stderr
    assert result.stderr.count("\n") == 1


def test_too_large_and_missing(store: str, tmp_path: Path) -> None:
    path = tmp_path / "photo.jpg"
    with path.open("wb") as file:
        file.truncate(LARGEST_BYTES + 1)
    assert "expected at most 20 MB" in run("heats", "photo", "1", str(path), "--store", store).stderr
    assert "there is no such file" in run("heats", "photo", "1", str(tmp_path / "x.jpg"), "--store", store).stderr
    assert "this is a folder" in run("heats", "photo", "1", str(tmp_path), "--store", store).stderr
    path.write_bytes(picture("PNG"))
    assert "heat 9: there is none" in run("heats", "photo", "9", str(path), "--store", store).stderr
    assert "make it first" in run("heats", "photo", "1", "--to", str(tmp_path / "no"), "--store", store).stderr


@pytest.mark.parametrize("size", [(9_000, 9_000), (10_000, 9_000), (20_000, 10_000)])
def test_more_pixels_than_a_camera_has(size: tuple[int, int], store: str, tmp_path: Path) -> None:
    """A small file that would take gigabytes to show."""
    path = tmp_path / "bomb.png"
    Image.new("1", size).save(path)
    assert path.stat().st_size < 100_000
    result = run("heats", "photo", "1", str(path), "--store", store)
    assert "expected a picture of at most 80 million pixels" in result.stderr


def test_first_bytes() -> None:
    assert [media_type_of(picture(kind)) for kind in KINDS] == [media for media, _ in KINDS.values()]
    assert media_type_of(b"RIFF\x10\x00\x00\x00WAVE") is None


def test_a_photo_that_is_exchanged_in_the_store_is_seen(store: str, tmp_path: Path) -> None:
    path = tmp_path / "a.png"
    path.write_bytes(picture("PNG"))
    run("heats", "photo", "1", str(path), "--store", store)
    with sqlite3.connect(store) as connection:
        for (name,) in connection.execute("SELECT name FROM sqlite_schema WHERE type = 'trigger'").fetchall():
            connection.execute(f'DROP TRIGGER "{name}"')
        connection.execute("UPDATE attachments SET content = ? WHERE media_type = 'image/png'", (picture("PNG"),))
    connection.close()
    kept = open_store(f"sqlite:///{store}")
    (problem,) = kept.verify()
    kept.close()
    assert problem == "attachment a.png of heat 1 (link 2) was altered after it was recorded"
