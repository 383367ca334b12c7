"""What a survey says of the air about a sheet, taken over into the oven's card: plans use it."""

from __future__ import annotations

import datetime
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from calibration.fitted_card import SET_BEYOND_K
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
#: Of a card's evidence, what says how that very card came about, by whom it was accepted, and what was surveyed then.
_OF_ITS_OWN = (
    "status", "found", "proposal", "reasons", "accepted", "accepted_by", "surveyed", "survey", "survey_set_c",
    "sheet_z_mm", "half",
)  # fmt: skip


@dataclass(frozen=True)
class SheetAir:
    """Air about a sheet at one level, where it hangs.

    Attributes:
        off_k: mean of above and below less the setting. upper_k, lower_k: above and below less that mean.
        covariance: of the three, K2, (3, 3). above, below: places that count. set_c: the setting surveyed. level_m:
        height of the sheet. half: of the oven; None: all of it.
    """

    off_k: float
    upper_k: float
    lower_k: float
    covariance: Array
    above: int
    below: int
    set_c: float
    level_m: float
    half: str | None


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
    counts = len(above), len(below)
    return SheetAir(mean - of.set_c, up - mean, down - mean, covariance, *counts, of.set_c, level_m, half)


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
    return replace(
        card,
        air_offset_k=round(air.off_k - card.dial_offset_k, 3),
        upper=replace(card.upper, air_offset_k=round(air.upper_k, 3)),
        lower=replace(card.lower, air_offset_k=round(air.lower_k, 3)),
        uncertainty=_uncertainty(card.uncertainty, air.covariance),
        evidence=_evidence(card, air, name, today),
    )


def _evidence(card: OvenCard, air: SheetAir, name: str, today: datetime.date) -> dict[str, Any]:
    """What the rest of the card rests on, when that was calibrated and as which proposal, and the survey."""
    before = dict(card.evidence or {})
    if "surveyed" not in before:
        before |= {new: before[old] for new, old in (("calibrated", "found"), ("calibration", "proposal"))
                   if old in before}  # fmt: skip
    return {
        **{key: value for key, value in before.items() if key not in _OF_ITS_OWN},
        "status": "proposed",
        "found": today,
        "surveyed": today,
        "survey": name,
        "survey_set_c": air.set_c,
        "sheet_z_mm": round(air.level_m * 1e3, 3),
        **({} if air.half is None else {"half": air.half}),
    }


def reasons_against(card: OvenCard, air: SheetAir, factor: float) -> tuple[str, ...]:
    """What speaks against taking the surveyed air over into a card: sentences without full stops.

    The air above or below the sheet may move by the survey's own expanded uncertainty: the coverage factor times the
    standard uncertainty of that side's mean (JCGM 100, 6.2.1). Farther, survey and card contradict each other.

    Args:
        card: the one in force. factor: of coverage, as `uncertainty_budget.Budget` has it.
    """
    found = []
    low, high = card.valid.set_c or (card.set_c - SET_BEYOND_K, card.set_c + SET_BEYOND_K)
    if not low <= air.set_c <= high:
        found.append(
            f"The survey was set to {air.set_c:g} °C, outside the {low:g} to {high:g} °C for which the card holds"
        )
    was_k = card.air_offset_k + card.dial_offset_k
    sides = (("above", air.upper_k, card.upper.air_offset_k, 1), ("below", air.lower_k, card.lower.air_offset_k, 2))
    for words, now_k, before_k, i in sides:
        moved_k = (air.off_k + now_k) - (was_k + before_k)
        pick = np.array([1.0, float(i == 1), float(i == 2)])
        allowed_k = factor * float(np.sqrt(pick @ air.covariance @ pick))
        if abs(moved_k) > allowed_k:
            found.append(
                f"The air {words} the sheet moves by {moved_k:+.1f} K, more than the survey's expanded uncertainty of "
                f"{allowed_k:.1f} K: heat transfer and walls, found with the old air, no longer go with it"
            )
    return tuple(found)


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
