"""What explains a heat: the evidence against exact values, the signs of the air, readings that are not believed."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.stats import multivariate_normal, norm

from calibration import crosswise
from calibration.air_signs import OFF_K, OPENED_K, air_signs
from calibration.alternative_fit import _waiting, _way, fit
from calibration.alternatives import Alternative, Cause, Move, alternatives
from calibration.diagnosis import (
    AIR_ELSEWHERE,
    FACE_OVERHEATED,
    PLUGS_SWAPPED,
    PULLED_EARLY,
    Around,
    Finding,
    _joined,
    _marked_door,
    _of_carry,
    _of_readings,
    _shares_of,
    diagnose,
    explanations,
)
from calibration.doubt import STILL, SetAside, believed, set_aside
from calibration.evidence import Evidence
from calibration.given import Given, given
from calibration.members import Members, further, names
from calibration.observed import Observed
from calibration.posterior import Proposal, design, log_evidence, merit, prior, step, update, whitened
from calibration.reconstruction import Pulls, course, profile_at_pull, trajectories
from calibration.recovery import STEADY_STD_K
from cases import CARD
from live_cases import CALIBRATED, cell
from planted_heats import SOUND, Plant, Planted, planted
from thermal.case import Case, Departures
from thermal.fields import InputError
from thermal.heat import Event
from thermal.polymer_data import shipped_polymer

Array = NDArray[np.float64]

FACE = frozenset({"air", "face"})


# ---------------------------------------------------------------- evidence


def linear_evidence(proposal: Proposal, xi: Array, slope: Array, measured: Array, covariance: Array) -> Evidence:
    predicted = slope @ proposal.members(xi)
    return Evidence("face_upper_c", np.arange(len(measured), dtype=float), measured, predicted, covariance)


def test_steps_towards_a_posterior_are_no_longer_than_asked_and_end_there() -> None:
    # A straight model: its posterior is known in closed form, whatever the way to it.
    random = np.random.default_rng(7)
    slope, covariance = random.standard_normal((6, 3)), 0.01 * np.eye(6)
    measured = slope @ np.array([4.0, -3.0, 2.0])
    wanted = np.linalg.solve(np.eye(3) + slope.T @ slope / 0.01, slope.T @ measured / 0.01)
    xi, at = design(3, 32), prior(3)
    for _ in range(12):
        white = [whitened(xi, linear_evidence(at, xi, slope, measured, covariance))]
        after = step(at, white, 1.0)
        assert np.max(np.abs(after.mean - at.mean)) <= 1.0 + 1e-12
        assert merit(after, [whitened(xi, linear_evidence(after, xi, slope, measured, covariance))]) > merit(at, white)
        at = after
        if np.allclose(at.mean, wanted, atol=1e-9):
            break
    assert at.mean == pytest.approx(wanted, abs=1e-9)
    assert at.factor @ at.factor.T == pytest.approx(np.linalg.inv(np.eye(3) + slope.T @ slope / 0.01), abs=1e-9)


@pytest.mark.parametrize("wide", [1.0, 0.3])
def test_the_log_evidence_of_a_straight_model_is_that_of_the_normal_distribution(wide: float) -> None:
    # y = S w + e, w ~ N(0, 1): y ~ N(0, S ST + C), by scipy's own density; the constant ln(2 pi)/2 a reading is left
    # out. Exact to rounding whatever the proposal, since the model is straight.
    random = np.random.default_rng(5)
    slope, root = random.standard_normal((7, 3)), np.tril(random.standard_normal((7, 7))) + 3.0 * np.eye(7)
    covariance, measured = root @ root.T, 4.0 * random.standard_normal(7)
    proposal = Proposal(random.standard_normal(3), wide * np.eye(3))
    xi = design(3, 32)
    white = [whitened(xi, linear_evidence(proposal, xi, slope, measured, covariance))]
    found = log_evidence(proposal, white, update(proposal, white))
    wanted = multivariate_normal(np.zeros(7), slope @ slope.T + covariance).logpdf(measured)
    assert found == pytest.approx(wanted + 3.5 * np.log(2.0 * np.pi), abs=1e-6)


def test_without_evidence_every_alternative_is_as_likely_as_it_was() -> None:
    assert log_evidence(prior(4), [], update(prior(4), [])) == pytest.approx(0.0, abs=1e-12)


def test_further_departures_multiply_factors_and_add_shifts() -> None:
    by = further(
        Departures(gauge=np.array([1.1]), start_k=2.0), {"gauge": np.array([1.2]), "start_k": np.array([-5.0])}
    )
    np.testing.assert_allclose(by.gauge, 1.32)
    np.testing.assert_allclose(by.start_k, -3.0)


# ---------------------------------------------------------------- alternatives


def observed_of(*columns: str, from_s: float = 0.0) -> Observed:
    time_s = np.arange(from_s, 300.0, 2.0)
    return Observed(time_s, {name: np.full(len(time_s), 100.0) for name in columns})


def pp() -> Case:
    return Case(shipped_polymer("pp-homopolymer"), 6e-3, CARD, 185.0)


def kinds(case: Case, seen: Observed) -> set[str]:
    return {one.name for one in alternatives(case, seen, 300.0, (shipped_polymer("hdpe"), shipped_polymer("abs")))}


def test_causes_are_those_that_sheet_oven_and_sensors_allow() -> None:
    bare = kinds(pp(), observed_of("air_upper_c"))
    assert {"gauge", "start", "film upper", "film both", "face lower", "air sensor off", "polymer hdpe"} <= bare
    assert "oven off" in kinds(pp(), observed_of("face_upper_c")) - bare
    assert not any(name.startswith(("loose", "swapped", "tray", "emitters")) for name in bare)
    both = kinds(pp(), observed_of("face_upper_c", "face_lower_c"))
    assert {"loose face_upper_c", "drifting face_lower_c", "swapped face_upper_c and face_lower_c"} <= both
    warm = replace(CARD, tray=None if CARD.tray is None else replace(CARD.tray, start_c=120.0))
    lying = kinds(replace(pp(), support="tray", oven=warm), observed_of("face_upper_c"))
    assert {"tray cold", "tray contact", "face upper"} <= lying
    assert not {"film lower", "film both", "face lower", "oven drifted"} & lying


def test_walls_that_were_recorded_before_the_sheet_are_no_guess() -> None:
    assert "oven not ready" in kinds(pp(), observed_of("air_upper_c"))
    assert "oven not ready" not in kinds(pp(), observed_of("air_upper_c", from_s=-2.0 * CARD.wall_lag_s))


def test_walls_are_the_nearer_to_ready_the_longer_the_air_was_read_before_the_sheet() -> None:
    # A first-order lag forgets what was before: of 40 K a share e^-1 is left after one lag.
    seen = observed_of("air_upper_c", from_s=-CARD.wall_lag_s)
    below = [one.walls_below_k for one in alternatives(pp(), seen, 300.0) if one.walls_below_k]
    assert max(below) == pytest.approx(40.0 * np.exp(-1.0), rel=1e-6)


# ---------------------------------------------------------------- the moment of the pull


def test_the_moment_of_a_pull_is_weighed_by_the_rule_of_bayes() -> None:
    # One core 8 K below its least: early, e^-1/8 K, against nothing that was in time. Sheets half so and half 5 K above
    # (e^-1/5 K in time): 0.03 e^-1/8 against 0.94 e^-1/5, by hand 0.0195.
    assert _shares_of(Pulls(0.0, 1.0, 0.0, 0.0, 0.0))[PULLED_EARLY] == 1.0
    share = _shares_of(Pulls(0.5 * np.exp(-1.0) / 5.0, 0.5 * np.exp(-1.0) / 8.0, 0.0, 0.0, 0.0))
    assert share[PULLED_EARLY] == pytest.approx(0.03 / 8.0 / (0.03 / 8.0 + 0.94 / 5.0), rel=1e-9)
    assert sum(share.values()) == pytest.approx(1.0)


def test_an_overheated_face_and_a_pull_too_early_are_both_told_where_both_are_there() -> None:
    share = _shares_of(Pulls(0.0, 0.0, 0.0, 0.0, 0.1))
    assert share[PULLED_EARLY] == share[FACE_OVERHEATED] == 1.0
    hot = _shares_of(Pulls(0.0, 0.0, 0.0, 0.1, 0.1))  # early as well is rare: 0.03 of it
    assert hot[FACE_OVERHEATED] == pytest.approx(1.0)
    assert hot[PULLED_EARLY] == pytest.approx(0.03 / 1.03, rel=1e-9)


def test_an_air_sensor_that_reads_too_low_is_no_oven_that_is_too_cold() -> None:
    low, warm = Finding("oven off", "", 0.8, size=-12.0), Finding("air sensor off", "", 0.9, size=11.0)
    found = {one.kind: one.probability for one in _joined([warm], [low])}
    assert found == {"oven off": pytest.approx(0.08), "air sensor off": 0.9}
    cold = replace(warm, size=-11.0)
    assert {one.kind: one.probability for one in _joined([cold], [low])}["oven off"] == 0.8


def test_priors_leave_most_heats_without_a_cause() -> None:
    found = alternatives(pp(), observed_of("air_upper_c", "face_upper_c"), 300.0, (shipped_polymer("hdpe"),))
    assert 0.05 < sum(one.causes[0].prior for one in found) < 0.2


def test_a_cause_is_not_paired_with_its_like() -> None:
    thick = Alternative((Cause("gauge", "", 0.01, Move(("gauge",), 0.1, True)),))
    film = Alternative((Cause("film", "upper", 0.01, film=(True, False)),))
    assert thick.with_(thick) is None
    both = thick.with_(film)
    assert both is not None
    assert both.name == "gauge + film upper"
    assert both.case(pp()).film[0] is not None
    assert both.log_prior == pytest.approx(2.0 * np.log(0.01 / 0.99))


# ---------------------------------------------------------------- air


def air_of(off_k: float = 0.0, opened_k: float = 0.0, at_s: float = 300.0, seed: int = 3) -> Observed:
    """Air of `CARD` with a thermostat's swing; measured at the upper face."""
    random, time_s = np.random.default_rng(seed), np.arange(0.0, 800.0, 1.0)
    air = 182.0 + off_k - 40.0 * np.exp(-time_s / 90.0) + 1.5 * np.sin(2.0 * np.pi * time_s / 140.0)
    air -= np.where(time_s >= at_s, opened_k * np.exp(-np.maximum(time_s - at_s, 0.0) / 70.0), 0.0)
    return Observed(time_s, {"air_upper_c": air + 0.3 * random.standard_normal(len(time_s))})


