"""The store, the same tests on SQLite and on a real PostgreSQL."""

from __future__ import annotations

import functools
import json
import os
import platform
import re
import shutil
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import pytest
from alembic.autogenerate import compare_metadata
from alembic.runtime.migration import MigrationContext
from sqlalchemy import Connection, create_engine, event, text

import postgres_server
from logger.records import (
    NOT_SAMPLED,
    BenchHeld,
    Block,
    Correction,
    HeatFilter,
    HeatForm,
    HeatRecord,
    Mark,
    StoreDown,
    new_id,
)
from logger.schema import metadata
from logger.store import Store, open_store, restore
from store_data import BEGAN_MS, BENCH, COLUMNS, FORM, RUN, filled, id_of, open_heat, run_of, second
from thermal.fields import InputError


@pytest.fixture(params=["sqlite", "postgresql"])
def new_url(request: pytest.FixtureRequest, tmp_path: Path) -> Callable[[], str]:
    """Makes the URL of a new, empty database at every call."""
    if request.param == "sqlite":
        names = iter(range(100))
        return lambda: f"sqlite:///{tmp_path / f'store_{next(names)}.db'}"
    postgresql: postgres_server.Postgres = request.getfixturevalue("postgresql")
    return lambda: postgresql.url(f"db_{new_id()}")


