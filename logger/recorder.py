"""The recorder of one bench: polls its sources, and has kept what came, what was marked, and which heats there were.

One round (`step`) polls, builds the seconds that are over, takes marks from buttons, door, clock and mailbox, lets
heats begin and end, and hands all of it as one entry to the keeper, which writes it to the spool on this disk: then it
is acknowledged. A thread of the keeper's brings it into the store; however long that takes, the wires are polled.
Nothing that goes wrong with source, store or disk ends the recording.

Every 10 minutes samples are thinned that lie outside of heats and more than an hour before now, or before the start of
the heat that is open: see `logger.thinning` for the rule. So a start can be set back by 30 minutes and still has every
sample of the 30 minutes before it.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from logger.actions import Action, BeginRun, EndRun, RecorderStore
from logger.bench import Bench
from logger.blocks import BlockBuilder, utc_ms
from logger.clock import Clock, SystemClock
from logger.clock_watch import ClockWatch, system_boot_s
from logger.door import DoorWatch
from logger.heat_book import SET_BACK_S, HeatBook
from logger.keeper import Keeper, Kept
from logger.marks import Mailbox, Request, drop_note
from logger.reading import Fault, Frame, Link, LinkState
from logger.readings import BenchArrival, BenchReader
from logger.records import UNDO, BenchHeld, HeatForm, HeatRecord, Mark, MarkSource, Run, new_id
from logger.spool import Entry, Spool

#: A start may be set back by 30 minutes, and the 30 minutes before it stay whole.
WHOLE_S, THIN_EVERY_S = SET_BACK_S + 1800.0, 600.0
#: What went wrong on the wires is told once in this time, s, in one mark a source.
FAULTS_EVERY_S = 60.0
#: Marks that nobody made: of links, faults and the machine's clock.
_ITSELF: MarkSource = "machine"
_LOST = (LinkState.LOST, LinkState.SILENT, LinkState.BUSY)


@dataclass(frozen=True)
class Round:
    """What one step brought.

    Attributes:
        heat: the one that is open after it. kept: where what was recorded is.
    """

    arrivals: tuple[BenchArrival, ...]
    marks: tuple[Mark, ...]
    heat: HeatRecord | None
    kept: Kept


class Recorder:
    """Records one bench; its run begins now.

    Args:
        reader: of the bench. opener: opens the store, again after each failure. spool: of this bench.
        clock: that of the reader. mailbox: where other programs leave marks. form: of the heats that begin; may be set
        later. software: name and version, for the run. watch: of the clock.
        own_thread: bring things into the store in a thread; otherwise each round does it and waits, for tests and
        simulated time.

    Raises:
        BenchHeld: another recorder writes this bench into this store; the spool is let go of.
    """

    def __init__(
        self,
        reader: BenchReader,
        opener: Callable[[], RecorderStore],
        spool: Spool,
        clock: Clock,
        bench: Bench,
        *,
        mailbox: Mailbox | None = None,
        form: HeatForm | None = None,
        software: str = "",
        watch: ClockWatch | None = None,
        own_thread: bool = True,
    ) -> None:
        self._reader, self._clock, self._bench, self._mailbox = reader, clock, bench, mailbox
        self._watch = watch or ClockWatch(clock, boot_s=_boot_of(clock))
        self._start_s = self._looked_s = clock.monotonic_s()
        started_ms = utc_ms(clock.utc())
        self.run = Run(new_id(), bench.id, started_ms, self._watch.zone, software)
        self._blocks = BlockBuilder(bench, self.run.id, self._start_s)
        self._door = DoorWatch()
        self.book = HeatBook(bench.id, self.run.id, self._utc_ms, form or HeatForm(oven=bench.oven))
        self._lost: set[str] = set()
        self._faults: Counter[tuple[str, str]] = Counter()
        self._faults_told_s = self._thinned_s = 0.0
        self._unacknowledged: list[str] = []
        self._done: set[str] = {mark.id for _, entry in spool.pending() for mark in entry.marks}
        self._keeper, self._own_thread = Keeper(opener, spool, clock, bench.id, self._stored), own_thread
        self._closed = False
        try:
            self._keeper.claim(self._remember_marks)
        except BenchHeld:
            spool.close()
            raise
        self._keep((), (), [BeginRun(self.run)])
        self._keep((), *self._requested(self._early_requests()))
        if own_thread:
            self._keeper.start()

    @property
    def form(self) -> HeatForm:
        """What is said of the heats that begin from now on."""
        return self.book.form

    @form.setter
    def form(self, form: HeatForm) -> None:
        self.book.form = form

    @property
    def now_s(self) -> float:
        """Time of the run, s."""
        return self._clock.monotonic_s() - self._start_s

    def step(self, timeout_s: float) -> Round:
        """One round; waits at most `timeout_s` for the first arrival, and for this disk."""
        arrivals = self._reader.poll(timeout_s)
        marks, actions = self._clock_marks(), list[Action]()
        self._blocks.take(arrivals)
        for arrival in arrivals:
            found, follow = self._of_arrival(arrival)
            marks += found
            actions += follow
        marks += self._fault_marks()
        asked, follow = self._requested(self._new_requests())
        marks += asked
        actions += [*follow, *self.book.due(self.now_s)]
        blocks = self._blocks.due(self._clock.monotonic_s(), self._clock.utc(), self._reader.now)
        self._keep(blocks, marks, actions)
        self._thin()
        return Round(tuple(arrivals), tuple(marks), self._heat, self._keeper.kept)

    def kept(self, wait_s: float = 0.0) -> Kept:
        """Where what was recorded is, now, or when the store has it all, but after `wait_s` of the machine at most."""
        self._keeper.wait(wait_s)
        return self._keeper.kept

    def mark(self, request: Request) -> Mark:
        """Mark something from within this program; kept when this returns, unless this disk is full."""
        mark, actions = self._mark_of(request, self.now_s - request.ago_s)
        self._keep((), [mark], actions)
        return mark

    def say(self, form: Mapping[str, Any]) -> None:
        """Say something of the open heat from within this program, as `HeatForm.as_table`; kept when this returns."""
        if self.book.heat is not None:
            self._keep((), (), self.book.said(form))

    def over(self) -> None:
        """Close a heat that was pulled, since its outcome is known; kept when this returns."""
        self._keep((), (), self.book.over())

    def close(self) -> None:
        """End the run: what is left is kept, a heat that nobody pulled was interrupted. May be called twice."""
        if self._closed:
            return
        self._closed = True
        utc = self._clock.utc()
        blocks = self._blocks.rest(self._clock.monotonic_s(), utc, self._reader.now)
        actions = [*self.book.close(self.now_s), EndRun(self.run.id, utc_ms(utc))]
        self._keep(blocks, self._fault_marks(at_once=True), actions)
        self._keeper.finish()

    # ------------------------------------------------------------ keeping

    @property
    def _heat(self) -> HeatRecord | None:
        return None if self.book.heat is None else self.book.heat.record

    def _keep(self, blocks: Sequence[Any], marks: Sequence[Mark], actions: Sequence[Action]) -> None:
        done = self._keeper.put(Entry(tuple(blocks), tuple(marks), tuple(actions)))
        if not self._own_thread:
            while self._keeper.work():
                done = not self._keeper.kept.unsaved
        if done and self._mailbox is not None:
            self._unacknowledged = [id for id in self._unacknowledged if not self._mailbox.taken(id)]

    def _stored(self, marks: Sequence[Mark]) -> None:
        """Take marks out of the mailbox before the spool forgets them: else one would be done again after a kill just
        then, where the store is away at the next start and cannot say that it has the mark.
        """
        if self._mailbox is not None:
            for mark in marks:
                self._mailbox.taken(mark.id)

    def _thin(self) -> None:
        now_s = self.now_s
        if now_s - self._thinned_s < THIN_EVERY_S:
            return
        heat = self._heat
        before_s = min(now_s, heat.start_s if heat else now_s) - WHOLE_S
        self._thinned_s = now_s
        if before_s > 0.0:
            self._keeper.when_idle(lambda store: store.thin(self._bench.id, self.run.id, before_s))

    def _utc_ms(self, at_s: float) -> int:
        return self._watch.utc_ms(self._start_s + at_s)

    # ------------------------------------------------------------ marks

    def _new_mark(self, at_s: float, name: str, note: str = "", source: MarkSource = _ITSELF) -> Mark:
        return Mark(new_id(), self._bench.id, self.run.id, at_s, self._utc_ms(at_s), name, note=note, source=source)

    def _clock_marks(self) -> list[Mark]:
        return [self._new_mark(event.at_s - self._start_s, event.name, event.text) for event in self._watch.look()]

    def _of_arrival(self, arrival: BenchArrival) -> tuple[list[Mark], list[Action]]:
        at_s = arrival.monotonic_s - self._start_s
        match arrival.what:
            case Link() as link:
                return self._of_link(arrival.source, at_s, link), []
            case Fault(kind=kind, missing=missing):
                self._faults[arrival.source, str(kind)] += max(missing, 1)
                return [], []
            case Frame(button=button):
                marks, actions = list[Mark](), list[Action]()
                if name := " ".join(button.replace(";", " ").split()):
                    marks.append(self._new_mark(at_s, name, drop_note(self._bench, name), "button"))
                    actions += self.book.mark(marks[0], self.now_s)
                if arrival.readings:
                    values = {reading.role: reading.value for reading in arrival.readings}
                    for event in self._door.take(at_s, values):
                        found, follow = self.book.door(event, self.now_s)
                        marks += found
                        actions += follow
                return marks, actions

    def _of_link(self, source: str, at_s: float, link: Link) -> list[Mark]:
        if link.state in _LOST and source not in self._lost:
            self._lost.add(source)
            return [self._new_mark(at_s, "source_lost", f"{source}: {link.state}: {link.text}")]
        if link.state is LinkState.RUNNING and source in self._lost:
            self._lost.discard(source)
            return [self._new_mark(at_s, "source_back", f"{source}: {link.text}")]
        return []

    def _fault_marks(self, at_once: bool = False) -> list[Mark]:
        now_s = self.now_s
        if not self._faults or (now_s - self._faults_told_s < FAULTS_EVERY_S and not at_once):
            return []
        sources = sorted({source for source, _ in self._faults})
        words = {
            source: ", ".join(f"{n} x {kind}" for (of, kind), n in sorted(self._faults.items()) if of == source)
            for source in sources
        }
        self._faults.clear()
        self._faults_told_s = now_s
        return [self._new_mark(now_s, "faults", f"{source}: {text}") for source, text in words.items()]

    # ------------------------------------------------------------ mailbox

    def _remember_marks(self, store: RecorderStore) -> None:
        """Ids of marks that an interrupted run stored, but had no time to take out of the mailbox."""
        for run in store.open_runs(self._bench.id):
            self._done |= {mark.id for mark in store.marks(run.bench, run.id)}

    def _early_requests(self) -> list[tuple[Request, float]]:
        """What was asked before the recorder started, placed by UTC."""
        started_ms = self.run.started_utc_ms
        found = self._mailbox.waiting() if self._mailbox else []
        return [(one, min((one.utc_ms - started_ms) / 1e3, 0.0) - one.ago_s) for one in found]

    def _new_requests(self) -> list[tuple[Request, float]]:
        """What was asked since the last look: its age by UTC is believed as far as that is possible."""
        now_s, now_ms = self.now_s, utc_ms(self._clock.utc())
        longest_s = now_s - (self._looked_s - self._start_s)
        found = self._mailbox.waiting() if self._mailbox else []
        self._looked_s = now_s + self._start_s
        return [(one, now_s - min(max((now_ms - one.utc_ms) / 1e3, 0.0), longest_s) - one.ago_s) for one in found]

    def _requested(self, requests: Sequence[tuple[Request, float]]) -> tuple[list[Mark], list[Action]]:
        marks, actions = list[Mark](), list[Action]()
        for request, at_s in requests:
            if request.id not in self._unacknowledged:
                self._unacknowledged.append(request.id)
            if request.id in self._done:
                continue
            mark, follow = self._mark_of(request, at_s)
            marks.append(mark)
            actions += follow
        return marks, actions

    def _mark_of(self, request: Request, at_s: float) -> tuple[Mark, list[Action]]:
        self._done.add(request.id)
        undoes, note = request.undoes, request.note
        if request.name == UNDO and undoes is None:
            last = self.book.last_mark()
            undoes, note = (last.id, note or f"takes back {last.name}") if last else (None, "nothing to take back")
        note = "; ".join(words for words in (drop_note(self._bench, request.name), note) if words)
        mark = Mark(
            request.id, self._bench.id, self.run.id, at_s, self._utc_ms(at_s), request.name, request.by, note,
            undoes=undoes,
        )  # fmt: skip
        actions = self.book.mark(mark, self.now_s)
        return mark, [*actions, *(self.book.said(request.form) if request.form else [])]


def _boot_of(clock: Clock) -> Callable[[], float | None]:
    """Time since boot goes with the machine's own clock only."""
    return system_boot_s if isinstance(clock, SystemClock) else lambda: None
