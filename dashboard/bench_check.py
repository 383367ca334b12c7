"""Is this bench fit to run? Port, frames, each channel and the clocks, as findings in plain sentences."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from enum import StrEnum
from itertools import pairwise

from dashboard.serial_ports import holders
from logger.bench import SourceEntry
from logger.clock import Clock
from logger.reading import FaultKind, Frame, Link, LinkState, State
from logger.readings import BenchArrival, BenchReader, Reading
from thermal.fields import near_matches

DEFAULT_S = 5.0
_TURN_S = 0.2
#: A board's clock may differ from the computer's by this; crystals are a thousand times better, so more is an error.
_DRIFT = 0.05
#: The machine's own delays: over less than what makes them small beside the drift, nothing is said of it. s.
_DELAY_S = 0.1
_DRIFT_FROM_S = 3.0
#: No computer of a workshop lives before this program does.
_FIRST_YEAR = 2025
_STEP_S = 1.0
#: Faults that one joining of a line that is already talking explains, and how many of them.
_JOINING = {FaultKind.SHORT_LINE: 1, FaultKind.NO_BANNER: 5}


class Grade(StrEnum):
    """How a thing stands. LOOK: a person must judge; it may well be as it should be."""

    FINE = "fine"
    LOOK = "look"
    WRONG = "wrong"


FINE, LOOK, WRONG = Grade.FINE, Grade.LOOK, Grade.WRONG


@dataclass(frozen=True)
class Finding:
    """One thing that was looked at. `found`: a sentence; `do`: what to do, '' where all is fine."""

    about: str
    grade: Grade
    found: str
    do: str = ""


@dataclass
class Seen:
    """What came while the bench was watched; times of the computer at start and end."""

    duration_s: float = 0.0
    arrivals: list[BenchArrival] = field(default_factory=list)
    utc: tuple[datetime, datetime] | None = None


def watch(reader: BenchReader, clock: Clock, for_s: float, each_turn: Callable[[], None] = lambda: None) -> Seen:
    """Listen for a while."""
    seen, start_s, start = Seen(), clock.monotonic_s(), clock.utc()
    while (left_s := start_s + for_s - clock.monotonic_s()) > 0.0:
        each_turn()
        seen.arrivals += reader.poll(min(_TURN_S, left_s))
    seen.duration_s = clock.monotonic_s() - start_s
    seen.utc = (start, clock.utc())
    return seen


def findings(
    reader: BenchReader, seen: Seen, speed: float = 1.0, ovens: Sequence[str] | None = None
) -> tuple[Finding, ...]:
    """All findings, in the order in which a person would look.

    Args:
        speed: of the bench's clock. ovens: ids of the shop's oven cards; None where they are not to be looked at.
    """
    bench = reader.bench
    found: list[Finding] = []
    if ovens is not None:
        found.append(_oven(bench.oven, ovens))
    for entry in bench.sources:
        found += _source(entry, reader, seen, max(_DRIFT_FROM_S, _DELAY_S * speed / _DRIFT))
    now = tuple(reader.now().values())
    found += [_role(reading) for reading in now]
    found += [Finding("bench", LOOK, note) for note in bench.notes]
    for note in reader.notes:
        # What a role without reading says of itself is not said once more.
        if note not in bench.notes and not any(reading.text.startswith(note) for reading in now):
            found.append(Finding("bench", WRONG, _first(note), _rest(note)))
    found.append(_computer_clock(seen))
    return tuple(found)


def _oven(oven: str, known: Sequence[str]) -> Finding:
    if oven in known:
        return Finding("oven", FINE, f"{oven} has its card")
    return Finding(
        "oven",
        WRONG,
        f"oven {oven} has no card in this shop{near_matches(oven, known)}",
        "give it a card in the shop's folder ovens, or correct oven in the bench file",
    )


# ---------------------------------------------------------------- sources


def _source(entry: SourceEntry, reader: BenchReader, seen: Seen, drift_from_s: float) -> list[Finding]:
    about, link, frames = f"source {entry.id}", reader.links.get(entry.id), reader.frames[entry.id]
    if frames and link is not None and link.state in (LinkState.RUNNING, LinkState.ENDED):
        rate = frames / seen.duration_s if seen.duration_s else 0.0
        found = [
            Finding(about, FINE, f"{entry.place}: {frames} frames in {seen.duration_s:.0f} s, {rate:.1f} a second")
        ]
    else:
        state = link.state if link else LinkState.OPENING
        text = link.text if link else "nothing has answered yet"
        found = [Finding(about, WRONG, f"{state}: {_first(text)}", _rest(text) + _held(link))]
    found += _line(entry, reader)
    return [*found, *_board_clock(entry, seen, drift_from_s)]


def _held(link: Link | None) -> str:
    """Who holds the port of a source that says it is in use; its sentence names it, as a map's file may do first."""
    if link is None or link.state is not LinkState.BUSY:
        return ""
    programs = holders(link.text.partition(" is in use")[0])
    return f" (it is {', '.join(programs)})" if programs else ""


