"""Readings of a SCPI instrument: identified, set up, then asked on its period.

VISA only knows calls that wait, so a thread of the source's own makes them; a poll waits for that thread no longer
than its caller wants. When to ask is decided by the clock in the poll.
"""

from __future__ import annotations

import math
import queue
import threading

from logger.backoff import Backoff
from logger.clock import Clock
from logger.reading import Arrival, Fault, FaultKind, Frame, Link, LinkState
from logger.scpi_answers import error_fault, error_in, is_identity, values_in
from logger.scpi_map import ScpiMap
from logger.scpi_wire import NoAnswer, ScpiWire
from logger.wire_errors import WireError

#: Most lines looked through for the one awaited, and most entries read of an error queue (estimate: a queue holds 20).
_MOST_LINES = 20


class _WrongInstrument(Exception):
    """What answers is not the instrument of the map."""


class ScpiSource:
    """An instrument as a source.

    Args:
        instrument: its map. clock: what waits and stamps; also used by the source's thread.
        source_id: name of the source, the map's own where ''. backend: see `ScpiWire`.
    """

    def __init__(self, instrument: ScpiMap, clock: Clock, source_id: str = "", backend: str = "@py") -> None:
        self.id = source_id or instrument.id
        self._map, self._clock, self._backend = instrument, clock, backend
        self._link: Link | None = None
        self._wire: ScpiWire | None = None
        self._backoff = Backoff()
        self._due_s = -math.inf
        self._asking = False
        self._stop = threading.Event()
        self._jobs: queue.SimpleQueue[bool] = queue.SimpleQueue()
        #: What the thread reports, and after each reading how long to wait before a new try, s (0: it worked).
        self._reports: queue.SimpleQueue[Arrival | float] = queue.SimpleQueue()
        self._thread: threading.Thread | None = None

    def poll(self, timeout_s: float) -> list[Arrival]:
        """See `Source.poll`."""
        if self._stop.is_set():
            return []
        if self._thread is None:
            self._say(Link(LinkState.OPENING, f"connecting to {self._map.resource}"))
            self._thread = threading.Thread(target=self._work, name=f"scpi {self.id}", daemon=True)
            self._thread.start()
        found = self._collect(0.0)
        end_s = self._clock.monotonic_s() + max(timeout_s, 0.0)
        if not found and not self._asking:
            wait_s = min(self._due_s, end_s) - self._clock.monotonic_s()
            if wait_s > 0.0:
                self._clock.sleep(wait_s)
        self._ask_if_due()
        if not found and self._asking:
            found = self._collect(max(end_s - self._clock.monotonic_s(), 0.0))
        return found

    def close(self) -> None:
        """See `Source.close`; waits for the instrument's timeout at most."""
        self._stop.set()
        self._jobs.put(False)
        if self._thread is not None:
            self._thread.join(self._map.timeout_s + 1.0)

    def _ask_if_due(self) -> None:
        now_s = self._clock.monotonic_s()
        if self._asking or now_s < self._due_s:
            return
        start_s = self._due_s if math.isfinite(self._due_s) else now_s
        self._due_s = start_s + (math.floor((now_s - start_s) / self._map.period_s) + 1) * self._map.period_s
        self._asking = True
        self._jobs.put(True)

    def _collect(self, wait_s: float) -> list[Arrival]:
        """What the thread reported, after waiting for the first at most `wait_s`."""
        found: list[Arrival] = []
        while True:
            try:
                report = self._reports.get(timeout=wait_s) if wait_s > 0.0 else self._reports.get_nowait()
            except queue.Empty:
                return found
            if isinstance(report, Arrival):
                found.append(report)
                wait_s = 0.0
            else:
                self._asking = False
                if report > 0.0:
                    self._due_s = self._clock.monotonic_s() + report
                wait_s = 0.0

    # What follows runs in the source's thread.

    def _work(self) -> None:
        while self._jobs.get() and not self._stop.is_set():
            self._reports.put(self._reading())
        if self._wire is not None:
            self._wire.close()

    def _reading(self) -> float:
        """One reading; returns how long to wait before a new try, s, and 0 when it worked."""
        try:
            if self._wire is None:
                self._connect()
            self._measure(self._opened())
        except NoAnswer:
            text = (
                f"the instrument at {self._map.resource} gave no answer within {self._map.timeout_s:g} s: check that "
                "it is on and set to remote, and its line end and baud rate"
            )
            self._put(Fault(FaultKind.SILENT, text))
            self._say(Link(LinkState.SILENT, f"{text}; it is asked again"))
        except _WrongInstrument as error:
            self._put(Fault(FaultKind.FOREIGN, str(error)))
            self._say(Link(LinkState.OPENING, f"{error}; it is asked again"))
        except WireError as error:
            self._say(Link(LinkState.LOST, f"{error.text}; it is tried again"))
        else:
            self._backoff.reset()
            return 0.0
        if self._wire is not None:
            self._wire.close()
            self._wire = None
        return self._backoff.again()

    def _opened(self) -> ScpiWire:
        assert self._wire is not None
        return self._wire

    def _connect(self) -> None:
        """Connect, see who is there, and set it up."""
        self._wire = wire = ScpiWire(self._map, self._backend)
        identity = self._identity(wire)
        for command in self._map.setup:
            wire.say(command)
        if self._map.setup:
            self._read_errors(wire)
        self._say(Link(LinkState.RUNNING, f"{identity[:80]} answers at {self._map.resource}"))

    def _identity(self, wire: ScpiWire) -> str:
        """Who is there; a serial line may still carry the answer to an earlier question, which is passed over."""
        wire.say(self._map.identify)
        line = wire.hear()
        try:
            for _ in range(_MOST_LINES):
                if self._map.identity in line if self._map.identity else is_identity(line):
                    return line
                if is_identity(line):
                    break
                line = wire.hear()
        except NoAnswer:
            pass  # something answered, and not with an identity
        raise _WrongInstrument(
            f"{line[:80]!r} answers at {self._map.resource}, expected "
            f"{repr(self._map.identity) + ' in it' if self._map.identity else 'maker, model, serial number, version'}: "
            "check resource, identify and identity"
        )

    def _measure(self, wire: ScpiWire) -> None:
        wire.say(self._map.measure)
        try:
            line = wire.hear()
        except NoAnswer:
            if not self._read_errors(wire):
                text = (
                    f"the instrument has not answered {self._map.measure!r} within {self._map.timeout_s:g} s and "
                    "reports no error: make timeout_s longer, or correct the measure query"
                )
                self._put(Fault(FaultKind.SILENT, text))
            return
        values = values_in(line, self._map)
        if isinstance(values, Fault):
            self._put(values)
            self._read_errors(wire)
        else:
            self._put(Frame(None, None, values))

    def _read_errors(self, wire: ScpiWire) -> bool:
        """Empty the instrument's error queue and report it; whether anything was reported.

        Raises:
            NoAnswer: it does not even answer this. TransportLost: the connection is gone.
        """
        reported = False
        wire.say(self._map.errors)
        for _ in range(_MOST_LINES):
            if self._stop.is_set():
                break
            line = wire.hear()
            error = error_in(line)
            if error is None:  # the answer to an earlier question, which came after all
                text = (
                    f"the instrument answered after more than {self._map.timeout_s:g} s, too late to count; make "
                    "timeout_s longer"
                )
                self._put(Fault(FaultKind.LATE, text, line.encode("ascii", "replace")))
                reported = True
                continue
            if error[0] == 0:
                break
            self._put(error_fault(*error))
            reported = True
            wire.say(self._map.errors)
        return reported

    def _say(self, link: Link) -> None:
        """Report the connection where it has changed."""
        if link != self._link:
            self._link = link
            self._put(link)

    def _put(self, what: Frame | Fault | Link) -> None:
        self._reports.put(Arrival(self._clock.monotonic_s(), self._clock.utc(), what))
