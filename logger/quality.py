"""Whether a channel may be believed, judged over time: values in, states out, no clock and no port.

The rules (numbers are our choice, for ovens of the trade and samples from 0.2 to 200 a second):

out of range   outside what its role can be (`thermal.heat.ROLES`). No value.
spike          a jump by more than a start plus a rate times the time since the last good sample, which neither air
               nor sheet can make: air 25 K + 25 K/s (a door lets it fall by 40 K through a sensor of 1 s and more),
               face, core and grid 20 K + 15 K/s (the strongest infrared warms a face by 40 K in the first two
               seconds), wall and room 15 K + 10 K/s, drop 40 mm + 40 mm/s, vacuum: never. No value. What stays at the
               new level for 3 samples and 1 s was no spike: it is believed again, with the remark that somebody
               moved the sensor or that it came off the sheet. Not judged after a gap of more than 10 s.
short          a thermocouple given in µV that jumps as above from 30 K and more over its cold junction to within
               2 K of it, and stays there: the wires touch behind the junction. No value until it leaves.
frozen         the same number to the last digit for 30 s (wall 120 s, room and drop 600 s) and for five times as long
               as it ever stood before, while another temperature of the bench moved by 2 K or more; four times
               longer where the channel's steps are 0.1 K or coarser, or not known since it never moved. No value
               until it moves.
stale          no sample for 3 s and for five usual intervals. No value.
crosswise      a face 60 K above its air for 20 s, or 15 K for 240 s (a door's fall of the air lasts less): were the
               plugs of the two swapped? A remark, the values stay. Not judged where emitters heat the sheet.
               Two faces, or two airs, that are swapped look like an uneven oven: nothing here can tell.

Every state ends by itself when its reason has gone.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, replace

from logger.bench import column_of
from logger.reading import State
from thermal.heat import ROLES, role_of

GAP_S = 10.0
SPIKE_SAMPLES, SPIKE_S = 3, 1.0
SHORT_NEAR_K, SHORT_FROM_K = 2.0, 30.0
MOVED_K = 2.0
LONGER, COARSE_K, COARSE_LONGER, RUN_SEEN_S = 5.0, 0.1, 4.0, 2.0
STALE_S, STALE_INTERVALS = 3.0, 5.0
CROSSWISE = ((60.0, 20.0), (15.0, 240.0))
#: A remark on a step that was believed is kept this long, s.
REMARK_S = 60.0
#: A face that jumped to within this of its air has perhaps come off the sheet, K.
AIR_NEAR_K = 10.0


@dataclass(frozen=True)
class _Kind:
    """Largest jump and how long a standing number is believed, by kind of role."""

    jump: float
    jump_per_s: float
    frozen_s: float
    unit: str = "K"


_KINDS: Mapping[str, _Kind] = {
    "air_upper_c": _Kind(25.0, 25.0, 30.0),
    "air_lower_c": _Kind(25.0, 25.0, 30.0),
    "face_upper_c": _Kind(20.0, 15.0, 30.0),
    "face_lower_c": _Kind(20.0, 15.0, 30.0),
    "core_c": _Kind(20.0, 15.0, 30.0),
    "grid_c": _Kind(20.0, 15.0, 30.0),
    "wall_c": _Kind(15.0, 10.0, 120.0),
    "room_c": _Kind(15.0, 10.0, 600.0),
    "drop_mm": _Kind(40.0, 40.0, 600.0, "mm"),
    "vacuum_kpa": _Kind(math.inf, 0.0, math.inf, "kPa"),
}
_WORDS: Mapping[State, str] = {
    State.OPEN: "wire broken or plug out: push the plug in, else change the thermocouple",
    State.SHORT: "the two wires touch: look for crushed insulation and loose strands",
    State.OUT_OF_RANGE: "no such value can be here: check type, plug and scale",
    State.NOT_MEASURABLE: "this thermocouple says nothing at this temperature",
    State.FAULT: "the device reports a fault of this channel: check its supply and wiring",
    State.MISSING: "the device gives no value for this channel",
}


@dataclass(frozen=True)
class Sample:
    """One role's value as converted, before it is judged.

    Attributes:
        value: °C, mm or kPa; None where there is none, and `state` says why. raw: the number off the wire (µV where
        it is emf): what freezes. cold_junction_c: of a value that came as emf. text: why there is none, where the
        state's own words do not say it.
    """

    value: float | None
    state: State = State.OK
    raw: float | None = None
    cold_junction_c: float | None = None
    text: str = ""


@dataclass(frozen=True)
class Judged:
    """A value that may be believed, or none and why; `text` explains, and beside a value it says what is doubted."""

    value: float | None
    state: State
    text: str = ""


NOTHING_YET = Judged(None, State.MISSING, "nothing has come yet")


class _Watch:
    """What is remembered of one role."""

    def __init__(self, name: str) -> None:
        self.name = name
        column = role_of(column_of(name) or "") or ""
        self.kind, self.range = _KINDS[column], ROLES[column]
        self.judged = NOTHING_YET
        self.heard_s: float | None = None
        self.interval_s = 0.0
        self.good: tuple[float, float] | None = None
        self._high: tuple[float, float, int] | None = None  # since when, last value, how many
        self._shorted = False
        self.remark: tuple[float, str] | None = None
        self._raw: float | None = None
        self.run_from_s = self._run_to_s = 0.0
        self._longest_run_s = 0.0
        self._step = math.inf
        self.anchors: dict[str, float] | None = None
        self.others_moved = False

    def hear(self, time_s: float) -> None:
        if self.heard_s is not None:
            since = max(time_s - self.heard_s, 0.0)
            if since < GAP_S or not self.interval_s:
                self.interval_s += 0.2 * (since - self.interval_s) if self.interval_s else since
        self.heard_s = time_s

    def take(self, time_s: float, sample: Sample, moved: Callable[[_Watch], bool]) -> Judged:
        self.hear(time_s)
        value = sample.value
        if value is None or sample.state is not State.OK:
            state = State.MISSING if sample.state is State.OK else sample.state
            self._stand_still(time_s, None)
            self._high = None
            if state is State.OUT_OF_RANGE and self.name.startswith("drop"):
                return Judged(None, state, "the drop sensor sees nothing within its range: is a sheet above it?")
            return Judged(None, state, sample.text or _WORDS.get(state, ""))
        if not self.range.holds(value):
            return Judged(None, State.OUT_OF_RANGE, f"reads {value:.0f}: {_WORDS[State.OUT_OF_RANGE]}")
        self._stand_still(time_s, sample.raw if sample.raw is not None else value, value)
        jumped = self._jump(time_s, value, sample.cold_junction_c)
        if jumped is not None:
            return jumped
        self.good = (time_s, value)
        if self._is_frozen(time_s, moved):
            self.good = None  # how far the truth went meanwhile, nobody knows: no jump is judged from here
            return Judged(
                None,
                State.FROZEN,
                f"the same number for {time_s - self.run_from_s:.0f} s while others move: "
                "check this sensor's converter, take its plug out and in",
            )
        if self.remark and time_s - self.remark[0] < REMARK_S:
            return Judged(value, State.OK, self.remark[1])
        return Judged(value, State.OK)

    # ------------------------------------------------------------ jumps

    def _limit(self, since_s: float) -> float:
        return self.kind.jump + self.kind.jump_per_s * max(since_s, 0.0)

    def _jump(self, time_s: float, value: float, junction_c: float | None) -> Judged | None:
        near = junction_c is not None and abs(value - junction_c) <= SHORT_NEAR_K
        if self._shorted and near:
            return Judged(None, State.SHORT, _WORDS[State.SHORT])
        self._shorted = False
        if self.good is None or time_s - self.good[0] > GAP_S:
            self._high = None
            return None
        before_s, before = self.good
        if abs(value - before) <= self._limit(time_s - before_s):
            self._high = None
            return None
        if near and junction_c is not None and before - junction_c >= SHORT_FROM_K:
            self._shorted = True
            return Judged(None, State.SHORT, _WORDS[State.SHORT])
        return self._high_sample(time_s, value, before)

    def _high_sample(self, time_s: float, value: float, before: float) -> Judged | None:
        since, last, count = self._high or (time_s, value, 0)
        if abs(value - last) > self._limit(0.0):
            since, count = time_s, 0
        self._high = (since, value, count + 1)
        if count + 1 >= SPIKE_SAMPLES and time_s - since >= SPIKE_S:
            self._high = None
            jump = f"jumped by {value - before:+.0f} {self.kind.unit} at once and stayed"
            self.remark = (time_s, f"{jump}: was the sensor moved?")
            return None
        return Judged(
            None, State.SPIKE, f"jumped by {value - before:+.0f} {self.kind.unit} at once: not believed; check its plug"
        )

    # ------------------------------------------------------------ standing still

    def _stand_still(self, time_s: float, raw: float | None, value: float | None = None) -> None:
        if raw is None or self._raw is None or raw != self._raw:
            if raw is not None and self._raw is not None:
                if value is not None and self.good is not None:
                    self._step = min(self._step, abs(value - self.good[1]))
                # A run that was called frozen is no measure of how long this channel may stand.
                if self.judged.state is not State.FROZEN:
                    self._longest_run_s = max(self._longest_run_s, self._run_to_s - self.run_from_s)
            self._raw, self.run_from_s = raw, time_s
            self.anchors, self.others_moved = None, False
        self._run_to_s = time_s

    def _is_frozen(self, time_s: float, moved: Callable[[_Watch], bool]) -> bool:
        run_s = time_s - self.run_from_s
        if run_s < RUN_SEEN_S:
            return False
        self.others_moved = self.others_moved or moved(self)
        coarse = COARSE_LONGER if self._step >= COARSE_K else 1.0
        return self.others_moved and run_s >= max(self.kind.frozen_s * coarse, LONGER * self._longest_run_s)

    def is_stale(self, time_s: float, stale_s: float) -> bool:
        if self.heard_s is None:
            return True
        return time_s - self.heard_s > max(stale_s, STALE_INTERVALS * self.interval_s)


class BenchWatch:
    """Judges all roles of a bench.

    Args:
        roles: names, air_upper, core_1 ... radiant: emitters heat the sheet, which may make a face hotter than its air.
        stale_s: for a clock that runs fast, on which the machine's own delays are long.
    """

    def __init__(self, roles: Iterable[str], radiant: bool = False, stale_s: float = STALE_S) -> None:
        self._stale_s = stale_s
        self._watches = {name: _Watch(name) for name in roles}
        self._radiant = radiant
        self._above_since: dict[tuple[str, float], float] = {}
        self._crosswise: dict[str, str] = {}

    def take(self, time_s: float, samples: Mapping[str, Sample]) -> dict[str, Judged]:
        """Judge what came at one moment; the roles given, in their order.

        Args:
            time_s: of any clock that does not step back.
        """
        for name, sample in samples.items():
            watch = self._watches[name]
            had = watch.remark
            watch.judged = watch.take(time_s, sample, self._others_moved)
            if watch.remark is not had:
                self._word_step(watch)
        if not self._radiant:
            self._compare_faces(time_s)
        return {name: self._with_remark(name) for name in samples}

    def at(self, time_s: float) -> dict[str, Judged]:
        """All roles now: the last judgement, or that nothing comes any more."""
        return {
            name: self._stale(watch, time_s) if watch.is_stale(time_s, self._stale_s) else self._with_remark(name)
            for name, watch in self._watches.items()
        }

    @staticmethod
    def _stale(watch: _Watch, time_s: float) -> Judged:
        if watch.heard_s is None:
            return NOTHING_YET
        return Judged(None, State.MISSING, f"nothing for {time_s - watch.heard_s:.0f} s: check cable and device")

    def _with_remark(self, name: str) -> Judged:
        judged = self._watches[name].judged
        doubt = self._crosswise.get(name, "")
        return replace(judged, text=doubt) if doubt and judged.state is State.OK else judged

    def _word_step(self, watch: _Watch) -> None:
        """Say of a face's step to its air's temperature that it has perhaps come off."""
        air = self._air_of(watch.name)
        if air is None or watch.judged.value is None or watch.remark is None:
            return
        if watch.name.startswith("face_") and air.good and abs(air.good[1] - watch.judged.value) <= AIR_NEAR_K:
            at_s, words = watch.remark
            words = f"{words.partition(':')[0]} near {air.name}: it has perhaps come off the sheet; press it on"
            watch.remark = (at_s, words)
            watch.judged = replace(watch.judged, text=words)

    def _others_moved(self, watch: _Watch) -> bool:
        """Whether another temperature has moved since this one stands."""
        now = {n: w.good[1] for n, w in self._watches.items() if w is not watch and w.good and w.kind.unit == "K"}
        if watch.anchors is None:
            watch.anchors = now
        return any(abs(value - watch.anchors.setdefault(name, value)) >= MOVED_K for name, value in now.items())

    def _air_of(self, name: str) -> _Watch | None:
        side = "lower" if "lower" in name else "upper"
        for wanted in (f"air_{side}", "air_upper", "air_lower"):
            for known, watch in self._watches.items():
                if known == wanted or known.startswith(f"{wanted}_"):
                    return watch
        return None

    def _compare_faces(self, time_s: float) -> None:
        found: dict[str, str] = {}
        for name, face in self._watches.items():
            air = self._air_of(name) if name.startswith("face_") else None
            if air is None:
                continue
            both = face.judged.value is not None and air.judged.value is not None
            above = (face.judged.value or 0.0) - (air.judged.value or 0.0) if both else -math.inf
            for least_k, least_s in CROSSWISE:
                key = (name, least_k)
                if above <= least_k:
                    self._above_since.pop(key, None)
                    continue
                since = self._above_since.setdefault(key, time_s)
                if time_s - since >= least_s:
                    found[name] = found[air.name] = (
                        f"{name} reads {above:.0f} K above {air.name}, and no sheet is hotter than its air for so "
                        "long: are the two plugs swapped?"
                    )
        self._crosswise = found
