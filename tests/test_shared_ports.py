"""Two sources on one port are refused before anything is opened."""

from __future__ import annotations

from pathlib import Path

import pytest

from dashboard.benches import open_bench, read_bench
from dashboard.shared_ports import is_same, port_of_resource
from dashboard.shop import DEMO_FOLDER, open_shop
from logger.clock import ManualClock
from thermal.fields import InputError

TOP = 'id = "trial"\noven = "north"\n'
MODBUS = """[module]
id = "m"
transport = "rtu"
serial_port = "{port}"
device_id = 1
[[channel]]
name = "a"
unit = "C"
table = "input"
address = 0
type = "int16"
scale = 0.1
"""
SCPI = """[instrument]
resource = "{resource}"
measure = "READ?"
[[channel]]
name = "t1"
unit = "C"
"""


def refused(folder: Path, bench: str, **files: str) -> str:
    for name, text in files.items():
        (folder / f"{name}.toml").write_text(text, "utf-8")
    path = folder / "bench.toml"
    path.write_text(TOP + bench, "utf-8")
    with pytest.raises(InputError) as said:
        open_bench(read_bench(path), folder, open_shop(DEMO_FOLDER), ManualClock())
    return str(said.value)


def source(id: str, kind: str, **texts: str) -> str:
    entries = {"id": id, "kind": kind, **texts}
    return "\n".join(["[[source]]", *(f'{key} = "{value}"' for key, value in entries.items()), ""])


def test_a_board_on_a_modules_port(tmp_path: Path) -> None:
    bench = source("board", "board", url="COM3") + source("m1", "modbus", map="m.toml")
    said = refused(tmp_path, bench, m=MODBUS.format(port="com3"))
    assert said.startswith("bench trial: sources board and m1 (board, modbus) are on the same port, com3: ")
    assert said.endswith("give each a port of its own and correct the bench file")


def test_an_instrument_on_a_modules_port_under_another_name(tmp_path: Path) -> None:
    (tmp_path / "device").touch()
    (tmp_path / "by-id").symlink_to(tmp_path / "device")
    bench = source("m1", "modbus", map="m.toml") + source("meter", "scpi", map="s.toml")
    said = refused(
        tmp_path, bench, m=MODBUS.format(port=tmp_path / "by-id"),
        s=SCPI.format(resource=f"ASRL{tmp_path / 'device'}::INSTR"),
    )  # fmt: skip
    assert "sources m1 and meter (modbus, scpi) are on the same port" in said


def test_two_boards_and_a_board_with_an_instrument(tmp_path: Path) -> None:
    two = source("b1", "board", url="/dev/ttyUSB9") + source("b2", "board", url="/dev/ttyUSB9")
    assert "sources b1 and b2 (board, board) are on the same port, /dev/ttyUSB9" in refused(tmp_path, two)
    bench = source("b1", "board", url="COM7") + source("meter", "scpi", map="s.toml", resource="ASRL7::INSTR")
    assert "(board, scpi)" in refused(tmp_path, bench, s=SCPI.format(resource="ASRL1::INSTR"))


def test_ports_of_their_own_are_let_through(tmp_path: Path) -> None:
    path = tmp_path / "bench.toml"
    path.write_text(TOP + source("b1", "board", url="loop://") + source("b2", "board", url="loop://"), "utf-8")
    open_bench(read_bench(path), tmp_path, open_shop(DEMO_FOLDER), ManualClock()).close()


@pytest.mark.parametrize(
    ("resource", "port"),
    [
        ("ASRL3::INSTR", "COM3"),
        ("asrl/dev/ttyUSB0::instr", "/dev/ttyUSB0"),
        ("ASRLCOM4::INSTR", "COM4"),
        ("TCPIP::192.0.2.20::5025::SOCKET", None),
    ],
)
def test_the_port_of_a_resource(resource: str, port: str | None) -> None:
    assert port_of_resource(resource) == port


def test_names_of_ports() -> None:
    assert is_same("COM3", "com3")
    assert not is_same("COM3", "COM30")
