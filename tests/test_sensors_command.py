"""`pullcue sensors` from the command line, with readings that a function gives."""

from __future__ import annotations

import json
import math
import random
import re
import tomllib
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result

from dashboard.commands import pullcue
from dashboard.commands.sensors_check import Injected
from dashboard.sensor_file import NAME, read_register
from logger.bench import Role
from logger.clock import ManualClock
from logger.fixed_point import PointName
from logger.one_channel import channel_reader
from logger.reading import Arrival, Frame, Link, LinkState, State, Value
from logger.sensors import register_from_mapping
from logger.thermocouple import emf_uv
from thermal.fields import InputError

BOILS_C = 99.6059  # IAPWS R7-97(2012), table 36: 372.755919 K at 0.1 MPa


@pytest.fixture
def shop(tmp_path: Path) -> Path:
    (tmp_path / "shop.toml").write_text('name = "Test shop"\n')
    return tmp_path


def run(shop: Path | None, *words: str, obj: object = None, answers: str | None = None) -> Result:
    where = ["--shop", str(shop)] if shop else []
    result = CliRunner().invoke(pullcue, ["sensors", *words, *where], obj=obj, input=answers)
    assert result.exception is None or isinstance(result.exception, SystemExit), result.output
    return result


def sensor(ice_c: float, boiling_c: float, noise_k: float = 0.03) -> Callable[[PointName], Value]:
    draw = random.Random(3)

    def read(point: PointName) -> Value:
        return Value("tc_1", "C", (ice_c if point == "ice" else boiling_c) + draw.gauss(0.0, noise_k))

    return read


def injected(read: Callable[[PointName], Value]) -> Injected:
    return Injected(read, ManualClock(datetime(2026, 3, 1, 9, tzinfo=UTC)))


def checked(shop: Path, read: Callable[[PointName], Value], *more: str) -> tuple[int, dict[str, Any]]:
    words = ("check", "TC-1", "--type", "K", "--class", "1", "--pressure-kpa", "100", "--json")
    result = run(shop, *words, *more, obj=injected(read))
    return result.exit_code, json.loads(result.stdout)


# ---------------------------------------------------------------- good ones


def test_a_good_sensor_is_stored_with_its_correction(shop: Path) -> None:
    code, said = checked(shop, sensor(0.4, BOILS_C + 0.7))
    assert code == 0
    assert [one["verdict"] for one in said["points"]] == ["within", "within"]
    assert [one["readings"] for one in said["points"]] == ["settled", "settled"]
    assert said["points"][1]["expected_c"] == pytest.approx(BOILS_C, abs=1e-3)
    assert said["points"][0]["limit_k"] == 1.5  # IEC 60584-1, type K class 1
    assert said["stored"] is True
    register = read_register(shop)
    assert [(one.serial, one.type, one.tolerance_class) for one in register.sensors] == [("TC-1", "K", "1")]
    assert [(one.point, str(one.day)) for one in register.checks] == [("ice", "2026-03-01"), ("boiling", "2026-03-01")]
    correction = register.correction("TC-1")
    assert correction is not None
    assert float(correction.corrected_c(0.4)) == pytest.approx(0.0, abs=0.03)
    assert float(correction.corrected_c(185.7)) == pytest.approx(185.0, abs=0.03)


def test_a_second_check_keeps_the_first(shop: Path) -> None:
    checked(shop, sensor(0.4, BOILS_C + 0.7))
    before = (shop / NAME).read_bytes()
    result = run(shop, "check", "TC-1", "--pressure-kpa", "100", "--yes", obj=injected(sensor(0.2, BOILS_C)))
    assert result.exit_code == 0
    assert (shop / NAME).read_bytes().startswith(before)
    assert len(read_register(shop).checks) == 4
    assert len(read_register(shop).corrections) == 2
    assert len(read_register(shop).sensors) == 1


def test_a_dry_run_stores_nothing(shop: Path) -> None:
    code, said = checked(shop, sensor(0.4, BOILS_C), "--dry-run")
    assert (code, said["stored"]) == (0, False)
    assert not (shop / NAME).exists()


