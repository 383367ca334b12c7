"""Trends: shares with their intervals, the logistic fit, charts, counting; and `pullcue trends`."""

from __future__ import annotations

import csv
import json
from io import StringIO
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from calibration.logistic import logistic, refusal
from calibration.shares import share_chart, wilson
from command_line import ok, refused
from dashboard.kept_trends import KeptTrends
from dashboard.shop import read_shop
from dashboard.stored_review import VERSION
from dashboard.trends import charts, kinds, margins_of, trends, yields
from dashboard.trends_words import margin_words
from dashboard.units import Units
from dashboard.web.records_figure import _step, failure_chart, margin_chart
from logger.records import Correction, HeatFilter, HeatForm, new_id
from logger.review_rows import PERIOD_MS, KeptReview, MarginColumns, Tally
from logger.store import Store, open_store
from store_data import BEGAN_MS, open_heat, run_of

Array = NDArray[np.float64]
#: Distress of field joints against temperature, °F, of 23 flights: S.R. Dalal, E.B. Fowlkes, B. Hoadley, J. Am. Stat.
#: Assoc. 84 (1989) 945-957, table 1.
JOINTS_F = np.array([66, 70, 69, 68, 67, 72, 73, 70, 57, 63, 70, 78, 67, 53, 67, 75, 70, 81, 76, 79, 75, 76, 58.0])
DISTRESS = np.array([0, 1, 0, 0, 0, 0, 0, 0, 1, 1, 1, 0, 0, 1, 0, 0, 0, 0, 0, 0, 1, 0, 1], dtype=bool)


def test_the_logistic_fit_gives_the_published_values() -> None:
    """Intercept 15.043, slope -0.232 with standard error 0.108, likelihood ratio 7.95: A. Agresti, An Introduction to
    Categorical Data Analysis, 2nd ed. 2007, exercise 4.1 (from memory). All further digits: statsmodels 0.15.0,
    Logit, run by hand.
    """
    found = logistic(JOINTS_F, DISTRESS, fewest=1)
    assert (round(found.a, 3), round(found.b, 3)) == (15.043, -0.232)
    assert [found.a, found.b] == pytest.approx([15.04290165, -0.23216274], abs=1e-8)
    errors = np.sqrt(np.diag(found.covariance))
    assert errors.tolist() == pytest.approx([7.37863638, 0.10823652], rel=1e-6)
    assert found.log_likelihood == pytest.approx(-10.157596343933415, abs=1e-9)
    assert found.p_value == pytest.approx(0.0048035325091104, rel=1e-6)
    assert list(found.b_interval) == pytest.approx([-0.444302428, -0.02002306], abs=1e-6)
    low, middle, high = found.curve(np.array([60.0, 65.0, 75.0]))
    assert middle.tolist() == pytest.approx([0.752713, 0.488083, 0.085544], abs=1e-6)
    assert low.tolist() == pytest.approx([0.289565, 0.213595, 0.014600], abs=1e-6)
    assert high.tolist() == pytest.approx([0.957863, 0.769951, 0.371314], abs=1e-6)


def test_no_fit_where_there_can_be_none() -> None:
    x = np.arange(40.0)
    assert refusal(JOINTS_F, DISTRESS) == "few"  # seven failures
    assert refusal(x, x >= 20.0) == "separated"
    assert refusal(x, x < 20.0) == "separated"
    assert refusal(np.minimum(x, 25.0), x >= 25.0) == "separated"  # but for one value that both have
    assert refusal(np.ones(40), x >= 20.0) == "alike"
    assert refusal(x, (x >= 20.0) ^ (x == 5.0)) is None
    with pytest.raises(ValueError, match="separated"):
        logistic(x, x >= 20.0)


