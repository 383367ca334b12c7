"""What the practice board says of itself: its clock, and which banner its values go with."""

from __future__ import annotations

import pytest

from logger.board import BoardParser
from logger.practice_board import PracticeBoard
from logger.practice_faults import fault_of
from logger.reading import Fault, FaultKind, Frame
from practice_line import Kitchen

NAMES = ("tc_1",)


def said(until_s: float, period_s: float, *faults: str) -> list[tuple[float, Frame]]:
    """Frames of a board that was asked for its banner, each with when it was said."""
    board = PracticeBoard(Kitchen(), [fault_of(text, NAMES) for text in faults], period_s=period_s)
    parser = BoardParser()
    parser.feed(board.banner())
    found = [(at_s, what) for at_s, line in board.due(until_s) for what in parser.feed(line)]
    assert {what.kind for _, what in found if isinstance(what, Fault)} <= {FaultKind.RESTART}
    return [(at_s, what) for at_s, what in found if isinstance(what, Frame)]


def test_its_clock_runs_fast_as_crystals_do() -> None:
    """30 parts of a million fast: 1.2 s more than 40,000 s, and never behind the true time."""
    frames = said(40_000.0, 100.0)
    assert frames[-1][0] == 40_000.0
    assert frames[-1][1].source_ms == pytest.approx(40_001_200, abs=1)
    assert all(frame.source_ms is not None and frame.source_ms >= at_s * 1000.0 for at_s, frame in frames)


def test_after_a_reset_the_same_tag_names_the_values_at_once() -> None:
    frames = said(20.0, 0.5, "reset@10")
    assert [frame.sequence for at_s, frame in frames if at_s > 10.0][:3] == [0, 1, 2]
    assert all(len(frame.values) == 7 for _, frame in frames)
