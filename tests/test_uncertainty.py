"""Draws of what a case might really be, by their statistics."""

from __future__ import annotations

from dataclasses import fields, replace
from statistics import NormalDist

import numpy as np
import pytest
from numpy.typing import NDArray

from cases import CARD, case_of, polymer_of
from thermal.case import NONE, Case, Departures, MeasuredAir, slab
from thermal.oven import Emitter, Face, Uncertainty
from thermal.polymer_data import shipped_polymer
from thermal.surroundings import OvenFaces
from thermal.uncertainty import EMISSIVITY_STD, GAUGE_REL_STD, H_REL_STD, START_STD_K, draw

Array = NDArray[np.float64]
N = 511
PP = polymer_of(((23.0,), (2000.0,)), ((23.0,), (0.2,)), (125.0, 160.0, 170.0, 90e3))
CASE = case_of(PP, 6.0, CARD, 185.0)
# Standard deviations 1.08 and 0.84 W/(m2 K), 0.04 and 0.04, 1 K; h and emissivity of a face correlate by -0.5.
ORDER = ("upper.h_w_m2k", "upper.emissivity_eff", "lower.h_w_m2k", "lower.emissivity_eff", "air.offset_k")
COVARIANCE = (
    (1.1664, -0.0216, 0.0, 0.0, 0.0),
    (-0.0216, 0.0016, 0.0, 0.0, 0.0),
    (0.0, 0.0, 0.7056, -0.0168, 0.0),
    (0.0, 0.0, -0.0168, 0.0016, 0.0),
    (0.0, 0.0, 0.0, 0.0, 1.0),
)
FITTED = replace(CARD, uncertainty=Uncertainty(ORDER, COVARIANCE))


def drawn(name: str, case: Case = CASE, draws: int = N, seed: int = 1) -> Array:
    """A quantity's draws, without the stated case."""
    return np.asarray(getattr(draw(case, draws, seed).departures, name))[1:]


def test_the_first_column_is_the_stated_case() -> None:
    by = draw(CASE, N).departures
    assert by.batch == N + 1
    for part in fields(Departures):
        value = np.asarray(getattr(by, part.name), float)
        assert value.ravel()[0] == getattr(NONE, part.name), part.name


def test_draws_repeat_by_seed() -> None:
    assert np.array_equal(drawn("h_upper"), drawn("h_upper"))
    assert not np.array_equal(drawn("h_upper"), drawn("h_upper", seed=2))
    assert not np.array_equal(drawn("gauge"), drawn("conductivity"))


def test_every_quantity_is_spread_evenly_over_its_distribution() -> None:
    # M.D. McKay, R.J. Beckman, W.J. Conover, Technometrics 21 (1979) 239: one draw in each of N equal slices.
    slices = [NormalDist().cdf(z) * N for z in np.log(drawn("gauge")) / GAUGE_REL_STD]
    assert sorted(int(s) for s in slices) == list(range(N))
    start = drawn("start_k")
    assert start.mean() == pytest.approx(0.0, abs=1e-9)
    assert start.std() == pytest.approx(START_STD_K, rel=0.01)
    assert np.quantile(start, 0.95) == pytest.approx(1.645 * START_STD_K, rel=0.01)


def test_spreads_of_the_polymer_are_those_of_its_file() -> None:
    for name in ("density", "conductivity", "heat_capacity", "melting_heat", "expansion", "viscosity"):
        assert np.log(drawn(name)).std() == pytest.approx(0.05, rel=0.01), name  # INVENTED's rel_std
    assert drawn("melting_k").std() == pytest.approx(2.0, rel=0.01)
    assert drawn("orientation").std() == pytest.approx(0.01, rel=0.01)


def test_amorphous_polymer_has_no_melting_to_vary() -> None:
    by = draw(case_of(shipped_polymer("pmma"), 6.0, CARD, 185.0), 11).departures
    assert (by.melting_heat, by.melting_k) == (1.0, 0.0)


