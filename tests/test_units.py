"""Lengths and temperatures for people. By definition an inch is 25.4 mm (1959) and 0 °C is 32 °F."""

from __future__ import annotations

import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dashboard.units import Units, parse_length_m, parse_temperature_c
from thermal.fields import InputError, Range

METRIC, US = Units("metric"), Units("us")


@pytest.mark.parametrize(
    ("text", "mm"),
    [
        ("3/16in", 4.7625),
        ("3/16 in", 4.7625),
        ('3/16"', 4.7625),
        ("3 / 16 inch", 4.7625),
        ("0.187 in", 4.7498),
        (".187IN", 4.7498),
        ("1 1/2 in", 38.1),
        ("1-1/2 in", 38.1),
        ("2 inches", 50.8),
        ("5mm", 5.0),
        (" 5 mm ", 5.0),
        ("5.MM", 5.0),
        ("0.5cm", 5.0),
    ],
)
def test_lengths_as_people_write_them(text: str, mm: float) -> None:
    assert parse_length_m(text) == pytest.approx(mm / 1000, rel=1e-15)


def test_a_sixteenth_is_exact() -> None:
    # 3/16 * 25.4 mm = 4.7625 mm exactly, so the nearest float64 to 0.0047625 is the only right answer.
    assert parse_length_m("3/16in") == 0.0047625


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("5", "5 has no unit: write 5mm (5.00 mm) or 5in (127.0 mm)"),
        ("3/16", "3/16 has no unit: write 3/16mm (0.19 mm) or 3/16in (4.76 mm)"),
        ("4,5mm", "'4,5mm': the comma may mean decimals or thousands: expected a decimal point, 4.5mm"),
        ("1,000mm", "expected a decimal point, 1.000mm"),
        ("-5mm", "'-5mm' is no length: expected a number above zero"),
        ("0mm", "'0mm' is 0.00 mm: expected a number above 0"),
        ("0/4in", "expected a number above 0"),
        ("1/0in", "'1/0in' is no length"),
        ("nan", "'nan' is no length"),
        ("nanmm", "'nanmm' is no length"),
        ("infmm", "'infmm' is no length"),
        ("", "'' is no length"),
        ("mm", "'mm' is no length"),
        ("5mm5", "is no length"),
        ("1e3mm", "is no length"),
        ("٥mm", "is no length"),
        ("12m", "the unit 'm' is not known: expected mm, cm or in"),
        ("1 ft", "the unit 'ft' is not known"),
        ("12000mm", "'12000mm' is 12000.0 mm: expected a number above 0 and at most 5000 mm"),
        ("9" * 5000 + "mm", "40 characters at most"),
        ("9" * 36 + "mm", "at most 5000 mm"),
    ],
)
def test_lengths_refused(text: str, says: str) -> None:
    with pytest.raises(InputError, match=re.escape(says)):
        parse_length_m(text)


@pytest.mark.parametrize(
    ("text", "celsius"),
    [
        ("365F", 185.0),
        ("365 °F", 185.0),
        ("185C", 185.0),
        ("185 °C", 185.0),
        ("185ºC", 185.0),  # the ordinal sign that keyboards offer for a degree
        ("185 deg C", 185.0),
        ("185℃", 185.0),
        ("185 celsius", 185.0),
        ("320f", 160.0),  # common practice, no source: 160 °C = 320 °F; exact by definition
        ("212F", 100.0),  # water boils
        ("-40F", -40.0),  # the scales meet
        ("−40C", -40.0),
        ("458.15K", 185.0),
        ("22.5c", 22.5),
    ],
)
def test_temperatures_as_people_write_them(text: str, celsius: float) -> None:
    assert parse_temperature_c(text) == celsius


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("185", "185 has no unit: write 185C (365 °F) or 185F (85 °C)"),
        ("185°", "185 has no unit: write 185C (365 °F) or 185F (85 °C)"),
        ("185,5C", "expected a decimal point, 185.5c"),
        ("365C", "'365C' is 365 °C: expected a number at least -60 and at most 320 °C"),
        ("0K", "'0K' is -273 °C"),
        ("nan", "'nan' is no temperature"),
        ("infC", "'infC' is no temperature"),
        ("185R", "'185R' is no temperature: expected a number and its unit (C, F or K)"),
        ("", "'' is no temperature"),
        ("hotC", "is no temperature"),
        ("1e2C", "is no temperature"),
        ("1_0C", "is no temperature"),
        ("--5C", "is no temperature"),
        ("5" * 400 + "C", "40 characters at most"),
    ],
)
def test_temperatures_refused(text: str, says: str) -> None:
    with pytest.raises(InputError, match=re.escape(says)):
        parse_temperature_c(text)


