"""What a survey says of the air about a sheet, taken over into the oven's card: plans use it."""

from __future__ import annotations

import datetime
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from calibration.survey import AXES, Place, Survey
from calibration.uncertainty_budget import Budget
from thermal.fields import InputError
from thermal.oven import OvenCard, Uncertainty

Array = NDArray[np.float64]

#: Fewer places above or below the sheet than this do not tell how its air differs.
FEWEST = 2
#: Halves of an oven in which a sheet may hang.
HALVES = ("left", "right", "front", "back")
_NAMES = ("air.offset_k", "upper.air_offset_k", "lower.air_offset_k")


@dataclass(frozen=True)
class SheetAir:
    """Air about a sheet at one level, where it hangs.

    Attributes:
        off_k: mean of above and below less the setting. upper_k, lower_k: above and below less that mean.
        covariance: of the three, K2, (3, 3). above, below: places that count.
    """

    off_k: float
    upper_k: float
    lower_k: float
    covariance: Array
    above: int
    below: int


def sheet_air(of: Survey, sure: Budget, level_m: float, half: str | None = None) -> SheetAir:
    """The air above and below a sheet.

    A thermocouple's uncertainty (class, reference, drift) may be common to all, as of one reel of wire, and counts
    fully for the mean; above against below only their places' scatter counts.

    Args:
        sure: of one place's mean. level_m: height of the sheet, as the places' z_m. half: of `HALVES`; None: all.

    Raises:
        InputError: too few places with a height on one side.
    """
    places = [one for one in of.places if one.z_m is not None and _in(one, of, half)]
    above = np.array([one.mean_c for one in places if one.z_m is not None and one.z_m > level_m])
    below = np.array([one.mean_c for one in places if one.z_m is not None and one.z_m < level_m])
    for side, there in (("above", above), ("below", below)):
        if len(there) < FEWEST:
            where = "" if half is None else f" in the {half} half"
            raise InputError(
                f"the survey has {len(there)} places {side} a sheet at z {level_m * 1e3:g} mm{where}: expected "
                f"{FEWEST} at least with z_mm stated; give the sheet's height, or place more thermocouples"
            )
    up, down = float(above.mean()), float(below.mean())
    variances = np.array([float(side.var(ddof=1)) / len(side) for side in (above, below)])
    turn = np.array([[0.5, 0.5], [0.5, -0.5], [-0.5, 0.5]])
    covariance = turn @ np.diag(variances) @ turn.T
    covariance[0, 0] += sure.combined_k**2
    mean = 0.5 * (up + down)
    return SheetAir(mean - of.set_c, up - mean, down - mean, covariance, len(above), len(below))


def _in(one: Place, of: Survey, half: str | None) -> bool:
    """Whether a place lies in a half of the oven; its middle belongs to both."""
    if half is None:
        return True
    axis, side = next((axis, names.index(half)) for axis, names in AXES.items() if half in names)
    at = getattr(one, axis)
    known = [getattr(p, axis) for p in of.places if getattr(p, axis) is not None]
    middle = 0.5 * (min(known) + max(known)) if known else 0.0
    return at is not None and (at >= middle - 1e-9 if side else at <= middle + 1e-9)


def surveyed_card(card: OvenCard, air: SheetAir, name: str, today: datetime.date) -> OvenCard:
    """The card with the surveyed air, its uncertainty, and what it rests on; all else as it was."""
    evidence = {**(card.evidence or {}), "status": "proposed", "surveyed": today, "survey": name}
    return replace(
        card,
        air_offset_k=round(air.off_k - card.dial_offset_k, 3),
        upper=replace(card.upper, air_offset_k=round(air.upper_k, 3)),
        lower=replace(card.lower, air_offset_k=round(air.lower_k, 3)),
        uncertainty=_uncertainty(card.uncertainty, air.covariance),
        evidence=evidence,
    )


def _uncertainty(before: Uncertainty | None, ours: Array) -> Uncertainty:
    """What was stated of the rest, and the surveyed air's; the two were found apart, so nothing couples them.

    Above and below against their mean are opposite, which leaves one direction without any uncertainty: a hundredth of
    a kelvin keeps the matrix positive.
    """
    order = () if before is None else before.order
    keep = [i for i, one in enumerate(order) if one not in _NAMES]
    whole = np.zeros((len(keep) + 3,) * 2)
    if before is not None:
        whole[: len(keep), : len(keep)] = np.array(before.covariance)[np.ix_(keep, keep)]
    whole[len(keep) :, len(keep) :] = ours + 1e-4 * np.eye(3)
    names = (*(order[i] for i in keep), *_NAMES)
    return Uncertainty(names, tuple(tuple(float(f"{x:.6g}") for x in row) for row in whole))
