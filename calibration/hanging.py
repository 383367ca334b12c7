"""How low a sheet hung in the end: by its drop sensors where they say it, else as each member has it."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

from calibration.evidence import NOISE_MM, SAG_LN_STD, ZERO_MM, at_time, flow
from calibration.given import Given
from calibration.members import EXTRAS
from thermal.sag import LOST_RATIO, equivalent_radius_m

Array = NDArray[np.float64]

#: A sensor says it by its last readings, of so long, s, where the last is no older than the second, s (our choice).
_LAST_S, _FRESH_S = 5.0, 30.0
#: Readings further from what the members have than so many standard deviations of the sag law's wander, and than so
#: many of the sensor's zero, are of something else: a frame that was drawn out before the pull was marked (our choice).
_WANDERS, _ZEROS = 5.0, 4.0
#: Standard deviation of a median over that of the mean, of normal readings (sqrt(pi/2)).
_MEDIAN = 1.2533
#: Step of a sequence that fills 0 to 1 evenly: the golden ratio.
_EVENLY = 0.618034


def hung(given: Given, normals: Array, time_s: Array, drop_ratio: Array) -> tuple[Array, bool]:
    """Drop over clamp radius at the end, (members,), and whether it was measured.

    The sag law leaves some of a drop that is measured, so that at the end a reading is worth more than the prediction:
    that is moved to the last readings, less the sensor's zero, and keeps only its fall from there to the end.

    Args:
        normals: of the members, as in `members.names`, that of the sensor's zero among them. time_s, drop_ratio: the
        members' predictions, (times,), (times, members), followed to the end at least.
    """
    predicted: Array = at_time(time_s, drop_ratio, np.array([given.end_s]))[0]
    found = [
        moved
        for column in given.seen.of_role("drop_mm")
        if (moved := _beside_the_last(given, column, normals, time_s, drop_ratio)) is not None
    ]
    if not found:
        return predicted, False
    ratio: Array = np.clip(predicted + np.mean(found, axis=0), -LOST_RATIO, LOST_RATIO)
    return ratio, True


def _beside_the_last(given: Given, column: str, normals: Array, time_s: Array, drop_ratio: Array) -> Array | None:
    """How far a sensor's last readings are below each member, over the radius, (members,); None: they say nothing."""
    assert given.opening_m is not None
    radius_mm, values = equivalent_radius_m(given.opening_m) * 1e3, given.seen.columns[column]
    good = np.isfinite(values) & (given.seen.time_s >= 0.0)
    last_s = float(np.max(given.seen.time_s[good], initial=-np.inf))
    if last_s < given.end_s - _FRESH_S:
        return None
    last = good & (given.seen.time_s > last_s - _LAST_S)
    sensor = given.seen.sensor(column)
    zero_mm = (sensor.bias_k or 0.0) + ZERO_MM * normals[-len(EXTRAS) - 1]
    expected = at_time(time_s, drop_ratio, given.seen.time_s[last])
    # The middle one of them: a single wild reading moves nothing.
    below: Array = np.median((values[last, None] - zero_mm) / radius_mm - expected, axis=0)
    at, by = float(np.median(expected[-1])), float(np.median(below))
    wander = abs(float(flow(np.array(at + by)) - flow(np.array(at))))
    if wander > _WANDERS * SAG_LN_STD and abs(by) * radius_mm > _ZEROS * ZERO_MM:
        return None
    noise_mm = NOISE_MM if sensor.std_k is None else sensor.std_k
    std = _MEDIAN * noise_mm / np.sqrt(np.count_nonzero(last)) / radius_mm
    spread: Array = below + std * ndtri((_EVENLY * np.arange(1, len(below) + 1)) % 1.0)
    return spread
