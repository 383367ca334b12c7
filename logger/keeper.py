"""Brings what was recorded into the store, in order; what the store cannot take waits in the spool.

An entry is acknowledged when `store.add` or `spool.append` has returned. Where both fail (the disk is full), entries
wait in memory, unacknowledged, and are tried again at every round. As long as something waits in the spool, new
entries go behind it. The store is tried again after 0.5, 1, 2 ... 10 s.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import partial

from logger.actions import RecorderStore, do
from logger.backoff import Backoff
from logger.clock import Clock
from logger.records import BenchHeld, Block, Mark, StoreBroken, new_id
from logger.spool import Entry, Spool, Token
from thermal.fields import InputError

#: At most so many blocks are stored at once, and so many entries of the spool in one round: none may last long.
BATCH, ROUND = 60, 600
#: The store is told this often that the bench is still recorded, s.
HOLD_EVERY_S = 10.0


@dataclass(frozen=True)
class Kept:
    """Where what was recorded is.

    Attributes:
        spooled, unsaved: entries in the spool; in memory alone. trouble: why, in the store's and the disk's words, ''
        while all goes into the store.
    """

    spooled: int
    unsaved: int
    trouble: str


class Keeper:
    """Store and spool of one recorder.

    Args:
        opener: opens the store; called again after every failure. clock: for the waits between tries. bench: id; it is
        held in the store against other recorders.
    """

    def __init__(self, opener: Callable[[], RecorderStore], spool: Spool, clock: Clock, bench: str) -> None:
        self._opener, self._spool, self._clock, self._bench = opener, spool, clock, bench
        self._token, self._held_s = new_id(), float("-inf")
        self.refused: list[str] = []
        self._store: RecorderStore | None = None
        self._memory: deque[Entry] = deque()
        self._backoff, self._again_s = Backoff(), float("-inf")
        self._store_trouble = self._disk_trouble = ""
        self._was_up = False

    @property
    def kept(self) -> Kept:
        """How it stands."""
        trouble = "; ".join(words for words in (self._store_trouble, self._disk_trouble, *self.refused) if words)
        return Kept(len(self._spool), len(self._memory), trouble)

    def put(self, entry: Entry) -> bool:
        """Keep an entry behind all others; whether it is acknowledged."""
        if not entry.empty:
            self._memory.append(entry)
        return self.round()

    def round(self) -> bool:
        """Bring on what waits; whether all is acknowledged."""
        if len(self._spool):
            self._drain()
        if not len(self._spool):
            while self._memory and self._try(partial(self._store_entry, self._memory[0])):
                self._memory.popleft()
        while self._memory:
            entry = self._memory[0]
            try:
                self._spool.append(entry.blocks, entry.marks, entry.actions)
            except OSError as error:
                self._disk_trouble = f"the spool cannot be written ({error}): free space on its disk"
                return False
            self._memory.popleft()
        self._disk_trouble = ""
        return True

    def use(self, what: Callable[[RecorderStore], object]) -> bool:
        """Do something that need not be done now, if the store is up and nothing waits; whether it was done."""
        if len(self._spool) or self._memory:
            return False
        return self._try(what)

    def finish(self) -> None:
        """A last attempt without waiting for the next try; then let go of store and spool."""
        self._again_s = float("-inf")
        self.round()
        while len(self._spool) and not self._store_trouble:
            self.round()
        if self._store is not None:
            self._try(lambda store: store.release(self._bench, self._token))
        self._shut()
        self._spool.close()

    # ------------------------------------------------------------ the store

    def _try(self, what: Callable[[RecorderStore], object]) -> bool:
        """Whether the store did it. Whatever it failed with, the data wait: no error may end the recording."""
        if self._clock.monotonic_s() < self._again_s:
            return False
        try:
            what(self._open())
        except Exception as error:
            if isinstance(error, BenchHeld) and not self._was_up:
                raise
            self._store_trouble = f"the store does not take what is recorded ({type(error).__name__}: {error})"
            self._again_s = self._clock.monotonic_s() + self._backoff.again()
            self._shut()
            return False
        self._was_up = True
        self._backoff.reset()
        self._store_trouble, self._again_s = "", float("-inf")
        return True

    def _open(self) -> RecorderStore:
        now_s = self._clock.monotonic_s()
        if self._store is None:
            self._store, self._held_s = self._opener(), float("-inf")
        if now_s - self._held_s >= HOLD_EVERY_S:
            self._store.hold(self._bench, self._token, round(self._clock.utc().timestamp() * 1e3))
            self._held_s = now_s
        return self._store

    def _store_entry(self, entry: Entry, store: RecorderStore) -> None:
        if entry.blocks or entry.marks:
            store.add(entry.blocks, entry.marks)
        for action in entry.actions:
            try:
                do(action, store)
            except (StoreBroken, BenchHeld):
                raise
            except InputError as error:  # for ever: what comes behind it must not wait for it
                self.refused.append(f"{type(action).__name__}: {error}")

    def _shut(self) -> None:
        """Let go of a store that failed: a connection may be spoilt."""
        store, self._store = self._store, None
        if store is not None:
            try:
                store.close()
            except Exception as error:
                self._store_trouble += f"; closing it failed too ({error})"

    def _drain(self) -> None:
        for token, entry in self._batches():
            if not self._try(partial(self._store_entry, entry)):
                return
            self._spool.drop_through(token)

    def _batches(self) -> Iterator[tuple[Token, Entry]]:
        """Entries of the spool put together as far as no action stands between them."""
        blocks: list[Block] = []
        marks: list[Mark] = []
        last: Token | None = None
        for count, (token, entry) in enumerate(self._spool.pending()):
            if count >= ROUND:
                break
            blocks += entry.blocks
            marks += entry.marks
            last = token
            if entry.actions or len(blocks) >= BATCH or len(marks) >= BATCH:
                yield token, Entry(tuple(blocks), tuple(marks), entry.actions)
                blocks, marks, last = [], [], None
        if last is not None:
            yield last, Entry(tuple(blocks), tuple(marks))
