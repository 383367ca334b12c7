"""All benches that this program records, looked at once a second: what pages and others are told of them.

Each bench has a thread for its estimates, and what takes them long is done by processes of their own, so that no cue
waits for it. Whoever looks is given the last look and its age; nothing is computed for them.
"""

from __future__ import annotations

import math
import threading
from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date

from dashboard.aside import Elsewhere
from dashboard.bench_look import Look
from dashboard.heat_watch import HeatWatch, Judge
from dashboard.live_bench import LiveBench
from dashboard.practice_bench import Practice
from dashboard.practice_score import judged
from dashboard.shop import Shop
from logger.clock import Clock, SystemClock
from thermal.fields import InputError, near_matches

#: A bench is looked at this often, s of the machine; where its clock runs fast, more often.
EVERY_S, EVERY_FAST_S = 1.0, 0.5
#: How often it is seen whether this is to end, and how long a look waits for another one, s.
_TURN_S = 0.2
#: Benches are looked at one after the other within the first part of each second of their clock, s: all at once they
#: would wait for each other; and whoever shows all of them afterwards shows each of this second.
_SPREAD_S = 0.3
#: A page comes so long after the look that it waits for, s, one of all benches after the last of them: sooner it is
#: often given the one before once more; how long looks take is forgotten by this share a look; and no page comes more
#: often than this, s.
_MARGIN_S, _FORGETS, _SOONEST_S = 0.12, 0.9, 0.1


@dataclass(frozen=True)
class Aged:
    """A look and how old it is: how long ago the newest reading came that it rests on, s of the machine; infinity
    before the first. `fast`: its bench's clock runs fast.
    """

    look: Look
    age_s: float
    fast: bool = False


class Live:
    """What is recorded here, live.

    Args:
        benches: that record. shop: for what forms name. machine: real time. elsewhere: see `Follower`.
    """

    def __init__(self, benches: Sequence[LiveBench], shop: Shop, today: Callable[[], date],
                 machine: Clock | None = None, elsewhere: Elsewhere | None = None) -> None:  # fmt: skip
        self.benches: Mapping[str, LiveBench] = {one.bench.id: one for one in benches}
        self._machine = machine or SystemClock()
        self._watches = {
            one.bench.id: HeatWatch(one.bench, shop, today, _judge(one.practice), elsewhere, walks=one.speed <= 1.0)
            for one in benches
        }
        self._looks = {one.bench.id: Look(one.bench.id, one.bench.oven, read_s=-math.inf) for one in benches}
        self._due_s = {one.bench.id: 0.0 for one in benches}
        self._begun_s = dict(self._due_s)
        self._took_s = dict(self._due_s)
        self._failures: dict[str, str] = {}
        self._outcomes: dict[str, str] = {}
        self._stop = threading.Event()
        # Side by side at one interpreter's lock all of them would be there late; one that waits for members holds up
        # the others for a moment only.
        self._looking = threading.Lock()
        self._threads = [
            threading.Thread(target=self._run, args=(id,), name=f"estimate {id}", daemon=True) for id in self.benches
        ]

    def start(self) -> None:
        """Begin to record and to look."""
        for place, bench in enumerate(self.benches.values()):
            bench.phase_s = _SPREAD_S * place / len(self.benches)
            bench.start()
        for thread in self._threads:
            thread.start()

    def stop(self) -> None:
        """End all of it; may be called twice."""
        self._stop.set()
        for thread in self._threads:
            if thread.is_alive():
                thread.join()
        for bench in self.benches.values():
            bench.stop()

    def bench(self, id: str) -> LiveBench:
        """The bench of this id.

        Raises:
            InputError: there is none; near matches are named.
        """
        if id not in self.benches:
            known = ", ".join(self.benches)
            raise InputError(f"bench {id!r} is not recorded here{near_matches(id, self.benches)}: expected {known}")
        return self.benches[id]

    def look(self, id: str) -> Aged:
        """The last look at a bench.

        Raises:
            InputError: there is no such bench.
        """
        bench = self.bench(id)
        look = self._looks[id]
        failure = bench.stopped or self._failures.get(id)
        age_s = (bench.clock_s - look.read_s) / bench.speed
        return Aged(look if failure is None else replace(look, failure=failure), age_s, bench.speed > 1.0)

    def keep_outcome(self, heat: str, words: str) -> None:
        """Remember what was entered for a heat, by its id: the store has it, the looks do not."""
        shown = {one.heat.id for one in self._looks.values() if one.heat is not None}
        self._outcomes = {id: kept for id, kept in self._outcomes.items() if id in shown} | {heat: words}

    def outcome_of(self, look: Look) -> str:
        """What was entered for the heat of a look; '' for nothing yet."""
        return "" if look.heat is None else self._outcomes.get(look.heat.id, "")

    def every_s(self, id: str) -> float:
        """How often a bench is looked at, s of the machine."""
        return EVERY_S if self.benches[id].speed <= 1.0 else EVERY_FAST_S

    def wait_s(self, ids: Collection[str]) -> float:
        """After how long the next look at each of these benches is most likely there, s of the machine."""
        due_s = [self._begun_s[id] + self.every_s(id) + self._took_s[id] for id in ids]
        now_s, longest_s = self._machine.monotonic_s(), max(map(self.every_s, ids), default=EVERY_S)
        if any(0.0 < now_s - at_s < longest_s for at_s in due_s):
            return _SOONEST_S  # one is late
        return min(max(max(due_s, default=0.0) + _MARGIN_S - now_s, _SOONEST_S), longest_s)

    def _run(self, id: str) -> None:
        bench = self.benches[id]
        while not self._stop.is_set():
            if bench.wait(_TURN_S):
                self._turn(id, bench)

    def _turn(self, id: str, bench: LiveBench) -> None:
        watch = self._watches[id]
        found = bench.seconds()
        for second in found:
            watch.take(second)
        now_s = self._machine.monotonic_s()
        if not found or id in self._failures or now_s < self._due_s[id]:
            return
        # In real time every second of the recorder is looked at, however unevenly they come: one that is passed over
        # leaves the pages a cue of the second before. On a fast clock they come many at once.
        if bench.speed > 1.0:
            self._due_s[id] = now_s + 0.9 * self.every_s(id)
        alone = self._looking.acquire(timeout=_TURN_S)
        try:
            self._looks[id] = watch.look()
            took_s = self._machine.monotonic_s() - now_s
            self._begun_s[id], self._took_s[id] = now_s, max(took_s, _FORGETS * self._took_s[id])
        except Exception as error:  # said on every page; the recording goes on
            self._failures[id] = f"The estimate has stopped, the recording goes on ({type(error).__name__}: {error})"
        finally:
            if alone:
                self._looking.release()


def _judge(practice: Practice | None) -> Judge | None:
    return None if practice is None else lambda followed: judged(practice.oven, followed)
