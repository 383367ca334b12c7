"""Register maps: what a person writes, what is refused, and numbers against pymodbus's own converters."""

from __future__ import annotations

import math
from typing import Any

import pytest
from hypothesis import example, given
from hypothesis import strategies as st
from pymodbus.client.mixin import ModbusClientMixin
from pymodbus.pdu import ModbusPDU

from logger.modbus_answers import value_in, values_in
from logger.modbus_map import TYPES, Block, Order, Register, Rtu, Tcp, placed, read_modbus_map
from logger.reading import State, Value
from thermal.fields import InputError

CONVERTER = ModbusClientMixin[ModbusPDU]


def channel(name: str = "tc_1", **changes: Any) -> dict[str, Any]:
    return {"name": name, "unit": "C", "table": "input", "address": 0, "type": "int16", "scale": 0.1} | changes


def tables(*channels: dict[str, Any], **module: Any) -> dict[str, Any]:
    return {"module": {"transport": "tcp", "host": "192.0.2.10"} | module, "channel": list(channels) or [channel()]}


def register(**changes: Any) -> Register:
    return read_modbus_map(tables(channel(**changes)), "m.toml").registers[0]


def test_what_is_not_said_has_a_stated_default() -> None:
    found = read_modbus_map(tables(), "m.toml")
    assert (found.id, found.transport, found.device_id) == ("module_1", Tcp("192.0.2.10", 502), 1)
    assert (found.period_s, found.timeout_s) == (1.0, 0.3)
    line = read_modbus_map({**tables(), "module": {"transport": "rtu", "serial_port": "COM5"}}, "m.toml")
    # MODBUS over serial line specification V1.02, 2.5.1: even parity by default, one stop bit with it
    assert line.transport == Rtu("COM5", 9600, "even", 1)


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"module": {"transport": "udp"}}, r"module\.transport = 'udp': expected one of tcp, rtu"),
        ({"module": {"transport": "tcp"}}, r"module\.host is missing"),
        ({"module": {"transport": "tcp", "host": "h", "baud": 9600}}, r"module\.baud = 9600 is not known"),
        (
            {"module": {"transport": "tcp", "host": "h", "device_id": 256}},
            r"device_id = 256: expected a number at least 0",
        ),
        ({"module": {"transport": "rtu", "serial_port": "COM5", "device_id": 0}}, r"device_id = 0"),
        ({"module": {"transport": "tcp", "host": "h", "port": 502.5}}, r"port = 502\.5: expected a whole number"),
        ({"module": {"transport": "tcp", "host": "h", "timeout_s": float("nan")}}, r"timeout_s = nan"),
        ({"channel": []}, r"channel is missing: expected one \[\[channel\]\]"),
        ({"channel": [channel(unit="K")]}, r"unit = 'K': expected one of C, uV, mm, kPa"),
        ({"channel": [channel(table="coil")]}, r"table = 'coil': expected one of input, holding"),
        ({"channel": [channel(type="int8")]}, r"type = 'int8': expected one of int16"),
        ({"channel": [channel(type="float32", address=65535)]}, r"address = 65535: expected .* at most 65534"),
        ({"channel": [channel(address=-1)]}, r"address = -1"),
        ({"channel": [channel(scale=0)]}, r"scale = 0\.0: expected a number other than 0"),
        ({"channel": [channel(scale=math.inf)]}, r"scale = inf"),
        ({"channel": [channel(limits=[10, 10])]}, r"limits = \[10\.0, 10\.0\]: expected the lower limit first"),
        ({"channel": [channel(word_order="big")]}, r"word_order = 'big': expected none for int16"),
        ({"channel": [channel(type="int32", word_order="middle")]}, r"word_order = 'middle'"),
        ({"channel": [channel(open_codes=[65536])]}, r"open_codes = \[65536\]: expected .* int16 can hold"),
        ({"channel": [channel(open_codes=[-32769])]}, r"open_codes"),
        ({"channel": [channel(open_codes=[math.nan])]}, r"open_codes = \[nan\]"),
        ({"channel": [channel(open_codes=[])]}, r"open_codes = \[\]"),
        ({"channel": [channel(open_codes=32767)]}, r"open_codes = 32767"),
        ({"channel": [channel(type="float32", open_codes=[1e39])]}, r"open_codes"),
        ({"channel": [channel(name="TC 1")]}, r"name = 'TC 1': expected small letters"),
        ({"channel": [channel(), channel(address=1)]}, r"'tc_1' is there twice"),
        ({"channel": [channel(), channel("tc_2")]}, r"tc_1 and tc_2 share input register 0"),
        ({"channel": [channel(type="int32"), channel("tc_2", address=1)]}, r"share input register 1"),
        ({"channel": [channel(cold_junction="cj")]}, r"cold_junction = 'cj': expected none"),
        ({"channel": [channel(unit="uV", cold_junction="cj")]}, r"cold_junction of tc_1 = 'cj': expected the name"),
        ({"channel": [channel(adress=1)]}, r"adress = 1 is not known \(did you mean address\?\)"),
        ({"modul": {}}, r"modul = \{\} is not known"),
    ],
)
def test_refused(changes: dict[str, Any], said: str) -> None:
    with pytest.raises(InputError, match=r"^m\.toml: .*" + said):
        read_modbus_map(tables() | changes, "m.toml")


