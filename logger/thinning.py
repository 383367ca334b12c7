"""Samples outside heats, thinned: they show preheat and drift, and one second of ten is enough for that.

The rule: of the seconds that lie in no heat, not within 30 minutes before the start of one, and not in the newest hour
of the run (a start may still be set back there by 30 minutes), those whose number in the run is a multiple of 10 are
kept whole and the others go. No value is averaged or altered.
"""

from __future__ import annotations

from sqlalchemy import Connection, delete, exists, func, select

from logger.schema import blocks, heats

KEPT_WHOLE_S = 1800
NEWEST_WHOLE_S = 2 * KEPT_WHOLE_S
KEEP_EVERY_S = 10
#: A second begins at most this long before its last sample.
_BLOCK_S = 1


def thin(connection: Connection, run_seq: int, before_s: float) -> int:
    """Drop what the rule drops of a run before `before_s`; how many seconds went."""
    newest = connection.execute(select(func.max(blocks.c.second)).where(blocks.c.run == run_seq)).scalar()
    if newest is None:
        return 0
    kept = exists().where(
        heats.c.run == blocks.c.run,
        blocks.c.second >= heats.c.start_s - (KEPT_WHOLE_S + _BLOCK_S),
        heats.c.end_s.is_(None) | (blocks.c.second <= heats.c.end_s),
    )
    done = connection.execute(
        delete(blocks).where(
            blocks.c.run == run_seq,
            blocks.c.second < min(before_s, newest - NEWEST_WHOLE_S),
            blocks.c.second % KEEP_EVERY_S != 0,
            ~kept,
        )
    )
    return done.rowcount
