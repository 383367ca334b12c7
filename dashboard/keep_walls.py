"""Gauge readings of a part kept with its heat, for the command and the page alike."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from dashboard.units import Units
from dashboard.wall_words import must_fit
from logger.clock import Clock
from logger.heat_export import ms_of
from logger.walls import MEDIA_TYPE, NAME, Wall, walls_content
from thermal.fields import InputError

if TYPE_CHECKING:
    from logger.records import HeatRecord
    from logger.store import Store


def keep_walls(
    kept: Store, record: HeatRecord, walls: Sequence[Wall], by: str, clock: Clock, units: Units, sure: bool
) -> None:
    """Keep readings with a heat.

    Args:
        units: of messages. sure: doubtful readings were measured again, and are kept.

    Raises:
        Doubtful: one can hardly be so. InputError: the heat still goes on.
    """
    if record.state == "open":
        raise InputError(f"heat {record.number} is still going on: expected one that has ended, whose part is measured")
    if not sure:
        must_fit(walls, record.form.gauge_mm, units)
    kept.attach(record.id, NAME, walls_content(walls, by, ms_of(clock.utc())), MEDIA_TYPE)
