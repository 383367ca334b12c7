"""`pullcue drift` and the heats it looks at, as they are kept in the records."""

from __future__ import annotations

import datetime
import json
import math
from dataclasses import replace
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from dashboard.commands import pullcue
from dashboard.drift_file import read_known, write_known
from dashboard.drift_words import basis_words
from dashboard.oven_drift import in_force_since, ordinary_heats, watch_oven
from dashboard.oven_file import accepted, card_text
from dashboard.shop import Shop
from dashboard.store_place import StorePlace
from logger.records import Correction, new_id
from logger.store import open_store
from watched_shop import REAL, at_day, known, own_shop, recorded, small, surveyed, weakened

TODAY = datetime.date(2026, 6, 1)
HEATS, SINCE = 30, 22


@pytest.fixture(scope="module")
def watched(tmp_path_factory: pytest.TempPathFactory) -> tuple[Shop, StorePlace]:
    """30 heats that are known, the oven's lower face weaker from the 23rd on; then three that are not known."""
    shop = own_shop(tmp_path_factory.mktemp("drift"))
    nameless = replace(small(HEATS + 1), polymer=None)
    heats = [*(small(i) for i in range(HEATS)), at_day(REAL, HEATS), nameless, surveyed(HEATS + 2)]
    place = recorded(shop, heats)
    known(shop, place, weakened(HEATS, SINCE))
    return shop, place


def run(shop: Shop, *words: str) -> Result:
    return CliRunner().invoke(pullcue, ["drift", *words, "--shop", str(shop.folder)])


def test_an_oven_that_changed(watched: tuple[Shop, StorePlace]) -> None:
    shop, _ = watched
    result = run(shop, "north", "--json")
    assert result.exit_code == 1, result.output
    found = json.loads(result.stdout)
    lower = next(one for one in found["alarms"] if one["what"] == "lower")
    assert (lower["kind"], lower["heat"]) == ("lasting", f"heat {SINCE + 1}")
    assert lower["since"] == (datetime.date(2026, 1, 5) + datetime.timedelta(days=3 * SINCE)).isoformat()
    assert lower["factor"] == pytest.approx(0.7, rel=0.1)
    six, twelve = lower["effects"]
    assert (six["gauge_mm"], twelve["gauge_mm"]) == (6.0, 12.0)
    assert 0.0 < six["ready_after_s"] - six["ready_before_s"] < twelve["ready_after_s"] - twelve["ready_before_s"]
    assert found["recalibrate_by"] == datetime.date.today().isoformat()
    # The heat with thermocouples was looked at now; the others say why they say nothing.
    last = found["heats"][-1]
    assert (last["heat"], last["ready_by"]) == ("heat 31", "core")
    # Truth of that heat: h 3 % above and 4 % below the card's.
    assert (last["upper"], last["lower"]) == (pytest.approx(0.03, abs=0.15), pytest.approx(-0.04, abs=0.2))
    assert last["ready"] == pytest.approx(math.log(last["found_s"] / last["planned_s"]), abs=1e-4)
    left = {one["heat"]: one["why"] for one in found["left_out"]}
    assert "does not state polymer" in left["heat 32"]
    assert "does not state polymer" in left["heat 33"]
    assert found["waiting"] == 0
    chart = found["charts"]["lower"]
    assert [len(chart[name]["points"]) for name in ("individuals", "moving_range", "ewma")] == [31, 30, 31]


def test_the_same_in_words_and_characters(watched: tuple[Shop, StorePlace]) -> None:
    shop, _ = watched
    told = run(shop, "north").stdout
    assert told.startswith("Oven north: It has changed. Recalibrate by ")
    assert f"(heat {SINCE + 1}) the heat that the lower face gets from the air has been" in told
    assert "heat transfer, lower face, % off the card" in told
    assert "moving average" in told
    assert "Left out:\n  - heat 32: heat 32 does not state polymer" in told
    short = run(shop).stdout
    assert short.startswith("north: It has changed.")


def test_days_and_refusals(watched: tuple[Shop, StorePlace], tmp_path: Path) -> None:
    shop, _ = watched
    late = json.loads(run(shop, "north", "--from", "2026-03-12", "--json").stdout)
    # 5 January and 66 days: from the 23rd heat on, all as weak as each other but the last, which is as the card says.
    assert late["heats"][0]["heat"] == "heat 23"
    assert {(one["kind"], one["heat"]) for one in late["alarms"]} == {("single", "heat 31")}
    assert "oven 'nroth' is not known" in run(shop, "nroth").stderr
    assert "did you mean north" in run(shop, "nroth").stderr
    empty = own_shop(tmp_path)
    assert "there are no records here yet" in run(empty, "north").stderr


def test_a_card_is_watched_since_it_was_accepted(watched: tuple[Shop, StorePlace]) -> None:
    card = watched[0].oven("north")
    assert in_force_since(card) is None
    morning = datetime.datetime(2026, 6, 2, tzinfo=datetime.UTC)
    assert in_force_since(replace(card, evidence={"found": TODAY})) == morning, "the day after"
    assert in_force_since(accepted(card, "AB", TODAY)) == morning
    at = morning + datetime.timedelta(hours=10)
    assert in_force_since(accepted(card, "AB", at)) == at


def test_calibration_heats_of_the_day_of_acceptance_do_not_count(tmp_path: Path) -> None:
    """Heats began at 8 h of 5 and 8 January; the card was accepted at 9 h of the 5th."""
    shop = own_shop(tmp_path)
    place = recorded(shop, [small(0), small(1)])
    at = datetime.datetime(2026, 1, 5, 9, 0, tzinfo=datetime.UTC)
    card = accepted(shop.oven("north"), "AB", at)
    (shop.folder / "ovens" / "north.toml").write_text(card_text(card, []), "utf-8")
    store = open_store(place.url)
    found = watch_oven(shop, "north", store, place.folder, TODAY, most=0)
    assert (found.since, found.waiting) == (at, 1)
    assert watch_oven(shop, "north", store, place.folder, TODAY, at.date(), most=0).waiting == 2
    assert "0 heats since 2026-01-05 09:00 UTC estimated" in basis_words(found)[0]
    store.close()


def test_what_is_known_is_kept_until_heat_or_card_change(tmp_path: Path) -> None:
    shop = own_shop(tmp_path)
    place = recorded(shop, [small(i) for i in range(3)])
    known(shop, place, weakened(3, 3))
    store = open_store(place.url)
    card = shop.oven("north")
    records = ordinary_heats(store, "north", None)
    assert len(read_known(place.folder, card, records)) == 3
    other = replace(card, upper=replace(card.upper, h_w_m2k=20.0))
    assert read_known(place.folder, other, records) == {}
    assert len(read_known(place.folder, accepted(card, "AB", TODAY), records)) == 3
    store.correct(Correction(new_id(), records[1].id, 0, "AB", "read again", "gauge_mm", "6.0", "4.0"))
    now = ordinary_heats(store, "north", None)
    assert set(read_known(place.folder, card, now)) == {records[0].id, records[2].id}
    # Nothing is looked at where nothing is to be; one waits.
    assert watch_oven(shop, "north", store, place.folder, TODAY, most=0).waiting == 1
    # What is kept of heats that are not asked for stays.
    write_known(place.folder, card, now[:1], read_known(place.folder, card, now[:1]))
    assert len(read_known(place.folder, card, now)) == 2
    (place.folder / "drift" / "north.json").write_text("{", "utf-8")
    assert read_known(place.folder, card, now) == {}
    store.close()
