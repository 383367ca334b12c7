"""Modbus modules as sources of a bench: two on one serial line, and a port that another program holds."""

from __future__ import annotations

import os
import sys
from pathlib import Path

import pytest

from dashboard.bench_check import findings, watch
from dashboard.benches import open_bench, read_bench
from dashboard.shop import open_shop
from logger.clock import ManualClock
from modbus_modules import serial_pair
from thermal.fields import InputError

RTU = """
[module]
transport = "rtu"
serial_port = "{port}"
parity = "none"
device_id = {number}
[[channel]]
name = "a"
table = "input"
address = 0
type = "int16"
unit = "C"
"""
needs_pty = pytest.mark.skipif(sys.platform == "win32", reason="Windows has no pseudo-terminals")


def bench_of(folder: Path, *ports: str, urls: tuple[str, ...] = ()) -> Path:
    """A bench of one RTU module on each port; `urls` are what the bench file says in place of the map."""
    text = 'id = "trial"\noven = "north"\n'
    for number, port in enumerate(ports, 1):
        (folder / f"m{number}.toml").write_text(RTU.format(port=port, number=number), encoding="utf-8")
        text += f'[[source]]\nid = "m{number}"\nkind = "modbus"\nmap = "m{number}.toml"\n'
        text += f'url = "{urls[number - 1]}"\n' if urls else ""
    path = folder / "trial.toml"
    path.write_text(text + '[role]\nair_upper = "m1/a"\n', encoding="utf-8")
    return path


def opened(path: Path) -> None:
    open_bench(read_bench(path), path.parent, open_shop(None), ManualClock()).close()


@pytest.mark.parametrize(
    ("ports", "urls"),
    [
        (("COM5", "com5"), ()),
        (("socket://192.0.2.1:4001", "socket://192.0.2.1:4001"), ()),
        (("COM1", "COM2"), ("COM5", "COM5")),
        (("COM1", "COM2", "COM1"), ()),
    ],
)
def test_two_modules_on_one_serial_line_are_refused(
    tmp_path: Path, ports: tuple[str, ...], urls: tuple[str, ...]
) -> None:
    second = f"m{len(ports)}"
    with pytest.raises(InputError, match=f"bench trial: sources m1 and {second} are on the same serial line, ") as said:
        opened(bench_of(tmp_path, *ports, urls=urls))
    assert "give each a port of its own, or reach both through a Modbus TCP gateway" in str(said.value)


@pytest.mark.skipif(sys.platform == "win32", reason="links to ports are a matter of /dev")
def test_a_port_by_its_other_name_is_the_same(tmp_path: Path) -> None:
    by_id = tmp_path / "by-id"
    by_id.symlink_to("/dev/null")
    with pytest.raises(InputError, match="m1 and m2 are on the same serial line"):
        opened(bench_of(tmp_path, "/dev/null", str(by_id)))


@pytest.mark.parametrize("urls", [(), ("tcp://127.0.0.1:1", "tcp://127.0.0.1:1")])
def test_modules_on_ports_of_their_own_or_behind_one_gateway_are_not(tmp_path: Path, urls: tuple[str, ...]) -> None:
    opened(bench_of(tmp_path, "/dev/no-such-port-1", "/dev/no-such-port-2", urls=urls))


@needs_pty
@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="only Linux tells who holds a port")
def test_check_names_who_holds_the_port_that_the_map_names(tmp_path: Path) -> None:
    import serial

    clock = ManualClock()
    with serial_pair() as (near, _), serial.Serial(near, exclusive=True):
        path = bench_of(tmp_path, near)
        bench = open_bench(read_bench(path), tmp_path, open_shop(None), clock)
        try:
            found = {one.about: one for one in findings(bench.reader, watch(bench.reader, clock, 3.0))}
        finally:
            bench.close()
    said = found["source m1"]
    assert f"{near} is in use by another program" in said.found
    assert f"(process {os.getpid()})" in said.do
