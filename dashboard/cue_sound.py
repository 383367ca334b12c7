"""What each state of the cue sounds like: tones that a page can play as they are, and a WAV for a sound player.

The states differ by how many tones there are, so that a plain bell tells them apart too; pitch and pace repeat it. All
of it is our choice.
"""

from __future__ import annotations

import io
import wave
from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

import numpy as np

from calibration.cue import State
from dashboard.after_pull import After

RATE_HZ = 22050
#: A tone swells and fades within this time, s: one that is cut off clicks.
_EDGE_S = 0.008
_LOUD = 0.7


@dataclass(frozen=True)
class Pattern:
    """Tones of one state.

    Attributes:
        tones: (Hz, s) each, one after the other; 0 Hz is silence. again_s: repeated at this interval while the state
        lasts, s; None: once.
    """

    tones: tuple[tuple[float, float], ...]
    again_s: float | None = None

    @property
    def bells_s(self) -> tuple[float, ...]:
        """When each tone begins, s: a bell for each."""
        found, at_s = [], 0.0
        for frequency_hz, duration_s in self.tones:
            if frequency_hz > 0.0:
                found.append(at_s)
            at_s += duration_s
        return tuple(found)

    @property
    def duration_s(self) -> float:
        """Of all tones and silences, s."""
        return sum(duration_s for _, duration_s in self.tones)


def _row(count: int, frequency_hz: float, long_s: float, apart_s: float) -> tuple[tuple[float, float], ...]:
    """The same tone several times."""
    return ((frequency_hz, long_s), (0.0, apart_s)) * (count - 1) + ((frequency_hz, long_s),)


PATTERNS: Mapping[State | After, Pattern] = MappingProxyType(
    {
        State.HEATING: Pattern(_row(1, 500.0, 0.2, 0.0)),
        State.CLOSE: Pattern(((600.0, 0.2), (0.0, 0.3), (800.0, 0.2))),
        State.PULL: Pattern(((700.0, 0.25), (0.0, 0.25), (900.0, 0.25), (0.0, 0.25), (1200.0, 0.5)), again_s=10.0),
        State.LAST: Pattern(_row(4, 1400.0, 0.15, 0.2), again_s=4.0),
        State.LATE: Pattern(_row(5, 350.0, 0.5, 0.3)),
        State.UNKNOWN: Pattern(((500.0, 0.2), (0.0, 0.25), (400.0, 0.2), (0.0, 0.25)) * 2
                               + ((500.0, 0.2), (0.0, 0.25), (400.0, 0.2))),
        After.CARRY: Pattern(_row(1, 900.0, 0.8, 0.0)),
        After.COLD: Pattern(_row(7, 300.0, 0.3, 0.25)),
        After.MOLD: Pattern(_row(1, 700.0, 0.2, 0.0)),
    }
)  # fmt: skip


def wav(pattern: Pattern) -> bytes:
    """The pattern as a WAV file: 16 bit, mono."""
    parts = []
    for frequency_hz, duration_s in pattern.tones:
        time_s = np.arange(round(duration_s * RATE_HZ)) / RATE_HZ
        swell = np.minimum(1.0, np.minimum(time_s, time_s[-1] - time_s) / _EDGE_S)
        parts.append(_LOUD * swell * np.sin(2.0 * np.pi * frequency_hz * time_s))
    samples = np.round(np.concatenate(parts) * 32767.0).astype("<i2")
    content = io.BytesIO()
    with wave.open(content, "wb") as file:
        file.setnchannels(1)
        file.setsampwidth(2)
        file.setframerate(RATE_HZ)
        file.writeframes(samples.tobytes())
    return content.getvalue()