def test_air_that_settles_where_the_card_says_speaks_for_nothing() -> None:
    signs = air_signs(pp(), air_of(), 780.0)
    assert signs is not None
    assert signs.expected_c == 182.0
    assert abs(signs.settled_c - 182.0) < 2.0 * signs.settled_std_k
    assert signs.off < 0.0
    assert signs.opened < 0.0


def test_air_off_the_display_is_judged_by_two_normal_distributions() -> None:
    signs = air_signs(pp(), air_of(off_k=-15.0), 780.0)
    assert signs is not None
    off, usual = signs.settled_c - 182.0, np.hypot(signs.settled_std_k, STEADY_STD_K)
    assert off == pytest.approx(-15.0, abs=3.0)
    wanted = norm(0.0, np.hypot(usual, OFF_K)).logpdf(off) - norm(0.0, usual).logpdf(off)
    assert signs.off == pytest.approx(float(wanted), rel=1e-9)
    assert signs.off > 4.0


def test_a_door_nobody_marked_shows_in_the_air() -> None:
    signs = air_signs(pp(), air_of(opened_k=15.0), 780.0)
    assert signs is not None
    assert signs.opened > 6.0
    assert signs.opened_s == pytest.approx(300.0, abs=20.0)
    assert signs.opened_k == pytest.approx(15.0, abs=0.4 * OPENED_K)


