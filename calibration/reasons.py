"""The likeliest plain reason why a heat goes otherwise than planned: the departure of oven or sheet that the evidence
pushes furthest from what is stated, in units of its own uncertainty.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from thermal.case import NONE, Case, Departures
from thermal.notes import Note
from thermal.uncertainty import departures, unknowns

Array = NDArray[np.float64]

#: A departure is named from this many of its standard deviations on.
NAMED = 2.0

#: Departure -> what to say where it is low, and where it is high.
_WORDS = {
    "h_upper": (
        "the upper face takes up heat more slowly than the oven card says (fan, film left on?)",
        "the upper face takes up heat faster than the oven card says",
    ),
    "h_lower": (
        "the lower face takes up heat more slowly than the oven card says (fan, film left on?)",
        "the lower face takes up heat faster than the oven card says",
    ),
    "air_k": (
        "the air at the sheet is colder than its sensor, or the display, says",
        "the air at the sheet is hotter than its sensor, or the display, says",
    ),
    "wall_k": ("the oven's walls are colder than its card says", "the oven's walls are hotter than its card says"),
    "gauge": ("the sheet is thinner than its label", "the sheet is thicker than its label"),
    "start_k": ("the sheet was colder than stated when it went in", "the sheet was warmer than stated when it went in"),
    "melting_k": (
        "the sheet melts lower than its polymer: is it another?",
        "the sheet melts higher than its polymer: is it another?",
    ),
    "heat_capacity": (
        "the sheet warms faster than its polymer should: is it another, or does the oven give more heat?",
        "the sheet warms more slowly than its polymer should: is it another, or does the oven give less heat "
        "(fan, film left on)?",
    ),
    "conductivity": (
        "heat reaches the core more slowly than in its polymer: is it another?",
        "heat reaches the core faster than in its polymer: is it another?",
    ),
    "viscosity": (
        "the bubble falls faster than its polymer's would: softer grade?",
        "the bubble falls more slowly than its polymer's would: stiffer grade, or a colder core?",
    ),
    "emitter": ("the emitters give less than the oven card says", "the emitters give more than the oven card says"),
    "emitter_k": (
        "the emitters are colder than the oven card says",
        "the emitters are hotter than the oven card says",
    ),
    "contact": ("the sheet lies badly on its tray", "the sheet lies better on its tray than the oven card says"),
}
_BOTH = (
    "both faces take up heat more slowly than the oven card says (fan, film left on, oven below its display?)",
    "both faces take up heat faster than the oven card says (oven above its display?)",
)
_DRAWS = 200


def likeliest(case: Case, mean: Array, spread: dict[str, float]) -> Note | None:
    """The departure that is pushed furthest; None where none is remarkable.

    Args:
        mean: the posterior's mean of the case's unknowns, (unknowns,), as standard normal numbers of the prior.
        spread: of the departures (`spreads`).
    """
    moved = departures(case, mean[:, None])
    score = {}
    for name in _WORDS:
        std = spread[name]
        if std > 0.0:
            score[name] = (_number(moved, name) - float(getattr(NONE, name))) / std
    worst = max(score, key=lambda name: abs(score[name]), default=None)
    if worst is None or abs(score[worst]) < NAMED:
        return None
    high = int(score[worst] > 0.0)
    sides = [score.get(name, 0.0) for name in ("h_upper", "h_lower")]
    together = worst in ("h_upper", "h_lower") and min(sides[0] * sides[1], 1.0) > 0.0 and min(map(abs, sides)) > 1.0
    return Note(f"Likeliest reason: {_BOTH[high] if together else _WORDS[worst][high]}")


def _number(by: Departures, name: str) -> float:
    return float(np.asarray(getattr(by, name), float).ravel()[0])


def spreads(case: Case) -> dict[str, float]:
    """Prior standard deviation of every departure that has words."""
    normals = np.random.default_rng(1).standard_normal((len(unknowns(case)), _DRAWS))
    by = departures(case, normals)
    return {name: float(np.std(np.asarray(getattr(by, name), float))) for name in _WORDS}
