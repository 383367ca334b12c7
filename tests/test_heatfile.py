"""Heat files: what is read, kept and refused; the example of docs/heat-file.md as it stands there."""

from __future__ import annotations

import math
import re
import time
from datetime import date
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.comments import SENSOR, TOP_KEYS
from logger.heatfile import read_heat, write_heat
from thermal.fields import InputError
from thermal.heat import EVENTS, ROLES, Event, Heat, Sensor

DOC = Path(__file__).parents[1] / "docs" / "heat-file.md"
EXAMPLE = re.search(r"```csv\n(.*?)```", DOC.read_text(encoding="utf-8"), re.DOTALL)
ROWS = "time_s,core_c\n0.0,22.0\n"
NAN = float("nan")


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "heat.csv"


def read(path: Path, content: str | bytes) -> Heat:
    path.write_bytes(content.encode("utf-8") if isinstance(content, str) else content)
    return read_heat(path)


def example() -> str:
    assert EXAMPLE is not None, "docs/heat-file.md has no example"
    return EXAMPLE[1]


def test_the_documented_example_means_what_the_page_says(path: Path) -> None:
    heat = read(path, example())
    assert (heat.polymer, heat.oven, heat.support, heat.colour) == (
        "pp-homopolymer",
        "north",
        "frame",
        "natural",
    )
    assert (heat.gauge_m, heat.opening_m, heat.start_c, heat.set_c) == (0.006, (0.3,), 22.0, 185.0)
    assert heat.sensors == {"core_1": Sensor(depth_m=0.003, lag_s=1.5)}
    assert heat.extra == {"label": "lot 0417"}
    assert heat.remarks[1] == "Film off on both sides."
    assert heat.time_s.tolist() == [-20.0, -5.0, 0.0, 60.0, 120.0, 180.0]
    assert heat.columns["fan_rpm"].tolist() == [1400.0, 1400.0, 1395.0, 1402.0, 1401.0, 1399.0]
    np.testing.assert_array_equal(heat.columns["face_upper_c"], [NAN, NAN, 22.1, 74.9, NAN, 119.7])
    assert [event.name for event in heat.events] == ["door_open", "door_closed", "line_1", "clear_through"]
    assert heat.times_of("clear_through") == (180.0,)
    assert len(heat.notes) == 2  # label, fan_rpm


def test_the_page_names_every_known_column_and_event() -> None:
    page = DOC.read_text(encoding="utf-8")
    for name in (*EVENTS, *(role.replace("grid_c", "grid_01_c") for role in ROLES)):
        assert f"`{name}`" in page


def test_same_heat_whatever_mark_and_line_ends(path: Path) -> None:
    plain = read(path, example())
    crlf = example().replace("\n", "\r\n")
    for content in ("\ufeff" + example(), crlf, "\ufeff" + crlf, example().rstrip("\n"), example() + "\n\n"):
        assert read(path, content) == plain


def test_the_file_is_not_altered_by_reading(path: Path) -> None:
    read(path, example())
    assert path.read_bytes() == example().encode("utf-8")


def test_round_trip_of_the_example_is_exact(path: Path) -> None:
    heat = read(path, example())
    other = path.with_name("copy.csv")
    write_heat(heat, other)
    assert read_heat(other) == heat


@pytest.mark.parametrize(
    ("lines", "remarks", "extra"),
    [
        ("#\n#plain\n#  indented\n", ("", "plain", " indented"), {}),
        ("# [see the photo]\n# a = b\n# gauge: 6\n", ("[see the photo]", "a = b", "gauge: 6"), {}),
        ("# # not metadata\n", ("# not metadata",), {}),
        ('# when = 2024-05-17\n# a.b = [1, "x"]\n', (), {"when": date(2024, 5, 17), "a": {"b": [1, "x"]}}),
        ('# label = "a\\u007fb\\r"\n', (), {"label": "a\x7fb\r"}),
        ("# [lamp]\n# set_c = 400\n", (), {"lamp": {"set_c": 400}}),
        ("# [sensor.core]\n# wire_mm = 0.2\n", (), {"sensor": {"core": {"wire_mm": 0.2}}}),
        ("# gauge_mm = 6 # measured\n\n# café ° 日本\n", ("café ° 日本",), {}),
    ],
)
def test_text_and_metadata_are_told_apart_and_kept(
    path: Path, lines: str, remarks: tuple[str, ...], extra: dict[str, Any]
) -> None:
    heat = read(path, lines + ROWS)
    assert heat.remarks == remarks
    assert heat.extra == extra
    other = path.with_name("copy.csv")
    write_heat(heat, other)
    assert read_heat(other) == heat


