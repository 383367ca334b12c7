"""A calibration's fit against truths that are known, and against lmfit and emcee on one case each."""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache

import emcee
import lmfit
import numpy as np
import pytest

from calibration import nonlinear
from calibration.heat_model import HeatModel, averaged
from calibration.oven_fit import fit
from calibration.run import Run, noise_of
from calibration.sensing import WANDER_K, depth_weights, effective_size, felt
from calibration.unknowns import OVEN, Settings, layout, priors
from calibration_truth import drawn_wander, planned, virtual_heats
from cases import CARD
from thermal.fields import InputError
from thermal.measured import lagged
from thermal.oven import Uncertainty
from thermal.surroundings import OvenFaces

#: Only what a short heat with two thermocouples can tell in little time.
FEW = Settings(fixed=frozenset(OVEN) - {"upper.h_w_m2k", "lower.h_w_m2k", "wall.offset_k", "wall.lag_s"})


def pair() -> list[Run]:
    return [planned(4.0, 420.0, places=("upper", "core")), planned(3.0, 300.0, places=("lower", "core"))]


@lru_cache(maxsize=1)
def model_of_one_heat() -> HeatModel:
    runs, of, _ = virtual_heats([planned(3.0, 240.0, places=("upper", "core"))], 11, FEW)
    return HeatModel(runs, of)


def test_the_truth_lies_in_its_interval_as_often_as_said() -> None:
    """24 fits, every unknown drawn from its prior: 90 % intervals hold 80 to 98 % for the oven's values together, and
    none of them fewer than 16 of 24 (binomial at 0.90: 15 or fewer 3 times in 10,000, as 28 or fewer of 40).
    """
    held: dict[str, list[bool]] = {}
    wander: list[float] = []
    for seed in range(24):
        runs, of, truth = virtual_heats(pair(), seed + 1)
        found = fit(CARD, runs, starts=1)
        assert found.status == "converged"
        wander += [float(np.log(found.wander_k[p] / true)) for p, true in drawn_wander(seed + 1).items()]
        for j, name in enumerate(of.names):
            one = found.value(name)
            assert one is not None
            value = float(of.lead(j).value(truth[j]))
            held.setdefault(name, []).append(one.interval[0] <= value <= one.interval[1])
    shares = {name: float(np.mean(each)) for name, each in held.items()}
    oven = [share for name, share in shares.items() if name in OVEN]
    assert 0.80 <= np.mean(oven) <= 0.98
    assert 0.85 <= np.mean(list(shares.values())) <= 0.95
    assert min(shares.values()) >= 16 / 24
    # 72 amplitudes, each to 0.36 in its logarithm: their mean to 0.042, 2.4 times that allowed. Judged by the size
    # of the residuals they would come out too small.
    assert np.mean(wander) == pytest.approx(0.0, abs=0.1)


def test_the_jacobian_is_the_derivative() -> None:
    runs, of, _ = virtual_heats(pair(), 3)
    model = HeatModel(runs, of)
    x = 0.3 * np.random.default_rng(1).standard_normal(len(of.names))
    _, jacobian = model.both(x)
    step = 0.05
    sets = x[:, None] + step * np.concatenate([np.eye(len(x)), -np.eye(len(x))], axis=1)
    values = model.residuals(sets)
    central = (values[:, : len(x)] - values[:, len(x) :]) / (2.0 * step)
    size = np.linalg.norm(central, axis=0)
    # Forward differences of 0.02 standard uncertainties: a percent of curvature, and the solver's own step control.
    assert np.all(np.linalg.norm(jacobian - central, axis=0) <= 0.05 * size + 0.05)


def test_residuals_of_sets_are_those_of_each() -> None:
    model = model_of_one_heat()
    x = np.random.default_rng(4).standard_normal((len(model.layout.names), 3)) * 0.5
    together = model.residuals(x)
    for i in range(3):
        assert together[:, i] == pytest.approx(model.both(x[:, i])[0], abs=0.02)


