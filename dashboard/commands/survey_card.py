"""The surveyed air taken over into an oven's card: proposed, and accepted only by a person."""

from __future__ import annotations

import datetime
import json
import textwrap
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np

from calibration.survey import Survey
from calibration.survey_card import SheetAir, reasons_against, sheet_air, surveyed_card
from calibration.uncertainty_budget import Budget
from dashboard.commands.calibrate_json import plain
from dashboard.commands.survey_text import survey_json
from dashboard.found_card import Goal, Placed, place, placed_words
from dashboard.oven_card_words import NO_REASON
from dashboard.oven_file import card_table
from thermal.oven import OvenCard


@dataclass(frozen=True)
class TakenOver:
    """What became of it: in words, as JSON, and why it was not accepted though that was asked for."""

    text: str
    as_json: dict[str, Any]
    refused: str


def taken_over(
    found: Survey, sure: Budget, name: str, level_m: float, half: str | None, to: Goal, at: datetime.datetime
) -> TakenOver:
    """The card with the surveyed air, put where it is to go.

    Raises:
        InputError: too few places about the sheet, no such oven, or a card that cannot be written there.
    """
    before, today = to.shop.oven(to.oven), datetime.date.today()
    air = sheet_air(found, sure, level_m, half)
    card = surveyed_card(before, air, name, today)
    told = {"sheet_air": {**asdict(air), "covariance": air.covariance.tolist()}}
    record = json.loads(json.dumps({**survey_json(name, found, sure), **told, "card": plain(card_table(card))}))
    remark = f"Oven card of {card.id}, its air by 'pullcue survey' of {name} on {today.isoformat()}."
    done = place(to, card, reasons_against(before, air, sure.factor), record, [remark], at)
    return TakenOver(
        _text(air, before, card, done, to),
        {**told, "card": plain(card_table(done.card)), **done.as_json},
        done.refused,
    )


def _text(air: SheetAir, before: OvenCard, card: OvenCard, done: Placed, to: Goal) -> str:
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
        "",
        "Before you accept it:",
        *(line for one in done.reasons or (NO_REASON,) for line in _wrapped(f"{one}.")),
        "",
        placed_words(done, to),
    ]
    return "\n".join(lines).rstrip()


def _wrapped(words: str) -> list[str]:
    return textwrap.wrap(words, 80, initial_indent="  - ", subsequent_indent="    ")
