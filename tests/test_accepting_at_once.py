"""Two programs that accept a card of one shop at the same moment; a proposal overtaken on the same day."""

from __future__ import annotations

import datetime
from dataclasses import replace
from pathlib import Path

import pytest

from dashboard.oven_cards import accept, history, proposals, propose
from dashboard.shop import Shop
from logger.filelock import FileLock
from thermal.fields import InputError
from thermal.oven import OvenCard
from watched_shop import own_shop

TODAY = datetime.date(2026, 3, 1)
AT = datetime.datetime(2026, 3, 1, 9, 30, tzinfo=datetime.UTC)


def found(shop: Shop, upper: float) -> OvenCard:
    card = shop.oven("north")
    return replace(card, upper=replace(card.upper, h_w_m2k=upper), evidence={"status": "proposed", "found": TODAY})


def test_only_one_program_accepts_at_a_time(tmp_path: Path) -> None:
    shop = own_shop(tmp_path)
    name = propose(shop, found(shop, 21.0), {}, (), TODAY).name
    before = shop.oven("north")
    other = FileLock(shop.folder / "ovens" / ".accepting", "held by a test")
    with pytest.raises(InputError, match="another program accepts a card just now"):
        accept(shop, "north", name, "AB", AT)
    assert [one.card for one in history(shop, "north")] == [before]
    other.close()
    accept(shop, "north", name, "AB", AT)
    assert shop.oven("north").upper.h_w_m2k == 21.0
    assert shop.oven_ids() == ("north",)


def test_a_proposal_overtaken_on_the_day_it_was_found_says_so(tmp_path: Path) -> None:
    shop = own_shop(tmp_path)
    old = propose(shop, found(shop, 21.0), {}, (), TODAY).name
    new = propose(shop, found(shop, 22.0), {}, (), TODAY).name
    accept(shop, "north", new, "AB", AT)
    (left,) = proposals(shop, "north")
    assert left.name == old
    assert left.reasons == ("The card in force was accepted on the day on which this one was found",)
