"""The Heat value: what it accepts, keeps, tells and never invents."""

from __future__ import annotations

import copy
import pickle
import re
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as nps

from thermal.fields import InputError
from thermal.heat import EVENTS, ROLES, Event, Heat, Sensor, filled, role_of

NAN = float("nan")


def heat(**changes: Any) -> Heat:
    values: dict[str, Any] = {
        "time_s": np.array([-10.0, 0.0, 10.0]),
        "columns": {"air_upper_c": np.array([185.0, 150.0, 170.0]), "core_1_c": np.array([NAN, 22.0, 22.5])},
        "events": (Event(-10.0, "door_open"), Event(0.0, "door_closed")),
        "gauge_m": 0.006,
        "sensors": {"core_1": Sensor(depth_m=0.003, lag_s=1.5)},
    }
    return Heat(**(values | changes))


@pytest.mark.parametrize(
    ("column", "role"),
    [
        ("core_c", "core_c"),
        ("core_1_c", "core_c"),
        ("grid_01_c", "grid_c"),
        ("air_upper_2_c", "air_upper_c"),
        ("drop_mm", "drop_mm"),
        ("vacuum_1_kpa", "vacuum_kpa"),
        ("core_1_mm", None),
        ("core", None),
        ("core_x_c", None),
        ("fan_rpm", None),
        ("time_s", None),
    ],
)
def test_role_of_a_column(column: str, role: str | None) -> None:
    assert role_of(column) == role


def test_series_gives_all_columns_of_a_role_in_order() -> None:
    one = heat(columns={"core_2_c": [1.0, 2.0, 3.0], "core_c": [4.0, 5.0, 6.0], "wall_c": [7.0, 8.0, 9.0]})
    assert list(one.series("core_c")) == ["core_2_c", "core_c"]
    assert one.series("face_upper_c") == {}
    with pytest.raises(InputError, match=r"role 'cor_c': expected one of .* \(did you mean .*core_c"):
        one.series("cor_c")


def test_sensor_and_events_are_found_by_name() -> None:
    one = heat()
    assert one.sensor("core_1_c") == Sensor(depth_m=0.003, lag_s=1.5)
    assert one.sensor("air_upper_c") == Sensor()
    assert one.times_of("door_closed") == (0.0,)
    assert one.times_of("pulled") == ()


def test_preheat_is_the_part_before_the_sheet_went_in() -> None:
    one = heat(text_columns={"operator": ("a", "b", "c")})
    before = one.preheat()
    assert before is not None
    assert before.time_s.tolist() == [-10.0]
    assert before.columns["air_upper_c"].tolist() == [185.0]
    assert before.text_columns["operator"] == ("a",)
    assert before.events == (Event(-10.0, "door_open"),)
    assert before.gauge_m == 0.006
    assert heat(time_s=[0.0, 1.0, 2.0], events=()).preheat() is None


def test_arrays_are_copies_that_nobody_can_write() -> None:
    time_s = np.array([0.0, 1.0])
    one = Heat(time_s=time_s, columns={"core_c": time_s})
    time_s[0] = 5.0
    assert one.time_s[0] == 0.0
    with pytest.raises(ValueError, match="read-only"):
        one.columns["core_c"][0] = 1.0
    with pytest.raises(TypeError, match="does not support item assignment"):
        one.columns["core_c"] = time_s  # type: ignore[index]


def test_equal_when_gaps_are_at_the_same_places() -> None:
    assert heat() == heat()
    assert heat() != heat(columns={"air_upper_c": [185.0, 150.0, 170.0], "core_1_c": [NAN, NAN, 22.5]})
    assert heat() != heat(gauge_m=0.0060000000001)
    assert heat(extra={"a": [NAN, {"b": 1}]}) == heat(extra={"a": [NAN, {"b": 1}]})
    assert heat(extra={"a": 1}) != heat(extra={"a": 1.0})
    assert heat(start_c=22) == heat(start_c=22.0)
    assert heat() != "heat"


