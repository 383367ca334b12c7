"""Makes the old database files in tests/data: run once when a version of the tables is released, then kept.

python tests/old_store.py tests/data/store_v1.db.gz
"""

from __future__ import annotations

import gzip
import sys
import tempfile
from pathlib import Path

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


def main(target: Path) -> None:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "store.db"
        store = open_store(f"sqlite:///{path}")
        write_content(store)
        store.close()
        target.write_bytes(gzip.compress(path.read_bytes(), mtime=0))


if __name__ == "__main__":
    main(Path(sys.argv[1]))
