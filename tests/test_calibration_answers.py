"""What a calibration says: what heats can tell, the next heat, the held-out check, the card."""

from __future__ import annotations

import datetime
from dataclasses import replace
from functools import lru_cache

import numpy as np
import pytest

from calibration import nonlinear
from calibration.air_course import air_course
from calibration.fitted_card import fitted_card
from calibration.heat_model import HeatModel
from calibration.held_out import held_out, reached
from calibration.identify import findings
from calibration.next_heat import information, next_heats
from calibration.oven_fit import OvenFit, fit
from calibration.ready import ready_slopes
from calibration.run import Planned, Run, planned_run
from calibration.unknowns import Settings, layout
from calibration_truth import ALL, drawn, on_grid, planned, recorded, sheet, virtual_heats
from cases import CARD
from thermal.build import slab
from thermal.case import Departures
from thermal.crossing import Threshold, first_times
from thermal.oven import oven_card_from_mapping

TODAY = datetime.date(2026, 3, 1)


@lru_cache(maxsize=1)
def one_heat() -> OvenFit:
    runs, _, _ = virtual_heats([planned(4.0, 600.0)], 4)
    return fit(CARD, runs, starts=1)


def test_convection_and_radiation_apart_only_with_foil() -> None:
    """One plain heat cannot tell them apart; with a second one under foil they are."""
    plain = [one.names for one in findings(one_heat()) if one.kind == "apart"]
    assert ("upper.h_w_m2k", "upper.emissivity_eff") in plain
    text = next(one.text for one in findings(one_heat()) if one.kind == "apart")
    assert "cannot separate convection from radiation" in text
    assert "foiled, another fan speed, or with the walls well off the air" in text
    runs, _, _ = virtual_heats([planned(4.0, 600.0), planned(4.0, 900.0, foiled=(True, True))], 4)
    assert [one for one in findings(fit(CARD, runs, starts=1)) if one.kind == "apart"] == []


def test_what_was_not_measured_is_said() -> None:
    runs, _, _ = virtual_heats([planned(3.0, 260.0, places=("upper",))], 4)
    said = {one.kind: one.text for one in findings(fit(CARD, runs, starts=1, noise_rounds=0))}
    assert "No heat has a thermocouple in the core" in said["unseen"]
    assert "say next to nothing about" in said["nothing"]


def test_a_wrong_gauge_is_noticed() -> None:
    """A sheet 12 % thicker than stated, five times the gauge's uncertainty, beside an honest one."""
    runs, _, _ = virtual_heats([planned(4.0, 600.0), planned(4.0, 600.0)], 8, Settings(gauge_rel_std=0.005))
    case = replace(runs[0].case, gauge_m=runs[0].case.gauge_m / 1.12)
    wrong = [replace(runs[0], case=case), runs[1]]
    found = fit(CARD, wrong, starts=1)
    assert any(one.kind == "pulled" and "gauge" in one.text for one in findings(found))


def test_ready_slopes_are_those_of_the_ready_time() -> None:
    of = one_heat()
    case = sheet(6.0)
    found = ready_slopes(of, [case])[0]
    name = "upper.h_w_m2k"
    j = of.layout.names.index(name)
    times = []
    for step in (-0.3, 0.3):
        values = {one.name: one.value for one in of.values if one.kind == "oven"}
        lead = of.layout.lead(j)
        h = float(lead.value(of.solution.x[j] + step))
        card = replace(
            CARD,
            upper=replace(CARD.upper, h_w_m2k=h, emissivity_eff=values["upper.emissivity_eff"],
                          air_offset_k=values["upper.air_offset_k"]),
            lower=replace(CARD.lower, h_w_m2k=values["lower.h_w_m2k"], emissivity_eff=values["lower.emissivity_eff"],
                          air_offset_k=values["lower.air_offset_k"]),
            wall_offset_k=CARD.air_offset_k + values["wall.offset_k"],
            wall_lag_s=values["wall.lag_s"],
        )  # fmt: skip
        polymer = {n.partition(": ")[2]: float(of.layout.lead(k).value(of.solution.x[k]))
                   for k, n in enumerate(of.layout.names) if n.startswith("test: ")}  # fmt: skip
        problem = slab(replace(case, oven=card), Departures(**{k: np.array([v]) for k, v in polymer.items()}))
        times.append(float(first_times(problem, [Threshold("coldest", np.array([165.0]), True)], 7200.0)[0, 0]))
    # The model's grid averages the air's recovery over 20 s: a part in a hundred.
    assert found.slope[j] == pytest.approx((times[1] - times[0]) / 0.6, rel=0.05)
    assert found.time_s == pytest.approx(0.5 * (times[0] + times[1]), rel=0.01)


