"""The cards of an oven through time: proposed by a calibration, accepted by a person, kept when another takes over.

    ovens/ID.toml                       the card in force
    ovens/proposed/ID-DATE.toml         what a calibration or a survey found; nothing plans with it
    ovens/proposed/ID-DATE.json         that one in full, as its command's '--json' has it
    ovens/earlier/ID-until-DATE.toml    cards that another replaced

Command and page accept by the same function, `accept`, and dismiss by `dismiss`: the proposal's file stays where it is.
"""

from __future__ import annotations

import datetime
import json
import os
import threading
from collections.abc import Mapping, Sequence
from contextlib import closing, suppress
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from dashboard.oven_file import (
    EARLIER,
    accepted,
    card_text,
    half_replaced,
    initials,
    read_card,
    rewrite_card,
    write_card,
)
from dashboard.shop import Shop
from logger.filelock import FileLock
from logger.heatfile import write_new
from thermal.fields import InputError, near_matches, shown
from thermal.oven import OvenCard

PROPOSED = "proposed"
#: Status of a proposal that a person laid aside.
DISMISSED = "dismissed"
#: In a card's evidence: the name of its proposal, and the reasons against it that whoever accepted it was shown; of a
#: card whose air was surveyed, the name of the calibration behind the rest.
NAME, REASONS, CALIBRATION = "proposal", "reasons", "calibration"
#: Two people at two pages of this program must not both replace the same card; nor may two programs (`_LOCK`).
_ONE_AT_A_TIME = threading.Lock()
_LOCK = ".accepting"


@dataclass(frozen=True)
class Proposal:
    """A card that a calibration or a survey found and nobody has accepted.

    Attributes:
        name: of its files, 'north-2026-03-01'. card. reasons: against accepting it, sentences without full stops.
        record: how it was found, as JSON; None where that was lost.
    """

    name: str
    card: OvenCard
    reasons: tuple[str, ...]
    record: Mapping[str, Any] | None


@dataclass(frozen=True)
class Kept:
    """A card that was in force. `until`: the day another replaced it; None: it is in force."""

    card: OvenCard
    until: str | None
    file: str


def propose(shop: Shop, card: OvenCard, record: Mapping[str, Any], reasons: tuple[str, ...], today: datetime.date,
            remarks: tuple[str, ...] = ()) -> Proposal:  # fmt: skip
    """Put a card that was found beside the one in force.

    Args:
        record: how it was found, what JSON can hold. remarks: comments at the head of the card's file.

    Raises:
        InputError: no such oven, the shop is read-only, or its folder cannot be written to.
    """
    folder = _folder(shop) / PROPOSED
    _made(folder)
    number, stem = 1, f"{card.id}-{today.isoformat()}"
    used = _names_in(history(shop, card.id))
    while stem in used or any((folder / f"{stem}{end}").exists() for end in (".toml", ".json")):
        number += 1
        stem = f"{card.id}-{today.isoformat()}-{number}"
    evidence = {**(card.evidence or {}), "status": "proposed", NAME: stem, REASONS: list(reasons)}
    proposed = replace(card, evidence=evidence)
    # The card comes last: with it the proposal is there.
    write_new((json.dumps(record, ensure_ascii=False, allow_nan=False) + "\n").encode(), folder / f"{stem}.json")
    write_new(card_text(proposed, list(remarks)).encode(), folder / f"{stem}.toml")
    return Proposal(stem, proposed, tuple(reasons), record)


def check_writable(shop: Shop, oven: str) -> None:
    """Whether a proposal for an oven could be put down and accepted: asked before a long computation.

    Raises:
        InputError: no such oven, or the shop's folder cannot be written to.
    """
    shop.oven(oven)
    folder = _folder(shop) / PROPOSED
    _made(folder)
    for one in (folder, folder.parent):
        if not os.access(one, os.W_OK):
            raise InputError(f"{one}: it cannot be written to: check the shop's folder")


def _made(folder: Path) -> None:
    try:
        folder.mkdir(exist_ok=True)
    except OSError as error:
        raise InputError(f"{folder}: it cannot be made ({error.strerror or error}): check the shop's folder") from None


