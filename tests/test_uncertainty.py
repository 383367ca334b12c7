"""Draws of what a case might really be, by their statistics."""

from __future__ import annotations

from dataclasses import fields, replace
from statistics import NormalDist

import numpy as np
import pytest
from numpy.typing import NDArray

from cases import CARD, case_of, polymer_of
from thermal.build import slab
from thermal.case import NONE, Case, Departures, MeasuredAir
from thermal.oven import Emitter, Face, Uncertainty
from thermal.polymer import Polymer
from thermal.polymer_data import shipped_polymer
from thermal.surroundings import OvenFaces
from thermal.uncertainty import EMISSIVITY_STD, GAUGE_REL_STD, H_REL_STD, START_STD_K, draw
from thermal.window import Limits, limits, windows

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
    windows_of = windows(slab(CASE, by), limits(PP.forming), 3600.0, by=by)
    stated = windows(slab(CASE), limits(PP.forming), 3600.0)
    assert windows_of.ready_s[0] == pytest.approx(stated.ready_s[0], abs=1e-6)


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


def words(case: Case) -> str:
    """The notes, quantities in kelvin."""
    return "; ".join(n.text.format(*(f"{q.value:g} K" for q in n.quantities)) for n in draw(case, 5).notes)


def test_all_that_was_taken_by_default_is_said() -> None:
    sheet = "Uncertainty of the sheet itself not stated: taken 2.5 % on its gauge, 2 K on its start temperature"
    assert words(CASE) == (
        "The oven card states no uncertainty: taken 15 % on the heat transfer of each face, 0.05 on the emissivity of "
        "each face, 2 K on the air, 4 K on the walls, 25 % on the air's fall at the door, 30 % on its recovery time, "
        f"30 % on the walls' lag; {sheet}"
    )
    assert words(replace(CASE, oven=FITTED)) == (
        "The oven card states no uncertainty of some of its values: taken 4 K on the walls, 25 % on the air's fall at "
        f"the door, 30 % on its recovery time, 30 % on the walls' lag; {sheet}"
    )
    every = ("upper.h_w_m2k", "upper.emissivity_eff", "lower.emissivity_eff", "air.offset_k", "wall.offset_k",
             "air.door_drop_k", "air.recovery_s", "wall.lag_s")  # fmt: skip
    card = replace(CARD, uncertainty=Uncertainty(every, tuple(map(tuple, np.diag(np.full(8, 1e-4))))))
    one_face = (
        "The oven card states no uncertainty of some of its values: taken 15 % on the heat transfer of the lower face"
    )
    assert words(replace(CASE, oven=card)) == f"{one_face}; {sheet}"
    whole = Uncertainty((*every, "lower.h_w_m2k"), tuple(map(tuple, np.diag(np.full(9, 1e-4)))))
    assert words(replace(CASE, oven=replace(CARD, uncertainty=whole))) == sheet


def test_only_what_plays_a_part_is_said() -> None:
    time, air = np.array([0.0, 600.0]), np.full(2, 180.0)
    assert "contact with the tray" not in words(CASE)
    assert "40 % on the contact with the tray" in words(replace(CASE, support="tray"))
    still = words(replace(CASE, oven=replace(CARD, door_drop_k=0.0)))
    assert not any(part in still for part in ("door", "recovery", "lag"))
    recorded = words(replace(CASE, measured=MeasuredAir(time, air, air)))
    assert "door" not in recorded
    assert "recovery" not in recorded
    assert "lag" in recorded
    assert "lag" not in words(replace(CASE, measured=MeasuredAir(time, air, air, air)))
    face = Face(18.0, 0.0)
    textbook = words(replace(CASE, oven=replace(CARD, upper=face, lower=face)))
    assert "emissivity" not in textbook
    assert "walls" not in textbook
    oven = replace(CARD, kind="infrared", upper=Face(8.0, 0.9, 0.0, Emitter(400.0, 0.5)))
    assert "10 K on the emitters, 8 % on the emitters' share of the view" in words(replace(CASE, oven=oven))


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
    # What the card says nothing about keeps its default.
    assert np.asarray(by.wall_k)[1:].std() == pytest.approx(4.0, rel=0.02)


