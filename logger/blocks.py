"""From arrivals to blocks: what a bench's sources said in each second of the run, raw and judged, with its states.

A block has a row for each frame. Its columns are the roles ('core_1', in the role's unit), and for every channel that
the frame brought the number off the wire, whatever was thought of it: 'raw:board/tc_1_uv', with the cold
junction beside it as 'raw:board/tc_1_junction_c'. Of a source that is silent, once a second a row without numbers says
why its roles have none.

When a frame was made is told by the source's own clock where it has one: frames that waited in the cable and came in
one read keep their distances. The smallest delay seen stands for none, and is forgotten at 1e-4 s/s, faster than two
crystals drift apart (100 parts in a million, common practice). No frame is placed later than it arrived, nor into a
second that is stored already, nor beside or before an earlier one of its source.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime

import numpy as np

from logger.bench import Bench
from logger.reading import Frame, State
from logger.readings import BenchArrival, Reading
from logger.records import NOT_SAMPLED, STATE_CODES, Block

#: A second is closed this long after its end, s: frames that come later are placed into the next.
HOLD_S = 0.5
#: A frame that would be older than this, s, is placed where it arrived: the source's clock stood still.
_LONGEST_DELAY_S = 1.0
_FORGOTTEN = 1e-4
#: The silence of a source is told of seconds no further back than this: before, the recorder itself was not there.
_SILENCE_TOLD_S = 5.0
_RAW = "raw:"

Layout = tuple[str, ...]


def raw_column(source: str, channel: str, unit: str) -> str:
    """Name of the column that keeps a channel as it came off the wire."""
    return f"{_RAW}{source}/{channel}_{unit.lower()}"


def is_raw(column: str) -> bool:
    """Whether a column of a block is a channel as it came, not a role."""
    return column.startswith(_RAW)


def utc_ms(utc: datetime) -> int:
    """Milliseconds since 1970, UTC."""
    return round(utc.timestamp() * 1000.0)


@dataclass
class _Second:
    """One second that is still open: UTC at its beginning, and rows by layout."""

    utc_ms: int
    rows: list[tuple[int, Layout, list[float], list[int]]]


class _Delays:
    """When a source's frames were made, ms of the run."""

    def __init__(self) -> None:
        self._least_ms: float | None = None
        self._source_ms = 0

    def made_ms(self, arrived_ms: int, source_ms: int | None) -> int:
        if source_ms is None:
            return arrived_ms
        delay_ms = float(arrived_ms - source_ms)
        passed_ms = source_ms - self._source_ms
        if self._least_ms is None or passed_ms < 0:
            self._least_ms = delay_ms
        else:
            self._least_ms = min(self._least_ms + passed_ms * _FORGOTTEN, delay_ms)
            if delay_ms - self._least_ms > _LONGEST_DELAY_S * 1e3:
                self._least_ms = delay_ms
        self._source_ms = source_ms
        return min(round(source_ms + self._least_ms), arrived_ms)


