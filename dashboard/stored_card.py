"""The oven card that was kept with a heat, read back from its JSON."""

from __future__ import annotations

import datetime
import json
import math
from dataclasses import fields
from typing import Any

from thermal.fields import InputError
from thermal.oven import Emitter, Face, OvenCard, Tray, Uncertainty, Valid


def stored_card(text: str, where: str) -> OvenCard:
    """The card as it was when the heat was recorded.

    Raises:
        InputError: the text is no card: it was altered, or comes from another version.
    """
    try:
        found: dict[str, Any] = json.loads(text)
        found["upper"], found["lower"] = _face(found["upper"]), _face(found["lower"])
        found["tray"] = None if found.get("tray") is None else Tray(**found["tray"])
        found["uncertainty"] = _uncertainty(found.get("uncertainty"))
        found["valid"] = _valid(found.get("valid") or {})
        card = OvenCard(**found)
        _must_be_numbers(card)
        return card
    except (ValueError, KeyError, TypeError, AttributeError) as error:
        raise InputError(
            f"{where}: the oven card kept with it cannot be read ({type(error).__name__}): give one with --oven-card"
        ) from None


def _must_be_numbers(card: OvenCard) -> None:
    """Raise where a text, or infinity, stands in a number's place."""
    parts: list[Any] = [card, card.upper, card.lower, card.tray, card.upper.emitter, card.lower.emitter]
    for part in parts:
        for one in () if part is None else fields(part):
            value = getattr(part, one.name)
            if one.type == "float" and not (isinstance(value, int | float) and math.isfinite(value)):
                raise ValueError(one.name)
    if card.kind not in ("convection", "infrared") or not isinstance(card.id, str):
        raise ValueError("kind")


def _face(found: dict[str, Any]) -> Face:
    emitter = found.get("emitter")
    return Face(**{**found, "emitter": None if emitter is None else Emitter(**emitter)})


def _uncertainty(found: dict[str, Any] | None) -> Uncertainty | None:
    if found is None:
        return None
    return Uncertainty(tuple(found["order"]), tuple(tuple(map(float, row)) for row in found["covariance"]))


def _valid(found: dict[str, Any]) -> Valid:
    until = found.get("until")
    pairs = {name: None if found.get(name) is None else tuple(found[name]) for name in ("set_c", "gauge_mm")}
    return Valid(**pairs, until=None if until is None else datetime.date.fromisoformat(until))
