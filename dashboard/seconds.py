"""Readings once a second of one run, kept in little memory: what the estimate and the pictures are made of."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from calibration.observed import Observed
from thermal.heat import Event, Sensor

Array = NDArray[np.float64]

_FIRST = 256


class Seconds:
    """Grows at its end, is cut at its beginning; NaN where a column had no reading."""

    def __init__(self) -> None:
        self._columns: tuple[str, ...] = ()
        self._table = np.full((_FIRST, 1), np.nan)
        self._from = self._to = 0

    def __len__(self) -> int:
        return self._to - self._from

    @property
    def last_s(self) -> float:
        """Time of the newest row; minus infinity where there is none."""
        return float(self._table[self._to - 1, 0]) if len(self) else float("-inf")

    def add(self, at_s: float, values: Mapping[str, float]) -> None:
        """Keep a second: of a time that was there already, or lies before it, nothing."""
        if at_s <= self.last_s:
            return
        new = [name for name in values if name not in self._columns]
        if new:
            self._columns = (*self._columns, *new)
            self._table = np.hstack([self._table, np.full((len(self._table), len(new)), np.nan)])
        if self._to == len(self._table):
            self._make_room()
        self._table[self._to] = [at_s, *(values.get(name, np.nan) for name in self._columns)]
        self._to += 1

    def keep_from(self, at_s: float) -> None:
        """Forget what lies before a time."""
        rows = self._table[self._from : self._to, 0]
        self._from += int(np.searchsorted(rows, at_s))

    def observed(self, start_s: float, events: Sequence[Event], sensors: Mapping[str, Sensor]) -> Observed:
        """A copy on the time of the heat that began at `start_s`."""
        rows = self._table[self._from : self._to].copy()
        columns = {name: rows[:, place] for place, name in enumerate(self._columns, 1)}
        return Observed(rows[:, 0] - start_s, columns, tuple(events), sensors)

    def _make_room(self) -> None:
        kept = self._table[self._from : self._to]
        table = np.full((max(_FIRST, 2 * len(kept)), kept.shape[1]), np.nan)
        table[: len(kept)] = kept
        self._table, self._from, self._to = table, 0, len(kept)
