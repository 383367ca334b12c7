"""A recorded heat played back: the same values, at the times they were recorded, at any speed."""

from __future__ import annotations

import numpy as np
import pytest

from logger.clock import ManualClock
from logger.reading import Arrival, Frame, Link, LinkState, State
from logger.replay import ReplaySource
from thermal.heat import Event, Heat

NAN = float("nan")
HEAT = Heat(
    time_s=np.array([-2.0, 0.0, 1.0, 3.5]),
    columns={"air_upper_c": [180.0, 141.5, 142.25, 150.0], "drop_mm": [NAN, 0.0, 0.1, NAN], "humidity": [1.0] * 4},  # type: ignore[dict-item]
    events=(Event(0.0, "door_closed"), Event(0.0, "line_1"), Event(2.0, "door_open"), Event(9.0, "pulled")),
)


@pytest.mark.parametrize("speed", [0.5, 1.0, 40.0])
def test_rows_come_when_they_are_due(speed: float) -> None:
    clock = ManualClock()
    clock.sleep(100.0)
    source = ReplaySource("heat", HEAT, clock, speed)
    assert source.channels == ("air_upper", "drop")
    arrivals: list[Arrival] = []
    while not any(isinstance(one.what, Link) and one.what.state is LinkState.ENDED for one in arrivals):
        arrivals += source.poll(0.3)
    frames = [(one.monotonic_s, one.what) for one in arrivals if isinstance(one.what, Frame) and one.what.values]
    due = [100.0 + (time_s + 2.0) / speed for time_s in HEAT.time_s.tolist()]
    assert [at_s for at_s, _ in frames] == pytest.approx(due)
    assert [frame.values[0].value for _, frame in frames] == HEAT.columns["air_upper_c"].tolist()
    assert [frame.values[1].state for _, frame in frames] == [State.MISSING, State.OK, State.OK, State.MISSING]
    assert [frame.source_ms for _, frame in frames] == [0, 2000, 3000, 5500]
    buttons = [one.what.button for one in arrivals if isinstance(one.what, Frame) and one.what.button]
    assert buttons == ["door_closed", "line_1", "door_open", "pulled"]
    assert all((one.utc - arrivals[0].utc).total_seconds() == pytest.approx(one.monotonic_s - 100.0, abs=1e-5)
               for one in arrivals)  # fmt: skip
    assert source.poll(0.3) == []


def test_poll_waits_no_longer_than_told() -> None:
    clock = ManualClock()
    source = ReplaySource("heat", HEAT, clock)
    source.poll(0.1)
    before_s = clock.monotonic_s()
    assert source.poll(0.25) == []
    assert clock.monotonic_s() - before_s == pytest.approx(0.25)


def test_closed_is_over() -> None:
    source = ReplaySource("heat", HEAT, ManualClock())
    source.close()
    source.close()
    assert source.poll(0.1) == []


@pytest.mark.parametrize("speed", [0.0, -1.0, NAN, float("inf")])
def test_impossible_speed(speed: float) -> None:
    with pytest.raises(ValueError, match="expected a number above 0"):
        ReplaySource("heat", HEAT, ManualClock(), speed)