def blocks(*spans: tuple[int, str], **module: Any) -> list[tuple[int, int]]:
    channels = [channel(f"c_{i}", address=a, type=t) for i, (a, t) in enumerate(spans)]
    found = read_modbus_map(tables(*channels, **module), "m.toml")
    assert sorted(i for block in found.blocks for i in block.indices) == list(range(len(channels)))
    return [(block.address, block.count) for block in found.blocks]


def test_neighbours_are_read_in_one_request() -> None:
    assert blocks((2, "int16"), (0, "float32"), (3, "int32")) == [(0, 5)]
    assert blocks((0, "int16"), (2, "int16")) == [(0, 1), (2, 1)]
    assert blocks((0, "int16"), (2, "int16"), (5, "int16"), largest_gap=1) == [(0, 3), (5, 1)]


def test_no_request_asks_for_more_than_the_standard_allows() -> None:
    """MODBUS Application Protocol Specification V1.1b3, 6.3: quantity of registers 1 to 125."""
    assert blocks(*((2 * i, "float32") for i in range(100))) == [(0, 124), (124, 76)]
    assert blocks(*((i, "int16") for i in range(126))) == [(0, 125), (125, 1)]
    assert blocks(*((i, "int16") for i in range(5)), registers_at_once=2) == [(0, 2), (2, 2), (4, 1)]
    assert blocks((0, "int16"), (100, "int16"), (125, "int16"), largest_gap=100) == [(0, 101), (125, 1)]


def test_tables_are_read_apart() -> None:
    found = read_modbus_map(tables(channel(), channel("tc_2", table="holding", address=1)), "m.toml")
    assert [(block.table, block.address) for block in found.blocks] == [("holding", 1), ("input", 0)]


NUMBERS: dict[str, st.SearchStrategy[Any]] = {
    "int16": st.integers(-(2**15), 2**15 - 1),
    "uint16": st.integers(0, 2**16 - 1),
    "int32": st.integers(-(2**31), 2**31 - 1),
    "uint32": st.integers(0, 2**32 - 1),
    "float32": st.floats(width=32, allow_nan=False, allow_infinity=False),
}


@pytest.mark.parametrize("order", ["big", "little"])
@pytest.mark.parametrize("kind", TYPES)
@given(data=st.data())
def test_numbers_come_back_as_pymodbus_sent_them(kind: str, order: Order, data: st.DataObject) -> None:
    number = data.draw(NUMBERS[kind])
    words = CONVERTER.convert_to_registers(number, CONVERTER.DATATYPE[kind.upper()], order)
    one = Register(register(unit="mm").channel, "input", 0, kind, order)
    wide = read_modbus_map(tables(channel(scale=1.0, limits=[-1e39, 1e39])), "m.toml").registers[0].channel
    assert value_in(Register(wide, one.table, 0, kind, order), words) == Value("tc_1", "C", float(number))


def test_words_lie_as_the_standard_and_the_map_say() -> None:
    """IEEE 754: 25.5 is 0x41CC0000; MODBUS V1.1b3, 4.2: high byte first, the order of words is the map's."""
    wide = {"type": "float32", "scale": 1.0}
    assert value_in(register(**wide), [0x41CC, 0x0000]).value == 25.5
    assert value_in(register(**wide, word_order="little"), [0x0000, 0x41CC]).value == 25.5


