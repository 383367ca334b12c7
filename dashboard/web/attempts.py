"""How often somebody may try to get in before having to wait."""

from __future__ import annotations

import sqlite3
from collections.abc import Sequence

from thermal.fields import InputError

#: Attempts are counted over this time, s.
SPAN_S = 15 * 60.0


class TooMany(InputError):
    """Too many attempts; the sentence says how long to wait."""


class Attempts:
    """Counts attempts in the table `attempt` of the accounts' file, so that a restart forgets none."""

    def begin(self, base: sqlite3.Connection, now_s: float, limits: Sequence[tuple[str, str, int]]) -> list[int]:
        """Count one attempt; the rows that `forget` takes away when it succeeded.

        Args:
            limits: what is counted, for whom, and how many may be tried in `SPAN_S`.

        Raises:
            TooMany: one of the limits is reached; the attempt is not counted then.
        """
        base.execute("DELETE FROM attempt WHERE at_s < ? OR at_s > ?", (now_s - SPAN_S, now_s + SPAN_S))
        for kind, whose, most in limits:
            times = [row[0] for row in base.execute("SELECT at_s FROM attempt WHERE whose = ? ORDER BY at_s",
                                                    (f"{kind}: {whose}",))]  # fmt: skip
            if len(times) >= most:
                minutes = max(1, round((times[len(times) - most] + SPAN_S - now_s) / 60.0))
                raise TooMany(f"tried too often: wait {minutes} min, then try again")
        rows = []
        for kind, whose, _ in limits:
            rows.append(base.execute("INSERT INTO attempt VALUES (?, ?)", (f"{kind}: {whose}", now_s)).lastrowid or 0)
        return rows

    def forget(self, base: sqlite3.Connection, rows: Sequence[int]) -> None:
        """Take back attempts that succeeded."""
        base.executemany("DELETE FROM attempt WHERE rowid = ?", [(row,) for row in rows])
