"""An oven under watch: its ordinary heats out of the records, what each says, and what the charts make of it.

Each heat is estimated once against the oven's card and kept (`drift_file`): a heat takes half a second, a chart none.
"""

from __future__ import annotations

import datetime
from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from statistics import median
from typing import TYPE_CHECKING

from calibration.drift import Drift, drift
from calibration.heat_estimate import Estimate, estimate
from calibration.run import FOIL
from dashboard.calibration_heats import heats_of_oven
from dashboard.drift_file import Known, read_known, write_known
from dashboard.shop import Shop
from dashboard.stored import whole_of
from logger.heat_export import heat_of, utc_of
from logger.records import HeatFilter, HeatRecord
from thermal.case import Case
from thermal.fields import InputError
from thermal.heat import Heat
from thermal.oven import OvenCard

if TYPE_CHECKING:
    from logger.store import Store

#: What is estimated is kept from time to time, not only at the end: so many heats.
_KEPT_EVERY = 10
Charts = Callable[[OvenCard, Sequence[Estimate], datetime.date, Case | None], Drift]


@dataclass(frozen=True)
class OvenWatch:
    """An oven under watch.

    Attributes:
        card: that its heats are set beside. since: moment (UTC) from which heats count; None: all. drift. estimates: of
        the heats, in order of time. left_out: heats that say nothing, with the reason. waiting: heats that are not
        estimated yet.
    """

    card: OvenCard
    since: datetime.datetime | None
    drift: Drift
    estimates: tuple[Estimate, ...]
    left_out: tuple[tuple[str, str], ...]
    waiting: int


def in_force_since(card: OvenCard) -> datetime.datetime | None:
    """The moment from which a card's oven is watched: when it was accepted, else found; None: it states neither.

    Where only a day is stated, the end of it: the heats of that day may be those that the card was found from.
    """
    for name in ("accepted", "found"):
        at = (card.evidence or {}).get(name)
        if isinstance(at, datetime.datetime):
            return at if at.tzinfo is not None else at.replace(tzinfo=datetime.UTC)
        if isinstance(at, datetime.date):
            return _midnight(at + datetime.timedelta(days=1))
    return None


def ordinary_heats(store: Store, oven: str, since: datetime.datetime | None) -> list[HeatRecord]:
    """Finished heats of an oven that began at a moment or later, the oldest first."""
    from_ms = None if since is None else int(since.timestamp() * 1000.0)
    wanted = HeatFilter(oven=oven, state="finished", from_utc_ms=from_ms, limit=None, order="oldest")
    return store.heats(wanted)


def _midnight(day: datetime.date) -> datetime.datetime:
    return datetime.datetime.combine(day, datetime.time(), datetime.UTC)


def watch_oven(
    shop: Shop, oven: str, store: Store, folder: Path, today: datetime.date, since: datetime.date | None = None,
    most: int | None = None, seen: Callable[[int, int], None] | None = None, charts: Charts = drift,
) -> OvenWatch:  # fmt: skip
    """Watch an oven of the shop.

    Args:
        folder: where what is known of heats is kept. since: first day that counts (UTC); None: from the card's moment
        on (`in_force_since`). most: estimate at most so many heats that are not known yet; None: all. seen: called
        with heats done and in all.
        charts: makes the drift of estimates.

    Raises:
        InputError: no such oven, or its card cannot be used.
    """
    card = shop.oven(oven)
    begin = in_force_since(card) if since is None else _midnight(since)
    records = ordinary_heats(store, oven, begin)
    known = _estimated(card, records, shop, store, folder, most, seen)
    there = [known[one.id] for one in records if one.id in known]
    estimates = tuple(one.estimate for one in there if one.estimate is not None)
    return OvenWatch(
        card,
        begin,
        charts(card, estimates, today, _usual(records, card, shop)),
        estimates,
        tuple((one.heat, one.why) for one in there if one.estimate is None),
        len(records) - len(there),
    )


def _estimated(
    card: OvenCard, records: Sequence[HeatRecord], shop: Shop, store: Store, folder: Path, most: int | None,
    seen: Callable[[int, int], None] | None,
) -> dict[str, Known]:  # fmt: skip
    """What is known of each heat, by its id, after at most so many new ones."""
    known = read_known(folder, card, records)
    new = [one for one in records if one.id not in known][:most]
    for number, record in enumerate(new, start=1):
        known[record.id] = _known(card, record, shop, store)
        if seen is not None:
            seen(number, len(new))
        if number % _KEPT_EVERY == 0 or number == len(new):
            write_known(folder, card, records, known)
    return known


def _known(card: OvenCard, record: HeatRecord, shop: Shop, store: Store) -> Known:
    name = f"heat {record.number}"
    try:
        heat = heat_of(whole_of(store, record))
        if heat.extra.get(FOIL) is not None:
            return Known(name, None, "its sheet was under foil: a calibration heat")
        (run,) = heats_of_oven([(name, heat)], card, shop.polymer).runs
        if not run.series:
            return Known(name, None, "no thermocouple on or in its sheet")
        day = utc_of(record.start_utc_ms).date()
        return Known(name, estimate(card, run, day, _clear_s(heat)), "")
    except InputError as error:
        return Known(name, None, str(error))
    except ArithmeticError as error:
        return Known(name, None, f"it cannot be computed: {error}")


def _clear_s(heat: Heat) -> float | None:
    return min((event.time_s for event in heat.events if event.name == "clear_through"), default=None)


def _usual(records: Iterable[HeatRecord], card: OvenCard, shop: Shop) -> Case | None:
    """The sheet an oven usually heats: the commonest polymer, at the middle of its settings."""
    forms = [one.form for one in records if one.form.polymer in shop.polymer_ids() and one.form.gauge_mm]
    if not forms:
        return None
    (polymer, _), *_ = Counter(str(one.polymer) for one in forms).most_common(1)
    mine = [one for one in forms if one.polymer == polymer]
    set_c = median(card.set_c if one.set_c is None else one.set_c for one in mine)
    gauge_mm = median(float(one.gauge_mm or 0.0) for one in mine)
    return replace(Case(shop.polymer(polymer), gauge_mm * 1e-3, card, set_c), opening_m=None)
