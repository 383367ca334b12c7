"""The estimate of a heat that goes on, with what takes long done elsewhere: meanwhile members that are there answer.

Conditioning takes milliseconds, heating members tenths of a second, on a busy machine seconds. A cue that waits for
them is old. They are heated by a copy of the estimator, which takes the first one's place when it is done.
"""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import BrokenExecutor, Future
from copy import copy
from typing import Protocol, TypeVar

from calibration.estimate import Estimate
from calibration.estimator import Estimator
from calibration.observed import Observed
from dashboard.after_pull import Pulled, as_it_left
from thermal.case import Case

_T = TypeVar("_T")


class Elsewhere(Protocol):
    """Has a function of a module done, somewhere, with what can be pickled."""

    def __call__(self, job: Callable[..., _T], /, *given: object) -> Future[_T]:
        """What will come of it."""


def settled(estimator: Estimator, seen: Observed, now_s: float) -> Estimator:
    """The estimator with its members heated as that moment asks for."""
    estimator.at(seen, now_s)
    return estimator


class Aside:
    """Estimates of one heat, asked for increasing times."""

    def __init__(self, estimator: Estimator, elsewhere: Elsewhere) -> None:
        self._estimator, self._elsewhere = estimator, elsewhere
        self._coming: Future[Estimator] | None = None

    def at(self, seen: Observed, now_s: float) -> Estimate | None:
        """The estimate at `now_s` from what was known then; None: the first members are still being heated."""
        self._ask(seen, now_s)
        self._take(wait=False)
        # Members that are not followed as far as this can tell nothing: new ones are waited for.
        while self._estimator.heated_s is not None and not self._estimator.serves(now_s):
            self._ask(seen, now_s)
            self._take(wait=True)
        return None if self._estimator.heated_s is None else self._estimator.answer(seen, now_s)

    def _ask(self, seen: Observed, now_s: float) -> None:
        if self._coming is None and self._estimator.wants_members(seen, now_s):
            self._coming = self._elsewhere(settled, copy(self._estimator), seen, now_s)

    def left(self, inside: Observed, out_s: float, case: Case, room_c: float) -> Future[Pulled]:
        """See `as_it_left`."""
        if self._coming is not None and self._coming.cancel():
            self._coming = None  # nobody asks how it would have gone on
        return self._elsewhere(as_it_left, copy(self._estimator), inside, out_s, case, room_c)

    def _take(self, wait: bool) -> None:
        """Let the estimator whose members are heated take the place of the one that answered."""
        if self._coming is None or not (wait or self._coming.done()):
            return
        coming, self._coming = self._coming, None
        try:
            self._estimator = coming.result()
        except BrokenExecutor:
            return  # asked for again with the next look
