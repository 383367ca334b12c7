"""What does not belong among the heats is found and named, and nothing else is."""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache

import numpy as np
import pytest

from calibration.run import Run, Series
from calibration.screening import Screened, screened
from calibration.unknowns import Settings
from calibration_truth import POLYMER, planned, virtual_heats
from cases import CARD
from thermal.polymer_data import shipped_polymer

#: Less than a calibration would seek, so that the hypotheses are quick to try.
SETTINGS = Settings(fixed=frozenset({"upper.air_offset_k", "lower.air_offset_k", "wall.lag_s"}))


@lru_cache(maxsize=1)
def heats() -> tuple[Run, ...]:
    runs, _, _ = virtual_heats([planned(4.0, 460.0), planned(3.0, 330.0)], 2, SETTINGS)
    return tuple(runs)


@lru_cache(maxsize=1)
def clean() -> Screened:
    return screened(CARD, heats(), SETTINGS)


def with_series(run: Run, **changed: Series) -> Run:
    return replace(run, series=tuple(changed.get(one.column, one) for one in run.series))


def of_place(run: Run, place: str) -> Series:
    return next(one for one in run.series if one.place == place)


def often(one: Series) -> Series:
    """Read every two seconds, so that a model's time holds readings from before and after a moment."""
    time = np.arange(one.time_s[0], one.time_s[-1] + 1.0, 2.0)
    noise = one.noise_k * np.random.default_rng(1).standard_normal(len(time))
    return replace(one, time_s=time, values=np.interp(time, one.time_s, one.values) + noise)


def test_heats_that_go_together_are_left_alone() -> None:
    others, _, _ = virtual_heats([planned(4.0, 460.0), planned(3.0, 330.0)], 3, SETTINGS)
    for found in (clean(), screened(CARD, others, SETTINGS)):
        assert found.odd == ()
        assert [len(run.series) for run in found.runs] == [3, 3]


def test_a_sensor_that_came_loose_half_way() -> None:
    run = heats()[0]
    one = often(of_place(run, "upper"))
    air = np.interp(one.time_s, run.air_s, run.air_c)
    loose = replace(one, values=np.where(one.time_s > 230.0, one.values + 0.6 * (air - one.values), one.values))
    found = screened(CARD, [with_series(run, face_upper_c=loose), heats()[1]], SETTINGS)
    assert [(odd.kind, odd.run, odd.columns) for odd in found.odd] == [("loose", "4 mm", ("face_upper_c",))]
    assert found.odd[0].from_s == pytest.approx(230.0, abs=25.0)
    assert "came loose at" in found.odd[0].text
    kept = of_place(found.runs[0], "upper")
    assert kept.time_s[-1] < found.odd[0].from_s
    assert kept.time_s[-1] == pytest.approx(230.0, abs=25.0)
    # What was set aside is not averaged in: as good as without the fault.
    before, now = clean().fit, found.fit
    for name in ("upper.h_w_m2k", "lower.h_w_m2k"):
        a, b = before.value(name), now.value(name)
        assert a is not None
        assert b is not None
        assert abs(a.value - b.value) < a.std


def test_a_swapped_channel() -> None:
    run = heats()[0]
    upper, core = of_place(run, "upper"), of_place(run, "core")
    wrong = with_series(
        run, face_upper_c=replace(upper, values=core.values), core_c=replace(core, values=upper.values)
    )  # fmt: skip
    found = screened(CARD, [wrong, heats()[1]], SETTINGS)
    assert [(odd.kind, odd.run, odd.columns) for odd in found.odd] == [("swapped", "4 mm", ("face_upper_c", "core_c"))]
    assert [one.column for one in found.runs[0].series] == ["face_lower_c"]


def test_a_heat_of_another_polymer() -> None:
    other = shipped_polymer("hdpe")
    base = [planned(4.0, 460.0), planned(3.0, 330.0)]
    base[0] = replace(base[0], case=replace(base[0].case, polymer=other))
    runs, _, _ = virtual_heats(base, 5, SETTINGS)
    stated = replace(runs[0], case=replace(runs[0].case, polymer=POLYMER))
    polymers = {one.id: one for one in (other, POLYMER, shipped_polymer("eva"))}
    found = screened(CARD, [stated, runs[1]], SETTINGS, polymers=polymers)
    assert [(odd.kind, odd.run, odd.polymer) for odd in found.odd] == [("polymer", "4 mm", "hdpe")]
    assert len(found.runs) == 1
