"""The maps in docs/modules.md are read as they stand, and its tables name every key."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path
from typing import Any

import pytest

from logger.clock import ManualClock
from logger.modbus_map import Block, Rtu, placed, read_modbus_map
from logger.modbus_source import ModbusSource
from logger.reading import FaultKind, Frame, LinkState, State, Value
from logger.scpi_answers import values_in
from logger.scpi_map import read_scpi_map
from modbus_modules import module

TEXT = (Path(__file__).parent.parent / "docs" / "modules.md").read_text("utf-8")
TCP, RTU, SCPI = (tomllib.loads(block) for block in re.findall(r"```toml\n(.*?)```", TEXT, re.DOTALL))


def test_the_module_of_the_document_is_read() -> None:
    found = read_modbus_map(TCP, "modules.md")
    assert found.blocks == (Block("input", 0, 4, (0, 2, 1)),)
    with module() as device:
        device.put("input", 0, [2315, 2345, 0x4000, 0x44D6])  # 1714.0 µV, low word first
        one = ModbusSource(placed(found, f"tcp://127.0.0.1:{device.port}"), ManualClock())
        frames: list[Any] = []
        for _ in range(1200):
            frames += [arrival.what for arrival in one.poll(0.05) if isinstance(arrival.what, Frame)]
            if len(frames) == 1:
                device.put("input", 0, [0x7FFF])
            if len(frames) == 2:
                break
        one.close()
    air, sheet, terminals = frames[0].values
    assert (air.value, terminals.value) == (pytest.approx(231.5), pytest.approx(23.45))
    assert sheet == Value("sheet_1", "uV", 1714.0, State.OK, terminals.value)
    assert frames[1].values[0] == Value("air_1", "C", None, State.OPEN)


def test_the_serial_module_of_the_document_is_read() -> None:
    assert read_modbus_map(RTU, "modules.md").transport == Rtu("COM5", 9600, "even", 1)


def test_the_instrument_of_the_document_is_read() -> None:
    found = read_scpi_map(SCPI, "modules.md")
    air = Value("air_1", "C", 23.1), Value("air_2", "C", None, State.OPEN)
    assert values_in("+2.31000000E+01,+9.90000000E+37", found) == air


def test_every_key_is_in_the_tables() -> None:
    cells = " ".join(re.findall(r"^\| (`.*?) \|", TEXT, re.MULTILINE))
    named = set(re.findall(r"`(\w+)`", cells))
    files = ("modbus_map.py", "scpi_map.py", "channel_map.py")
    code = "".join((Path(__file__).parent.parent / "logger" / name).read_text("utf-8") for name in files)
    keys = set(re.findall(r"(?:fields|module|one)\.(?:text|number|numbers|raw)\(\"(\w+)\"", code))
    keys |= set(re.findall(r"_(?:whole|query|commands)\((?:fields|module|one), \"(\w+)\"", code))
    assert {"address", "baud", "setup", "measure", "largest_gap", "cold_junction"} <= keys
    assert keys <= named
    assert named <= keys


@pytest.mark.parametrize(
    "shown",
    [State.OPEN, State.OUT_OF_RANGE, State.MISSING, FaultKind.SILENT, FaultKind.LATE, FaultKind.REFUSED,
     FaultKind.FOREIGN, FaultKind.CHECKSUM, FaultKind.SHORT_LINE, LinkState.LOST],
)  # fmt: skip
def test_what_a_screen_shows_is_explained(shown: str) -> None:
    rows = re.findall(r"^\| ([^|`]+) \|", TEXT, re.MULTILINE)
    assert any(shown in row.split(", ") for row in rows)
