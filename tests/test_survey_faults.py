"""Surveys that are not as they should be: known errors, a silent recorder, readings that never change, another oven."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from calibration.survey import place_uncertainty, survey
from dashboard.commands import pullcue
from logger.heatfile import write_heat
from thermal.heat import Event, Heat, Sensor

TIME = np.arange(0.0, 3600.0, 15.0)
OPENED_S = 2700.0


def grid() -> Heat:
    """Six places, each 1 K hotter than the one before, 40 K colder for a while after the door."""
    random = np.random.default_rng(3)
    door = np.where(TIME >= OPENED_S, 40.0 * np.exp(-(TIME - OPENED_S) / 90.0), 0.0)
    columns = {f"grid_{i:02d}_c": 180.0 + i - door + 0.1 * random.standard_normal(len(TIME)) for i in range(1, 7)}
    sensors = {f"grid_{i:02d}": Sensor(x_m=0.1 * i, y_m=0.0, z_m=0.1 * (i % 2)) for i in range(1, 7)}
    return Heat(time_s=TIME, columns=columns, sensors=sensors, set_c=185.0, events=(Event(OPENED_S, "door_open"),))


def test_a_known_error_of_a_thermocouple_is_taken_off_everywhere() -> None:
    heat = grid()
    wrong = replace(
        heat,
        columns={**heat.columns, "grid_01_c": heat.columns["grid_01_c"] + 8.0},
        sensors={**heat.sensors, "grid_01": replace(heat.sensors["grid_01"], bias_k=8.0)},
    )
    right, found = survey(heat), survey(wrong)
    assert (found.hottest, found.coldest) == (right.hottest, right.coldest) == ("grid_06_c", "grid_01_c")
    for name in ("mean_off_k", "uniformity_k", "spread_k", "swing_k"):
        assert getattr(found, name) == pytest.approx(getattr(right, name), abs=1e-9)
    assert [one.mean_c for one in found.places] == pytest.approx([one.mean_c for one in right.places])


def test_a_silent_recorder_at_the_door_makes_no_number_up() -> None:
    heat = grid()
    silent = (TIME > OPENED_S - 20.0) & (TIME < OPENED_S + 100.0)
    gone = replace(heat, columns={name: np.where(silent, np.nan, values) for name, values in heat.columns.items()})
    (opening,) = survey(gone).openings
    # What was read first afterwards, 105 s from the door on: 40 exp(-105/90) K.
    assert opening.fall_k == pytest.approx(40.0 * np.exp(-105.0 / 90.0), abs=0.3)
    whole = survey(heat).openings[0].recovery_s
    assert opening.recovery_s == pytest.approx(whole, abs=16.0)


def test_readings_that_never_change() -> None:
    """A coarse logger at a steady oven: nothing scatters, and the uncertainty is what is stated."""
    heat = grid()
    flat = replace(heat, columns={name: np.full(len(TIME), 185.0) for name in heat.columns})
    sure = place_uncertainty(flat, survey(flat), 1.5, 0.0, 1.0, 0.0)
    # Half widths of 1.5 and 0.5 K, rectangular (GUM 4.3.7).
    assert sure.combined_k == pytest.approx(np.sqrt((1.5**2 + 0.5**2) / 3.0))


def test_the_air_of_another_oven_goes_into_no_card(tmp_path: Path) -> None:
    file, out = tmp_path / "grid.csv", tmp_path / "card.toml"
    write_heat(replace(grid(), oven="south"), file)
    words = ["survey", str(file), "--oven", "north", "--sheet-z-mm", "50", "--out", str(out)]
    result = CliRunner().invoke(pullcue, words)
    assert "grid.csv was surveyed in oven 'south', expected 'north'" in result.stderr
    nowhere = [*words[:3], "south", "--sheet-z-mm", "nan", *words[6:]]
    assert "--sheet-z-mm nan: expected a number" in CliRunner().invoke(pullcue, nowhere).stderr
    assert not out.exists()
    assert CliRunner().invoke(pullcue, [*words[:3], "south", *words[4:]]).exit_code == 0