def test_survives_the_way_to_a_worker_process_and_back() -> None:
    one = heat(extra={"label": "lot 0417"})
    for other in (pickle.loads(pickle.dumps(one)), copy.deepcopy(one), replace(one)):
        assert other == one
        assert not other.time_s.flags.writeable


@pytest.mark.parametrize(
    ("changes", "says"),
    [
        ({"time_s": [0.0, 0.0, 1.0]}, "time_s = 0 follows 0: expected times that increase"),
        ({"time_s": [0.0, NAN, 1.0]}, "time_s = nan"),
        ({"time_s": [0.0, 1.0, float("inf")]}, "time_s = inf"),
        ({"time_s": [1.7e9, 1.8e9, 1.9e9]}, "time_s = 1.7e+09: expected a number at least -86400"),
        ({"time_s": []}, "expected a row of one or more times"),
        ({"time_s": [[0.0, 1.0, 2.0]]}, "time_s of shape (1, 3)"),
        ({"time_s": [0.0, 1.0]}, "column air_upper_c of shape (3,): expected (2,)"),
        ({"columns": {"core_c": [22.0, 458.0, 22.0]}}, "core_c = 458 at 0 s: expected a number at least -60"),
        ({"columns": {"core_c": [22.0, 458.0, 22.0]}}, "458 K is 184.9 °C, 458 °F is 236.7 °C"),
        ({"columns": {"room_c": [293.0, 293.0, 293.0]}}, "293 K is 19.9 °C"),
        ({"columns": {"room_c": [72.0, 72.0, 72.0]}}, "72 °F is 22.2 °C"),
        (
            {"columns": {"drop_mm": [0.0, -900.0, 0.0]}},
            "drop_mm = -900 at 0 s: expected a number at least -500",
        ),
        ({"columns": {"vacuum_kpa": [0.0, 900.0, 0.0]}}, "vacuum_kpa = 900"),
        (
            {"columns": {"fan_rpm": [0.0, float("inf"), 0.0]}},
            "fan_rpm = inf at 0 s: expected a finite number",
        ),
        ({"columns": {"core_c": [NAN, -float("inf"), NAN]}}, "core_c = -inf"),
        (
            {"columns": {"event": [0.0, 0.0, 0.0]}},
            "column 'event': expected a name, other than time_s and event",
        ),
        ({"columns": {" a": [0.0, 0.0, 0.0]}}, "column ' a'"),
        ({"text_columns": {"core_c": ("a", "b", "c")}}, "column core_c: it holds texts"),
        ({"text_columns": {"note": ("a", "b")}}, "column note of shape (2,)"),
        (
            {"events": (Event(5.0, "pulled"), Event(4.0, "on_mold"))},
            "event on_mold at 4 s follows pulled at 5 s",
        ),
        ({"gauge_m": 12.0}, "gauge in mm = 12000: expected a number at least 0.1 and at most 50 mm"),
        ({"gauge_m": -0.006}, "gauge in mm = -6"),
        ({"gauge_m": NAN}, "gauge in mm = nan"),
        ({"gauge_m": 0.002}, "sensor core_1 sits 3 mm below the upper face of a sheet of 2 mm"),
        ({"opening_m": (300.0,)}, "opening in mm = 300000"),
        ({"opening_m": (0.3, 0.2, 0.1)}, "expected one value (circle) or two"),
        ({"opening_m": ()}, "expected one value (circle) or two"),
        ({"start_c": 295.0}, "start_c = 295: expected a number at least -40 and at most 150 °C"),
        ({"set_c": 458.0}, "set_c = 458"),
        ({"support": "shelf"}, "support = 'shelf': expected one of frame, tray"),
        ({"colour": "red"}, "colour = 'red': expected one of natural, pigmented, pattern"),
    ],
)
def test_refused_with_name_value_and_what_was_expected(changes: dict[str, Any], says: str) -> None:
    with pytest.raises(InputError, match=re.escape(says)):
        heat(**changes)


@pytest.mark.parametrize("name", ["", " pulled", "a;b", "a\nb", "a  b"])
def test_event_names_that_no_file_can_hold(name: str) -> None:
    with pytest.raises(InputError, match="expected a name"):
        Event(0.0, name)


