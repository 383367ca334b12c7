"""From the oven door to the mold: how long the sheet that was pulled stays formable."""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum

from calibration.estimate import Estimate
from calibration.estimator import Estimator
from calibration.observed import Observed
from thermal.carries import CarryIn, carries_of
from thermal.carry import Carry
from thermal.case import Case

PULLED, ON_MOLD, DEMOLDED = "pulled", ("on_mold", "vacuum_on"), "demolded"


class After(Enum):
    """What is told once the sheet is out of the oven, in the words that are shown."""

    CARRY = "carry"
    COLD = "too cold"
    MOLD = "on the mold"


@dataclass(frozen=True)
class Pulled:
    """A sheet that was pulled.

    Attributes:
        at_s: when, s since it went in. estimate: of that moment. carry: how long it stays formable in a still room,
        which is counted down; both None while they are computed. carries: the same on a cold morning, in a draught,
        over a mold.
        on_mold_s: when it was on the mold, or the part already off it; None: not yet, as far as was marked.
    """

    at_s: float
    estimate: Estimate | None = None
    carry: Carry | None = None
    carries: tuple[CarryIn, ...] = ()
    on_mold_s: float | None = None

    def state(self, now_s: float) -> After:
        """What is told at a moment, s since the sheet went in."""
        if self.on_mold_s is not None and self.on_mold_s <= now_s:
            return After.MOLD
        left_s = self.left_s(now_s)
        return After.COLD if left_s is not None and left_s <= 0.0 else After.CARRY

    def left_s(self, now_s: float) -> float | None:
        """How long the sheet is still formable, s, at least 0; None: for longer than half an hour, or not known yet."""
        if self.carry is None or self.carry.formable_s is None:
            return None
        return max(self.at_s + self.carry.formable_s - now_s, 0.0)


def as_it_left(estimator: Estimator, inside: Observed, out_s: float, case: Case, room_c: float) -> Pulled:
    """The sheet that left the oven at a moment, s. Takes some tenths of a second.

    Args:
        inside: what was seen until then. room_c: for the carry, °C.
    """
    estimate = estimator.at(inside, out_s)
    profile_c, drop_ratio = estimator.profile_c(inside, out_s)
    return Pulled(out_s, estimate, *carries_of(case, profile_c, drop_ratio, room_c))


def pulled_s(seen: Observed) -> float | None:
    """When the sheet was pulled, s; None: it is in the oven."""
    return next((at for at in seen.when(PULLED) if at > 0.0), None)


def on_mold_s(seen: Observed, since_s: float) -> float | None:
    """When the sheet that was pulled reached the mold; None: not marked. That a part was demolded does not say it."""
    return _first(seen, ON_MOLD, since_s)


def carried_until_s(seen: Observed, since_s: float) -> float | None:
    """From when on no sheet is carried any more: it is on the mold, or the part was taken off it; None: not marked."""
    return _first(seen, (*ON_MOLD, DEMOLDED), since_s)


def _first(seen: Observed, names: tuple[str, ...], since_s: float) -> float | None:
    return min((at for name in names for at in seen.when(name) if at >= since_s), default=None)
