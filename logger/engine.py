"""Opening a database for the store: durable connections, a sound file, tables of the newest version."""

from __future__ import annotations

import shutil
import sqlite3
import tempfile
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from importlib.util import find_spec
from pathlib import Path
from typing import Any

from alembic.config import Config
from alembic.runtime.environment import EnvironmentContext
from alembic.runtime.migration import MigrationContext
from alembic.script import ScriptDirectory
from sqlalchemy import URL, Connection, Engine, create_engine, event, exc, inspect, make_url, text

from logger.records import StoreBroken, StoreDown
from thermal.fields import InputError, shown

#: 'Pull' in ASCII, in the file's header: tells a store from other SQLite files.
APPLICATION_ID = 0x50756C6C
_MIGRATIONS = Path(__file__).parent / "migrations"
_DRIVER = "postgresql+psycopg"
#: How long a file that another program has locked is waited for before it is looked through, s.
_PATIENCE_S = 5.0


def parsed(url: str) -> URL:
    """The URL of a store.

    Raises:
        InputError: for another kind of database, or a URL that cannot be read.
    """
    try:
        found = make_url(url)
    except exc.ArgumentError:
        raise InputError(
            f"store {shown(url)}: expected a URL such as sqlite:///folder/store.db or {_DRIVER}://user@host/name"
        ) from None
    if found.drivername in ("postgresql", "postgres"):
        found = found.set(drivername=_DRIVER)
    if found.drivername not in ("sqlite", _DRIVER):
        raise InputError(f"store {shown(url)}: expected sqlite:///... or {_DRIVER}://...")
    if found.drivername == "sqlite" and found.database in (None, "", ":memory:"):
        raise InputError(f"store {shown(url)}: expected the path of a file; what is kept in memory is lost")
    return found


def file_of(url: URL) -> Path | None:
    """The file of an SQLite store, None for PostgreSQL."""
    return Path(str(url.database)) if url.drivername == "sqlite" else None


def _prepare_sqlite(connection: Any, busy_s: float, writes: bool) -> None:
    connection.isolation_level = None  # transactions are begun below, not guessed by the driver
    for pragma in (
        f"busy_timeout = {round(busy_s * 1000)}",
        "journal_mode = WAL" if writes else "query_only = ON",
        "synchronous = FULL",
        "fullfsync = ON",  # on macOS, where a sync does not reach the disk without it
        # Thinning reads the whole store through, and what the cache has taken it keeps: 0.5 MB do for writing.
        *(("cache_size = -512",) if writes else ()),
        "foreign_keys = ON",
        "recursive_triggers = ON",  # without it, INSERT OR REPLACE deletes past the triggers
    ):
        connection.execute(f"PRAGMA {pragma}").close()


def _sqlite_engine(url: URL, busy_s: float, writes: bool) -> Engine:
    engine = create_engine(
        url,
        connect_args={"check_same_thread": False, "timeout": busy_s},
        pool_size=1 if writes else 4,
        max_overflow=0 if writes else 8,
    )

    @event.listens_for(engine, "connect")
    def connected(connection: Any, _: Any) -> None:
        _prepare_sqlite(connection, busy_s, writes)

    @event.listens_for(engine, "begin")
    def begun(connection: Connection) -> None:
        # A write that begins as a read can fail half-way for want of the lock: the lock is taken first.
        connection.exec_driver_sql("BEGIN IMMEDIATE" if writes else "BEGIN")

    return engine


def _postgres_engine(url: URL, busy_s: float, writes: bool) -> Engine:
    options = f"-c synchronous_commit=on -c lock_timeout={round(busy_s * 1000)}"
    if not writes:
        options += " -c default_transaction_read_only=on"
    return create_engine(
        url,
        connect_args={"connect_timeout": max(2, round(busy_s)), "options": options, "tcp_user_timeout": 5000},
        pool_size=1 if writes else 4,
        max_overflow=0 if writes else 8,
        isolation_level="READ COMMITTED" if writes else "REPEATABLE READ",
    )


def engine_of(url: URL, busy_s: float, writes: bool) -> Engine:
    """An engine with one connection that writes, or a few that only read.

    Raises:
        InputError: where PostgreSQL's driver is not installed.
    """
    if url.drivername == _DRIVER and find_spec("psycopg") is None:
        raise InputError(
            "a store in PostgreSQL needs the package psycopg, which is not installed: install psycopg[binary]"
        )
    return (_sqlite_engine if url.drivername == "sqlite" else _postgres_engine)(url, busy_s, writes)


@contextmanager
def faults(name: str) -> Iterator[None]:
    """Errors of the database as the store's own.

    Raises:
        StoreDown: when it cannot be asked now.
        StoreBroken: when what it holds is damaged.
        InputError: when it refuses what was given.
    """
    try:
        yield
    except (exc.OperationalError, exc.InterfaceError, exc.TimeoutError) as error:
        raise StoreDown(f"store {name}: {_first_line(error)}") from error
    except (exc.IntegrityError, exc.DataError) as error:
        raise InputError(f"store {name}: refused: {_first_line(error)}") from error
    except exc.DBAPIError as error:
        if isinstance(error.orig, sqlite3.DatabaseError):
            raise StoreBroken(f"store {name} is damaged: {_first_line(error)}{_WHAT_TO_DO}") from error
        if error.connection_invalidated:
            raise StoreDown(f"store {name}: {_first_line(error)}") from error
        raise
    except UnicodeEncodeError as error:
        raise InputError(f"store {name}: {shown(error.object)} holds characters that cannot be kept") from error


