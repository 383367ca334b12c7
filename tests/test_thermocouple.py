"""Thermocouples: reference tables forward, back and with a cold junction; states; what wrong wiring shows."""

from __future__ import annotations

import math
import subprocess
import sys

import numpy as np
import pytest
import thermocouple_its90
from hypothesis import given
from hypothesis import strategies as st

from its90_tables import B_LOW_MV, FINE, TABLES_MV
from logger.reading import State, Value
from logger.thermocouple import TYPES, emf_uv, one_c, range_c, temperature_c, to_celsius
from thermal.fields import InputError

POINTS = [(kind, t, mv) for kind, table in TABLES_MV.items() for t, mv in table.items()]
FINE_POINTS = [(kind, t, mv, seebeck) for kind, table in FINE.items() for t, (mv, seebeck) in table.items()]
#: Half of the last printed digit, and the error of our tables (1e-4 µV).
PRINTED_UV = 0.5 + 1e-4


def celsius(kind: str, uv: float, cold_junction_c: float | None) -> float:
    converted = temperature_c(kind, uv, cold_junction_c)
    assert converted.state.item() is State.OK
    return float(converted.value)


def test_each_type_has_ten_points_over_its_range() -> None:
    for kind in TYPES:
        assert len(TABLES_MV[kind]) >= 10
        low, high = ends(kind)
        assert max(TABLES_MV[kind]) - min(TABLES_MV[kind]) > 0.9 * (high - low)


# ---------------------------------------------------------------- against the tables


@pytest.mark.parametrize(("kind", "t_c", "mv"), POINTS)
def test_forward(kind: str, t_c: float, mv: float) -> None:
    assert emf_uv(kind, t_c) == pytest.approx(mv * 1e3, abs=PRINTED_UV)


def ends(kind: str) -> tuple[float, float]:
    return (250.0, 1820.0) if kind == "B" else range_c(kind)


def slope_uv_k(kind: str, t_c: float) -> float:
    return (emf_uv(kind, t_c + 1.0) - emf_uv(kind, t_c - 1.0)) / 2.0


#: Points inside the range: at its very end a rounded voltage may lie outside, which the states are tested for.
INNER = [(kind, t, mv) for kind, t, mv in POINTS if ends(kind)[0] < t < ends(kind)[1]]


@pytest.mark.parametrize(("kind", "t_c", "mv"), INNER)
def test_inverse(kind: str, t_c: float, mv: float) -> None:
    # the printed voltage is rounded to 0.5 µV: so much the temperature may differ
    assert celsius(kind, mv * 1e3, 0.0) == pytest.approx(t_c, abs=0.505 / slope_uv_k(kind, t_c) + 1e-4)


#: E(25 °C) and E(50 °C) in mV, as printed in the same tables (R and S recalled).
COLD_MV = {
    "B": (-0.002, 0.002), "E": (1.495, 3.048), "J": (1.277, 2.585), "K": (1.000, 2.023), "N": (0.659, 1.340),
    "R": (0.141, 0.296), "S": (0.143, 0.299), "T": (0.992, 2.036),
}  # fmt: skip


@pytest.mark.parametrize(("kind", "t_c", "mv"), INNER)
@pytest.mark.parametrize(("cold_c", "column"), [(25.0, 0), (50.0, 1)])
def test_with_a_cold_junction(kind: str, t_c: float, mv: float, cold_c: float, column: int) -> None:
    # what an instrument at `cold_c` measures, made of printed values alone: two of them, each rounded to 0.5 µV
    allowed = 1.01 / slope_uv_k(kind, t_c) + 1e-4
    assert celsius(kind, (mv - COLD_MV[kind][column]) * 1e3, cold_c) == pytest.approx(t_c, abs=allowed)


@pytest.mark.parametrize(("kind", "t_c", "mv", "seebeck"), FINE_POINTS)
def test_fine_values_and_slopes(kind: str, t_c: float, mv: float, seebeck: float) -> None:
    assert emf_uv(kind, t_c) == pytest.approx(mv * 1e3, abs=0.0501)
    assert (emf_uv(kind, t_c + 0.1) - emf_uv(kind, t_c - 0.1)) / 0.2 == pytest.approx(seebeck, abs=0.006)


