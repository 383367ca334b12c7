"""Brings what was recorded into the store, in order, without ever holding up the polling of the wires.

`put` writes an entry to the spool on this disk: when it has returned True, the entry is acknowledged. `work` moves what
waits there into the store, one batch a call. In a running program a thread of its own does that (`start`), so that a
store that is locked, slow or away keeps nobody waiting; tests call `work` themselves.

Where the spool cannot be written (the disk is full), entries wait in memory, unacknowledged; they are tried again at
every `put`, and `work` gives them to the store directly, where that can take them.
"""

from __future__ import annotations

import threading
from collections import deque
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass

from logger.actions import RecorderStore, do
from logger.clock import Clock
from logger.records import BenchHeld, Block, Mark, StoreBroken
from logger.spool import Entry, Spool
from logger.store_link import StoreLink
from thermal.fields import InputError

#: At most so many blocks or marks are stored at once: none may last long.
BATCH = 60
#: So long is waited for a call to the store that is under way at the end, s of the machine.
PATIENCE_S = 10.0
#: The thread looks again after this long, s of the machine, where nobody wakes it.
_LOOK_S = 0.25


@dataclass(frozen=True)
class Kept:
    """Where what was recorded is.

    Attributes:
        spooled: entries on this disk that the store has not yet; one is there for a moment after each second.
        unsaved: entries in memory alone. trouble: why they wait, in the store's and the disk's words, '' while all goes
        its way.
    """

    spooled: int
    unsaved: int
    trouble: str


class Keeper:
    """Store and spool of one recorder.

    Args:
        opener: opens the store; called again after every failure. clock: for the waits between tries. bench: id; it is
        held in the store against other recorders. stored: told which marks the store has, before the spool forgets
        them: whoever asked for them need not be found out from a store that may be away by then.
    """

    def __init__(
        self,
        opener: Callable[[], RecorderStore],
        spool: Spool,
        clock: Clock,
        bench: str,
        stored: Callable[[Sequence[Mark]], None] = lambda _marks: None,
    ) -> None:
        self._spool, self._link, self._told_stored = spool, StoreLink(opener, clock, bench), stored
        self._memory: deque[Entry] = deque()
        self._job: Callable[[RecorderStore], object] | None = None
        self._disk_trouble = self._thread_trouble = ""
        self.refused: list[str] = []
        #: Of spool, memory and job, never held while the store is asked.
        self._lock = threading.Lock()
        #: Whether the store is being given the first entry of the memory: until it has answered, those behind it stay
        #: where they are, or their order would be lost.
        self._in_hand = False
        self._wake, self._stop = threading.Event(), threading.Event()
        #: Set while the store has everything.
        self._stored = threading.Event()
        self._thread: threading.Thread | None = None

    @property
    def kept(self) -> Kept:
        """How it stands."""
        words = (self._link.trouble, self._disk_trouble, self._thread_trouble, *self.refused, *self._spool.damaged)
        with self._lock:
            return Kept(len(self._spool), len(self._memory), "; ".join(text for text in words if text))

    # ------------------------------------------------------------ the recorder's side

    def claim(self, first: Callable[[RecorderStore], object]) -> None:
        """Take the bench and do something first, where the store can be asked now.

        Raises:
            BenchHeld: another recorder has the bench.
        """
        self._link.claim()
        if self._link.is_due:
            self._link.ask(first)

    def put(self, entry: Entry) -> bool:
        """Keep an entry behind all others; whether all is acknowledged."""
        with self._lock:
            if not entry.empty:
                self._memory.append(entry)
            while self._memory and not self._in_hand:
                first = self._memory[0]
                try:
                    self._spool.append(first.blocks, first.marks, first.actions)
                except OSError as error:
                    self._disk_trouble = f"the spool cannot be written ({error}): free space on its disk"
                    break
                self._memory.popleft()
                self._disk_trouble = ""
            done = not self._memory
            self._tell()
        self._wake.set()
        return done

    def when_idle(self, job: Callable[[RecorderStore], object]) -> None:
        """Have something done when nothing waits; it is not tried again where that fails."""
        self._job = job

    def wait(self, timeout_s: float) -> None:
        """Give the thread this time of the machine to store what waits, unless the store takes nothing now."""
        if self._thread is not None and not self._link.trouble:
            self._stored.wait(timeout_s)

    def start(self) -> None:
        """Bring things into the store in a thread, until `finish`."""
        self._thread = threading.Thread(target=self._run, name="store", daemon=True)
        self._thread.start()

    def finish(self) -> None:
        """A last attempt without waiting for the next try; then let go of store and spool.

        A store that does not come back from a call is left alone: what waits is in the spool for the next recorder.
        """
        self._stop.set()
        self._wake.set()
        if self._thread is not None:
            self._thread.join(PATIENCE_S)
            if self._thread.is_alive():
                return  # spool and bench stay this process's, until it ends
        self._link.at_once()
        while self.work():
            pass
        self.put(Entry())
        self._link.close()
        self._spool.close()

    # ------------------------------------------------------------ the store's side

    def work(self) -> bool:
        """Store one batch, if something waits and the store may be tried; whether it was stored."""
        if not self._link.is_due:
            return False
        with self._lock:
            token, batch = self._batch()
            self._in_hand = token is None and batch is not None
            job, self._job = (self._job, None) if batch is None else (None, self._job)
        if batch is None:
            if job is not None:
                self._link.ask(job)
            return False
        stored = self._link.ask(lambda store: self._store(batch, store))
        if stored:
            self._told_stored(batch.marks)
        with self._lock:
            if stored and token is not None:
                self._spool.drop_through(token)
            elif stored:
                self._memory.popleft()
                self._disk_trouble = self._disk_trouble if self._memory else ""
            self._in_hand = False
            self._tell()
        return stored

    def _tell(self) -> None:
        if self._memory or len(self._spool):
            self._stored.clear()
        else:
            self._stored.set()

    def _run(self) -> None:
        while not self._stop.is_set():
            self._wake.wait(_LOOK_S)
            self._wake.clear()
            try:
                while not self._stop.is_set() and self.work():
                    pass
                self._thread_trouble = ""
            except Exception as error:  # the spool cannot be read, say: what waits goes on waiting
                self._thread_trouble = f"what waits in the spool cannot be brought on ({type(error).__name__}: {error})"

    def _batch(self) -> tuple[int | None, Entry | None]:
        """The first entries of the spool, put together as far as no action stands between them, and the last one's
        token; else the first of the memory.
        """
        blocks: list[Block] = []
        marks: list[Mark] = []
        last: int | None = None
        for token, entry in self._spool.pending():
            blocks += entry.blocks
            marks += entry.marks
            last = token
            if entry.actions or len(blocks) >= BATCH or len(marks) >= BATCH:
                return token, Entry(tuple(blocks), tuple(marks), entry.actions)
        if last is not None:
            return last, Entry(tuple(blocks), tuple(marks))
        return None, self._memory[0] if self._memory else None

    def _store(self, entry: Entry, store: RecorderStore) -> None:
        if entry.blocks or entry.marks:
            store.add(entry.blocks, entry.marks)
        for action in entry.actions:
            try:
                do(action, store)
            except (StoreBroken, BenchHeld):
                raise
            except InputError as error:  # for ever: what comes behind it must not wait for it
                with suppress(ValueError):
                    self.refused.remove(f"{type(action).__name__}: {error}")
                self.refused.append(f"{type(action).__name__}: {error}")