@pytest.mark.parametrize(
    ("value", "opening_m"),
    [
        ("300", (0.3,)),
        ('"300"', None),
        ('"300x200.5"', (0.3, 0.2005)),
        ("[300, 200]", (0.3, 0.2)),
        ('"3x2"', None),
        ('"300x2.0.0"', None),
    ],
)
def test_openings(path: Path, value: str, opening_m: tuple[float, ...] | None) -> None:
    content = f"# opening_mm = {value}\n{ROWS}"
    if opening_m is None:
        with pytest.raises(InputError, match=r'opening_mm = .*: expected 300 \(circle\) or "300x200"'):
            read(path, content)
    else:
        assert read(path, content).opening_m == opening_m


def test_gaps_and_unknown_columns(path: Path) -> None:
    heat = read(path, 'lot,time_s,core_c,pump,who,serial\n0417,0,, 1 ,"a, ""b""",1234567890123456\n'
                      "0418,1,nan,,,2\n0419,2, ,1e3,\u00e9,3\n")  # fmt: skip
    np.testing.assert_array_equal(heat.columns["core_c"], [NAN, NAN, NAN])
    np.testing.assert_array_equal(heat.columns["pump"], [1.0, NAN, 1000.0])
    assert heat.text_columns == {
        "lot": ("0417", "0418", "0419"),
        "who": ('a, "b"', "", "\u00e9"),
        "serial": ("1234567890123456", "2", "3"),
    }
    other = path.with_name("copy.csv")
    write_heat(heat, other)
    assert read_heat(other) == heat


def test_blank_lines_are_passed_over(path: Path) -> None:
    assert read(path, "# a\n \n\ntime_s\n\n0\n  \n1\n\n").time_s.tolist() == [0.0, 1.0]
    assert read(path, "\n# a\n  \n# b\n" + ROWS).remarks == ("a", "b")


def test_line_numbers_hold_below_texts_that_run_over_lines(path: Path) -> None:
    with pytest.raises(InputError, match=re.escape("row 2 (line 5): core_c = 'x'")):
        read(path, '# text\ntime_s,who,core_c\n0,"a\nb",22\n1,c,x\n')


