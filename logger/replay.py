"""A recorded heat played back as if it came off a wire, at any speed."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import timedelta

from logger.board_format import COUNTER
from logger.clock import Clock
from logger.reading import Arrival, Fault, Frame, Link, LinkState, State, Unit, Value
from thermal.heat import Heat, role_of, sensor_of

_UNITS: dict[str, Unit] = {"c": "C", "mm": "mm", "kpa": "kPa"}


class ReplaySource:
    """Rows of a heat as frames: channels are its known columns without their unit, events are buttons.

    Each row arrives when its time has come, stamped to the moment it was due; after the last the link ends.

    Args:
        id: of the source on its bench. heat: what is played. clock: waits and stamps.
        speed: seconds of the heat in a second of the clock; above zero.
    """

    def __init__(self, id: str, heat: Heat, clock: Clock, speed: float = 1.0) -> None:
        if not 0.0 < speed < float("inf"):
            raise ValueError(f"speed = {speed}: expected a number above 0")
        self.id = id
        self._clock, self._speed = clock, speed
        self._rows = _rows(heat)
        self._next = next(self._rows, None)
        self._first_s = float(heat.time_s[0])
        self._start: tuple[float, timedelta] | None = None
        self._ended = False

    @property
    def channels(self) -> tuple[str, ...]:
        """Names of the channels."""
        return tuple(value.channel for value in self._next[1].values) if self._next else ()

    def poll(self, timeout_s: float) -> list[Arrival]:
        """See `Source.poll`."""
        if self._ended:
            self._clock.sleep(timeout_s)
            return []
        found: list[Arrival] = []
        if self._start is None:
            self._start = (self._clock.monotonic_s(), timedelta())
            found.append(self._stamped(self._start[0], Link(LinkState.RUNNING, "the recorded heat begins")))
        deadline_s = self._clock.monotonic_s() + max(timeout_s, 0.0)
        due_s = self._due_s()
        if not found and due_s is not None and due_s > self._clock.monotonic_s():
            self._clock.sleep(min(due_s, deadline_s) - self._clock.monotonic_s())
        while (due_s := self._due_s()) is not None and due_s <= self._clock.monotonic_s():
            assert self._next is not None
            found.append(self._stamped(due_s, self._next[1]))
            self._next = next(self._rows, None)
        if self._next is None:
            self._ended = True
            found.append(self._stamped(self._clock.monotonic_s(), Link(LinkState.ENDED, "the recorded heat is over")))
        return found

    def close(self) -> None:
        """See `Source.close`."""
        self._ended = True

    def _due_s(self) -> float | None:
        assert self._start is not None
        return None if self._next is None else self._start[0] + (self._next[0] - self._first_s) / self._speed

    def _stamped(self, at_s: float, what: Frame | Fault | Link) -> Arrival:
        late = timedelta(seconds=self._clock.monotonic_s() - at_s)
        return Arrival(at_s, self._clock.utc() - late, what)


def _rows(heat: Heat) -> Iterator[tuple[float, Frame]]:
    """Time and frame of each row; a row with several events gives frames without values for the others."""
    columns = [(name, _UNITS[name.rpartition("_")[2]], values.tolist())
               for name, values in heat.columns.items() if role_of(name)]  # fmt: skip
    events = list(heat.events)
    first_s = float(heat.time_s[0])
    for row, time_s in enumerate(heat.time_s.tolist()):
        happened = []
        while events and events[0].time_s <= time_s:
            happened.append(events.pop(0).name)
        values = tuple(
            Value(sensor_of(name), unit, None, State.MISSING)
            if series[row] != series[row]
            else Value(sensor_of(name), unit, series[row])
            for name, unit, series in columns
        )
        ms = round((time_s - first_s) * 1e3) % COUNTER
        yield time_s, Frame(row, ms, values, happened[0] if happened else "")
        for name in happened[1:]:
            yield time_s, Frame(row, ms, (), name)
    for event in events:
        yield event.time_s, Frame(None, None, (), event.name)
