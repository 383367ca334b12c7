"""The bench file: what is valid, and one sentence for each thing that is not."""

from __future__ import annotations

import tomllib
from typing import Any

import pytest

from logger.bench import Bench, bench_from_mapping, column_of, unknown_channels
from thermal.fields import InputError

TOP = 'id = "north-bench"\noven = "north"\n'
BOARD = '[[source]]\nid = "board"\nkind = "board"\nurl = "COM3"\nchannels = ["tc_1", "tc_2", "drop"]\n'


def bench(text: str) -> Bench:
    return bench_from_mapping(tomllib.loads(text), "bench.toml")


def test_full_bench() -> None:
    found = bench(
        TOP + BOARD + '[[source]]\nid = "module"\nkind = "modbus"\nmap = "module.toml"\nurl = "tcp://192.0.2.7:502"\n'
        '[role]\nair_upper = "board/tc_1"\ndrop = "board/drop"\n'
        'core_1 = { channel = "board/tc_2", thermocouple = "K", serial = "T-17", lag_s = 1.5, depth_mm = 3.0 }\n'
        'grid_01 = { channel = "module/t1", x_mm = 100.0, y_mm = -50.0, z_mm = 0.0 }\n'
        "[lines]\nline_1_mm = 25.0\nline_2_mm = 50.0\n"
    )
    assert [(role.name, role.wire, role.column, role.unit) for role in found.roles] == [
        ("air_upper", "board/tc_1", "air_upper_c", "C"),
        ("drop", "board/drop", "drop_mm", "mm"),
        ("core_1", "board/tc_2", "core_1_c", "C"),
        ("grid_01", "module/t1", "grid_01_c", "C"),
    ]
    core, grid = found.roles[2], found.roles[3]
    assert (core.thermocouple, core.serial, core.sensor.lag_s, core.sensor.depth_m) == ("K", "T-17", 1.5, 0.003)
    assert (grid.sensor.x_m, grid.sensor.y_m, grid.sensor.z_m) == (0.1, -0.05, 0.0)
    assert found.lines_mm == {"line_1": 25.0, "line_2": 50.0}
    assert found.notes == ()


def test_one_air_thermocouple_is_a_bench() -> None:
    found = bench(TOP + BOARD + '[role]\nair_upper = "board/tc_1"\n')
    assert [role.name for role in found.roles] == ["air_upper"]
    assert "rests on the air" in found.notes[0]


def test_no_sensor_is_a_bench_and_says_so() -> None:
    found = bench(TOP)
    assert (found.sources, found.roles) == ((), ())
    assert "only the clock and your marks" in found.notes[0]


def test_roles_are_those_of_heat_files() -> None:
    assert [column_of(name) for name in ("wall", "vacuum", "face_lower_2", "grid_12")] == [
        "wall_c", "vacuum_kpa", "face_lower_2_c", "grid_12_c",
    ]  # fmt: skip
    assert [column_of(name) for name in ("air", "core_a", "core_1_2", "air_upper_c", "")] == [None] * 5