@pytest.mark.parametrize(
    ("content", "says"),
    [
        ("", "the file is empty"),
        (" \r\n\n", "the file is empty"),
        ("# only text\n", "there is no table"),
        ("time_s,core_c\n", "there are no rows below the header"),
        ("air_upper_c,core_c\n1,2\n", "line 1: the header has no column time_s"),
        ("# x\ntime,core_c\n1,2\n", "line 2: the header has no column time_s (did you mean time?)"),
        ("time_s,core_c,core_c\n1,2,3\n", "line 1: column core_c is there twice"),
        ("time_s,,core_c\n1,2,3\n", "column 2 has no name"),
        ("time_s;core_c\n0,5;22,1\n", "the columns are separated by semicolons: expected commas"),
        ("time_s\tcore_c\n0\t22\n", "the columns are separated by tabs"),
        ('time_s,core_c\n0,"22,1"\n',
         "(line 2): core_c = '22,1': expected a decimal point instead of the comma: 22.1"),
        ("time_s,core_c\n0,22,1\n",
         "row 1 (line 2): there are 3 cells: expected 2, as in the header; a decimal"),
        ("time_s,core_c\n0,22\n1\n",
         "row 2 (line 3): there is 1 cell: expected 2, as in the header; the rec"),
        ("time_s,core_c\n0,22\n# pulled late\n", "row 2 (line 3): a '#' line among the rows"),
        ("time_s,core_c\n0,22\n0,23\n",
         "row 2 (line 3): time_s = '0': expected a time after that of the row before"),
        ("time_s,core_c\n5,22\n4,23\n", "row 2 (line 3): time_s = '4'"),
        ("time_s,core_c\n0,22\n,23\n", "row 2 (line 3): time_s = ''"),
        ("time_s,core_c\nnan,22\n", "row 1 (line 2): time_s = 'nan'"),
        ("time_s,core_c\n1715930000,22\n", "time_s = '1715930000': expected a number at least -86400"),
        ("time_s,core_c\n10:05,22\n", "time_s = '10:05': expected seconds, a number"),
        ("time_s,core_c\n0,inf\n", "row 1 (line 2): core_c = 'inf': expected a number at least -60"),
        ("time_s,core_c\n0,1e999\n", "core_c = '1e999'"),
        ("time_s,fan_rpm\n0,1\n1,-inf\n", "row 2 (line 3): fan_rpm = '-inf': expected a finite number"),
        ("time_s,core_c\n0,OPEN\n", "core_c = 'OPEN': expected a number, or nothing where there is a gap"),
        ("time_s,core_c\n0,1_0\n", "core_c = '1_0': expected a number"),
        ("time_s,core_c\n0,\u0661\u0662\n", "expected a number, or nothing"),
        ("time_s,core_2_c\n0,22\n1,458.15\n",
         "row 2 (line 3): core_2_c = '458.15': expected a number at least -60 "
         "and at most 320 °C, or nothing where there is a gap (458.15 K is 185.0 °C, 458.15 °F is 236.7 °C"),
        ('time_s,core_c\n0,"22\n', "line 2: cannot be read"),
        ('time_s,core_c\n0,"2"2\n', "cannot be read"),
        ('time_s,"core_c\n0,22\n', "line 1: the header cannot be read"),
        (b"\x89PNG\r\n\x1a\n\0\0\0\rIHDR", "there are zero bytes in it"),
        (ROWS.encode("utf-16"), "there are zero bytes in it"),
        (b"# caf\xe9\n" + ROWS.encode(), "line 1: byte 0xe9 is no UTF-8"),
        (b"time_s,core_c\n0,22\n1,\xff\n", "line 3: byte 0xff is no UTF-8"),
        ("time_s,core_c\r0,22\r", "line 1: a lone carriage return"),
        ('"# polymer = ""pp""",\n' + ROWS, "is how a spreadsheet leaves a '#' line"),
        ("# text\n# oven = north\n" + ROWS, "line 2: 'oven = north' begins like metadata but is no TOML"),
        ("# gauge_mm = 6,0\n" + ROWS, "line 1: 'gauge_mm = 6,0' begins like metadata"),
        ("# sensor.core.depth_mm = 3,0\n" + ROWS, "'sensor.core.depth_mm = 3,0' begins like"),
        ("# [sensor.core\n" + ROWS, "line 1: '[sensor.core' begins like metadata"),
        ("# a\n# set_c = 185\n# set_c = 186\n" + ROWS, "at line 3, column 14"),
        ("# [sensor.core]\n# set_c = 185\n" + ROWS, "line 2: set_c stands below [sensor.core]"),
        ("# gauge_mm = 12000\n" + ROWS, "gauge_mm = 12000: expected a number at least 0.1 and at most 50 mm"),
        ("# gauge_mm = -6\n" + ROWS, "gauge_mm = -6: expected"),
        ("# gauge_mm = nan\n" + ROWS, "gauge_mm = nan: expected"),
        ('# gauge_mm = "6"\n' + ROWS, "gauge_mm = '6': expected a number"),
        ("# set_c = 458\n" + ROWS, "set_c = 458: expected"),
        ("# start_c = 295\n" + ROWS, "start_c = 295: expected"),
        ('# support = "tary"\n' + ROWS, "support = 'tary': expected one of frame, tray (did you mean tray?)"),
        ('# colour = "red"\n' + ROWS, "colour = 'red': expected one of natural, pigmented, pattern"),
        ("# polymer = 6\n" + ROWS, "polymer = 6: expected a text"),
        ("# opening_mm = [300]\n" + ROWS, "opening_mm = [300]: expected a list of 2"),
        ("# sensor = 3\n" + ROWS, "sensor = 3: expected a table"),
        ("# [sensor.core]\n# lag_s = -1\n" + ROWS, "sensor.core.lag_s = -1: expected a number at least 0"),
        ("# gauge_mm = 2\n# [sensor.core]\n# depth_mm = 3\n" + ROWS, "sensor core sits 3 mm below"),
    ],
)  # fmt: skip
def test_refused_in_one_sentence_with_file_and_place(path: Path, content: str | bytes, says: str) -> None:
    with pytest.raises(InputError, match=re.escape(says)) as caught:
        read(path, content)
    assert str(caught.value).startswith(f"{path}: ")
    assert "\n" not in str(caught.value)


