"""The surveyed air taken over into an oven's card: proposed, and accepted only by a person."""

from __future__ import annotations

import datetime
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import numpy as np

from calibration.survey import Survey
from calibration.survey_card import SheetAir, sheet_air, surveyed_card
from calibration.uncertainty_budget import Budget
from dashboard.oven_file import accepted, card_table, card_target, card_text, write_card
from dashboard.shop import open_shop
from thermal.oven import OvenCard


@dataclass(frozen=True)
class TakenOver:
    """What became of it: in words, and as JSON."""

    text: str
    as_json: dict[str, Any]


def taken_over(
    found: Survey, sure: Budget, name: str, oven_id: str, level_m: float, half: str | None, out: Path | None,
    accept: str | None, shop: Path | None,
) -> TakenOver:  # fmt: skip
    """The card with the surveyed air, written where it was asked to be.

    Raises:
        InputError: too few places about the sheet, no such oven, or a card that cannot be written there.
    """
    workshop = open_shop(shop)
    before = workshop.oven(oven_id)
    target = card_target(out, accept, workshop, oven_id)
    today = datetime.date.today()
    air = sheet_air(found, sure, level_m, half)
    card = surveyed_card(before, air, name, today)
    if accept is not None:
        card = accepted(card, accept, today)
    kept = None
    if target is not None:
        remark = f"Oven card of {card.id}, its air by 'pullcue survey' of {name} on {today.isoformat()}."
        kept = write_card(card_text(card, [remark]), target, today, accept is not None)
    told = {
        "sheet_air": {**asdict(air), "covariance": air.covariance.tolist()},
        "card": card_table(card),
        "written_to": None if target is None else str(target),
        "earlier_kept_as": None if kept is None else str(kept),
    }
    return TakenOver(_text(air, before, card, target, kept, accept is not None), told)


def _text(
    air: SheetAir, before: OvenCard, card: OvenCard, target: Path | None, kept: Path | None, by_a_person: bool
) -> str:
    std = np.sqrt(np.diag(air.covariance))
    rows = (
        ("air offset_k", before.air_offset_k, card.air_offset_k),
        ("upper air_offset_k", before.upper.air_offset_k, card.upper.air_offset_k),
        ("lower air_offset_k", before.lower.air_offset_k, card.lower.air_offset_k),
    )
    lines = [
        f"air at the sheet, from {air.above} places above and {air.below} below it:",
        *(
            f"  {words:20s} {was:+7.2f} -> {now:+7.2f} ± {k:.2f} K"
            for (words, was, now), k in zip(rows, std, strict=True)
        ),
        "Heat transfer and walls stay as they were: found with the old air, they are",
        "best found anew ('pullcue calibrate').",
    ]
    if target is None:
        lines.append("Not written: name a file with --out, or accept the card with --accept INITIALS.")
    else:
        lines.append(f"Card written to {target}" + (f"; the one before is kept as {kept}" if kept else ""))
        if not by_a_person:
            lines.append("It is a proposal until a person accepts it: the same with --accept INITIALS.")
    return "\n".join(lines)
