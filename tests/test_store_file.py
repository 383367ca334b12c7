"""The store as an SQLite file: durable settings, damage, saving what is left, old versions, sudden death."""

from __future__ import annotations

import functools
import importlib
import random
import shutil
import sqlite3
import subprocess
import sys
import tempfile
from contextlib import closing
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from sqlalchemy import text
from sqlalchemy.dialects import sqlite

import logger.copies
from logger.blobs import DamagedBlock, packed, unpacked
from logger.heat_rows import numbers_query
from logger.reading import State
from logger.records import HEAT_ORDERS, STATE_CODES, Block, HeatFilter, HeatOrder, StoreBroken
from logger.store import open_store, salvage
from recorder_rig import FULL
from store_data import BENCH, COLUMNS, RUN, filled, run_of, second
from thermal.fields import InputError

ROOT = Path(__file__).parent.parent
KILLS = 200 if FULL else 5


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "store.db"


@pytest.fixture
def few_probes(monkeypatch: pytest.MonkeyPatch) -> None:
    """What is lost is sought in as many places as these small files ask for."""
    monkeypatch.setattr(logger.copies, "_MOST_PROBES", 6_000)


def made(path: Path, seconds: int = 40, heats: int = 1) -> None:
    path.write_bytes(_content(seconds, heats))


@functools.cache
def _content(seconds: int, heats: int) -> bytes:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "store.db"
        store = open_store(f"sqlite:///{path}")
        filled(store, seconds, heats)
        store.close()
        return path.read_bytes()


# ---------------------------------------------------------------- a second as bytes


@given(st.data())
def test_any_second_comes_back_to_the_last_bit(data: st.DataObject) -> None:
    rows, columns = data.draw(st.integers(0, 12)), data.draw(st.integers(0, 5))
    count = rows * columns
    bits = data.draw(st.lists(st.integers(0, 2**64 - 1), min_size=count, max_size=count))
    offsets = sorted(data.draw(st.lists(st.integers(0, 999), min_size=rows, max_size=rows)))
    states = data.draw(st.lists(st.integers(0, 255), min_size=count, max_size=count))
    values = np.array(bits, np.uint64).view(np.float64).reshape(rows, columns)
    names = tuple(f"c{i}" for i in range(columns))
    block = Block("b", "r", 0, 0, names, np.array(offsets, np.int32), values,
                  np.array(states, np.uint8).reshape(rows, columns))  # fmt: skip
    got_offsets, got_values, got_states = unpacked(packed(block))
    assert got_values.tobytes() == values.tobytes()  # every NaN's own bits too
    assert got_offsets.tolist() == offsets
    assert got_states.tobytes() == block.states.tobytes()