def test_an_emitter_has_a_range_of_its_own() -> None:
    assert parse_temperature_c("1112F", Range("°C", at_least=100, at_most=900)) == 600.0


@given(st.text(max_size=12))
def test_any_text_is_a_number_in_range_or_one_sentence(text: str) -> None:
    for parse, high in ((parse_length_m, 5.0), (parse_temperature_c, 320.0)):
        try:
            value: float | str = parse(text)
        except InputError as error:
            value = str(error)
        if isinstance(value, str):
            assert "expected" in value or "has no unit: write" in value
        else:
            assert -60.0 <= value <= high


@given(st.decimals(min_value="0.1", max_value="190", places=3))
def test_lengths_round_trip_through_both_units(number: object) -> None:
    mm = parse_length_m(f"{number}mm")
    inches = parse_length_m(f"{number}in")
    assert inches == pytest.approx(25.4 * mm, rel=1e-15)
    assert parse_length_m(f"{float(str(number)) / 10!r}cm") == pytest.approx(mm, rel=1e-15)


@given(st.integers(1, 16 * 9))
def test_sixteenths_round_trip_through_what_is_shown(count: int) -> None:
    length_m = parse_length_m(f"{count}/16in")
    shown = US.length(length_m)
    assert parse_length_m(shown.partition(" (")[0]) == length_m
    half_a_digit_m = 0.501e-4 if length_m < 0.1 else 0.501e-3
    metric = shown.partition(" (")[2].rstrip(")")
    assert parse_length_m(metric) == pytest.approx(length_m, abs=half_a_digit_m)


@given(st.integers(-60, 320))
def test_whole_degrees_round_trip_through_what_is_shown(celsius: int) -> None:
    assert parse_temperature_c(METRIC.temperature(celsius)) == celsius
    assert parse_temperature_c(US.temperature(celsius, 1)) == celsius


@pytest.mark.parametrize(
    ("shown", "expected"),
    [
        (METRIC.temperature(160.0), "160 °C"),
        (US.temperature(160.0), "320 °F"),  # common practice, no source
        (METRIC.temperature(-0.2), "0 °C"),
        (US.temperature(152.04, 1), "305.7 °F"),
        (METRIC.difference(10.0), "10 K"),
        (US.difference(10.0), "18 °F"),  # 1 K is 1.8 °F; no 32 in a difference
        (US.difference(0.0), "0 °F"),
        (METRIC.length(0.0047625), "4.8 mm"),
        (US.length(0.0047625), "3/16 in (4.8 mm)"),
        (US.length(0.0381), "1 1/2 in (38.1 mm)"),
        (US.length(0.0508), "2 in (50.8 mm)"),
        (US.length(0.005), "0.197 in (5.0 mm)"),
        (US.length(0.0254 * 5 / 16 + 1.9e-5), "5/16 in (8.0 mm)"),  # to 0.02 mm
        (US.length(0.3), "11.81 in (300 mm)"),
        (US.length(0.0), "0.000 in (0.00 mm)"),
        (US.length(-0.002), "-0.079 in (-2.0 mm)"),
        (METRIC.length(0.00025), "0.25 mm"),
        (METRIC.seconds(1742.607), "29:03"),
        (METRIC.seconds(59.6), "1:00"),
        (METRIC.seconds(3723), "1:02:03"),
        (METRIC.seconds(-90), "-1:30"),
        (METRIC.seconds(-0.2), "0:00"),
    ],
)
def test_shown_to_people(shown: str, expected: str) -> None:
    assert shown == expected


@pytest.mark.parametrize("value", [float("nan"), float("inf"), float("-inf")])
@pytest.mark.parametrize("show", [US.temperature, METRIC.difference, US.length, Units.seconds])
def test_nothing_is_shown_for_no_number(show: object, value: float) -> None:
    assert callable(show)
    with pytest.raises(InputError, match=f"{value}: expected a finite number"):
        show(value)
