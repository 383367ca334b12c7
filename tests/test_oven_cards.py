"""Cards through time: proposed, accepted by a person, kept; by functions and by `pullcue ovens`."""

from __future__ import annotations

import datetime
import json
import os
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result

from dashboard.commands import pullcue
from dashboard.commands.heat_plan import HeatPlanner
from dashboard.oven_card_words import card_words, value_rows
from dashboard.oven_cards import accept, dismiss, dismissed, history, proposals, propose, record_of, unread
from dashboard.recording import of_oven
from dashboard.shop import DEMO_FOLDER, Shop, read_shop
from logger.records import HeatForm, HeatRecord
from thermal.fields import InputError
from thermal.oven import OvenCard
from watched_shop import own_shop

TODAY = datetime.date(2026, 3, 1)
AT = datetime.datetime(2026, 3, 2, 9, 30, 5, 250, tzinfo=datetime.UTC)
RECORD: dict[str, Any] = {"order": [], "sensors": []}


def found(shop: Shop, upper: float, day: datetime.date = TODAY) -> OvenCard:
    card = shop.oven("north")
    evidence = {"status": "proposed", "found": day, "heats": ["heat 1", "heat 2"]}
    return replace(card, upper=replace(card.upper, h_w_m2k=upper), evidence=evidence)


def run(shop: Shop, *words: str) -> Result:
    return CliRunner().invoke(pullcue, ["ovens", *words, "--shop", str(shop.folder)])


def test_a_card_is_proposed_accepted_and_kept(tmp_path: Path) -> None:
    shop = own_shop(tmp_path)
    first = shop.oven("north")
    made = propose(shop, found(shop, 21.0), RECORD, ("One heat alone",), TODAY)
    assert made.name == "north-2026-03-01"
    assert shop.oven("north") == first, "a proposal puts nothing in force"
    assert shop.oven_ids() == ("north",)
    (waiting,) = proposals(shop, "north")
    assert (waiting.name, waiting.reasons, waiting.record) == (made.name, ("One heat alone",), RECORD)
    kept = accept(shop, "north", made.name, "AB", AT)
    now = shop.oven("north")
    assert now.upper.h_w_m2k == 21.0
    assert now.evidence is not None
    assert (now.evidence["status"], now.evidence["accepted_by"]) == ("accepted", "AB")
    assert now.evidence["accepted"] == AT.replace(microsecond=0)
    assert now.evidence["reasons"] == ["One heat alone"]
    assert proposals(shop, "north") == ()
    assert (kept.card, kept.until, kept.file) == (first, "2026-03-02", "north-until-2026-03-02.toml")
    assert [one.card for one in history(shop, "north")] == [now, first]
    assert record_of(shop, str(now.evidence["proposal"])) == RECORD
    assert record_of(shop, "../../shop") is None
    with pytest.raises(InputError, match="was accepted already"):
        accept(shop, "north", made.name, "CD", AT)


def test_history_is_in_order(tmp_path: Path) -> None:
    shop = own_shop(tmp_path)
    for number in range(12):
        name = propose(shop, found(shop, 20.0 + number), RECORD, (), TODAY).name
        accept(shop, "north", name, "AB", AT)
    assert [one.card.upper.h_w_m2k for one in history(shop, "north")] == [*range(31, 19, -1), 18.0]
    assert name == "north-2026-03-01-12"


def test_a_proposal_that_was_overtaken_says_so(tmp_path: Path) -> None:
    shop = own_shop(tmp_path)
    old = propose(shop, found(shop, 21.0), RECORD, (), TODAY)
    new = propose(shop, found(shop, 22.0), RECORD, (), TODAY)
    assert {one.name for one in proposals(shop, "north")} == {old.name, new.name}
    accept(shop, "north", new.name, "AB", AT)
    (left,) = proposals(shop, "north")
    assert left.reasons == ("The card in force was accepted after this one was found",)


