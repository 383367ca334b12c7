"""Benches of people: their files read, their sources opened, each library imported only for the kind that needs it."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import ExitStack
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING

from dashboard.practice_bench import (
    DEFAULT_GAUGE_MM,
    DEFAULT_POLYMER,
    DEFAULT_SCENARIO,
    Practice,
    practice_case,
    scenario_of,
)
from dashboard.sensor_file import read_register
from dashboard.shared_ports import port_of_resource, refuse_shared_ports
from dashboard.shop import Shop
from dashboard.tomlfile import read_toml
from logger.bench import DEFAULT_BAUD, Bench, SourceEntry, bench_from_mapping, unknown_channels
from logger.board_source import BoardSource
from logger.clock import Clock
from logger.quality import STALE_S
from logger.reading import Source
from logger.readings import BenchReader
from logger.transport import open_transport
from thermal.fields import InputError

if TYPE_CHECKING:
    from logger.modbus_map import ModbusMap
    from logger.scpi_map import ScpiMap

#: Kinds whose time is not the machine's: their clock may run fast.
UNREAL = ("replay", "practice")
#: On a clock that runs fast, the machine's own delays are longer in its seconds: this much real time is allowed, s.
_DELAY_S = 0.3


@dataclass
class OpenBench:
    """A bench whose sources are open. `practices`: its practice ovens, by source."""

    bench: Bench
    reader: BenchReader
    practices: dict[str, Practice] = field(default_factory=dict)
    _things: ExitStack = field(default_factory=ExitStack, repr=False)

    def close(self) -> None:
        """Free all ports; may be called twice."""
        self._things.close()


def read_bench(path: Path) -> Bench:
    """The bench in a TOML file.

    Raises:
        InputError: the file cannot be used.
    """
    return bench_from_mapping(read_toml(path), path.name)


def stale_s(speed: float) -> float:
    """How long a channel may be silent on a clock of this speed, s of that clock."""
    return max(STALE_S, _DELAY_S * speed)


def open_bench(
    bench: Bench, folder: Path, shop: Shop, clock: Clock, speed: float = 1.0, by_hand: bool = False
) -> OpenBench:
    """Open all sources of a bench.

    Args:
        folder: where files that the bench names lie. shop: its ovens and sensors. clock, speed: of everything here.
        by_hand: into practice ovens the sheet goes when somebody says so.

    Raises:
        InputError: a map, heat file, oven or sensor cannot be used; a role names a channel its map does not have; a
        clock that runs fast with a source that is real.
    """
    real = [entry.id for entry in bench.sources if entry.kind not in UNREAL]
    if speed != 1.0 and real:
        raise InputError(f"speed {speed:g}: source {real[0]} is real and runs in real time: leave --speed out")
    refuse_shared_ports(bench, lambda entry: _port_of(entry, bench, folder))
    practices: dict[str, Practice] = {}
    with ExitStack() as things:
        sources: list[Source] = []
        for entry in bench.sources:
            source = _source(entry, bench, folder, shop, clock, practices, things.callback, by_hand)
            things.callback(source.close)
            sources.append(source)
        reader = BenchReader(
            bench, sources, clock, read_register(shop.folder), _is_infrared(bench, shop), stale_s(speed)
        )
        things.callback(reader.close)
        return OpenBench(bench, reader, practices, things.pop_all())
    raise AssertionError("an ExitStack of these swallows nothing")


def _is_infrared(bench: Bench, shop: Shop) -> bool:
    """Whether the bench's oven has emitters; a bench may be used before its oven has a card."""
    return bench.oven in shop.oven_ids() and shop.oven(bench.oven).kind == "infrared"


