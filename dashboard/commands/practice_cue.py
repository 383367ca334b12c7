"""The cue beside a practice oven, and at the end the judgement of the pull.

The estimate is made beside the reading of the board: on a clock that runs fast, half a second of computing would be
half a minute of the oven in which nobody listens.
"""

from __future__ import annotations

from collections.abc import Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import asdict
from typing import TYPE_CHECKING, Any

from calibration.observed import Observed
from dashboard.commands.pull_words import score_words
from dashboard.commands.watch_json import told_json
from dashboard.commands.watch_panel import Panel, Place, Trail, panel, plain_line
from dashboard.follower import Followed, Told
from dashboard.live import LiveRecord
from dashboard.live_cue import LiveCue
from dashboard.practice_score import judged
from dashboard.pull_score import Score
from dashboard.units import Units
from logger.clock import Clock
from logger.records import in_force
from thermal.case import Case

if TYPE_CHECKING:
    from dashboard.practice_bench import Practice
    from dashboard.recording import Recording

_Found = tuple[Told, Observed]
#: A cue that is of so long ago is said to be old, s of the oven.
BEHIND_S = 10.0


def practice_cue(case: Case, room_c: float, practice: Practice, clock: Clock, units: Units, title: str) -> PracticeCue:
    """The cue of a sheet in a practice oven, without a wanted drop."""
    from thermal.plan import limits_of

    return PracticeCue(LiveCue(Followed(case, limits_of(case), room_c)), practice, clock, units, title)


class PracticeCue:
    """Follows the heat of a practice.

    Args:
        practice: for its truth, which only the judgement reads. clock: of the practice. title: of the panel.
        beside: computes in a thread of its own; False: at once, for tests.
    """

    def __init__(
        self, cue: LiveCue, practice: Practice, clock: Clock, units: Units, title: str, beside: bool = True
    ) -> None:
        self._cue, self._practice, self._clock, self._units, self._title = cue, practice, clock, units, title
        self._shift_s: float | None = None
        self._trail = Trail()
        self._taken_s = self._told_s = self._newest_s = float("-inf")
        self._pool = ThreadPoolExecutor(1, "cue") if beside else None
        self._next: Future[_Found | None] | None = None
        self.found: _Found | None = None

    def turn(self, record: LiveRecord, recording: Recording | None) -> None:
        """Take in what is new, and begin the next estimate where the last one is done; waits for none."""
        self._newest_s = record.samples[-1][0] if record.samples else float("-inf")
        if self._next is not None:
            if not self._next.done():
                return
            self._keep(self._next.result())
            self._next = None
            self._told_s = self._taken_s
        for at_s, values in record.samples:
            if at_s > self._taken_s:
                self._taken_s = at_s
                self._cue.sample(at_s, values)
        if not record.samples:
            return
        self._cue.heed(self._marks(record, recording))
        now_s = self._taken_s
        if self._pool is None:
            self._keep(self._ask(now_s))
            self._told_s = now_s
        else:
            self._next = self._pool.submit(self._ask, now_s)

    def _marks(self, record: LiveRecord, recording: Recording | None) -> list[tuple[str, float]]:
        """Marks in force on the time of the looking: the recorder's where there is one, else the board's buttons."""
        if recording is None:
            return [(str(mark["name"]), float(mark["time_s"])) for mark in record.marks]
        if self._shift_s is None:  # the run began before the looking
            self._shift_s = self._clock.monotonic_s() - recording.recorder.now_s - record.start_s
        shift_s = self._shift_s
        return [(mark.name, mark.at_s + shift_s) for mark in in_force(recording.marks) if mark.source != "clock"]

    def _ask(self, now_s: float) -> _Found | None:
        told = self._cue.told(now_s)
        return None if told is None else (told, self._cue.seen())

    def _keep(self, found: _Found | None) -> None:
        self.found = found
        if found is not None:
            self._trail.add(found[0])

    def panel(self, place: Place, footer: Sequence[str] = ()) -> Panel | None:
        """The cue as lines; None before the sheet goes in."""
        if self.found is None:
            return None
        told, seen = self.found
        alarms = [self._behind()] if self._behind() else []
        return panel(told, seen, self._cue.followed, self._trail, self._units, place, self._title, alarms, footer)

    def score(self) -> Score | None:
        """The judgement; None where no sheet was pulled."""
        found = judged(self._practice.oven, self._cue.followed)
        return None if found is None else found[0]

    def words(self) -> list[str]:
        """The judgement in sentences without full stops; empty where no sheet was pulled."""
        found = self.score()
        return [] if found is None else score_words(found, self._units)

    def line(self) -> str:
        """The cue on one line, for files and pipes; '' before the sheet goes in."""
        if self.found is None:
            return ""
        return "; ".join(part for part in (plain_line(self.found[0], self._units), self._behind()) if part)

    def _behind(self) -> str:
        """Where the cue is of a moment that has long passed: that; else ''."""
        behind_s = self._newest_s - self._told_s
        if behind_s <= BEHIND_S:
            return ""
        return f"The cue is {self._units.seconds(behind_s)} behind: a lower --speed suits this machine"

    def as_json(self) -> dict[str, Any]:
        """The last cue and the judgement, for `--json`."""
        found = self.score()
        return {
            "cue": None if self.found is None else told_json(self.found[0]),
            "score": None if found is None else asdict(found),
        }

    def close(self) -> None:
        """Wait for the last estimate."""
        if self._pool is not None:
            self._pool.shutdown(wait=True)
            if self._next is not None:
                self._keep(self._next.result())
                self._next = None
