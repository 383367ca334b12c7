"""Heat files and stored heats, both ways: nothing is lost, altered or run as a formula."""

from __future__ import annotations

import csv
import hashlib
import io
import json
import math
import struct
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from dashboard.shop import DEMO_FOLDER
from logger.cells import STARTS, guarded, unguarded
from logger.heat_export import (
    IMPORTED,
    StoredHeat,
    event_name,
    file_name,
    for_spreadsheet,
    heat_of,
    imported,
    merged,
    ms_of,
    utc_of,
)
from logger.heatfile import heat_as_bytes, heat_from_bytes
from logger.records import NOT_SAMPLED, Attachment, Block, Correction, HeatForm, HeatRecord, Mark, Run
from thermal.fields import InputError
from thermal.heat import Event, Heat

NOW = datetime(2026, 3, 4, 5, 6, 7, tzinfo=UTC)
ODD = """\
# Film off on both sides; "quoted", with a comma.
# polymer = "pp-homopolymer"
# gauge_mm = 4.7625
# opening_mm = "300x200"
# label = "lot 0417"
# tray_no = 7
# when = 2026-01-02
# start_utc = 2026-01-02T08:00:00.250Z
# [sensor.core_1]
# depth_mm = 2.1
# glue = "silver"
time_s,air_upper_c,core_1_c,fan_rpm,lot,event
-20.1234567,185.0,,1400,0417,
0.1,146.00000000000003,22.1,,0418,door_closed
0.30000000000000004,147.5,-0.0,1395,'=x,odd thing;line_1
1.9999999999,1e-300,22.2,1402,=1+1,
"""


def bits(heat: Heat) -> dict[str, list[int]]:
    columns = {"time_s": heat.time_s, **heat.columns}
    return {
        name: [struct.unpack("<q", struct.pack("<d", math.nan if math.isnan(v) else v))[0] for v in column.tolist()]
        for name, column in columns.items()
    }


def stored(content: bytes, name: str = "odd.csv") -> StoredHeat:
    one = imported(content, name, NOW, "pullcue 1")
    return StoredHeat(one.record, one.blocks, one.marks, (), one.file, one.run)


def block(second: int, offsets: list[int], values: dict[str, list[float]], utc_ms: int = 0) -> Block:
    table = np.array(list(values.values()), dtype=np.float64).T.reshape(len(offsets), len(values))
    states = np.zeros(table.shape, np.uint8)
    return Block("b", "r", second, utc_ms, tuple(values), np.array(offsets, np.int32), table, states)


# ---------------------------------------------------------------- files in


@pytest.mark.parametrize("content", [ODD.encode(), *(p.read_bytes() for p in sorted(DEMO_FOLDER.glob("heats/*.csv")))])
def test_a_file_is_given_back_to_the_bit(content: bytes) -> None:
    before, after = heat_from_bytes(content, "a"), heat_of(stored(content))
    assert after == before
    assert bits(after) == bits(before)
    assert stored(content).file is not None
    assert stored(content).file.content == content  # type: ignore[union-attr]  # asserted above
    assert heat_from_bytes(heat_as_bytes(after, "b"), "b") == before


def test_blocks_hold_the_same_numbers() -> None:
    heat = heat_from_bytes(ODD.encode(), "a")
    columns, at_ms, values = merged(stored(ODD.encode()).blocks)
    assert columns == ("air_upper_c", "core_1_c", "fan_rpm")
    # The file begins 20.12 s before the sheet, so the run begins 21 s before it.
    assert (at_ms - 21_000).tolist() == [-20124, 100, 300, 1999]
    for index, name in enumerate(columns):
        assert np.array_equal(values[:, index], heat.columns[name], equal_nan=True)


def test_an_import_says_so() -> None:
    one = imported(ODD.encode(), "odd.csv", NOW, "pullcue 1")
    sha256 = hashlib.sha256(ODD.encode()).hexdigest()
    assert one.run.bench == one.record.bench == IMPORTED
    assert "import" in one.run.software
    mark = one.marks[0]
    assert (mark.name, mark.at_s, mark.source) == ("imported", 21.0, "machine")
    assert mark.note == f"odd.csv, SHA-256 {sha256}"
    assert one.record.start_utc_ms == ms_of(datetime(2026, 1, 2, 8, 0, 0, 250_000, tzinfo=UTC))
    assert one.record.form.sheet_label == "lot 0417"
    assert (one.record.form.gauge_mm, one.record.form.opening_mm) == (4.7625, (300.0, 200.0))
    assert [mark.name for mark in one.marks[1:]] == ["door_closed", "odd thing", "line_1"]
    undated = imported(b"time_s,core_c\n0,20\n", "a.csv", NOW, "pullcue 1")
    assert utc_of(undated.record.start_utc_ms) == NOW
    assert "states no date" in undated.marks[0].note
    for stated, at, said in (
        ("2026-01-02T08:00:00Z", datetime(2026, 1, 2, 8, tzinfo=UTC), ""),
        ("May", NOW, "no time"),
    ):
        quoted = imported(f'# start_utc = "{stated}"\ntime_s,core_c\n0,20\n'.encode(), "a.csv", NOW, "pullcue 1")
        assert utc_of(quoted.record.start_utc_ms) == at
        assert said in quoted.marks[0].note