def test_the_next_heats_gain_is_what_it_brings() -> None:
    """The promise of the design against the fact: heats that are then made, fitted together with the first."""
    of = one_heat()
    advice = next_heats(of)
    assert advice == sorted(advice, key=lambda one: one.then_s)
    assert all(one.then_s < one.now_s for one in advice)
    same = planned_run(Planned("again", replace(of.runs[0].case), 600.0, ALL))
    told = information(of, same)
    promised = nonlinear.inverse(nonlinear.inverse(of.solution.covariance) + told)
    again = fit(CARD, [of.runs[0], recorded_again(of)], starts=1)
    # What is promised is the ready time: how convection and radiation share it depends on where the values then lie.
    sheets = [sheet(6.0), sheet(12.0)]
    for before, after in zip(ready_slopes(of, sheets), ready_slopes(again, sheets), strict=True):
        fact = after.half_width_s(again.solution.covariance)
        assert before.half_width_s(promised) == pytest.approx(fact, rel=0.15)
        assert fact < before.half_width_s(of.solution.covariance)


def recorded_again(of: OvenFit) -> Run:
    run = on_grid(planned(4.0, 600.0))
    runs = [of.runs[0], run]
    whole = layout(CARD, runs, Settings())
    random = np.random.default_rng(12)
    x = drawn(whole, random)
    for j, name in enumerate(whole.names):
        if name in of.layout.names:
            x[j] = of.solution.x[of.layout.names.index(name)]
    return recorded(runs, whole, x, random, of.wander_k)[1]


def test_held_out_heats_are_predicted() -> None:
    runs, _, _ = virtual_heats([planned(4.0, 600.0), planned(3.0, 400.0), planned(6.0, 1000.0)], 6)
    checks = held_out(fit(CARD, runs, starts=1))
    assert [one.name for one in checks] == ["4 mm", "3 mm", "6 mm"]
    for one in checks:
        assert one.held == (one.interval_s[0] <= one.measured_s <= one.interval_s[1])
        assert one.error == pytest.approx(one.predicted_s / one.measured_s - 1.0)
        assert abs(one.error) < 0.15
    # Three intervals of 90 %: two or three hold, but for one time in 40.
    assert sum(one.held for one in checks) >= 2
    assert held_out(one_heat()) == []


def test_when_a_core_was_ready() -> None:
    run = planned(4.0, 600.0)
    core = next(one for one in run.series if one.place == "core")
    ramp = replace(core, values=20.0 + 0.3 * core.time_s, lag_s=4.0)
    level, time = reached(run, ramp)
    assert level == 165.0
    assert time == pytest.approx((165.0 - 20.0) / 0.3 - 4.0, abs=0.2)
    spiked = replace(ramp, values=np.where(np.arange(len(ramp.values)) == 20, 300.0, ramp.values))
    assert reached(run, spiked)[1] == pytest.approx(time, abs=2.0)
    short = replace(ramp, time_s=ramp.time_s[:60], values=ramp.values[:60])
    assert reached(run, short)[0] == pytest.approx(short.values.max() - 3.0, abs=2.0)


def test_the_air_of_an_oven() -> None:
    """Three heats of known air: offset, fall and recovery are found; the spread is at least what is usual."""
    runs = []
    for seed, (off, fall, recovery) in enumerate([(-2.0, 38.0, 80.0), (-4.0, 45.0, 100.0), (-3.0, 40.0, 90.0)]):
        run = planned(4.0, 800.0)
        noise = 0.2 * np.random.default_rng(seed).standard_normal(len(run.air_s))
        runs.append(replace(run, air_c=185.0 + off - fall * np.exp(-run.air_s / recovery) + noise))
    found = air_course(CARD, runs)
    assert found.offset_k.value == pytest.approx(-3.0, abs=0.3)
    assert found.offset_k.std == pytest.approx(np.sqrt((2.0 * 1.0 + 2.0) / 4.0 * 4.0 / 3.0), rel=0.15)
    assert found.fall_k is not None
    assert found.fall_k.value == pytest.approx(41.0, abs=2.0)
    assert found.recovery_s is not None
    assert found.recovery_s.value == pytest.approx(90.0, rel=0.08)
    assert air_course(replace(CARD, door_drop_k=0.0), runs).fall_k is None


def test_the_card_holds_what_was_found() -> None:
    of = one_heat()
    card = fitted_card(of, TODAY)
    for name in ("upper.h_w_m2k", "lower.emissivity_eff", "upper.air_offset_k", "wall.lag_s"):
        one = of.value(name)
        assert one is not None
        assert card.coefficient(name) == pytest.approx(one.value, rel=1e-5)
    wall = of.value("wall.offset_k")
    assert wall is not None
    assert card.wall_offset_k - card.air_offset_k == pytest.approx(wall.value, abs=1e-3)
    assert card.valid.set_c == (170.0, 200.0)
    assert card.valid.gauge_mm == (2.67, 6.0)
    assert card.valid.until == datetime.date(2027, 3, 1)
    assert card.evidence is not None
    assert card.evidence["status"] == "proposed"
    assert card.evidence["simulated"] is True
    assert card.uncertainty is not None
    std = dict(zip(card.uncertainty.order, np.sqrt(np.diag(card.uncertainty.covariance)), strict=True))
    h = of.value("upper.h_w_m2k")
    assert h is not None
    assert std["upper.h_w_m2k"] == pytest.approx(h.std, rel=1e-4)
    # Against the setting the walls are as uncertain as against the air, and the air on top.
    assert std["wall.offset_k"] == pytest.approx(np.hypot(wall.std, std["air.offset_k"]), rel=1e-4)


