"""A whole-store export read back in: the same chain, hash by hash; what was altered in between is refused."""

from __future__ import annotations

import csv
import hashlib
import json
import shutil
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from click.testing import CliRunner, Result

import postgres_server
from dashboard.commands import pullcue
from logger.records import NOT_SAMPLED, Correction, HeatRecord, Mark, StartMove
from logger.store import Store, open_store
from store_data import BEGAN_MS, BENCH, FORM, RUN, id_of, run_of, second

#: What a spreadsheet, a CSV reader or a careless writer would trip over.
NASTY = ("=1+1", "'=x", "''@y", '"quoted", and, commas', "two\nlines", "lone\rreturn", "\tx", "-3.0", "+", " pad ", "ü")


def run(*words: str) -> Result:
    return CliRunner().invoke(pullcue, list(words))


def ok(*words: str) -> Any:
    result = run(*words, "--json")
    assert result.exit_code == 0, result.output
    return json.loads(result.stdout)


def mark(number: int, at_s: float, name: str, note: str = "", undoes: str | None = None, run: str = RUN) -> Mark:
    return Mark(id_of(number), BENCH, run, at_s, BEGAN_MS + round(1000 * at_s), name, "AB", note, undoes=undoes)


def fill(store: Store) -> None:
    """Everything that a store can hold, late and odd entries among it."""
    store.begin_run(run_of())
    odd = second(7, columns=("air_1_c", "raw:board/=tc"))
    odd.values[1:4, 0] = (-0.0, 1e-300, 0.1 + 0.2)
    odd.states[5, 1] = NOT_SAMPLED
    store.add([second(at) for at in range(7)], [mark(n, 1.0 + n, "line_1", text) for n, text in enumerate(NASTY, 100)])
    store.add([odd, *(second(at) for at in range(8, 30) if at != 12)], [mark(1, 2.5, "door_closed")])
    first = store.begin_heat(HeatRecord(0, id_of(1), BENCH, RUN, 4.5, BEGAN_MS + 4500, form=FORM))
    store.move_start(first.id, 3.25, "=AB", "start marked")
    store.attach(first.id, "photo =1.jpg", b"\xff\xd8\xff\x00", "image/jpeg")
    store.finish_heat(first.id, 20.0, "finished", "=good")
    store.add([second(12)], [mark(2, 15.0, "late"), mark(3, 22.0, "undo", undoes=id_of(2))])
    store.attach(first.id, "later.csv", b"time_s,core_c\r\n0,20\r\n", "text/csv")
    for number, text in enumerate(NASTY, 200):
        notes = store.heat(first.id).form.notes
        old, new = json.dumps(notes, ensure_ascii=False), json.dumps(text, ensure_ascii=False)
        store.correct(Correction(id_of(number), first.id, BEGAN_MS, text, text, "notes", old, new))
    store.begin_heat(HeatRecord(0, id_of(5), BENCH, RUN, 21.0, BEGAN_MS + 21_000))
    store.finish_heat(id_of(5), 25.0, "aborted")
    store.end_run(RUN, "interrupted", BEGAN_MS + 31_000)
    other = replace(run_of("b" * 32), started_utc_ms=BEGAN_MS + 60_000)
    store.begin_run(other)
    store.add([second(0, other.id), second(1, other.id)], [mark(9, 0.5, "undo", undoes=id_of(1), run=other.id)])
    store.begin_heat(HeatRecord(0, id_of(6), BENCH, other.id, 0.5, BEGAN_MS + 60_500, form=FORM))


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A full store, and beside it its export as CSV."""
    path = tmp_path_factory.mktemp("made") / "full.sqlite"
    store = open_store(f"sqlite:///{path}")
    fill(store)
    assert store.verify() == []
    store.close()
    ok("export", "--all", "--to", str(path.parent / "x"), "--format", "csv", "--store", str(path))
    return path


@pytest.fixture
def full(made: Path, tmp_path: Path) -> Path:
    return Path(shutil.copy(made, tmp_path))


@pytest.fixture
def exported(made: Path, tmp_path: Path) -> Path:
    """The full store as CSV, to be altered."""
    return shutil.copytree(made.parent / "x", tmp_path / "x")


def must_be_equal(one: Path | str, other: Path | str) -> None:
    """Every value of two stores is the same, to the bit."""
    urls = (place if isinstance(place, str) else f"sqlite:///{place}" for place in (one, other))
    first, second_ = map(open_store, urls)
    try:
        assert first.runs() == second_.runs()
        assert first.links() == second_.links()
        assert first.heats(as_recorded=True) == second_.heats(as_recorded=True)
        assert first.heats() == second_.heats()
        for run_ in first.runs():
            assert first.blocks(BENCH, run_.id) == second_.blocks(BENCH, run_.id)
            assert first.marks(BENCH, run_.id) == second_.marks(BENCH, run_.id)
        for heat in first.heats():
            assert first.corrections(heat.id) == second_.corrections(heat.id)
            assert first.start_moves(heat.id) == second_.start_moves(heat.id)
            assert first.attachments(heat.id) == second_.attachments(heat.id)
        assert second_.verify() == []
    finally:
        first.close()
        second_.close()


@pytest.mark.parametrize("kind", ["csv", "parquet", "both"])
def test_an_export_comes_back_hash_by_hash(full: Path, tmp_path: Path, kind: str) -> None:
    folder, new = tmp_path / "export", tmp_path / "new.sqlite"
    ok("export", "--all", "--to", str(folder), "--format", kind, "--store", str(full))
    (told,) = ok("import", str(folder), "--store", str(new))["exports"]
    assert told["same_chain"]
    assert told["heats"] == [{"was": n, "number": n, "new": True} for n in (1, 2, 3)]
    must_be_equal(full, new)
    assert [one["new"] for one in ok("import", str(folder), "--store", str(new))["exports"][0]["heats"]] == [False] * 3
    must_be_equal(full, new)


def test_to_a_server_and_back(full: Path, tmp_path: Path) -> None:
    """From a file into PostgreSQL and out of it again; the disk and who records are known there, too."""
    programs = postgres_server.programs()
    if programs is None:
        pytest.skip("needs PostgreSQL (apt-get install postgresql): its initdb and pg_ctl were not found")
    server = postgres_server.Postgres(programs)
    try:
        url, there, back = server.url("moved"), tmp_path / "there", tmp_path / "back"
        ok("export", "--all", "--to", str(there), "--format", "csv", "--store", str(full))
        assert ok("import", str(there), "--store", url)["exports"][0]["same_chain"]
        must_be_equal(full, url)
        ok("export", "--all", "--to", str(back), "--format", "csv", "--store", url)
        names = sorted(path.name for path in there.glob("*.csv"))
        assert names == sorted(path.name for path in back.glob("*.csv"))
        assert [name for name in names if (there / name).read_bytes() != (back / name).read_bytes()] == []
        store = open_store(url)
        assert store.recorders(BEGAN_MS) == []
        rate = store.recording_rate()
        store.close()
        local = open_store(f"sqlite:///{full}")
        assert rate == local.recording_rate()
        local.close()
    finally:
        server.close()


def test_minus_zero_keeps_its_sign(exported: Path, tmp_path: Path) -> None:
    ok("import", str(exported), "--store", str(tmp_path / "new.sqlite"))
    store = open_store(f"sqlite:///{tmp_path / 'new.sqlite'}")
    (block,) = store.blocks(BENCH, RUN, 7.0, 7.5)
    store.close()
    assert np.signbit(block.values[1, 0])
    assert block.values[3, 0].hex() == (0.1 + 0.2).hex()


def test_apostrophes_stand_before_what_would_run(exported: Path) -> None:
    for path in exported.glob("*.csv"):
        with path.open(encoding="utf-8", newline="") as file:
            for row in csv.reader(file):
                texts = [cell for cell in row if cell.startswith(("=", "+", "-", "@", "\t", "\r"))]
                assert [cell for cell in texts if not cell.lstrip("-").replace(".", "", 1).isdigit()] == [], path.name


def test_into_a_store_that_holds_others_heats(full: Path, tmp_path: Path) -> None:
    other = tmp_path / "other.sqlite"
    store = open_store(f"sqlite:///{other}")
    store.begin_run(run_of("c" * 32))
    store.begin_heat(HeatRecord(0, id_of(77), BENCH, "c" * 32, 0.0, BEGAN_MS))
    store.finish_heat(id_of(77), 5.0, "finished")
    store.close()
    ok("export", "--all", "--to", str(tmp_path / "x"), "--store", str(full))
    words = run("import", str(tmp_path / "x"), "--store", str(other)).stdout
    assert "3 heats kept, 0 were there already; 3 have another number here: 1 is now 2, 2 is now 3, 3 is now 4" in words
    store = open_store(f"sqlite:///{other}")
    assert store.verify() == []
    assert store.start_moves(id_of(1)) == [StartMove(id_of(1), 4.5, 3.25, "=AB", "start marked")]
    assert store.heat(2).form.notes == NASTY[-1]
    store.close()


def _in_table(folder: Path, name: str, old: str, new: str) -> None:
    path, sums = folder / name, folder / "SHA256SUMS"
    text, before = path.read_bytes().decode(), hashlib.sha256(path.read_bytes()).hexdigest()
    assert old in text
    path.write_bytes(text.replace(old, new, 1).encode())
    after = hashlib.sha256(path.read_bytes()).hexdigest()
    sums.write_text(sums.read_text("utf-8").replace(before, after), "utf-8")


@pytest.mark.parametrize(
    ("name", "old", "new"),
    {
        "a gauge": ("records.csv", '""gauge_mm"": 6.0', '""gauge_mm"": 5.0'),
        "a state": ("records.csv", '"aborted"', '"finished"'),
        "a mark": ("marks.csv", '"late"', '"later"'),
        "a reason": ("corrections.csv", " pad ", "pad"),
        "a sample": (f"samples-{RUN}-0000.csv", "\n10.0,", "\n10.001,"),
        "a link": ("chain.csv", '"correction"', '"attachment"'),
        "a removed heat": ("chain.csv", f'"heat","{id_of(5)}"', '"heat","gone"'),
    }.values(),
)
def test_what_does_not_fit_the_chain_is_refused(exported: Path, tmp_path: Path, name: str, old: str, new: str) -> None:
    """Though the list of hashes was altered as well."""
    store = tmp_path / "new.sqlite"
    _in_table(exported, name, old, new)
    result = run("import", str(exported), "--store", str(store))
    assert result.exit_code == 2, result.output
    assert result.stderr.count("\n") == 1
    assert "not what was exported" in result.stderr
    kept = open_store(f"sqlite:///{store}")
    assert (kept.count(), kept.runs()) == (0, [])
    kept.close()


def test_a_changed_or_missing_file_is_refused(exported: Path, tmp_path: Path) -> None:
    folder = exported
    photo = next((folder / "files").iterdir())
    before = photo.read_bytes()
    photo.write_bytes(before + b"x")
    assert "not what was exported" in run("import", str(folder), "--store", str(tmp_path / "n.sqlite")).stderr
    marks = folder / "marks.csv"
    table = marks.read_bytes()
    marks.write_bytes(table.replace(b"\n", b"\r\n"))
    assert "not what was exported" in run("import", str(folder), "--store", str(tmp_path / "n.sqlite")).stderr
    marks.write_bytes(table)
    photo.unlink()
    assert "lacks this file" in run("import", str(folder), "--store", str(tmp_path / "n.sqlite")).stderr
    photo.write_bytes(before)
    marks.unlink()
    assert "lacks this file" in run("import", str(folder), "--store", str(tmp_path / "n.sqlite")).stderr


def test_a_cut_off_import_is_completed(full: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    folder, new = tmp_path / "x", tmp_path / "new.sqlite"
    ok("export", "--all", "--to", str(folder), "--store", str(full))
    whole, calls = Store.correct, []

    def cut(store: Store, entry: Correction) -> HeatRecord:
        calls.append(entry)
        if len(calls) == len(NASTY) + 3:  # the first pass is the trial's
            raise KeyboardInterrupt
        return whole(store, entry)

    monkeypatch.setattr(Store, "correct", cut)
    assert run("import", str(folder), "--store", str(new)).exit_code == 130
    monkeypatch.setattr(Store, "correct", whole)
    ok("import", str(folder), "--store", str(new))
    must_be_equal(full, new)
