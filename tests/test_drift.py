"""Control charts against published constants and worked examples; drift of an oven against a known change."""

from __future__ import annotations

import datetime
from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.special import ndtr

from calibration.control_chart import D2, D3, D4, WEIGHT, WIDTH, Base, base_of, ewma, individuals, moving_ranges, shift
from calibration.drift import Drift, Due, Watched, alarm, drift, due, watched
from calibration.heat_estimate import Estimate, estimate
from calibration.run import Run
from calibration.unknowns import Settings, layout
from calibration_truth import POLYMER, on_grid, planned, recorded
from cases import CARD, case_of
from thermal.oven import Face, Valid
from thermal.plan import plan

Array = NDArray[np.float64]

#: Viscosity of aircraft primer paint, 15 batches (D.C. Montgomery, Introduction to Statistical Quality Control, example
#: of the individuals chart; recalled): mean 33.52, mean moving range 0.48, limits 32.24 and 34.80, of ranges 1.57.
PAINT = np.array(
    [33.75, 33.05, 34.00, 33.81, 33.46, 34.02, 33.68, 33.27, 33.49, 33.20, 33.62, 33.00, 33.54, 33.12, 33.84]
)
#: NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.4: EWMA, weight 0.3, mean 50, standard deviation 2.0539.
NIST = np.array([52.0, 47.0, 53.0, 49.3, 50.1, 47.0, 51.0, 50.1, 51.2, 50.5, 49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6,
                 52.4, 53.6, 52.1])  # fmt: skip
NIST_EWMA = [50.60, 49.52, 50.56, 50.18, 50.16, 49.21, 49.75, 49.85, 50.26, 50.33, 50.11, 49.36, 49.52, 50.05, 49.38,
             49.92, 50.73, 51.23, 51.94, 51.99]  # fmt: skip
DAYS = [datetime.date(2026, 1, 1) + datetime.timedelta(days=3 * i) for i in range(40)]


def test_constants_are_the_published_ones() -> None:
    """Tables of ISO 7870-2 for two values: d2 1.128, d3 0.853, D4 3.267, and 3/d2 = 2.660."""
    assert (round(D2, 3), round(D3, 3), round(D4, 3), round(3.0 / D2, 2)) == (1.128, 0.853, 3.267, 2.66)


def test_individuals_and_moving_ranges() -> None:
    base = base_of(PAINT)
    assert base is not None
    single, ranges = individuals(PAINT, base), moving_ranges(PAINT, base)
    assert base.mean == pytest.approx(33.52, abs=0.005)
    assert ranges.centre == pytest.approx(0.48, abs=0.005)
    known = individuals(PAINT, Base(base.mean, base.std))
    assert (known.low[0], known.high[0]) == pytest.approx((32.24, 34.80), abs=0.01)
    # The mean of 15 points is itself open by std/sqrt(15): what the next point departs by has 1 + 1/15 of the variance.
    assert (single.high[0] - base.mean) / (known.high[0] - base.mean) == pytest.approx(np.sqrt(16.0 / 15.0))
    assert ranges.high[0] == pytest.approx(1.57, abs=0.01)
    assert not single.beyond.any()
    assert not ranges.beyond.any()


def test_ewma_of_the_handbook() -> None:
    chart = ewma(NIST, Base(50.0, 2.0539), weight=0.3, width=3.0, settled=True)
    assert chart.points == pytest.approx(NIST_EWMA, abs=0.006)
    for weight in (0.02, 0.3, 1.0):
        now, stepped = 50.0, []
        for value in NIST:
            now = weight * value + (1.0 - weight) * now
            stepped.append(now)
        assert ewma(NIST, Base(50.0, 2.0539), weight=weight).points == pytest.approx(stepped, rel=1e-13)
    assert (chart.low[0], chart.high[0]) == pytest.approx((47.4115, 52.5884), abs=2e-4)
    assert not chart.beyond.any()


