"""An oven card in words and rows, for terminal and page."""

from __future__ import annotations

import datetime
import math

from thermal.oven import OvenCard

#: Values of a card: its key, what it is called on a screen, its unit.
VALUES: tuple[tuple[str, str, str], ...] = (
    ("upper.h_w_m2k", "Heat transfer, upper face", "W/(m2 K)"),
    ("lower.h_w_m2k", "Heat transfer, lower face", "W/(m2 K)"),
    ("upper.emissivity_eff", "Emissivity, upper face", ""),
    ("lower.emissivity_eff", "Emissivity, lower face", ""),
    ("upper.air_offset_k", "Air above against the oven's", "K"),
    ("lower.air_offset_k", "Air below against the oven's", "K"),
    ("air.offset_k", "Air against the setting", "K"),
    ("air.door_drop_k", "Air falls at the door by", "K"),
    ("air.recovery_s", "and recovers with", "s"),
    ("wall.offset_k", "Walls against the setting", "K"),
    ("wall.lag_s", "Walls follow with", "s"),
    ("upper.emitter.view_factor", "Emitters above fill", ""),
    ("lower.emitter.view_factor", "Emitters below fill", ""),
    ("tray.contact_w_m2k", "Contact of tray and sheet", "W/(m2 K)"),
)
#: Said where nothing speaks against a card.
NO_REASON = "No reason against this card was found; whether it is right for the shop, a person decides"
NAMES = {key: words for key, words, _ in VALUES}
_Z = 1.6448536269514722


def card_words(card: OvenCard) -> str:
    """Where a card comes from and how far it holds, without its full stop."""
    evidence = card.evidence or {}
    found = evidence.get("found")
    parts = [
        f"found {day_words(found)}" if isinstance(found, datetime.date) else "where its values come from is not stated"
    ]
    if "surveyed" in evidence:
        calibrated = evidence.get("calibrated")
        rest = f"found {day_words(calibrated)}" if isinstance(calibrated, datetime.date) else "as it was before"
        parts = [f"its air surveyed {evidence['surveyed']}", f"the rest {rest}"]
    heats = evidence.get("heats")
    if isinstance(heats, list | tuple) and heats:
        parts.append(f"from {len(heats)} heat{'' if len(heats) == 1 else 's'}")
    status = evidence.get("status")
    if status in ("accepted", "dismissed"):
        at = evidence.get(status)
        when = f" on {day_words(at)}" if isinstance(at, datetime.date) else ""
        parts.append(f"{status} by {evidence.get(f'{status}_by', 'nobody named')}{when}")
    elif status == "proposed":
        parts.append("proposed, accepted by nobody")
    if card.valid.until is not None:
        parts.append(f"to be used until {card.valid.until.isoformat()}")
    if evidence.get("simulated"):
        parts.append("from simulated heats")
    return ", ".join(parts)


def day_words(at: datetime.date) -> str:
    """'2026-03-01', of a time '2026-03-01 10:15 UTC'."""
    return at.strftime("%Y-%m-%d %H:%M UTC") if isinstance(at, datetime.datetime) else at.isoformat()


def value_rows(card: OvenCard) -> list[tuple[str, str]]:
    """What a card says: name and value with the half width of its 90 % interval, where stated."""
    found = []
    for key, words, unit in VALUES:
        value = card.coefficient(key)
        if value is not None:
            found.append((words, f"{_short(value)}{_half(card, key)}{f' {unit}' if unit else ''}"))
    return found


def _half(card: OvenCard, key: str) -> str:
    if card.uncertainty is None or key not in card.uncertainty.order:
        return ""
    at = card.uncertainty.order.index(key)
    return f" ± {_short(_Z * math.sqrt(card.uncertainty.covariance[at][at]))}"


def _short(value: float) -> str:
    return f"{value:.3g}" if abs(value) < 100.0 else f"{value:.0f}"
