"""What the line to a source is like, in words: lines that arrive damaged, a board that starts anew. Readings come all
the same, so that nothing else says it.
"""

from __future__ import annotations

from collections import deque

from logger.reading import Fault, FaultKind
from logger.readings import BenchArrival

#: It is said for so long after, s of the bench's clock; damage from so many lines on (our choice, both).
SAID_S, FEWEST = 60.0, 5
_DAMAGED = (
    FaultKind.GARBAGE,
    FaultKind.CHECKSUM,
    FaultKind.SHORT_LINE,
    FaultKind.WRONG_COUNT,
    FaultKind.DUPLICATE,
    FaultKind.ORDER,
)


class WireWords:
    """Remembers the faults of the last minute."""

    def __init__(self) -> None:
        self._faults: deque[tuple[float, str, FaultKind]] = deque()

    def take(self, arrival: BenchArrival) -> None:
        """Take what arrived."""
        if isinstance(arrival.what, Fault):
            self._faults.append((arrival.monotonic_s, arrival.source, arrival.what.kind))

    def words(self, now_s: float) -> tuple[str, ...]:
        """Sentences without full stops, the same for as long as nothing changes."""
        while self._faults and self._faults[0][0] < now_s - SAID_S:
            self._faults.popleft()
        found = []
        for source in sorted({one for _, one, _ in self._faults}):
            kinds = [kind for _, of, kind in self._faults if of == source]
            if FaultKind.RESTART in kinds:
                found.append(f"{source}: it has started anew: is its supply weak, its plug loose?")
            if sum(kind in _DAMAGED for kind in kinds) >= FEWEST:
                found.append(f"{source}: many of its lines come damaged: keep its cable away from heater and mains")
        return tuple(found)
