"""A card that a calibration or a survey found: put beside the one in force as a proposal, or into a file of its own; in
force at once only where a person asks for that and nothing speaks against it.
"""

from __future__ import annotations

import datetime
from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from dashboard.oven_cards import REASONS, accept, check_writable, proposals, propose
from dashboard.oven_file import EARLIER, accepted, card_text, initials, read_card, write_card
from dashboard.shop import Shop
from thermal.fields import InputError
from thermal.oven import OvenCard


@dataclass(frozen=True)
class Goal:
    """Where a found card is to go.

    Attributes:
        shop; oven. out: a file; None: among the shop's proposals. by: initials of whoever accepts it; None: nobody yet.
    """

    shop: Shop
    oven: str
    out: Path | None
    by: str | None


@dataclass(frozen=True)
class Placed:
    """What became of a found card.

    Attributes:
        card: as it stands there now. reasons: against accepting it. proposal: its name; written_to: its file; kept:
        where the card before is; None where there is none. refused: why it was not accepted though that was asked for.
    """

    card: OvenCard
    reasons: tuple[str, ...]
    proposal: str | None = None
    written_to: Path | None = None
    kept: Path | None = None
    refused: str = ""

    @property
    def as_json(self) -> dict[str, Any]:
        """All but the card."""
        return {
            "reasons": list(self.reasons),
            "proposal": self.proposal,
            "written_to": None if self.written_to is None else str(self.written_to),
            "earlier_kept_as": None if self.kept is None else str(self.kept),
            "refused": self.refused or None,
        }


def goal(shop: Shop, oven: str, out: Path | None, by: str | None) -> Goal:
    """Where a card is to go, asked before anything is computed.

    Raises:
        InputError: nobody is named, or the card could not be put there.
    """
    if by is not None:
        initials(by)
    if out is not None:
        if out.exists() and by is None:
            raise InputError(f"{out}: there is a file already, and nothing is written over: give another name")
        if out.resolve() == (shop.folder / "ovens" / f"{oven}.toml").resolve():
            raise InputError(f"{out} is the card in force: leave --out away, and the new one is proposed beside it")
        if not out.parent.is_dir():
            raise InputError(f"{out}: there is no folder {out.parent}: make it, or give another name")
    elif not shop.is_demo:
        check_writable(shop, oven)
    elif by is not None:
        raise InputError("--accept: the demo shop is read-only; name a file with --out, or your own shop with --shop")
    return Goal(shop, oven, out, by)


def place(to: Goal, card: OvenCard, reasons: Sequence[str], record: Mapping[str, Any], remarks: Sequence[str],
          at: datetime.datetime) -> Placed:  # fmt: skip
    """Put a found card where it is to go.

    Args:
        reasons: against it. record: how it was found, what JSON can hold. remarks: comments of its file. at: now, UTC.

    Raises:
        InputError: it cannot be written there.
    """
    if to.out is not None:
        return _in_file(to.out, to.by, card, tuple(reasons), remarks, at)
    if to.shop.is_demo:
        return Placed(card, tuple(reasons))
    made = propose(to.shop, card, record, tuple(reasons), datetime.date.today(), tuple(remarks))
    name = made.name
    waiting = next((one for one in proposals(to.shop, to.oven) if one.name == name), made)
    if to.by is None:
        return Placed(waiting.card, waiting.reasons, name)
    if waiting.reasons:
        refused = (
            f"--accept: the card is not in force, there are reasons against it: read them, then, if it is to be: "
            f"pullcue ovens accept {to.oven} {name} --by {to.by}"
        )
        return Placed(waiting.card, waiting.reasons, name, refused=refused)
    kept = accept(to.shop, to.oven, name, to.by, at).file
    ovens = to.shop.folder / "ovens"
    return Placed(to.shop.oven(to.oven), (), name, ovens / f"{to.oven}.toml", ovens / EARLIER / kept if kept else None)


def _in_file(out: Path, by: str | None, card: OvenCard, reasons: tuple[str, ...], remarks: Sequence[str],
             at: datetime.datetime) -> Placed:  # fmt: skip
    """A file may be accepted over a proposal in which these reasons stood already: they were there to be read."""
    found = replace(card, evidence={**(card.evidence or {}), "status": "proposed", REASONS: list(reasons)})
    if by is not None and (not reasons or _stood_in(out, found)):
        found = accepted(found, by, at.replace(microsecond=0))
        kept = write_card(card_text(found, list(remarks)), out, at.date(), replacing=True)
        return Placed(found, reasons, None, out, kept)
    refused = "" if by is None else "--accept: the card is not accepted, there are reasons against it: read them, then "
    if out.exists():
        return Placed(found, reasons, refused=f"{refused}write it to a new file with --out first; {out} is as it was")
    write_card(card_text(found, list(remarks)), out, at.date(), replacing=False)
    return Placed(found, reasons, None, out, refused=refused and f"{refused}the same again accepts it")


def _stood_in(out: Path, found: OvenCard) -> bool:
    with suppress(InputError):
        there, ours = read_card(out).evidence or {}, found.evidence or {}
        return there.get("status") == "proposed" and set(ours[REASONS]) <= set(there.get(REASONS, ()))
    return False


def placed_words(of: Placed, to: Goal) -> str:
    """What became of it, for a terminal; empty where nothing did."""
    if of.written_to is not None:
        kept = f"; the one before is kept as {of.kept}" if of.kept else ""
        more = "" if to.by else "\nIt is a proposal until a person accepts it: the same with --accept INITIALS."
        return f"Card written to {of.written_to}{kept}{more}"
    if of.proposal is not None:
        how = "" if of.refused else (
            f" A person accepts it there, or with: pullcue ovens accept {to.oven} {of.proposal} --by INITIALS"
        )  # fmt: skip
        return f"Proposed as {of.proposal}; the page 'Ovens' shows it, 'pullcue ovens show {to.oven}' too.{how}"
    return "" if of.refused else "Not written: the demo shop is read-only; name a file with --out."
