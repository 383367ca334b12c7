"""The cue of a bench that this program reads itself: samples and marks in, what is told out."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from calibration.observed import USED, Observed
from dashboard.follower import Followed, Follower, Told
from logger.bench import column_of
from logger.marks import DOOR_CLOSED, START
from thermal.heat import Event, Sensor, role_of

#: Samples of so long before the sheet goes in tell how warm the walls were, s.
_BEFORE_S = 1800.0


class LiveCue:
    """Follows the one heat of a practice.

    Args:
        followed: sheet and oven. sensors: by role.
    """

    def __init__(self, followed: Followed, sensors: Mapping[str, Sensor] | None = None) -> None:
        self.followed = followed
        self._follower = Follower(followed)
        self._sensors = dict(sensors or {})
        self._at_s: list[float] = []
        self._rows: list[dict[str, float]] = []
        self._events: list[tuple[str, float]] = []
        self._start_s: float | None = None

    def heed(self, marks: Sequence[tuple[str, float]]) -> None:
        """All that is marked and in force by now; the first start, or closing of the door, is the sheet going in.

        Args:
            marks: name and moment of each, of the time that samples have.
        """
        starts = [at_s for name, at_s in marks if name in (START, DOOR_CLOSED)]
        start_s = min(starts, default=None)
        if start_s != self._start_s:
            self._follower = Follower(self.followed)  # another time, another heat
        self._start_s = start_s
        self._events = [(name, at_s) for name, at_s in marks if name != START and at_s != start_s]

    def sample(self, at_s: float, values: Mapping[str, float | None]) -> None:
        """Every role as it stands, in its unit; None for what is not believed. Of a time only the first is kept."""
        if self._at_s and at_s <= self._at_s[-1]:
            return
        columns = {role: column_of(role) or role for role in values}
        self._at_s.append(at_s)
        self._rows.append(
            {columns[role]: value for role, value in values.items()
             if value is not None and role_of(columns[role]) in USED}
        )  # fmt: skip

    def told(self, at_s: float) -> Told | None:
        """What is told at a moment; None before the sheet goes in."""
        if self._start_s is None or at_s < self._start_s:
            return None
        return self._follower.at(self.seen(), at_s - self._start_s)

    def seen(self) -> Observed:
        """What was measured and marked, on the heat's own time."""
        start_s = self._start_s or 0.0
        at_s = np.array(self._at_s) - start_s
        near = at_s >= -_BEFORE_S
        names = sorted({name for row in self._rows for name in row})
        columns = {name: np.array([row.get(name, np.nan) for row in self._rows])[near] for name in names}
        events = tuple(Event(when_s - start_s, name) for name, when_s in self._events)
        return Observed(at_s[near], columns, events, self._sensors)