def proposals(shop: Shop, oven: str) -> tuple[Proposal, ...]:
    """What waits for a person, the newest first: cards that never were in force and that nobody dismissed. One that
    another may have overtaken says so among its reasons.
    """
    return tuple(one for one in _never_in_force(shop, oven) if (one.card.evidence or {}).get("status") != DISMISSED)


def dismissed(shop: Shop, oven: str) -> tuple[Proposal, ...]:
    """Proposals that a person dismissed, the newest first."""
    return tuple(one for one in _never_in_force(shop, oven) if (one.card.evidence or {}).get("status") == DISMISSED)


def _never_in_force(shop: Shop, oven: str) -> list[Proposal]:
    past = history(shop, oven)
    used = _names_in(past)
    found = []
    for path in (_ovens(shop) / PROPOSED).glob(f"{oven}-*.toml"):
        with suppress(InputError):
            card = read_card(path)
            if card.id == oven and path.stem not in used:
                found.append((_age(path, card), _proposal(shop, path, card, past[0].card)))
    return [one for _, one in sorted(found, key=lambda pair: pair[0], reverse=True)]


def _names_in(past: Sequence[Kept]) -> set[str]:
    """Names of the proposals that came into force."""
    return {str((one.card.evidence or {}).get(NAME)) for one in past}


def _age(path: Path, card: OvenCard) -> tuple[str, int]:
    """By the day inside, and of one day by the number in the name: a copied folder has new times of its files."""
    day, number = _in_order(path.stem.removeprefix(f"{card.id}-"))
    found = (card.evidence or {}).get("found")
    return (_day(found).isoformat() if isinstance(found, datetime.date) else day), number


def _proposal(shop: Shop, path: Path, card: OvenCard, now: OvenCard) -> Proposal:
    evidence = card.evidence or {}
    reasons = [str(one) for one in evidence.get(REASONS, ())]
    since, found = (now.evidence or {}).get("accepted"), evidence.get("found")
    if isinstance(since, datetime.date) and isinstance(found, datetime.date) and _day(since) >= _day(found):
        when = "after this one was found" if _day(since) > _day(found) else "on the day on which this one was found"
        reasons.append(f"The card in force was accepted {when}")
    return Proposal(path.stem, card, tuple(reasons), record_of(shop, path.stem))


def _day(of: datetime.date) -> datetime.date:
    return of.date() if isinstance(of, datetime.datetime) else of


def record_of(shop: Shop, name: str) -> Mapping[str, Any] | None:
    """How a card was found, by its proposal's name; None where it cannot be read."""
    if "/" in name or "\\" in name or name.startswith("."):
        return None
    with suppress(OSError, ValueError):
        content = json.loads((_ovens(shop) / PROPOSED / f"{name}.json").read_text("utf-8"))
        return content if isinstance(content, dict) else None
    return None


def calibration_of(shop: Shop, card: OvenCard) -> Mapping[str, Any] | None:
    """The calibration behind a card's heat transfer, as 'pullcue calibrate --json' has it; None: it is not kept."""
    evidence = card.evidence or {}
    found = record_of(shop, str(evidence.get(CALIBRATION) or evidence.get(NAME, "")))
    return found if found is not None and "sensors" in found else None


def history(shop: Shop, oven: str) -> tuple[Kept, ...]:
    """The card in force and those before it, the newest first; for files that cannot be read see `unread`.

    Raises:
        InputError: there is no such oven, or the card in force cannot be used.
    """
    found = [Kept(shop.oven(oven), None, f"{oven}.toml")]
    earlier, still = [], []
    with suppress(OSError):  # said by whoever replaces the card
        still = half_replaced(_ovens(shop) / f"{oven}.toml")
    for path in _earlier(shop, oven):
        until = path.stem.removeprefix(f"{oven}-until-")
        with suppress(InputError):
            if path not in still:
                earlier.append((_in_order(until), Kept(read_card(path), until[:10], path.name)))
    return (*found, *(one for _, one in sorted(earlier, key=lambda pair: pair[0], reverse=True)))


def _earlier(shop: Shop, oven: str) -> list[Path]:
    return sorted((_ovens(shop) / EARLIER).glob(f"{oven}-until-*.toml"))


