"""Words in blocks: every state has one, with a shape of its own, wherever it is shown."""

from __future__ import annotations

import pytest

from calibration.cue import State
from dashboard.after_pull import After
from dashboard.commands.block_word import block_word

WORDS = [state.value for state in (*State, *After)]


@pytest.mark.parametrize("word", WORDS)
@pytest.mark.parametrize("width", [40, 80, 100])
def test_it_fits_and_is_large(word: str, width: int) -> None:
    lines = block_word(word, width)
    assert max(map(len, lines)) <= width
    assert len(lines) >= 5, "letters of five rows are read across a room"


def test_shapes_differ_without_colour() -> None:
    shapes = {tuple(line[:14] for line in block_word(word, 200)) for word in WORDS}
    assert len(shapes) == len(WORDS)


def test_a_countdown_stands_below() -> None:
    plain, counting = block_word("pull now", 100), block_word("pull now", 100, below="12:34")
    assert len(counting) == len(plain) + 6


def test_plain_ascii_where_blocks_cannot_be_shown() -> None:
    text = "".join(block_word("too late", 100, "ascii"))
    assert text.isascii()
    assert "#" in text
    assert "█" in "".join(block_word("too late", 100, "utf-8"))


def test_the_word_itself_where_there_is_no_room() -> None:
    assert block_word("getting close", 20) == ["GETTING CLOSE"]