@pytest.mark.parametrize(
    ("yes", "count", "low", "high"),
    [(81, 263, 0.2553, 0.3662), (15, 148, 0.0624, 0.1605), (0, 20, 0.0, 0.1611), (1, 29, 0.0061, 0.1718)],
)
def test_intervals_of_shares_are_the_published_ones(yes: int, count: int, low: float, high: float) -> None:
    """R.G. Newcombe, Statist. Med. 17 (1998) 857-872, table I, method 3."""
    assert list(wilson(yes, count)) == pytest.approx([low, high], abs=5.1e-5)


def test_the_chart_of_shares_has_the_textbook_limits() -> None:
    """Frozen juice cans, 30 samples of 50, 347 defective: centre 0.2313, limits 0.0524 and 0.4102 (D.C. Montgomery,
    Introduction to Statistical Quality Control, example 7.1; from memory).
    """
    defective = np.array([12, 15, 8, 10, 4, 7, 16, 9, 14, 10, 5, 6, 17, 12, 22, 8, 10, 5, 13, 11, 20, 18, 24, 15, 9, 12,
                          7, 13, 9, 6])  # fmt: skip
    chart = share_chart(defective, np.full(30, 50))
    assert chart is not None
    assert round(chart.centre, 4) == 0.2313
    assert (round(float(chart.low[0]), 4), round(float(chart.high[0]), 4)) == (0.0524, 0.4102)
    assert np.flatnonzero(chart.beyond).tolist() == [14, 22]  # samples 15 and 23
    assert share_chart(defective[:5], np.full(5, 50)) is None
    assert share_chart(np.zeros(30, dtype=np.int64), np.full(30, 50)) is None


def test_yields_and_kinds_are_counted_by_outcome() -> None:
    rows = [Tally("north", "accepted", 8), Tally("north", "failed", 1), Tally("north", "discarded", 1),
            Tally("north", None, 3), Tally(None, "webbed", 2)]  # fmt: skip
    first, second = yields(rows)
    assert (first.value, first.good, first.bad, first.unknown, first.share) == ("north", 8, 2, 3, 0.8)
    assert (second.value, second.share, second.low, second.high) == ("not stated", None, 0.0, 1.0)
    told = kinds([Tally("Bridging at the heel", "failed", 3), Tally("bridging", "discarded", 3),
                  Tally("odd", "failed", 2), Tally(None, "failed", 2), Tally("springback", "accepted", 9)])  # fmt: skip
    assert [(one.kind, one.count) for one in told] == [("bridging", 6), ("not stated", 2), ("other words", 2)]
    assert [round(one.together, 6) for one in told] == [0.6, 0.8, 1.0]


def columns(above_k: Array, failed: NDArray[np.bool_]) -> MarginColumns:
    outcomes = tuple("failed" if one else "accepted" for one in failed)
    return MarginColumns(tuple(range(len(above_k))), outcomes, above_k, np.full(len(above_k), 2.0))


def test_what_the_margins_say_is_said_plainly() -> None:
    draw = np.random.default_rng(5)
    x: Array = draw.normal(6.0, 5.0, 400)
    failed = draw.random(400) < 1.0 / (1.0 + np.exp(-(-0.5 - 0.3 * x)))
    found = margins_of(columns(x, failed), 410)
    assert found.fit is not None
    assert found.fit.b_interval[0] < -0.3 < found.fit.b_interval[1]
    said = margin_words(found, Units())
    assert said[0].startswith("A colder core costs parts here. Each 5 K less margin multiplies the odds")
    assert "10 heats with an outcome are not reviewed yet" in said[2]
    few = margin_words(margins_of(columns(x[:20], failed[:20]), 20), Units())[0]
    assert few.startswith("No curve is fitted: ")
    by_k: Array = np.arange(40.0) - 20.0
    apart = columns(by_k, by_k < 0.0)
    assert "parts them without overlap" in margin_words(margins_of(apart, 40), Units())[0]
    chance = columns(x, np.arange(400) % 4 == 0)
    assert "cannot be shown here" in margin_words(margins_of(chance, 400), Units())[0]