def _source(
    entry: SourceEntry,
    bench: Bench,
    folder: Path,
    shop: Shop,
    clock: Clock,
    practices: dict[str, Practice],
    at_the_end: Callable[[Callable[[], None]], object],
    by_hand: bool,
) -> Source:
    if entry.kind == "board":
        url, baud = entry.texts["url"], int(entry.numbers.get("baud", DEFAULT_BAUD))
        return BoardSource(entry.id, lambda: open_transport(url, baud), clock)
    if entry.kind == "practice":
        practice = practices[entry.id] = _practice(entry, bench, shop, clock, by_hand)
        practice.start()
        at_the_end(practice.close)
        return practice.source(entry.id)
    if entry.kind == "modbus":
        return _modbus(entry, bench, folder, clock)
    if entry.kind == "scpi":
        return _scpi(entry, bench, folder, clock)
    from logger.heatfile import read_heat
    from logger.replay import ReplaySource

    replay = ReplaySource(entry.id, read_heat(folder / entry.texts["file"]), clock, entry.numbers.get("speed", 1.0))
    _must_have_channels(bench, entry, replay.channels)
    return replay


def _modbus(entry: SourceEntry, bench: Bench, folder: Path, clock: Clock) -> Source:
    from logger.modbus_source import ModbusSource

    module = _modbus_map(entry, bench, folder)
    _must_have_channels(bench, entry, [channel.name for channel in module.channels])
    return ModbusSource(module, clock, entry.id)


def _modbus_map(entry: SourceEntry, bench: Bench, folder: Path) -> ModbusMap:
    """The map of a source's module, placed where the bench file says."""
    from logger.modbus_map import placed, read_modbus_map

    module = read_modbus_map(read_toml(folder / entry.texts["map"]), entry.texts["map"])
    if "url" not in entry.texts:
        if entry.numbers:
            raise InputError(
                f"bench {bench.id}: source {entry.id} gives {', '.join(entry.numbers)} without url: expected these "
                "together, or neither, as the map has them; add the url"
            )
        return module
    baud, device_id = (None if (n := entry.numbers.get(key)) is None else int(n) for key in ("baud", "device_id"))
    return placed(module, entry.texts["url"], baud, device_id, entry.numbers.get("period_s"))


def _port_of(entry: SourceEntry, bench: Bench, folder: Path) -> str | None:
    """The port that a source has for itself alone."""
    if entry.kind == "board":
        return entry.texts["url"]
    if entry.kind == "modbus":
        from logger.modbus_map import Rtu

        transport = _modbus_map(entry, bench, folder).transport
        return transport.serial_port if isinstance(transport, Rtu) else None
    return port_of_resource(_scpi_map(entry, folder).resource) if entry.kind == "scpi" else None


def _scpi_map(entry: SourceEntry, folder: Path) -> ScpiMap:
    """The map of a source's instrument, placed where the bench file says."""
    from logger.scpi_map import read_scpi_map

    instrument = read_scpi_map(read_toml(folder / entry.texts["map"]), entry.texts["map"])
    return replace(instrument, resource=entry.texts["resource"]) if "resource" in entry.texts else instrument


def _scpi(entry: SourceEntry, bench: Bench, folder: Path, clock: Clock) -> Source:
    from logger.scpi_source import ScpiSource

    instrument = _scpi_map(entry, folder)
    _must_have_channels(bench, entry, [channel.name for channel in instrument.channels])
    return ScpiSource(instrument, clock, entry.id)


def _practice(entry: SourceEntry, bench: Bench, shop: Shop, clock: Clock, by_hand: bool) -> Practice:
    scenario = scenario_of(entry.texts.get("scenario", DEFAULT_SCENARIO))
    room_c = shop.room_c if scenario.room_c is None else scenario.room_c
    polymer = entry.texts.get("polymer", DEFAULT_POLYMER)
    case = practice_case(shop, polymer, entry.numbers.get("gauge_mm", DEFAULT_GAUGE_MM), bench.oven, room_c)
    return Practice(case, room_c, scenario, clock, int(entry.numbers.get("seed", 1)), by_hand=by_hand)


def _must_have_channels(bench: Bench, entry: SourceEntry, channels: list[str] | tuple[str, ...]) -> None:
    for words in unknown_channels(bench, entry.id, channels):
        raise InputError(f"bench {bench.id}: {words}")
