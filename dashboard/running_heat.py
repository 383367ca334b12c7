"""The heat that is going on, read from the store while a recorder writes it: what is new each time it is looked at.

The time of the run goes on between two seconds of samples with this program's own monotonic clock: UTC may step, and a
practice bench's time runs fast.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from calibration.observed import USED, Observed
from logger.bench import column_of
from logger.blocks import is_raw, utc_ms
from logger.clock import Clock
from logger.heat_export import BEFORE_S, event_name
from logger.marks import START
from logger.reading import State
from logger.records import NOT_SAMPLED, STATES, Block, HeatFilter, HeatRecord, Mark, in_force
from thermal.heat import Event, Sensor, role_of

if TYPE_CHECKING:
    from logger.store import Store

Array = NDArray[np.float64]

#: What is marked this long after the pull still belongs to the heat, s.
_AFTER_S = 1800.0
#: A heat that began so long ago and of which nothing comes any more was cut off, s.
_CUT_OFF_S = 600.0
#: Without a single sample nobody sees when a recorder has stopped; no heat lasts so long, s.
_LONGEST_S = 6 * 3600.0


@dataclass(frozen=True)
class Running:
    """A heat as far as it has come.

    Attributes:
        record: of the store. seen: once a second, times since the sheet went in. now_s: since then, of this moment.
        silent_s: how long nothing has come of a bench that measures, s; None: nothing was ever measured.
        troubles: columns whose newest reading is none, with its state in words.
        marks: in force, for their notes. others: further heats that are open.
    """

    record: HeatRecord
    seen: Observed
    now_s: float
    silent_s: float | None
    troubles: tuple[tuple[str, str], ...]
    marks: tuple[Mark, ...]
    others: tuple[HeatRecord, ...]


@dataclass
class _Rows:
    """Seconds of one run: their times, s of the run, and readings by column."""

    at_s: list[float] = field(default_factory=list)
    values: list[dict[str, float]] = field(default_factory=list)
    states: dict[str, State] = field(default_factory=dict)
    last_second: int = -1

    def add(self, block: Block) -> None:
        """One second: the mean of what is believed of it."""
        self.last_second = block.second
        found: dict[str, float] = {}
        for place, role in enumerate(block.columns):
            column = column_of(role) or role
            states = block.states[:, place]
            sampled = np.flatnonzero(states != NOT_SAMPLED)
            if is_raw(role) or role_of(column) not in USED or not sampled.size:
                continue
            self.states[column] = STATES[states[sampled[-1]]]
            good = block.values[:, place][np.isfinite(block.values[:, place]) & (states == 0)]
            if good.size:
                found[column] = float(good.mean())
        self.at_s.append(
            block.second + float(block.offsets_ms.mean()) * 1e-3 if block.offsets_ms.size else block.second
        )
        self.values.append(found)

    def observed(self, start_s: float, marks: Sequence[Mark], sensors: Mapping[str, Sensor]) -> Observed:
        """On the heat's own time."""
        names = sorted({name for row in self.values for name in row})
        columns = {name: np.array([row.get(name, np.nan) for row in self.values]) for name in names}
        events = tuple(
            Event(round(mark.at_s - start_s, 3), event_name(mark.name))
            for mark in marks
            if mark.source != "clock" and mark.name != START  # the start is time 0
        )
        return Observed(np.array(self.at_s) - start_s, columns, events, sensors)


class RunningHeat:
    """Looks for the newest open heat, and follows it until a newer one begins.

    Args:
        store: only read. bench: of this bench; None: of any. clock: this program's. sensors: by name, as the bench file
        states them.
    """

    def __init__(
        self, store: Store, bench: str | None, clock: Clock, sensors: Mapping[str, Sensor] | None = None
    ) -> None:
        self._store, self.bench, self._clock = store, bench, clock
        self._sensors = dict(sensors or {})
        self._heat_id: str | None = None
        self._read_of: str | None = None
        self._from_s = 0.0
        self._rows = _Rows()
        self._came_s = 0.0

    def look(self) -> Running | None:
        """The heat as it stands now; None: no heat is going on.

        Raises:
            StoreDown: the store cannot be read now. StoreBroken: it is damaged.
        """
        found = self._store.heats(HeatFilter(bench=self.bench, state="open", limit=20))
        for record in found:
            running = self._of(record, found)
            if not _cut_off(running):
                self._heat_id = record.id
                return running
            if record.id == self._heat_id:
                return running
        if self._heat_id is None:
            return None
        # It was closed since: shown on, for the carry and what became of it.
        return self._of(self._store.heat(self._heat_id), found)

    def _of(self, record: HeatRecord, found: Sequence[HeatRecord]) -> Running:
        self._read(record)
        end_s = record.start_s + _LONGEST_S + _AFTER_S
        marks = tuple(in_force(self._store.marks(record.bench, record.run, record.start_s - BEFORE_S, end_s)))
        silent_s, now_s = self._now(record)
        return Running(
            record=record,
            seen=self._rows.observed(record.start_s, marks, self._sensors),
            now_s=now_s - record.start_s,
            silent_s=silent_s,
            troubles=tuple((name, str(state)) for name, state in self._rows.states.items() if state is not State.OK),
            marks=marks,
            others=tuple(other for other in found if other.id != record.id),
        )

    def _read(self, record: HeatRecord) -> None:
        """Take in the seconds that are new."""
        from_s = record.start_s - BEFORE_S
        if record.id != self._read_of or from_s < self._from_s:  # another heat, or its start was set back
            self._read_of, self._from_s, self._rows = record.id, from_s, _Rows()
        since_s = max(from_s, self._rows.last_second + 1.0)
        blocks = self._store.blocks(record.bench, record.run, since_s)
        new = [block for block in blocks if block.second > self._rows.last_second]
        first = self._rows.last_second < 0
        for block in new:
            self._rows.add(block)
        if new:
            behind_s = 0.0
            if first:  # how old the newest is, as far as UTC tells
                behind_s = max(0.0, (utc_ms(self._clock.utc()) - new[-1].utc_ms) * 1e-3 - 1.0)
            self._came_s = self._clock.monotonic_s() - behind_s

    def _now(self, record: HeatRecord) -> tuple[float | None, float]:
        """(how long nothing has come, s; now, s of the run)."""
        if self._rows.last_second < 0:
            return None, record.start_s + max(0.0, (utc_ms(self._clock.utc()) - record.start_utc_ms) * 1e-3)
        silent_s = self._clock.monotonic_s() - self._came_s
        return silent_s, self._rows.last_second + 1.0 + silent_s


def _cut_off(running: Running) -> bool:
    """Whether nobody records this heat any more."""
    if running.silent_s is None:
        return running.now_s > _LONGEST_S
    return running.silent_s > _CUT_OFF_S
