"""The register of thermocouples: its file, corrections, due dates."""

from __future__ import annotations

import math
import os
import tomllib
from datetime import date
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from dashboard.sensor_file import NAME, append_entries, read_register
from logger.fixed_point import Judgement, Point, Settled, Settling, Verdict
from logger.sensors import (
    Check,
    Correction,
    Register,
    Sensor,
    check_of,
    correction_from,
    overdue,
    register_from_mapping,
    text_of,
)
from thermal.fields import InputError

DAY = date(2026, 1, 5)
SENSOR = Sensor("TC-0417", "K", "2", "2026-118", date(2027, 1, 5))
CHECK = Check("TC-0417", DAY, "boiling", 99.212, 99.64, 0.03, 0.428, 0.39, 2.5, "within", 98.6)
CORRECTION = Correction("TC-0417", DAY, (0.42, 99.64), (0.42, 0.428))
FILE = """\
# our sensors  (kept)
[[sensor]]
serial = "TC-0417"   # the long one
type = "K"
class = "2"
due = 2027-01-05
"""


def written(shop: Path, text: str = FILE) -> Path:
    path = shop / NAME
    path.write_bytes(text.encode())
    return path


# ---------------------------------------------------------------- corrections


def test_between_the_points_in_a_straight_line_and_constant_beyond() -> None:
    correction = Correction("x", DAY, (1.0, 101.0), (1.0, 2.0))
    np.testing.assert_allclose(
        correction.corrected_c(np.array([-40.0, 1.0, 51.0, 101.0, 185.0])), [-41.0, 0.0, 49.5, 99.0, 183.0]
    )
    assert math.isnan(float(correction.corrected_c(math.nan)))
    assert float(correction.corrected_c(51.0)) == 49.5


def test_one_point_is_taken_off_everywhere() -> None:
    np.testing.assert_allclose(Correction("x", DAY, (0.4,), (0.4,)).corrected_c(np.array([0.4, 185.0])), [0.0, 184.6])


def result(
    deviation_k: float, name: str = "ice", verdict: Verdict = Verdict.WITHIN, corrects: bool = True
) -> Judgement:
    expected_c = 0.0 if name == "ice" else 99.6
    point = Point("ice" if name == "ice" else "boiling", expected_c, 0.1, "said so", corrects)
    settled = Settled(Settling.SETTLED, expected_c + deviation_k, 0.03, 0.0, 20)
    return Judgement(point, settled, deviation_k, 0.2, 2.5, verdict)


def test_a_correction_makes_the_points_right() -> None:
    correction, why = correction_from("x", DAY, (result(0.4), result(-0.9, "boiling")))
    assert why == ""
    assert correction is not None
    np.testing.assert_allclose(correction.corrected_c(np.array([0.4, 98.7])), [0.0, 99.6], atol=1e-9)


@pytest.mark.parametrize(
    ("results", "words"),
    [
        ((result(0.4), result(4.0, "boiling", Verdict.OUTSIDE)), "outside its class is not corrected"),
        ((result(0.4, "boiling", corrects=False),), "altitude alone"),
        ((result(12.0, "boiling", Verdict.NO_LIMIT),), "More than 10 K off"),
    ],
)
def test_what_is_not_corrected(results: tuple[Judgement, ...], words: str) -> None:
    correction, why = correction_from("x", DAY, results)
    assert correction is None
    assert words in why


def test_one_point_does_not_replace_two() -> None:
    assert correction_from("x", DAY, (result(0.4),))[0] == Correction("x", DAY, (0.4,), (0.4,))
    correction, why = correction_from("x", DAY, (result(0.4),), CORRECTION)
    assert correction is None
    assert "of 2026-01-05 stays in force" in why
    assert correction_from("x", DAY, (result(0.4),), Correction("x", DAY, (0.1,), (0.1,)))[0] is not None


def test_the_latest_is_in_force_and_the_past_can_be_asked() -> None:
    old = Correction("TC-0417", date(2025, 1, 1), (0.1,), (0.1,))
    same_day = Correction("TC-0417", DAY, (0.7,), (0.7,))
    register = Register((SENSOR,), (), (CORRECTION, old, same_day))
    assert register.correction("TC-0417") == same_day
    assert register.correction("TC-0417", date(2025, 6, 1)) == old
    assert register.correction("TC-0417", date(2024, 6, 1)) is None
    assert register.correction("other") is None