@pytest.mark.parametrize(("kind", "t_c", "mv", "seebeck"), [p for p in FINE_POINTS if p[0] != "B" or p[1] > 250])
def test_fine_inverse(kind: str, t_c: float, mv: float, seebeck: float) -> None:
    assert celsius(kind, mv * 1e3, 0.0) == pytest.approx(t_c, abs=0.0505 / seebeck + 1e-4)


@pytest.mark.parametrize(("t_c", "mv"), B_LOW_MV.items())
def test_type_b_low(t_c: float, mv: float) -> None:
    assert emf_uv("B", t_c) == pytest.approx(mv * 1e3, abs=PRINTED_UV)
    assert temperature_c("B", emf_uv("B", t_c), 0.0).state.item() is State.NOT_MEASURABLE


@pytest.mark.parametrize("kind", TYPES)
def test_differs_from_the_package_by_less_than_a_tenth_of_a_millikelvin(kind: str) -> None:
    reference = thermocouple_its90.get(kind)
    low, high = range_c(kind)
    assert (low, high) == reference.range
    t_c = np.linspace(low, high, 7919)  # a prime: falls between the nodes
    exact_uv = np.array([reference.emf(float(t)) * 1e3 for t in t_c])
    np.testing.assert_allclose(emf_uv(kind, t_c), exact_uv, rtol=0.0, atol=1e-4)
    converted = temperature_c(kind, exact_uv, 0.0)
    good = exact_uv >= 291.0 if kind == "B" else np.ones(t_c.shape, bool)
    np.testing.assert_allclose(converted.value[good], t_c[good], rtol=0.0, atol=1e-4)
    assert all(state is State.OK for state in converted.state[good])


#: (type, measured mV, cold junction °C, t °C): two independent programs (see its90_tables.FINE) agree to 1e-4 K.
COMPENSATED = [
    ("K", 6.000, 25.0, 171.4923), ("K", 6.000, 23.5, 169.9730), ("J", 8.500, 30.0, 186.6250),
    ("K", -0.500, 25.0, 12.5864), ("K", 7.532, 0.0, 184.8101),
]  # fmt: skip


@pytest.mark.parametrize(("kind", "mv", "cold_c", "t_c"), COMPENSATED)
def test_compensation(kind: str, mv: float, cold_c: float, t_c: float) -> None:
    assert celsius(kind, mv * 1e3, cold_c) == pytest.approx(t_c, abs=2e-4)


@pytest.mark.parametrize(("kind", "t_c", "moved_k"), [("K", 25.0, 0.013), ("S", 25.0, 0.083), ("R", 25.0, 0.084)])
def test_half_a_microvolt(kind: str, t_c: float, moved_k: float) -> None:
    # 0.5 µV / Seebeck coefficient of its90_tables.FINE: 40.52, 5.99, 5.94 µV/K
    assert celsius(kind, emf_uv(kind, t_c) + 0.5, 0.0) - t_c == pytest.approx(moved_k, abs=0.001)


# ---------------------------------------------------------------- wrong wiring


#: What a sensor at 185 °C shows with the cold junction at 25 °C; both programs named above, to the printed digit.
TRUE_UV = 6539.3


@pytest.mark.parametrize(
    ("uv", "kind", "cold_c", "shown_c"),
    [
        (TRUE_UV, "K", 25.0, 185.00),
        (TRUE_UV, "K", 26.0, 186.02),  # cold junction sensor 1 K high: +1.0157 K
        (TRUE_UV, "K", 0.0, 159.98),  # compensation forgotten
        (TRUE_UV, "J", 25.0, 146.5),  # K wire, instrument set to J, T, N
        (TRUE_UV, "T", 25.0, 166.3),
        (TRUE_UV, "N", 25.0, 238.3),
        (-TRUE_UV, "K", 25.0, -179.4),  # leads reversed at the instrument
    ],
)
def test_one_mistake_at_185_degrees(uv: float, kind: str, cold_c: float, shown_c: float) -> None:
    digit = 0.005 if round(shown_c, 1) != shown_c or shown_c == 185.0 else 0.05
    assert celsius(kind, uv, cold_c) == pytest.approx(shown_c, abs=digit * 1.05 + 0.001)


