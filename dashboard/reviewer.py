"""Reviews for pages: each done once in a process beside, kept with its heat, and the newest ones held for reports."""

from __future__ import annotations

import datetime
import threading
from collections import OrderedDict
from collections.abc import Callable
from concurrent.futures import Future
from dataclasses import replace
from typing import TYPE_CHECKING, Protocol

from dashboard.commands.records_options import opened
from dashboard.report import Report, report_of
from dashboard.review import Review
from dashboard.shop import Shop
from dashboard.store_place import StorePlace
from dashboard.stored import facts_of
from dashboard.stored_review import VERSION, as_it_stands, kept_review, review_number
from dashboard.units import Units
from thermal.fields import InputError

if TYPE_CHECKING:
    from logger.records import HeatRecord
    from logger.store import Store

#: Reviews that are held for reports; a report waits so long for one, s.
_HELD, _WAIT_S = 12, 300.0


class Does(Protocol):
    """Has a function done elsewhere (`dashboard.workers.Workers.do`)."""

    def __call__(self, job: Callable[..., Review], *given: object) -> Future[Review]:
        """The answer to come."""


class Reviewer:
    """Reviews the heats of one store.

    Args:
        does: who does it; None: a process of its own, started with the first review.
    """

    def __init__(self, shop: Shop, place: StorePlace, does: Does | None = None) -> None:
        self._shop, self._place, self._does = shop, place, does
        self._lock = threading.Lock()
        self._asked: dict[int, threading.Event] = {}
        self._held: OrderedDict[int, Review] = OrderedDict()
        self._refused: dict[int, str] = {}

    def ask(self, number: int) -> None:
        """Begin the review of an ended heat, unless one is on its way."""
        with self._lock:
            if number in self._asked:
                return
            self._refused.pop(number, None)
            self._asked[number] = threading.Event()
            future = self._doing()(review_number, self._place, self._shop, number)
        # Not under the lock: a future that is done already calls at once.
        future.add_done_callback(lambda done: self._finish(number, done))

    def wrong(self, number: int) -> str:
        """Why the last review of a heat came to nothing; '' where none did."""
        with self._lock:
            return self._refused.get(number, "")

    def report(self, number: int, units: Units, printed: datetime.date) -> Report:
        """The report of a heat as it reads now; its review is waited for where there is none yet.

        Raises:
            InputError: there is no such heat, it cannot be reviewed, or the review takes too long.
        """
        with opened(self._place) as kept:
            record = kept.heat(number)
            if record.state == "open":
                raise InputError(f"heat {number} is still going on: expected one that has ended")
            found = self._review(kept, record)
            stands = as_it_stands(replace(found, stored=facts_of(kept, record)), kept, record)
        return report_of(stands, units, printed)

    def _review(self, kept: Store, record: HeatRecord) -> Review:
        there = kept.kept_review(record.id)
        with self._lock:
            held = self._held.get(record.number)
        if held is not None and there is not None and there.version == VERSION:
            return held
        self.ask(record.number)
        with self._lock:
            asked = self._asked.get(record.number)
        if asked is not None and not asked.wait(_WAIT_S):
            raise InputError(f"heat {record.number}: its review is not done yet; try again in a minute")
        with self._lock:
            held = self._held.get(record.number)
        if held is None:
            raise InputError(self.wrong(record.number) or f"heat {record.number}: its review was not done; try again")
        return held

    def _doing(self) -> Does:
        if self._does is None:
            from dashboard.workers import Workers

            self._does = Workers(1).do
        return self._does

    def _finish(self, number: int, done: Future[Review]) -> None:
        """Keep what was found; a heat that was corrected meanwhile is not said to read so."""
        try:
            found = done.result()
            with opened(self._place) as kept:
                record = kept.heat(number)
                if found.stored is not None and _heating(found.stored.current) == _heating(record):
                    kept.keep_review(record.id, kept_review(found))
            with self._lock:
                self._held[number] = found
                while len(self._held) > _HELD:
                    self._held.popitem(last=False)
        except InputError as error:
            with self._lock:
                self._refused[number] = str(error)
        except Exception as error:  # of the process beside: the page says so instead of waiting for ever
            with self._lock:
                self._refused[number] = f"heat {number}: its review failed ({type(error).__name__}: {error})"
        finally:
            with self._lock:
                self._asked.pop(number).set()


def _heating(record: HeatRecord) -> tuple[object, ...]:
    """What a review rests on."""
    form = replace(record.form, notes=None, job_number=None, initials=None, sheet_label=None, checks={})
    return form, record.start_s, record.end_s
