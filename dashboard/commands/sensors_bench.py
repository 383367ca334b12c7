"""A sensor's readings from the bench it is wired to, as the wire gives them: without its correction."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

from dashboard.benches import open_bench, read_bench
from dashboard.shop import Shop
from logger.bench import Bench, Role
from logger.clock import Clock
from logger.conversion import type_of
from logger.one_channel import channel_reader
from logger.reading import Arrival, Value
from logger.readings import BenchReader
from logger.sensors import Sensor
from thermal.fields import InputError, near_matches


@contextmanager
def bench_readings(bench_file: Path, sensor: Sensor, shop: Shop, clock: Clock) -> Iterator[Callable[[], Value]]:
    """Open the one source of a bench that a sensor is wired to, for as long as it is read.

    Raises:
        InputError: the bench cannot be used, or no role of it has this sensor, or it or its board says another type.
    """
    bench = read_bench(bench_file)
    role = _role(bench, sensor, bench_file.name)
    only = replace(bench, sources=tuple(one for one in bench.sources if one.id == role.source), roles=())
    opened = open_bench(only, bench_file.parent, shop, clock)
    try:
        reader = opened.reader
        yield channel_reader(_Raw(role.source, reader), role, sensor.type, clock, lambda: reader.announced_type(role))
    finally:
        opened.close()


def _role(bench: Bench, sensor: Sensor, where: str) -> Role:
    found = next((role for role in bench.roles if role.serial == sensor.serial), None)
    if found is None:
        known = [role.serial for role in bench.roles if role.serial]
        raise InputError(
            f"{where}: no role has serial = {sensor.serial!r}{near_matches(sensor.serial, known)}: expected it at the "
            f"role this sensor is wired to (there are {', '.join(known) or 'none'}); add it"
        )
    try:
        type_of(found, "", sensor.type)
    except InputError as error:
        raise InputError(f"{where}: {error}") from None
    return found


class _Raw:
    """A bench's reader as a source of what came, before roles and corrections."""

    def __init__(self, source_id: str, reader: BenchReader) -> None:
        self.id, self._reader = source_id, reader

    def poll(self, timeout_s: float) -> list[Arrival]:
        """See `Source.poll`."""
        return [Arrival(one.monotonic_s, one.utc, one.what) for one in self._reader.poll(timeout_s)]

    def close(self) -> None:
        """See `Source.close`."""
        self._reader.close()
