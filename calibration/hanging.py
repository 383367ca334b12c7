"""How low a sheet hung in the end: by its drop sensors where they say it, else as each member has it."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

from calibration.evidence import LINES, NOISE_MM, SAG_LN_STD, ZERO_MM, at_time, flow
from calibration.given import Given
from calibration.members import EXTRAS
from thermal.sag import LOST_RATIO, equivalent_radius_m

Array = NDArray[np.float64]

#: A sensor says it by its last readings, of so long, s, or so many, none older than the last of these, s (our choice).
_LAST_S, _LAST, _FRESH_S = 5.0, 3, 30.0
#: Readings further from the members' median than so many standard deviations of the sag law's wander, and than so many
#: of the sensor's zero, may be of something else, as of an oven whose frame was drawn out before the pull was marked,
#: and are not believed (our choice).
_WANDERS, _ZEROS = 5.0, 4.0
#: Standard deviation of a median over that of the mean, of normal readings (sqrt(pi/2)).
_MEDIAN = 1.2533
#: Step of a sequence that fills 0 to 1 evenly: the golden ratio.
_EVENLY = 0.618034


def watched(given: Given) -> bool:
    """Whether the bubble was seen up to the end: a drop sensor still read, or a line was marked."""
    fresh = given.seen.time_s > given.end_s - _FRESH_S
    read = any(np.isfinite(given.seen.columns[name][fresh]).any() for name in given.seen.of_role("drop_mm"))
    return given.hangs and (read or any(event.name in LINES for event in given.seen.events))


def hung(given: Given, normals: Array, time_s: Array, drop_ratio: Array) -> tuple[Array, bool]:
    """Drop over clamp radius at the end, (members,), and whether it was measured.

    The sag law leaves some of a drop that is measured, so that at the end a reading is worth more than the prediction:
    that is moved to the last readings, less the sensor's zero, and keeps only its fall from there to the end. Several
    sensors count alike; their noise, and how far they are apart, spread the members.

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
    below = np.stack([values for values, _ in found])
    noise = float(np.sqrt(sum(std**2 for _, std in found))) / len(found)
    apart = float(np.std(np.median(below, axis=1))) / np.sqrt(len(found))
    evenly = ndtri((_EVENLY * np.arange(1, below.shape[1] + 1)) % 1.0)
    ratio = predicted + below.mean(axis=0) + np.hypot(noise, apart) * evenly
    result: Array = np.clip(ratio, -LOST_RATIO, LOST_RATIO)
    return result, True


def _beside_the_last(
    given: Given, column: str, normals: Array, time_s: Array, drop_ratio: Array
) -> tuple[Array, float] | None:
    """How far a sensor's last readings are below each member, over the radius, (members,), and the standard deviation
    of its noise; None: they say nothing.
    """
    assert given.opening_m is not None
    radius_mm, values, at_s = equivalent_radius_m(given.opening_m) * 1e3, given.seen.columns[column], given.seen.time_s
    good = np.flatnonzero(np.isfinite(values) & (at_s > max(given.end_s - _FRESH_S, 0.0)))
    if not len(good):
        return None
    last = good[(at_s[good] > at_s[good[-1]] - _LAST_S) | (np.arange(len(good)) >= len(good) - _LAST)]
    sensor = given.seen.sensor(column)
    zero_mm = (sensor.bias_k or 0.0) + ZERO_MM * normals[-len(EXTRAS) - 1]
    expected = at_time(time_s, drop_ratio, at_s[last])
    # The middle one of them: a single wild reading moves nothing where there are three.
    below: Array = np.median((values[last, None] - zero_mm) / radius_mm - expected, axis=0)
    at, by = float(np.median(expected[-1])), float(np.median(below))
    wander = abs(float(flow(np.array(at + by)) - flow(np.array(at))))
    far = wander > _WANDERS * SAG_LN_STD and abs(by) * radius_mm > _ZEROS * ZERO_MM
    if far or abs(at + by) > LOST_RATIO:
        return None
    noise_mm = NOISE_MM if sensor.std_k is None else sensor.std_k
    return below, _MEDIAN * noise_mm / float(np.sqrt(len(last))) / radius_mm