class BlockBuilder:
    """Collects the arrivals of one run of one bench.

    Args:
        run: id. start_s: of the clock, where the run's time begins.
    """

    def __init__(self, bench: Bench, run: str, start_s: float, hold_s: float = HOLD_S) -> None:
        self._bench, self._run, self._start_s, self._hold_ms = bench, run, start_s, round(hold_s * 1e3)
        self._source_of = {role.name: role.source for role in bench.roles}
        self._open: dict[int, _Second] = {}
        self._closed_ms = 0
        self._last_ms: dict[str, int] = {}
        self._delays: dict[str, _Delays] = {}
        self._layouts: dict[tuple[object, ...], Layout] = {}
        self._heard: dict[int, set[str]] = {}

    def take(self, arrivals: Iterable[BenchArrival]) -> None:
        """Keep the frames that hold values."""
        for arrival in arrivals:
            if isinstance(arrival.what, Frame) and arrival.what.values:
                self._take(arrival, arrival.what)

    def due(self, now_s: float, utc: datetime, now: Callable[[], Mapping[str, Reading]]) -> list[Block]:
        """The seconds that are over, in order.

        Args:
            now_s, utc: of the clock. now: every role as it stands, asked where a source is silent.
        """
        now_ms = round((now_s - self._start_s) * 1e3)
        return self._close((now_ms - self._hold_ms) // 1000, now_ms, utc, now)

    def rest(self, now_s: float, utc: datetime, now: Callable[[], Mapping[str, Reading]]) -> list[Block]:
        """All that is left; nothing may be taken after it."""
        now_ms = round((now_s - self._start_s) * 1e3)
        return self._close(max([now_ms // 1000, *self._open]) + 1, now_ms, utc, now, silence=False)

    # ------------------------------------------------------------ rows

    def _take(self, arrival: BenchArrival, frame: Frame) -> None:
        source = arrival.source
        arrived_ms = round((arrival.monotonic_s - self._start_s) * 1e3)
        at_ms = self._delays.setdefault(source, _Delays()).made_ms(arrived_ms, frame.source_ms)
        at_ms = max(at_ms, self._closed_ms, self._last_ms.get(source, -1) + 1)
        self._last_ms[source] = at_ms
        second, offset_ms = divmod(at_ms, 1000)
        values, codes = [], []
        for reading in arrival.readings:
            values.append(np.nan if reading.value is None else reading.value)
            codes.append(STATE_CODES[reading.state])
        for value in frame.values:
            values.append(np.nan if value.value is None else value.value)
            codes.append(STATE_CODES[value.state])
            if value.unit == "uV":
                junction_c = value.cold_junction_c
                values.append(np.nan if junction_c is None else junction_c)
                codes.append(STATE_CODES[State.MISSING if junction_c is None else State.OK])
        kept = self._second(second, utc_ms(arrival.utc) - arrived_ms)
        kept.rows.append((offset_ms, self._layout(arrival, frame), values, codes))
        self._heard.setdefault(second, set()).add(source)

    def _second(self, second: int, zero_utc_ms: int) -> _Second:
        if second not in self._open:
            self._open[second] = _Second(zero_utc_ms + second * 1000, [])
        return self._open[second]

    def _layout(self, arrival: BenchArrival, frame: Frame) -> Layout:
        key = (
            arrival.source,
            tuple([reading.role for reading in arrival.readings]),
            tuple([(value.channel, value.unit) for value in frame.values]),
        )
        if key not in self._layouts:
            names = [reading.role for reading in arrival.readings]
            for value in frame.values:
                names.append(raw_column(arrival.source, value.channel, value.unit))
                if value.unit == "uV":
                    names.append(raw_column(arrival.source, f"{value.channel}_junction", "c"))
            self._layouts[key] = tuple(names)
        return self._layouts[key]

    # ------------------------------------------------------------ blocks

    def _close(
        self, before: int, now_ms: int, utc: datetime, now: Callable[[], Mapping[str, Reading]], silence: bool = True
    ) -> list[Block]:
        first = self._closed_ms // 1000
        if before <= first:
            return []
        if silence and self._bench.roles:
            told_from = max(first, before - round(_SILENCE_TOLD_S))
            for second in range(told_from, before):
                self._tell_silence(second, utc_ms(utc) - now_ms, now)
        blocks = [self._block(second, self._open.pop(second)) for second in sorted(self._open) if second < before]
        for second in [second for second in self._heard if second < before]:
            del self._heard[second]
        self._closed_ms = before * 1000
        return blocks

    def _tell_silence(self, second: int, zero_utc_ms: int, now: Callable[[], Mapping[str, Reading]]) -> None:
        heard = self._heard.get(second, set())
        silent = {source.id for source in self._bench.sources} - heard
        if not silent:
            return
        missing = [r for r in now().values() if self._source_of[r.role] in silent and r.state is not State.OK]
        if missing:
            layout = tuple(reading.role for reading in missing)
            codes = [STATE_CODES[reading.state] for reading in missing]
            self._second(second, zero_utc_ms).rows.append((999, layout, [np.nan] * len(missing), codes))

    def _block(self, second: int, kept: _Second) -> Block:
        rows = sorted(kept.rows, key=lambda row: row[0])
        layouts = list(dict.fromkeys(row[1] for row in rows))
        offsets = np.array([row[0] for row in rows], dtype=np.int32)
        if len(layouts) == 1:
            values = np.array([row[2] for row in rows], dtype=np.float64)
            codes = np.array([row[3] for row in rows], dtype=np.uint8)
            return Block(self._bench.id, self._run, second, kept.utc_ms, layouts[0], offsets, values, codes)
        columns = tuple(dict.fromkeys(name for layout in layouts for name in layout))
        values = np.full((len(rows), len(columns)), np.nan)
        codes = np.full((len(rows), len(columns)), NOT_SAMPLED, dtype=np.uint8)
        places = {layout: [columns.index(name) for name in layout] for layout in layouts}
        for index, (_, layout, numbers, states) in enumerate(rows):
            values[index, places[layout]] = numbers
            codes[index, places[layout]] = states
        return Block(self._bench.id, self._run, second, kept.utc_ms, columns, offsets, values, codes)