def test_every_flipped_bit_and_every_cut_of_a_second_is_noticed() -> None:
    good = packed(second(3, rows=2))
    for place in range(len(good) * 8):
        bad = bytearray(good)
        bad[place // 8] ^= 1 << place % 8
        with pytest.raises(DamagedBlock):
            unpacked(bytes(bad))
    for length in range(len(good)):
        with pytest.raises(DamagedBlock):
            unpacked(good[:length])


def test_the_layout_of_a_second_is_the_documented_one() -> None:
    # Written out by hand from the description: what is stored now must be readable in years.
    block = Block("b", "r", 0, 0, ("x",), np.array([7], np.int32), np.array([[1.5]]), np.array([[2]], np.uint8))
    assert packed(block)[:-4].hex() == "01" + "0100" + "01000000" + "07000000" + "000000000000f83f" + "02"


def test_codes_of_states_never_change() -> None:
    wanted = "ok|open circuit|short circuit|out of range|not measurable|device fault|frozen|spike|no reading"
    assert "|".join(STATE_CODES).startswith(wanted)
    assert set(STATE_CODES) == set(State)


@pytest.mark.parametrize(
    ("offsets", "shape", "said"),
    [
        ([0, 1000], (2, 1), r"\[0, 1000\] ms"),
        ([-1, 0], (2, 1), r"\[-1, 0\] ms"),
        ([5, 4], (2, 1), r"never falling"),
        ([0, 1], (2, 2), r"one column a role"),
        ([0, 1], (3, 1), r"one row an offset"),
    ],
)
def test_blocks_that_cannot_be_are_refused(offsets: list[int], shape: tuple[int, int], said: str) -> None:
    with pytest.raises(InputError, match=said):
        Block("b", "r", 0, 0, ("x",), np.array(offsets, np.int32), np.zeros(shape), np.zeros(shape, np.uint8))


# ---------------------------------------------------------------- settings


def test_the_writing_connection_is_durable_and_strict(path: Path) -> None:
    store = open_store(f"sqlite:///{path}")
    with store._write() as connection:
        said = {
            name: connection.execute(text(f"PRAGMA {name}")).scalar()
            for name in (
                "journal_mode",
                "synchronous",
                "fullfsync",
                "foreign_keys",
                "busy_timeout",
                "recursive_triggers",
            )
        }
        loose = connection.execute(
            text("SELECT name FROM pragma_table_list WHERE schema = 'main' AND NOT strict AND name NOT LIKE 'sqlite%'")
        ).scalars()
        assert list(loose) == ["alembic_version"]
    # 2 is FULL in SQLite's documentation of the pragma.
    assert said == {
        "journal_mode": "wal", "synchronous": 2, "foreign_keys": 1, "busy_timeout": 1000, "recursive_triggers": 1,
        "fullfsync": 1,
    }  # fmt: skip
    store.close()


@pytest.mark.parametrize("order", HEAT_ORDERS)
@pytest.mark.parametrize("backwards", [False, True])
def test_a_search_reads_its_own_narrow_table_in_order(path: Path, order: HeatOrder, backwards: bool) -> None:
    """Nothing is sorted for any order, so that no page of a large store waits for all of it."""
    store = open_store(f"sqlite:///{path}")
    query = numbers_query(HeatFilter(text="x", order=order, backwards=backwards, offset=50))
    words = query.compile(dialect=sqlite.dialect(), compile_kwargs={"literal_binds": True})
    with store._read() as connection:
        plan = connection.execute(text(f"EXPLAIN QUERY PLAN {words}")).all()
    assert plan
    assert not any("TEMP B-TREE" in row[-1] for row in plan), plan
    store.close()


@pytest.mark.skipif(sys.platform == "win32", reason="locks of files are not dropped by other handles there")
def test_opening_a_store_again_leaves_the_locks_of_those_who_have_it_open(path: Path) -> None:
    """Else the next program that closes it takes the log away, and what is written after that is lost."""
    store = open_store(f"sqlite:///{path}")
    store.begin_run(run_of())
    store.add([second(1)])
    open_store(f"sqlite:///{path}").close()
    other = "import sys; from logger.store import open_store; s = open_store(sys.argv[1]); s.runs(); s.close()"
    subprocess.run([sys.executable, "-c", other, f"sqlite:///{path}"], cwd=ROOT, check=True)
    store.add([second(2)])
    with closing(sqlite3.connect(path)) as fresh:
        assert fresh.execute("SELECT count(*) FROM blocks").fetchone() == (2,)
    assert Path(f"{path}-shm").exists()
    store.close()


# ---------------------------------------------------------------- damage


def test_a_file_that_is_no_store_is_refused_untouched(path: Path) -> None:
    path.write_text("time_s,core_c\n0,23\n" * 50)
    before = path.read_bytes()
    with pytest.raises(StoreBroken, match="does not begin as an SQLite file"):
        open_store(f"sqlite:///{path}")
    assert path.read_bytes() == before


def test_an_sqlite_file_of_another_program_is_refused_untouched(path: Path) -> None:
    with closing(sqlite3.connect(path)) as other:
        other.execute("CREATE TABLE customers (name TEXT)")
        other.commit()
    before = path.read_bytes()
    with pytest.raises(StoreBroken, match="another program"):
        open_store(f"sqlite:///{path}")
    assert path.read_bytes() == before


@pytest.mark.parametrize("part", [0.3, 0.9, 0.99])
def test_a_store_cut_short_is_refused_and_the_rest_is_saved(few_probes: None, path: Path, part: float) -> None:
    made(path, seconds=2000, heats=3)
    whole = path.read_bytes()
    path.write_bytes(whole[: int(len(whole) * part)])
    before = path.read_bytes()
    with pytest.raises(StoreBroken, match=r"damaged: .*nothing in it was touched"):
        open_store(f"sqlite:///{path}")
    saved = salvage(f"sqlite:///{path}", path.with_name("saved.db"))
    assert path.read_bytes() == before
    assert saved.lost
    again = open_store(f"sqlite:///{path.with_name('saved.db')}")
    kept = again.blocks(BENCH, RUN) if again.runs(BENCH) else []
    assert all(block == second(block.second) for block in kept)
    assert len(kept) == saved.kept["blocks"]
    # Tables and indexes that hold little take the first 38 pages of some 240; samples follow in order of time.
    assert len(kept) >= 2000 * (part - 0.18)
    again.close()


def test_flipped_bits_are_noticed_and_the_rest_is_saved(few_probes: None, path: Path) -> None:
    made(path, seconds=700, heats=3)
    draw, whole = random.Random(4), path.read_bytes()
    noticed = 0
    for turn in range(10):
        bad = bytearray(whole)
        for _ in range(8):
            bad[draw.randrange(100, len(bad))] ^= 1 << draw.randrange(8)
        path.write_bytes(bad)
        problems: list[str] = []
        try:
            store = open_store(f"sqlite:///{path}")
            problems = store.verify()
            store.close()
        except StoreBroken as error:
            problems = [str(error)]
        noticed += bool(problems)
        shutil.copy(path, path.with_name("before.db"))
        target = path.with_name(f"saved_{turn}.db")
        saved = salvage(f"sqlite:///{path}", target)
        assert path.read_bytes() == path.with_name("before.db").read_bytes()
        again = open_store(f"sqlite:///{target}")
        for run in again.runs():
            # A second whose own bytes are whole, but whose row lost its name, may stand under another number.
            right = [block for block in again.blocks(run.bench, run.id) if 0 <= block.second < 700]
            values = [np.array_equal(b.values, second(b.second).values, equal_nan=True) for b in right]
            assert sum(values) >= len(values) - 8
        assert saved.kept["blocks"] >= 700 - 8 * 40
        again.close()
    # Bits of pages' free space mean nothing to anybody; nearly every draw of eight hits something that does.
    assert noticed >= 9


def test_a_damaged_file_with_its_log_stays_as_it_is_and_the_log_is_read(path: Path) -> None:
    made(path, seconds=300)
    store = open_store(f"sqlite:///{path}")
    store.begin_run(run_of("b" * 32))
    left = path.with_name("left.db")  # as after kill -9: nothing of the log is in the file
    log = left.with_name(left.name + "-wal")
    shutil.copyfile(path, left)
    shutil.copyfile(path.with_name(path.name + "-wal"), log)
    store.close()
    with left.open("r+b") as file:  # a page in the middle
        file.seek(left.stat().st_size // 2 // 4096 * 4096)
        file.write(b"\xff" * 4096)
    before = left.read_bytes(), log.read_bytes()
    assert before[1]
    with pytest.raises(StoreBroken):
        open_store(f"sqlite:///{left}")
    saved = salvage(f"sqlite:///{left}", path.with_name("saved.db"))
    assert (left.read_bytes(), log.read_bytes()) == before
    assert saved.kept["runs"] == 2  # the second run stood in the log alone


FULL_DISK = """
import resource, sys
sys.path.insert(0, "tests")
from pathlib import Path
from store_data import BENCH, RUN, run_of, second
from logger.records import StoreDown
from logger.store import open_store

path = Path(sys.argv[1])
store = open_store(f"sqlite:///{path}")
store.begin_run(run_of())
store.add([second(at) for at in range(300)])
most = resource.getrlimit(resource.RLIMIT_FSIZE)
resource.setrlimit(resource.RLIMIT_FSIZE, (400_000, most[1]))  # no file may grow beyond: as a disk that is full
at, refused = 300, 0
while refused < 3:
    try:
        store.add([second(at)])
        at += 1
    except StoreDown as error:
        refused += 1
        print(error)
resource.setrlimit(resource.RLIMIT_FSIZE, most)  # freed
store.add([second(at)])
assert store.blocks(BENCH, RUN) == [second(a) for a in range(at + 1)]
assert store.verify() == []
store.close()
again = open_store(f"sqlite:///{path}")
assert again.blocks(BENCH, RUN) == [second(a) for a in range(at + 1)]
again.close()
print("whole", at)
"""


@pytest.mark.skipif(sys.platform == "win32", reason="Windows has no limit on a file's size")
def test_a_full_disk_that_is_freed_loses_nothing_acknowledged(path: Path) -> None:
    command = [sys.executable, "-c", FULL_DISK, str(path)]
    done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=False, timeout=120)
    assert done.returncode == 0, done.stderr
    *refused, whole = done.stdout.splitlines()
    assert len(refused) == 3
    assert int(whole.split()[1]) > 300


def test_a_folder_that_is_missing_is_said(path: Path) -> None:
    with pytest.raises(InputError, match="no folder"):
        open_store(f"sqlite:///{path.parent / 'none' / 'store.db'}")


def test_saving_overwrites_nothing(path: Path) -> None:
    made(path)
    target = path.with_name("saved.db")
    target.write_text("mine")
    with pytest.raises(InputError, match="exists"):
        salvage(f"sqlite:///{path}", target)
    assert target.read_text() == "mine"


def test_saving_a_whole_store_copies_it(path: Path) -> None:
    made(path, heats=2)
    saved = salvage(f"sqlite:///{path}", path.with_name("saved.db"))
    assert (saved.lost, saved.problems, saved.kept["blocks"], saved.kept["heats"]) == ([], [], 40, 2)
    one, two = open_store(f"sqlite:///{path}"), open_store(f"sqlite:///{path.with_name('saved.db')}")
    assert one.heats() == two.heats()
    assert one.newest_hash() == two.newest_hash()
    one.close()
    two.close()


# ---------------------------------------------------------------- sudden death, import time


def test_nothing_acknowledged_is_lost_by_kill_9(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.syspath_prepend(ROOT / "benchmarks")
    killing: Any = importlib.import_module("kill_recorder")
    word, problems = killing.campaign(f"sqlite:///{path}", kills=KILLS, seed=7)
    assert problems == []
    assert len(word.seconds) == KILLS
    assert sum(word.seconds.values()) > KILLS
    assert word.ended
    # The look for losses itself: with one acknowledged second too many it must say so.
    word.seconds[word.run] += 5
    store = open_store(f"sqlite:///{path}")
    assert any("lost" in text for text in killing.lost(store, word, [word.run]))
    store.close()


def test_values_are_loaded_without_the_database() -> None:
    program = "import sys, logger.records; print([name for name in ('sqlalchemy', 'alembic') if name in sys.modules])"
    done = subprocess.run([sys.executable, "-c", program], cwd=ROOT, capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


def test_column_names_come_back_in_their_order(path: Path) -> None:
    store = open_store(f"sqlite:///{path}")
    store.add([second(0), second(1, columns=COLUMNS[::-1])])
    assert [block.columns for block in store.blocks(BENCH, RUN)] == [COLUMNS, COLUMNS[::-1]]
    store.close()