def test_places_that_hold_no_heat_file(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="this is a folder"):
        read_heat(tmp_path)
    with pytest.raises(InputError, match="there is no such file"):
        read_heat(tmp_path / "none.csv")
    with pytest.raises(InputError, match="cannot be read"):
        read_heat("zero\0byte.csv")


def test_writing_never_replaces_a_file(path: Path) -> None:
    heat = read(path, example())
    with pytest.raises(InputError, match="there is a file already, and nothing is written over"):
        write_heat(heat, path)
    assert path.read_bytes() == example().encode("utf-8")
    with pytest.raises(InputError, match="cannot be written"):
        write_heat(heat, path.parent / "no" / "heat.csv")


@pytest.mark.parametrize(
    ("changes", "says"),
    [
        ({"remarks": ("gauge_mm = 5",)}, "would be read back as metadata"),
        ({"remarks": ("oven = north",)}, "would be read back as metadata"),
        ({"remarks": ("two\nlines",)}, "expected one line"),
        ({"text_columns": {"who": ("a\rb",)}}, "which a heat file cannot"),
        ({"text_columns": {"who": ("\ud800",)}}, "is no character"),
        ({"extra": {"gauge_mm": 5.0}}, "extra metadata gauge_mm"),
        ({"extra": {"sensor": {"core_9": {"wire": 1}}}}, "extra metadata sensor.core_9"),
        ({"extra": {"thing": {1, 2}}}, "expected text, number"),
    ],
)
def test_nothing_is_written_that_would_read_back_otherwise(path: Path, changes: dict[str, Any], says: str) -> None:
    with pytest.raises(InputError, match=re.escape(says)):
        write_heat(Heat(time_s=np.zeros(1), **changes), path)
    assert not path.exists()


def test_an_event_between_samples_gets_a_row_of_its_own(path: Path) -> None:
    heat = Heat(time_s=np.array([0.0, 1.0]), columns={"core_c": np.array([22.0, 23.0])},
                events=(Event(0.5, "pulled"), Event(1.0, "on_mold"), Event(1.0, "vacuum_on")))  # fmt: skip
    write_heat(heat, path)
    again = read_heat(path)
    assert again.events == heat.events
    np.testing.assert_array_equal(again.columns["core_c"], [22.0, NAN, 23.0])


_WORDS = st.text(st.characters(exclude_categories=("Cs", "Cc")), max_size=8)
_NAMES = st.sampled_from(["core_c", "core_1_c", "air_upper_c", "drop_mm", "fan_rpm", "x,y", 'q"', "\u00e9", "#n"])
_PLAIN = st.one_of(
    st.booleans(),
    st.integers(),
    st.floats(),
    _WORDS,
    st.text(max_size=8).filter(lambda s: s.isprintable()),
    st.dates(),
)
_VALUES = st.recursive(
    _PLAIN,
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(_WORDS, inner, max_size=3),
    max_leaves=5,
)