def unread(shop: Shop, oven: str) -> tuple[str, ...]:
    """Why earlier and proposed cards of an oven cannot be read: a sentence for each, without its full stop."""
    found = []
    for path in (*_earlier(shop, oven), *sorted((_ovens(shop) / PROPOSED).glob(f"{oven}-*.toml"))):
        try:
            read_card(path)
        except InputError as error:
            found.append(f"{path.parent.name}/{str(error).removeprefix(f'{path.parent}{os.sep}')}".rstrip("."))
    return tuple(found)


def _in_order(until: str) -> tuple[str, int]:
    """'2026-03-01-10' comes after '2026-03-01-2' and that after '2026-03-01'."""
    number = until[11:]
    return until[:10], int(number) if number.isdecimal() else 1


def accept(shop: Shop, oven: str, name: str, by: str, at: datetime.datetime) -> Kept:
    """Put a proposed card in force, on behalf of a person who has read the reasons against it.

    Args:
        name: of the proposal. by: who accepts it. at: when, UTC.

    Returns:
        The card that was in force, where it is kept now.

    Raises:
        InputError: no such proposal, nobody is named, the shop cannot be written to, or another program accepts a card
        just now.
    """
    with _ONE_AT_A_TIME, closing(_alone(_folder(shop))):
        return _accept(shop, oven, name, by, at)


def _alone(folder: Path) -> FileLock:
    """Holds a shop's ovens for this program."""
    try:
        return FileLock(folder / _LOCK, "another program accepts a card just now: look at the card in force, try again")
    except OSError as error:
        raise InputError(
            f"{folder}: it cannot be written to ({error.strerror or error}): check the shop's folder"
        ) from None


def _accept(shop: Shop, oven: str, name: str, by: str, at: datetime.datetime) -> Kept:
    before, wanted = shop.oven(oven), _waiting(shop, oven, name)
    evidence = {**(wanted.card.evidence or {}), REASONS: list(wanted.reasons)}
    card = accepted(replace(wanted.card, evidence=evidence), by, at.replace(microsecond=0))
    remarks = [f"Oven card of {oven}, accepted by {by} at {at:%Y-%m-%d %H:%M} UTC."]
    kept = write_card(card_text(card, remarks), _folder(shop) / f"{oven}.toml", at.date(), replacing=True)
    return Kept(before, at.date().isoformat(), "" if kept is None else kept.name)


def dismiss(shop: Shop, oven: str, name: str, by: str, at: datetime.datetime) -> None:
    """Lay a proposed card aside, on behalf of a person. Its file stays, with who did so and when in its evidence.

    Args:
        name: of the proposal. by: who dismisses it. at: when, UTC.

    Raises:
        InputError: as `accept`.
    """
    with _ONE_AT_A_TIME, closing(_alone(_folder(shop))):
        card = _waiting(shop, oven, name).card
        said = {"status": DISMISSED, "dismissed_by": initials(by), "dismissed": at.replace(microsecond=0)}
        remarks = [f"Proposed card of {oven}, dismissed by {by} at {at:%Y-%m-%d %H:%M} UTC."]
        text = card_text(replace(card, evidence={**(card.evidence or {}), **said}), remarks)
        rewrite_card(text, _folder(shop) / PROPOSED / f"{name}.toml")


def _waiting(shop: Shop, oven: str, name: str) -> Proposal:
    waiting = {one.name: one for one in proposals(shop, oven)}
    if name in waiting:
        return waiting[name]
    if name in _names_in(history(shop, oven)):
        raise InputError(f"card {shown(name)} of oven {oven} was accepted already: look at the card in force")
    if any(one.name == name for one in dismissed(shop, oven)):
        raise InputError(f"card {shown(name)} of oven {oven} was dismissed: calibrate anew, or choose another")
    raise InputError(
        f"oven {oven} has no proposed card {shown(name)}{near_matches(name, waiting)}: expected "
        f"{' or '.join(waiting) or 'one that pullcue calibrate or survey found'}"
    )


def _ovens(shop: Shop) -> Path:
    return shop.folder / "ovens"


def _folder(shop: Shop) -> Path:
    """The shop's ovens, to write to.

    Raises:
        InputError: it is the demo shop.
    """
    if shop.is_demo:
        raise InputError("the demo shop is read-only: make a shop of your own, a folder with a shop.toml, for cards")
    return _ovens(shop)
