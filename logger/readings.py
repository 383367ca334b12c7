"""From what sources send to readings by role: converted, corrected, judged; several sources side by side."""

from __future__ import annotations

import queue
import threading
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from logger.bench import Bench, Role, unknown_channels
from logger.board_source import BoardSource
from logger.clock import Clock
from logger.conversion import Converter
from logger.quality import NOTHING_YET, STALE_S, BenchWatch, Judged
from logger.reading import Arrival, Fault, FaultKind, Frame, Link, LinkState, Source, State
from logger.sensors import Register, overdue
from thermal.fields import InputError

NO_SENSORS = Register()
#: A thread asks its source for this long at a time, s of the clock: how soon it notices the end.
_TURN_S = 0.2
#: The waiting for several sources is cut into this many parts.
_LOOKS = 10
#: Two frames of a board further apart than this by its own clock are timed by their arrival, s.
_LONGEST_STEP_S = 60.0


@dataclass(frozen=True)
class Reading:
    """One role's value at one moment, or why there is none.

    Attributes:
        value: in `unit` ('C', 'mm', 'kPa'); None unless it may be believed. text: explains; doubt where there is a
        value. source_text: 'source/channel'.
    """

    role: str
    value: float | None
    unit: str
    state: State
    text: str
    source_text: str


@dataclass(frozen=True)
class BenchArrival:
    """What one source reported, with the readings that came of it.

    Attributes:
        what: as the source gave it. readings: of the roles it plays; empty for faults, links and buttons.
    """

    source: str
    monotonic_s: float
    utc: datetime
    what: Frame | Fault | Link
    readings: tuple[Reading, ...] = ()


