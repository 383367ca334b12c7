"""What pages have computed, once for each question and kept for a while: plans with the map of their windows, parts."""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Callable
from concurrent.futures import Future
from dataclasses import dataclass
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

from dashboard.plan_question import Question
from thermal.advice import by_set_temperature
from thermal.fields import InputError
from thermal.plan import Plan
from thermal.plan import plan as plan_heat
from thermal.window import Windows

#: Answers that are kept; each holds some hundred kB.
_KEPT = 64
#: Answers that are computed or waited for at once; fewer than the server has threads, so that a cue is never late
#: because of them.
_PLACES = 6
_T = TypeVar("_T")


@dataclass(frozen=True)
class Map:
    """Where windows are over the set temperature: set_c (sets,), °C, and the windows at each."""

    set_c: NDArray[np.float64]
    windows: Windows


@dataclass(frozen=True)
class Planned:
    """A question with its answer."""

    question: Question
    plan: Plan
    map: Map


class Planner:
    """Answers questions one at a time: each keeps one core busy, and the same question is often asked again.

    Args:
        do: has a function done elsewhere; None: it is done here.
    """

    def __init__(self, do: Callable[..., Future[Any]] | None = None) -> None:
        self._do = do
        self._kept: OrderedDict[str, Any] = OrderedDict()
        self._lock = threading.Lock()
        self._places = threading.BoundedSemaphore(_PLACES)

    def planned(self, question: Question) -> Planned:
        """The plan of a question.

        Raises:
            InputError: it cannot be computed, or too many wait for theirs; the sentence says why.
        """
        # The words of a question hold every value of polymer, oven and case: a card that changes is another question.
        return self.answer(repr(question), _planned, question)

    def answer(self, key: str, job: Callable[..., _T], *given: object) -> _T:
        """What a function of a module gives for what can be pickled; `key` names both.

        Raises:
            InputError: the function's, or too many wait for theirs.
        """
        if (kept := self._kept.get(key)) is not None:
            found: _T = kept
            return found
        if not self._places.acquire(blocking=False):
            raise InputError(f"{_PLACES} plans are being computed already: ask again in a moment")
        try:
            with self._lock:
                if key not in self._kept:
                    self._kept[key] = job(*given) if self._do is None else self._do(job, *given).result()
                    while len(self._kept) > _KEPT:
                        self._kept.popitem(last=False)
                found = self._kept[key]
                return found
        finally:
            self._places.release()


def _planned(question: Question) -> Planned:
    try:
        plan = plan_heat(question.case, question.drop_m, question.clearance_m, question.room_c)
        return Planned(question, plan, Map(*by_set_temperature(question.case, plan.of)))
    except ArithmeticError as error:
        raise InputError(f"this sheet in this oven cannot be computed: {error}; correct the oven card") from error
