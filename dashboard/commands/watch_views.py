"""Where `pullcue watch` shows what is told: a panel that redraws, plain lines for pipes, or JSON lines."""

from __future__ import annotations

import os
import shutil
import sys
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass, replace
from pathlib import Path
from types import TracebackType
from typing import Self

import click

from calibration.observed import Observed
from dashboard.commands.keys import TypedWords
from dashboard.commands.watch_json import line, told_json
from dashboard.commands.watch_panel import COLOURS, Panel, Place, Trail, panel, plain_line
from dashboard.commands.watch_sounds import Sounder, player
from dashboard.commands.watch_words import CAUTION
from dashboard.follower import Followed, Told
from dashboard.units import Units
from logger.clock import Clock, SystemClock

#: A plain line is printed at least this often, s of the heat.
_LINE_EVERY_S = 10.0
#: Draws a second at most.
_DRAWS_PER_S = 10.0
#: Longest wait between two looks at keys and bells, s.
_TURN_S = 0.1


@dataclass(frozen=True)
class Scene:
    """All that a view may show of one moment.

    Attributes:
        followed: None while the sheet is not known. alarms: said loudly. notes: of this moment only.
    """

    told: Told
    seen: Observed
    followed: Followed | None
    title: str
    alarms: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()


class View:
    """Shows scenes one after the other; waits between them."""

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        return None

    def show(self, scene: Scene) -> None:
        """Show a moment."""

    def wait(self, clock: Clock, duration_s: float) -> list[str]:
        """Wait; what was typed meanwhile that this view has no use for."""
        clock.sleep(duration_s)
        return []


class JsonLines(View):
    """One object a moment."""

    def show(self, scene: Scene) -> None:
        """Print it; what is said loudly comes first among its notes."""
        content = told_json(scene.told, scene.notes)
        content["notes"] = [*scene.alarms, *content["notes"]]
        click.echo(line(content))


class PlainLines(View):
    """For files and pipes: the whole panel at each change of state, a line in between now and then."""

    def __init__(self, units: Units) -> None:
        self._units, self._trail = units, Trail()
        self._state: object = None
        self._alarms: tuple[str, ...] = ()
        self._line_s = float("-inf")

    def show(self, scene: Scene) -> None:
        """Print what is new."""
        self._trail.add(scene.told)
        if scene.told.state is not self._state or scene.alarms != self._alarms:
            self._state, self._alarms, self._line_s = scene.told.state, scene.alarms, scene.told.time_s
            click.echo("\n".join(_drawn(scene, self._trail, self._units, Place(encoding=_encoding()), ()).lines) + "\n")
        elif scene.told.time_s - self._line_s >= _LINE_EVERY_S:
            self._line_s = scene.told.time_s
            click.echo(plain_line(scene.told, self._units))


class Redrawn(View):
    """A panel that is drawn over itself, with sound.

    Args:
        sound: 'auto' (a player of the machine, else the bell), 'bell' or 'off'.
    """

    def __init__(self, units: Units, sound: str) -> None:
        from rich.console import Console
        from rich.live import Live

        self._units, self._trail = units, Trail()
        console = Console(highlight=False)
        self._live = Live(console=console, auto_refresh=False, transient=False, vertical_overflow="crop")
        self._sounder = Sounder(console.bell, player() if sound == "auto" else None, muted=sound == "off")
        self._machine = SystemClock()
        self._typed = TypedWords()
        self._drawn_s = float("-inf")
        self._scene: Scene | None = None

    def __enter__(self) -> Self:
        self._live.console.print(CAUTION)
        self._live.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._draw()  # the last moment stays on the screen
        self._live.stop()
        self._sounder.close()

    def show(self, scene: Scene) -> None:
        """Draw it, sound a change."""
        now_s = self._machine.monotonic_s()
        self._scene = scene
        self._trail.add(scene.told)
        for note in scene.notes:  # once, above the panel
            self._live.console.print(note)
        self._sounder.change(scene.told.state, now_s)
        self._sounder.tick(now_s)
        if now_s - self._drawn_s >= 1.0 / _DRAWS_PER_S:
            self._drawn_s = now_s
            self._draw()

    def wait(self, clock: Clock, duration_s: float) -> list[str]:
        """Wait, ring what is due, obey the keys of the sound."""
        rest: list[str] = []
        until_s = clock.monotonic_s() + duration_s
        while True:
            while (word := self._typed.take()) is not None:
                if not self._obey(word):
                    rest.append(word)
            self._sounder.tick(self._machine.monotonic_s())
            left_s = until_s - clock.monotonic_s()
            if left_s <= 0.0:
                return rest
            clock.sleep(min(left_s, _TURN_S))

    def _obey(self, word: str) -> bool:
        if word in ("m", "mute"):
            self._sounder.turn()
        elif word in ("r", "repeat"):
            self._sounder.sound(self._machine.monotonic_s())
        else:
            return False
        self._draw()
        return True

    def _draw(self) -> None:
        if self._scene is None:
            return
        from rich.console import Group
        from rich.text import Text

        size = shutil.get_terminal_size()
        place = Place(size.columns, size.lines, _encoding())
        drawn = _drawn(replace(self._scene, notes=()), self._trail, self._units, place, (self._sounder.words,))
        # Colour and weight only repeat what word and shape say.
        colour = COLOURS.get(self._scene.told.state, "")
        parts = [Text("\n".join(drawn.head), style=f"bold {colour}".strip()), Text("")]
        parts += [Text(words, style="bold reverse") for words in drawn.alarms]
        parts += [Text(words) for words in drawn.body]
        self._live.update(Group(*parts), refresh=True)


def view_of(as_json: bool, units: Units, sound: str) -> View:
    """The view for where standard output goes."""
    if as_json:
        return JsonLines()
    return Redrawn(units, sound) if sys.stdout.isatty() else PlainLines(units)


def _drawn(scene: Scene, trail: Trail, units: Units, place: Place, footer: Sequence[str]) -> Panel:
    below = (*scene.notes, *footer)
    return panel(scene.told, scene.seen, scene.followed, trail, units, place, scene.title, scene.alarms, below)


def _encoding() -> str:
    return sys.stdout.encoding or "ascii"


@contextmanager
def a_pipe_may_close() -> Iterator[None]:
    """Whoever reads the output may stop reading: that is the end, and no failure."""
    try:
        yield
    except BrokenPipeError:
        _say_no_more()
    except OSError as error:
        # Windows calls a broken pipe an invalid argument.
        if os.name != "nt" or error.filename is not None or error.errno != 22:
            raise
        _say_no_more()


def _say_no_more() -> None:
    """Turn what is left in the buffer away, or Python fails at its end with words of its own."""
    with suppress(OSError):
        sys.stdout.close()
    sys.stdout = Path(os.devnull).open("w", encoding="utf-8")  # noqa: SIM115  # until the program ends
