"""The walls of a part beside those of the shop's own earlier parts of the same polymer and gauge."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from statistics import median
from typing import TYPE_CHECKING

from logger.records import HeatFilter, HeatRecord
from logger.walls import MEDIA_TYPE, Wall, walls_of

if TYPE_CHECKING:
    from logger.store import Store

#: So many of the newest earlier heats are looked at; a place needs so many parts to be compared.
MOST, FEWEST = 300, 3
#: Labels of one gauge differ by less than this, mm.
_SAME_MM = 0.26


@dataclass(frozen=True)
class Compared:
    """A wall beside earlier parts: how many had this place measured; their least, median and greatest, mm; None for
    fewer than `FEWEST`. thinner: whether it is below all of them.
    """

    wall: Wall
    parts: int
    least_mm: float | None = None
    median_mm: float | None = None
    most_mm: float | None = None

    @property
    def thinner(self) -> bool:
        """See the class."""
        return self.least_mm is not None and self.wall.wall_mm < self.least_mm


def compared(walls: Sequence[Wall], earlier: Iterable[Sequence[Wall]]) -> tuple[Compared, ...]:
    """Each wall with what earlier parts had at its place and level."""
    parts = list(earlier)
    found = []
    for wall in walls:
        there = [one.wall_mm for part in parts for one in part if one.at == wall.at]
        if len(there) < FEWEST:
            found.append(Compared(wall, len(there)))
        else:
            found.append(Compared(wall, len(there), min(there), median(there), max(there)))
    return tuple(found)


def earlier_walls(store: Store, record: HeatRecord) -> list[tuple[Wall, ...]]:
    """Walls of the shop's earlier parts of the polymer and gauge of a heat, the newest first."""
    form = record.form
    asked = HeatFilter(polymer=form.polymer, to_utc_ms=record.start_utc_ms, limit=MOST)
    alike = [
        one
        for one in store.heats(asked)
        if one.id != record.id
        and form.gauge_mm is not None
        and one.form.gauge_mm is not None
        and abs(one.form.gauge_mm - form.gauge_mm) < _SAME_MM
    ]
    files = store.files_of([one.number for one in alike], MEDIA_TYPE)
    return [walls for one in alike if (walls := walls_of(files.get(one.number, ())))]


def walls_beside(store: Store, record: HeatRecord) -> tuple[Compared, ...]:
    """The walls kept with a heat, each beside the shop's earlier parts; empty where none was measured.

    Raises:
        InputError: an entry that cannot be read.
    """
    walls = walls_of(store.attachments(record.id))
    return compared(walls, earlier_walls(store, record)) if walls else ()
