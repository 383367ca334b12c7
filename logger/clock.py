"""Time as the logger sees it: what waits or stamps takes a clock, so that tests and practice can run fast."""

from __future__ import annotations

import time
from datetime import UTC, datetime, timedelta
from typing import Protocol


class Clock(Protocol):
    """Two times and a wait. Durations are taken from `monotonic_s` only; UTC may step."""

    def monotonic_s(self) -> float:
        """Seconds that never step back, from an arbitrary start."""

    def utc(self) -> datetime:
        """Date and time of day, aware, UTC."""

    def sleep(self, duration_s: float) -> None:
        """Wait."""


class SystemClock:
    """The machine's clock."""

    def monotonic_s(self) -> float:
        """See `Clock.monotonic_s`."""
        return time.monotonic()

    def utc(self) -> datetime:
        """See `Clock.utc`."""
        return datetime.now(UTC)

    def sleep(self, duration_s: float) -> None:
        """See `Clock.sleep`."""
        time.sleep(max(duration_s, 0.0))


class FastClock:
    """The machine's clock running `speed` times faster, for practice and replay.

    Args:
        speed: seconds of this clock in a second of the machine's; above zero.
        base: the clock that is sped up.
    """

    def __init__(self, speed: float, base: Clock | None = None) -> None:
        if not speed > 0.0:
            raise ValueError(f"speed = {speed}: expected a number above 0")
        self._base = base or SystemClock()
        self._speed = speed
        self._start_s, self._start_utc = self._base.monotonic_s(), self._base.utc()

    def monotonic_s(self) -> float:
        """See `Clock.monotonic_s`."""
        return self._start_s + (self._base.monotonic_s() - self._start_s) * self._speed

    def utc(self) -> datetime:
        """See `Clock.utc`."""
        return self._start_utc + timedelta(seconds=self.monotonic_s() - self._start_s)

    def sleep(self, duration_s: float) -> None:
        """See `Clock.sleep`."""
        self._base.sleep(duration_s / self._speed)


class ManualClock:
    """A clock that moves only when told to or slept on: for tests."""

    def __init__(self, utc: datetime = datetime(2026, 1, 5, 8, 0, tzinfo=UTC)) -> None:
        self._now_s, self._utc = 0.0, utc

    def monotonic_s(self) -> float:
        """See `Clock.monotonic_s`."""
        return self._now_s

    def utc(self) -> datetime:
        """See `Clock.utc`."""
        return self._utc

    def sleep(self, duration_s: float) -> None:
        """See `Clock.sleep`."""
        self._now_s += max(duration_s, 0.0)
        self._utc += timedelta(seconds=max(duration_s, 0.0))

    def step_utc(self, by: timedelta) -> None:
        """Set the time of day forward or back, as a person or a time server does."""
        self._utc += by
