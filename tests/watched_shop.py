"""A shop with recorded heats for tests of drift and of the ovens' page: small files, estimates put in beforehand."""

from __future__ import annotations

import datetime
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np

from calibration.heat_estimate import Estimate
from dashboard.commands.import_ import keep
from dashboard.drift_file import Known, write_known
from dashboard.oven_drift import ordinary_heats
from dashboard.shop import DEMO_FOLDER, Shop, read_shop
from dashboard.store_place import StorePlace, store_place
from logger.heatfile import heat_as_bytes, read_heat
from logger.store import open_store
from thermal.heat import Heat, Sensor

FIRST_DAY = datetime.datetime(2026, 1, 5, 8, 0, tzinfo=datetime.UTC)
REAL = read_heat(DEMO_FOLDER / "heats" / "north-pp-6mm.csv")


def own_shop(folder: Path) -> Shop:
    """A shop with the demo's north oven."""
    shop = folder / "shop"
    (shop / "ovens").mkdir(parents=True)
    (shop / "shop.toml").write_text('name = "Test"\n', encoding="utf-8")
    (shop / "ovens" / "north.toml").write_bytes((DEMO_FOLDER / "ovens" / "north.toml").read_bytes())
    return read_shop(shop)


def at_day(heat: Heat, number: int) -> Heat:
    """The heat as if it was made so many times three days later."""
    return replace(heat, extra={**heat.extra, "start_utc": FIRST_DAY + datetime.timedelta(days=3 * number)})


def small(number: int) -> Heat:
    """A heat too short to say anything."""
    time = np.arange(0.0, 30.0, 3.0)
    air = np.full(len(time), 180.0 + number / 1000.0)
    columns = {"air_upper_c": air, "air_lower_c": air, "face_upper_c": 22.0 + time}
    return at_day(replace(REAL, time_s=time, columns=columns, events=(), sensors={}), number)


def surveyed(number: int) -> Heat:
    """Five places, the front hotter than the back by 4 K, steady for half an hour."""
    time = np.arange(0.0, 1800.0, 15.0)
    columns, sensors = {}, {}
    for i, (x, y, off) in enumerate([(0, 0, 2), (1, 0, 2), (0, 1, -2), (1, 1, -2), (0.5, 0.5, 0)]):
        columns[f"grid_{i + 1:02d}_c"] = 183.0 + off + 0.2 * np.sin(time / 9.0)
        sensors[f"grid_{i + 1:02d}"] = Sensor(x_m=0.4 * x, y_m=0.3 * y, z_m=0.1)
    bare = Heat(time_s=time, columns=columns, sensors=sensors, set_c=185.0, oven="north")
    return at_day(bare, number)


def recorded(shop: Shop, heats: Sequence[Heat]) -> StorePlace:
    """The heats put into the shop's store, in order."""
    place = store_place(shop)
    place.make()
    store = open_store(place.url)
    for number, heat in enumerate(heats):
        keep(store, heat_as_bytes(heat, f"heat {number}"), f"heat-{number}.csv")
    store.close()
    return place


def known(shop: Shop, place: StorePlace, logs: Sequence[tuple[float, float, float]]) -> None:
    """What the first heats said: logarithms of upper and lower heat transfer and of the computed ready time."""
    card, store = shop.oven("north"), open_store(place.url)
    records = ordinary_heats(store, "north", None)[: len(logs)]
    store.close()
    said = {}
    for record, (upper, lower, ready) in zip(records, logs, strict=True):
        day = (FIRST_DAY + datetime.timedelta(days=3 * (record.number - 1))).date()
        name = f"heat {record.number}"
        said[record.id] = Known(name, Estimate(day, name, upper, lower, (0.05, 0.05), computed=ready), "")
    write_known(place.folder, card, records, said)


def weakened(count: int, since: int, lower: float = 0.7) -> list[tuple[float, float, float]]:
    """Estimates of an oven whose lower face gets so much of its heat from a heat on."""
    noise = np.random.default_rng(2).standard_normal((count, 3)) * (0.03, 0.03, 0.008)
    noise[since:, 1] += np.log(lower)
    noise[since:, 2] += 0.08
    return [(float(u), float(lo), float(r)) for u, lo, r in noise]
