"""Shares of yes among few answers: their interval, and a control chart of them."""

from __future__ import annotations

from math import sqrt

import numpy as np
from numpy.typing import NDArray

from calibration.control_chart import Chart

#: Half of a 95 % interval of a normal value, standard deviations.
_Z = 1.959964
#: Fewer stretches of time, or fewer answers in all, set no limits.
FEWEST_STRETCHES, FEWEST_ANSWERS = 6, 30


def wilson(yes: int, count: int) -> tuple[float, float]:
    """95 % interval of a share; (0, 1) of no answers.

    E.B. Wilson, J. Am. Stat. Assoc. 22 (1927) 209-212. It holds for few answers and for none or all of one kind, where
    the usual share ± 2 standard errors does not (R.G. Newcombe, Statist. Med. 17 (1998) 857-872).
    """
    if not count:
        return 0.0, 1.0
    share, z2 = yes / count, _Z * _Z
    middle = (share + z2 / (2 * count)) / (1.0 + z2 / count)
    half = _Z * sqrt(share * (1.0 - share) / count + z2 / (4.0 * count * count)) / (1.0 + z2 / count)
    return max(0.0, middle - half), min(1.0, middle + half)


def share_chart(yes: NDArray[np.int64], count: NDArray[np.int64]) -> Chart | None:
    """Control chart of shares (p chart, ISO 7870-2) with limits that follow how many there were, each (stretches,):

        p ± 3 sqrt(p (1 - p) / n), within 0 and 1

    None: too few stretches or answers for limits, or all answers are of one kind.
    """
    total = int(count.sum())
    if len(count) < FEWEST_STRETCHES or total < FEWEST_ANSWERS or (count < 1).any():
        return None
    mean = float(yes.sum()) / total
    if mean in (0.0, 1.0):
        return None
    points = yes / count
    wide = 3.0 * np.sqrt(mean * (1.0 - mean) / count)
    low, high = np.maximum(mean - wide, 0.0), np.minimum(mean + wide, 1.0)
    return Chart(points, mean, low, high, (points < low) | (points > high))