@pytest.mark.parametrize(
    ("today", "late"), [(date(2027, 1, 4), False), (date(2027, 1, 5), True), (date(2028, 1, 1), True)]
)
def test_overdue(today: date, late: bool) -> None:
    assert overdue(SENSOR, today) is late
    assert not overdue(Sensor("x", "K", "1"), today)


# ---------------------------------------------------------------- the file


def test_round_trip(tmp_path: Path) -> None:
    entries: list[Sensor | Check | Correction] = [SENSOR, Sensor("b", "T", "special"), CHECK, CORRECTION]
    append_entries(tmp_path, entries)
    assert read_register(tmp_path) == Register((SENSOR, Sensor("b", "T", "special")), (CHECK,), (CORRECTION,))
    assert read_register(tmp_path).last_check("TC-0417", "boiling") == CHECK
    assert read_register(tmp_path).last_check("TC-0417", "ice") is None


@given(
    st.text(st.characters(codec="utf-8"), min_size=1, max_size=60).filter(lambda s: s == s.strip() and s.isprintable()),
    st.floats(-9.0, 9.0),
    st.dates(),
)
def test_whatever_is_written_is_read(serial: str, offset_k: float, day: date) -> None:
    sensor, correction = Sensor(serial, "K", "1", 'a "b" \\ ö', day), Correction(serial, day, (offset_k,), (offset_k,))
    read = register_from_mapping(tomllib.loads(text_of(sensor) + text_of(correction)), "f.toml")
    assert read == Register((sensor,), (), (correction,))


def test_what_stands_there_stays_byte_for_byte(tmp_path: Path) -> None:
    for text in (FILE, FILE.replace("\n", "\r\n"), "\ufeff" + FILE, FILE.rstrip("\n")):
        path = written(tmp_path, text)
        append_entries(tmp_path, [CHECK])
        new = path.read_bytes()
        assert new.startswith(text.encode())
        assert (b"\r\n" in new) == ("\r\n" in text)
        assert b"\r" not in new.replace(b"\r\n", b"")
        append_entries(tmp_path, [CORRECTION])
        assert path.read_bytes().startswith(new)
        assert read_register(tmp_path).corrections == (CORRECTION,)
        assert [one.name for one in tmp_path.iterdir()] == [NAME]


def test_no_file_no_sensors(tmp_path: Path) -> None:
    assert read_register(tmp_path) == Register()


@pytest.mark.parametrize(
    ("add", "message"),
    [
        ('colour = "red"', r"sensors.toml: colour = 'red' is not known.*expected one of"),
        ('[[sensor]]\nserial = "b"\ntype = "k"\nclass = "1"', r"sensors.toml: sensor\[1\].type = 'k': expected one"),
        ('[[sensor]]\nserial = "b"\ntype = "J"\nclass = "3"', r"sensor\[1\].class = '3': expected one of 1, 2, st"),
        ('[[sensor]]\nserial = "b"\ntype = "J"\nclass = 1', r"sensor\[1\].class = 1: expected one of 1, 2, 3"),
        ('[[sensor]]\nserial = "TC-0417"\ntype = "J"\nclass = "1"', r"two sensors have serial = 'TC-0417'"),
        ('[[sensor]]\nserial = " b"\ntype = "J"\nclass = "1"', r"sensor\[1\].serial = ' b': expected 1 to 60"),
        ('[[sensor]]\ntype = "J"\nclass = "1"', r"sensor\[1\].serial is missing"),
        ('[[sensor]]\nserial = "b"\ntype = "J"\nclass = "1"\ndeu = 2027-01-01', r"deu = .*did you mean due"),
        ('[[sensor]]\nserial = "b"\ntype = "J"\nclass = "1"\ndue = "2027-01-01"', r"due = '2027-01-01': expected a d"),
        ('[[sensor]]\nserial = "b"\ntype = "J"\nclass = "1"\ndue = 2027-01-01T00:00:00', r"due = .*: expected a date"),
        (text_of(CHECK).replace("0.428", "0.5"), r"check.deviation_k = 0.5: expected reading_c - expected_c, 0.428"),
        (text_of(CHECK).replace("TC-0417", "TC-0147"), r"check.serial = 'TC-0147': .*did you mean TC-0417"),
        (text_of(CHECK).replace("within", "fine"), r"check.verdict = 'fine': expected one of within, outside"),
        (text_of(CHECK).replace("99.64", "nan"), r"check.reading_c = nan: expected a number at least -270"),
        (text_of(CHECK).replace("98.6", "986.0"), r"check.pressure_kpa = 986.0: expected a number at least 50"),
        (text_of(CHECK).replace("date = 2026-01-05\n", ""), r"check.date is missing"),
        (text_of(CORRECTION).replace("[0.42, 99", "[100.0, 99"), r"correction.reading_c = .*: expected rising"),
        (text_of(CORRECTION).replace(", 0.428", ""), r"correction.offset_k = .*: expected a list of 2 entries"),
        (text_of(CORRECTION).replace("0.428", "42.8"), r"correction.offset_k\[1\] = 42.8: expected a number"),
        ("x = ", r"sensors.toml: no valid TOML"),
    ],
)  # fmt: skip
def test_a_broken_file_is_refused_and_left_alone(tmp_path: Path, add: str, message: str) -> None:
    text = f"{add}\n{FILE}" if add.startswith(("colour", "x")) else f"{FILE}\n{add}\n"
    path = written(tmp_path, text)
    with pytest.raises(InputError, match=message):
        read_register(tmp_path)
    with pytest.raises(InputError, match=message):
        append_entries(tmp_path, [CHECK])
    assert path.read_bytes() == text.encode()