_WHAT_TO_DO = "; nothing in it was touched: keep the file, and save what can be read into a new store"


def _first_line(error: exc.StatementError | exc.TimeoutError) -> str:
    original = getattr(error, "orig", None) or error
    return (str(original).strip().splitlines() or [type(original).__name__])[0]


def check_file(path: Path) -> None:
    """Look at an SQLite file before it is opened for writing: header, length, and SQLite's own quick check.

    By SQLite alone: closing a file of one's own drops the locks that the process's other connections have on it (POSIX,
    fcntl), and the next program that closes the store then takes the log away under them.

    Raises:
        StoreBroken: when the file is damaged, cut short or not a store.
        StoreDown: when it cannot be read now.
        InputError: where its folder is missing.
    """
    if not path.parent.is_dir():
        raise InputError(f"store {path}: there is no folder {path.parent}: make it, or name another")
    if not path.exists() or not path.stat().st_size:
        return
    problems = _quick_check(path)
    if problems:
        more = f" and {len(problems) - 1} more" if len(problems) > 1 else ""
        raise StoreBroken(f"store {path} is damaged: {problems[0]}{more}{_WHAT_TO_DO}")


def _quick_check(path: Path) -> list[str]:
    """SQLite's complaints about a file, read only.

    A power cut while the file was made leaves a rollback journal, and SQLite reads nothing past it that may not write:
    then a copy is rolled back and looked through. The file itself is rolled back when the store is opened.
    """
    if not Path(f"{path}-journal").exists():
        return _complaints(f"{path.absolute().as_uri()}?mode=ro", path)
    with tempfile.TemporaryDirectory(prefix="pullcue-") as folder:
        copy = Path(folder) / path.name
        try:
            shutil.copyfile(path, copy)
            shutil.copyfile(f"{path}-journal", f"{copy}-journal")
        except OSError as error:
            raise StoreDown(f"store {path}: {error.strerror}") from error
        return _complaints(copy.absolute().as_uri(), path)


def _complaints(uri: str, path: Path) -> list[str]:
    try:
        # Read only: a connection that may write would bring the log into a damaged file when it closes.
        with closing(sqlite3.connect(uri, uri=True, timeout=_PATIENCE_S)) as connection:
            ours = connection.execute("PRAGMA application_id").fetchone()[0]
            tables = connection.execute("SELECT count(*) FROM sqlite_schema").fetchone()[0]
            if tables and ours != APPLICATION_ID:
                return ["it is an SQLite file of another program"]
            found = [row[0] for row in connection.execute("PRAGMA quick_check(20)")]
            return [
                line
                for text in found
                for line in text.splitlines()
                if line and line != "ok" and not line.startswith("*** ")
            ]
    except sqlite3.OperationalError as error:
        raise StoreDown(f"store {path}: {error}") from error
    except sqlite3.DatabaseError as error:
        if error.sqlite_errorcode == sqlite3.SQLITE_NOTADB:
            raise StoreBroken(f"{path} is no store: it does not begin as an SQLite file does{_WHAT_TO_DO}") from error
        return [str(error)]


def _scripts() -> ScriptDirectory:
    config = Config()
    config.set_main_option("script_location", str(_MIGRATIONS).replace("%", "%%"))
    return ScriptDirectory.from_config(config)


def newest_version() -> str:
    """Number of the newest version of the tables."""
    return str(_scripts().get_current_head())


def version_of(connection: Connection) -> str | None:
    """Number of the version of a database's tables; None for an empty one."""
    return MigrationContext.configure(connection).get_current_revision()


def migrate(engine: Engine, name: str, afterwards: Callable[[Connection], None]) -> None:
    """Bring the tables to the newest version, in one transaction.

    Args:
        afterwards: makes anew what is derived, in the same transaction; called only where something was brought up.

    Raises:
        InputError: when the database was written by a newer version, or holds tables of another program.
    """
    scripts = _scripts()
    known = {script.revision for script in scripts.walk_revisions()}
    with engine.connect() as connection:
        found = version_of(connection)
        if found == scripts.get_current_head():
            return
        if found is not None and found not in known:
            raise InputError(
                f"store {name} has tables of version {found}, and this Pullcue knows versions up to "
                f"{scripts.get_current_head()}: it was written by a newer "
                "Pullcue; install that one. Nothing was changed"
            )
    with engine.begin() as connection:
        if version_of(connection) is None and inspect(connection).get_table_names():
            raise InputError(f"store {name} holds tables of another program: expected an empty database")
        _upgrade(connection, scripts)
        afterwards(connection)
        if engine.dialect.name == "sqlite":
            connection.execute(text(f"PRAGMA application_id = {APPLICATION_ID}"))


def _upgrade(connection: Connection, scripts: ScriptDirectory) -> None:
    def steps(revision: Any, _: Any) -> Any:
        return scripts._upgrade_revs("head", revision)

    with EnvironmentContext(Config(), scripts, fn=steps) as context:
        context.configure(connection=connection, target_metadata=None)
        if connection.dialect.name == "postgresql":
            connection.execute(text("SELECT pg_advisory_xact_lock(5770700)"))  # two that upgrade at once
        context.run_migrations()
