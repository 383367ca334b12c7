"""Whether the program is its own, and how long the disk has room: the findings that are not about records."""

from __future__ import annotations

import json
from collections import namedtuple
from dataclasses import replace
from importlib.metadata import PathDistribution
from pathlib import Path

import pytest

from dashboard import disk_check
from dashboard.bench_check import Grade
from dashboard.disk_check import bytes_per_hour, disk_finding, hours_words
from dashboard.program_check import _digest, as_installed, program_finding
from dashboard.store_place import StorePlace
from logger.store import open_store
from store_data import run_of, second

Usage = namedtuple("Usage", "total used free")  # as shutil.disk_usage


def installed(folder: Path, editable: Path | None = None) -> PathDistribution:
    """A distribution as pip leaves one behind: packages, RECORD with hashes, METADATA."""
    files = {"dashboard/__init__.py": "", "dashboard/a.py": "A = 1\n", "logger/__init__.py": "", "thermal/x.toml": "y"}
    for name, text in files.items():
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        (folder / name).write_text(text, "utf-8")
    info = folder / "pullcue-1.2.3.dist-info"
    info.mkdir()
    (info / "METADATA").write_text("Metadata-Version: 2.1\nName: pullcue\nVersion: 1.2.3\n", "utf-8")
    rows = [] if editable else [f"{name},sha256={_digest(folder / name)},1" for name in files]
    (info / "RECORD").write_text("\n".join([*rows, "pullcue-1.2.3.dist-info/RECORD,,", ""]), "utf-8")
    if editable:
        (info / "direct_url.json").write_text(
            json.dumps({"url": editable.resolve().as_uri(), "dir_info": {"editable": True}}), "utf-8"
        )
        (editable / "pyproject.toml").write_text('[project]\nname = "pullcue"\nversion = "1.2.3"\n', "utf-8")
    return PathDistribution(info)


def test_files_as_installed(tmp_path: Path) -> None:
    found = as_installed(installed(tmp_path), tmp_path.resolve())
    assert (found.grade, found.found) == (Grade.FINE, "version 1.2.3; its 4 files are as installed")


@pytest.mark.parametrize(
    ("name", "text", "said"),
    [
        ("dashboard/a.py", "A = 2\n", "a.py is not as it was installed"),
        ("thermal/x.toml", "z", "x.toml is not as it was installed"),
        ("logger/__init__.py", None, "__init__.py was installed and is missing"),
        ("logger/sub/new.py", "B = 1\n", "new.py lies among its packages and was not installed"),
    ],
)
def test_files_that_were_changed(tmp_path: Path, name: str, text: str | None, said: str) -> None:
    distribution = installed(tmp_path)
    path = tmp_path / name
    path.parent.mkdir(exist_ok=True)
    if text is None:
        path.unlink()
    else:
        path.write_text(text, "utf-8")
    found = as_installed(distribution, tmp_path.resolve())
    assert found.grade is Grade.WRONG
    assert found.found.endswith(said)


def test_another_copy_is_installed(tmp_path: Path) -> None:
    found = as_installed(installed(tmp_path / "there"), (tmp_path / "here").resolve())
    assert found.grade is Grade.LOOK
    assert found.found.startswith(f"it runs from {tmp_path / 'here'}")


def test_a_folder_that_is_installed_as_it_lies_there(tmp_path: Path) -> None:
    folder = tmp_path / "source"
    folder.mkdir()
    distribution = installed(tmp_path / "env", folder)
    assert as_installed(distribution, folder.resolve()).grade is Grade.FINE
    assert as_installed(distribution, tmp_path.resolve()).grade is Grade.LOOK
    (folder / "pyproject.toml").write_text('[project]\nversion = "1.2.4"\n', "utf-8")
    found = as_installed(distribution, folder.resolve())
    assert (found.grade, found.found) == (Grade.WRONG, "installed is version 1.2.3, and its folder holds 1.2.4")


def test_this_program_is_its_own() -> None:
    assert program_finding().grade is not Grade.WRONG


# ---------------------------------------------------------------- disk


def test_the_rate_is_that_of_what_was_recorded(tmp_path: Path) -> None:
    """Against the growth of the file itself over ten minutes: within a third, as pages are not full."""
    path = tmp_path / "s.sqlite"
    store = open_store(f"sqlite:///{path}")
    assert bytes_per_hour(store) == (bytes_per_hour(None)[0], False)
    store.begin_run(run_of())
    store.add([second(at, columns=("a", "b", "c", "d", "e", "f")) for at in range(2)])
    store.close()
    before = path.stat().st_size
    store = open_store(f"sqlite:///{path}")
    store.add([second(at, columns=("a", "b", "c", "d", "e", "f")) for at in range(2, 602)])
    rate, measured = bytes_per_hour(store)
    assert measured
    other = replace(run_of("d" * 32), bench="bench_2")
    store.begin_run(other)
    store.add([second(at, other.id, "bench_2", ("a", "b", "c", "d", "e", "f")) for at in range(10)])
    assert bytes_per_hour(store)[0] == pytest.approx(2 * rate)
    store.close()
    assert rate == pytest.approx((path.stat().st_size - before) * 6, rel=0.35)


def test_room_in_hours(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    place = StorePlace(f"sqlite:///{tmp_path / 's.sqlite'}", tmp_path)
    an_hour = bytes_per_hour(None)[0]
    for hours, words, grade in (
        (10.0, "10 hours of recording day and night", Grade.WRONG),
        (160.0, "6 days of recording day and night", Grade.WRONG),
        (170.0, "1 week of recording day and night", Grade.FINE),
        (1700.0, "10 weeks of recording day and night", Grade.FINE),
    ):
        monkeypatch.setattr(disk_check, "disk_usage", lambda _, free=hours * an_hour: Usage(1, 1, free))
        found = disk_finding(place, None)
        assert (words in found.found, found.grade) == (True, grade), found
    assert hours_words(1.5) == "less than 2 hours of recording"
    server = disk_finding(StorePlace("postgresql+psycopg://h/d", tmp_path), None)
    assert "look after the server's own" in server.found
