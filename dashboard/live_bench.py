"""A bench that records while others look on: its recorder in a thread of its own, to which marks and words are handed.

The recorder is no thing for two threads: whatever is asked of it from elsewhere waits for its next round.
"""

from __future__ import annotations

import math
import queue
import threading
from collections import deque
from collections.abc import Callable, Mapping
from concurrent.futures import Future
from concurrent.futures import TimeoutError as Late
from typing import TYPE_CHECKING, Any, TypeVar

from calibration.observed import USED
from dashboard.bench_look import Second
from dashboard.wire_words import WireWords
from logger.bench import Bench, column_of
from logger.blocks import utc_ms
from logger.clock import Clock
from logger.marks import FORM, START, request, undo
from logger.reading import LinkState, State
from logger.readings import BenchReader
from logger.records import HeatForm, Mark
from thermal.fields import InputError
from thermal.heat import role_of

if TYPE_CHECKING:
    from dashboard.cut_off import CutOff
    from dashboard.practice_bench import Practice
    from dashboard.recording import Recording
    from logger.marks import Request

#: Longest wait for readings, s of the machine: how soon a mark is taken.
_TURN_S = 0.1
#: Whoever asks something of the recorder waits no longer than this, s of the machine.
_ASK_S = 5.0
#: Readings older than this when a second is taken are not of that second, s of the bench's clock.
_OF_SECOND_S = 1.0
#: A mark of the same name within this time is the same one, s of the bench's clock (our choice).
_SAME_S = 2.0
#: Seconds that wait for whoever looks on; older ones go, the record has them.
_WAITING = 600
_T = TypeVar("_T")