def test_a_door_is_no_door_where_the_air_rises() -> None:
    signs = air_signs(pp(), air_of(opened_k=-15.0), 780.0)
    assert signs is not None
    assert signs.opened < 2.0


def test_air_of_a_few_readings_says_nothing() -> None:
    seen = air_of()
    assert air_signs(pp(), Observed(seen.time_s, {}), 780.0) is None
    assert air_signs(pp(), seen, 15.0) is None


# ---------------------------------------------------------------- doors that were marked


@pytest.mark.parametrize(("fell_k", "measured"), [(0.0, True), (2.0, True), (40.0, True), (40.0, False)])
def test_a_marked_door_is_a_cause_as_far_as_it_cost(fell_k: float, measured: bool) -> None:
    case, of = cell(4.0, CALIBRATED)
    seen = air_of(opened_k=fell_k)
    seen = replace(seen, events=(Event(300.0, "door_open"),), columns=seen.columns if measured else {})
    known = given(case, of, seen, {}, 600.0)
    one = _marked_door(known, (300.0,))
    assert (one.kind, one.from_s, one.column) == ("door opened", 300.0, None)
    assert one.size is not None
    # The first law for a thin sheet far below the air: a dip of the air's by D that recovers with tau leaves the sheet
    # behind by up to D (1 - exp(-tau/t)), with t its own time constant; here tau and t are alike.
    if fell_k == 40.0:
        assert 2.0 < one.size < 40.0
        assert one.probability > 0.3
    else:
        assert one.size < 1.0
        assert one.probability < 0.2


