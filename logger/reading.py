"""What comes off a wire, as values: frames of channels, faults, and the state of the link to their source.

Nothing here invents a number: a channel that has none carries a state that says why.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum
from typing import Literal, Protocol

Unit = Literal["C", "uV", "mm", "kPa"]
UNITS: tuple[Unit, ...] = ("C", "uV", "mm", "kPa")


class State(StrEnum):
    """Whether a channel's value may be believed, in words that a screen shows as they are."""

    OK = "ok"
    OPEN = "open circuit"
    SHORT = "short circuit"
    OUT_OF_RANGE = "out of range"
    NOT_MEASURABLE = "not measurable"
    FAULT = "device fault"
    FROZEN = "frozen"
    SPIKE = "spike"
    MISSING = "no reading"


@dataclass(frozen=True)
class Value:
    """One channel of a frame.

    Attributes:
        channel: name as the source gives it. value: in `unit`; None where there is none.
        cold_junction_c: for a value in uV, the reference junction's temperature, °C; None where not known.
    """

    channel: str
    unit: Unit
    value: float | None
    state: State = State.OK
    cold_junction_c: float | None = None


@dataclass(frozen=True)
class Frame:
    """All channels at one moment of the source.

    Attributes:
        sequence: number that rises by one; None where the source counts nothing.
        source_ms: the source's own clock, ms; None where it has none.
        values: in the source's order. button: name of a button pressed with this frame, '' for none.
    """

    sequence: int | None
    source_ms: int | None
    values: tuple[Value, ...]
    button: str = ""


class FaultKind(StrEnum):
    """What can go wrong between wire and frame."""

    GARBAGE = "unreadable bytes"
    CHECKSUM = "wrong checksum"
    SHORT_LINE = "cut-off line"
    WRONG_COUNT = "wrong number of channels"
    NO_BANNER = "channels not announced yet"
    GAP = "frames missing"
    DUPLICATE = "frame repeated"
    ORDER = "frame out of order"
    RESTART = "board restarted"
    REFUSED = "device answered with an error"
    FOREIGN = "another device answered"
    LATE = "device answered late"
    SILENT = "device silent"


@dataclass(frozen=True)
class Fault:
    """Something that gave no frame, or a frame worth a remark.

    Attributes:
        raw: the bytes concerned, where there are any. missing: how many frames a GAP lacks, 0 for other kinds.
    """

    kind: FaultKind
    text: str
    raw: bytes = b""
    missing: int = 0


class LinkState(StrEnum):
    """State of the connection to a source, in words that a screen shows as they are."""

    OPENING = "opening"
    RUNNING = "running"
    SILENT = "connected, nothing comes"
    LOST = "connection lost"
    BUSY = "port used by another program"
    ENDED = "ended"


@dataclass(frozen=True)
class Link:
    """A change of the connection; `text` says what happened and what to do."""

    state: LinkState
    text: str


@dataclass(frozen=True)
class Arrival:
    """Anything a source reports, stamped where it arrived."""

    monotonic_s: float
    utc: datetime
    what: Frame | Fault | Link


class Source(Protocol):
    """Gives readings. No trouble of the hardware raises: it arrives as `Fault` or `Link`, and the source comes back by
    itself when the trouble is gone.
    """

    id: str

    def poll(self, timeout_s: float) -> list[Arrival]:
        """What arrived since the last call, in order; waits at most `timeout_s` for the first."""

    def close(self) -> None:
        """Let go of port, socket or thread; may be called twice."""
