"""A text board as a source of readings: opens its port, asks for its channels, and comes back by itself."""

from __future__ import annotations

from collections.abc import Callable

from logger.backoff import Backoff
from logger.board import Banner, BoardParser
from logger.board_format import ASK
from logger.clock import Clock
from logger.reading import Arrival, Fault, Frame, Link, LinkState
from logger.transport import Transport
from logger.wire_errors import NoSuchPort, PortBusy, TransportLost

#: First and longest pause between attempts to open a port.
FIRST_RETRY_S, LAST_RETRY_S = 0.2, 5.0
#: Without a valid line for this long, a board is silent: it speaks at least once a second.
SILENT_S = 3.0
#: A port that stays silent this long is opened afresh: a network connection may be dead without a word of it.
REOPEN_S = 30.0
ASK_EVERY_S = 1.0
#: Longest single wait of the transport, in the machine's time.
_SLICE_S = 0.02
#: Reads in a row that found nothing, before silence is believed: on a clock that runs fast, one wait is long.
_EMPTY_READS = 10


class BoardSource:
    """Readings of one text board; see `logger.reading.Source`.

    `poll` and `close` belong to one thread. Opening a port may take longer than a poll's timeout (2 s where nobody
    answers at a network address).

    Args:
        id: name of the source.
        open_transport: opens the port, as `lambda: open_transport(url, baud)`.
        clock: for waiting and stamping.
    """

    def __init__(self, id: str, open_transport: Callable[[], Transport], clock: Clock) -> None:
        self.id = id
        self._open_transport, self._clock = open_transport, clock
        self._parser = BoardParser()
        self._transport: Transport | None = None
        self._closed = False
        self._link: Link | None = None
        self._announced: Banner | None = None
        self._backoff, self._try_at_s = Backoff(FIRST_RETRY_S, LAST_RETRY_S), clock.monotonic_s()
        self._opened_s = self._good_s = self._asked_s = 0.0
        self._bytes_since_good = self._empty_reads = 0

    @property
    def banner(self) -> Banner | None:
        """The channels as the board announced them last; None before it ever did, kept while the link is down."""
        return self._announced

    def poll(self, timeout_s: float) -> list[Arrival]:
        """See `Source.poll`. On a clock that runs fast, a wait may be 20 ms of the machine's time too long."""
        out: list[Arrival] = []
        end_s = self._clock.monotonic_s() + max(timeout_s, 0.0)
        while not self._closed:
            left_s = end_s - self._clock.monotonic_s()
            if self._transport is None:
                self._open_or_wait(left_s, out)
            if self._transport is not None:
                self._listen(self._transport, max(min(left_s, _SLICE_S), 0.0), out)
            if out or self._clock.monotonic_s() >= end_s:
                break
        return out

    def close(self) -> None:
        """See `Source.close`."""
        self._closed = True
        transport, self._transport = self._transport, None
        if transport is not None:
            transport.close()

    def _open_or_wait(self, left_s: float, out: list[Arrival]) -> None:
        wait_s = self._try_at_s - self._clock.monotonic_s()
        if wait_s > 0.0:
            self._clock.sleep(max(min(wait_s, left_s), 0.0))
            if wait_s > left_s:
                return
        try:
            self._transport = self._open_transport()
        except PortBusy as busy:
            self._tell(LinkState.BUSY, f"{busy.text}; trying again", out)
        except (NoSuchPort, TransportLost) as absent:
            self._tell(LinkState.LOST, f"{absent.text}; trying again", out)
        now_s = self._clock.monotonic_s()
        if self._transport is None:
            self._retry_later(now_s)
            return
        self._opened_s = self._good_s = now_s
        self._asked_s = now_s - ASK_EVERY_S
        self._bytes_since_good = self._empty_reads = 0
        if self._link is None or self._link.state is not LinkState.SILENT:
            self._tell(LinkState.OPENING, f"{self.id}: connected, the board is asked for its channels", out)

    def _retry_later(self, now_s: float) -> None:
        self._try_at_s = now_s + self._backoff.again()

    def _listen(self, transport: Transport, wait_s: float, out: list[Arrival]) -> None:
        """One read and what follows from it."""
        before_s = self._clock.monotonic_s()
        try:
            if self._must_ask(before_s):
                transport.write(ASK)
                self._asked_s = before_s
            data = transport.read(wait_s)
        except TransportLost as lost:
            self._drop(transport, out)
            self._tell(LinkState.LOST, f"{lost.text}; it comes back by itself", out)
            return
        if data:
            self._empty_reads = 0
            self._take(data, out)
        else:
            self._empty_reads += 1
            # A clock of a test stands still while the transport waits.
            self._clock.sleep(wait_s - (self._clock.monotonic_s() - before_s))
        self._watch_silence(transport, out)

    def _must_ask(self, now_s: float) -> bool:
        quiet = self._parser.banner is None or now_s - self._good_s >= SILENT_S
        return quiet and now_s - self._asked_s >= ASK_EVERY_S

    def _take(self, data: bytes, out: list[Arrival]) -> None:
        good_before = self._parser.good_lines
        found = self._parser.feed(data)
        self._bytes_since_good += len(data)
        if self._parser.good_lines > good_before:
            self._good_s, self._bytes_since_good = self._clock.monotonic_s(), 0
            self._backoff.reset()
        for what in found:
            if isinstance(what, Banner):
                changed, self._announced = what != self._announced, what
                names = ", ".join(channel.name for channel in what.channels)
                self._tell(LinkState.RUNNING, f"{self.id}: board {what.board} sends {names}", out, again=changed)
            else:
                if isinstance(what, Frame) and what.values:
                    self._tell(LinkState.RUNNING, f"{self.id}: readings come again", out)
                self._stamp(what, out)

    def _watch_silence(self, transport: Transport, out: list[Arrival]) -> None:
        now_s = self._clock.monotonic_s()
        if now_s - self._good_s < SILENT_S or (self._empty_reads < _EMPTY_READS and not self._bytes_since_good):
            return
        if self._bytes_since_good:
            text = f"{self.id}: bytes come but no line of a board: compare the baud rate with the board's"
        else:
            text = f"{self.id}: the port is open but nothing comes: check the board's power and that its program runs"
        self._tell(LinkState.SILENT, text, out)
        if now_s - max(self._good_s, self._opened_s) >= REOPEN_S:
            self._drop(transport, out)

    def _drop(self, transport: Transport, out: list[Arrival]) -> None:
        transport.close()
        self._transport = None
        self._retry_later(self._clock.monotonic_s())
        cut_off = self._parser.disconnected()
        if cut_off is not None:
            self._stamp(cut_off, out)

    def _tell(self, state: LinkState, text: str, out: list[Arrival], again: bool = False) -> None:
        """Report the link where its state is another than before, or `again`."""
        if again or self._link is None or self._link.state is not state:
            self._link = Link(state, text)
            self._stamp(self._link, out)

    def _stamp(self, what: Frame | Fault | Link, out: list[Arrival]) -> None:
        out.append(Arrival(self._clock.monotonic_s(), self._clock.utc(), what))
