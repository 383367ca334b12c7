"""Notices what happens to the machine's clock: steps, another time zone, and sleep of the whole machine.

The run's time is monotonic and is not touched. UTC is compared with it at every look:

clock_stepped   UTC departs from monotonic time by 0.5 s or more against the last comparison that was written down.
                A clock that a time server pulls in slowly (up to 500 parts in a million) gives one such mark in 17
                minutes or more.
suspended       the machine slept. On Windows monotonic time runs on meanwhile: two looks lie 20 s or more apart. On
                Linux and macOS it stands still, and the time since boot, which runs on, departs from it by 0.5 s or
                more; UTC then jumped as well, and that is no step. Where no time since boot is given, such a jump of
                UTC is told as a step that may have been a sleep.
zone_changed    the local time has another offset from UTC or another name; daylight saving too.
"""

from __future__ import annotations

import time
from bisect import bisect_right
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime

from logger.clock import Clock

STEP_S, GAP_S = 0.5, 20.0
#: The zone is asked for this often, s: the system may read a file for it.
_ZONE_EVERY_S = 10.0


@dataclass(frozen=True)
class ClockEvent:
    """Something happened to the clock.

    Attributes:
        at_s: of the clock, when it was noticed. name: clock_stepped, suspended or zone_changed. text: how much.
    """

    at_s: float
    name: str
    text: str


def system_zone(utc: datetime) -> str:
    """The machine's time zone at a moment: '+02:00 CEST'."""
    if hasattr(time, "tzset"):
        time.tzset()  # else a zone set after the start is not seen
    local = utc.astimezone()
    offset = local.strftime("%z")
    return f"{offset[:3]}:{offset[3:5]} {local.tzname()}"


def system_boot_s() -> float | None:
    """Seconds since the machine was started, sleep included; None where monotonic time has it included."""
    kind = getattr(time, "CLOCK_BOOTTIME", None)
    if kind is None and hasattr(time, "CLOCK_UPTIME_RAW"):
        kind = time.CLOCK_MONOTONIC  # on macOS this one runs on in sleep, and time.monotonic does not
    return None if kind is None else time.clock_gettime(kind)


class ClockWatch:
    """Compares the clocks.

    Args:
        clock: monotonic time and UTC. zone: the time zone at a moment. boot_s: seconds since boot, or None.
        gap_s: two looks further apart were a sleep: above the longest time between two rounds of the recorder.
    """

    def __init__(
        self,
        clock: Clock,
        zone: Callable[[datetime], str] = system_zone,
        boot_s: Callable[[], float | None] = lambda: None,
        gap_s: float = GAP_S,
    ) -> None:
        self._clock, self._zone_of, self._boot_s, self._gap_s = clock, zone, boot_s, gap_s
        self.started_s, utc = clock.monotonic_s(), clock.utc()
        self._looked_s = self._zone_asked_s = self.started_s
        self._since: list[float] = [self.started_s]
        self._ahead_s: list[float] = [utc.timestamp() - self.started_s]
        self._boot_ahead_s = self._boot_ahead(self.started_s)
        self.zone = zone(utc)

    def utc_ms(self, at_s: float) -> int:
        """UTC of a moment of the clock's monotonic time, as the clock showed it then; ms since 1970."""
        index = max(bisect_right(self._since, at_s) - 1, 0)
        return round((at_s + self._ahead_s[index]) * 1e3)

    def look(self) -> list[ClockEvent]:
        """What happened since the last look."""
        now_s, utc = self._clock.monotonic_s(), self._clock.utc()
        events = []
        slept_s = self._slept(now_s)
        if slept_s:
            events.append(ClockEvent(now_s, "suspended", f"the machine slept for {slept_s:.0f} s"))
        ahead_s = utc.timestamp() - now_s
        departed_s = ahead_s - self._ahead_s[-1]
        if abs(departed_s) >= STEP_S:
            self._since.append(now_s)
            self._ahead_s.append(ahead_s)
            # While monotonic time stood still in sleep, UTC did not: only what is left was a step.
            stepped_s = departed_s - (slept_s if now_s - self._looked_s < self._gap_s else 0.0)
            if abs(stepped_s) >= max(STEP_S, 0.01 * slept_s):
                events.append(ClockEvent(now_s, "clock_stepped", self._step_words(stepped_s)))
        if now_s - self._zone_asked_s >= _ZONE_EVERY_S or events:
            self._zone_asked_s = now_s
            zone = self._zone_of(utc)
            if zone != self.zone:
                events.append(ClockEvent(now_s, "zone_changed", f"local time was {self.zone}, is {zone}"))
                self.zone = zone
        self._looked_s = now_s
        return events

    def _boot_ahead(self, now_s: float) -> float | None:
        boot_s = self._boot_s()
        return None if boot_s is None else boot_s - now_s

    def _slept(self, now_s: float) -> float:
        """How long the machine slept since the last look, s; 0 where it did not."""
        gap_s = now_s - self._looked_s
        if gap_s >= self._gap_s:
            return gap_s
        ahead_s = self._boot_ahead(now_s)
        if ahead_s is None or self._boot_ahead_s is None:
            return 0.0
        slept_s = ahead_s - self._boot_ahead_s
        if slept_s < STEP_S:
            return 0.0
        self._boot_ahead_s = ahead_s
        return slept_s

    def _step_words(self, by_s: float) -> str:
        way = "forward" if by_s > 0.0 else "back"
        words = f"the clock of day went {way} by {abs(by_s):.1f} s; times of the curve are not touched"
        if by_s > 0.0 and self._boot_ahead_s is None:
            words += "; or the machine slept so long"
        return words