def test_a_reading_every_second_fakes_no_precision() -> None:
    """The same heat read four times as often: the oven's standard errors shrink by a tenth at most, not by half."""
    run = planned(4.0, 420.0, places=("upper", "core"))
    stds, worth = [], []
    for step_s in (4.0, 1.0):
        time = np.arange(5.0, 415.0, step_s)
        series = tuple(replace(one, time_s=time, values=np.zeros(len(time))) for one in run.series)
        of = layout(CARD, [run], FEW)
        model = HeatModel([replace(run, series=series)], of)
        _, jacobian = model.both(np.zeros(len(of.names)))
        stds.append(np.sqrt(np.diag(np.linalg.inv(jacobian.T @ jacobian + np.eye(len(of.names))))))
        worth.append([effective_size(seen.series, seen.at, WANDER_K[seen.series.place]) for seen in model.seen])
    assert np.all(stds[1] <= stds[0] + 1e-9)
    oven = [j for j, name in enumerate(of.names) if name in OVEN]
    assert np.all(stds[1][oven] > 0.9 * stds[0][oven])
    assert sum(worth[1]) < 1.5 * sum(worth[0])
    assert sum(worth[1]) < 0.5 * 2 * 410


def test_lmfit_finds_the_same_values_and_errors() -> None:
    """The same residuals and priors through lmfit's Levenberg-Marquardt (MINPACK) with its own differences."""
    model = model_of_one_heat()
    of = model.layout
    before = priors(of, FEW)
    low, high = of.bounds()
    ours = nonlinear.solve(model, np.zeros((len(of.names), 1)), before, low, high, huber=None, tolerance=1e-8)
    parameters = lmfit.Parameters()
    for j in range(len(of.names)):
        parameters.add(f"x{j}", value=0.0)

    def residuals(values: lmfit.Parameters) -> np.ndarray:
        x = np.array([values[f"x{j}"].value for j in range(len(of.names))])
        return np.concatenate([model.residuals(x[:, None])[:, 0], before.root @ (x - before.centre)])

    # Ended where the steps are a thousandth of what is compared: the differences of a solver that chooses its own steps
    # are worth no more.
    theirs = lmfit.minimize(
        residuals, parameters, method="leastsq", scale_covar=False, epsfcn=1e-4, ftol=1e-5, xtol=3e-5
    )
    x = np.array([theirs.params[f"x{j}"].value for j in range(len(of.names))])
    std = np.array([theirs.params[f"x{j}"].stderr for j in range(len(of.names))])
    ours_std = np.sqrt(np.diag(ours.covariance))
    assert np.abs(ours.x - x) == pytest.approx(0.0 * x, abs=0.03)  # of a standard uncertainty
    assert ours_std == pytest.approx(std, rel=0.03)


def test_emcee_draws_the_same_posterior() -> None:
    """An affine invariant ensemble sampler (J. Goodman, J. Weare, 2010) on the likelihood and priors themselves, of a
    heat that tells of all it is asked: where one tells next to nothing, the mean of a skewed posterior lies a quarter
    of a standard deviation from its most likely point.
    """
    runs, of, _ = virtual_heats([planned(3.0, 300.0)], 11, FEW)
    model = HeatModel(runs, of)
    before = priors(of, FEW)
    n = len(of.names)
    ours = nonlinear.solve(model, np.zeros((n, 1)), before, huber=None)
    std = np.sqrt(np.diag(ours.covariance))

    def logarithms(x: np.ndarray) -> np.ndarray:
        cost = np.sum(model.residuals(x.T) ** 2, axis=0) + np.sum((before.root @ x.T) ** 2, axis=0)
        return np.asarray(-0.5 * cost)

    random = np.random.RandomState(5)
    walkers = 100
    start = ours.x + random.multivariate_normal(np.zeros(n), ours.covariance, walkers)
    moves = [(emcee.moves.DEMove(), 0.8), (emcee.moves.DESnookerMove(), 0.2)]
    sampler = emcee.EnsembleSampler(walkers, n, logarithms, vectorize=True, moves=moves)
    sampler.random_state = random.get_state()
    sampler.run_mcmc(start, 45)
    drawn = sampler.get_chain(discard=15, flat=True)
    oven = [of.names.index(name) for name in sorted(set(OVEN) - FEW.fixed)]
    # Some hundred independent draws: the mean to a fifth of a standard deviation, the standard deviation to a fifth.
    assert (drawn.mean(axis=0)[oven] - ours.x[oven]) / std[oven] == pytest.approx(np.zeros(4), abs=0.25)
    assert drawn.std(axis=0)[oven] == pytest.approx(std[oven], rel=0.2)


