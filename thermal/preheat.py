"""Whether the oven itself is steady enough to put the sheet in."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from thermal.build import steady_air_c, steady_wall_c
from thermal.oven import OvenCard

Array = NDArray[np.float64]

#: Rule for a steady oven (our choice): over the last five minutes the air drifts less than this, and is this near to
#: what the card expects; the walls likewise where they are measured.
WATCHED_S = 300.0
DRIFT_K_MIN = 0.5
NEAR_K = 5.0
#: Walls this near to their steady value count as steady, K.
WALL_SETTLED_K = 2.0
_FEWEST_READINGS = 5

Finding = Literal["steady", "moving", "off", "too few readings"]


def preheat_s(card: OvenCard, set_c: float, room_c: float) -> float:
    """How long to wait after the air has reached the set temperature until the walls are settled, s.

    The walls approach the air with the card's lag: lag * ln((set - room)/2 K), the air's own rise taken as quick.
    """
    rise = steady_wall_c(card, set_c) - room_c
    return card.wall_lag_s * math.log(rise / WALL_SETTLED_K) if rise > WALL_SETTLED_K else 0.0


@dataclass(frozen=True)
class Preheat:
    """Verdict on the oven before the sheet goes in.

    Attributes:
        finding: 'steady'; 'moving': it drifts; 'off': steady, but elsewhere than the card expects; 'too few readings'.
        of: what decided: 'air' or 'walls'. drift_k_min: its slope, K/min. departure_k: its mean against what the card
        expects; both None with too few readings.
    """

    finding: Finding
    of: str
    drift_k_min: float | None = None
    departure_k: float | None = None

    @property
    def steady(self) -> bool | None:
        """None where the readings do not tell."""
        return None if self.finding == "too few readings" else self.finding == "steady"


def judge_preheat(card: OvenCard, set_c: float, time_s: Array, air_c: Array, wall_c: Array | None = None) -> Preheat:
    """Judge recorded air (and walls) up to the moment the sheet goes in.

    Args:
        time_s: (readings,), s, up to now. air_c: °C, NaN where nothing was measured. wall_c: as air_c.
    """
    watched = time_s >= (time_s[-1] if len(time_s) else 0.0) - WATCHED_S
    verdicts = [_steadiness("air", time_s[watched], air_c[watched], steady_air_c(card, set_c))]
    if wall_c is not None:
        verdicts.append(_steadiness("walls", time_s[watched], wall_c[watched], steady_wall_c(card, set_c)))
    return next((verdict for verdict in verdicts if verdict.steady is not True), verdicts[0])


def _steadiness(of: str, time_s: Array, value_c: Array, expected_c: float) -> Preheat:
    measured = np.isfinite(value_c)
    t, value = time_s[measured], value_c[measured]
    if len(t) < _FEWEST_READINGS or t[-1] - t[0] < 0.5 * WATCHED_S:
        return Preheat("too few readings", of)
    drift = float(np.polyfit(t - t[0], value, 1)[0]) * 60.0
    departure = float(value.mean()) - expected_c
    moving, off = abs(drift) > DRIFT_K_MIN, abs(departure) > NEAR_K
    return Preheat("moving" if moving else "off" if off else "steady", of, drift, departure)
