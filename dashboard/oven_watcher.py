"""Ovens under watch for pages: what is known at once, and the rest looked at in a thread beside.

A heat that is looked at keeps a core busy for a second: while one is recorded here, the thread waits.
"""

from __future__ import annotations

import datetime
import threading
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from typing import TYPE_CHECKING

from calibration.drift import Drift, drift
from calibration.heat_estimate import Estimate
from dashboard.oven_drift import OvenWatch, watch_oven
from dashboard.oven_survey import StoredSurvey, newest_survey
from dashboard.shop import Shop
from dashboard.store_place import StorePlace
from logger.records import StoreDown
from thermal.case import Case
from thermal.fields import InputError
from thermal.oven import OvenCard

if TYPE_CHECKING:
    from logger.store import Store

#: Heats that are looked at before it is seen anew whether one is recorded; how long that is waited for, s.
_AT_ONCE, _PAUSE_S = 1, 2.0


class OvenWatcher:
    """Watches the ovens of a shop.

    Args:
        place: of the records. today: the date. busy: whether a heat is being recorded by this program.
    """

    def __init__(
        self, shop: Shop, place: StorePlace, today: Callable[[], datetime.date], busy: Callable[[], bool]
    ) -> None:
        self._shop, self._place, self._today, self._busy = shop, place, today, busy
        self._lock = threading.Lock()
        self._threads: dict[str, threading.Thread] = {}
        self._drifts: dict[str, tuple[str, Drift]] = {}
        self._surveys: dict[str, tuple[str, StoredSurvey | None]] = {}
        self._stop = threading.Event()

    def watch(self, oven: str) -> OvenWatch:
        """What is known of an oven now; where heats wait, a thread begins to look at them.

        Raises:
            InputError: no such oven, or there are no records that can be read.
        """
        found = self._look(oven, 0)
        if found.waiting:
            with self._lock:
                running = self._threads.get(oven)
                if running is None or not running.is_alive():
                    self._threads[oven] = threading.Thread(
                        target=self._run, args=(oven,), name=f"drift {oven}", daemon=True
                    )
                    self._threads[oven].start()
        return found

    def survey(self, oven: str) -> StoredSurvey | None:
        """See `oven_survey.newest_survey`."""
        with self._opened() as store:
            newest = store.newest_hash()
            kept = self._surveys.get(oven)
            if kept is None or kept[0] != newest:
                kept = self._surveys[oven] = (newest, newest_survey(store, oven))
            return kept[1]

    def stop(self) -> None:
        """End the threads after the heat they are at."""
        self._stop.set()
        for thread in self._threads.values():
            thread.join()

    def _run(self, oven: str) -> None:
        try:
            while not self._stop.is_set():
                if self._busy():
                    self._stop.wait(_PAUSE_S)
                elif not self._look(oven, _AT_ONCE).waiting:
                    return
        except InputError:
            return  # the page that asks next is told

    def _look(self, oven: str, most: int) -> OvenWatch:
        self._shop.oven(oven)  # a slip in its name is said before anything about records
        with self._opened() as store:
            folder, today = self._place.folder, self._today()
            return watch_oven(self._shop, oven, store, folder, today, most=most, charts=self._charts)

    def _charts(self, card: OvenCard, estimates: Sequence[Estimate], today: datetime.date, usual: Case | None) -> Drift:
        """See `calibration.drift.drift`; what an alarm does to sheets takes half a second, so it is kept."""
        of = repr((card, estimates, today, usual and (usual.polymer, usual.set_c)))
        kept = self._drifts.get(card.id)
        if kept is None or kept[0] != of:
            kept = self._drifts[card.id] = (of, drift(card, estimates, today, usual))
        return kept[1]

    @contextmanager
    def _opened(self) -> Iterator[Store]:
        from logger.store import open_store

        self._place.must_exist()
        try:
            store = open_store(self._place.url, check=False)
            try:
                yield store
            finally:
                store.close()
        except StoreDown as error:
            raise InputError(f"{self._place.words}: the records cannot be read now ({error}); try again") from error
