"""Control charts against published constants and worked examples; drift of an oven against a known change."""

from __future__ import annotations

import datetime
from dataclasses import replace

import numpy as np
import pytest
from scipy.special import ndtr

from calibration.control_chart import D2, D3, D4, WEIGHT, WIDTH, Base, base_of, ewma, individuals, moving_ranges, shift
from calibration.drift import alarm, estimate, recalibrate_by, watched
from calibration.run import Run
from calibration.unknowns import Settings, layout
from calibration_truth import POLYMER, on_grid, planned, recorded
from cases import CARD
from thermal.oven import Valid

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
    assert (single.low[0], single.high[0]) == pytest.approx((32.24, 34.80), abs=0.01)
    assert ranges.high[0] == pytest.approx(1.57, abs=0.01)
    assert not single.beyond.any()
    assert not ranges.beyond.any()


def test_ewma_of_the_handbook() -> None:
    chart = ewma(NIST, Base(50.0, 2.0539), weight=0.3, width=3.0, settled=True)
    assert chart.points == pytest.approx(NIST_EWMA, abs=0.006)
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


def test_a_shift_is_dated() -> None:
    random = np.random.default_rng(3)
    values = np.concatenate([random.standard_normal(25), random.standard_normal(15) + 2.5])
    base = base_of(values[:12])
    assert base is not None
    found = shift(values, base)
    assert found is not None
    assert found.first == pytest.approx(25, abs=2)
    assert found.size == pytest.approx(2.5, abs=1.0)
    assert shift(values[:25], base) is None


def test_too_few_points_set_no_limits() -> None:
    assert base_of(np.arange(5.0)) is None
    assert base_of(np.ones(20)) is None
    assert watched("upper", DAYS[:3], np.array([0.1, np.nan, 0.2])).averages is None
    assert alarm(CARD, watched("upper", DAYS[:3], np.array([0.1, np.nan, 0.2]))) is None


def ordinary(seed: int, lower: float) -> Run:
    """A heat in an oven whose lower face gets so much of its usual heat transfer."""
    run = on_grid(planned(4.0, 420.0))
    of = layout(CARD, [run], Settings())
    x = np.zeros(len(of.names))
    one = of.lead(of.names.index("lower.h_w_m2k"))
    x[of.names.index("lower.h_w_m2k")] = one.xi(lower * CARD.lower.h_w_m2k)
    return replace(recorded([run], of, x, np.random.default_rng(seed))[0], name=f"heat {seed}")


def test_a_heat_estimates_both_faces() -> None:
    found = estimate(CARD, ordinary(1, 0.75), DAYS[0])
    assert found.upper == pytest.approx(0.0, abs=3.0 * found.stds[0])
    assert found.lower == pytest.approx(np.log(0.75), abs=2.5 * found.stds[1])
    blind = estimate(CARD, replace(ordinary(1, 0.75), series=ordinary(1, 0.75).series[:1]), DAYS[0])
    assert np.isnan(blind.lower)


def test_a_weakening_fan_is_alarmed_with_its_effect() -> None:
    random = np.random.default_rng(4)
    logs = 0.05 * random.standard_normal(30)
    logs[20:] += np.log(0.7)
    found = alarm(CARD, watched("lower", DAYS[:30], logs), POLYMER)
    assert found is not None
    assert abs((found.since - DAYS[20]).days) <= 6
    assert found.change == pytest.approx(0.7, rel=0.1)
    late = dict(found.effect_s)
    assert 0.0 < late[6e-3] < late[12e-3]
    assert found.text.startswith(f"Oven test: since {found.since.isoformat()} the lower face gets")
    assert "less heat from the air; test is ready" in found.text
    assert alarm(CARD, watched("lower", DAYS[:20], logs[:20]), POLYMER) is None


def test_recalibrate_by() -> None:
    today = DAYS[29]
    card = replace(CARD, valid=Valid(until=datetime.date(2027, 1, 1)))
    noise = 0.005 * np.random.default_rng(1).standard_normal(30)
    steady = watched("ready time", DAYS[:30], noise)
    assert recalibrate_by(card, steady, today) == datetime.date(2027, 1, 1)
    assert recalibrate_by(CARD, steady, today) is None
    rising = watched("ready time", DAYS[:30], noise + 0.0003 * np.arange(30) * 3.0)
    due = recalibrate_by(card, rising, today)
    assert due is not None
    # 0.0003 a day: 0.026 now, 0.05 in 80 days, somewhat earlier by its uncertainty.
    assert 30 <= (due - today).days <= 85
