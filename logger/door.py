"""The door's signature in the air: when the oven was opened and shut, and whether the sheet left it.

opened    every believed air reading falls by 5 K or more, and one of them by 10 K or more, within 20 s, from 60 °C or
          more. It opened where the air left its level (the highest of these 20 s) by 2 K, on a straight line between
          the samples. A thermostat's swing falls by less than 5 K in 20 s, and a door that is ajar by 8 K; a door that
          is opened lets the air fall by 20 to 40 K with a time constant of some seconds, behind a thermocouple's lag of
          3 s and more (our oven cards and thermocouples; no published source). Samples further apart than 10 s are too
          sparse for this rule.
shut      the air is 1.5 K above its lowest since the opening. It was shut when the air was lowest, less 3 s for the
          thermocouple's lag, but not before it opened. After 60 s without that, it is taken to stand open.
sheet in  half way from the opening to the shutting, at most 10 s after the opening: nobody sees it from the air
          alone. On the practice oven this is within 5 s of the truth, on the demo heats within 6 s.
sheet out a face or core falls by 15 K or more below what it read as the door opened, within 45 s; or all of these
          that read something then (the drop too) read nothing for 3 s. A door that is only opened for a look cools a
          face by about 7 K in 30 s (h 18 W/(m2 K), polypropylene, 40 K colder air: derived). It left when the door
          opened. With nothing measured on the sheet nobody can tell a look from a pull: `seen` is then False.

While an opening is being judged no second one begins.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Mapping
from dataclasses import dataclass

WINDOW_S, FALL_K, ALL_FALL_K, LEAST_C = 20.0, 10.0, 5.0, 60.0
LEFT_K, RISEN_K, LAG_S, OPEN_AT_MOST_S, IN_AT_MOST_S = 2.0, 1.5, 3.0, 60.0, 10.0
FACE_FALL_K, FACE_WITHIN_S, GONE_S, BEFORE_S = 15.0, 45.0, 3.0, 6.0
_ON_SHEET = ("face_", "core", "drop")

Values = Mapping[str, float | None]


@dataclass(frozen=True)
class DoorOpened:
    """The door was opened and, where `shut_s` is given, shut; s. `seen`: something measured the sheet meanwhile."""

    opened_s: float
    shut_s: float | None
    seen: bool

    @property
    def sheet_in_s(self) -> float:
        """When a sheet went in, if one did."""
        latest_s = self.opened_s + IN_AT_MOST_S
        return latest_s if self.shut_s is None else min(0.5 * (self.opened_s + self.shut_s), latest_s)


@dataclass(frozen=True)
class SheetLeft:
    """The sheet was taken out through the door that opened at this time, s."""

    opened_s: float


@dataclass
class _Opening:
    """One that is being judged. `before`: what was read of the sheet in the 6 s before the door opened."""

    opened_s: float
    before: dict[str, float]
    lowest: tuple[float, float]
    told: bool = False
    left: bool = False
    gone_since_s: float | None = None


class DoorWatch:
    """Judges the readings of one bench as they come."""

    def __init__(self) -> None:
        self._airs: deque[tuple[float, dict[str, float]]] = deque()
        self._sheet: dict[str, float | None] = {}
        self._past: deque[tuple[float, dict[str, float]]] = deque()
        self._opening: _Opening | None = None

    def take(self, at_s: float, values: Values) -> list[DoorOpened | SheetLeft]:
        """Take the readings of one moment.

        Args:
            at_s: one that falls behind the last is taken as the last.
            values: by role (air_upper, face_lower ...), °C or mm; None where not believed.
        """
        at_s = max(at_s, self._past[-1][0]) if self._past else at_s
        airs = {name: value for name, value in values.items() if name.startswith("air_") and value is not None}
        self._sheet |= {name: value for name, value in values.items() if name.startswith(_ON_SHEET)}
        self._past.append((at_s, {name: value for name, value in self._sheet.items() if value is not None}))
        while self._past[0][0] < at_s - WINDOW_S - 1.0:
            self._past.popleft()
        if airs:
            self._airs.append((at_s, airs))
            while self._airs[0][0] < at_s - WINDOW_S:
                self._airs.popleft()
        if self._opening is None:
            self._opening = self._begun(at_s) if airs else None
            return []
        return self._judge(self._opening, at_s, _mean(airs))

    def _begun(self, at_s: float) -> _Opening | None:
        falls = {}
        now = self._airs[-1][1]
        for name, value in now.items():
            level = max(then[name] for _, then in self._airs if name in then)
            falls[name] = level - value if level >= LEAST_C else 0.0
        if max(falls.values()) < FALL_K or min(falls.values()) < ALL_FALL_K:
            return None
        opened_s = self._left_level_s(max(falls, key=falls.__getitem__))
        before: dict[str, float] = {}
        for then_s, sheet in self._past:
            if opened_s - BEFORE_S <= then_s <= opened_s:
                before |= sheet  # what is read last counts; a probe that went as the door opened counts too
        return _Opening(opened_s, before, (at_s, _mean(now) or 0.0))

    def _left_level_s(self, name: str) -> float:
        """When this air was last within 2 K of its level."""
        series = [(then_s, airs[name]) for then_s, airs in self._airs if name in airs]
        edge = max(value for _, value in series) - LEFT_K
        last = max(index for index, (_, value) in enumerate(series) if value >= edge)
        (from_s, high), (to_s, low) = series[last], series[last + 1]
        return from_s + (to_s - from_s) * (high - edge) / (high - low)

    def _judge(self, opening: _Opening, at_s: float, air_c: float | None) -> list[DoorOpened | SheetLeft]:
        found: list[DoorOpened | SheetLeft] = []
        since_s = at_s - opening.opened_s
        if not opening.left and since_s <= FACE_WITHIN_S and self._has_left(opening, at_s):
            opening.left = True
            found.append(SheetLeft(opening.opened_s))
        if not opening.told and (told := self._told(opening, at_s, air_c)):
            opening.told = True
            found.append(told)
        if opening.told and (opening.left or not opening.before or since_s > FACE_WITHIN_S):
            self._opening = None
            self._airs.clear()
        return found

    def _told(self, opening: _Opening, at_s: float, air_c: float | None) -> DoorOpened | None:
        if air_c is not None and air_c <= opening.lowest[1]:
            opening.lowest = (at_s, air_c)
        elif air_c is not None and air_c >= opening.lowest[1] + RISEN_K:
            shut_s = max(opening.lowest[0] - LAG_S, opening.opened_s)
            return DoorOpened(opening.opened_s, shut_s, bool(opening.before))
        if at_s - opening.opened_s > OPEN_AT_MOST_S:
            return DoorOpened(opening.opened_s, None, bool(opening.before))
        return None

    def _has_left(self, opening: _Opening, at_s: float) -> bool:
        known = {name: self._sheet.get(name) for name in opening.before}
        for name, value in known.items():
            if not name.startswith("drop") and value is not None and opening.before[name] - value >= FACE_FALL_K:
                return True
        if not known or any(value is not None for value in known.values()):
            opening.gone_since_s = None
            return False
        opening.gone_since_s = at_s if opening.gone_since_s is None else opening.gone_since_s
        return at_s - opening.gone_since_s >= GONE_S


def _mean(values: Mapping[str, float]) -> float | None:
    return sum(values.values()) / len(values) if values else None
