"""The live view of a bench in a terminal: a table that redraws, plain lines where there is no terminal, or JSON."""

from __future__ import annotations

import json
import shutil
import sys
from collections.abc import Callable, Mapping
from contextlib import suppress
from dataclasses import dataclass, field
from types import TracebackType
from typing import TYPE_CHECKING, Any, Self

import click

from dashboard.live import LiveRecord
from dashboard.units import Units
from logger.clock import Clock
from logger.reading import LinkState, State
from logger.readings import BenchReader, Reading

if TYPE_CHECKING:
    from dashboard.commands.practice_cue import PracticeCue
    from dashboard.recording import Recording

#: Longest single wait for readings, s of the bench's clock: how soon Ctrl-C and keys are noticed at normal speed.
_TURN_S = 0.2
#: Draws a second of the machine's time.
_DRAWS_PER_S = 4.0


@dataclass
class Looking:
    """How a bench is looked at.

    Attributes:
        title: first line. units: of what is shown. speed: of the bench's clock. for_s: how long, s of that clock.
        footer: lines below the table. extra: keys added to the JSON. each_turn: called between readings.
        recording: what is seen is also recorded; None: it is only looked at. cue: shown above the channels.
    """

    title: str
    units: Units
    speed: float = 1.0
    for_s: float = float("inf")
    footer: tuple[str, ...] = ()
    extra: Mapping[str, Any] = field(default_factory=dict)
    each_turn: Callable[[], None] = lambda: None
    as_json: bool = False
    recording: Recording | None = None
    cue: PracticeCue | None = None

    @property
    def below(self) -> tuple[str, ...]:
        """Lines below the table: what is recorded, then the footer."""
        return (*(self.recording.words() if self.recording else ()), *self.footer)


def look(reader: BenchReader, clock: Clock, looking: Looking) -> LiveRecord:
    """Show a bench until its time is over or somebody presses Ctrl-C; then say in short what was seen.

    A bench of recordings alone also ends when they have.
    """
    record = LiveRecord(reader, clock.monotonic_s())
    view = _view(looking)
    with view, suppress(KeyboardInterrupt):  # Ctrl-C is the usual way to end this
        _turns(reader, clock, looking, record, view)
    if looking.cue is not None:
        looking.cue.close()
    if looking.as_json:
        told = looking.cue.as_json() if looking.cue else {}
        recorded = {"recorded": looking.recording.as_json()} if looking.recording else {}
        content = {**looking.extra, **record.as_json(), **recorded, **told}
        click.echo(json.dumps(content, ensure_ascii=False, indent=1, allow_nan=False))
    else:
        click.echo("\n".join(summary(record, looking)))
    return record


def _turns(reader: BenchReader, clock: Clock, looking: Looking, record: LiveRecord, view: View) -> None:
    poll = reader.poll if looking.recording is None else looking.recording.step
    sample_s = draw_s = 0.0
    while (time_s := clock.monotonic_s() - record.start_s) < looking.for_s:
        looking.each_turn()
        record.take(poll(min(_TURN_S * max(looking.speed, 1.0), looking.for_s - time_s)))
        time_s = clock.monotonic_s() - record.start_s
        for ago_s, name in looking.recording.take_told() if looking.recording else ():
            record.told(time_s - ago_s, name)
        if time_s >= sample_s:
            now = record.sample(time_s)
            if looking.cue is not None:
                looking.cue.turn(record, looking.recording)
            sample_s = time_s + 1.0 if time_s - sample_s > 1.0 else sample_s + 1.0
            if time_s >= draw_s:
                view.show(time_s, now, record)
                draw_s = time_s + max(1.0, looking.speed / _DRAWS_PER_S)
        if _all_ended(reader):
            break
    record.finish(time_s)


def _all_ended(reader: BenchReader) -> bool:
    """Whether nothing will come any more: every source is a recording that is over."""
    links = [reader.links.get(entry.id) for entry in reader.bench.sources]
    return bool(links) and all(link is not None and link.state is LinkState.ENDED for link in links)


def _view(looking: Looking) -> View:
    if looking.as_json:
        return View()
    if sys.stdout.isatty():
        return _Redrawn(looking)
    click.echo(looking.title)
    return _Lines(looking)


# ---------------------------------------------------------------- words


def value_words(reading: Reading, units: Units) -> str:
    """A reading's value with its unit, or its state in words: never a number that is not believed."""
    if reading.value is None:
        return str(reading.state)
    if reading.unit == "C":
        return units.temperature(reading.value, 1)
    if reading.unit == "mm":
        return units.length(reading.value * 1e-3)
    return f"{reading.value:.1f} {reading.unit}"


def _doubt(reading: Reading) -> str:
    """A mark for a value that is doubted."""
    return " (?)" if reading.value is not None and reading.text else ""


