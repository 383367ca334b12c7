"""What marked openings of the door cost the sheet: its core at the end against the same heat without them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from calibration.air import Heard
from calibration.given import Given
from calibration.members import names, solve

#: The air before an opening is the mean of so long, s.
_BEFORE_S = 30.0


def lost_k(given: Given, doors_s: Sequence[float]) -> float:
    """How much colder the sheet as stated was at the end for its marked openings, K, none at least.

    Args:
        doors_s: when the door was opened, s.

    Measured air is compared with the same air that did not fall after an opening below what it had been before; without
    any the oven card says what an opening does.
    """
    air = given.heard
    lost = _core_c(given, None if air is None else _filled(air, doors_s), ()) - _core_c(given, air, doors_s)
    return max(lost, 0.0) if np.isfinite(lost) else 0.0


def _core_c(given: Given, air: Heard | None, doors_s: Sequence[float]) -> float:
    """Coldest point at the end, °C, or when it was last followed."""
    case = replace(given.case, openings_s=(0.0, *doors_s))
    normals = np.zeros((len(names(case)), 1))
    members = solve(case, given.of, None if air is None else [air], normals, given.time_s, given.end_s)
    known = members.coldest_c[np.isfinite(members.coldest_c[:, 0]), 0]
    return float(known[-1])


def _filled(air: Heard, doors_s: Sequence[float]) -> Heard:
    upper_c, lower_c = air.upper_c, air.lower_c
    for door_s in sorted(doors_s):
        before = (air.time_s >= door_s - _BEFORE_S) & (air.time_s < door_s)
        after = air.time_s >= door_s
        if before.any():
            upper_c, lower_c = (
                np.where(after, np.maximum(values, float(np.mean(values[before]))), values)
                for values in (upper_c, lower_c)
            )
    return replace(air, upper_c=upper_c, lower_c=lower_c)