@pytest.mark.parametrize(
    ("weight", "width", "moved", "length"),
    [(WEIGHT, WIDTH, 0.0, 500.0), (WEIGHT, WIDTH, 1.0, 10.5), (WEIGHT, WIDTH, 2.0, 3.7), (0.1, 2.814, 1.0, 10.3)],
)
def test_run_lengths_of_the_ewma(weight: float, width: float, moved: float, length: float) -> None:
    """Average run lengths of Lucas & Saccucci 1990 (as in Montgomery's table; recalled) by a Markov chain of 401
    states, limits settled.
    """
    states = 401
    edge = width * np.sqrt(weight / (2.0 - weight))
    edges = np.linspace(-edge, edge, states + 1)
    middle = 0.5 * (edges[1:] + edges[:-1])
    upper = ndtr((edges[1:] - (1.0 - weight) * middle[:, None]) / weight - moved)
    lower = ndtr((edges[:-1] - (1.0 - weight) * middle[:, None]) / weight - moved)
    lengths = np.linalg.solve(np.eye(states) - (upper - lower), np.ones(states))
    assert lengths[states // 2] == pytest.approx(length, rel=0.02)


def test_false_alarms_of_a_found_base_are_rare() -> None:
    """In 400 series in control, 20 points of base and 50 after it: an alarm of the EWMA in 8 to 20 % of them (14 % in a
    simulation of 4000); without the base's own uncertainty it was 32 %.
    """
    draws = np.random.default_rng(5).standard_normal((400, 70))
    bases = [base_of(one[:20]) for one in draws]
    alarmed = [ewma(one[20:], base).beyond.any() for one, base in zip(draws, bases, strict=True) if base]
    bare = [
        ewma(one[20:], Base(base.mean, base.std)).beyond.any() for one, base in zip(draws, bases, strict=True) if base
    ]
    assert 0.08 < np.mean(alarmed) < 0.20
    assert np.mean(bare) > 1.5 * np.mean(alarmed)


def test_a_shift_is_dated() -> None:
    random = np.random.default_rng(3)
    values = np.concatenate([random.standard_normal(25), random.standard_normal(15) + 2.5])
    base = base_of(values[:12])
    assert base is not None
    found = shift(values, base)
    assert found.first == pytest.approx(25, abs=2)
    assert found.size == pytest.approx(2.5, abs=1.0)


def names(count: int) -> list[str]:
    return [f"heat {i + 1}" for i in range(count)]


def series(what: str, values: Array) -> Watched:
    return watched(what, DAYS[: len(values)], names(len(values)), values)  # type: ignore[arg-type]


def test_too_few_points_set_no_limits() -> None:
    assert base_of(np.arange(5.0)) is None
    assert base_of(np.ones(20)) is None
    few = series("upper", np.array([0.1, np.nan, 0.2]))
    assert (few.heats, few.averages, alarm(CARD, few)) == (("heat 1", "heat 3"), None, None)


def ordinary(seed: int, lower: float) -> Run:
    """A heat in an oven whose lower face gets so much of its usual heat transfer."""
    run = on_grid(planned(4.0, 760.0))
    of = layout(CARD, [run], Settings())
    x = np.zeros(len(of.names))
    one = of.lead(of.names.index("lower.h_w_m2k"))
    x[of.names.index("lower.h_w_m2k")] = one.xi(lower * CARD.lower.h_w_m2k)
    return replace(recorded([run], of, x, np.random.default_rng(seed))[0], name=f"heat {seed}")


def test_a_heat_estimates_both_faces_and_its_ready_time() -> None:
    run = ordinary(1, 0.75)
    found = estimate(CARD, run, DAYS[0])
    assert found.upper == pytest.approx(0.0, abs=3.0 * found.stds[0])
    assert found.lower == pytest.approx(np.log(0.75), abs=2.5 * found.stds[1])
    # By its own core thermocouple: later than the card has it, as a plan's answer for the same sheet says.
    assert found.how == "core"
    plan_s = plan(replace(run.case, oven=CARD)).ready_s
    assert plan_s is not None
    assert found.planned_s == pytest.approx(plan_s, rel=0.01)
    weak_s = plan(replace(run.case, oven=replace(CARD, lower=Face(0.75 * CARD.lower.h_w_m2k, 0.90)))).ready_s
    assert weak_s is not None
    truth = np.log(weak_s / plan_s)
    # A thermocouple that is off by 1.2 K (one standard uncertainty) moves the moment by some 5 % where the sheet melts.
    assert found.ready == pytest.approx(truth, abs=0.1)
    bare = replace(run, series=tuple(one for one in run.series if one.place != "core"))
    computed = estimate(CARD, bare, DAYS[0])
    assert (computed.how, np.isnan(computed.ready)) == ("", True)
    assert computed.computed == pytest.approx(truth, abs=0.04)
    marked = estimate(CARD, bare, DAYS[0], clear_s=500.0)
    assert (marked.how, marked.found_s) == ("clear", 500.0)
    blind = estimate(CARD, replace(run, series=run.series[:1]), DAYS[0])
    assert np.isnan(blind.lower)
    assert np.isnan(blind.computed)


USUAL = case_of(POLYMER, 4.0, CARD, 185.0)


def test_a_weakening_fan_is_alarmed_with_its_effect() -> None:
    logs = 0.05 * np.random.default_rng(4).standard_normal(40)
    logs[25:] += np.log(0.7)
    found = alarm(CARD, series("lower", logs), USUAL)
    assert found is not None
    assert found.kind == "lasting"
    assert abs((found.since - DAYS[25]).days) <= 6
    assert found.change == pytest.approx(0.7, rel=0.1)
    six, twelve = found.effects
    assert (six.gauge_m, twelve.gauge_m) == (6e-3, 12e-3)
    assert 0.0 < six.late_s < twelve.late_s
    # The same by a plan of each card.
    weak = replace(CARD, lower=replace(CARD.lower, h_w_m2k=CARD.lower.h_w_m2k * found.change))
    for one in found.effects:
        cases = [case_of(POLYMER, one.gauge_m * 1e3, card, 185.0) for card in (CARD, weak)]
        before, after = (plan(case).ready_s for case in cases)
        assert before is not None
        assert after is not None
        assert one.late_s == pytest.approx(after - before, abs=0.01 * before)
    start = f"Oven test: since {found.since.isoformat()} (heat "
    assert found.text.startswith(start)
    assert "the heat that the lower face gets from the air has been" in found.text
    assert f"6 mm ready {six.late_s:.0f} s later, 12 mm ready {twelve.late_s:.0f} s later" in found.text
    assert alarm(CARD, series("lower", logs[:25]), USUAL) is None


def test_one_odd_heat_is_no_drift() -> None:
    logs = 0.05 * np.random.default_rng(6).standard_normal(40)
    logs[35] += 0.35
    found = alarm(CARD, series("upper", logs), None)
    assert found is not None
    assert (found.kind, found.heat, found.effects) == ("single", "heat 36", ())
    assert "look at what was different in that heat" in found.text
    # Heats later it stands in the chart and is no alarm any more.
    more = np.concatenate([logs, 0.05 * np.random.default_rng(7).standard_normal(12)])
    days = [DAYS[0] + datetime.timedelta(days=i) for i in range(len(more))]
    assert alarm(CARD, watched("upper", days, names(len(more)), more)) is None


def test_an_oven_that_stops_repeating_itself() -> None:
    logs = 0.02 * np.random.default_rng(8).standard_normal(30)
    logs[28], logs[29] = 0.045, -0.05
    found = alarm(CARD, series("upper", logs), USUAL)
    assert found is not None
    assert (found.kind, found.heat) == ("scatter", "heat 30")
    assert found.change > 3.267


def test_ready_times_drift_towards_a_day() -> None:
    today = DAYS[29]
    card = replace(CARD, valid=Valid(until=datetime.date(2027, 1, 1)))
    noise = 0.005 * np.random.default_rng(1).standard_normal(30)
    steady = series("ready", noise)
    assert due(card, steady, (), today) == Due(datetime.date(2027, 1, 1), "the card may be used until then")
    assert due(CARD, steady, (), today) is None
    rising = series("ready", noise + 0.0003 * np.arange(30) * 3.0)
    found = due(card, rising, (), today)
    assert found is not None
    # The base is 0.0003 a day times 28.5 days; 0.05 above that is 0.0585 of the line, 195 days from its beginning, of
    # which 87 have passed; its interval takes off some of the 108 that are left.
    assert 70 <= (found.day - today).days <= 108
    assert "drifted by 5 %" in found.why
    alarmed = alarm(CARD, series("lower", np.concatenate([noise[:25], noise[25:] - 0.1])))
    assert alarmed is not None
    assert due(card, rising, (alarmed,), today) == Due(today, "its alarm says why")


def estimated(count: int, measured: float, computed: float) -> list[Estimate]:
    noise = 0.01 * np.random.default_rng(9).standard_normal((count, 3))
    return [
        Estimate(DAYS[i], f"heat {i}", u, lower, (0.1, 0.1), measured + r, "", 1.0, 1.0, computed + r)
        for i, (u, lower, r) in enumerate(noise)
    ]


def test_measured_and_computed_ready_times_are_not_mixed() -> None:
    nan = float("nan")
    some: Drift = drift(CARD, [*estimated(5, 0.5, 0.0), *estimated(9, nan, 0.0)], DAYS[20])
    assert (some.how, len(some.series[2].values)) == ("computed", 14)
    most = drift(CARD, [*estimated(9, 0.5, 0.0), *estimated(5, 0.5, nan)], DAYS[20])
    assert (most.how, len(most.series[2].values)) == ("measured", 14)
    assert float(np.min(most.series[2].values)) > 0.4
    nothing = drift(CARD, [], DAYS[20])
    assert (nothing.alarms, nothing.due) == ((), None)
