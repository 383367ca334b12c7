"""Air that is too cold for a heat to go as planned, which a hand can often mend: a door that does not shut, an oven
that was switched off or not preheated.

Said only where every air sensor agrees: one that is cold alone is in the wrong place. (Rules and numbers are ours.)
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from calibration.air import doors_s
from calibration.observed import AIR, Observed
from thermal.build import face_air_k, steady_air_c
from thermal.case import Case
from thermal.heat import role_of
from thermal.notes import Note

Array = NDArray[np.float64]

#: The air now is the mean of so long, s.
_NOW_S = 15.0
#: So long after a door was opened the air does nothing but rise, s.
_RISES_S = 60.0
#: A fall beyond what a thermostat's swing can be, K: twice the swing before the sheet went in, and no less than this;
#: than the second where less than so long of it was read, s.
_FALLS_K, _WHOLE_SWING_S = (8.0, 15.0), 200.0
#: The preheat whose swing is looked at, s before the door.
_PREHEAT_S = (300.0, 10.0)
#: Below the oven's steady air by so much, K, beyond a door's fall that is half as large again and takes twice as long.
_LOW_K, _FALL, _SLOW = 15.0, 1.5, 2.0
#: What was said is said on until the air has risen by so much, K.
_BACK_K = 3.0

#: Without numbers: they are read aloud, and stand large, for as long as it lasts.
FALLEN = Note("The air has fallen and stays low: is the door shut, is the oven on?")
LOW = Note("The air is far below what this oven has at its setting: was it preheated, is the door shut?")


def air_low(case: Case, seen: Observed, now_s: float, before: Note | None = None) -> Note | None:
    """What is to be seen to; None where the air is as warm as it should be, or nobody measures it now.

    Args:
        before: what was said a moment ago.
    """
    names = [name for role in AIR for name in seen.of_role(role)]
    recent = (seen.time_s > now_s - _NOW_S) & (seen.time_s >= 0.0)
    now_c = {name: float(np.nanmean(values[recent])) for name in names
             if np.isfinite((values := seen.columns[name])[recent]).any()}  # fmt: skip
    if case.oven.kind != "convection" or not now_c:  # under emitters the air follows
        return None
    door_s = max((0.0, *doors_s(seen)))
    fallen_k = min(_warmest_c(seen, seen.columns[name], door_s) - now for name, now in now_c.items())
    if fallen_k > _least_fall_k(seen, list(now_c)) - (_BACK_K if before is FALLEN else 0.0):
        return FALLEN
    still_k = _FALL * case.oven.door_drop_k * float(np.exp(-(now_s - door_s) / max(_SLOW * case.oven.recovery_s, 1.0)))
    short_k = min(_steady_c(case, name) - now for name, now in now_c.items())
    if short_k > _LOW_K + still_k - (_BACK_K if before is LOW else 0.0):
        return LOW
    return None


def _warmest_c(seen: Observed, values: Array, door_s: float) -> float:
    """The warmest that the air was since it only rises, °C; minus infinity where nothing was read."""
    since = seen.time_s >= door_s + _RISES_S
    means = _means(seen.time_s[since], values[since])
    return float(np.max(means)) if len(means) else -np.inf


def _means(time_s: Array, values: Array) -> Array:
    """Means of what was read in each stretch of `_NOW_S`: a single wild reading is no warm air."""
    good = np.isfinite(values)
    if not good.any():
        return np.zeros(0)
    place = ((time_s[good] - time_s[good][0]) // _NOW_S).astype(np.intp)
    count = np.bincount(place)
    total = np.bincount(place, values[good])
    often = count >= 0.5 * count.max()
    result: Array = total[often] / count[often]
    return result


def _least_fall_k(seen: Observed, names: list[str]) -> float:
    before = (seen.time_s > -_PREHEAT_S[0]) & (seen.time_s < -_PREHEAT_S[1])
    swings = [np.nanmax(v) - np.nanmin(v) for name in names if np.isfinite(v := seen.columns[name][before]).any()]
    known_s = seen.time_s[before]
    whole = len(known_s) > 1 and float(known_s[-1] - known_s[0]) >= _WHOLE_SWING_S
    least_k = _FALLS_K[0] if swings and whole else _FALLS_K[1]
    return max(least_k, 2.0 * float(max(swings, default=0.0)))


def _steady_c(case: Case, name: str) -> float:
    """What this air is in the oven at its setting, °C."""
    upper_k, lower_k = (float(np.asarray(k).item()) for k in face_air_k(case.oven))
    return steady_air_c(case.oven, case.set_c) + (upper_k if role_of(name) == AIR[0] else lower_k)
