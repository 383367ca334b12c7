"""The estimate of a heat that goes on, with members heated elsewhere: meanwhile those that there are answer.

Conditioning takes milliseconds, heating members tenths of a second, on a busy machine seconds. A cue that waits for
them is old. They are heated by a copy of the estimator, which takes the first one's place when it is done.
"""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import BrokenExecutor, Future
from copy import copy

import numpy as np
from numpy.typing import NDArray

from calibration.estimate import Estimate
from calibration.estimator import Estimator
from calibration.observed import Observed

#: Heats the members of an estimator for a moment, somewhere, and gives that estimator back.
Settle = Callable[[Estimator, Observed, float], Future[Estimator]]


def settled(estimator: Estimator, seen: Observed, now_s: float) -> Estimator:
    """The estimator with its members heated as that moment asks for."""
    estimator.at(seen, now_s)
    return estimator


class Aside:
    """Estimates of one heat, asked for increasing times."""

    def __init__(self, estimator: Estimator, settle: Settle) -> None:
        self._estimator, self._settle = estimator, settle
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
            self._coming = self._settle(copy(self._estimator), seen, now_s)

    def at_once(self, seen: Observed, now_s: float) -> Estimate:
        """The same, waiting for the first members."""
        return self.at(seen, now_s) or self._estimator.at(seen, now_s)

    def profile_c(self, seen: Observed, at_s: float) -> tuple[NDArray[np.float64], float]:
        """See `Estimator.profile_c`."""
        return self._estimator.profile_c(seen, at_s)

    def _take(self, wait: bool) -> None:
        """Let the estimator whose members are heated take the place of the one that answered."""
        if self._coming is None or not (wait or self._coming.done()):
            return
        coming, self._coming = self._coming, None
        try:
            self._estimator = coming.result()
        except BrokenExecutor:
            return  # asked for again with the next look