class BenchReader:
    """All sources of a bench as one.

    With several sources each has a thread of its own, so that a slow one holds up no other.

    Args:
        bench: its file. sources: one for each [[source]], by the same ids. clock: that of the sources.
        register: the shop's sensors, for corrections. radiant: emitters heat the sheet. stale_s: see `BenchWatch`.

    Raises:
        InputError: the sources are not those of the bench, or a role names a sensor that is not in the register or is
            of another type there.
    """

    def __init__(
        self,
        bench: Bench,
        sources: Sequence[Source],
        clock: Clock,
        register: Register = NO_SENSORS,
        radiant: bool = False,
        stale_s: float = STALE_S,
    ) -> None:
        if {source.id for source in sources} != {entry.id for entry in bench.sources}:
            given, wanted = ([one.id for one in group] for group in (sources, bench.sources))
            raise InputError(f"bench {bench.id}: its sources are {wanted}: expected these to be opened, not {given}")
        self.bench = bench
        self.links: dict[str, Link] = {}
        self.faults: Counter[tuple[str, FaultKind]] = Counter()
        self.last_fault: dict[str, Fault] = {}
        self.frames: Counter[str] = Counter()
        self._sources, self._clock, self._stale_s = tuple(sources), clock, stale_s
        self._register = register
        try:
            self._converter = Converter(bench.roles, register)
        except InputError as error:
            raise InputError(f"bench {bench.id}: {error}") from None
        self._watch = BenchWatch((role.name for role in bench.roles), radiant, stale_s)
        self._channels: dict[str, tuple[str, ...]] = {}
        self._roles = {entry.id: bench.roles_of(entry.id) for entry in bench.sources}
        self._judged_at: dict[str, tuple[float, int | None]] = {}
        self._seen_s = clock.monotonic_s()
        self._queue: queue.SimpleQueue[tuple[Source, Arrival | Exception]] = queue.SimpleQueue()
        self._stop = threading.Event()
        self._threads = (
            [threading.Thread(target=self._read_on, args=(source,), daemon=True) for source in sources]
            if len(sources) > 1
            else []
        )
        for thread in self._threads:
            thread.start()

    # ------------------------------------------------------------ reading

    def poll(self, timeout_s: float) -> list[BenchArrival]:
        """What arrived since the last call; waits at most `timeout_s` for the first."""
        if not self._sources:
            self._clock.sleep(timeout_s)
            found: list[tuple[Source, Arrival]] = []
        elif len(self._sources) == 1:
            source = self._sources[0]
            found = [(source, arrival) for arrival in source.poll(timeout_s)]
        else:
            found = self._queued(timeout_s)
        self._seen_s = self._clock.monotonic_s()
        return [self._arrival(source, arrival) for source, arrival in found]

    def now(self) -> dict[str, Reading]:
        """Every role as it stands at the last poll, in the bench file's order."""
        judged = self._watch.at(self._seen_s)
        return {role.name: self._reading(role, self._with_link(role, judged[role.name])) for role in self.bench.roles}

    @property
    def notes(self) -> tuple[str, ...]:
        """What a person should know of this bench, one sentence each; grows with what the sources tell."""
        found = list(self.bench.notes)
        for source, channels in self._channels.items():
            found += unknown_channels(self.bench, source, channels)
        for role in self.bench.roles:
            if note := self._converter.note(role, self.announced_type(role)):
                found.append(note)
            sensor = self._register.sensor(role.serial) if role.serial else None
            if sensor is not None and overdue(sensor, self._clock.utc().date()):
                found.append(f"sensor {sensor.serial} of role {role.name} was due on {sensor.due}: check it again")
        return tuple(found)

    def announced_type(self, role: Role) -> str:
        """Thermocouple type that the board says of a role's channel; '' where it says none, or is no board."""
        source = next((one for one in self._sources if one.id == role.source), None)
        if not isinstance(source, BoardSource) or source.banner is None:
            return ""
        return next((c.thermocouple for c in source.banner.channels if c.name == role.channel), "")

    def close(self) -> None:
        """Let go of all ports and threads; may be called twice."""
        self._stop.set()
        for thread in self._threads:
            thread.join()
        for source in self._sources:
            source.close()

    # ------------------------------------------------------------ several sources

    def _read_on(self, source: Source) -> None:
        try:
            while not self._stop.is_set():
                for arrival in source.poll(_TURN_S):
                    self._queue.put((source, arrival))
        except Exception as error:  # raised again where the bench is read, which a thread cannot do by itself
            self._queue.put((source, error))

    def _queued(self, timeout_s: float) -> list[tuple[Source, Arrival]]:
        end_s = self._clock.monotonic_s() + timeout_s
        while self._queue.empty() and self._clock.monotonic_s() < end_s:
            self._clock.sleep(timeout_s / _LOOKS)
        found = []
        while not self._queue.empty():
            source, what = self._queue.get()
            if isinstance(what, Exception):
                raise what
            found.append((source, what))
        return found

    # ------------------------------------------------------------ one arrival

    def _arrival(self, source: Source, arrival: Arrival) -> BenchArrival:
        what = arrival.what
        readings: tuple[Reading, ...] = ()
        if isinstance(what, Link):
            self.links[source.id] = what
        elif isinstance(what, Fault):
            self.faults[source.id, what.kind] += 1
            self.last_fault[source.id] = what
        elif what.values:
            self.frames[source.id] += 1
            readings = self._readings(source.id, arrival.monotonic_s, what)
        return BenchArrival(source.id, arrival.monotonic_s, arrival.utc, what, readings)

    def _readings(self, source: str, arrived_s: float, frame: Frame) -> tuple[Reading, ...]:
        values = {value.channel: value for value in frame.values}
        self._channels[source] = tuple(values)
        roles = self._roles[source]
        samples = self._converter.samples(roles, values, self.announced_type)
        judged = self._watch.take(self._time_s(source, arrived_s, frame.source_ms), samples)
        return tuple(self._reading(role, judged[role.name]) for role in roles)

    def _time_s(self, source: str, arrived_s: float, source_ms: int | None) -> float:
        """When the frame was made: by the board's clock where several come in one read, never after its arrival."""
        before_s, before_ms = self._judged_at.get(source, (arrived_s, None))
        time_s = arrived_s
        if source_ms is not None and before_ms is not None and 0 <= source_ms - before_ms <= _LONGEST_STEP_S * 1e3:
            time_s = min(before_s + (source_ms - before_ms) * 1e-3, arrived_s)
            if arrived_s - time_s > 0.5 * self._stale_s:
                time_s = arrived_s
        self._judged_at[source] = (time_s, source_ms)
        return time_s

    def _with_link(self, role: Role, judged: Judged) -> Judged:
        """What the link says explains a role without reading better than the role itself can."""
        link = self.links.get(role.source)
        heard_others = judged is NOTHING_YET and role.source in self._channels
        if judged.state is not State.MISSING or link is None or link.state is LinkState.RUNNING or heard_others:
            return judged
        return Judged(None, State.MISSING, f"{judged.text} ({link.state})")

    @staticmethod
    def _reading(role: Role, judged: Judged) -> Reading:
        return Reading(role.name, judged.value, role.unit, judged.state, judged.text, role.wire)