@pytest.fixture(scope="module")
def empty_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A new store, to be copied: making its tables takes longer than most tests of it."""
    path = tmp_path_factory.mktemp("empty") / "store.db"
    open_store(f"sqlite:///{path}").close()
    return path


@pytest.fixture(scope="module")
def empty_database(postgresql: postgres_server.Postgres) -> str:
    """The same in PostgreSQL: a name of a database."""
    open_store(postgresql.url("empty")).close()
    return "empty"


def copied(request: pytest.FixtureRequest, like: str, target: str) -> str:
    """The URL of a copy of a database that nobody has open."""
    if like.startswith("sqlite"):
        shutil.copyfile(like.removeprefix("sqlite:///"), target.removeprefix("sqlite:///"))
        return target
    postgresql: postgres_server.Postgres = request.getfixturevalue("postgresql")
    return postgresql.url(f"db_{new_id()}", like.partition("?")[0].rpartition("/")[2])


@pytest.fixture
def url(request: pytest.FixtureRequest, new_url: Callable[[], str]) -> str:
    """Of a new store, empty, with its tables."""
    if request.node.callspec.params["new_url"] == "postgresql":
        return copied(request, request.getfixturevalue("empty_database"), "")
    return copied(request, f"sqlite:///{request.getfixturevalue('empty_file')}", new_url())


@pytest.fixture
def store(url: str) -> Iterator[Store]:
    opened = open_store(url)
    yield opened
    opened.close()


def tamper(url: str, *statements: str) -> None:
    """As somebody with the database in hand: triggers off, tables changed."""
    engine = create_engine(url)
    with engine.begin() as connection:
        for statement in statements:
            if url.startswith("sqlite"):
                names = (
                    connection.execute(text("SELECT name FROM sqlite_schema WHERE type = 'trigger'")).scalars().all()
                )
                for name in names:
                    connection.execute(text(f"DROP TRIGGER {name}"))
            else:
                connection.execute(text("SET session_replication_role = replica"))
            connection.execute(text(statement))
    engine.dispose()


# ---------------------------------------------------------------- samples


def test_seconds_come_back_to_the_last_bit_and_once(store: Store) -> None:
    wanted = [second(at) for at in (0, 1, 5)]
    store.begin_run(run_of())
    store.add(wanted, [])
    store.add(wanted[1:], [])
    assert store.blocks(BENCH, RUN) == wanted
    assert store.blocks(BENCH, RUN, 1.0, 4.9) == wanted[1:2]
    assert store.last_block(RUN) == (5, BEGAN_MS + 5000)
    # The same second again with other values: what was acknowledged first stays.
    store.add([second(1, rows=5)], [])
    assert store.blocks(BENCH, RUN, 1.0, 1.0) == wanted[1:2]


def test_samples_of_different_columns_in_one_piece(store: Store) -> None:
    store.add([second(0), second(1, columns=("core_1_c", "air_9_c"))], [])
    got = store.samples(RUN, 0.1, 1.5)
    assert got.columns == (*COLUMNS, "air_9_c")
    np.testing.assert_array_equal(got.at_ms, [*range(100, 1000, 100), *range(1000, 1501, 100)])
    np.testing.assert_array_equal(got.utc_ms, got.at_ms + BEGAN_MS)
    np.testing.assert_array_equal(got.values[:9, :3], second(0).values[1:])
    np.testing.assert_array_equal(got.values[9:, [1, 3]], second(1, columns=("core_1_c", "air_9_c")).values[:6])
    assert np.isnan(got.values[9:, 0]).all()
    assert (got.states[9:, 0] == NOT_SAMPLED).all()


def test_a_batch_is_kept_whole_or_not_at_all(store: Store) -> None:
    store.begin_run(run_of())
    bad = Mark(new_id(), BENCH, RUN, 1.0, 0, "half\udc80")  # cannot be written in UTF-8
    with pytest.raises(InputError, match=r"cannot be kept|refused"):
        store.add([second(0), second(1, columns=("new_c",))], [bad])
    assert store.blocks(BENCH, RUN) == []
    store.add([second(1, columns=("new_c",))], [])  # numbers of rolled-back rows were forgotten
    assert store.blocks(BENCH, RUN) == [second(1, columns=("new_c",))]


def test_a_run_that_could_not_be_begun_is_entered_with_its_samples(store: Store) -> None:
    store.add([second(3)], [])
    assert [(run.id, run.started_utc_ms, run.software) for run in store.open_runs()] == [(RUN, BEGAN_MS, "")]
    store.begin_run(run_of())
    assert store.open_runs() == [run_of()]
    with pytest.raises(InputError, match="bench_1"):
        open_twin(store).add([second(4, bench="bench_2")], [])


def open_twin(store: Store) -> Store:
    """The same database through the same engines, with nothing remembered."""
    return Store(store.name, store.path, store._writing, store._reading)


def test_runs_end_once(store: Store) -> None:
    store.begin_run(run_of())
    store.end_run(RUN, "interrupted", 7)
    store.end_run(RUN, "ended", 9)
    assert store.open_runs() == []
    assert [(run.how, run.ended_utc_ms) for run in store.runs(BENCH)] == [("interrupted", 7)]


def test_marks_and_what_takes_them_back(store: Store) -> None:
    store.begin_run(run_of())
    door = Mark(id_of(1), BENCH, RUN, 5.25, BEGAN_MS + 5250, "door", "AB", "slow", "door")
    undo = Mark(id_of(2), BENCH, RUN, 60.0, BEGAN_MS + 60000, "door", "AB", undoes=door.id)
    store.add([], [door, undo])
    store.add([], [door])
    assert store.marks(BENCH, RUN, 5.0, 6.0) == [door, undo]
    assert store.marks(BENCH, RUN) == [door, undo]
    assert store.marks(BENCH, RUN, 5.26, 59.0) == []
    ago = Mark(id_of(3), BENCH, RUN, -12.0, BEGAN_MS - 12000, "door", "AB", "before the recorder was started")
    store.add([], [ago])
    assert store.marks(BENCH, RUN) == [ago, door, undo]


# ---------------------------------------------------------------- heats


def test_a_heat_from_start_to_end(store: Store) -> None:
    store.begin_run(run_of())
    store.add([second(at) for at in range(30)], [])
    heat = open_heat(store, start_s=10.0, form=HeatForm())
    assert (heat.number, heat.state, heat.hash) == (1, "open", None)
    assert open_heat(store, start_s=99.0) == heat  # the same id again
    store.set_form(heat.id, FORM)
    moved = store.move_start(heat.id, 8.5, "AB", "forgot to say so")
    assert (moved.start_s, moved.start_utc_ms) == (8.5, BEGAN_MS + 8500)
    assert [(m.old_start_s, m.new_start_s, m.who) for m in store.start_moves(heat.id)] == [(10.0, 8.5, "AB")]
    done = store.finish_heat(heat.id, 20.25, "finished", "thin", "wall")
    assert (done.start_s, done.end_s, done.outcome, done.outcome_kind, done.form) == (8.5, 20.25, "thin", "wall", FORM)
    assert done.hash is not None
    assert done.previous_hash == "0" * 64
    assert store.finish_heat(heat.id, 20.25, "finished") == done
    assert (store.heat(1), store.heat(heat.id)) == (done, done)
    assert store.newest_hash() == done.hash
    assert store.verify() == []


def test_what_cannot_be_of_a_heat_is_refused_with_the_value(store: Store) -> None:
    (done,) = filled(store)
    with pytest.raises(InputError, match="heat 1 is finished"):
        store.set_form(done.id, HeatForm())
    with pytest.raises(InputError, match="heat 1 is finished"):
        store.finish_heat(done.id, 19.0, "aborted")
    with pytest.raises(InputError, match="heats up to 1"):
        store.heat(2)
    heat = open_heat(store, 2, start_s=3000.0)
    with pytest.raises(InputError, match=r"1199\.9.*expected 1200 or later"):
        store.move_start(heat.id, 1199.9, "AB", "")
    with pytest.raises(InputError, match=r"2999\.0.*3000 s, or later"):
        store.finish_heat(heat.id, 2999.0, "finished")
    with pytest.raises(InputError, match="nan"):
        store.move_start(heat.id, float("nan"), "AB", "")


FINAL = (
    "UPDATE heats SET outcome = 'good' WHERE number = 1",
    "DELETE FROM heats WHERE number = 1",
    "UPDATE heats SET number = 9 WHERE state = 'open'",
    "UPDATE blocks SET utc_ms = 0",
    "DELETE FROM blocks WHERE second = 12",
    "DELETE FROM blocks WHERE second = 0",  # within 30 minutes before a start
    "UPDATE marks SET note = 'x'",
    "DELETE FROM marks",
    "UPDATE corrections SET who = 'x'",
    "DELETE FROM corrections",
    "UPDATE attachments SET name = 'x'",
    "DELETE FROM attachments",
    "UPDATE start_moves SET who = 'x'",
    "DELETE FROM start_moves",
    "UPDATE chain SET content = 'x'",
    "DELETE FROM chain",
    "UPDATE column_sets SET names = '[]'",
    "DELETE FROM runs",
    "UPDATE runs SET bench = 'x'",
)


def test_the_database_itself_refuses_to_alter_what_is_final(store: Store) -> None:
    (done,) = filled(store)
    heat = open_heat(store, 2, start_s=25.0)
    store.move_start(heat.id, 24.0, "AB", "late")
    store.add([], [Mark(id_of(1), BENCH, RUN, 12.0, 0, "door")])
    store.attach_photo(done.id, b"jpeg", "image/jpeg")
    store.correct(Correction(id_of(3), done.id, 1, "AB", "typo", "gauge_mm", "6.0", "5.0"))
    for statement in FINAL:
        assert re.search("never|ended", refused(store, statement)), statement
    assert store.verify() == []


def refused(store: Store, statement: str) -> str:
    """What the database says to a statement; nothing where it does it."""
    try:
        with store._write() as connection:
            connection.execute(text(statement))
    except InputError as error:
        return str(error)
    return ""


def test_replacing_a_row_does_not_get_past_the_triggers(store: Store) -> None:
    filled(store)
    if store.path is None:
        with pytest.raises(InputError, match="never deleted"), store._write() as connection:
            connection.execute(text("TRUNCATE chain"))
    else:
        with pytest.raises(InputError, match="never"), store._write() as connection:
            connection.execute(
                text("INSERT OR REPLACE INTO chain SELECT seq, kind, ref, 'x', previous, hash FROM chain")
            )


def test_corrections_are_added_and_count_in_searches(store: Store) -> None:
    (done,) = filled(store)
    change = Correction(id_of(5), done.id, BEGAN_MS, "CD", "seen next day", "outcome", '"good"', '"webbed"')
    assert store.correct(change).outcome == "webbed"
    assert store.correct(change).outcome == "webbed"  # the same id again
    store.correct(Correction(id_of(6), done.id, BEGAN_MS, "CD", "asked", "checks.clearance", "false", "true"))
    store.correct(Correction(id_of(7), done.id, BEGAN_MS, "CD", "wrong label", "sheet_label", '"Lot 12%_A"', '"Lot 9"'))
    assert store.heat(1, as_recorded=True) == done
    now = store.heat(1)
    assert (now.outcome, now.form.checks["clearance"], now.form.sheet_label) == ("webbed", True, "Lot 9")
    assert store.heats(HeatFilter(outcome="webbed", text="lot 9")) == [now]
    assert store.heats(HeatFilter(outcome="webbed"), as_recorded=True) == [done]
    assert store.heats(HeatFilter(outcome="good")) == []
    assert [entry.id for entry in store.corrections(done.id)] == [id_of(5), id_of(6), id_of(7)]
    assert store.verify() == []


def test_a_correction_that_cannot_be_is_refused(store: Store) -> None:
    (done,) = filled(store)
    for field, old, new, who, said in (
        ("outcome", '"thin"', '"x"', "CD", '"good" stands there'),
        ("number", "1", "2", "CD", "expected one of"),
        ("outcome", '"good"', '"x"', " ", "say who"),
        ("checks.tidy", "null", "true", "CD", "expected one of"),
    ):
        with pytest.raises(InputError, match=said):
            store.correct(Correction(new_id(), done.id, 1, who, "why", field, old, new))
    assert store.corrections(done.id) == []


def test_an_open_heat_is_not_corrected(store: Store) -> None:
    store.begin_run(run_of())
    heat = open_heat(store)
    with pytest.raises(InputError, match="is open"):
        store.correct(Correction(new_id(), heat.id, 1, "CD", "why", "gauge_mm", "6.0", "5.0"))


def test_photos_are_kept_before_and_after_the_end(store: Store) -> None:
    store.begin_run(run_of())
    heat = open_heat(store)
    store.attach_photo(heat.id, b"\xff\xd8 early", "image/jpeg")
    store.finish_heat(heat.id, 20.0, "aborted")
    store.attach(heat.id, "label.png", b"\x89PNG late", "image/png")
    kept = {(one.name, one.media_type, one.content) for one in store.attachments(heat.id)}
    assert kept == {("photo", "image/jpeg", b"\xff\xd8 early"), ("label.png", "image/png", b"\x89PNG late")}
    assert store.verify() == []


# ---------------------------------------------------------------- search


def searchable(store: Store) -> None:
    store.begin_run(run_of())
    store.begin_run(run_of("b" * 32, "bench_2"))
    forms = [
        HeatForm(polymer="pp", oven="o1", sheet_label="100% wool_1", initials="ÄÖ"),
        HeatForm(polymer="pp", oven="o2", sheet_label="100x woolX1", job_number="J/7"),
        HeatForm(polymer="petg", oven="o2", notes="Straße back\\slash 'quoted' \"x\""),
    ]
    for number, form in enumerate(forms, 1):
        bench, run = (BENCH, RUN) if number < 3 else ("bench_2", "b" * 32)
        store.begin_heat(HeatRecord(0, id_of(number), bench, run, number * 10.0, BEGAN_MS - number, form=form))


FOUND: tuple[tuple[HeatFilter, list[int]], ...] = (
    (HeatFilter(), [1, 2, 3]),
    (HeatFilter(order="oldest"), [3, 2, 1]),
    (HeatFilter(order="number", limit=1, offset=1), [2]),
    (HeatFilter(limit=None, offset=2), [3]),
    (HeatFilter(polymer="pp", oven="o2"), [2]),
    (HeatFilter(bench="bench_2"), [3]),
    (HeatFilter(from_utc_ms=BEGAN_MS - 2, to_utc_ms=BEGAN_MS - 1), [2]),
    (HeatFilter(text="100"), [1, 2]),
    (HeatFilter(text="100%"), [1]),
    (HeatFilter(text="WOOL_1"), [1]),
    (HeatFilter(text="äö"), [1]),
    (HeatFilter(text="A\u0308O\u0308"), [1]),  # decomposed
    (HeatFilter(text="STRASSE"), [3]),
    (HeatFilter(text="j/7"), [2]),
    (HeatFilter(text="k\\s"), [3]),
    (HeatFilter(text="'quoted'"), [3]),
    (HeatFilter(text="pp"), []),
    (HeatFilter(state="finished"), []),
)


def test_heats_are_found(store: Store) -> None:
    searchable(store)
    for wanted, numbers in FOUND:
        assert [heat.number for heat in store.heats(wanted)] == numbers, wanted
        if wanted.limit == 50:
            assert store.count(wanted) == len(numbers), wanted


# ---------------------------------------------------------------- the chain


def test_what_comes_after_the_end_of_a_heat_has_links_of_its_own(store: Store) -> None:
    store.begin_run(run_of())
    store.add([second(at) for at in range(15)], [Mark(id_of(1), BENCH, RUN, 12.0, 0, "door")])
    heat = open_heat(store)
    store.finish_heat(heat.id, 18.5, "finished")
    late = [Mark(id_of(2), BENCH, RUN, 13.0, 0, "pulled"), Mark(id_of(3), BENCH, RUN, 90.0, 0, "door", undoes=id_of(1))]
    for _ in range(2):
        store.add([second(at) for at in range(12, 25)], late)
    assert store.verify() == []
    with store._read() as connection:
        kinds = connection.execute(text("SELECT kind, count(*) FROM chain GROUP BY kind ORDER BY kind")).all()
    assert [tuple(row) for row in kinds] == [("block", 4), ("heat", 1), ("mark", 2)]  # seconds 15 to 18


ALTERED = (
    ("UPDATE heats SET outcome = 'thin' WHERE number = 2", "heat 2 of bench bench_1 .* was altered"),
    ("UPDATE heats SET form = replace(form, 'pp_h', 'pp_c') WHERE number = 1", "heat 1 .* was altered"),
    ("UPDATE heats SET form = '{' WHERE number = 1", "altered: it cannot be read"),
    ("UPDATE heats SET end_s = end_s + 1 WHERE number = 2", "heat 2 .* was altered"),
    ("UPDATE blocks SET utc_ms = utc_ms + 1 WHERE second = 12", "heat 1 .* was altered"),
    ("DELETE FROM blocks WHERE second = 25", "heat 2 .* was altered"),
    ("DELETE FROM marks WHERE at_s = 11", "heat 1 .* was altered"),
    ("UPDATE marks SET note = 'x' WHERE at_s = 12", "mark 'late' .* was altered"),
    ("INSERT INTO marks SELECT 99, 'x', run, 13, 0, name, '', '', source, NULL FROM marks WHERE at_s = 11",
     "heat 1 .* was altered"),
    ("DELETE FROM marks WHERE at_s = 12", "mark .* is missing"),
    ("UPDATE corrections SET new = '4.0'", "correction of gauge_mm of heat 1 .* was altered"),
    ("DELETE FROM corrections", "correction .* is missing"),
    ("DELETE FROM chain WHERE seq = 2", "link 2 is missing"),
    ("DELETE FROM chain WHERE kind = 'correction'", "correction of gauge_mm of heat 1 stands in no link"),
    ("UPDATE chain SET previous = hash WHERE seq = 2", "link 2 does not follow link 1"),
    ("UPDATE attachments SET name = 'x'", "attachment x of heat 1 .* was altered"),
)  # fmt: skip


def test_the_chain_names_what_was_altered_or_is_missing(
    request: pytest.FixtureRequest, url: str, new_url: Callable[[], str]
) -> None:
    store = open_store(url)
    store.begin_run(run_of())
    store.add([], [Mark(id_of(1), BENCH, RUN, 11.0, 0, "door")])
    first, _ = filled(store, heats=2)
    store.add([], [Mark(id_of(2), BENCH, RUN, 12.0, 0, "late")])
    store.attach_photo(first.id, b"x", "image/png")
    store.correct(Correction(id_of(3), first.id, 1, "AB", "typo", "gauge_mm", "6.0", "5.0"))
    assert store.verify() == []
    store.close()
    for statement, said in ALTERED:
        altered = copied(request, url, new_url() if url.startswith("sqlite") else "")
        tamper(altered, statement)
        store = open_store(altered)
        problems = store.verify()
        store.close()
        assert any(re.search(said, problem) for problem in problems), (statement, problems)


def test_a_heat_taken_out_with_its_link_shows(store: Store, url: str) -> None:
    filled(store, heats=3)
    tamper(
        url,
        f"DELETE FROM chain WHERE ref = '{id_of(2)}'",
        "DELETE FROM heat_search WHERE number = 2",
        "DELETE FROM heats WHERE number = 2",
    )
    problems = store.verify()
    assert "heat 2 is missing" in problems
    assert any("link 2 is missing" in problem for problem in problems)


def test_a_flipped_bit_outside_heats_shows(store: Store, url: str) -> None:
    filled(store)
    zeros = "zeroblob(length(data))" if store.path else "decode(repeat('00', length(data)), 'hex')"
    tamper(url, f"UPDATE blocks SET data = {zeros} WHERE second = 39")
    assert store.verify() == [f"second 39 of run {RUN} of bench bench_1 is damaged: wrong checksum"]
    with pytest.raises(InputError, match="second 39: wrong checksum"):
        store.samples(RUN)
    with pytest.raises(InputError, match="second 39: wrong checksum"):
        store.blocks(BENCH, RUN)


# ---------------------------------------------------------------- thinning


@functools.cache
def thin_seconds() -> list[Block]:
    return [second(at, rows=1) for at in range(8000)]


def test_thinning_follows_its_rule(store: Store) -> None:
    store.begin_run(run_of())
    store.add(thin_seconds(), [])
    heat = open_heat(store, start_s=3000.0)
    store.finish_heat(heat.id, 3100.5, "finished")
    store.thin(BENCH, RUN, 4000.0)
    gone = store.thin(BENCH, RUN, 7900.0)
    there = [block.second for block in store.blocks(BENCH, RUN)]
    kept = [s for s in range(8000) if s % 10 == 0 or 3000 - 1801 <= s <= 3100 or s >= 8000 - 3601]
    assert there == kept
    assert gone == sum(1 for s in range(4000, 7999 - 3600) if s % 10)
    assert store.blocks(BENCH, RUN, 20.0, 20.0) == [second(20, rows=1)]  # whole, not averaged
    assert store.verify() == []


def test_an_open_heat_is_not_thinned(store: Store) -> None:
    store.begin_run(run_of())
    store.add([second(at, rows=1) for at in (*range(300), 7999)], [])
    open_heat(store, start_s=1900.0)
    assert store.thin(BENCH, RUN, 8000.0) == sum(1 for s in range(1900 - 1801) if s % 10)


# ---------------------------------------------------------------- versions, other programs


def test_tables_are_those_that_queries_expect(new_url: Callable[[], str]) -> None:
    store = open_store(new_url())
    with store._read() as connection:
        context = MigrationContext.configure(connection, opts={"compare_type": True})
        assert compare_metadata(context, metadata) == []
    store.close()


def test_a_store_of_a_newer_version_is_refused_and_left_alone(url: str) -> None:
    tamper(url, "UPDATE alembic_version SET version_num = '9999'")
    with pytest.raises(InputError, match=r"version 9999.*up to 0004.*newer Pullcue"):
        open_store(url)


def test_a_database_of_another_program_is_refused(new_url: Callable[[], str]) -> None:
    url = new_url()
    engine = create_engine(url)
    with engine.begin() as connection:
        connection.execute(text("CREATE TABLE customers (name TEXT)"))
    engine.dispose()
    with pytest.raises(InputError, match="another program"):
        open_store(url)


@pytest.mark.parametrize("bad", ["", "store.db", "mysql://x/y", "sqlite://", "sqlite:///:memory:"])
def test_urls_that_are_no_store_are_refused(bad: str) -> None:
    with pytest.raises(InputError, match="expected"):
        open_store(bad)


# ---------------------------------------------------------------- who records


def test_a_second_recorder_is_refused_with_who_holds_the_bench(store: Store) -> None:
    assert store.hold(BENCH, "one", BEGAN_MS) is None
    assert store.hold(BENCH, "one", BEGAN_MS + 10_000) is None  # it goes on
    assert store.hold("bench_2", "two", BEGAN_MS) is None
    with pytest.raises(BenchHeld, match=rf"process {os.getpid()} on {platform.node()}, since 2026-01-05 08:00:00 UTC"):
        store.hold(BENCH, "two", BEGAN_MS)
    store.release(BENCH, "two")  # not its own: nothing happens
    assert [holder.token for holder in store.holders()] == ["one", "two"]
    store.release(BENCH, "one")
    assert store.hold(BENCH, "two", BEGAN_MS) is None


def test_a_dead_recorder_does_not_keep_the_next_out(store: Store, url: str) -> None:
    program = (
        "import os, sys; from logger.store import open_store\n"
        "open_store(sys.argv[1]).hold('bench_1', 'dead', 0); os._exit(0)"
    )
    done = subprocess.run([sys.executable, "-c", program, url], cwd=Path(__file__).parent.parent, check=True)
    assert done.returncode == 0
    before = store.hold(BENCH, "new", BEGAN_MS)
    assert before is not None
    assert (before.token, before.bench) == ("dead", BENCH)
    assert store.hold(BENCH, "new", BEGAN_MS) is None


@pytest.mark.skipif(not Path("/proc/self/stat").exists(), reason="only Linux's /proc says when a process began")
def test_a_process_number_used_again_is_told_from_the_recorder(store: Store, url: str) -> None:
    store.hold(BENCH, "one", BEGAN_MS)
    tamper(url, "UPDATE holders SET process = 'other boot/1'")
    assert store.hold(BENCH, "two", BEGAN_MS) is not None


def test_a_bench_is_taken_by_force(store: Store) -> None:
    store.hold(BENCH, "one", BEGAN_MS)
    pushed = store.hold(BENCH, "two", BEGAN_MS, by_force=True)
    assert pushed is not None
    assert pushed.token == "one"


# ---------------------------------------------------------------- faults


def held_by_another(url: str) -> Connection:
    """Another program in the middle of a long write."""
    engine = create_engine(url, connect_args={"check_same_thread": False} if url.startswith("sqlite") else {})
    if url.startswith("sqlite"):
        event.listen(engine, "begin", lambda connection: connection.exec_driver_sql("BEGIN IMMEDIATE"))
        event.listen(engine, "connect", lambda raw, _: setattr(raw, "isolation_level", None))
    connection = engine.connect()
    connection.begin()
    if not url.startswith("sqlite"):
        connection.execute(text("LOCK TABLE blocks IN ACCESS EXCLUSIVE MODE"))
    return connection


def test_a_locked_store_says_so_and_takes_the_same_again_later(url: str) -> None:
    store = open_store(url, busy_s=0.1)
    store.begin_run(run_of())
    store.add([second(0)], [])
    other = held_by_another(url)
    with pytest.raises(StoreDown, match=r"locked|lock timeout"):
        store.add([second(1)], [])
    other.rollback()
    other.close()
    other.engine.dispose()
    store.add([second(1)], [])
    assert store.blocks(BENCH, RUN) == [second(0), second(1)]
    store.close()


def test_a_server_stopped_and_started(postgresql: postgres_server.Postgres) -> None:
    store = open_store(postgresql.url(f"db_{new_id()}"))
    store.begin_run(run_of())
    store.add([second(0)], [])
    postgresql.stop("immediate")  # as a crash
    try:
        for _ in range(2):
            with pytest.raises(StoreDown):
                store.add([second(1)], [])
            with pytest.raises(StoreDown):
                store.heats()
    finally:
        postgresql.start()
    store.add([second(1)], [])
    assert store.blocks(BENCH, RUN) == [second(0), second(1)]
    store.close()


def test_several_threads_and_readers_at_once(store: Store) -> None:
    runs = [f"{n:032x}" for n in range(1, 5)]
    wrong: list[object] = []

    def write(run: str) -> None:
        try:
            for at in range(40):
                store.add([second(at, run, f"bench_{run[-1]}")], [])
                store.heats()
        except Exception as error:
            wrong.append(error)

    threads = [threading.Thread(target=write, args=(run,)) for run in runs]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert wrong == []
    for run in runs:
        assert [block.second for block in store.blocks(f"bench_{run[-1]}", run)] == list(range(40))


# ---------------------------------------------------------------- backup and restore


def test_backup_of_a_running_store_and_restore(store: Store, new_url: Callable[[], str], tmp_path: Path) -> None:
    heats = filled(store, heats=2)
    store.attach_photo(heats[0].id, b"\x00\xff", "image/png")
    store.hold(BENCH, "one", BEGAN_MS)
    stop = threading.Event()

    def go_on() -> None:
        at = 100
        while not stop.is_set():
            store.add([second(at)], [])
            at += 1

    recording = threading.Thread(target=go_on)
    recording.start()
    try:
        store.backup(tmp_path / "copy.db", BEGAN_MS)
    finally:
        stop.set()
        recording.join()
    assert store.last_backup() == (BEGAN_MS, str(tmp_path / "copy.db"))
    with pytest.raises(InputError, match="exists"):
        store.backup(tmp_path / "copy.db")
    kept = (tmp_path / "copy.db").read_bytes()
    target = new_url()
    restore(tmp_path / "copy.db", target)
    assert (tmp_path / "copy.db").read_bytes() == kept
    again = open_store(target)
    try:
        assert again.verify() == []
        assert again.heats() == store.heats()
        assert again.blocks(BENCH, RUN, 0, 39) == store.blocks(BENCH, RUN, 0, 39)
        assert again.holders() == []
        # It goes on from there: numbers and links follow what was restored.
        heat = open_heat(again, 3, start_s=30.0)
        assert heat.number == 3
        again.finish_heat(heat.id, 39.0, "finished")
        again.add([second(500, "c" * 32)], [])
        assert again.verify() == []
    finally:
        again.close()
    with pytest.raises(InputError, match="empty store"):
        restore(tmp_path / "copy.db", target)
    assert sorted(path.name for path in tmp_path.iterdir() if path.name.endswith(".part")) == []


def test_forms_survive_as_json(store: Store) -> None:
    store.begin_run(run_of())
    form = HeatForm(gauge_mm=0.1 + 0.2, notes="tab\t\u2028 emoji 😀", plan_json=json.dumps({"a": [1, None]}))
    heat = open_heat(store, form=form)
    assert store.heat(heat.id).form == form