# ---------------------------------------------------------------- a virtual heat


@pytest.fixture(scope="module")
def heats() -> tuple[Case, list[Planted]]:
    """Heats of 4 mm, air and upper face measured: a sound one and one whose face stood still."""
    case, of = cell(4.0, CALIBRATED)
    return case, planted(case, of, [Plant(SOUND, 0.0), Plant("frozen", 1.0)], FACE, seed=5)


def known_of(case: Case, heat: Planted) -> Given:
    return given(case, cell(4.0, CALIBRATED)[1], believed(case, heat.seen).seen, {}, heat.end_s)


def test_a_thermocouple_that_stood_still_is_named_with_its_time(heats: tuple[Case, list[Planted]]) -> None:
    case, some = heats
    (aside,) = set_aside(case, some[1].seen)
    assert (aside.column, aside.reason, set_aside(case, some[0].seen)) == ("face_upper_c", STILL, [])
    known = known_of(case, replace(some[1], seen=without_face(some[1].seen)))
    first = diagnose(known, explanations(known), Around(aside=(aside,))).first
    assert (first.kind, first.of, first.from_s) == ("frozen", "face_upper_c", aside.from_s)


@pytest.mark.parametrize(
    ("reason", "columns", "told"),
    [
        (crosswise.SWAPPED, ("face_upper_c", "air_upper_c"), [(PLUGS_SWAPPED, "face_upper_c")]),
        (crosswise.OUTSIDE, ("air_upper_c",), [(AIR_ELSEWHERE, "air_upper_c")]),
    ],
)
def test_plugs_and_places_that_were_found_wrong_are_causes(
    heats: tuple[Case, list[Planted]], reason: str, columns: tuple[str, ...], told: list[tuple[str, str]]
) -> None:
    known = known_of(heats[0], heats[1][0])
    aside = tuple(SetAside(column, reason, 10.0, 400.0, 390.0) for column in columns)
    assert [(one.kind, one.of) for one in _of_readings(known, Around(aside=aside), None)] == told


def without_face(seen: Observed) -> Observed:
    return replace(seen, columns={name: seen.columns[name] for name in ("air_upper_c", "air_lower_c")})


def test_a_carry_far_beyond_its_time_is_a_cause(heats: tuple[Case, list[Planted]]) -> None:
    known = known_of(heats[0], heats[1][0])
    late = _of_carry(known, Around(carried_s=200.0, formable_s=70.0))
    assert late is not None
    assert late.probability > 0.9
    assert late.size == 130.0
    assert _of_carry(known, Around(carried_s=200.0)) is None
    # How thin a bubble was that nobody measured is less sure, and with it the carry.
    unseen = _of_carry(replace(known, opening_m=(0.3,)), Around(carried_s=100.0, formable_s=70.0))
    seen = _of_carry(known, Around(carried_s=100.0, formable_s=70.0))
    assert unseen is not None
    assert seen is not None
    assert unseen.probability < 0.5 * seen.probability


