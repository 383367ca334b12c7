"""How good a pull of the practice oven was, against what nobody could see: the true sheet and its true window."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from thermal.window import CORE_HOT, DROP_LARGE, LOWER_FACE, UPPER_FACE

Array = NDArray[np.float64]

#: A pull this little outside the window is called right: nobody's hand is quicker, s (our choice).
HAND_S = 2.0


@dataclass(frozen=True)
class Truth:
    """The sheet as it really was, had it stayed in the oven.

    Attributes:
        time_s: since it went in, increasing, (times,). core_c: coldest plane; upper_c, lower_c: faces, °C, (times,).
        drop_mm: (times,), NaN where it hangs as a sack or is not predicted; None: no drop.
        minimum_c: the least its coldest point must have. core_max_c, face_max_c: the most that core and faces stand.
        drop_min_mm, drop_max_mm: wanted and largest drop; None: none.
    """

    time_s: Array
    core_c: Array
    upper_c: Array
    lower_c: Array
    drop_mm: Array | None
    minimum_c: float
    core_max_c: float
    face_max_c: float
    drop_min_mm: float | None = None
    drop_max_mm: float | None = None


@dataclass(frozen=True)
class Score:
    """A pull against the truth.

    Attributes:
        verdict: 'early' (some minimum was not met), 'late' (a maximum was broken) or 'right'. at_s: of the pull.
        opens_s, closes_s: the true window; None: never, as far as the truth goes. closes_by: what closes it.
        above_k: the coldest point above the least it must have, K; negative: short.
        off_s: how much too early or too late, s, positive; None: right, or never ready.
    """

    verdict: Literal["early", "right", "late"]
    at_s: float
    opens_s: float | None
    closes_s: float | None
    closes_by: str | None
    above_k: float
    off_s: float | None


def score(truth: Truth, pulled_s: float) -> Score:
    """Judge a pull.

    Args:
        pulled_s: since the sheet went in, s.
    """
    core_s = _first(truth.time_s, truth.core_c >= truth.minimum_c, truth.core_c - truth.minimum_c)
    opens_s = core_s
    maxima = {
        UPPER_FACE: _passes(truth.time_s, truth.upper_c, truth.face_max_c),
        LOWER_FACE: _passes(truth.time_s, truth.lower_c, truth.face_max_c),
        CORE_HOT: _passes(truth.time_s, truth.core_c, truth.core_max_c),
    }
    if truth.drop_mm is not None:
        # Beyond a sack there is no number, and more drop than any limit.
        drop_mm = np.where(np.isnan(truth.drop_mm), np.inf, truth.drop_mm)
        if truth.drop_min_mm is not None:
            opens_s = max(core_s, _first(truth.time_s, drop_mm >= truth.drop_min_mm))
        if truth.drop_max_mm is not None:
            maxima[DROP_LARGE] = _first(truth.time_s, drop_mm >= truth.drop_max_mm)
    closes_by = min(maxima, key=lambda name: maxima[name])
    closes_s = maxima[closes_by]
    above_k = float(np.interp(pulled_s, truth.time_s, truth.core_c)) - truth.minimum_c
    verdict: Literal["early", "right", "late"] = "right"
    off_s: float | None = None
    if pulled_s > closes_s + HAND_S:
        verdict, off_s = "late", pulled_s - closes_s
    elif pulled_s < opens_s - HAND_S:
        verdict, off_s = "early", _finite(opens_s - pulled_s)
    known = np.isfinite(closes_s)
    return Score(verdict, pulled_s, _finite(opens_s), _finite(closes_s), closes_by if known else None, above_k, off_s)


def _first(time_s: Array, holds: NDArray[np.bool_], margin: Array | None = None) -> float:
    """When a condition first holds, s; infinity for never. With its margin, by a straight line between the times."""
    if not holds.any():
        return float("inf")
    at = int(np.argmax(holds))
    if margin is None or at == 0:
        return float(time_s[at])
    before, after = float(margin[at - 1]), float(margin[at])
    return float(time_s[at - 1] + (time_s[at] - time_s[at - 1]) * -before / (after - before))


def _passes(time_s: Array, values: Array, limit: float) -> float:
    return _first(time_s, values >= limit, values - limit)


def _finite(value: float) -> float | None:
    return float(value) if np.isfinite(value) else None
