"""A whole calibration: screened heats, the fit, what it can tell, the held-out check, the card, the next heat."""

from __future__ import annotations

import datetime
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

from calibration.fitted_card import fitted_card
from calibration.held_out import HeldOut, held_out
from calibration.identify import Finding, findings
from calibration.next_heat import Advice, judged, next_heats
from calibration.oven_fit import OvenFit
from calibration.ready import ReadySlope
from calibration.run import Run
from calibration.screening import Odd, screened
from calibration.unknowns import Settings
from thermal.fields import InputError
from thermal.oven import OvenCard
from thermal.polymer import Polymer


@dataclass(frozen=True)
class Calibration:
    """All that came out.

    Attributes:
        fit; card: proposed. odd: set aside, with its reason. findings: what the heats can tell. ready: ready times of
        sheets of the trade in this oven. checks: each heat predicted from the others. advice: heats to make next, the
        best first. doubts: reasons not to accept the card; empty: none was found. prior: of the oven: 'card', its
        stated uncertainty; 'usual', the spreads of `unknowns`; 'none'.
    """

    fit: OvenFit
    card: OvenCard
    odd: tuple[Odd, ...]
    findings: tuple[Finding, ...]
    ready: tuple[ReadySlope, ...]
    checks: tuple[HeldOut, ...]
    advice: tuple[Advice, ...]
    doubts: tuple[str, ...]
    prior: Literal["card", "usual", "none"]


def calibrate(
    card: OvenCard,
    runs: Sequence[Run],
    today: datetime.date,
    settings: Settings | None = None,
    prior: OvenCard | None = None,
    polymers: Mapping[str, Polymer] | None = None,
    check: bool = True,
) -> Calibration:
    """Calibrate an oven; for the arguments see `screening.screened` and `oven_fit.fit`.

    Args:
        today: date of the card. check: make the held-out check, which fits once more for every heat.

    Raises:
        InputError: no reading of a sheet, one heat given twice, or heats that do not go together.
    """
    _each_once(runs)
    left = screened(card, runs, settings, prior, polymers)
    told = findings(left.fit, prior is not None)
    checks = tuple(held_out(left.fit, prior)) if check else ()
    return Calibration(
        left.fit,
        fitted_card(left.fit, today),
        left.odd,
        told,
        tuple(judged(left.fit)),
        checks,
        tuple(next_heats(left.fit)),
        tuple(_doubts(left.fit, told, checks, left.odd)),
        "none" if not left.fit.settings.oven_priors else "usual" if prior is None else "card",
    )


def _each_once(runs: Sequence[Run]) -> None:
    """A heat that counts twice would fake precision."""
    first: dict[str, str] = {}
    for run in runs:
        if run.fingerprint in first:
            raise InputError(f"{first[run.fingerprint]} and {run.name} are the same heat: leave one of them out")
        if run.fingerprint:
            first[run.fingerprint] = run.name


def _doubts(of: OvenFit, told: Sequence[Finding], checks: Sequence[HeldOut], odd: Sequence[Odd]) -> list[str]:
    found = [one.text for one in odd]
    if of.status != "converged":
        found.append(f"The fit has {of.status}")
    if not of.fits:
        found.append(f"The model does not fit: residuals are {of.misfit:.1f} times what the sensors' noise explains")
    if of.starts > 1 and of.agreeing < of.starts:
        found.append("Another start ended at another minimum: the values are the better one's")
    missed = [one for one in checks if not one.held]
    if missed and len(missed) > max(1, len(checks) // 5):
        found.append(f"{len(missed)} of {len(checks)} held-out heats were outside their interval")
    heats = sum(bool(run.series) for run in of.runs)
    if heats < 2:
        found.append("One heat alone: nothing shows that it repeats")
    found += [one.text for one in told if one.kind in ("pulled", "bound")]
    return found