def test_axes_of_a_few_heats_are_of_dates_and_whole_numbers() -> None:
    begin = 600 * PERIOD_MS
    few = charts(columns(np.array([3.0, -2.0, 5.0]), np.zeros(3, dtype=bool)),
                 [Tally(float(begin), "failed", 1), Tally(float(begin), "accepted", 3)])  # fmt: skip
    assert (few.begins_ms, few.failed, few.counted) == ((begin,), (1,), (4,))
    assert failure_chart(few)["layout"]["xaxis"]["range"] == ["2015-12-17", "2016-02-11"]  # about 2015-12-31
    assert failure_chart(few)["data"][0]["y"] == [25.0]
    axis = margin_chart(few, Units())["layout"]["xaxis"]
    assert (axis["range"], axis["dtick"]) == ([0.5, 3.5], 1)
    assert [_step(count) for count in (1, 6, 7, 12, 13, 30, 31, 100, 8000)] == [1, 1, 2, 2, 5, 5, 10, 20, 2000]


def ended(store: Store, number: int, form: HeatForm, outcome: str, kind: str | None = None) -> str:
    heat = open_heat(store, number, start_s=10.0 * number, form=form)
    store.finish_heat(heat.id, heat.start_s + 8.5, "finished", outcome, kind)
    return heat.id


@pytest.fixture(params=["sqlite", "postgresql"])
def store(request: pytest.FixtureRequest, tmp_path: Path) -> Store:
    if request.param == "sqlite":
        return open_store(f"sqlite:///{tmp_path / 's.db'}")
    return open_store(request.getfixturevalue("postgresql").url(f"db_{new_id()}"))


def test_trends_are_counted_in_the_store_and_follow_corrections(store: Store) -> None:
    store.begin_run(run_of())
    north = HeatForm(oven="north", polymer="pp", gauge_mm=6.0, initials="AB", sheet_label="Lot 1")
    ids = [ended(store, n, north, "failed" if n % 3 == 0 else "accepted", "bridging" if n % 3 == 0 else None)
           for n in range(1, 10)]  # fmt: skip
    ids.append(ended(store, 10, HeatForm(oven="south", gauge_mm=4.0, sheet_label="LOT 2"), "accepted"))
    for n, heat in enumerate(ids, 1):
        store.keep_review(heat, KeptReview(VERSION, n - 2.0, float(n), n + 2.0, "{}"))
    found = trends(store, HeatFilter(limit=None), VERSION, operators=False)
    assert [(one.value, one.good, one.bad) for one in found.by_oven] == [("north", 6, 3), ("south", 1, 0)]
    assert [one.value for one in found.by_gauge] == ["6 mm", "4 mm"]
    assert found.by_operator is None
    assert (found.margins.bad.heats.tolist(), found.margins.bad.margin_k.tolist()) == ([3, 6, 9], [3.0, 6.0, 9.0])
    assert (found.margins.typical_k, len(found.margins.good)) == (2.0, 7)
    assert found.charts.counted == (10,)
    assert store.without_review(HeatFilter(), VERSION) == []
    assert store.without_review(HeatFilter(), VERSION + 1)[:2] == [10, 9]
    sorted_by = store.heats(HeatFilter(order="margin", oven="north", limit=2))
    assert [one.number for one in sorted_by] == [1, 2]
    assert store.count(HeatFilter(gauge_mm=6.02, outcome_kind="Bridg")) == 3
    counted = KeptTrends()
    every = HeatFilter(limit=None)
    held = counted.of(store, every, VERSION, False)
    assert held is counted.of(store, every, VERSION, False)
    assert held.by_oven == found.by_oven
    # An outcome leaves the review; a gauge that was wrong does not.
    store.correct(Correction(new_id(), ids[0], BEGAN_MS, "CD", "came back", "outcome", '"accepted"', '"failed"'))
    store.correct(Correction(new_id(), ids[1], BEGAN_MS, "CD", "label", "gauge_mm", "6.0", "5.0"))
    assert counted.of(store, every, VERSION, False).by_oven[0].bad == 4  # counted again, since something changed
    again = trends(store, HeatFilter(oven="north", limit=None), VERSION, operators=True)
    assert (again.by_oven[0].good, again.by_oven[0].bad) == (5, 4)
    assert again.by_operator is not None
    assert again.by_operator[0].value == "AB"
    assert again.margins.bad.heats.tolist() == [1, 3, 6, 9]
    assert store.kept_review(ids[1]) is None
    now = store.state_of_trends(VERSION)
    store.keep_review(ids[1], KeptReview(VERSION, 0.0, 2.0, 4.0, "{}"))
    assert store.state_of_trends(VERSION) != now
    assert counted.of(store, every, VERSION, False).margins.unreviewed == 0
    store.correct(Correction(new_id(), ids[1], BEGAN_MS, "CD", "label", "gauge_mm", "5.0", "6.0"))
    # The order follows: the heat without a review comes last, either way round, before and after all is made anew.
    for _ in range(2):
        for backwards, numbers in ((False, [1, 3, 4, 5, 6, 7, 8, 9, 10, 2]), (True, [10, 9, 8, 7, 6, 5, 4, 3, 1, 2])):
            wanted = HeatFilter(order="margin", backwards=backwards, limit=None)
            assert [one.number for one in store.heats(wanted)] == numbers
        store.index_anew()
    assert again.margins.unreviewed == 1
    # With a text no further than asked is counted, and said so; without one, and where no more are found, all are.
    count, more, heats = store.page(HeatFilter(text="lot", limit=2), counted=4)
    assert (count, more, [one.number for one in heats]) == (4, True, [10, 9])
    assert store.page(HeatFilter(text="lot", limit=2, offset=6), counted=4)[:2] == (8, True)
    assert store.page(HeatFilter(text="lot", limit=2), counted=10)[:2] == (10, False)
    assert store.page(HeatFilter(text="lot", limit=4, offset=8), counted=4)[:2] == (10, False)
    assert store.page(HeatFilter(text="lot", limit=4, offset=400), counted=4) == (10, False, [])
    assert store.page(HeatFilter(limit=2), counted=4)[:2] == (10, False)
    assert store.page(HeatFilter(text="LOT%", limit=2), counted=4) == (0, False, [])
    assert store.verify() == []  # what is derived is in no link
    store.close()