def test_the_walk_in_words(shop: Path) -> None:
    words = ("check", "TC-1", "--type", "T", "--class", "2", "--due", "2027-03-01", "--certificate", "C-9")
    result = run(shop, *words, obj=injected(sensor(0.1, BOILS_C + 0.2)), answers="1013\nabc\n100\n\n\n")
    text = " ".join(result.stdout.split())
    assert result.exit_code == 0
    assert "1013 hPa (mbar) are 101.3 kPa" in text  # asked again
    assert "'abc' is no number" in text
    assert "crushed ice" in text
    assert "insulated vessel" in text
    assert "stir all the time" in text
    assert text.index("Stir" if "Stir" in text else "stir") < text.index("Boiling: 99.61 °C")
    assert "Boiling water and steam scald" in text
    assert text.count("Press Enter when the sensor is in") == 2
    assert "settled: 0.1" in text
    assert text.count("WITHIN class 2 of IEC 60584-1, which allows ± 1.00 K here") == 2
    assert "Stored in sensors.toml" in text
    assert str(read_register(shop).sensors[0].due) == "2027-03-01"


def test_typed_readings(shop: Path) -> None:
    words = ("check", "TC-1", "--type", "K", "--class", "2", "--altitude-m", "0", "--sea-level-kpa", "101.325", "--yes")
    result = run(shop, *words, "--reading", "ice=32.9F", "--reading", "ice=0.4C", "--reading", "boiling=99.9C")
    assert result.exit_code == 0
    ice, boiling = read_register(shop).checks
    assert (ice.reading_c, ice.scatter_k, boiling.scatter_k) == (0.45, 0.071, None)
    assert boiling.expected_c == pytest.approx(99.974, abs=1e-3)


def test_readings_asked_one_by_one(shop: Path) -> None:
    words = ("check", "TC-1", "--type", "K", "--class", "2", "--point", "ice")
    result = run(shop, *words, answers="0.4C\n\n7\n0.5C\n32.7F\n\n")
    assert result.exit_code == 0
    assert "2 more, please" in result.stdout
    assert "7 has no unit" in result.stdout
    assert read_register(shop).checks[0].reading_c == pytest.approx((0.4 + 0.5 + 0.7 / 1.8) / 3.0, abs=1e-3)


# ---------------------------------------------------------------- bad ones


def test_a_failing_sensor(shop: Path) -> None:
    code, said = checked(shop, sensor(0.3, BOILS_C + 2.4))
    assert code == 1
    assert [one["verdict"] for one in said["points"]] == ["within", "outside"]
    assert said["correction"] is None
    assert "not corrected" in said["note"]
    register = read_register(shop)
    assert [one.verdict for one in register.checks] == ["within", "outside"]  # the finding is kept
    assert register.correction("TC-1") is None


def test_a_sensor_far_off_is_a_matter_of_wiring(shop: Path) -> None:
    words = ("check", "TC-1", "--type", "K", "--class", "1", "--pressure-kpa", "100", "--yes")
    result = run(shop, *words, obj=injected(sensor(0.0, -45.0)))
    assert result.exit_code == 1
    assert "two wires swapped" in result.stdout


def test_near_the_limit_is_undecided(shop: Path) -> None:
    code, said = checked(shop, sensor(0.0, BOILS_C + 1.4))
    assert code == 1
    assert said["points"][1]["verdict"] == "undecided"


def test_altitude_alone_judges_and_does_not_correct(shop: Path) -> None:
    words = ("check", "TC-1", "--type", "K", "--class", "2", "--altitude-m", "112", "--json")
    result = run(shop, *words, obj=injected(sensor(0.4, 99.9)))
    said = json.loads(result.stdout)
    assert result.exit_code == 0
    assert "estimate" in said["points"][1]["how"]
    assert len(said["correction"]["reading_c"]) == 1
    assert "One point only" in said["note"]


def test_an_unstable_reading_gives_no_verdict(shop: Path) -> None:
    clock = ManualClock()

    def read(point: PointName) -> Value:
        return Value("tc_1", "C", 0.2 if point == "ice" else 90.0 + 5.0 * math.sin(clock.monotonic_s() / 7.0))

    words = ("check", "TC-1", "--type", "K", "--class", "1", "--pressure-kpa", "100")
    result = run(shop, *words, "--json", obj=Injected(read, clock))
    said = json.loads(result.stdout)
    assert result.exit_code == 1
    assert (said["points"][1]["readings"], said["points"][1]["verdict"]) == ("not settled", None)
    assert (said["correction"], said["note"]) == (None, "No correction: a point has no verdict")
    assert [one.point for one in read_register(shop).checks] == ["ice"]
    result = run(shop, "check", "TC-1", "--pressure-kpa", "100", "--yes", obj=Injected(read, clock))
    assert "NOT SETTLED, no verdict" in result.stdout


