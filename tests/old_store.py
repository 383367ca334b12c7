"""Makes the old databases in tests/data: run once when a version of the tables is released, then kept.

python tests/old_store.py tests/data/store_v1.db.gz
python tests/old_store.py tests/data/store_v1.sql.gz    # needs PostgreSQL: its pg_dump writes the statements
"""

from __future__ import annotations

import gzip
import sys
import tempfile
from pathlib import Path

import postgres_server
from logger.records import Correction, Mark
from logger.store import Store, open_store
from store_data import BEGAN_MS, BENCH, RUN, filled, id_of, open_heat, second


def write_content(store: Store) -> None:
    """A bit of everything that version 1 can hold."""
    store.add([], [Mark(id_of(21), BENCH, RUN, 11.0, BEGAN_MS + 11_000, "door", source="door")])
    first, _ = filled(store, seconds=30, heats=2)
    store.add([second(200)], [Mark(id_of(22), BENCH, RUN, 12.0, BEGAN_MS, "door", "AB", "wrong", undoes=id_of(21))])
    store.correct(Correction(id_of(23), first.id, BEGAN_MS, "CD", "typo", "gauge_mm", "6.0", "5.0"))
    store.attach_photo(first.id, b"\xff\xd8 photo", "image/jpeg")
    third = open_heat(store, 3, start_s=26.0)
    store.move_start(third.id, 25.0, "AB", "late")
    store.end_run(RUN, "ended", BEGAN_MS + 300_000)


def _sqlite() -> bytes:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "store.db"
        store = open_store(f"sqlite:///{path}")
        write_content(store)
        store.close()
        return path.read_bytes()


def _postgresql() -> bytes:
    programs = postgres_server.programs()
    assert programs is not None, "PostgreSQL is not installed"
    server = postgres_server.Postgres(programs)
    try:
        store = open_store(server.url("old"))
        write_content(store)
        store.close()
        return server.dump("old")
    finally:
        server.close()


if __name__ == "__main__":
    target = Path(sys.argv[1])
    target.write_bytes(gzip.compress(_postgresql() if ".sql" in target.name else _sqlite(), mtime=0))
