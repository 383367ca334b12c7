"""One virtual heat and its estimator, for tests of the live estimate and the cue."""

from __future__ import annotations

from functools import lru_cache

import numpy as np

from calibration.estimator import Estimator
from calibration.observed import Observed
from live_cases import ROUGH, cell
from thermal.case import Case
from thermal.window import Limits
from virtual_heats import LINE_MM, Truth, readings, virtual_heats

OPENING_M = (0.3,)
#: What `virtual_heats.readings` knows; another name would be no reading at all.
SEEN_BY = {"air", "face", "faces", "drop", "lines", "clear"}


@lru_cache(maxsize=4)
def truth(opening: bool = False, gauge_mm: float = 4.0) -> Truth:
    """Two heats of one cell; the first is used."""
    case, of = cell(gauge_mm, ROUGH, OPENING_M if opening else None)
    return virtual_heats(case, of, 2, 5, 1200.0)


def seen(*sensors: str, opening: bool = False) -> Observed:
    """What these sensors gave of the heat."""
    assert set(sensors) <= SEEN_BY, sensors
    return readings(truth(opening), 0, frozenset(sensors), 5)


def nominal(opening: bool = False) -> tuple[Case, Limits]:
    """The heat as it was planned."""
    return cell(4.0, ROUGH, OPENING_M if opening else None)


def estimator(
    opening: bool = False, trusted: frozenset[str] = frozenset(), members: int = 96, walks: bool = True
) -> Estimator:
    """One that knows the plan."""
    case, of = nominal(opening)
    return Estimator(case, of, LINE_MM, trusted=trusted, members=members, walks=walks)


def core_c(at_s: float, opening: bool = False) -> float:
    """The true coldest temperature, °C."""
    members = truth(opening).members
    return float(np.interp(at_s, members.time_s, members.coldest_c[:, 0]))
