"""Trends that were counted once, until something they rest on changes in the store: a page and its tables ask again."""

from __future__ import annotations

import threading
from collections import OrderedDict
from typing import TYPE_CHECKING

from dashboard.trends import Trends, trends

if TYPE_CHECKING:
    from logger.records import HeatFilter
    from logger.review_rows import State
    from logger.store import Store

#: So many searches are held; of 100,000 reviewed heats one takes some 20 MB.
_HELD = 4


class KeptTrends:
    """Calls may come from several threads."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._held: OrderedDict[tuple[HeatFilter, int, bool], tuple[Store, State, Trends]] = OrderedDict()

    def of(self, store: Store, wanted: HeatFilter, version: int, operators: bool) -> Trends:
        """See `dashboard.trends.trends`."""
        key, now = (wanted, version, operators), store.state_of_trends(version)
        with self._lock:
            held = self._held.get(key)
        if held is not None and held[0] is store and held[1] == now:
            return held[2]
        found = trends(store, wanted, version, operators)
        with self._lock:
            self._held[key] = (store, now, found)
            self._held.move_to_end(key)
            while len(self._held) > _HELD:
                self._held.popitem(last=False)
        return found
