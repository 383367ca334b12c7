"""The sound of `pullcue watch`: a player of the machine where there is one, else the terminal's bell."""

from __future__ import annotations

import importlib
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

from calibration.cue import State
from dashboard.after_pull import After
from dashboard.cue_sound import PATTERNS, wav

#: Players of macOS and Linux, and what they are told before the file's name.
_PLAYERS = (("afplay",), ("pw-play",), ("paplay",), ("aplay", "-q"))
#: No sound lasts so long, s.
_LONGEST_S = 5.0


class Player:
    """Plays WAV files through a program of the machine, or through Windows itself.

    Raises:
        LookupError: there is none.
    """

    def __init__(self) -> None:
        self._winsound: Any = importlib.import_module("winsound") if sys.platform == "win32" else None
        found = next(((path, *one[1:]) for one in _PLAYERS if (path := shutil.which(one[0]))), None)
        if found is None and self._winsound is None:
            raise LookupError("no player")
        self._words = found or ()
        self.name = "Windows" if self._winsound is not None else Path(self._words[0]).name
        self._folder = tempfile.TemporaryDirectory(prefix="pullcue-sound-", ignore_cleanup_errors=True)
        self._last: subprocess.Popen[bytes] | None = None

    def play(self, state: State | After) -> None:
        """Begin to play; the sound before it is not waited for."""
        path = Path(self._folder.name) / f"{state.value.replace(' ', '_')}.wav"
        if not path.exists():
            path.write_bytes(wav(PATTERNS[state]))
        if self._winsound is not None:
            self._winsound.PlaySound(str(path), self._winsound.SND_FILENAME | self._winsound.SND_ASYNC)
            return
        self._last = subprocess.Popen(
            [*self._words, str(path)], stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
        )

    @property
    def failed(self) -> bool:
        """Whether the last sound could not be played: a machine may have a player and no loudspeaker."""
        return self._last is not None and self._last.poll() not in (None, 0)

    def close(self) -> None:
        """Let the last sound end, and take the files away."""
        if self._last is not None:
            try:
                self._last.wait(timeout=_LONGEST_S)
            except subprocess.TimeoutExpired:
                self._last.kill()
                self._last.wait()
        self._folder.cleanup()


class Sounder:
    """Sounds each change of state, and again while a state lasts that wants it.

    Args:
        bell: rings the terminal's bell once. player: None: the bell alone. muted: silent until somebody says otherwise.
    """

    def __init__(self, bell: Callable[[], None], player: Player | None = None, muted: bool = False) -> None:
        self._bell, self._player, self.muted = bell, player, muted
        self._state: State | After | None = None
        self._sounded_s = 0.0
        self._due_s: list[float] = []

    def change(self, state: State | After, now_s: float) -> None:
        """The state is this one now; now_s: of a clock that does not step."""
        if state is not self._state:
            self._state = state
            self.sound(now_s)

    def sound(self, now_s: float) -> None:
        """Sound the present state, again or for the first time."""
        self._due_s.clear()
        self._sounded_s = now_s
        if self.muted or self._state is None:
            return
        if self._player is not None and self._player.failed:
            self._player.close()
            self._player = None
        if self._player is not None:
            self._player.play(self._state)
        else:
            self._due_s = [now_s + at_s for at_s in PATTERNS[self._state].bells_s]
        self.tick(now_s)

    def tick(self, now_s: float) -> None:
        """Ring what is due; to be called several times a second."""
        if self._due_s and self._due_s[0] <= now_s:
            self._due_s.pop(0)
            self._bell()
        again_s = None if self._state is None else PATTERNS[self._state].again_s
        if again_s is not None and now_s - self._sounded_s >= again_s:
            self.sound(now_s)

    def turn(self) -> None:
        """Off where it is on, and the other way round."""
        self.muted = not self.muted
        self._due_s.clear()

    @property
    def words(self) -> str:
        """Whether it sounds, and how that is changed."""
        if self.muted:
            return "SOUND OFF: m and Enter turns it on"
        how = "terminal bell" if self._player is None else self._player.name
        return f"Sound: {how}; m and Enter turns it off, r and Enter repeats it"

    def close(self) -> None:
        """Free what the player keeps."""
        if self._player is not None:
            self._player.close()


def player() -> Player | None:
    """A player of this machine; None where there is none."""
    try:
        return Player()
    except LookupError:
        return None