def test_an_infrared_ovens_views_move_together() -> None:
    table = {
        "id": "radiant", "kind": "infrared", "set_c": 160.0,
        "air": {"offset_k": 0.0, "door_drop_k": 25.0, "recovery_s": 45.0}, "wall": {"offset_k": -10.0, "lag_s": 240.0},
        "upper": {"h_w_m2k": 7.0, "emissivity_eff": 0.9, "emitter": {"temperature_c": 390.0, "view_factor": 0.28}},
        "lower": {"h_w_m2k": 6.0, "emissivity_eff": 0.9, "emitter": {"temperature_c": 370.0, "view_factor": 0.20}},
    }  # fmt: skip
    oven = oven_card_from_mapping(table, "test")
    case = replace(sheet(4.0, 160.0), oven=oven)
    runs = [planned_run(Planned("one", case, 300.0, ALL))]
    runs = [on_grid(runs[0])]
    of = layout(oven, runs, Settings())
    x = np.zeros(len(of.names))
    x[of.names.index("upper.emitter.view_factor")] = -0.7
    found = fit(oven, recorded(runs, of, x, np.random.default_rng(1)), starts=1, noise_rounds=0)
    card = fitted_card(found, TODAY)
    one = found.value("upper.emitter.view_factor")
    assert one is not None
    assert one.interval[0] <= 0.28 * np.exp(-0.7 * 0.3) <= one.interval[1]
    assert card.upper.emitter is not None
    assert card.lower.emitter is not None
    assert card.lower.emitter.view_factor / 0.20 == pytest.approx(card.upper.emitter.view_factor / 0.28, rel=1e-4)


def test_a_trays_contact_is_found() -> None:
    case = replace(sheet(3.0), support="tray")
    runs = [on_grid(planned_run(Planned("one", case, 500.0, ALL)))]
    of = layout(CARD, runs, Settings())
    x = np.zeros(len(of.names))
    x[of.names.index("tray.contact_w_m2k")] = -1.0
    found = fit(CARD, recorded(runs, of, x, np.random.default_rng(1)), starts=1, noise_rounds=0)
    one = found.value("tray.contact_w_m2k")
    assert one is not None
    assert one.interval[0] <= 150.0 * np.exp(-0.6) <= one.interval[1]
    assert one.learned > 0.8
    assert fitted_card(found, TODAY).tray is not None


def test_what_a_heat_tells_is_the_marginal_of_the_whole() -> None:
    """The Schur complement against inverting everything: the new sheet and its sensors integrated out."""
    of = one_heat()
    run = planned(3.0, 300.0)
    told = information(of, run)
    own = layout(CARD, [run], Settings())
    at = [own.names.index(name) for name in own.names if name in of.layout.names and not name.startswith("heat ")]
    theirs = [of.layout.names.index(own.names[j]) for j in at]
    x = np.zeros(len(own.names))
    for j, k in zip(at, theirs, strict=True):
        x[j] = own.lead(j).xi(float(of.layout.lead(k).value(of.solution.x[k])))
    jacobian = HeatModel([run], own, of.wander_k).both(x)[1]
    mine = [j for j in range(len(x)) if j not in at]
    precision = jacobian.T @ jacobian
    precision[mine, mine] += 1.0
    # A prior of 0.1 on what is shared makes it invertible; it adds to both sides alike.
    precision[at, at] += 0.01
    marginal = np.linalg.inv(precision)[np.ix_(at, at)]
    assert np.linalg.inv(told[np.ix_(theirs, theirs)] + 0.01 * np.eye(len(at))) == pytest.approx(marginal, rel=1e-4)


def test_what_no_prior_and_no_heat_determines_is_said() -> None:
    """Two minutes of one heat, and no prior: nothing counts as learned, and that is the finding."""
    runs, _, _ = virtual_heats([planned(6.0, 120.0)], 4)
    found = fit(CARD, runs, Settings(oven_priors=False), starts=1, noise_rounds=0)
    one = found.value("lower.emissivity_eff")
    assert one is not None
    assert one.learned == 0.0
    said = [finding for finding in findings(found) if finding.kind == "nothing"]
    assert "lower.emissivity_eff" in said[0].names
    assert "and no prior counts" in said[0].text
