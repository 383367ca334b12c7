"""A survey of a grid whose temperatures are known, and uncertainty budgets of the GUM."""

from __future__ import annotations

import datetime
import json
import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner, Result

from calibration.survey import place_uncertainty, place_words, survey
from calibration.survey_card import reasons_against, sheet_air, surveyed_card
from calibration.uncertainty_budget import Component, budget, thermocouple_components
from calibration_truth import POLYMER
from dashboard.commands import pullcue
from dashboard.oven_cards import calibration_of, history, proposals
from dashboard.oven_file import read_card
from dashboard.shop import DEMO_FOLDER, read_shop
from logger.heatfile import write_heat
from thermal.build import slab
from thermal.case import Case
from thermal.crossing import Threshold, first_times
from thermal.fields import InputError
from thermal.heat import Event, Heat, Sensor
from thermal.oven import OvenCard
from watched_shop import own_shop

STEP_S = 10.0


def grid(drift_k_min: float = 0.0, places: int = 9, missing: str = "") -> Heat:
    """Nine places in three by three on two levels: 185 °C on the whole, hotter to the right, colder below."""
    time = np.arange(0.0, 5400.0, STEP_S)
    random = np.random.default_rng(1)
    course = 185.0 - 160.0 * np.exp(-time / 300.0) + 3.0 * np.exp(-(((time - 1500.0) / 150.0) ** 2))
    opened = 3600.0
    course -= np.where(time >= opened, 40.0 * np.exp(-(time - opened) / 90.0), 0.0)
    course += drift_k_min * time / 60.0 + 0.5 * np.sin(2.0 * np.pi * time / 120.0)
    columns, sensors = {}, {}
    for i in range(places):
        x, y, z = 0.1 * (i % 3), 0.1 * (i // 3), 0.2 * (i % 2)
        off = 20.0 * (x - 0.1) + 5.0 * (z - 0.2 * (places // 2) / places)
        name = f"grid_{i + 1:02d}"
        columns[f"{name}_c"] = course + off + 0.1 * random.standard_normal(len(time))
        sensors[name] = Sensor(x_m=x, y_m=y, z_m=z)
    if missing:
        columns[missing] = np.where((time > 3000.0) & (time < 3030.0), np.nan, columns[missing])
    return Heat(time_s=time, columns=columns, sensors=sensors, set_c=188.0, events=(Event(opened, "door_open"),))


def test_what_a_survey_finds() -> None:
    found = survey(grid(missing="grid_05_c"))
    # 20 K/m over 0.2 m along x, and 5 K/m over 0.2 m along z: the planes were put in so.
    assert found.tilt_k_m == pytest.approx((20.0, 0.0, 5.0), abs=0.3)
    assert found.mean_off_k == pytest.approx(-3.0, abs=0.1)
    assert found.uniformity_k == pytest.approx(5.0, abs=0.1)
    assert found.spread_k >= found.uniformity_k
    assert {found.hottest, found.coldest} == {"grid_06_c", "grid_01_c"} or found.hottest == "grid_06_c"
    assert found.swing_k == pytest.approx(0.5, abs=0.1)
    # 160 K falling with 300 s drift less than 0.2 K/min from 300 ln(160/300*60/0.2) s on, the bump at 1500 s after it.
    assert 1500.0 <= found.steady_s <= 2100.0
    assert found.end_s == 3600.0
    # 3 K less what the oven still lacked then, 160 exp(-5) K.
    assert found.places[0].overshoot_k == pytest.approx(3.0 - 160.0 * math.exp(-5.0), abs=0.5)
    (opening,) = found.openings
    assert opening.fall_k == pytest.approx(40.0, abs=1.0)
    # 40 exp(-t/90) = 2 at 270 s; the swing moves that by half a minute.
    assert opening.recovery_s == pytest.approx(90.0 * math.log(20.0), abs=35.0)
    assert found.zone_k["right"] == pytest.approx(2.0, abs=0.15)
    assert found.zone_k["left"] == pytest.approx(-2.0, abs=0.15)
    assert found.zone_k["upper"] > 0.0 > found.zone_k["lower"]
    assert place_words(found.places[0]) == "grid_01 (x 0, y 0, z 0 mm)"


def test_refusals() -> None:
    with pytest.raises(InputError, match="has 4 places with readings: expected 5 to 40"):
        survey(grid(places=4))
    drifting = grid(drift_k_min=0.4)
    with pytest.raises(InputError, match="never steady before 3600 s: grid_01_c"):
        survey(drifting)
    unset = Heat(time_s=grid().time_s, columns=grid().columns)
    with pytest.raises(InputError, match="does not state the oven's setting"):
        survey(unset)


def test_the_gums_end_gauge() -> None:
    """JCGM 100:2008, H.1: standard uncertainties 25, 9.7 (with its parts), 2.9, 16.6 nm; combined 32 nm, 16 effective
    degrees of freedom, k for 99 % 2.92, expanded 93 nm.
    """
    parts = [
        Component("standard", 25.0, "normal", freedom=18.0),
        Component("repeated readings", 5.8, "normal", freedom=24.0),
        Component("comparator, random", 3.9, "normal", freedom=5.0),
        Component("comparator, systematic", 6.7, "normal", freedom=8.0),
        Component("difference of expansion", 2.9, "normal", freedom=50.0),
        Component("difference of temperature", 16.6, "normal", freedom=2.0),
    ]
    found = budget(parts, 0.99)
    assert found.combined_k == pytest.approx(32.0, abs=0.5)
    assert math.floor(found.freedom) == 16
    assert found.factor == pytest.approx(2.92, abs=0.005)
    assert found.expanded_k == pytest.approx(93.0, abs=1.0)


def test_shapes_of_components() -> None:
    """GUM 4.3.7 and 4.3.9: half width over the roots of three and six; a certificate's k = 2."""
    assert Component("a", 1.5).std_k == pytest.approx(1.5 / math.sqrt(3.0))
    assert Component("b", 1.5, "triangular", -2.0).std_k == pytest.approx(3.0 / math.sqrt(6.0))
    assert Component("c", 0.3, "expanded").std_k == pytest.approx(0.15)
    assert budget([Component("a", 1.0)]).factor == pytest.approx(2.0, abs=0.001)


def test_a_thermocouples_budget() -> None:
    readings = 185.0 + 0.4 * np.random.default_rng(1).standard_normal(100)
    found = budget(thermocouple_components(1.5, 0.4, 0.1, 0.5, readings, 25.0))
    own = [0.866, 0.2, 0.0289, 0.289, float(np.std(readings, ddof=1)) / 5.0]
    assert [one.std_k for one in found.components] == pytest.approx(own, rel=2e-3)
    assert found.combined_k == pytest.approx(float(np.sqrt(np.sum(np.square(own)))), rel=1e-3)
    assert found.factor == pytest.approx(2.0, abs=0.01)


def test_the_command(tmp_path: Path) -> None:
    file = tmp_path / "grid.csv"
    write_heat(grid(), file)
    result = CliRunner().invoke(pullcue, ["survey", str(file)])
    assert result.exit_code == 0, result.output
    assert "9 places, set 188 °C" in result.stdout
    assert "on the whole -3.0 K from the setting" in result.stdout
    assert "hottest" in result.stdout
    as_json = json.loads(CliRunner().invoke(pullcue, ["survey", str(file), "--json", "--set-c", "185"]).stdout)
    assert as_json["mean_off_k"] == pytest.approx(0.0, abs=0.1)
    assert as_json["uncertainty"]["combined_k"] == pytest.approx(0.92, abs=0.05)
    refused = CliRunner().invoke(pullcue, ["survey", str(file), "--drift-k", "-1"])
    assert "--drift-k -1: expected" in refused.stderr


def test_the_air_about_a_sheet_goes_into_the_card(tmp_path: Path) -> None:
    """Five kelvin a metre along the height, 20 K/m along x: above and below a sheet half-way, in the right half."""
    found = survey(grid())
    sure = place_uncertainty(grid(), found, 1.5, 0.4, 0.1, 0.5)
    air = sheet_air(found, sure, 0.1)
    means = {one.column: one.mean_c for one in found.places}
    above = np.mean([means[f"grid_{i:02d}_c"] for i in (2, 4, 6, 8)])
    below = np.mean([means[f"grid_{i:02d}_c"] for i in (1, 3, 5, 7, 9)])
    assert (air.above, air.below) == (4, 5)
    assert air.upper_k == pytest.approx(0.5 * (above - below)) == pytest.approx(-air.lower_k)
    assert air.off_k == pytest.approx(0.5 * (above + below) - 188.0)
    assert air.covariance[0, 0] > sure.combined_k**2
    right = sheet_air(found, sure, 0.1, "right")
    # The middle column at x = 100 mm and the one at 200 mm: 1 K hotter than the whole.
    assert right.off_k - air.off_k == pytest.approx(1.0, abs=0.4)
    with pytest.raises(InputError, match="has 0 places above a sheet at z 500 mm"):
        sheet_air(found, sure, 0.5)
    file, out = tmp_path / "grid.csv", tmp_path / "card.toml"
    write_heat(grid(), file)
    words = ["survey", str(file), "--oven", "north", "--sheet-z-mm", "100", "--out", str(out)]
    result = CliRunner().invoke(pullcue, words)
    assert result.exit_code == 0, result.output
    assert "It is a proposal until a person accepts it" in result.stdout
    card = read_card(out)
    before = read_shop(DEMO_FOLDER).oven("north")
    assert card.air_offset_k == pytest.approx(air.off_k - before.dial_offset_k, abs=1e-3)
    assert card.upper.air_offset_k == pytest.approx(air.upper_k, abs=1e-3)
    assert card.upper.h_w_m2k == before.upper.h_w_m2k
    assert card.uncertainty is not None
    assert "upper.h_w_m2k" in card.uncertainty.order
    at = card.uncertainty.order.index("air.offset_k")
    # 1.5/sqrt(3) and 0.5/sqrt(3) K of class and drift at least.
    assert math.sqrt(card.uncertainty.covariance[at][at]) > 0.91
    times = [window_opens(one) for one in (before, card)]
    assert times[1] != pytest.approx(times[0], abs=1.0)
    assert "give --oven and --sheet-z-mm together" in CliRunner().invoke(pullcue, words[:4]).stderr


def surveyed(shop: Path, set_c: str, *more: str) -> Result:
    file = shop / "grid.csv"
    if not file.exists():
        write_heat(grid(), file)
    words = ["survey", str(file), "--set-c", set_c, "--oven", "north", "--sheet-z-mm", "100", "--shop", str(shop)]
    return CliRunner().invoke(pullcue, [*words, *more])


def test_a_survey_proposes_and_is_accepted_as_a_calibration_is(tmp_path: Path) -> None:
    shop = own_shop(tmp_path)
    before = shop.oven("north")
    refused = surveyed(shop.folder, "120", "--accept", "AB")
    assert refused.exit_code == 2
    assert "set to 120 °C, outside the 150 to 210 °C for which the card holds" in " ".join(refused.stdout.split())
    assert "there are reasons against it: read them, then" in refused.stderr
    assert shop.oven("north") == before
    (waiting,) = proposals(shop, "north")
    assert len(waiting.reasons) == 3
    assert waiting.record is not None
    assert waiting.record["sheet_air"]["level_m"] == 0.1
    assert calibration_of(shop, waiting.card) is None, "a survey is no calibration"
    done = surveyed(shop.folder, "188", "--half", "left", "--accept", "AB")
    assert done.exit_code == 0, done.output
    evidence = shop.oven("north").evidence or {}
    assert (evidence["accepted_by"], evidence["reasons"]) == ("AB", [])
    assert (evidence["sheet_z_mm"], evidence["half"], evidence["survey"]) == (100.0, "left", "grid.csv")
    assert evidence["note"] == "invented", "what the rest of the card rests on stays"
    assert [one.card for one in history(shop, "north")[1:]] == [before]


def test_a_file_takes_a_card_only_over_the_reasons_that_were_shown(tmp_path: Path) -> None:
    shop, out = own_shop(tmp_path), tmp_path / "new.toml"
    words = ("120", "--out", str(out), "--accept", "AB")
    refused = surveyed(shop.folder, *words)
    assert (refused.exit_code, "the same again accepts it" in refused.stderr) == (2, True)
    proposed = read_card(out).evidence or {}
    assert (proposed["status"], len(proposed["reasons"]), "accepted_by" in proposed) == ("proposed", 3, False)
    assert surveyed(shop.folder, *words).exit_code == 0
    taken = read_card(out).evidence or {}
    assert (taken["accepted_by"], taken["reasons"]) == ("AB", proposed["reasons"])
    again = surveyed(shop.folder, *words)
    assert f"{out} is as it was" in again.stderr
    assert "there is a file already" in surveyed(shop.folder, "188", "--out", str(out)).stderr


def test_reasons_and_evidence_of_a_surveyed_card() -> None:
    """The limit by hand: k times the root of the variance of one side's mean and of what is common to all places."""
    found = survey(grid())
    sure = place_uncertainty(grid(), found, 1.5, 0.4, 0.1, 0.5)
    air = sheet_air(found, sure, 0.1, "left")
    above = [one.mean_c for one in found.places if one.z_m == 0.2 and one.x_m is not None and one.x_m <= 0.1]
    limit = sure.factor * math.sqrt(np.var(above, ddof=1) / len(above) + sure.combined_k**2)
    now = air.off_k + air.upper_k
    day = datetime.date(2026, 3, 1)
    earlier = {"found": day, "proposal": "north-2026-03-01", "accepted_by": "CD", "reasons": ["old"], "heats": ["a"]}
    card = replace(read_shop(DEMO_FOLDER).oven("north"), evidence=earlier, dial_offset_k=1.0)
    for off, said in ((0.99 * limit, 0), (1.01 * limit, 1)):
        was = replace(card, air_offset_k=now - 1.0 - off)
        was = replace(was, lower=replace(was.lower, air_offset_k=air.off_k + air.lower_k - was.air_offset_k - 1.0))
        reasons = reasons_against(was, air, sure.factor)
        assert [f"expanded uncertainty of {limit:.1f} K" in one for one in reasons] == [True] * said
    bare = replace(card, valid=replace(card.valid, set_c=None), set_c=172.0)
    assert "outside the 157 to 187 °C" in reasons_against(bare, air, sure.factor)[0]
    first = surveyed_card(card, air, "grid.csv", day)
    second = surveyed_card(first, sheet_air(found, sure, 0.1), "other.csv", day)
    left = {"status", "found", "heats", "calibrated", "calibration", "surveyed", "survey", "survey_set_c", "sheet_z_mm"}
    assert second.evidence is not None
    assert set(second.evidence) == left, "nothing of how the earlier card came about, nor its half"
    assert second.evidence["calibration"] == "north-2026-03-01"


def window_opens(card: OvenCard) -> float:
    """When a 6 mm sheet is ready in it, s."""
    problem = slab(Case(POLYMER, 6e-3, card, card.set_c))
    return float(first_times(problem, [Threshold("coldest", np.array([165.0]), True)], 7200.0)[0, 0])