def test_fixed_tied_and_free() -> None:
    runs, _, _ = virtual_heats(pair(), 5)
    settings = Settings(fixed=frozenset({"wall.lag_s"}), tied=frozenset({"h"}))
    found = fit(CARD, runs, settings, starts=1, noise_rounds=0)
    lag, upper, lower = (found.value(n) for n in ("wall.lag_s", "upper.h_w_m2k", "lower.h_w_m2k"))
    assert lag is not None
    assert lag.fixed
    assert lag.value == CARD.wall_lag_s
    assert upper is not None
    assert lower is not None
    assert upper.value / CARD.upper.h_w_m2k == pytest.approx(lower.value / CARD.lower.h_w_m2k)
    assert "lower.h_w_m2k" not in found.order
    assert "wall.lag_s" not in found.order


def test_a_cards_uncertainty_as_prior_is_kept_where_heats_are_silent() -> None:
    runs, _, _ = virtual_heats([planned(3.0, 240.0, places=("upper",))], 5)
    known = replace(CARD, uncertainty=Uncertainty(("lower.h_w_m2k", "wall.lag_s"), ((0.25, 3.0), (3.0, 100.0))))
    found = fit(known, runs, prior=known, starts=1, noise_rounds=0)
    lower, lag = found.value("lower.h_w_m2k"), found.value("wall.lag_s")
    assert lower is not None
    assert lag is not None
    assert lower.prior_std == pytest.approx(0.5, rel=1e-6)
    assert lag.prior_std == pytest.approx(10.0, rel=1e-6)
    assert lag.std == pytest.approx(10.0, rel=0.1)


def test_without_priors_more_is_uncertain() -> None:
    runs, _, _ = virtual_heats(pair(), 6)
    with_them = fit(CARD, runs, starts=1, noise_rounds=0)
    without = fit(CARD, runs, Settings(oven_priors=False), starts=1, noise_rounds=0)
    for name in ("upper.h_w_m2k", "upper.emissivity_eff", "wall.offset_k"):
        a, b = with_them.value(name), without.value(name)
        assert a is not None
        assert b is not None
        assert b.prior_std is None
        assert b.std > a.std


def test_polymer_sought_in_a_known_oven() -> None:
    """Oven fixed: conductivity and heat capacity of the truth are found within their intervals."""
    settings = Settings(fixed=frozenset(OVEN) - {"upper.h_w_m2k"}, seek_polymer=True)
    runs, of, truth = virtual_heats([planned(4.0, 420.0), planned(3.0, 300.0)], 9, settings)
    found = fit(CARD, runs, settings, starts=1)
    for name in ("test: conductivity", "test: heat_capacity"):
        one = found.value(name)
        assert one is not None
        assert name in found.order
        assert one.learned > 0.8
        j = of.names.index(name)
        assert abs(float(of.lead(j).value(truth[j])) - one.value) < 3.0 * one.std


def test_no_reading_of_a_sheet_is_refused() -> None:
    with pytest.raises(InputError, match="no heat has a reading of the sheet"):
        fit(CARD, [replace(planned(3.0, 240.0), series=())])
    with pytest.raises(InputError, match="cannot be fixed"):
        Settings(fixed=frozenset({"upper.h"}))


def test_depth_weights_are_exact_for_cubics() -> None:
    nodes = np.linspace(0.0, 1.0, 13)
    for depth in (0.0, 0.03, 0.5, 0.71, 1.0):
        weights, slopes = depth_weights(depth, 13)
        values = 2.0 - nodes + 3.0 * nodes**2 - 4.0 * nodes**3
        assert weights @ values == pytest.approx(2.0 - depth + 3.0 * depth**2 - 4.0 * depth**3, abs=1e-12)
        assert slopes @ values == pytest.approx(-1.0 + 6.0 * depth - 12.0 * depth**2, abs=1e-10)


