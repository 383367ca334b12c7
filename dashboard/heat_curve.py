"""The curve of one heat as a page shows it: measured and estimated, once a look, never more than `MOST` rows.

When it is full every second row goes and half as many come from then on: so a page that holds the rows can do the same
by itself, and nothing is ever sent twice.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from calibration.observed import AIR, FACES
from dashboard.follower import Told

MOST = 900
#: What a row holds after its time, s of the run: °C and mm, None where nothing is known.
COLUMNS = (
    "air_upper", "air_lower", "upper", "lower", "drop",
    "core_low", "core", "core_high", "upper_likely", "lower_likely", "drop_low", "drop_likely", "drop_high",
)  # fmt: skip
Row = tuple[float | None, ...]


@dataclass(frozen=True)
class Curve:
    """Rows of one heat.

    Attributes:
        heat: its id. rows: time, s of the run, then `COLUMNS`. thinned: how often every second row went; a row is
        kept of 2 ** thinned looks. looks: how many there were; that of the last row says which look it is.
    """

    heat: str
    rows: tuple[Row, ...] = ()
    thinned: int = 0
    looks: int = 0

    def with_row(self, row: Row) -> Curve:
        """One look more."""
        due = self.looks % 2**self.thinned == 0
        rows, thinned = (*self.rows, row) if due else self.rows, self.thinned
        if len(rows) > MOST:
            rows, thinned = rows[::2], thinned + 1
        return Curve(self.heat, rows, thinned, self.looks + 1)


def row_of(at_s: float, told: Told, measured: Mapping[str, float]) -> Row:
    """A row of a moment: `at_s` of the run; `measured` by column of a heat file, as it stands now."""
    estimate = told.estimate
    air = [measured.get(column) for column in (*AIR, *FACES, "drop_mm")]
    likely: list[float | None] = [None] * 8
    if estimate is not None:
        core, drop = estimate.core_c, estimate.drop_mm
        likely = [core.low, core.middle, core.high, estimate.upper_c.middle, estimate.lower_c.middle,
                  *((None, None, None) if drop is None else (drop.low, drop.middle, drop.high))]  # fmt: skip
    known = (None if value is None or value != value else round(value, 2) for value in (*air, *likely))
    return (round(at_s, 2), *known)