def test_refusals(tmp_path: Path) -> None:
    shop = own_shop(tmp_path)
    made = propose(shop, found(shop, 21.0), RECORD, (), TODAY)
    with pytest.raises(InputError, match=f"has no proposed card 'north-2026-03-02' \\(did you mean {made.name}"):
        accept(shop, "north", "north-2026-03-02", "AB", AT)
    with pytest.raises(InputError, match="expected the initials"):
        accept(shop, "north", made.name, "  ", AT)
    with pytest.raises(InputError, match="oven 'nroth' is not known"):
        accept(shop, "nroth", made.name, "AB", AT)
    demo = read_shop(DEMO_FOLDER)
    with pytest.raises(InputError, match="the demo shop is read-only"):
        propose(demo, demo.oven("north"), RECORD, (), TODAY)
    assert shop.oven("north").upper.h_w_m2k == 18.0
    assert not (shop.folder / "ovens" / "earlier").exists()


def test_ovens_on_the_command_line(tmp_path: Path) -> None:
    shop = own_shop(tmp_path)
    made = propose(shop, found(shop, 21.0), RECORD, ("One heat alone",), TODAY)
    assert "1 proposed card: pullcue ovens show north" in run(shop).stdout
    shown = run(shop, "show", "north").stdout
    assert f"Before you accept {made.name}:\n  - One heat alone.\n" in shown
    row = next(line for line in shown.splitlines() if line.startswith("Heat transfer, upper face"))
    assert row.split("  ")[1:] != []
    assert "18 ± 1.78 W/(m2 K)" in row
    assert "21 ± 1.78 W/(m2 K)" in row
    assert "Missing option '--by'" in run(shop, "accept", "north", made.name).stderr
    done = run(shop, "accept", "north", made.name, "--by", "AB")
    assert done.exit_code == 0, done.output
    assert "kept as earlier/north-until-" in done.stdout
    told = run(shop, "show", "north").stdout
    assert "found 2026-03-01, from 2 heats, accepted by AB on " in told
    assert "Earlier cards:\n  until " in told
    listed = json.loads(run(shop, "--json").stdout)
    assert [len(listed[0][part]) for part in ("earlier", "proposed")] == [1, 0]
    assert json.loads(run(shop, "show", "north", "--json").stdout)["card"]["upper"]["h_w_m2k"] == 21.0


def test_a_dismissed_card_waits_no_more_and_is_kept(tmp_path: Path) -> None:
    shop = own_shop(tmp_path)
    aside = propose(shop, found(shop, 21.0), RECORD, ("One heat alone",), TODAY)
    stays = propose(shop, found(shop, 22.0), RECORD, (), TODAY)
    with pytest.raises(InputError, match="expected the initials"):
        dismiss(shop, "north", aside.name, " ", AT)
    done = run(shop, "dismiss", "north", aside.name, "--by", "AB")
    assert (done.exit_code, done.stdout) == (0, f"Card {aside.name} of oven north is dismissed; its file is kept.\n")
    assert [one.name for one in proposals(shop, "north")] == [stays.name]
    (kept,) = dismissed(shop, "north")
    evidence = kept.card.evidence or {}
    assert (evidence["dismissed_by"], evidence["reasons"], kept.record) == ("AB", ["One heat alone"], RECORD)
    assert isinstance(evidence["dismissed"], datetime.datetime)
    assert replace(kept.card, evidence=None) == replace(aside.card, evidence=None)
    assert (
        f"Dismissed:\n  {aside.name}: found 2026-03-01, from 2 heats, dismissed by AB on 2"
        in run(shop, "show", "north").stdout
    )
    assert [one["name"] for one in json.loads(run(shop, "--json").stdout)[0]["dismissed"]] == [aside.name]
    for decide in (accept, dismiss):
        with pytest.raises(InputError, match="was dismissed"):
            decide(shop, "north", aside.name, "AB", AT)
    assert propose(shop, found(shop, 23.0), RECORD, (), TODAY).name == "north-2026-03-01-3"


def test_proposals_are_ordered_by_the_day_inside(tmp_path: Path) -> None:
    shop = own_shop(tmp_path)
    days = (1, 20, 5)
    names = [propose(shop, found(shop, 21.0, TODAY.replace(day=n)), RECORD, (), TODAY.replace(day=n)) for n in days]
    names += [propose(shop, found(shop, 21.0), RECORD, (), TODAY) for _ in range(10)]
    for seconds, one in enumerate(reversed(names)):
        os.utime(shop.folder / "ovens" / "proposed" / f"{one.name}.toml", (seconds, seconds))
    order = [one.name.removeprefix("north-2026-03-") for one in proposals(shop, "north")]
    assert order == ["20", "05", *(f"01-{n}" for n in range(11, 1, -1)), "01"]