def test_the_same_content_is_the_same_heat() -> None:
    ids = {imported(ODD.encode(), name, NOW, "x").record.id for name in ("a.csv", "b.csv")}
    assert len(ids) == 1
    assert imported(ODD.encode() + b"3,1,1,1,0,\n", "a.csv", NOW, "x").record.id not in ids


def test_what_is_no_heat_file_is_refused() -> None:
    with pytest.raises(InputError, match=r"photo\.csv: there are zero bytes"):
        imported(b"\x89PNG\0\0", "photo.csv", NOW, "x")


def test_corrections_of_an_import_show() -> None:
    one = stored(ODD.encode())
    entry = Correction("c", one.record.id, 5, "AB", "read the label again", "gauge_mm", "4.7625", "6.35")
    other = Correction("d", one.record.id, 6, "AB", "slip", "sheet_label", '"lot 0417"', '"lot 0471"')
    heat = heat_of(replace(one, corrections=(entry, other)))
    assert heat.gauge_m == 0.00635
    assert heat.extra["label"] == "lot 0471"
    assert [c["why"] for c in heat.extra["corrections"]] == ["read the label again", "slip"]
    assert heat.extra["tray_no"] == 7
    assert heat.sensors == heat_from_bytes(ODD.encode(), "a").sensors
    assert bits(heat) == bits(heat_from_bytes(ODD.encode(), "a"))
    assert heat_from_bytes(heat_as_bytes(heat, "b"), "b") == heat


# ---------------------------------------------------------------- recorded heats out

FORM = HeatForm(
    polymer="pp-homopolymer", gauge_mm=6.0, oven="north", support="frame", opening_mm=(300.0,), set_c=185.0,
    start_c=22.0, sheet_label="lot 4, =HYPERLINK(1)", job_number="=1+1", initials="AB", colour="natural",
    checks={"film_off": True}, notes="two\nlines",
)  # fmt: skip


def recorded(**changes: object) -> StoredHeat:
    record = HeatRecord(7, "h", "b", "r", 10.5, ms_of(NOW), 13.0, "finished", "good", None, FORM, "ff", None)
    blocks = (
        block(9, [0, 500], {"air_upper": [180.0, 181.0]}),
        block(10, [0, 500], {"air_upper": [182.0, 183.0]}),
        block(12, [250, 999], {"air_upper": [math.nan, 185.0], "core_1": [22.0, 22.5]}),
        block(14, [0], {"air_upper": [0.0]}),
    )
    marks = (
        Mark("1", "b", "r", 10.5, 0, "start", "AB"),
        Mark("2", "b", "r", 12.0, 0, "line 1"),
        Mark("3", "b", "r", 12.5, 0, "pulled"),
        Mark("4", "b", "r", 12.6, 0, "undo", undoes="3"),
        Mark("5", "b", "r", 13.0, 0, "pulled", note="=2+2"),
        Mark("6", "b", "r", 12.7, 0, "clock stepped", note="by 3600 s", source="machine"),
    )
    whole = StoredHeat(record, blocks, marks, (), None, Run("r", "b", 0, "UTC", "pullcue 1"))
    return replace(whole, **changes)  # type: ignore[arg-type]  # names of its fields


def test_a_recorded_heat_as_a_heat() -> None:
    heat = heat_of(recorded())
    assert heat.time_s.tolist() == [-1.5, -1.0, -0.5, 0.0, 1.75, 2.499]
    assert np.array_equal(heat.columns["air_upper_c"], [180, 181, 182, 183, math.nan, 185], equal_nan=True)
    assert np.array_equal(heat.columns["core_1_c"], [*[math.nan] * 4, 22.0, 22.5], equal_nan=True)
    assert heat.events == (Event(1.5, "line_1"), Event(2.5, "pulled"))
    assert (heat.polymer, heat.gauge_m, heat.opening_m, heat.simulated) == ("pp-homopolymer", 0.006, (0.3,), False)
    assert (heat.extra["job_number"], heat.extra["start_utc"], heat.extra["heat"]) == ("=1+1", NOW, 7)
    assert [m["name"] for m in heat.extra["marks"]] == ["start", "pulled", "clock stepped"]
    content = heat_as_bytes(heat, "a")
    again = heat_from_bytes(content, "a")
    # The two events between samples have rows of their own in the file; all else is the same.
    assert again.time_s.tolist() == [-1.5, -1.0, -0.5, 0.0, 1.5, 1.75, 2.499, 2.5]
    assert replace(again, time_s=heat.time_s, columns=heat.columns) == heat
    assert heat_of(stored(content)) == again