@pytest.mark.parametrize(
    ("changes", "words", "expected"),
    [
        ({"open_codes": [32767]}, [0x7FFF], State.OPEN),
        ({"open_codes": [0x8000]}, [0x8000], State.OPEN),  # as the manual prints it
        ({"open_codes": [-32768]}, [0x8000], State.OPEN),  # as the type has it
        ({"open_codes": [0x7FFF, 0x8000]}, [0x7FFE], State.OUT_OF_RANGE),
        ({"type": "uint16", "open_codes": [-1]}, [0xFFFF], State.OPEN),
        ({"type": "int32", "open_codes": [0x80000000]}, [0x8000, 0], State.OPEN),
        ({"type": "float32", "open_codes": [math.nan]}, [0x7FC0, 0], State.OPEN),
        ({"type": "float32", "open_codes": [-999.9]}, [0xC479, 0xF99A], State.OPEN),  # -999.9 is no float32 itself
        ({"type": "float32"}, [0x7FC0, 0], State.MISSING),
        ({"type": "float32"}, [0x7F80, 0], State.OUT_OF_RANGE),
        ({"type": "float32"}, [0xFF80, 0], State.OUT_OF_RANGE),
        ({"limits": [0, 250]}, [2501], State.OUT_OF_RANGE),
        ({"limits": [0, 250]}, [0xFFFF], State.OUT_OF_RANGE),
        ({}, [18201], State.OUT_OF_RANGE),  # no thermocouple type reaches beyond 1820 °C
    ],
)
def test_what_is_no_reading_is_a_state(changes: dict[str, Any], words: list[int], expected: State) -> None:
    assert value_in(register(**changes), words) == Value("tc_1", "C", None, expected)


def test_limits_belong_to_the_range() -> None:
    assert value_in(register(limits=[0, 250]), [2500]).value == pytest.approx(250.0)
    assert value_in(register(limits=[0, 250]), [0]).value == 0.0
    assert value_in(register(scale=0.5, offset=-40), [100]).value == 10.0


@given(st.lists(st.integers(0, 65535), min_size=2, max_size=2))
@example([0x7F80, 1])
def test_no_bits_give_a_number_outside_the_limits(words: list[int]) -> None:
    value = value_in(register(type="float32"), words)
    assert (value.state is State.OK) == (value.value is not None)
    assert value.value is None or -270.0 <= value.value <= 1820.0


def test_microvolts_carry_the_temperature_of_their_junction() -> None:
    found = read_modbus_map(
        tables(
            channel("tc_1", unit="uV", scale=1.0, cold_junction="cj"), channel("cj", address=1, limits=[-20, 60]),
        ), "m.toml",
    )  # fmt: skip
    (block,) = found.blocks
    tc, cj = values_in(found, {block: [1203, 250]})
    assert tc == Value("tc_1", "uV", 1203.0, State.OK, cold_junction_c=25.0)
    assert cj.value == 25.0
    assert values_in(found, {block: [1203, 900]})[0].cold_junction_c is None


def test_channels_keep_the_order_of_the_file_and_miss_what_was_not_read() -> None:
    found = read_modbus_map(tables(channel("b", address=9), channel("a", address=0)), "m.toml")
    values = values_in(found, {Block("input", 0, 1, (1,)): [200]})
    assert values == (Value("b", "C", None, State.MISSING), Value("a", "C", 20.0))


def test_one_map_serves_several_places() -> None:
    found = read_modbus_map(tables(), "m.toml")
    moved = placed(found, "tcp://192.0.2.11:1502", device_id=7, period_s=0.5)
    assert (moved.transport, moved.device_id, moved.period_s) == (Tcp("192.0.2.11", 1502), 7, 0.5)
    assert placed(found, "tcp://meter").transport == Tcp("meter", 502)
    assert placed(found, "/dev/ttyUSB0", baud=19200).transport == Rtu("/dev/ttyUSB0", 19200, "even", 1)
    assert placed(found, "COM5").device_id == 1
    for url in ("tcp://", "tcp://h:99999", "socket://h"):
        with pytest.raises(InputError, match=r"expected (tcp|socket)://HOST:PORT"):
            placed(found, url)
