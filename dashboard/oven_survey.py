"""The newest survey of an oven among the records."""

from __future__ import annotations

import datetime
from dataclasses import dataclass
from typing import TYPE_CHECKING

from calibration.survey import Survey, survey
from dashboard.stored import whole_of
from logger.heat_export import heat_of, utc_of
from logger.records import HeatFilter, HeatRecord
from thermal.fields import InputError

if TYPE_CHECKING:
    from logger.store import Store

#: So many heats are looked back through, and of each the columns of its first seconds.
_LOOKED_BACK, _FIRST_S = 300, 3.0
_GRID = "grid_"


@dataclass(frozen=True)
class StoredSurvey:
    """A survey out of the records: number and day of its heat, and what it found; else why it cannot be used."""

    number: int
    day: datetime.date
    survey: Survey | None
    why: str = ""


def newest_survey(store: Store, oven: str) -> StoredSurvey | None:
    """The newest heat with a grid of thermocouples; None where there is none."""
    for record in store.heats(HeatFilter(oven=oven, limit=_LOOKED_BACK)):
        if record.state != "open" and _has_grid(store, record):
            day = utc_of(record.start_utc_ms).date()
            try:
                return StoredSurvey(record.number, day, survey(heat_of(whole_of(store, record))))
            except InputError as error:
                return StoredSurvey(record.number, day, None, str(error))
    return None


def _has_grid(store: Store, record: HeatRecord) -> bool:
    first = store.blocks(record.bench, record.run, record.start_s, record.start_s + _FIRST_S)
    return any(column.startswith(_GRID) for block in first for column in block.columns)
