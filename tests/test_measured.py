"""A recorded heat beside the model: what drives it, and whether planted differences are found again."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray

from cases import CARD, VISCOSITY, case_of, polymer_of
from thermal.build import slab
from thermal.case import Case
from thermal.fields import InputError
from thermal.heat import Event, Heat, Sensor
from thermal.history import record
from thermal.measured import KNOT_S, Residual, compare, lagged, measured_air, recorded_preheat, taken_out_s
from thermal.sag import equivalent_radius_m

Array = NDArray[np.float64]
PP = polymer_of(((23.0, 200.0), (1700.0, 2600.0)), ((23.0,), (0.2,)), (125.0, 160.0, 170.0, 90e3),
                viscosity=replace(VISCOSITY, reference_pa_s=2e4))  # fmt: skip
CASE = replace(case_of(PP, 6.0, CARD, 190.0), opening_m=(0.3,))
END_S = 900.0
TIME = np.arange(0.0, END_S + 1.0, 2.0)


def virtual_heat(case: Case = CASE, **sensors: Sensor) -> Heat:
    """What noiseless thermocouples and a drop sensor would have recorded of a case."""
    air = slab(case).surroundings.air
    drives = [air.drive(np.array([t])) for t in TIME]
    series = np.array([float(d.air[0, 0]) for d in drives])
    walls = np.array([float(d.wall_k4[0]) ** 0.25 - 273.15 for d in drives])
    history = record(slab(case), END_S, intervals=36)
    profile = history.temperature_at(TIME)
    columns = {
        "air_upper_c": series, "air_lower_c": series, "wall_c": walls, "face_upper_c": profile[0],
        "face_lower_c": profile[-1], "core_c": profile[18],
        "drop_mm": history.drop_ratio_at(TIME) * equivalent_radius_m((0.3,)) * 1e3,
    }  # fmt: skip
    return Heat(time_s=TIME, columns=columns, sensors=sensors)


HEAT = virtual_heat()


def changed(heat: Heat = HEAT, **columns: Array | None) -> Heat:
    """The heat with columns replaced, or left out where None."""
    kept = {**heat.columns, **columns}
    return replace(heat, columns={name: values for name, values in kept.items() if values is not None})


def found(heat: Heat, case: Case = CASE) -> dict[str, Residual]:
    return {residual.column: residual for residual in compare(case, heat)}


# --- what drives the model ---


def test_air_and_walls_are_five_second_means() -> None:
    time = np.arange(0.0, 20.0, 1.0)
    values = 100.0 + time
    columns = {"air_upper_c": values, "air_lower_c": values + 10.0, "wall_c": values - 5.0}
    air = measured_air(Heat(time_s=time, columns=columns))
    assert KNOT_S == 5.0
    assert air.time_s.tolist() == [2.0, 7.0, 12.0, 17.0]
    assert air.upper_c.tolist() == [102.0, 107.0, 112.0, 117.0]
    assert air.lower_c.tolist() == [112.0, 117.0, 122.0, 127.0]
    assert air.wall_c is not None
    assert air.wall_c.tolist() == [97.0, 102.0, 107.0, 112.0]


def test_one_faces_air_serves_both() -> None:
    for name in ("air_upper_c", "air_lower_c"):
        air = measured_air(Heat(time_s=TIME, columns={name: HEAT.columns[name]}))
        assert np.array_equal(air.upper_c, air.lower_c)
        assert air.wall_c is None


def test_channels_are_averaged_where_measured() -> None:
    one, two = np.full(len(TIME), 180.0), np.full(len(TIME), 184.0)
    two[100:200] = np.nan
    air = measured_air(Heat(time_s=TIME, columns={"air_upper_1_c": one, "air_upper_2_c": two}))
    assert air.upper_c[0] == 182.0
    assert np.interp(300.0, air.time_s, air.upper_c) == 180.0


def test_air_before_the_sheet_drives_only_the_walls() -> None:
    time = np.arange(-100.0, 101.0, 1.0)
    air = measured_air(Heat(time_s=time, columns={"air_upper_c": np.where(time < 0, 185.0, 150.0)}))
    assert air.time_s[0] >= 0.0
    assert set(air.upper_c.tolist()) == {150.0}
    assert air.before_s.tolist() == list(range(-100, 0))
    assert set(air.before_c.tolist()) == {185.0}


def test_walls_follow_the_preheat() -> None:
    # Walls soaked at 185 - 2 K before the door cooled the air: the card's offsets, by hand.
    time = np.arange(-3000.0, 11.0, 1.0)
    heat = Heat(time_s=time, columns={"air_upper_c": np.where(time < 0, 185.0, 150.0)})
    drive = slab(replace(CASE, measured=measured_air(heat))).surroundings.air.drive(np.zeros(1))
    assert float(drive.wall_k4[0]) ** 0.25 - 273.15 == pytest.approx(183.0, abs=0.4)


def with_gap(start_s: float, end_s: float) -> Array:
    values = np.array(HEAT.columns["air_upper_c"])
    values[(start_s < TIME) & (end_s > TIME)] = np.nan
    return values


def test_short_gap_is_bridged() -> None:
    air = measured_air(Heat(time_s=TIME, columns={"air_upper_c": with_gap(300.0, 350.0)}))
    ends = np.interp([300.0, 350.0], TIME, HEAT.columns["air_upper_c"])
    assert np.interp(325.0, air.time_s, air.upper_c) == pytest.approx(ends.mean(), abs=0.1)


def test_long_gap_is_refused_by_its_times() -> None:
    with pytest.raises(InputError, match="missing from 302 to 378 s"):
        measured_air(Heat(time_s=TIME, columns={"air_upper_c": with_gap(300.0, 380.0)}))


def test_the_other_face_helps_over_a_long_gap() -> None:
    air = measured_air(changed(air_upper_c=with_gap(300.0, 380.0), wall_c=None))
    wanted = np.interp(340.0, TIME, HEAT.columns["air_lower_c"])
    assert np.interp(340.0, air.time_s, air.upper_c) == pytest.approx(wanted, abs=0.1)


def test_the_other_face_helps_with_what_the_two_differ_by() -> None:
    colder = np.array(HEAT.columns["air_upper_c"]) - 4.0
    air = measured_air(changed(air_upper_c=with_gap(300.0, 380.0), air_lower_c=colder, wall_c=None))
    wanted = np.interp(340.0, TIME, HEAT.columns["air_upper_c"])
    assert np.interp(340.0, air.time_s, air.upper_c) == pytest.approx(wanted, abs=0.1)


def test_missing_end_ends_the_drive() -> None:
    air = measured_air(Heat(time_s=TIME, columns={"air_upper_c": with_gap(500.0, 2000.0)}))
    assert 495.0 < air.time_s[-1] <= 500.0


def test_heat_without_air_is_refused() -> None:
    with pytest.raises(InputError, match="no air_upper_c or air_lower_c"):
        compare(CASE, changed(air_upper_c=None, air_lower_c=None))
    with pytest.raises(InputError, match="fewer than 3 rows"):
        measured_air(Heat(time_s=np.array([-2.0, -1.0, 0.0]), columns={"air_upper_c": np.full(3, 150.0)}))


def test_air_after_the_sheet_left_is_not_used() -> None:
    out = replace(HEAT, events=(Event(600.0, "door_open"), Event(610.0, "pulled"), Event(615.0, "door_closed")))
    assert taken_out_s(HEAT) == np.inf
    assert taken_out_s(out) == 600.0
    assert measured_air(out).time_s[-1] < 600.0
    again = (Event(300.0, "door_open"), Event(310.0, "door_closed"), Event(610.0, "pulled"))
    assert taken_out_s(replace(HEAT, events=again)) == 610.0


def test_preheat_of_the_record() -> None:
    time = np.arange(-400.0, 10.0, 2.0)
    values = np.where(time < -8.0, 187.0, 150.0)
    heat = Heat(time_s=time, columns={"air_upper_c": values}, events=(Event(-8.0, "door_open"),))
    verdict = recorded_preheat(CASE, heat)
    assert verdict is not None
    assert verdict.steady is True
    assert recorded_preheat(CASE, HEAT) is None
    drifting = recorded_preheat(CASE, replace(heat, columns={"air_upper_c": values + 0.02 * time}))
    assert drifting is not None
    assert drifting.finding == "moving"


# --- predicted against measured ---


def test_the_models_own_heat_agrees() -> None:
    residuals = found(HEAT)
    assert set(residuals) == {"face_upper_c", "face_lower_c", "core_c", "drop_mm"}
    for residual in residuals.values():
        assert residual.agrees, residual.column
        assert residual.outside < 0.02
    assert residuals["core_c"].rms < 0.3
    measured_s, predicted_s = residuals["core_c"].reached_s(160.0)
    assert measured_s is not None
    assert predicted_s == pytest.approx(measured_s, abs=3.0)
    assert residuals["core_c"].reached_s(250.0) == (None, None)


def test_planted_bias_is_found() -> None:
    own = found(HEAT)["face_upper_c"].mean
    biased = found(changed(face_upper_c=HEAT.columns["face_upper_c"] + 3.0))
    assert biased["face_upper_c"].mean - own == pytest.approx(3.0, abs=1e-6)
    assert biased["face_upper_c"].rms == pytest.approx(3.0, abs=0.2)
    assert not biased["face_upper_c"].agrees
    assert biased["core_c"].agrees


def test_worst_reading_is_named() -> None:
    values = np.array(HEAT.columns["core_c"])
    values[150] -= 9.0
    residual = found(changed(core_c=values))["core_c"]
    assert residual.worst == pytest.approx(-9.0, abs=0.5)
    assert residual.worst_s == TIME[150]


def test_sensor_lag_is_part_of_the_prediction() -> None:
    slow = lagged(TIME, HEAT.columns["face_upper_c"], 25.0)
    stated = replace(changed(face_upper_c=slow), sensors={"face_upper": Sensor(lag_s=25.0)})
    swapped = replace(changed(face_upper_c=slow), sensors={"face_lower": Sensor(lag_s=25.0)})
    assert found(stated)["face_upper_c"].agrees
    assert found(stated)["face_upper_c"].rms < 0.5
    wrong = found(swapped)
    assert wrong["face_upper_c"].mean < -2.0  # it reads late while the sheet warms
    assert wrong["face_lower_c"].mean > 2.0
    assert not wrong["face_upper_c"].agrees


def test_lag_is_that_of_a_first_order_sensor() -> None:
    # Step and ramp of lag dy/dt = truth - y, in closed form.
    time = np.array([0.0, 1.0, 4.0, 20.0])
    ramp = lagged(time, 2.0 * time, 5.0)
    np.testing.assert_allclose(ramp, 2.0 * (time - 5.0 * (1.0 - np.exp(-time / 5.0))), atol=1e-12)
    assert np.array_equal(lagged(time, 2.0 * time, 0.0), 2.0 * time)


def test_depth_of_a_core_sensor() -> None:
    history = record(slab(CASE), END_S, intervals=36)
    shallow = history.temperature_at(TIME)[6]  # 1 mm below the upper face
    told = replace(changed(core_c=shallow), sensors={"core": Sensor(depth_m=1e-3)})
    assert found(told)["core_c"].rms < 0.5
    assert found(changed(core_c=shallow))["core_c"].mean > 2.0  # taken to sit in the middle


def test_drop_is_compared() -> None:
    own = found(HEAT)["drop_mm"]
    assert own.unit == "mm"
    deeper = found(changed(drop_mm=HEAT.columns["drop_mm"] + 10.0))["drop_mm"]
    assert deeper.mean - own.mean == pytest.approx(10.0, abs=1e-6)
    assert not deeper.agrees
    assert "drop_mm" not in found(HEAT, replace(CASE, opening_m=None))


def test_columns_of_too_few_readings_are_left_out() -> None:
    values = np.full(len(TIME), np.nan)
    values[10:12] = 60.0
    assert "core_c" not in found(changed(core_c=values))


def test_another_sheet_is_seen() -> None:
    # 7 mm in the frame instead of the labelled 6: a colder core, beyond most of what the plan holds possible.
    residual = found(virtual_heat(replace(CASE, gauge_m=7e-3)))["core_c"]
    assert residual.mean < -4.0
    assert residual.outside > 0.5