def test_an_alternative_that_moves_nothing_is_as_likely_as_none(heats: tuple[Case, list[Planted]]) -> None:
    # A move of no width is the heat as stated: both evidences agree to what rounds of re-heating leave.
    case, some = heats
    known = known_of(case, some[0])
    still = Alternative((Cause("gauge", "", 0.01, Move(("gauge",), 1e-9, True)),))
    found = fit(known, [Alternative(), still], prior(len(names(case))))
    assert found[0].log_evidence == pytest.approx(found[1].log_evidence, abs=0.2)
    assert all(one.misfit is not None and one.misfit < 1.5 for one in found)


@pytest.mark.parametrize(("hangs", "settled", "further"), [(True, False, 1), (False, False, 0), (True, True, 0)])
def test_of_a_bubble_nothing_is_given_up_for_one_that_is_still_on_its_way(
    heats: tuple[Case, list[Planted]], hangs: bool, settled: bool, further: int
) -> None:
    # The best, done or not, and one 150 below it that comes nearer by no more than 5 a round.
    known = replace(known_of(heats[0], heats[1][0]), hangs=hangs)
    (found,) = fit(known_of(heats[0], heats[1][0]), [Alternative()], prior(len(names(heats[0]))), rounds=1)
    best = _way(replace(found, log_evidence=100.0, settled=settled))
    behind = replace(_way(replace(found, log_evidence=-50.0, settled=False)), gained=5.0)
    waiting = _waiting(known, {0: best, 1: behind}, left=6)
    assert (0 in waiting, waiting.count(1)) == (not settled, further)


def test_a_sheet_in_a_frame_whose_bubble_nobody_saw_is_followed_with_its_sag(
    heats: tuple[Case, list[Planted]],
) -> None:
    # It is fitted flat, and followed in its frame, which has the zero of the drop's sensor as one unknown more.
    case, some = heats
    framed = replace(case, opening_m=(0.25,))
    known = known_of(framed, some[0])
    assert framed.drops
    assert (known.hangs, known.case.opening_m) == (False, None)
    cold = Alternative((Cause("face", "lower", 0.01, Move(("h_lower",), 0.35, True)),))
    (found,) = fit(known, [cold], prior(len(names(known.case))), rounds=1)
    across_c, drop_ratio = profile_at_pull(known, found)
    (followed,) = trajectories(known, [(found, 1.0)])
    at_end_c = followed.members.coldest_c[np.searchsorted(followed.members.time_s, known.end_s)]
    # The likeliest sheet lies among its members, and hangs.
    assert np.nanmin(at_end_c) < across_c.min() < np.nanmax(at_end_c)
    assert drop_ratio > 0.0


def test_explanations_are_followed_alike_where_the_core_of_one_was_not_ready(
    heats: tuple[Case, list[Planted]], monkeypatch: pytest.MonkeyPatch
) -> None:
    known = known_of(heats[0], heats[1][0])
    film = next(one for one in alternatives(known.case, known.seen, known.end_s) if one.name == "film upper")
    fits = fit(known, [Alternative(), film], prior(len(names(known.case))), rounds=1)
    monkeypatch.setattr("calibration.reconstruction._needed_more", lambda one: one.alternative == film)
    ways = trajectories(known, [(one, 0.5) for one in fits])
    assert len({len(one.members.time_s) for one in ways}) == 1
    assert ways[0].members.time_s[-1] > known.end_s + 200.0
    assert len(course(known, ways).time_s) == len(known.time_s)


def test_what_cannot_be_heated_at_all_is_no_explanation(
    heats: tuple[Case, list[Planted]], monkeypatch: pytest.MonkeyPatch
) -> None:
    known = known_of(heats[0], heats[1][0])
    (other,) = [one for one in alternatives(known.case, known.seen, known.end_s, [shipped_polymer("hdpe")])
                if one.causes[0].polymer is not None]  # fmt: skip

    def refused(*_: object) -> list[Members]:
        raise InputError("no such sheet")

    monkeypatch.setattr("calibration.alternative_fit._heated", refused)
    assert fit(known, [other], prior(len(names(known.case)))) == []
