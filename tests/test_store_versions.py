"""Old databases are brought up to the newest version of the tables, in SQLite and PostgreSQL; steps that fail."""

from __future__ import annotations

import gzip
import shutil
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from sqlalchemy import text

import postgres_server
from logger import engine
from logger.engine import newest_version
from logger.records import HeatFilter, Mark, new_id
from logger.store import Store, open_store
from old_store import write_content
from store_data import BEGAN_MS, BENCH, RUN
from thermal.fields import InputError

DATA = Path(__file__).parent / "data"
VERSIONS = range(1, int(newest_version()) + 1)


@pytest.fixture(params=["sqlite", "postgresql"])
def old(request: pytest.FixtureRequest, tmp_path: Path) -> Callable[[int], str]:
    """Makes the URL of a database as a version of the tables left it."""
    if request.param == "sqlite":

        def make(version: int) -> str:
            path = tmp_path / f"{new_id()}.db"
            path.write_bytes(gzip.decompress((DATA / f"store_v{version}.db.gz").read_bytes()))
            return f"sqlite:///{path}"

        return make
    postgresql: postgres_server.Postgres = request.getfixturevalue("postgresql")
    return lambda version: postgresql.load(
        f"db_{new_id()}", gzip.decompress((DATA / f"store_v{version}.sql.gz").read_bytes())
    )


@pytest.fixture
def fresh(tmp_path: Path) -> Iterator[Store]:
    store = open_store(f"sqlite:///{tmp_path / 'fresh.db'}")
    write_content(store)
    yield store
    store.close()


def must_hold_the_same(kept: Store, fresh: Store) -> None:
    assert kept.verify() == []
    assert kept.heats(HeatFilter(order="number")) == fresh.heats(HeatFilter(order="number"))
    assert kept.blocks(BENCH, RUN) == fresh.blocks(BENCH, RUN)
    assert kept.marks(BENCH, RUN) == fresh.marks(BENCH, RUN)
    assert kept.runs() == fresh.runs()
    for heat in kept.heats():
        assert kept.corrections(heat.id) == fresh.corrections(heat.id)
        assert kept.start_moves(heat.id) == fresh.start_moves(heat.id)
        assert [a.content for a in kept.attachments(heat.id)] == [a.content for a in fresh.attachments(heat.id)]


def version_of(store: Store) -> str:
    with store._read() as connection:
        return str(connection.execute(text("SELECT version_num FROM alembic_version")).scalar())


@pytest.mark.parametrize("version", VERSIONS)
def test_every_old_version_is_brought_up_with_its_data(old: Callable[[int], str], version: int, fresh: Store) -> None:
    store = open_store(old(version))
    assert version_of(store) == newest_version()
    must_hold_the_same(store, fresh)
    store.add([], [Mark(new_id(), BENCH, RUN, 1.0, BEGAN_MS, "faults", source="machine")])
    assert store.verify() == []
    store.close()


def test_every_version_has_its_kept_files() -> None:
    kept = {path.name for path in DATA.glob("store_v*")}
    assert kept == {f"store_v{version}.{kind}.gz" for version in VERSIONS for kind in ("db", "sql")}


STEP = """
from alembic import op
revision, down_revision = "9999", "{before}"
def upgrade():
    op.execute("ALTER TABLE backups ADD COLUMN place TEXT")
    op.execute("CREATE TABLE later (seq BIGINT)")
    {then}
"""


def test_a_step_that_fails_leaves_all_as_it_was_and_can_be_made_again(
    old: Callable[[int], str], fresh: Store, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    url, newest = old(VERSIONS[-1]), newest_version()
    scripts = tmp_path / "migrations"
    shutil.copytree(Path(engine.__file__).parent / "migrations", scripts)
    step = scripts / "versions" / "v9999_next.py"
    with monkeypatch.context() as later:
        later.setattr(engine, "_MIGRATIONS", scripts)
        step.write_text(STEP.format(before=newest, then="raise RuntimeError('the power went')"))
        with pytest.raises(RuntimeError, match="the power went"):
            open_store(url)
    store = open_store(url)  # this version's program, as if nothing had been tried
    assert version_of(store) == newest
    must_hold_the_same(store, fresh)
    store.close()
    with monkeypatch.context() as later:
        later.setattr(engine, "_MIGRATIONS", scripts)
        step.write_text(STEP.format(before=newest, then="pass"))
        for _ in range(2):
            store = open_store(url)
            assert version_of(store) == "9999"
            must_hold_the_same(store, fresh)
            store.close()
    with pytest.raises(InputError, match=r"version 9999.*written by a newer Pullcue"):
        open_store(url)
