"""The cue beside a practice oven and the judgement at its end; the oven's clock is set by hand, nothing waits."""

from __future__ import annotations

import pytest

from dashboard.commands.practice_cue import PracticeCue
from dashboard.commands.watch_panel import Place
from dashboard.follower import Followed
from dashboard.live import LiveRecord
from dashboard.live_cue import LiveCue
from dashboard.practice_bench import Practice, practice_bench, practice_case, scenario_of
from dashboard.shop import DEMO_FOLDER, read_shop
from dashboard.units import Units
from logger.clock import ManualClock
from logger.readings import BenchReader
from thermal.window import limits

PULL_S = 400.0


class _Silent:
    """A source that says nothing."""

    id = "board"

    def poll(self, timeout_s: float) -> list[object]:
        return []

    def close(self) -> None:
        pass


@pytest.fixture
def made() -> tuple[PracticeCue, LiveRecord]:
    shop, clock = read_shop(DEMO_FOLDER), ManualClock()
    case = practice_case(shop, "pp-homopolymer", 3.0, "north", shop.room_c)
    practice = Practice(case, shop.room_c, scenario_of("quiet-day"), clock, seed=1, pull_s=PULL_S)
    practice.close()  # its port: the oven alone is asked
    record = LiveRecord(BenchReader(practice_bench("north"), [_Silent()], clock), 0.0)  # type: ignore[list-item]
    cue = LiveCue(Followed(case, limits(case.polymer.forming)))
    beside = PracticeCue(cue, practice, clock, Units(), "Practice", beside=False)
    for at_s in range(0, round(PULL_S) + 20, 10):
        values = {name: value if value == value else None for name, value in practice.oven.advance(float(at_s)).items()}
        record.samples.append((float(at_s), dict(values)))
        if at_s == 60:
            record.marks.append({"time_s": 60.0, "name": "door_closed", "source": "board"})
        if at_s >= PULL_S and len(record.marks) == 1:
            record.marks.append({"time_s": PULL_S, "name": "pulled", "source": "board"})
        if at_s % 100 == 0 or at_s >= PULL_S:
            beside.turn(record, None)
            if at_s < 60:
                assert beside.panel(Place()) is None
            elif at_s < PULL_S:
                shown = beside.panel(Place(), ["core: hidden"])
                assert shown is not None
                assert "core: hidden" in shown.lines
    return beside, record


def test_cue_and_score_at_the_end(made: tuple[PracticeCue, LiveRecord]) -> None:
    beside, _ = made
    content = beside.as_json()
    assert content["cue"]["cue"] in ("carry", "too cold")
    found = beside.score()
    assert found is not None
    assert found.at_s == PULL_S - 60.0
    truth = beside._practice.oven.truth()
    assert truth is not None
    # The verdict again, straight from the truth at the pull.
    core_c = float(truth.core_c[round(found.at_s)])
    assert found.above_k == pytest.approx(core_c - truth.minimum_c, abs=0.01)
    assert (found.verdict == "early") == (core_c < truth.minimum_c - 0.5)
    assert content["score"]["verdict"] == found.verdict
    assert beside.words()[0].startswith(found.verdict.upper())
    beside.close()


def test_no_pull_no_judgement() -> None:
    shop, clock = read_shop(DEMO_FOLDER), ManualClock()
    case = practice_case(shop, "pp-homopolymer", 3.0, "north", shop.room_c)
    practice = Practice(case, shop.room_c, scenario_of("quiet-day"), clock)
    practice.close()
    beside = PracticeCue(LiveCue(Followed(case, limits(case.polymer.forming))), practice, clock, Units(), "Practice")
    assert beside.words() == []
    assert beside.as_json() == {"cue": None, "score": None}
    beside.close()
