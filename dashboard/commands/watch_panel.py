"""The panel of `pullcue watch`: what is told at one moment as lines of text, the cue first and largest."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from dataclasses import dataclass, field

from calibration.cue import State
from calibration.observed import AIR, FACES, Observed
from dashboard.after_pull import After
from dashboard.commands.block_word import block_word
from dashboard.commands.termplot import Series, plot
from dashboard.commands.watch_words import CAUTION, TO_DO, clock_words, countdown_words, note_lines, reason_words, rows
from dashboard.follower import Followed, Told
from dashboard.units import Units

#: Lines longer than this are hard to read, characters.
WIDEST, _NARROWEST = 96, 40
_LABEL = 12
#: Height of the curve with its axis, lines; a terminal with less room shows none.
_CURVE, _LEAST_CURVE = 16, 10
#: Before, there is no curve to speak of, s.
_CURVE_FROM_S = 30.0
#: A countdown is drawn in blocks on terminals of this many lines.
_TALL = 36
#: On fewer lines than this only what changes is shown: the caution was said at the start.
_SHORT = 30
#: Points of a line that are drawn: a terminal shows no more.
_POINTS = 300
#: What colour repeats, by state; none where the word is all.
COLOURS = {
    State.CLOSE: "cyan",
    State.PULL: "green",
    State.LAST: "yellow",
    State.LATE: "red",
    State.UNKNOWN: "magenta",
    After.CARRY: "green",
    After.COLD: "red",
}


@dataclass
class Trail:
    """The core as it was estimated so far: times, s, and °C."""

    time_s: list[float] = field(default_factory=list)
    core_c: list[float] = field(default_factory=list)

    def add(self, told: Told) -> None:
        """Keep a moment."""
        if told.estimate is not None:
            self.time_s.append(told.time_s)
            self.core_c.append(told.estimate.core_c.middle)


@dataclass(frozen=True)
class Place:
    """Where a panel is shown: characters across, lines down, and how text is encoded there."""

    width: int = 80
    height: int = 50
    encoding: str = "utf-8"


@dataclass(frozen=True)
class Panel:
    """Lines of a panel.

    Attributes:
        head: the cue in blocks. body: all below it. alarms: what is said loudly between the two.
    """

    head: tuple[str, ...]
    alarms: tuple[str, ...]
    body: tuple[str, ...]

    @property
    def lines(self) -> tuple[str, ...]:
        """All lines, without style."""
        return (*self.head, "", *self.alarms, *self.body)


def panel(
    told: Told,
    seen: Observed,
    followed: Followed | None,
    trail: Trail,
    units: Units,
    place: Place,
    title: str,
    alarms: Sequence[str] = (),
    footer: Sequence[str] = (),
) -> Panel:
    """Lay a moment out.

    Args:
        seen: the readings. followed: None while the sheet is not known. alarms: said loudly. footer: last lines.
    """
    across = max(_NARROWEST, min(place.width, WIDEST))
    tall, short = place.height >= _TALL, place.height < _SHORT
    clock = clock_words(told, units) if tall else ""
    head = block_word(told.state.value, across, place.encoding, clock)
    loud = [line for words in alarms for line in textwrap.wrap(f"!! {words.upper()} !!", across)]
    body = [*_wrapped(TO_DO[told.state], across)]
    if words := countdown_words(told, units):
        body.append(words[:1].upper() + words[1:])
    body += _wrapped(f"{reason_words(told, units)}.", across)
    if not short:
        body.append("")
    if followed is not None:
        body += _table(rows(told, seen, followed, units), across)
    body += [line for words in note_lines(told, units) for line in _wrapped(f"- {words}", across, "  ")]
    last = [
        *_wrapped(f"{title}; {units.seconds(told.time_s)} in", across),
        *(line for words in footer for line in _wrapped(words, across)),
        *([] if short else _wrapped(CAUTION, across)),
    ]
    room = place.height - 2 - len(head) - 1 - len(loud) - len(body) - len(last)
    if room >= _LEAST_CURVE:
        body += _curve(seen, trail, told, units, Place(across, min(room, _CURVE), place.encoding))
    return Panel(tuple(head), tuple(loud), (*body, *last))


def plain_line(told: Told, units: Units) -> str:
    """One moment on one line, for files and pipes."""
    parts = [f"{units.seconds(told.time_s):>7}  {told.state.value.upper():<13}", countdown_words(told, units)]
    if told.estimate is not None:
        parts.append(f"core {units.temperature(told.estimate.core_c.middle, 1)}")
        if told.estimate.drop_mm is not None:
            parts.append(f"drop {units.length(told.estimate.drop_mm.middle * 1e-3)}")
    return "  ".join(part for part in (*parts, f"({reason_words(told, units)})") if part)


def _wrapped(words: str, width: int, rest: str = "") -> list[str]:
    return textwrap.wrap(words, width, subsequent_indent=rest)


def _table(found: Sequence[tuple[str, str]], width: int) -> list[str]:
    lines = []
    for label, words in found:
        lines += textwrap.wrap(
            words, width, initial_indent=f"{label:<{_LABEL}}", subsequent_indent=" " * _LABEL
        )  # fmt: skip
    return lines


def _curve(seen: Observed, trail: Trail, told: Told, units: Units, place: Place) -> list[str]:
    """The core as estimated, air and faces as measured, from the door on."""
    if told.time_s < _CURVE_FROM_S:
        return []
    series: list[Series] = []
    if len(trail.time_s) > 1:
        series.append(_line("core, estimated", trail.time_s, trail.core_c, units))
    inside = (seen.time_s >= 0.0) & (seen.time_s <= told.time_s)
    for role, name in zip((*AIR, *FACES), ("air above", "air below", "upper face", "lower face"), strict=True):
        for column in seen.of_role(role)[:1]:
            values = seen.columns[column][inside]
            if (values == values).any() and len(series) < 4:
                series.append(_line(name, seen.time_s[inside].tolist(), values.tolist(), units))
    if not series:
        return []
    return plot(
        series,
        width=place.width,
        height=place.height - 5,
        x_label="min",
        y_label=units.temperature_unit,
        encoding=place.encoding,
    ).splitlines()


def _line(name: str, time_s: Sequence[float], values_c: Sequence[float], units: Units) -> Series:
    step = max(1, len(time_s) // _POINTS)
    shown = [value if value != value else units.temperature_value(value) for value in values_c[::step]]
    return name, [at / 60.0 for at in time_s[::step]], shown