def _line(entry: SourceEntry, reader: BenchReader) -> list[Finding]:
    counts = {kind: n for (source, kind), n in reader.faults.items() if source == entry.id}
    found = []
    for kind, count in counts.items():
        if count <= _JOINING.get(kind, 0):
            continue
        fault = reader.last_fault[entry.id]
        example = fault.text if fault.kind is kind else ""
        found.append(
            Finding(
                f"frames of {entry.id}",
                WRONG,
                f"{count} x {kind}",
                example or "see the last line of this kind with 'pullcue bench'",
            )
        )
    return found or ([Finding(f"frames of {entry.id}", FINE, "every line whole")] if reader.frames[entry.id] else [])


def _board_clock(entry: SourceEntry, seen: Seen, from_s: float) -> list[Finding]:
    """The board's own clock against the computer's, from first to last frame."""
    stamped = [
        (one.monotonic_s, one.what.source_ms)
        for one in seen.arrivals
        if one.source == entry.id and isinstance(one.what, Frame) and one.what.source_ms is not None
    ]
    if entry.kind == "replay" or len(stamped) < 2:
        return []
    (first_s, first_ms), (last_s, last_ms) = stamped[0], stamped[-1]
    about = f"clock of {entry.id}"
    if any(later[1] < earlier[1] for earlier, later in pairwise(stamped)):
        return [
            Finding(about, WRONG, "it went back while it was watched", "look for a board that restarts: its supply")
        ]
    if last_s - first_s < from_s:
        return []
    ratio = (last_ms - first_ms) * 1e-3 / (last_s - first_s)
    if abs(ratio - 1.0) > _DRIFT:
        side = "fast" if ratio > 1.0 else "slow"
        return [Finding(about, WRONG, f"it runs {abs(ratio - 1.0):.0%} {side}", "correct the clock in its program")]
    return [Finding(about, FINE, "it keeps the computer's time")]


# ---------------------------------------------------------------- roles, clock, programs


def _role(reading: Reading) -> Finding:
    about = f"{reading.role} ({reading.source_text})"
    if reading.value is None:
        empty = reading.role.startswith("drop") and reading.state is State.OUT_OF_RANGE
        return Finding(about, LOOK if empty else WRONG, str(reading.state), reading.text)
    unit = {"C": "°C"}.get(reading.unit, reading.unit)
    return Finding(about, WRONG if reading.text else FINE, f"{reading.value:.1f} {unit}", reading.text)


def _computer_clock(seen: Seen) -> Finding:
    assert seen.utc is not None
    start, end = seen.utc
    if start.year < _FIRST_YEAR:
        return Finding(
            "computer's clock", WRONG, f"it says {start:%Y-%m-%d}", "set date and time: every record bears it"
        )
    step_s = (end - start).total_seconds() - seen.duration_s
    if abs(step_s) > _STEP_S:
        return Finding(
            "computer's clock",
            WRONG,
            f"the time of day was set by {step_s:+.0f} s while the bench was watched",
            "nothing, if this was the time server; else find what sets it",
        )
    return Finding("computer's clock", FINE, f"{start:%Y-%m-%d %H:%M} UTC")


def _first(text: str) -> str:
    """The part of a sentence that says what is; ': ' comes before what to do."""
    return text.rpartition(": ")[0] or text


def _rest(text: str) -> str:
    return text.rpartition(": ")[2] if ": " in text else ""