@st.composite
def heats(draw: st.DrawFn) -> Heat:
    times = sorted(draw(st.sets(st.floats(-1000.0, 5000.0), min_size=1, max_size=6)))
    cells = st.lists(st.one_of(st.just(NAN), st.floats(-40.0, 150.0)), min_size=len(times), max_size=len(times)).map(
        np.array
    )
    names = st.one_of(st.sampled_from(EVENTS), st.just("fan stopped"))
    events = draw(st.lists(st.tuples(st.sampled_from(times), names), max_size=4))
    mm = st.integers(1, 5000).map(lambda tenths: float(f"{tenths / 1e5:.5f}"))  # whole hundredths of mm, in m
    return Heat(
        time_s=np.array(times),
        columns=draw(st.dictionaries(_NAMES, cells, max_size=4)),
        text_columns={"who": tuple(draw(_WORDS) + "!" for _ in times)},
        events=tuple(Event(t, name) for t, name in sorted(events, key=lambda pair: pair[0])),
        polymer=draw(st.none() | st.just("pp")),
        gauge_m=draw(st.none() | mm.filter(lambda value: 1e-4 <= value <= 0.05)),
        opening_m=draw(st.none() | st.just((0.3,)) | st.just((0.3, 0.2005))),
        start_c=draw(st.none() | st.floats(-40.0, 150.0)),
        sensors={"fan": Sensor(x_m=draw(st.none() | mm), lag_s=draw(st.none() | st.floats(0.0, 600.0)))},
        extra=draw(st.dictionaries(_WORDS.filter(lambda word: word not in (SENSOR, *TOP_KEYS)), _VALUES, max_size=3)),
        remarks=tuple(draw(st.lists(_WORDS.map(lambda word: f"- {word}"), max_size=3))),
    )


@given(heats())
def test_what_is_written_reads_back_equal(tmp_path_factory: pytest.TempPathFactory, heat: Heat) -> None:
    path = tmp_path_factory.mktemp("heats") / "heat.csv"
    write_heat(heat, path)
    assert read_heat(path) == heat


@given(st.floats(0.1, 50.0))
def test_any_gauge_in_a_file_is_copied_exactly(tmp_path_factory: pytest.TempPathFactory, gauge_mm: float) -> None:
    folder = tmp_path_factory.mktemp("gauges")
    heat = read(folder / "a.csv", f"# gauge_mm = {gauge_mm!r}\n{ROWS}")
    assert heat.gauge_m is not None
    assert math.isclose(heat.gauge_m * 1000, gauge_mm, rel_tol=1e-15)
    write_heat(heat, folder / "b.csv")
    assert read_heat(folder / "b.csv") == heat


_TEXTS = st.text(max_size=60).map(lambda text: f"{text}\n{ROWS}".encode("utf-8", "ignore"))


_CELLS = st.lists(st.text(max_size=5), min_size=2, max_size=2).map(
    lambda cells: "time_s,x,event\n" + "".join(f"{row},{cell},\n" for row, cell in enumerate(cells))
)


@given(st.binary(max_size=60) | _TEXTS | _TEXTS.map(lambda data: b"# " + data) | _CELLS.map(str.encode))
def test_any_bytes_are_one_sentence_or_a_heat_that_can_be_copied(
    tmp_path_factory: pytest.TempPathFactory, content: bytes
) -> None:
    path = tmp_path_factory.mktemp("bytes") / "heat.csv"
    path.write_bytes(content)
    try:
        result: Heat | str = read_heat(path)
    except InputError as error:
        result = str(error)
    if isinstance(result, str):
        assert result.startswith(f"{path}: ")
    else:
        write_heat(result, path.with_name("copy.csv"))
        assert read_heat(path.with_name("copy.csv")) == result


def test_a_long_heat_is_read_in_a_moment(path: Path) -> None:
    # For three hours at ten samples a second, eight sensors, 1 s is the promise and 3 s the limit when busy: a third of
    # them here, and of a slow computer's processor time.
    rows = 33_000
    columns = {f"core_{k}_c": np.linspace(20.0, 180.0 + k, rows) for k in range(8)}
    heat = Heat(time_s=np.arange(rows) / 10.0, columns=columns)
    write_heat(heat, path)
    start = time.process_time()
    again = read_heat(path)
    spent_s = time.process_time() - start
    assert again == heat
    assert spent_s < 3.0
