"""Plans with the picture of their windows, computed once for each question and kept for a while."""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Callable
from concurrent.futures import Future
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from dashboard.plan_question import Question
from thermal.advice import by_set_temperature
from thermal.fields import InputError
from thermal.plan import Plan
from thermal.plan import plan as plan_heat
from thermal.window import Windows

#: Plans that are kept; each holds some hundred kB.
_KEPT = 64
#: Plans that are computed or waited for at once; fewer than the server has threads, so that a cue is never late
#: because of them.
_PLACES = 6


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
    """Plans questions one at a time: a plan keeps one core busy, and the same question is often asked again.

    Args:
        do: has a function done elsewhere; None: it is done here.
    """

    def __init__(self, do: Callable[..., Future[Planned]] | None = None) -> None:
        self._do = do
        self._kept: OrderedDict[str, Planned] = OrderedDict()
        self._lock = threading.Lock()
        self._places = threading.BoundedSemaphore(_PLACES)

    def planned(self, question: Question) -> Planned:
        """The plan of a question.

        Raises:
            InputError: it cannot be computed, or too many wait for theirs; the sentence says why.
        """
        # The words of a question hold every value of polymer, oven and case: a card that changes is another question.
        key = repr(question)
        if (kept := self._kept.get(key)) is not None:
            return kept
        if not self._places.acquire(blocking=False):
            raise InputError(f"{_PLACES} plans are being computed already: ask again in a moment")
        try:
            with self._lock:
                if key not in self._kept:
                    self._kept[key] = _planned(question) if self._do is None else self._do(_planned, question).result()
                    while len(self._kept) > _KEPT:
                        self._kept.popitem(last=False)
                return self._kept[key]
        finally:
            self._places.release()


def _planned(question: Question) -> Planned:
    try:
        plan = plan_heat(question.case, question.drop_m, question.clearance_m, question.room_c)
        return Planned(question, plan, Map(*by_set_temperature(question.case, plan.of)))
    except ArithmeticError as error:
        raise InputError(f"this sheet in this oven cannot be computed: {error}; correct the oven card") from error