def test_heat_transfer_and_air_of_a_card_keep_the_sign_of_their_covariance() -> None:
    # A fit trades warmer air for less heat transfer: -0.8 of the product of the standard deviations, 1.5 and 2.
    card = replace(CARD, uncertainty=Uncertainty(("upper.h_w_m2k", "air.offset_k"), ((2.25, -2.4), (-2.4, 4.0))))
    by = draw(replace(CASE, oven=card), 4000).departures
    h, air = np.asarray(by.h_upper)[1:] * 18.0, np.asarray(by.air_k)[1:]
    assert np.corrcoef(h, air)[0, 1] == pytest.approx(-0.8, abs=0.03)
    assert (h.std(), air.std()) == pytest.approx((1.5, 2.0), rel=0.03)


# --- forming limits ---


def with_forming(polymer: Polymer, rel_std: float) -> Case:
    forming = replace(polymer.forming, provenance=replace(polymer.forming.provenance, rel_std=rel_std))
    return case_of(replace(polymer, forming=forming), 6.0, CARD, 185.0)


def correlation(one: Array, other: Array) -> float:
    return float(np.corrcoef(one, other)[0, 1])


@pytest.mark.parametrize("rel_std", [0.005, 0.02, 0.05])
def test_limits_spread_as_their_file_states(rel_std: float) -> None:
    case = with_forming(PP, rel_std)
    for name, limit_c in (("core_min_k", 165.0), ("core_max_k", 195.0), ("face_max_k", 200.0)):
        assert drawn(name, case).std() == pytest.approx(rel_std * limit_c, rel=0.03), name
    # One draw moves both maxima.
    assert correlation(drawn("core_max_k", case), drawn("face_max_k", case)) == pytest.approx(1.0)
    assert abs(correlation(drawn("core_min_k", case), drawn("face_max_k", case))) < 0.12


@pytest.mark.parametrize(
    ("rel_std", "shared"), [(0.005, 1.0), (2.0 / 165.0, 1.0), (0.02, 2.0 / 3.3), (0.05, 2.0 / 8.25)]
)
def test_the_least_core_temperature_moves_with_the_melting_range(rel_std: float, shared: float) -> None:
    # PP's melting range is uncertain by 2 K: the share of the limit's spread that this explains, at most all of it.
    case = with_forming(PP, rel_std)
    assert correlation(drawn("core_min_k", case), drawn("melting_k", case)) == pytest.approx(shared, abs=0.1)


def test_limits_without_a_melting_range_and_without_uncertainty() -> None:
    pmma = with_forming(shipped_polymer("pmma"), 0.03)
    assert drawn("core_min_k", pmma).std() == pytest.approx(0.03 * 140.0, rel=0.01)
    assert not drawn("core_min_k", with_forming(PP, 0.0)).any()
    assert not drawn("face_max_k", with_forming(PP, 0.0)).any()


@pytest.mark.parametrize("hotter", ["upper", "lower"])
def test_windows_use_each_columns_own_limits(hotter: str) -> None:
    by = Departures(
        core_min_k=np.array([0.0, 3.0, 0.0, 0.0]),
        core_max_k=np.array([0.0, 0.0, -20.0, 0.0]),
        face_max_k=np.array([0.0, 0.0, 0.0, -20.0]),
    )
    card = CARD if hotter == "upper" else replace(CARD, upper=CARD.lower, lower=CARD.upper)
    case = replace(CASE, oven=card, set_c=215.0)
    found = windows(slab(case, by), limits(PP.forming), 3600.0, by=by)
    for column, (least, most, face) in enumerate([(165, 195, 200), (168, 195, 200), (165, 175, 200), (165, 195, 180)]):
        alone = windows(slab(case), Limits(least, most, face), 3600.0)
        assert found.ready_s[column] == pytest.approx(alone.ready_s[0], abs=1e-3)
        assert found.spoilt_s[column] == pytest.approx(alone.spoilt_s[0], abs=1e-3)


def test_lesser_melting_ranges_are_drawn_where_there_are_any() -> None:
    assert draw(CASE, 5).departures.lesser_melting == 0.0
    eva = case_of(shipped_polymer("eva"), 4.0, CARD, 165.0)
    lesser = drawn("lesser_melting", eva)
    assert lesser.std() == pytest.approx(1.0, rel=0.01)
    assert abs(correlation(lesser, drawn("melting_heat", eva))) < 0.12


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
