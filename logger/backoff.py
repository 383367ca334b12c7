"""How long to wait before a connection that failed is tried again: ever longer, so that nothing is flooded."""

from __future__ import annotations

#: Estimates: soon enough to be back before a person has turned round, seldom enough to be no load.
FIRST_S = 0.5
LONGEST_S = 10.0


class Backoff:
    """Waits that double from the first to the longest: 0.5, 1, 2 ... 10 s where nothing else is said.

    Args:
        first_s, longest_s: shortest and longest wait, s.

    Raises:
        ValueError: they are not 0 < first_s <= longest_s.
    """

    def __init__(self, first_s: float = FIRST_S, longest_s: float = LONGEST_S) -> None:
        if not 0.0 < first_s <= longest_s:
            raise ValueError(f"waits from {first_s} to {longest_s} s: expected 0 < first <= longest")
        self._first_s, self._longest_s = first_s, longest_s
        self._next_s = first_s

    def again(self) -> float:
        """The wait before the next try, s."""
        wait_s, self._next_s = self._next_s, min(2.0 * self._next_s, self._longest_s)
        return wait_s

    def reset(self) -> None:
        """It worked: begin with the shortest wait again."""
        self._next_s = self._first_s