ROLE = TOP + BOARD + "[role]\n"
ADDRESS = TOP + '[[source]]\nid = "a"\nkind = "board"\nurl = "{}"\n'
REFUSED = {
    "unknown role": (ROLE + 'air_uper = "board/tc_1"', "role.air_uper is not a known role (did you mean air_upper"),
    "unknown channel": (ROLE + 'air_upper = "board/tc_3"', "a channel of board (did you mean tc_"),
    "unknown source": (ROLE + 'air_upper = "bord/tc_1"', "(did you mean board?)"),
    "no slash": (ROLE + 'air_upper = "tc_1"', "expected source/channel, as board/tc_1"),
    "channel twice": (
        ROLE + 'air_upper = "board/tc_1"\nwall = "board/tc_1"',
        "already the channel of role air_upper: expected each channel once (did you mean tc_2",
    ),
    "role twice": (ROLE + 'core_1 = "board/tc_1"\ncore_01 = "board/tc_2"', "is the role core_1 once more"),
    "source twice": (TOP + BOARD + BOARD, "two sources are called 'board'"),
    "unknown kind": (TOP + '[[source]]\nid = "a"\nkind = "bord"\n', "did you mean board"),
    "no url": (TOP + '[[source]]\nid = "a"\nkind = "board"\n', "source.url is missing"),
    "no port": (ADDRESS.format("socket://192.0.2.1"), "url = 'socket://192.0.2.1': expected socket://HOST:PORT"),
    "no host": (ADDRESS.format("socket://:4001"), "expected socket://HOST:PORT"),
    "port of nothing": (ADDRESS.format("socket://192.0.2.1:0"), "with a port from 1 to 65535"),
    "port too high": (ADDRESS.format("rfc2217://a:65536"), "expected rfc2217://HOST:PORT"),
    "port in words": (ADDRESS.format("SOCKET://a:four"), "expected SOCKET://HOST:PORT"),
    "unknown scheme": (ADDRESS.format("sockt://a:1"), "url = 'sockt://a:1': expected a port's name or one of socket:"),
    "near scheme": (ADDRESS.format("sockt://a:1"), "(did you mean socket?)"),
    "key of another kind": (
        TOP + '[[source]]\nid = "a"\nkind = "practice"\nbaud = 9600\n',
        "source.baud = 9600 is not",
    ),
    "baud": (TOP + BOARD.replace("channels", "baud = 9600.5\nchannels"), "baud = 9600.5: expected a whole number"),
    "baud of nothing": (
        TOP + BOARD.replace("channels", "baud = 0\nchannels"),
        "baud = 0: expected a number at least 300",
    ),
    "channels": (TOP + BOARD.replace('"tc_2"', "2"), "expected a list of names"),
    "channels twice": (TOP + BOARD.replace("tc_2", "tc_1"), "each name once"),
    "thermocouple of a length": (ROLE + 'drop = { channel = "board/drop", thermocouple = "K" }', "no temperature"),
    "thermocouple type": (ROLE + 'wall = { channel = "board/tc_1", thermocouple = "Q" }', "one of B, E, J"),
    "lag": (ROLE + 'wall = { channel = "board/tc_1", lag_s = -1.0 }', "lag_s = -1.0: expected a number at least 0"),
    "unknown key": (ROLE + 'wall = { channel = "board/tc_1", lag = 1.0 }', "(did you mean lag_s?)"),
    "lines": (TOP + "[lines]\nline_1_mm = 50.0\nline_2_mm = 25.0\n", "each line lower than the one before"),
    "line of nothing": (TOP + "[lines]\nline_1_mm = 0.0\n", "line_1_mm = 0.0: expected a number above 0"),
    "id": (TOP.replace("north-bench", "North bench"), "expected small letters"),
    "no oven": ('id = "a"\n', "oven is missing"),
    "unknown top": (TOP + "ovn = 1\n", "(did you mean oven?)"),
}


@pytest.mark.parametrize(("text", "said"), REFUSED.values(), ids=REFUSED)
def test_refused(text: str, said: str) -> None:
    with pytest.raises(InputError) as refused:
        bench(text)
    assert said in str(refused.value)
    assert str(refused.value).startswith("bench.toml: ")


@pytest.mark.parametrize(
    "url",
    ["COM3", "/dev/ttyUSB0", "socket://[::1]:4001", "Socket://oven.local:4001", "rfc2217://a:1?ign_set_control", "loop://",
     "hwgrep://0403:6001"],
)  # fmt: skip
def test_addresses_that_can_be(url: str) -> None:
    assert bench(ADDRESS.format(url)).sources[0].place == url


def test_role_given_twice_is_no_toml() -> None:
    with pytest.raises(tomllib.TOMLDecodeError):
        bench(ROLE + 'wall = "board/tc_1"\nwall = "board/tc_2"')


def test_channels_that_only_the_device_knows() -> None:
    text = TOP + '[[source]]\nid = "board"\nkind = "board"\nurl = "COM3"\n[role]\nwall = "board/tc_9"\n'
    (words,) = unknown_channels(bench(text), "board", ["tc_1", "room"])
    assert "has no channel 'tc_9' (did you mean tc_1?): it has tc_1, room" in words
    assert unknown_channels(bench(text), "board", ["tc_9"]) == ()


def test_table_where_a_list_is_wanted() -> None:
    wrong: dict[str, Any] = {"id": "a", "oven": "b", "role": "board/tc_1"}
    with pytest.raises(InputError, match="expected a table"):
        bench_from_mapping(wrong, "bench.toml")