def test_a_computed_heat_says_so() -> None:
    run = Run("r", "b", 0, "UTC", "pullcue 1, simulated")
    assert heat_of(recorded(run=run)).simulated


def test_corrections_of_a_recorded_heat_show() -> None:
    entry = Correction("c", "h", 5, "AB", "the sheet was 4 mm", "gauge_mm", "6.0", "4.0")
    heat = heat_of(recorded(corrections=(entry,)))
    assert heat.gauge_m == 0.004
    assert heat.extra["corrections"][0]["old"] == "6.0"


def test_a_heat_without_samples_says_so() -> None:
    with pytest.raises(InputError, match="heat 7: nothing was measured during it"):
        heat_of(recorded(blocks=()))


def test_no_sample_is_lost_where_several_fall_on_one_millisecond() -> None:
    """One source sent three frames in a read, another one at the same moment."""
    both = block(1, [0, 0, 0, 0], {"air_upper": [1.0, 2.0, 3.0, math.nan], "core": [math.nan] * 3 + [9.0]})
    both.states[:3, 1] = NOT_SAMPLED
    both.states[3, 0] = NOT_SAMPLED
    columns, at_ms, values = merged((both,))
    assert columns == ("air_upper_c", "core_c")
    assert at_ms.tolist() == [1000, 1001, 1002]
    assert values[:, 0].tolist() == [1.0, 2.0, 3.0]
    assert values[0, 1] == 9.0


def test_event_names() -> None:
    assert [event_name(name) for name in ("on mold", "door_open", "odd; thing\nhere", " ")] == [
        "on_mold", "door_open", "odd thing here", "mark"]  # fmt: skip


# ---------------------------------------------------------------- spreadsheets


@given(st.text(alphabet="'=+-@\t\ra1 ", max_size=6))
def test_apostrophes_come_off_exactly(text: str) -> None:
    assert unguarded(guarded(text)) == text
    assert not guarded(text).startswith(STARTS)


def test_texts_that_a_spreadsheet_would_run_get_an_apostrophe_and_lose_it_again() -> None:
    heat = replace(heat_from_bytes(ODD.encode(), "a"), events=(Event(0.1, "=cmd"), Event(0.1, "-x")))
    content = heat_as_bytes(for_spreadsheet(heat), "a")
    assert heat_of(stored(content)) == imported(content, "a", NOW, "x").heat == heat
    rows = list(csv.reader(io.StringIO(content.decode())))
    header = next(i for i, row in enumerate(rows) if row[0] == "time_s")
    numbers = [cell for row in rows[header + 1 :] for cell in row[:4]]
    assert [c for c in numbers if c.startswith("-")] == ["-20.1234567", "-0.0"]  # a number stays one
    for row in [*rows[:header], *(row[4:] for row in rows[header + 1 :])]:
        assert not [cell for cell in row if cell.startswith(STARTS)], row


def test_metadata_cannot_be_run_either() -> None:
    """A spreadsheet cuts a '#' line at its commas: what follows must not begin like a formula."""
    heat = heat_of(recorded())
    content = heat_as_bytes(heat, "a").decode()
    for row in csv.reader(io.StringIO(content[: content.index("time_s,")])):
        assert not [cell for cell in row if cell.strip().startswith(("=", "+", "@"))], row
    assert heat_from_bytes(content.encode(), "a").extra["label"] == "lot 4, =HYPERLINK(1)"


def test_nothing_to_guard_changes_nothing() -> None:
    heat = heat_from_bytes(b"time_s,core_c,event\n0,20,pulled\n", "a")
    assert for_spreadsheet(heat) is heat


@pytest.mark.parametrize("oven", ["../../etc/passwd", "C:\\temp\\x", "a/b\0c", "north", "x" * 500, "..", "=cmd"])
def test_names_of_files_lead_nowhere(oven: str) -> None:
    name = file_name(HeatRecord(3, "h", "b", "r", 0.0, 0, form=HeatForm(oven=oven, polymer="pp", gauge_mm=6.0)))
    assert Path(name).name == name
    assert name.startswith("heat-0003")
    assert set(name) <= set("abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789-_.")
    assert len(name) < 140
    assert ".." not in name


def test_a_file_of_another_name_only_keeps_its_last_part() -> None:
    one = imported(ODD.encode(), "/etc/odd.csv", NOW, "x")
    assert isinstance(one.file, Attachment)
    assert one.file.name == "odd.csv"
    assert json.dumps(one.record.form.as_table())