def test_lists_in_brackets_cannot_be_added_to(tmp_path: Path) -> None:
    text = 'sensor = [{ serial = "TC-0417", type = "K", class = "2" }]\n'
    path = written(tmp_path, text)
    assert read_register(tmp_path).sensors == (Sensor("TC-0417", "K", "2"),)
    with pytest.raises(InputError, match=r"expected lists as \[\[sensor\]\]"):
        append_entries(tmp_path, [Sensor("b", "K", "1")])
    assert path.read_text() == text


def test_an_entry_that_would_not_read_back_is_not_written(tmp_path: Path) -> None:
    path = written(tmp_path)
    with pytest.raises(InputError, match=r"check\.serial = 'unknown'"):
        append_entries(tmp_path, [Check("unknown", DAY, "ice", 0.0, 0.1, None, 0.1, 0.1, 1.5, "within")])
    with pytest.raises(InputError, match="serial number 'a\\\\nb'"):
        append_entries(tmp_path, [Sensor("a\nb", "K", "1")])
    assert path.read_text() == FILE


def test_a_write_that_fails_leaves_the_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = written(tmp_path)

    def no_room(_: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", no_room)
    with pytest.raises(InputError, match=r"sensors.toml cannot be written \(No space left on device\)"):
        append_entries(tmp_path, [CHECK])
    assert path.read_text() == FILE
    assert [one.name for one in tmp_path.iterdir()] == [NAME]


def test_another_program_is_not_written_over(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = written(tmp_path)
    fsync = os.fsync

    def meanwhile(handle: int) -> None:
        fsync(handle)
        path.write_text(FILE + "# somebody else\n")

    monkeypatch.setattr(os, "fsync", meanwhile)
    with pytest.raises(InputError, match="changed by another program meanwhile"):
        append_entries(tmp_path, [CHECK])
    assert path.read_text() == FILE + "# somebody else\n"
    assert [one.name for one in tmp_path.iterdir()] == [NAME]


def test_a_judgement_becomes_an_entry_that_can_be_read() -> None:
    check = check_of("TC-0417", DAY, result(0.42345, "boiling"))
    assert (check.expected_c, check.reading_c, check.deviation_k, check.scatter_k) == (99.6, 100.023, 0.423, 0.03)
    single = Judgement(
        result(0.4).point, Settled(Settling.SETTLED, 0.4, math.nan, 0.0, 1), 0.4, 0.2, None, Verdict.NO_LIMIT
    )
    assert (check_of("x", DAY, single).scatter_k, check_of("x", DAY, single).limit_k) == (None, None)


def test_who_is_not_there_is_named_with_near_ones() -> None:
    with pytest.raises(InputError, match=r"sensor 'TC-0471' is not in the register \(did you mean TC-0417"):
        Register((SENSOR,)).must_have("TC-0471")
    with pytest.raises(InputError, match="expected one of none yet"):
        Register().must_have("x")
