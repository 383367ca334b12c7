"""Walls of a finished part: what a gauge read at named places and levels, kept with its heat as a file of its own.

Each entry is kept beside the ones before it and never altered; the newest reading of a place counts.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from logger.records import Attachment
from thermal.fields import InputError, Range

MEDIA_TYPE, NAME = "application/vnd.pullcue.walls+json", "walls"
#: A wall drawn from sheet of the trade; more is thicker than any sheet.
WALL_MM = Range("mm", at_least=0.1, at_most=20.0)
#: Level above the distal end, mm.
LEVEL_MM = Range("mm", at_least=-100.0, at_most=1500.0)
_LONGEST = 60


@dataclass(frozen=True)
class Wall:
    """One reading: `place` in the shop's words, `level_mm` above the distal end (None: not said), `wall_mm`."""

    place: str
    level_mm: float | None
    wall_mm: float

    def __post_init__(self) -> None:
        if tidy_place(self.place) != self.place:
            raise InputError(f"place {self.place[:80]!r}: expected single spaces between its words")
        if not WALL_MM.holds(self.wall_mm):
            raise InputError(f"wall at {self.place} = {self.wall_mm}: expected {WALL_MM}")
        if self.level_mm is not None and not LEVEL_MM.holds(self.level_mm):
            raise InputError(f"level of {self.place} = {self.level_mm}: expected {LEVEL_MM}")

    @property
    def at(self) -> tuple[str, int | None]:
        """What is compared between parts: place, whatever its capitals, and level to the millimetre, so that a level
        read in inches meets the same one read in mm.
        """
        return self.place.casefold(), None if self.level_mm is None else round(self.level_mm)


def tidy_place(words: str) -> str:
    """A place with single spaces.

    Raises:
        InputError: it is empty, too long, or holds what no screen shows.
    """
    tidy = " ".join(words.split())
    if not tidy or len(tidy) > _LONGEST or not tidy.isprintable():
        raise InputError(f"place {words[:80]!r}: expected words on one line, at most {_LONGEST} characters")
    return tidy


def walls_content(walls: Sequence[Wall], by: str, at_utc_ms: int) -> bytes:
    """An entry of readings as it is kept."""
    rows = [{"place": one.place, "level_mm": one.level_mm, "wall_mm": one.wall_mm} for one in walls]
    table = {"by": by, "at_utc_ms": at_utc_ms, "walls": rows}
    return json.dumps(table, ensure_ascii=False, allow_nan=False).encode()


def walls_of(attachments: Iterable[Attachment]) -> tuple[Wall, ...]:
    """The walls of a part: of each place and level the newest reading.

    Raises:
        InputError: an entry that cannot be read.
    """
    found: dict[tuple[str, int | None], tuple[int, Wall]] = {}
    for one in attachments:
        if one.media_type != MEDIA_TYPE:
            continue
        at_utc_ms, walls = _entry(one)
        for wall in walls:
            if wall.at not in found or found[wall.at][0] <= at_utc_ms:
                found[wall.at] = (at_utc_ms, wall)
    return tuple(wall for _, wall in found.values())


def _entry(one: Attachment) -> tuple[int, list[Wall]]:
    try:
        table = json.loads(one.content)
        rows = [Wall(row["place"], row["level_mm"], float(row["wall_mm"])) for row in table["walls"]]
        return int(table["at_utc_ms"]), rows
    except (ValueError, KeyError, TypeError) as error:
        raise InputError(f"walls kept as {one.id}: the entry cannot be read ({error}): see 'pullcue check'") from None