def test_mistakes_of_wire_and_extension() -> None:
    def measured(kind: str, hot_c: float, cold_c: float) -> float:
        return emf_uv(kind, hot_c) - emf_uv(kind, cold_c)

    assert celsius("K", measured("J", 185.0, 25.0), 25.0) == pytest.approx(238.1, abs=0.055)
    assert celsius("K", measured("T", 185.0, 25.0), 25.0) == pytest.approx(209.2, abs=0.055)
    # a head at 40 °C: extension reversed at both ends, and copper instead of extension wire
    reversed_uv = measured("K", 185.0, 40.0) - measured("K", 40.0, 25.0)
    assert celsius("K", reversed_uv, 25.0) == pytest.approx(154.4, abs=0.055)
    assert celsius("K", measured("K", 185.0, 40.0), 25.0) == pytest.approx(169.7, abs=0.055)


def test_temperatures_are_never_added() -> None:
    at_40 = celsius("K", TRUE_UV, 40.0)
    added = celsius("K", TRUE_UV, 0.0) + 40.0
    assert abs(at_40 - added) > 0.1


# ---------------------------------------------------------------- states


@pytest.mark.parametrize(
    ("kind", "uv", "cold_c", "state"),
    [
        ("K", math.nan, 25.0, State.MISSING),
        ("K", 6000.0, None, State.MISSING),
        ("K", 6000.0, math.nan, State.MISSING),
        ("K", 6000.0, 126.0, State.FAULT),
        ("K", 6000.0, -56.0, State.FAULT),
        ("K", 6000.0, math.inf, State.FAULT),
        ("K", 54886.5, 0.0, State.OUT_OF_RANGE),  # above 1372 °C: 54.886 mV
        ("K", -6458.5, 0.0, State.OUT_OF_RANGE),  # below -270 °C: -6.458 mV
        ("K", math.inf, 25.0, State.OUT_OF_RANGE),
        ("K", -math.inf, 25.0, State.OUT_OF_RANGE),
        ("B", 290.9, 0.0, State.NOT_MEASURABLE),
        ("B", -100.0, 25.0, State.NOT_MEASURABLE),
        ("B", -5000.0, 25.0, State.OUT_OF_RANGE),
        ("B", 5000.0, -10.0, State.OUT_OF_RANGE),  # type B has no voltage below 0 °C
        ("B", 13821.0, 0.0, State.OUT_OF_RANGE),
        ("S", 1000.0, -52.0, State.OUT_OF_RANGE),
    ],
)
def test_what_has_no_temperature_gets_none(kind: str, uv: float, cold_c: float | None, state: State) -> None:
    converted = temperature_c(kind, uv, cold_c)
    assert converted.state.item() is state
    assert math.isnan(float(converted.value))
    one, one_state = one_c(kind, uv, cold_c)
    assert math.isnan(one)
    assert one_state is state


def test_type_b_begins_at_its_limit() -> None:
    # Monograph 175 gives the inverse from 0.291 mV, 250 °C
    assert celsius("B", 291.0, 0.0) == pytest.approx(250.0, abs=0.25)


def test_arrays_keep_their_shape_and_go_with_states() -> None:
    uv = np.array([[6000.0, np.nan, 1e6], [0.0, -500.0, 6000.0]])
    cold = np.array([25.0, 25.0, np.nan])
    converted = temperature_c("K", uv, cold)
    assert converted.value.shape == converted.state.shape == (2, 3)
    assert converted.state.tolist() == [
        [State.OK, State.MISSING, State.MISSING],
        [State.OK, State.OK, State.MISSING],
    ]
    np.testing.assert_array_equal(np.isnan(converted.value), converted.state != State.OK)
    assert converted.value[0, 0] == pytest.approx(171.4923, abs=2e-4)
    assert temperature_c("K", np.array([]), 25.0).value.shape == (0,)
    assert emf_uv("K", np.array([[0.0, 100.0]])).shape == (1, 2)
    assert isinstance(emf_uv("K", 100.0), float)
    assert emf_uv("K", 100) == emf_uv("K", 100.0)