def test_a_broken_sensor_gives_no_verdict(shop: Path) -> None:
    words = ("check", "TC-1", "--type", "K", "--class", "1", "--pressure-kpa", "100", "--yes")
    result = run(shop, *words, obj=injected(lambda _: Value("tc_1", "C", None, State.OPEN)))
    assert result.exit_code == 1
    assert "NO READING, no verdict: open circuit - a wire is broken" in result.stdout
    assert "Nothing was stored" in result.stdout
    assert not (shop / NAME).exists()


def test_interrupted_it_stores_nothing(shop: Path) -> None:
    def read(_: PointName) -> Value:
        raise KeyboardInterrupt

    words = ("check", "TC-1", "--type", "K", "--class", "1", "--pressure-kpa", "100", "--yes")
    assert run(shop, *words, obj=injected(read)).exit_code == 130
    assert not (shop / NAME).exists()


GOOD = ("check", "TC-1", "--type", "K", "--class", "1", "--yes", "--reading", "ice=0C", "--reading", "boiling=99.6C")


@pytest.mark.parametrize(
    ("words", "message"),
    [
        ((*GOOD, "--pressure-kpa", "1013"), "1013 hPa (mbar) are 101.3 kPa: give it in kPa"),
        ((*GOOD, "--pressure-kpa", "nan"), "air pressure = nan kPa"),
        ((*GOOD, "--altitude-m", "100000"), "altitude = 100000.0 m: expected"),
        (GOOD, "boiling water needs --pressure-kpa"),
        ((*GOOD, "--pressure-kpa", "100", "--altitude-m", "5"), "not both"),
        ((*GOOD, "--sea-level-kpa", "100"), "--sea-level-kpa needs --altitude-m"),
        ((*GOOD, "--altitude-m", "5", "--pressure-uncertainty-kpa", "1"), "belongs to --pressure-kpa"),
        ((*GOOD, "--pressure-kpa", "100", "--point", "ice"), "--reading boiling=... but --point ice only"),
        ((*GOOD, "--reading", "ice=0.4"), "0.4 has no unit"),
        ((*GOOD, "--reading", "melting=0.4C"), "expected ice=TEMPERATURE or boiling=TEMPERATURE"),
        ((*GOOD, "--due", "01.02.2027"), "'01.02.2027': expected a date as 2027-01-31"),
        (("check", "TC-1", "--yes"), "sensor 'TC-1' is not in the register"),
        (("check", " ", "--yes"), "serial number ' ': expected"),
        (("check", "TC-1", "--type", "J", "--class", "3", "--yes"), "tolerance class '3' does not exist for type J"),
        (("check", "TC-1", "--type", "B", "--class", "2", "--yes"), "type B gives next to no voltage"),
        (
            ("check", "TC-1", "--type", "K", "--class", "2", "--point", "ice", "--json"),
            "give --reading ice=TEMPERATURE",
        ),
    ],
)
def test_what_cannot_be_used_is_refused_in_one_sentence(shop: Path, words: tuple[str, ...], message: str) -> None:
    result = run(shop, *words)
    assert (result.exit_code, result.stdout, result.stderr.count("\n")) == (2, "", 1) or "Thermocouple" in result.stdout
    assert result.exit_code == 2
    assert message in result.stderr
    assert not (shop / NAME).exists()


def test_what_is_registered_is_not_changed_by_options(shop: Path) -> None:
    checked(shop, sensor(0.4, BOILS_C))
    result = run(shop, "check", "TC-1", "--class", "2", "--point", "ice", "--yes", "--reading", "ice=0C")
    assert result.exit_code == 2
    assert "--class 2: sensors.toml says 1 for sensor TC-1" in result.stderr


