"""What a drop sensor and marked lines say of a bubble."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from calibration.estimator import Estimator
from calibration.evidence import BOW_RATIO, ZERO_MM, flow, unflow
from live_rig import nominal, seen
from thermal.heat import Event
from thermal.sag import flow_integral
from virtual_heats import LINE_MM


def in_one_go() -> Estimator:
    """Not walked through the bubble, which takes four times as long."""
    return Estimator(*nominal(opening=True), LINE_MM, members=96, walks=False)


def test_the_levelled_logarithm_is_a_bubbles_where_it_hangs_and_millimetres_where_it_is_flat() -> None:
    ratio = np.array([-0.3, -0.05, 0.0, 1e-4, 0.02, BOW_RATIO, 0.3, 0.8, 1.2])
    assert unflow(flow(ratio)) == pytest.approx(ratio, abs=1e-9)
    # A viscosity of half doubles G: a shift by ln 2 of a large bubble, whatever its drop.
    hanging = np.array([0.5, 0.7])
    twice = unflow(flow(hanging) + np.log(2.0))
    assert flow_integral(twice) / flow_integral(hanging) == pytest.approx([2.0, 2.0], rel=0.2)
    # G = s3/3 for small s: its root, and so the levelled logarithm, goes with the drop; to both sides alike.
    small = flow(np.array([-2e-3, -1e-3, 0.0, 1e-3, 2e-3]))
    assert np.diff(small) == pytest.approx(3.0 * 1e-3 / BOW_RATIO * np.ones(4), rel=0.05)


def test_a_sensor_that_reads_too_much_throughout_is_found_out() -> None:
    heat = seen("air", "face", "drop", opening=True)
    shifted = replace(heat, columns=dict(heat.columns) | {"drop_mm": heat.columns["drop_mm"] + 2.0 * ZERO_MM})
    plain, off = in_one_go(), in_one_go()
    straight, moved = plain.at(heat, 430.0), off.at(shifted, 430.0)
    at = plain.names.index("drop_zero")
    found_mm = ZERO_MM * (off.posterior().mean[at] - plain.posterior().mean[at])
    # Two of its standard deviations; the rest of it is taken for a bubble that hangs lower.
    assert 0.6 * 2.0 * ZERO_MM < found_mm < 1.05 * 2.0 * ZERO_MM
    width_k = straight.core_c.high - straight.core_c.low
    assert abs(moved.core_c.middle - straight.core_c.middle) < 0.5 * width_k


def test_of_a_line_marked_twice_the_last_counts() -> None:
    heat = seen("air", opening=True)
    early, late = Event(380.0, "line_1"), Event(460.0, "line_1")
    twice, first, last = (
        in_one_go().at(replace(heat, events=events), 470.0).core_c for events in ((early, late), (early,), (late,))
    )
    width_k = last.high - last.low
    assert abs(twice.middle - last.middle) < 0.15 * width_k
    assert abs(first.middle - last.middle) > 0.5 * width_k
