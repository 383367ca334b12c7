"""`pullcue calibrate` as its user meets it, and oven cards as files."""

from __future__ import annotations

import datetime
import json
import math
import tomllib
from dataclasses import replace
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from dashboard.commands import pullcue
from dashboard.oven_cards import proposals
from dashboard.oven_file import accepted, card_table, card_text, read_card, toml_of, write_card
from dashboard.shop import DEMO_FOLDER, read_shop
from logger.heatfile import read_heat, write_heat
from thermal.fields import InputError
from thermal.oven import oven_card_from_mapping

HEATS = DEMO_FOLDER / "heats"
GOOD = str(HEATS / "north-pp-6mm.csv")
TODAY = datetime.date(2026, 3, 1)


def run(*words: str) -> Result:
    return CliRunner().invoke(pullcue, ["calibrate", *words])


def shop_of_its_own(folder: Path) -> Path:
    shop = folder / "shop"
    (shop / "ovens").mkdir(parents=True)
    (shop / "shop.toml").write_text('name = "Test"\n', encoding="utf-8")
    (shop / "ovens" / "north.toml").write_bytes((DEMO_FOLDER / "ovens" / "north.toml").read_bytes())
    return shop


@pytest.mark.parametrize("oven", ["north", "south", "ember"])
def test_a_card_is_written_as_it_was(oven: str) -> None:
    card = read_shop(DEMO_FOLDER).oven(oven)
    text = card_text(card, ["Two lines\nof remark", "one"])
    assert text.startswith("# Two lines\n# of remark\n# one\n")
    assert oven_card_from_mapping(tomllib.loads(text), "test") == card


def test_words_and_dates_survive() -> None:
    table = {"a b": 'quote " and \\ and \t', "day": TODAY, "list": ["é", "x"], "part": {"deep": {"on": True, "n": 3}}}
    assert tomllib.loads(toml_of(table)) == table
    with pytest.raises(ValueError, match="inf in an oven card"):
        toml_of({"x": math.inf})


def test_the_whole_way_with_a_stored_card(tmp_path: Path) -> None:
    """A proposal, its acceptance in the shop, the earlier card kept, and a plan from it outside where it holds."""
    shop = shop_of_its_own(tmp_path)
    earlier = (shop / "ovens" / "north.toml").read_bytes()
    out = tmp_path / "new.toml"
    proposed = run(GOOD, "--oven", "north", "--shop", str(shop), "--out", str(out), "--no-check")
    assert proposed.exit_code == 0, proposed.output
    assert "It is a proposal until a person accepts it" in proposed.stdout
    assert "One heat alone: nothing shows that it repeats" in proposed.stdout
    assert ": ready times from ± " in " ".join(proposed.stdout.split())
    card = read_card(out)
    assert card.evidence is not None
    assert card.evidence["status"] == "proposed"
    # The truth behind the demo heat: convection 18.54 and 13.44 W/(m2 K).
    assert card.upper.h_w_m2k == pytest.approx(18.54, rel=0.1)
    assert card.lower.h_w_m2k == pytest.approx(13.44, rel=0.1)
    assert (shop / "ovens" / "north.toml").read_bytes() == earlier
    assert card.evidence["reasons"] == ["One heat alone: nothing shows that it repeats"]
    again = run(GOOD, "--oven", "north", "--shop", str(shop), "--accept", "AB", "--no-check")
    assert again.exit_code == 2, again.output
    assert "One heat alone: nothing shows that it repeats" in again.stdout
    (waiting,) = proposals(read_shop(shop), "north")
    wanted = ["ovens", "accept", "north", waiting.name, "--by", "AB"]
    assert f"there are reasons against it: read them, then, if it is to be: pullcue {' '.join(wanted)}" in again.stderr
    assert (shop / "ovens" / "north.toml").read_bytes() == earlier
    assert CliRunner().invoke(pullcue, [*wanted, "--shop", str(shop)]).exit_code == 0
    now = read_shop(shop).oven("north")
    assert now.evidence is not None
    assert (now.evidence["status"], now.evidence["accepted_by"]) == ("accepted", "AB")
    assert replace(now, evidence=None) == replace(card, evidence=None)
    kept = list((shop / "ovens" / "earlier").iterdir())
    assert [one.read_bytes() for one in kept] == [earlier]
    assert kept[0].name.startswith("north-until-2")
    assert read_shop(shop).oven_ids() == ("north",)
    plan = CliRunner().invoke(
        pullcue,
        ["plan", "--polymer", "pp-homopolymer", "--gauge-mm", "12", "--oven", "north", "--shop", str(shop)],
    )
    assert "outside what the oven card was found for" in " ".join(plan.stdout.split())


