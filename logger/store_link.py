"""One recorder's hold on the store: opens it, says that the bench is recorded, and waits after each failure.

The store is tried again after 0.5, 1, 2 ... 10 s, opened anew each time: a connection that failed may be spoilt.
"""

from __future__ import annotations

from collections.abc import Callable

from logger.actions import RecorderStore
from logger.backoff import Backoff
from logger.clock import Clock
from logger.records import BenchHeld, StoreDown, new_id
from thermal.fields import InputError

#: The store is told this often that the bench is still recorded, s.
HOLD_EVERY_S = 10.0


class StoreLink:
    """Calls come from one thread at a time.

    Args:
        opener: opens the store; called again after every failure. clock: for the waits between tries. bench: id; it is
        held in the store against other recorders.
    """

    def __init__(self, opener: Callable[[], RecorderStore], clock: Clock, bench: str) -> None:
        self._opener, self._clock, self._bench = opener, clock, bench
        self._token, self._held_s = new_id(), float("-inf")
        self._store: RecorderStore | None = None
        self._backoff, self._again_s = Backoff(), float("-inf")
        #: Why the store takes nothing, '' while it does.
        self.trouble = ""

    @property
    def is_due(self) -> bool:
        """Whether the store may be tried now."""
        return self._clock.monotonic_s() >= self._again_s

    def at_once(self) -> None:
        """Let the next try be now."""
        self._again_s = float("-inf")

    def claim(self) -> None:
        """Take the bench, if the store can be asked.

        Raises:
            BenchHeld: another recorder holds it.
        """
        try:
            self._opened()
        except BenchHeld:
            self._shut()
            raise
        except Exception as error:
            self._failed(error)

    def ask(self, what: Callable[[RecorderStore], object]) -> bool:
        """Whether the store did it. Whatever it failed with, the data wait: no error may end the recording."""
        try:
            what(self._opened())
        except Exception as error:
            self._failed(error)
            return False
        self._backoff.reset()
        self.trouble, self._again_s = "", float("-inf")
        return True

    def close(self) -> None:
        """Let go of the bench and of the store."""
        if self._store is not None:
            self.ask(lambda store: store.release(self._bench, self._token))
        self._shut()

    def _opened(self) -> RecorderStore:
        if self._store is None:
            self._store, self._held_s = self._opener(), float("-inf")
        now_s = self._clock.monotonic_s()
        if now_s - self._held_s >= HOLD_EVERY_S:
            self._store.hold(self._bench, self._token, round(self._clock.utc().timestamp() * 1e3))
            self._held_s = now_s
        return self._store

    def _failed(self, error: Exception) -> None:
        said = str(error) if isinstance(error, StoreDown | InputError) else f"{type(error).__name__}: {error}"
        self.trouble = f"the store does not take what is recorded ({said})"
        self._again_s = self._clock.monotonic_s() + self._backoff.again()
        self._shut()

    def _shut(self) -> None:
        store, self._store = self._store, None
        if store is not None:
            try:
                store.close()
            except Exception as error:
                self.trouble += f"; closing it failed too ({error})"