class LiveBench:
    """Records one bench until it is stopped.

    Args:
        clock, speed: of the bench. practice: the oven of a practice bench, which does what is marked.
        before: the heat that was going on as Pullcue stopped.
    """

    def __init__(
        self,
        recording: Recording,
        reader: BenchReader,
        bench: Bench,
        clock: Clock,
        speed: float = 1.0,
        practice: Practice | None = None,
        before: CutOff | None = None,
    ) -> None:
        self._before = before
        self.bench, self.practice, self.speed = bench, practice, speed
        self.place = recording.place
        self._recording, self._reader, self._clock = recording, reader, clock
        self._columns = {role.name: column for role in bench.roles if (column := column_of(role.name)) is not None}
        self._asked: queue.SimpleQueue[tuple[Callable[[], Any], Future[Any]]] = queue.SimpleQueue()
        self._seconds: deque[Second] = deque(maxlen=_WAITING)
        self._came = threading.Event()
        self._read_s = -math.inf
        self._wire = WireWords()
        self._obeyed: set[str] = set()
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, name=f"recorder {bench.id}", daemon=True)
        #: So long after each whole second of its clock a second is taken, s; to be set before the start.
        self.phase_s = 0.0
        #: What ended the recording, which nothing should; None: it goes on.
        self.failure: Exception | None = None

    def start(self) -> None:
        """Begin."""
        self._thread.start()

    def stop(self) -> None:
        """End the rounds; the recorder itself is closed by whoever opened it. May be called twice."""
        self._stop.set()
        if self._thread.is_alive():
            self._thread.join()
        self._refuse_what_waits()

    @property
    def stopped(self) -> str | None:
        """Why nothing is recorded any more, in words; None: it goes on."""
        if self.failure is not None:
            return f"The recorder has stopped: {self.failure}"
        return "The recorder was stopped" if self._stop.is_set() else None

    @property
    def clock_s(self) -> float:
        """Now, on the bench's clock: that of `Second.read_s`."""
        return self._clock.monotonic_s()

    def wait(self, timeout_s: float) -> bool:
        """Wait, s of the machine, until a second has come; whether one has."""
        return self._came.wait(timeout_s)

    def seconds(self) -> list[Second]:
        """What has come since the last call, oldest first."""
        self._came.clear()
        found = []
        while self._seconds:
            found.append(self._seconds.popleft())
        return found

    # ------------------------------------------------------------ what is asked of it

    def mark(
        self, name: str, by: str, ago_s: float = 0.0, note: str = "", form: Mapping[str, Any] | None = None
    ) -> Mark:
        """Mark what happened, some seconds of the bench's clock ago; it is kept when this returns.

        Args:
            form: what is said of the sheet along with it, as `HeatForm.as_table`.

        Raises:
            InputError: it cannot be marked, or the recorder does not take it.
        """
        asked = request(name, self._utc_ms(), ago_s, by, note, form)
        return self._ask(lambda: self._marked_just_now(asked) or self._recording.ask(asked))

    def _marked_just_now(self, asked: Request) -> Mark | None:
        """The same mark, made a moment ago: a glove that hit twice, or two people at two windows."""
        if asked.form is not None or asked.name == START:  # a start may be moved as often as one likes
            return None
        at_s = self._recording.recorder.now_s - asked.ago_s
        made = (one for one in self._recording.marks_in_force if one.source == "technician")
        return next((one for one in made if one.name == asked.name and abs(one.at_s - at_s) < _SAME_S), None)

    def begin(self, by: str, ago_s: float, note: str, form: Mapping[str, Any]) -> Mark:
        """Begin a heat, as `mark` does; another window may have begun one since the last look.

        Raises:
            InputError: as `mark`; a heat is open.
        """

        def job() -> Mark:
            if self._recording.heat is not None:
                raise InputError("a heat is open already: mark its end first, or fill in its form")
            return self._recording.ask(request(START, self._utc_ms(), ago_s, by, note, form))

        made = self._ask(job)
        self._before = None
        return made

    def go_on(self, by: str) -> Mark:
        """Begin a heat as the one that was cut off, from when its sheet went in.

        Raises:
            InputError: as `begin`; there is none, or it is too long ago.
        """
        if self._recording.heat is not None:
            raise InputError("a heat is open already: nothing is to be gone on with")
        before = self._before
        ago_s = None if before is None else before.ago_s(self._utc_ms())
        if before is None or ago_s is None:
            raise InputError("there is no heat to go on with by now: begin one, as 'Sheet is in: start'")
        note = "; ".join(one for one in (before.note, "goes on after Pullcue had stopped") if one)
        return self.begin(by, ago_s, note, before.form.as_table())

    def forget(self) -> None:
        """The sheet of the heat that was cut off is out."""
        self._before = None

    def say(self, form: Mapping[str, Any], by: str, note: str) -> Mark:
        """Say something of the open heat, or of the next one; kept with who said it.

        Raises:
            InputError: as `mark`.
        """
        return self.mark(FORM, by, note=note, form=form)

    def undo(self, by: str, undoes: str | None = None) -> Mark:
        """Take back the last mark, or the one of an id; the note of the last one says which, or that there was none.

        Raises:
            InputError: the recorder does not take it.
        """
        return self._ask(lambda: self._recording.ask(undo(self._utc_ms(), by, undoes)))

    def over(self) -> None:
        """Close the heat that was pulled: its outcome is to be entered.

        Raises:
            InputError: the recorder does not take it.
        """
        self._ask(self._recording.recorder.over)

    def set_form(self, form: HeatForm) -> None:
        """What is said of the heats that begin from now on, where nobody says otherwise.

        Raises:
            InputError: the recorder does not take it.
        """
        self._ask(lambda: setattr(self._recording.recorder, "form", form))

    def _ask(self, job: Callable[[], _T]) -> _T:
        if self.stopped is not None:
            raise InputError(f"{self.stopped}: nothing can be kept of this; write it down, and start Pullcue again")
        waiting: Future[_T] = Future()
        self._asked.put((job, waiting))
        if self._stop.is_set() or self.failure is not None:  # it may have ended since
            self._refuse_what_waits()
        try:
            return waiting.result(_ASK_S)
        except Late:
            if waiting.cancel():
                raise InputError(
                    f"bench {self.bench.id}: its recorder has not taken this within {_ASK_S:.0f} s, and it was not "
                    "kept: do it again"
                ) from None
            return waiting.result()  # it was being done just then

    # ------------------------------------------------------------ the thread

    def _run(self) -> None:
        try:
            next_s = self.clock_s
            while not self._stop.is_set():
                self._answer()
                if self.practice is not None:
                    self.practice.mark_what_happened()
                    self._have_done()
                # On a clock that runs fast a second is shorter than a turn.
                left_s = max(0.0, next_s - self.clock_s) if self.speed <= 1.0 else math.inf
                for arrival in self._recording.step(min(_TURN_S * self.speed, left_s)):
                    self._wire.take(arrival)
                    if arrival.readings:
                        self._read_s = max(self._read_s, arrival.monotonic_s)
                if self.clock_s >= next_s:
                    self._seconds.append(self._second(self._recording.recorder.now_s))
                    self._came.set()
                    next_s = math.floor(self.clock_s - self.phase_s) + 1.0 + self.phase_s
        except Exception as error:  # said on every page: a thread that ends in silence looks like a quiet oven
            self.failure = error
            self._refuse_what_waits()
            raise

    def _answer(self) -> None:
        while not self._asked.empty():
            job, waiting = self._asked.get()
            if not waiting.set_running_or_notify_cancel():
                continue
            try:
                waiting.set_result(job())
            except Exception as error:
                waiting.set_exception(error)

    def _refuse_what_waits(self) -> None:
        while not self._asked.empty():
            _, waiting = self._asked.get()
            if waiting.set_running_or_notify_cancel():
                waiting.set_exception(InputError(f"{self.stopped}: nothing was kept of this"))

    def _have_done(self) -> None:
        """Let the practice oven do what somebody marked, wherever it was marked."""
        assert self.practice is not None
        for mark in self._recording.marks[-20:]:
            if mark.id not in self._obeyed and mark.source == "technician" and mark.undoes is None:
                self._obeyed.add(mark.id)
                self.practice.obey(mark.name)

    def _second(self, now_s: float) -> Second:
        values, troubles, remarks = {}, [], []
        for name, reading in self._reader.now().items():
            column = self._columns.get(name)
            if column is None or role_of(column) not in USED:
                continue
            if reading.value is not None:
                values[column] = reading.value
            elif reading.state is not State.OK:
                troubles.append((column, str(reading.state)))
            if reading.text:
                # What comes before the colon counts seconds or kelvins, and says what the state does.
                remarks.append((column, reading.text.rpartition(": ")[2]))
        links = [
            # What to do stands after the last colon; what comes before says the state in more words.
            f"{source}: {link.state}" + (f": {link.text.rpartition(': ')[2]}" if link.text else "")
            for source, link in self._reader.links.items()
            if link.state not in (LinkState.RUNNING, LinkState.ENDED)
        ]
        recording, clock_s = self._recording, self.clock_s
        return Second(
            at_s=now_s,
            values=values,
            troubles=tuple(troubles),
            heat=recording.heat,
            marks=tuple(recording.marks_in_force),
            form=recording.recorder.book.next_form,
            words=(*recording.words(), *self._wire.words(clock_s)),
            unsaved=recording.trouble,
            links=tuple(links),
            read_s=self._read_s if clock_s - self._read_s <= max(_OF_SECOND_S, self.speed) else clock_s,
            remarks=tuple(remarks),
            cut_off_s=self._cut_off_s(),
        )

    def _cut_off_s(self) -> float | None:
        if self._before is not None and self._recording.heat is not None:
            self._before = None  # another sheet is in
        before = self._before  # pages set it meanwhile
        return None if before is None else before.ago_s(self._utc_ms())

    def _utc_ms(self) -> int:
        return utc_ms(self._clock.utc())
