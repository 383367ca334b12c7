"""The drop at the pull: what sensors read in the end, less their zeros, against figures known beforehand."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from numpy.typing import NDArray

from calibration.evidence import NOISE_MM, ZERO_MM
from calibration.given import Given, given
from calibration.hanging import hung, watched
from calibration.members import Members, names
from calibration.observed import Observed
from calibration.posterior import design
from calibration.reconstruction import at_pull, pulls
from live_cases import CALIBRATED, cell
from thermal.heat import Event, Sensor
from thermal.window import DROP_LARGE

Array = NDArray[np.float64]

RADIUS_MM, END_S = 150.0, 600.0
TIME_S = np.linspace(0.0, END_S + 100.0, 141)
#: Members fall by a millimetre a second, and differ by their sensor's zero alone.
FALL = 1.0 / RADIUS_MM
CASE, OF = cell(4.0, CALIBRATED, (2e-3 * RADIUS_MM,))
NORMALS = design(len(names(CASE)), 96)


def predicted(at_end_mm: float) -> Array:
    """Drop over radius of all members, (times, members), so much at the end."""
    line = at_end_mm / RADIUS_MM + FALL * (TIME_S - END_S)
    return np.repeat(line[:, None], NORMALS.shape[1], axis=1)


def heat(drops_mm: Mapping[str, Array], every_s: float = 1.0, bias_mm: float | None = None) -> Given:
    """A heat with what its sensors read, the last value at the end; NaN before."""
    time_s: Array = END_S - every_s * np.arange(END_S / every_s)[::-1]
    columns = {name: np.concatenate([np.full(len(time_s) - len(last), np.nan), last])
               for name, last in drops_mm.items()}  # fmt: skip
    sensors = {} if bias_mm is None else {"drop": Sensor(bias_k=bias_mm)}
    return given(CASE, OF, Observed(time_s, columns, sensors=sensors), {}, END_S)


def falling(at_end_mm: float, count: int = 60, every_s: float = 1.0) -> Array:
    """Readings of a drop that falls as the members do."""
    result: Array = at_end_mm - every_s * np.arange(float(count))[::-1]
    return result


def hung_mm(of: Given, at_end_mm: float) -> tuple[Array, bool]:
    ratio, measured = hung(of, NORMALS, TIME_S, predicted(at_end_mm))
    return ratio * RADIUS_MM, measured


def test_the_drop_is_the_measured_one_with_the_doubt_of_zero_and_noise() -> None:
    # Members' zeros have mean 0 and ZERO_MM as their standard deviation exactly (`design`); five readings have a median
    # with 1.2533 NOISE_MM/sqrt(5) (J.F. Kenney, E.S. Keeping, Mathematics of Statistics, 1962, from memory).
    drop_mm, measured = hung_mm(heat({"drop_mm": falling(140.0)}), 128.0)
    assert measured
    assert drop_mm.mean() == pytest.approx(140.0, abs=0.1)
    assert drop_mm.std() == pytest.approx(np.hypot(ZERO_MM, 1.2533 * NOISE_MM / np.sqrt(5.0)), rel=0.05)


@pytest.mark.parametrize(
    ("of", "wanted_mm", "measured"),
    [
        pytest.param(heat({"drop_mm": falling(140.0)}, bias_mm=4.0), 136.0, True, id="bias as stated"),
        pytest.param(heat({"drop_mm": falling(120.0)}), 120.0, True, id="less than predicted"),
        pytest.param(heat({"drop_mm": falling(140.0, 4, 15.0)}, 15.0), 140.0, True, id="read every 15 s"),
        pytest.param(heat({"drop_mm": np.append(falling(139.0, 59), 2000.0)}), 140.0, True, id="one wild reading"),
        pytest.param(
            heat({"drop_mm": falling(140.0), "drop_2_mm": np.append(falling(119.0, 1), np.full(1, np.nan))}),
            130.0, True, id="two sensors, one read once",
        ),
        pytest.param(heat({"drop_mm": np.append(falling(130.0, 9, 6.0), 190.0)}, 6.0), 136.0, True,
                     id="one wild reading of a slow sensor"),
        pytest.param(heat({"drop_mm": np.append(falling(120.0, 50), np.full(10, 900.0))}), 128.0, False,
                     id="nothing there any more"),
        pytest.param(heat({"drop_mm": np.append(falling(100.0, 20), np.full(40, np.nan))}), 128.0, False,
                     id="silent for 40 s"),
    ],
)  # fmt: skip
def test_last_readings_say_it_where_they_can(of: Given, wanted_mm: float, measured: bool) -> None:
    drop_mm, told = hung_mm(of, 128.0)
    assert told == measured
    assert drop_mm.mean() == pytest.approx(wanted_mm, abs=0.6)


@pytest.mark.parametrize("predicted_mm", [100.0, 165.0, 200.0])
def test_no_sheet_hangs_in_the_bottom_of_the_oven(predicted_mm: float) -> None:
    # Near where a bubble runs away its law allows anything, but not what the law itself does not hold for.
    drop_mm, measured = hung_mm(
        heat({"drop_mm": np.append(falling(predicted_mm, 50), np.full(10, 900.0))}), predicted_mm
    )
    assert not measured
    assert drop_mm.mean() == pytest.approx(predicted_mm)


def test_sensors_that_disagree_leave_the_drop_between_them_open() -> None:
    two = heat({"drop_mm": falling(150.0), "drop_2_mm": falling(130.0)})
    drop_mm, _ = hung_mm(two, 140.0)
    noise = 1.2533 * NOISE_MM / np.sqrt(5.0) / np.sqrt(2.0)
    assert drop_mm.mean() == pytest.approx(140.0, abs=0.3)  # ninety-six members hold 7 mm no more evenly
    assert drop_mm.std() == pytest.approx(np.sqrt(ZERO_MM**2 + noise**2 + 10.0**2 / 2.0), rel=0.08)


def test_a_sensor_that_never_read_hangs_nothing() -> None:
    assert not heat({"drop_mm": np.full(60, np.nan)}).hangs
    before = Observed(np.array([-2.0, 3.0, 100.0]), {"drop_mm": np.array([1.0, 2.0, np.nan])})
    assert not given(CASE, OF, before, {}, END_S).hangs
    assert heat({"drop_mm": falling(140.0)}).hangs


def members(at_end_mm: float) -> Members:
    """Sheets of 170 °C whose cores must have 165 °C, with nothing else that is exceeded."""
    shape = (len(TIME_S), NORMALS.shape[1])
    level, each = np.full(shape, 170.0), np.full(shape[1], 165.0)
    return Members(NORMALS, TIME_S, level, level, level, predicted(at_end_mm), each, each + 50.0, each + 50.0)


@pytest.mark.parametrize(("read_mm", "predicted_mm", "late"), [(140.0, 120.0, True), (115.0, 135.0, False)])
def test_a_pull_is_late_by_the_drop_that_was_measured(read_mm: float, predicted_mm: float, late: bool) -> None:
    known = replace(heat({"drop_mm": falling(read_mm)}), of=replace(OF, drop_max=128.0 / RADIUS_MM))
    found = pulls(known, members(predicted_mm))
    assert (found.late > found.in_time) == late
    assert min(found.late, found.in_time) < 0.02 * max(found.late, found.in_time)


def test_a_drop_that_is_only_predicted_is_beyond_no_limit_but_where_a_line_was_marked() -> None:
    silent = replace(
        heat({"drop_mm": np.append(falling(100.0, 20), np.full(40, np.nan))}),
        of=replace(OF, drop_max=128.0 / RADIUS_MM),
    )
    assert silent.hangs
    assert pulls(silent, members(160.0)).late == 0.0
    assert not watched(silent)
    marked = replace(silent, seen=replace(silent.seen, events=(Event(END_S - 60.0, "line_3"),)))
    assert pulls(marked, members(160.0)).in_time == 0.0


def test_readings_of_an_empty_oven_leave_a_late_pull_late() -> None:
    # Ten seconds ago it hung beyond its most; the frame was drawn out before the pull was marked.
    drawn = replace(
        heat({"drop_mm": np.append(falling(150.0, 50), np.full(10, 900.0))}), of=replace(OF, drop_max=128.0 / RADIUS_MM)
    )
    assert pulls(drawn, members(160.0)).in_time == 0.0


def test_limits_are_told_also_where_one_explanation_is_far_from_the_readings() -> None:
    known = replace(heat({"drop_mm": falling(150.0)}), of=replace(OF, drop_max=128.0 / RADIUS_MM))
    several = [
        SimpleNamespace(members=members(at_end_mm), weight=weight) for at_end_mm, weight in ((148, 0.9), (30, 0.1))
    ]
    state = at_pull(known, several)  # type: ignore[arg-type]
    assert state.drop_measured
    assert state.p_passed[DROP_LARGE] == pytest.approx(0.9, abs=0.01) == state.p_late
