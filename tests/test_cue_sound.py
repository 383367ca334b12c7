"""Sounds of the cue: distinct, repeatable, and silent when they are told to be."""

from __future__ import annotations

import io
import wave

import numpy as np
import pytest

from calibration.cue import State
from dashboard.after_pull import After
from dashboard.commands.watch_sounds import Sounder
from dashboard.cue_sound import PATTERNS, RATE_HZ, wav


def sounder(muted: bool = False) -> tuple[Sounder, list[str]]:
    rung: list[str] = []
    return Sounder(lambda: rung.append("bell"), muted=muted), rung


def test_every_state_has_a_sound_of_its_own() -> None:
    assert set(PATTERNS) == {*State, *After}
    counts = [len(PATTERNS[state].bells_s) for state in State]
    assert len(set(counts)) == len(counts), "a plain bell must tell the states of the cue apart"
    assert len({pattern.tones for pattern in PATTERNS.values()}) == len(PATTERNS)


@pytest.mark.parametrize("state", [*State, *After])
def test_a_wav_has_the_tones(state: State | After) -> None:
    pattern = PATTERNS[state]
    content = wav(pattern)
    assert content == wav(pattern)
    with wave.open(io.BytesIO(content)) as file:
        assert (file.getnchannels(), file.getsampwidth(), file.getframerate()) == (1, 2, RATE_HZ)
        samples = np.frombuffer(file.readframes(file.getnframes()), "<i2").astype(float)
    assert len(samples) / RATE_HZ == pytest.approx(pattern.duration_s, abs=0.001)
    # The loudest frequency of the first tone is that tone's.
    frequency_hz, duration_s = pattern.tones[0]
    tone = samples[: round(duration_s * RATE_HZ)]
    loudest = np.argmax(np.abs(np.fft.rfft(tone))) / duration_s
    assert loudest == pytest.approx(frequency_hz, abs=1.0 / duration_s)
    assert np.abs(samples).max() < 32767


def test_bells_ring_in_their_rhythm() -> None:
    made, rung = sounder()
    made.change(State.PULL, 100.0)
    times = []
    for step in range(40):
        before = len(rung)
        made.tick(100.0 + 0.05 * step)
        times += [0.05 * step] * (len(rung) - before)
    assert len(rung) == 3
    assert times == pytest.approx([at for at in PATTERNS[State.PULL].bells_s if at > 0.0], abs=0.06)


def test_the_same_state_sounds_once_unless_it_wants_more() -> None:
    made, rung = sounder()
    for step in range(200):
        made.change(State.HEATING, 0.5 * step)
        made.tick(0.5 * step)
    assert len(rung) == 1
    made, rung = sounder()
    made.change(State.LAST, 0.0)
    for step in range(95):
        made.tick(0.1 * step)
    assert len(rung) == 4 * 3  # at 0, 4 and 8 s


def test_sound_can_be_turned_off_and_says_so() -> None:
    made, rung = sounder(muted=True)
    made.change(State.PULL, 0.0)
    made.tick(30.0)
    assert (rung, made.words) == ([], "SOUND OFF: m and Enter turns it on")
    made.turn()
    assert made.words.startswith("Sound: terminal bell")
    made.sound(31.0)
    assert rung == ["bell"]
    made.turn()
    made.tick(60.0)
    assert rung == ["bell"]
