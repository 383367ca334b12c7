"""Whether a board's lines follow on each other: gaps, repeats, late lines and restarts, from number and milliseconds.

Both counters run modulo 2**32. A step forward of less than half of that is forward, all else is back.
"""

from __future__ import annotations

from logger.reading import Fault, FaultKind

_MASK = 0xFFFFFFFF
_HALF = 0x80000000
#: Lines remembered to tell a late line from a repeated one.
_REMEMBERED = 64
#: No board sends more than a line a millisecond; this many more are allowed for jitter of its clock.
_MORE_LINES = 1000


class Order:
    """The place of each line among those before it."""

    def __init__(self) -> None:
        self._last: tuple[int, int] | None = None
        self._recent: dict[int, tuple[int, bytes]] = {}

    def place(self, sequence: int, ms: int, line: bytes) -> Fault | None:
        """Take the next line in; None where it simply follows, else what is remarkable about it.

        A DUPLICATE was given before. A line with a GAP or RESTART before it, or out of ORDER, is a good line.
        """
        if self._last is None:
            return self._take(sequence, ms, line, None)
        last_sequence, last_ms = self._last
        step, lapse_ms = (sequence - last_sequence) & _MASK, (ms - last_ms) & _MASK
        if step == 1 and lapse_ms < _HALF:
            return self._take(sequence, ms, line, None)
        if self._recent.get(sequence) == (ms, line):
            text = f"Line {sequence} came twice; the second was dropped. Something between board and computer repeats."
            return Fault(FaultKind.DUPLICATE, text, line)
        if step >= _HALF and self._belongs(sequence, ms):
            self._remember(sequence, ms, line)
            text = f"Line {sequence} came late, after line {last_sequence}; its time is the board's own."
            return Fault(FaultKind.ORDER, text, line)
        if step == 0 and lapse_ms < _HALF:
            text = f"Two different lines have the number {sequence}: the board's program does not count them up."
            return self._take(sequence, ms, line, Fault(FaultKind.ORDER, text, line))
        if step < _HALF and lapse_ms < _HALF and step - 1 <= lapse_ms + _MORE_LINES:
            missing = step - 1
            text = (
                f"{missing} {'line is' if missing == 1 else 'lines are'} missing between {last_sequence} and "
                f"{sequence}. If this goes on, the cable or the computer does not keep up."
            )
            return self._take(sequence, ms, line, Fault(FaultKind.GAP, text, line, missing))
        self._recent.clear()
        text = (
            f"The board restarted: its line number went from {last_sequence} to {sequence} and its clock from "
            f"{last_ms} to {ms} ms. If nobody pressed reset, check its power supply and plug."
        )
        return self._take(sequence, ms, line, Fault(FaultKind.RESTART, text, line))

    def _take(self, sequence: int, ms: int, line: bytes, fault: Fault | None) -> Fault | None:
        self._last = sequence, ms
        self._remember(sequence, ms, line)
        return fault

    def _remember(self, sequence: int, ms: int, line: bytes) -> None:
        self._recent.pop(sequence, None)
        self._recent[sequence] = ms, line
        if len(self._recent) > _REMEMBERED:
            del self._recent[next(iter(self._recent))]

    def _belongs(self, sequence: int, ms: int) -> bool:
        """Whether a line with an earlier number fills a hole: its time must lie between those of its neighbours.

        A board that restarted while its first lines got lost has an earlier time as well, but no such hole.
        """
        if sequence in self._recent:
            return False
        behind = [((sequence - number) & _MASK, at) for number, (at, _) in self._recent.items()]
        before = [(distance, at) for distance, at in behind if distance < _HALF]
        after = [(-distance & _MASK, at) for distance, at in behind if distance >= _HALF]
        if not before or not after:
            return False
        lower_ms, upper_ms = min(before)[1], min(after)[1]
        return (ms - lower_ms) & _MASK <= (upper_ms - lower_ms) & _MASK