def link_words(record: LiveRecord) -> list[str]:
    """One line for each source: its state, what to do where it is not well, and the faults of its line so far."""
    lines = []
    for entry in record.reader.bench.sources:
        link = record.reader.links.get(entry.id)
        words = f"{entry.id}: {link.state}" if link else f"{entry.id}: not opened yet"
        if link and link.state is not LinkState.RUNNING:
            words += f" ({link.text})"
        counts = {str(kind): n for (source, kind), n in record.reader.faults.items() if source == entry.id}
        if counts:
            words += "; so far " + ", ".join(f"{n} x {kind}" for kind, n in counts.items())
        lines.append(words)
    return lines


def summary(record: LiveRecord, looking: Looking) -> list[str]:
    """What was seen, after the looking."""
    lines = [f"Looked for {looking.units.seconds(record.end_s)}."]
    for role, reading in record.reader.now().items():
        changes = record.changes.get(role, [])
        troubles = dict.fromkeys(str(one.state) for one in changes if one.state is not State.OK)
        if troubles:
            lines.append(f"{role}: had {', '.join(troubles)}; now {reading.state}")
        if reading.value is not None and reading.text:
            lines.append(f"{role}: {reading.text}")
        elif not changes:
            lines.append(f"{role}: {reading.state}; {reading.text}")
    lines += link_words(record)
    lines += [f"{one['name']} at {looking.units.seconds(one['time_s'])}" for one in record.marks]
    judged = [f"{words}." for words in looking.cue.words()] if looking.cue else []
    return [*lines, *record.reader.notes, *judged, *looking.below]


# ---------------------------------------------------------------- views


class View:
    """Somewhere to show a bench; this one shows nothing, for JSON that comes at the end."""

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        return None

    def show(self, time_s: float, now: Mapping[str, Reading], record: LiveRecord) -> None:
        """Show the bench as it stands."""


class _Lines(View):
    """A line at a time, for files and pipes."""

    def __init__(self, looking: Looking) -> None:
        self._looking = looking

    def show(self, time_s: float, now: Mapping[str, Reading], record: LiveRecord) -> None:
        """One line of all roles; a source that is not running says so instead."""
        units = self._looking.units
        words = [f"{name} {value_words(reading, units)}{_doubt(reading)}" for name, reading in now.items()]
        lost = [f"{source} {link.state}" for source, link in record.reader.links.items()
                if link.state is not LinkState.RUNNING]  # fmt: skip
        click.echo(f"{units.seconds(time_s):>7}  {'; '.join([*words, *lost]) or 'clock and marks only'}")
        if self._looking.cue is not None and (cue := self._looking.cue.line()):
            click.echo(f"         cue {cue.strip()}")
        for line in self._looking.recording.waiting() if self._looking.recording else ():
            click.echo(f"         {line}")


class _Redrawn(View):
    """A table that is drawn over itself."""

    def __init__(self, looking: Looking) -> None:
        from rich.console import Console
        from rich.live import Live

        self._looking = looking
        self._live = Live(console=Console(highlight=False), auto_refresh=False, transient=False)

    def __enter__(self) -> Self:
        self._live.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._live.stop()

    def show(self, time_s: float, now: Mapping[str, Reading], record: LiveRecord) -> None:
        """Draw it anew."""
        self._live.update(self._drawn(time_s, now, record), refresh=True)

    def _drawn(self, time_s: float, now: Mapping[str, Reading], record: LiveRecord) -> Any:
        from rich.console import Group
        from rich.table import Table as Grid
        from rich.text import Text

        grid = Grid(box=None, padding=(0, 1), pad_edge=False)
        for heading in ("role", "value", "state", "channel", ""):
            grid.add_column(heading, justify="right" if heading == "value" else "left", no_wrap=heading != "")
        for name, reading in now.items():
            value = value_words(reading, self._looking.units) if reading.value is not None else "-"
            doubtful = reading.state is not State.OK or bool(reading.text)
            # The state is a word; weight only repeats it.
            grid.add_row(
                name, value, str(reading.state), reading.source_text, reading.text, style="bold" if doubtful else ""
            )
        head = Text(f"{self._looking.title}   {self._looking.units.seconds(time_s)}", style="bold")
        below = [Text(line) for line in (*link_words(record), *record.reader.notes, *self._looking.below)]
        return Group(*self._cue(), head, grid, *below)

    def _cue(self) -> list[Any]:
        """The cue above the channels: its word in blocks, then what is known."""
        from rich.text import Text

        from dashboard.commands.watch_panel import COLOURS, Place

        cue = self._looking.cue
        shown = None if cue is None else cue.panel(Place(shutil.get_terminal_size().columns, 1, sys.stdout.encoding))
        if cue is None or cue.found is None or shown is None:
            return []
        style = f"bold {COLOURS.get(cue.found[0].state, '')}".strip()
        loud = [Text(line, style="bold reverse") for line in shown.alarms]
        return [Text("\n".join(shown.head), style=style), *loud, *(Text(line) for line in shown.body), Text("")]