def test_json_has_all_of_it(tmp_path: Path) -> None:
    card = tmp_path / "prior.toml"
    card.write_bytes((DEMO_FOLDER / "ovens" / "north.toml").read_bytes())
    result = run(GOOD, "--oven", "north", "--prior", str(card), "--json", "--no-check", "--fix", "wall.lag_s")
    assert result.exit_code == 0, result.output
    found = json.loads(result.stdout)
    values = {one["name"]: one for one in found["values"]}
    # The card states 6 % on the heat transfer: that is the prior now.
    assert values["upper.h_w_m2k"]["prior_std"] == pytest.approx(1.08, rel=1e-3)
    assert values["upper.h_w_m2k"]["std"] < 1.08
    assert values["wall.lag_s"]["fixed"]
    assert len(found["covariance"]) == len(found["order"]) == len(found["correlation"])
    assert found["heats"][0]["name"] == "north-pp-6mm.csv"
    assert found["written_to"] is None
    assert {"heat", "column", "noise_k", "tests", "residual_k"} <= found["sensors"][0].keys()
    assert oven_card_from_mapping(
        {**found["card"], "valid": {**found["card"]["valid"], "until": TODAY}}, "json"
    ).id == "north"  # fmt: skip


def test_refusals(tmp_path: Path) -> None:
    ember = str(HEATS / "ember-copolymer-4mm.csv")
    assert "was heated in oven 'ember', expected 'north'" in run(ember, "--oven", "north").stderr
    assert "the demo shop is read-only" in run(GOOD, "--oven", "north", "--accept", "AB").stderr
    assert "there is no such file" in run("nowhere.csv", "--oven", "north").stderr or "nowhere.csv" in (
        run("nowhere.csv", "--oven", "north").stderr
    )  # fmt: skip
    assert (
        "'wall.lag' cannot be fixed (did you mean wall.lag_s"
        in run(GOOD, "--oven", "north", "--fix", "wall.lag").stderr
    )
    assert "not both" in run(GOOD, "--oven", "north", "--prior", GOOD, "--no-priors").stderr
    heat = read_heat(HEATS / "north-pp-6mm.csv")
    nameless = tmp_path / "nameless.csv"
    write_heat(replace(heat, polymer=None), nameless)
    assert "does not state polymer" in run(str(nameless), "--oven", "north").stderr
    foil = tmp_path / "foil.csv"
    write_heat(replace(heat, extra={"foil": "left"}), foil)
    assert "foil = 'left': expected one of upper, lower, both" in run(str(foil), "--oven", "north").stderr
    twice = tmp_path / "twice.csv"
    twice.write_bytes(Path(GOOD).read_bytes())
    assert "are the same heat: leave one of them out" in run(GOOD, str(twice), "--oven", "north").stderr
    airless = tmp_path / "airless.csv"
    write_heat(replace(heat, columns={"core_1_c": heat.columns["core_1_c"]}), airless)
    assert "airless.csv: the heat file has no air_upper_c" in run(str(airless), "--oven", "north").stderr


def test_what_cannot_be_done_is_said_before_the_fit(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def fitted(*_: object) -> None:
        pytest.fail("it was computed")

    monkeypatch.setattr("calibration.calibrate.calibrate", fitted)
    shop, out = shop_of_its_own(tmp_path), tmp_path / "new.toml"
    words = (GOOD, "--oven", "north", "--shop", str(shop))
    assert "expected the initials" in run(*words, "--accept", "  ").stderr
    assert "expected the initials" in run(*words, "--accept", "  ", "--out", str(out)).stderr
    out.write_text("other", "utf-8")
    assert "there is a file already" in run(*words, "--out", str(out)).stderr
    assert "there is no folder" in run(*words, "--out", str(tmp_path / "no" / "new.toml")).stderr
    (shop / "ovens" / "proposed").write_text("in the way", "utf-8")
    assert "check the shop's folder" in run(*words).stderr
    assert out.read_text("utf-8") == "other"


def test_accepting_needs_initials_and_nothing_is_written_over(tmp_path: Path) -> None:
    card = read_shop(DEMO_FOLDER).oven("north")
    with pytest.raises(InputError, match="expected the initials"):
        accepted(card, "  ", TODAY)
    path = tmp_path / "north.toml"
    assert write_card(card_text(card, []), path, TODAY, replacing=False) is None
    with pytest.raises(InputError, match="there is a file already"):
        write_card("other", path, TODAY, replacing=False)
    first = write_card(card_text(accepted(card, "AB", TODAY), []), path, TODAY, replacing=True)
    second = write_card(card_text(card, []), path, TODAY, replacing=True)
    assert first is not None
    assert second is not None
    assert (first.name, second.name) == ("north-until-2026-03-01.toml", "north-until-2026-03-01-2.toml")
    assert read_card(first) == card
    assert card_table(read_card(second))["evidence"]["accepted_by"] == "AB"
    assert sorted(one.name for one in tmp_path.iterdir()) == ["earlier", "north.toml"]
