"""A backup put back: never below a recorder that runs, and never half."""

from __future__ import annotations

import sqlite3
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from dashboard.commands import backup_restore, pullcue
from logger.filelock import FileLock
from logger.store import open_store, restore
from store_data import filled


def run(*words: str) -> Result:
    return CliRunner().invoke(pullcue, list(words))


@pytest.fixture
def store(tmp_path: Path) -> Path:
    """A store with one heat, backed up into the folder 'b'."""
    path = tmp_path / "shop.sqlite"
    kept = open_store(f"sqlite:///{path}")
    filled(kept)
    kept.close()
    assert run("backup", str(tmp_path / "b"), "--store", str(path)).exit_code == 0
    return path


def put_back(store: Path) -> Result:
    return run("backup", str(store.parent / "b"), "--restore", "--store", str(store))


def test_a_recorder_keeps_the_store_it_writes_though_that_is_damaged(store: Path) -> None:
    """Who records cannot be asked of a damaged store; the lock of the spool tells all the same."""
    content = store.read_bytes()
    store.write_bytes(content[: len(content) // 2])
    (store.parent / "spool" / "north-bench").mkdir(parents=True)
    lock = FileLock(store.parent / "spool" / "north-bench" / "lock", "")
    result = put_back(store)
    assert result.exit_code == 2
    assert "the bench is recorded now: end its recorder with Ctrl-C, then restore" in result.stderr
    assert store.read_bytes() == content[: len(content) // 2]
    lock.close()
    assert put_back(store).exit_code == 0
    FileLock(store.parent / "spool" / "north-bench" / "lock", "it was not let go of").close()


def test_a_store_that_is_locked_is_not_exchanged(store: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("logger.engine._PATIENCE_S", 0.1)
    with sqlite3.connect(store, isolation_level=None) as other:
        other.execute("PRAGMA locking_mode = EXCLUSIVE")
        other.execute("BEGIN EXCLUSIVE")
        result = put_back(store)
    other.close()
    assert result.exit_code == 2
    assert "locked" in result.stderr
    assert sorted(path.name for path in store.parent.glob("*before*")) == []


def test_what_goes_wrong_half_way_leaves_the_store_as_it_was(store: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def half(backup: Path, url: str) -> None:
        restore(backup, url)
        raise OSError(28, "No space left on device")

    before = store.read_bytes()
    names = {path.name for path in store.parent.iterdir()}
    monkeypatch.setattr("logger.store.restore", half)
    assert put_back(store).exit_code == 2
    assert store.read_bytes() == before
    assert {path.name for path in store.parent.iterdir()} - names <= {f"{store.name}-shm", f"{store.name}-wal"}


def test_the_newest_backup_of_a_folder_is_meant(tmp_path: Path) -> None:
    for name in ("pullcue-20260101-000000Z.sqlite", "pullcue-20260301-000000Z.sqlite", "saved-20270101-000000Z.sqlite"):
        (tmp_path / name).touch()
    assert backup_restore._newest(tmp_path).name == "pullcue-20260301-000000Z.sqlite"


def test_an_empty_file_is_no_store_without_heats(tmp_path: Path) -> None:
    """A store that was cut short to nothing must not look like one in which nothing was recorded yet."""
    path = tmp_path / "shop.sqlite"
    path.touch()
    for words in (("heats",), ("export", "--all", "--to", str(tmp_path / "x")), ("backup", str(tmp_path / "b"))):
        result = run(*words, "--store", str(path))
        assert (result.exit_code, path.stat().st_size) == (2, 0), words
        assert "the file is empty: it was cut short" in result.stderr
    result = run("check", "--store", str(path))
    assert result.exit_code == 1
    assert "WRONG  store: " in result.stdout
    assert "delete the file" in result.stdout
    assert path.stat().st_size == 0