def test_the_command_prints_writes_and_keeps_operators_out(tmp_path: Path) -> None:
    url = tmp_path / "s.db"
    kept = open_store(f"sqlite:///{url}")
    kept.begin_run(run_of())
    ended(kept, 1, HeatForm(oven="=1+1", polymer="pp", initials="AB"), "failed", "springback")
    kept.close()
    words = ok("trends", "--store", str(url))
    assert "springback: 1, over 99 % of failures" in words
    assert "AB" not in words
    table = json.loads(ok("trends", "--store", str(url), "--json"))["tables"]
    assert "operator" not in table
    assert table["oven"][0]["oven"] == "=1+1"
    out = tmp_path / "oven.csv"
    ok("trends", "--store", str(url), "--table", "oven", "--to-file", str(out))
    rows = list(csv.reader(StringIO(out.read_text("utf-8"))))
    assert rows[1][0] == "'=1+1"  # no spreadsheet runs it
    assert "does not count by operator" in refused("trends", "--store", str(url), "--table", "operator")
    assert "none is written over" in refused("trends", "--store", str(url), "--table", "oven", "--to-file", str(out))
    assert "Not reviewed: heat 1" in _stderr("trends", "--store", str(url), "--review")
    shop = tmp_path / "shop"
    shop.mkdir()
    (shop / "shop.toml").write_text('name = "T"\nyield_by_operator = true\n', "utf-8")
    assert read_shop(shop).yield_by_operator
    assert "Good parts by operator" in ok("trends", "--store", str(url), "--shop", str(shop))


def _stderr(*words: str) -> str:
    from command_line import run

    result = run(*words)
    assert result.exit_code == 0
    return result.stderr