@given(
    st.sampled_from(TYPES),
    st.floats(-90e3, 90e3) | st.sampled_from([math.nan, math.inf, -math.inf, 291.0, 0.0]),
    st.none() | st.floats(-100.0, 200.0) | st.just(math.nan),
)
def test_one_by_one_as_in_arrays(kind: str, uv: float, cold_c: float | None) -> None:
    converted = temperature_c(kind, uv, cold_c)
    one, state = one_c(kind, uv, cold_c)
    assert converted.state.item() is state
    assert (math.isnan(one) and math.isnan(float(converted.value))) or one == pytest.approx(
        float(converted.value), rel=0.0, abs=1e-9
    )
    assert math.isnan(one) == (state is not State.OK)


@given(st.sampled_from(TYPES), st.floats(0.0, 1.0), st.floats(0.0, 60.0))
def test_there_and_back(kind: str, part: float, cold_c: float) -> None:
    low, high = range_c(kind)
    low = 250.5 if kind == "B" else low + 1.0  # at -270 °C type N has 0.3 µV/K left
    t_c = low + part * (high - 1e-3 - low)
    uv = emf_uv(kind, t_c) - emf_uv(kind, cold_c)
    assert celsius(kind, uv, cold_c) == pytest.approx(t_c, abs=1e-3)


@pytest.mark.parametrize(
    ("kind", "t_c"), [("K", 1372.1), ("K", -270.1), ("T", 401.0), ("B", -1.0), ("J", math.nan), ("K", math.inf)]
)
def test_a_temperature_outside_is_refused(kind: str, t_c: float) -> None:
    with pytest.raises(InputError, match=rf"temperature = {t_c}: expected .* °C, the range of type {kind}"):
        emf_uv(kind, t_c)
    with pytest.raises(InputError, match=f"range of type {kind}"):
        emf_uv(kind, np.array([100.0, t_c]))


@pytest.mark.parametrize("kind", ["k", "C", "", "KK"])
def test_a_type_that_is_not_there_is_refused(kind: str) -> None:
    for use in (lambda: emf_uv(kind, 1.0), lambda: temperature_c(kind, 1.0, 1.0), lambda: one_c(kind, 1.0, 1.0)):
        with pytest.raises(InputError, match=rf"thermocouple type '{kind}' is not known.*expected one of B, E"):
            use()


def test_channels() -> None:
    good = Value("tc_1", "uV", 6000.0, State.OK, 25.0)
    shown = to_celsius(good, "K")
    assert (shown.channel, shown.unit, shown.state, shown.cold_junction_c) == ("tc_1", "C", State.OK, 25.0)
    assert shown.value == pytest.approx(171.4923, abs=2e-4)
    for state in (State.OPEN, State.SHORT, State.FROZEN, State.SPIKE):
        assert to_celsius(Value("tc_1", "uV", 6000.0, state, 25.0), "K") == Value("tc_1", "C", None, state, 25.0)
    assert to_celsius(Value("tc_1", "uV", None, State.OK, 25.0), "K").state is State.MISSING
    assert to_celsius(Value("tc_1", "uV", 6000.0), "K") == Value("tc_1", "C", None, State.MISSING)
    with pytest.raises(InputError, match="channel drop is in mm: expected uV"):
        to_celsius(Value("drop", "mm", 1.0), "K")


def test_nothing_is_loaded_before_it_is_needed() -> None:
    script = "import logger.thermocouple, sys; print('thermocouple_its90' in sys.modules, 'scipy' in sys.modules)"
    shown = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True).stdout
    assert shown.split() == ["False", "False"]
