"""The times at which members are compared with readings: close together where much happens, further apart elsewhere."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

#: Spacing since the door was opened last: this share of the time since, at least so much, s. A sheet's answer to a
#: fall of its air is smooth on that scale.
_SHARE, _CLOSEST_S = 0.1, 2.0
#: Widest spacing, s; a bubble's fall is quicker. Of a long heat, this share of it, so that its cost does not grow.
_WIDEST_S, _WIDEST_OF_BUBBLE_S = 12.0, 6.0
_WIDEST_SHARE, _WIDEST_SHARE_OF_BUBBLE = 1 / 100, 1 / 200
#: Where the air jumps, the moment before is kept too, s.
_JUST_S = 0.5
#: Spacing ahead: from this on, growing with the distance, s.
_AHEAD_S, _AHEAD_SHARE, _AHEAD_WIDEST_S = 8.0, 0.12, 60.0


def widest_s(now_s: float, bubble: bool) -> float:
    """Widest spacing of the times up to `now_s`, s."""
    if bubble:
        return max(_WIDEST_OF_BUBBLE_S, _WIDEST_SHARE_OF_BUBBLE * now_s)
    return max(_WIDEST_S, _WIDEST_SHARE * now_s)


def past(now_s: float, doors_s: tuple[float, ...], widest_s: float) -> Array:
    """Times from 0 to `now_s`, s, both among them, finer after each opening of the door."""
    starts = sorted({0.0, *(at for at in doors_s if 1.0 < at < now_s)})
    found = []
    for start, end in zip(starts, [*starts[1:], now_s], strict=True):
        at, times = start, []
        while at < end - _JUST_S:
            times.append(at)
            at += min(max(_SHARE * (at - start), _CLOSEST_S), widest_s)
        found += [*times, end - _JUST_S] if end < now_s else times
    return np.unique([*found, now_s])


def ahead(now_s: float, until_s: float) -> Array:
    """Times after `now_s` up to `until_s` or a little beyond, s."""
    times, at = [], now_s
    while at < until_s:
        at += min(max(_AHEAD_S, _AHEAD_SHARE * (at - now_s)), _AHEAD_WIDEST_S)
        times.append(at)
    return np.array(times)