@pytest.mark.parametrize("value", [NAN, float("inf"), -1.0])
def test_sensor_refuses_what_has_no_meaning(value: float) -> None:
    with pytest.raises(InputError, match=f"sensor lag_s = {value}: expected a finite number, zero or more"):
        Sensor(lag_s=value)
    with pytest.raises(InputError, match="event 'pulled' at nan s"):
        Event(NAN, "pulled")
    assert Sensor(bias_k=-1.0).bias_k == -1.0


def test_what_is_not_known_is_kept_and_told() -> None:
    one = heat(
        events=(Event(0.0, "door_close"), Event(0.0, "door_close")),
        columns={"face_uper_c": [1.0, 2.0, 3.0], "core_1_c": [22.0, 22.0, 22.0]},
        text_columns={"operator": ("a", "b", "c")},
        extra={"guage_mm": 6.0, "sensor": {"core_1": {"wire_mm": 0.2}}},
        sensors={"core_1": Sensor(), "core_9": Sensor()},
        remarks=("film off", "weather = rain"),
    )
    notes = "\n".join(one.notes)
    assert len(one.notes) == 7
    assert "event 'door_close' is not known (did you mean door_closed" in notes
    assert "column 'face_uper_c' is not known (did you mean face_upper_c" in notes
    assert "column 'operator' is not known" in notes
    assert "metadata 'guage_mm' is not known (did you mean gauge_mm" in notes
    assert "metadata 'sensor.core_1.wire_mm' is not known" in notes
    assert "sensor 'core_9' has no column" in notes
    assert "'weather = rain' looks like 'key = value'" in notes


def test_nothing_to_tell_when_all_is_known() -> None:
    one = heat(columns={role: [1.0, 1.0, 1.0] for role in ROLES}, events=tuple(Event(0.0, e) for e in EVENTS))
    assert replace(one, sensors={}).notes == ()


def test_short_gaps_are_bridged_and_long_ones_named() -> None:
    time_s = np.array([0.0, 1.0, 2.0, 3.0, 10.0, 20.0, 21.0, 22.0])
    values = np.array([NAN, 10.0, NAN, 12.0, NAN, 20.0, 30.0, NAN])
    result = filled(time_s, values, longest_gap_s=2.0)
    np.testing.assert_array_equal(result.values, [NAN, 10.0, 11.0, 12.0, NAN, 20.0, 30.0, NAN])
    assert result.gaps_s == ((0.0, 0.0), (10.0, 10.0), (22.0, 22.0))
    # A straight line in time, not in samples: 7/17 of the way from 12 to 20.
    assert filled(time_s, values, 17.0).values[4] == pytest.approx(12.0 + 8.0 * 7.0 / 17.0, rel=1e-14)
    assert np.isnan(values[2])


def test_filled_refuses_what_it_cannot_use() -> None:
    time_s = np.array([0.0, 1.0])
    for bad in (-1.0, NAN, float("inf")):
        with pytest.raises(InputError, match=f"longest_gap_s = {bad}"):
            filled(time_s, time_s, bad)
    with pytest.raises(InputError, match="values of shape"):
        filled(time_s, np.zeros(3), 1.0)


@given(
    nps.arrays(np.float64, st.integers(1, 30), elements=st.one_of(st.just(NAN), st.floats(-50.0, 300.0))),
    st.floats(0.0, 20.0),
)
def test_filled_invents_nothing(values: np.ndarray[Any, np.dtype[np.float64]], longest_gap_s: float) -> None:
    time_s = np.cumsum(np.linspace(0.5, 2.0, values.size))
    result = filled(time_s, values, longest_gap_s)
    seen = ~np.isnan(values)
    np.testing.assert_array_equal(result.values[seen], values[seen])
    still = np.isnan(result.values)
    assert still.sum() == sum(((time_s >= first) & (time_s <= last)).sum() for first, last in result.gaps_s)
    new = ~seen & ~still
    if new.any():
        assert values[seen].min() - 1e-9 <= result.values[new].min()
        assert result.values[new].max() <= values[seen].max() + 1e-9
