"""What is written reaches the disk itself."""

from __future__ import annotations

import os
import sys
from pathlib import Path

import pytest

from logger import disk


@pytest.mark.skipif(os.name == "nt", reason="Windows has no module fcntl that could stand for macOS's")
@pytest.mark.parametrize("knows", [True, False])
def test_macos_is_asked_for_more_than_a_sync(knows: bool, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Apple's manual page of fsync: the disk may keep it in its own memory, F_FULLFSYNC writes it out."""
    import fcntl

    asked: list[object] = []

    def request(_descriptor: int, what: int) -> int:
        asked.append(what)
        if not knows:
            raise OSError(45, "Operation not supported")
        return 0

    monkeypatch.setattr(sys, "platform", "darwin")
    monkeypatch.setattr(fcntl, "F_FULLFSYNC", 51, raising=False)
    monkeypatch.setattr(fcntl, "fcntl", request)
    monkeypatch.setattr(os, "fsync", lambda _descriptor: asked.append("fsync"))
    with (tmp_path / "x").open("wb") as file:
        disk.sync(file.fileno())
    assert asked == ([51] if knows else [51, "fsync"])


def test_elsewhere_a_sync_is_a_sync(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    asked: list[int] = []
    monkeypatch.setattr(sys, "platform", "linux")
    monkeypatch.setattr(os, "fsync", asked.append)
    with (tmp_path / "x").open("wb") as file:
        disk.sync(file.fileno())
        assert asked == [file.fileno()]


def test_a_folder_is_made_with_those_above_it(tmp_path: Path) -> None:
    disk.make_folder(tmp_path / "a" / "b" / "c")
    disk.make_folder(tmp_path / "a" / "b" / "c")
    assert (tmp_path / "a" / "b" / "c").is_dir()
