"""How long to wait before a connection that failed is tried again: ever longer, so that nothing is flooded."""

from __future__ import annotations

#: Estimates: soon enough to be back before a person has turned round, seldom enough to be no load.
FIRST_S = 0.5
LONGEST_S = 10.0


class Backoff:
    """Waits of 0.5, 1, 2 ... 10 s."""

    def __init__(self) -> None:
        self._next_s = FIRST_S

    def again(self) -> float:
        """The wait before the next try, s."""
        wait_s, self._next_s = self._next_s, min(2.0 * self._next_s, LONGEST_S)
        return wait_s

    def reset(self) -> None:
        """It worked: begin with the shortest wait again."""
        self._next_s = FIRST_S
