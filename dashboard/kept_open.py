"""A store that pages read, opened once: opening looks the file through and asks for its version, which takes longer
than most searches.
"""

from __future__ import annotations

import os
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING

from dashboard.store_place import StorePlace
from logger.records import StoreDown
from thermal.fields import InputError

if TYPE_CHECKING:
    from logger.store import Store


class KeptOpen:
    """The store at a place. Calls may come from several threads."""

    def __init__(self, place: StorePlace) -> None:
        self.place = place
        self._lock = threading.Lock()
        self._store: Store | None = None
        self._file: tuple[int, int] | None = None

    @contextmanager
    def opened(self) -> Iterator[Store]:
        """The store; opened anew where another file was put in its place, a backup say.

        Raises:
            InputError: there is none, or it cannot be used now.
        """
        self.place.must_exist()
        try:
            yield self._now()
        except StoreDown as error:
            raise InputError(
                f"{self.place.words}: the store cannot be used now ({error}); try again when it can"
            ) from error

    def close(self) -> None:
        """Let go of it."""
        with self._lock:
            if self._store is not None:
                self._store.close()
                self._store = None

    def _now(self) -> Store:
        from logger.store import open_store

        file = None
        if self.place.file is not None:
            status = os.stat(self.place.file)
            file = (status.st_dev, status.st_ino)
        with self._lock:
            if self._store is None or file != self._file:
                if self._store is not None:
                    self._store.close()
                self._store = open_store(self.place.url, check=False)
                self._file = file
            return self._store
