"""A broken store is saved into a new file, nothing of it overwritten; how old the last backup is after a restore."""

from __future__ import annotations

import json
import os
import sqlite3
from pathlib import Path
from typing import Any

import pytest

from command_line import demo_store, run
from logger.store import Store


def as_json(*words: str, code: int = 0) -> Any:
    result = run(*words, "--json")
    assert result.exit_code == code, result.output
    return json.loads(result.stdout)


@pytest.fixture
def store(tmp_path: Path) -> Path:
    return Path(demo_store(tmp_path / "shop.sqlite"))


def damage(path: Path) -> bytes:
    """Zero a tenth of the pages in the middle of the file; what it holds then."""
    content = bytearray(path.read_bytes())
    half = len(content) // 2 // 4096 * 4096
    content[half : half + len(content) // 40960 * 4096] = bytes(len(content) // 40960 * 4096)
    path.write_bytes(content)
    return bytes(content)


def test_a_damaged_store_is_saved_and_not_touched(store: Path, tmp_path: Path) -> None:
    before = damage(store)
    told = as_json("backup", str(tmp_path / "saved"), "--salvage", "--store", str(store), code=1)
    assert store.read_bytes() == before
    assert (told["heats"], told["kept"]["heats"]) == (3, 3)
    assert told["lost"]
    report = Path(told["report"]).read_text("utf-8")
    assert all(one in report for one in told["lost"])
    assert as_json("heats", "--store", told["saved"])["count"] == 3
    # Twice gives two files.
    again = as_json("backup", str(tmp_path / "saved"), "--salvage", "--store", str(store), code=1)
    assert again["saved"] != told["saved"]
    assert again["kept"] == told["kept"]


def test_what_was_saved_is_put_back_only_when_that_is_said(store: Path, tmp_path: Path) -> None:
    broken = damage(store)
    saved = as_json("backup", str(tmp_path / "saved"), "--salvage", "--store", str(store), code=1)["saved"]
    refused = run("backup", saved, "--restore", "--store", str(store))
    assert refused.exit_code == 2
    assert "put this one back with --damaged" in refused.stderr
    assert store.read_bytes() == broken
    told = as_json("backup", saved, "--restore", "--damaged", "--store", str(store), code=1)
    assert told["problems"]
    assert Path(told["set_aside"]).read_bytes() == broken
    assert as_json("heats", "--store", str(store))["backup"] == "never backed up"  # what was saved is no backup
    # A folder with both: the backup is taken, never what was saved.
    assert run("backup", str(tmp_path / "saved"), "--restore", "--store", str(store)).exit_code == 2


def test_a_sound_store_loses_nothing(store: Path, tmp_path: Path) -> None:
    told = as_json("backup", str(tmp_path / "saved"), "--salvage", "--store", str(store))
    assert (told["lost"], told["report"], told["heats"]) == ([], None, 3)
    assert "Nothing was lost: the chain of records is whole." in told["words"]
    assert [path.suffix for path in (tmp_path / "saved").iterdir()] == [".sqlite"]


def test_nothing_half_is_left_behind(store: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def cut(*_: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(Store, "index_anew", cut)
    assert run("backup", str(tmp_path / "s"), "--salvage", "--store", str(store)).exit_code == 130
    assert list((tmp_path / "s").iterdir()) == []
    monkeypatch.setattr(Store, "links", cut)
    assert run("export", "--all", "--to", str(tmp_path / "x" / "all"), "--store", str(store)).exit_code == 130
    assert list((tmp_path / "x").iterdir()) == []


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--salvage", "--restore"), "either --restore or --salvage"),
        (("--damaged",), "--damaged: expected with --restore only"),
        (("--salvage", "--store", "postgresql+psycopg://u:secret@h/d"), "salvage reads SQLite files"),
    ],
)
def test_refused(words: tuple[str, ...], said: str, store: Path, tmp_path: Path) -> None:
    given = words if "--store" in words else (*words, "--store", str(store))
    result = run("backup", str(tmp_path / "b"), *given)
    assert (result.exit_code, result.stderr.count("\n")) == (2, 1), result.output
    assert said in result.stderr
    assert "secret" not in result.output


def test_a_file_that_is_no_store_is_saved_as_empty_at_most(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("logger.copies._MOST_PROBES", 6_000)  # the file is small
    path = tmp_path / "x.sqlite"
    path.write_bytes(os.urandom(5000))
    before = path.read_bytes()
    result = run("backup", str(tmp_path / "s"), "--salvage", "--store", str(path))
    assert result.exit_code in (1, 2), result.output
    assert path.read_bytes() == before


def test_after_a_restore_the_last_backup_is_the_one_put_back(store: Path, tmp_path: Path) -> None:
    made = as_json("backup", str(tmp_path / "b"), "--store", str(store))["backup"]
    as_json("heats", "outcome", "1", "accepted", "--by", "AB", "--store", str(store))
    later = as_json("backup", str(tmp_path / "b2"), "--store", str(store))["backup"]
    as_json("backup", made, "--restore", "--store", str(store))
    words = as_json("heats", "--store", str(store))["backup"]
    assert made in words
    assert later not in words
    # The backup of an older day counts from that day, whatever is done with the file.
    old = tmp_path / "pullcue-20200102-030405Z.sqlite"
    Path(made).replace(old)
    as_json("backup", str(old), "--restore", "--store", str(store))
    with sqlite3.connect(store) as connection:
        (newest,) = connection.execute("SELECT at_utc_ms FROM backups ORDER BY seq DESC LIMIT 1").fetchone()
    connection.close()
    assert newest == 1_577_934_245_000  # 2020-01-02 03:04:05 UTC
    findings = json.loads(run("check", "--store", str(store), "--json").stdout)["findings"]
    (backup,) = [one for one in findings if one["about"] == "backup"]
    assert backup["grade"] == "wrong"
