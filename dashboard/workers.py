"""Processes for what takes long beside benches that are recorded: the heating of members, the carry of a sheet that was
pulled, plans. No recorder and no page waits for them: in a thread they would take turns with all others at one
interpreter's lock.
"""

from __future__ import annotations

import os
import signal
import threading
from collections.abc import Callable
from concurrent.futures import BrokenExecutor, Future, ProcessPoolExecutor
from datetime import date
from multiprocessing import get_context, parent_process
from types import TracebackType
from typing import TypeVar

from dashboard.commands.heat_plan import planned
from dashboard.shop import Shop
from logger.records import HeatForm

#: Recorder and pages come first on a machine that has too much to do.
_NICE = 5
_T = TypeVar("_T")


def how_many(benches: int) -> int:
    """Processes for so many benches: half of the machine's cores at most, each of them takes 90 MB and more."""
    return max(1, min(benches, (os.cpu_count() or 1) // 2, 4))


class Workers:
    """So many processes; a context.

    If one dies (of too little memory, say) they are started anew once; after that everything is done by whoever asks:
    estimates then come a little later.
    """

    def __init__(self, count: int) -> None:
        self._count = count
        self._lock = threading.Lock()
        self._pool: ProcessPoolExecutor | None = self._new()
        self._spare = 1

    def _new(self) -> ProcessPoolExecutor:
        # Spawned on every system: a copy of a process with threads may hold a lock that nobody lets go of.
        return ProcessPoolExecutor(self._count, mp_context=get_context("spawn"), initializer=_begin)

    def __enter__(self) -> Workers:
        """Start them now: importing what they need takes a second, which the first sheet need not wait for."""
        for _ in range(self._count):
            self.do(_begun)
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """See `close`."""
        self.close()

    def plan(self, form: HeatForm, shop: Shop, today: date) -> str:
        """See `dashboard.commands.heat_plan.planned`; waits for it."""
        return self.do(planned, form, shop, today).result()

    def close(self) -> None:
        """End them; what was asked of them is not waited for."""
        with self._lock:
            pool, self._pool, self._spare = self._pool, None, 0
        if pool is not None:
            pool.shutdown(wait=True, cancel_futures=True)

    def do(self, job: Callable[..., _T], *given: object) -> Future[_T]:
        """Have a function of a module done, with what can be pickled."""
        with self._lock:
            if self._pool is not None:
                try:
                    return self._pool.submit(job, *given)
                except BrokenExecutor:
                    self._pool = self._new() if self._spare else None
                    self._spare -= 1
            if self._pool is not None:
                return self._pool.submit(job, *given)
        here: Future[_T] = Future()
        try:
            here.set_result(job(*given))
        except Exception as error:
            here.set_exception(error)
        return here


def _begun() -> None:
    """Nothing: that it is done says that the process is there."""


def _begin() -> None:
    """What a process does first: leave Ctrl-C to the one that started it, and end with it."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    if hasattr(os, "nice"):
        os.nice(_NICE)
    threading.Thread(target=_end_with_parent, daemon=True).start()


def _end_with_parent() -> None:
    parent = parent_process()
    if parent is not None:
        parent.join()
        os._exit(1)