def test_the_demo_shop_keeps_nothing(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setattr("dashboard.shop._platform_folder", lambda: tmp_path / "none")
    words = ("check", "TC-1", "--type", "K", "--class", "1", "--point", "ice", "--yes", "--reading", "ice=0C")
    result = run(None, *words)
    assert (result.exit_code, "demo shop keeps no sensors" in result.stderr) == (2, True)
    assert run(None, *words, "--dry-run").exit_code == 0
    assert "has no thermocouples in sensors.toml yet" in run(None, "list").stdout


# ---------------------------------------------------------------- list


def test_list(shop: Path) -> None:
    clock = ManualClock(datetime(2027, 3, 1, tzinfo=UTC))
    checked(shop, sensor(0.4, BOILS_C + 0.7), "--due", "2027-02-28")
    with (shop / NAME).open("a") as file:
        file.write('[[sensor]]\nserial = "spare"\ntype = "T"\nclass = "special"\n')
    text = run(shop, "list", obj=Injected(None, clock)).stdout
    assert "TC-1: type K, class 1, OVERDUE since 2027-02-28" in text
    assert re.search(r"ice: \+0\.\d\d K on 2026-03-01, limit ±1\.50 K: within", text)
    assert "corrected since 2026-03-01" in text
    assert "spare: type T, class special, no due date\n  ice: never checked" in text
    said = json.loads(run(shop, "list", "--json", obj=Injected(None, clock)).stdout)
    assert [(one["serial"], one["overdue"]) for one in said["sensors"]] == [("TC-1", True), ("spare", False)]
    assert said["sensors"][0]["correction"]["date"] == "2026-03-01"
    assert said["sensors"][1]["correction"] is None


def test_a_broken_file_is_named(shop: Path) -> None:
    (shop / NAME).write_text('[[sensor]]\nserial = "a"\ntype = "Q"\nclass = "1"\n')
    for words in (("list",), (*GOOD, "--pressure-kpa", "100")):
        result = run(shop, *words)
        assert (result.exit_code, result.stdout) == (2, "")
        assert "sensors.toml: sensor.type = 'Q': expected one of B, E, J, K, N, R, S, T" in result.stderr


# ---------------------------------------------------------------- from a source


class Wire:
    """A source that gives what it is handed, one arrival a look; None is a look that finds nothing."""

    id = "wire"

    def __init__(self, clock: ManualClock, *what: Frame | Link | None) -> None:
        self._clock, self._what = clock, list(what)

    def poll(self, timeout_s: float) -> list[Arrival]:
        self._clock.sleep(min(1.0, timeout_s))
        what = self._what.pop(0) if self._what else None
        return [] if what is None else [Arrival(self._clock.monotonic_s(), self._clock.utc(), what)]

    def close(self) -> None:
        """Nothing to let go."""


def frame(*values: Value) -> Frame:
    return Frame(1, 0, values)


TC_1 = Role("air_upper", "wire", "tc_1", serial="TC-1")


def test_a_channel_of_a_source_is_read_in_celsius() -> None:
    clock = ManualClock()
    uv = emf_uv("K", 100.0) - emf_uv("K", 25.0)
    wire = Wire(
        clock,
        Link(LinkState.RUNNING, "here"),
        frame(Value("tc_1", "uV", uv, State.OK, 25.0)),
        None,
        frame(Value("tc_1", "uV", None, State.OPEN)),
        None,
        frame(Value("tc_1", "C", 12.0)),
        frame(Value("tc_1", "C", 99.5)),
    )
    read = channel_reader(wire, TC_1, "K", clock)
    first = read()
    assert (first.unit, first.state) == ("C", State.OK)
    assert first.value == pytest.approx(100.0, abs=1e-3)
    assert (read().state, read().value) == (State.OPEN, 99.5)  # 12.0 had waited in the buffer
    start_s = clock.monotonic_s()
    assert (read().state, clock.monotonic_s() - start_s) == (State.MISSING, 5.0)


def test_a_channel_that_is_not_there_or_no_temperature() -> None:
    clock = ManualClock()
    both = frame(Value("tc_1", "C", 1.0), Value("drop", "mm", 1.0))
    wire = Wire(clock, both, None, both)
    with pytest.raises(InputError, match=r"channel 'tc_2' is not there \(did you mean tc_1\?\)"):
        channel_reader(wire, replace(TC_1, channel="tc_2"), "K", clock)()
    with pytest.raises(InputError, match="channel 'drop' is in mm"):
        channel_reader(wire, replace(TC_1, channel="drop"), "K", clock)()
    with pytest.raises(InputError, match="thermocouple type 'X'"):
        channel_reader(wire, TC_1, "X", clock)


@pytest.mark.parametrize(
    ("more", "message"),
    [
        (("--pressure-kpa", "1013"), "1013 hPa (mbar) are 101.3 kPa"),
        (("--pressure-kpa", "nan"), "nan"),
        (("--pressure-kpa", "1013", "--point", "ice"), "1013 hPa (mbar) are 101.3 kPa"),
        (("--pressure-kpa", "100", "--pressure-uncertainty-kpa", "-1"), "uncertainty of the pressure = -1.0 kPa"),
        (("--altitude-m", "99999"), "99999"),
    ],
)
def test_a_pressure_is_refused_before_anything_is_said(shop: Path, more: tuple[str, ...], message: str) -> None:
    result = run(shop, "check", "TC-1", "--type", "K", "--class", "1", *more, obj=injected(sensor(0.0, BOILS_C)))
    assert (result.exit_code, result.stdout) == (2, "")
    assert message in result.stderr
    assert not (shop / NAME).exists()


@pytest.mark.parametrize("answers", ["", "100\n", "100\n0.4C\n0.5C\n0.4C\n\n99.6C\n"])
def test_input_that_ends_at_a_question(shop: Path, answers: str) -> None:
    """At the pressure, at the first reading, and in the midst of the second point: nothing of the first is kept."""
    result = run(shop, "check", "TC-1", "--type", "K", "--class", "1", answers=answers)
    assert result.exit_code == 130
    assert "nothing was stored" in result.stderr
    assert not (shop / NAME).exists()


def test_a_wait_that_is_broken_off(shop: Path) -> None:
    def read(point: PointName) -> Value:
        raise KeyboardInterrupt

    result = run(shop, "check", "TC-1", "--type", "K", "--class", "1", "--point", "ice", "--yes", obj=injected(read))
    assert result.exit_code == 130
    assert "nothing was stored" in result.stderr


BENCH = """\
id = "north-bench"
oven = "north"
[[source]]
id = "tape"
kind = "replay"
file = "bath.csv"
[role]
air_upper = { channel = "tape/air_upper", serial = "TC-1" }
"""


@pytest.fixture
def bench(tmp_path: Path) -> Path:
    rows = "".join(f"{i}.0,{0.4 + 0.02 * (-1) ** i:.2f}\n" for i in range(300))
    (tmp_path / "bath.csv").write_text(f"time_s,air_upper_c\n{rows}")
    (tmp_path / "bench.toml").write_text(BENCH)
    return tmp_path / "bench.toml"


def test_readings_from_a_bench(shop: Path, bench: Path) -> None:
    words = ("check", "TC-1", "--type", "K", "--class", "1", "--point", "ice", "--json", "--bench", str(bench))
    result = run(shop, *words, obj=Injected(None, ManualClock()))
    said = json.loads(result.stdout)
    assert (result.exit_code, said["points"][0]["readings"], said["stored"]) == (0, "settled", True)
    assert said["points"][0]["deviation_k"] == pytest.approx(0.4, abs=0.03)
    # the correction stored now must not act on the readings of the next check
    again = json.loads(run(shop, *words, obj=Injected(None, ManualClock())).stdout)
    assert again["points"][0]["deviation_k"] == pytest.approx(0.4, abs=0.03)


@pytest.mark.parametrize(
    ("serial", "change", "more", "message"),
    [
        ("TC-2", ("", ""), ("--point", "ice"), "no role has serial = 'TC-2' (did you mean TC-1?)"),
        ("TC-1", ('"TC-1" }', '"TC-1", thermocouple = "J" }'), ("--point", "ice"), "thermocouple = 'J': expected 'K'"),
        ("TC-1", ("tape/air_upper", "tape/air_lower"), ("--point", "ice"), "channel 'air_lower' is not there"),
        ("TC-1", ("", ""), ("--pressure-kpa", "100"), "give one --point at a time"),
    ],
)
def test_a_bench_that_does_not_fit(
    shop: Path, bench: Path, serial: str, change: tuple[str, str], more: tuple[str, ...], message: str
) -> None:
    bench.write_text(BENCH.replace(*change) if change[0] else BENCH)
    words = ("check", serial, "--type", "K", "--class", "1", "--json", "--bench", str(bench), *more)
    result = run(shop, *words, obj=Injected(None, ManualClock()))
    assert result.exit_code == 2
    assert message in result.stderr
    assert not (shop / NAME).exists()


# ---------------------------------------------------------------- the document


def test_the_document_shows_what_is_there() -> None:
    text = (Path(__file__).parent.parent / "docs" / "sensors.md").read_text("utf-8")
    help_text = CliRunner().invoke(pullcue, ["sensors", "check", "--help"]).stdout
    options = set(re.findall(r"--[a-z][a-z-]*", text))
    assert len(options) >= 8
    assert [one for one in options if one not in help_text] == []
    example = register_from_mapping(tomllib.loads(re.findall(r"```toml\n(.*?)```", text, re.DOTALL)[0]), "sensors.md")
    assert (len(example.sensors), len(example.checks), len(example.corrections)) == (1, 1, 1)