def test_a_sensors_answer_is_the_models() -> None:
    time = np.array([0.0, 1.0, 4.0, 5.0, 11.0])
    truth = np.array([20.0, 30.0, 80.0, 70.0, 120.0])
    assert felt(time, truth[:, None], np.array([2.5]))[:, 0] == pytest.approx(lagged(time, truth, 2.5))


def test_averaging_keeps_the_integral() -> None:
    time = np.linspace(0.0, 100.0, 41)
    values = 150.0 + 10.0 * np.sin(time / 7.0)
    coarse = np.array([0.0, 3.0, 10.0, 30.0, 50.0, 75.0, 100.0])
    edges = np.concatenate([coarse[:1], 0.5 * (coarse[1:] + coarse[:-1]), coarse[-1:]])
    total = float(np.sum(averaged(time, values, coarse) * np.diff(edges)))
    assert total == pytest.approx(float(np.trapezoid(values, time)), rel=1e-9)


def test_noise_of_readings() -> None:
    """0.3 K on a curve: found within 15 % (500 readings); a spike does not matter; a coarse step counts as it does."""
    random = np.random.default_rng(1)
    time = np.arange(0.0, 1000.0, 2.0)
    curve = 185.0 - 160.0 * np.exp(-time / 300.0)
    noisy = curve + 0.3 * random.standard_normal(len(time))
    noisy[100] += 80.0
    assert noise_of(noisy, time) == pytest.approx(0.3, rel=0.15)
    assert noise_of(np.round(curve), time) >= 1.0 / np.sqrt(12.0)


def test_foil_keeps_radiation_out() -> None:
    """The faces' emissivity is the foil's, whatever the oven's unknown is; convection stays."""
    run = planned(4.0, 300.0, foiled=(True, False))
    of = layout(CARD, [run], Settings())
    model = HeatModel([run], of)
    xi = np.zeros((len(of.all), 2))
    xi[of.at["oven", "", "upper.emissivity_eff"], 1] = -1.0
    xi[of.at["oven", "", "lower.emissivity_eff"], 1] = -1.0
    faces = model.problem(model.groups[0], np.zeros(2, np.intp), xi).surroundings
    assert isinstance(faces, OvenFaces)
    assert faces.loss[0] == pytest.approx([0.06, 0.06])
    # Odds of 9 times exp(-0.7).
    assert faces.loss[1] == pytest.approx([0.90, 1.0 / (1.0 + np.exp(0.7) / 9.0)])
    assert faces.h_w_m2k[0] == pytest.approx([18.0, 18.0])


def test_not_knowing_the_wander_widens() -> None:
    """The mixture over amplitudes is never narrower than the average of its parts, and about as wide."""
    runs, of, _ = virtual_heats(pair(), 3)
    told = fit(CARD, runs, starts=1)
    model = HeatModel(runs, of, told.wander_k)
    before = priors(of, Settings())
    _, jacobian = model.both(told.solution.x)
    plugged = np.linalg.inv(jacobian.T @ jacobian + before.root.T @ before.root)
    ratio = np.sqrt(np.diag(told.solution.covariance) / np.diag(plugged))
    assert np.all((ratio > 0.95) & (ratio < 1.3))
    assert np.mean(ratio) > 1.0


def test_an_emissivitys_odds_stay_inside() -> None:
    for stated in (0.06, 0.5, 0.9, 1.0):
        card = replace(CARD, upper=replace(CARD.upper, emissivity_eff=stated))
        one = next(u for u in layout(card, [planned(3.0, 240.0)], Settings()).all if u.name == "upper.emissivity_eff")
        values = one.value(np.array([-6.0, 0.0, 6.0]))
        assert np.all((values > 0.0) & (values < 1.0))
        assert values[1] == pytest.approx(min(stated, 0.98))
        assert one.xi(float(values[0])) == pytest.approx(-6.0)
        step = 1e-5
        assert one.slope(0.4) == pytest.approx(float(one.value(0.4 + step) - one.value(0.4 - step)) / (2 * step))
    fixed = layout(card, [planned(3.0, 240.0)], Settings(fixed=frozenset({"upper.emissivity_eff"}))).all
    assert next(u for u in fixed if u.name == "upper.emissivity_eff").value(0.0) == 1.0