def test_a_replacement_that_was_cut_short(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Killed between copying the old card and replacing it: that card is in force and not among the earlier ones."""
    shop = own_shop(tmp_path)
    name = propose(shop, found(shop, 21.0), RECORD, (), TODAY).name
    first = shop.oven("north")

    def killed(*_: object) -> None:
        raise KeyboardInterrupt

    with monkeypatch.context() as patched:
        patched.setattr(Path, "replace", killed)
        with pytest.raises(KeyboardInterrupt):
            accept(shop, "north", name, "AB", AT)
    assert [one.name for one in (shop.folder / "ovens" / "earlier").iterdir()] == ["north-until-2026-03-02.toml"]
    assert [one.card for one in history(shop, "north")] == [first]
    kept = accept(shop, "north", name, "AB", AT + datetime.timedelta(days=1))
    assert kept.file == "north-until-2026-03-03.toml"
    assert [(one.until, one.card) for one in history(shop, "north")[1:]] == [("2026-03-03", first)]
    # Put back by hand: in force again, and still among the earlier ones.
    ovens = shop.folder / "ovens"
    (ovens / "north.toml").write_bytes((ovens / "earlier" / kept.file).read_bytes())
    assert [one.card for one in history(shop, "north")] == [first, first]


def test_cards_that_cannot_be_read_are_said(tmp_path: Path) -> None:
    shop = own_shop(tmp_path)
    accept(shop, "north", propose(shop, found(shop, 21.0), RECORD, (), TODAY).name, "AB", AT)
    propose(shop, found(shop, 22.0), RECORD, (), TODAY)
    ovens = shop.folder / "ovens"
    for file in ("earlier/north-until-2026-03-02.toml", "proposed/north-2026-03-01-2.toml"):
        (ovens / file).write_text("id = ", "utf-8")
    lost = unread(shop, "north")
    assert [one.split(": ")[0] for one in lost] == [
        "earlier/north-until-2026-03-02.toml", "proposed/north-2026-03-01-2.toml",
    ]  # fmt: skip
    assert f"Cards that cannot be read:\n  {lost[0]}." in run(shop, "show", "north").stdout
    assert "2 cards that cannot be read: pullcue ovens show north" in run(shop).stdout
    assert json.loads(run(shop, "show", "north", "--json").stdout)["unread"] == list(lost)


def test_a_name_that_was_in_force_is_not_given_again(tmp_path: Path) -> None:
    """Else the new proposal would pass for the accepted one."""
    shop = own_shop(tmp_path)
    name = propose(shop, found(shop, 21.0), RECORD, (), TODAY).name
    accept(shop, "north", name, "AB", AT)
    for path in (shop.folder / "ovens" / "proposed").iterdir():
        path.unlink()
    again = propose(shop, found(shop, 22.0), RECORD, (), TODAY)
    assert [one.name for one in proposals(shop, "north")] == [again.name] == [f"{name}-2"]


def test_words_of_a_card() -> None:
    card = read_shop(DEMO_FOLDER).oven("ember")
    assert card_words(card) == "where its values come from is not stated"
    assert dict(value_rows(card))["Emitters above fill"].startswith("0.")


def test_a_heat_keeps_the_card_it_was_planned_with(tmp_path: Path) -> None:
    """Recording began with one card; another was accepted before the heat: its plan and its card are of one piece."""
    shop = own_shop(tmp_path)
    form = of_oven(shop, HeatForm(polymer="pp-homopolymer", gauge_mm=6.0, oven="north"))
    accept(shop, "north", propose(shop, found(shop, 21.0), RECORD, (), TODAY).name, "AB", AT)
    planner = HeatPlanner(shop, lambda: TODAY)
    heat = HeatRecord(1, "a" * 32, "bench", "b" * 32, 0.0, 0, form=form)
    assert planner.turn(heat) == {}
    said = planner.last(heat)
    assert json.loads(said["card_json"])["upper"]["h_w_m2k"] == 21.0
    assert json.loads(str(form.card_json))["upper"]["h_w_m2k"] == 18.0
    same = replace(heat, id="c" * 32, form=replace(form, card_json=said["card_json"]))
    planner.turn(same)
    assert list(planner.last(same)) == ["plan_json"]