def test_default_oven_uncertainty_and_its_note() -> None:
    upper, lower = np.log(drawn("h_upper")), np.log(drawn("h_lower"))
    assert upper.std() == pytest.approx(H_REL_STD, rel=0.08)
    # Half of the variance is shared: correlation 0.5, with the scatter of 511 draws.
    assert np.corrcoef(upper, lower)[0, 1] == pytest.approx(0.5, abs=0.12)
    assert drawn("emissivity_upper").std() * CARD.upper.emissivity_eff == pytest.approx(EMISSIVITY_STD, rel=0.02)
    (note,) = draw(CASE, 5).notes
    assert "states no uncertainty" in note.text


def test_covariance_of_the_card_is_reproduced() -> None:
    case = replace(CASE, oven=FITTED)
    by = draw(case, 4000).departures
    stated = {"h_upper": 18.0, "emissivity_upper": 0.9, "h_lower": 14.0, "emissivity_lower": 0.9}
    rows = [np.asarray(getattr(by, name))[1:] * value for name, value in stated.items()]
    got = np.cov(np.stack([*rows, np.asarray(by.air_k)[1:]]))
    scale = np.sqrt(np.diag(np.array(COVARIANCE)))
    assert np.sqrt(np.diag(got)) == pytest.approx(scale, rel=0.03)
    # Correlations scatter by 1/sqrt(4000) = 0.016.
    np.testing.assert_allclose(got / np.outer(scale, scale), np.array(COVARIANCE) / np.outer(scale, scale), atol=0.06)
    assert draw(case, 5).notes == ()
    # What the card says nothing about keeps its default.
    assert np.asarray(by.wall_k)[1:].std() == pytest.approx(4.0, rel=0.02)


def test_no_draw_is_impossible() -> None:
    # Emissivity 0.98 +- 0.05 and h 1 +- 2 reach beyond what can be; what is solved may not.
    face = Face(1.0, 0.98)
    wild = replace(CARD, upper=face, lower=face, uncertainty=Uncertainty(("upper.h_w_m2k",), ((4.0,),)))
    case = replace(CASE, oven=wild)
    by = draw(case, N).departures
    assert np.asarray(by.emissivity_upper).max() * 0.98 > 1.0
    faces = slab(case, by).surroundings
    assert isinstance(faces, OvenFaces)
    assert faces.loss.max() <= 1.0
    assert faces.wall_gain.max() <= 1.0
    assert faces.h_w_m2k.min() > 0.0


def test_a_door_that_does_not_cool_the_air_stays_so() -> None:
    case = replace(CASE, oven=replace(CARD, door_drop_k=0.0))
    air = slab(case, draw(case, 50).departures).surroundings.air.drive(np.zeros(51)).air
    assert air[0].std() == pytest.approx(2.0, rel=0.1)  # the air's own 2 K only


def test_recorded_air_leaves_no_doubt_about_the_door() -> None:
    time = np.array([0.0, 600.0])
    measured = replace(CASE, measured=MeasuredAir(time, np.full(2, 180.0), np.full(2, 180.0)))
    by = draw(measured, 11).departures
    assert (by.recovery, by.door_drop_k) == (1.0, 0.0)
    assert by.batch == 12


def test_infrared_oven_varies_its_emitters() -> None:
    face = Face(8.0, 0.9, 0.0, Emitter(400.0, 0.5))
    oven = replace(CARD, kind="infrared", upper=face, lower=face, uncertainty=None)
    case = case_of(shipped_polymer("pp-homopolymer"), 4.0, oven, 185.0)
    assert drawn("emitter_k", case).std() == pytest.approx(10.0, rel=0.01)
    assert np.log(drawn("emitter", case)).std() == pytest.approx(0.08, rel=0.01)
    assert drawn("absorption", case).std() > 0.1
    assert draw(CASE, 5).departures.emitter_k == 0.0
