"""Properties that hold whatever the sheet and the oven."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from cases import CARD
from thermal.build import slab
from thermal.case import Case, Departures
from thermal.history import record
from thermal.oven import Emitter, Face, OvenCard
from thermal.polymer_data import polymer_ids, shipped_polymer
from thermal.window import Limits, windows

Array = NDArray[np.float64]

#: Times of opening are stated to 0.5 s for 95 % of problems; two of them may differ by as much and a little more.
SLACK_S = 1.0
#: Error of a temperature that the solver may make, K.
ERROR_K = 0.05
#: While heat has not yet crossed an interval of the grid (dx2/(4 alpha): 2 s at 15 mm) the node beside a face may dip,
#: by this share of the difference that drives the heat.
EARLY_S, EARLY_SHARE = 2.0, 0.005
few = settings(max_examples=12)

polymers = st.sampled_from(polymer_ids()).map(shipped_polymer)
numbers = st.floats


@st.composite
def faces(draw: st.DrawFn, infrared: bool) -> Face:
    emitter = Emitter(draw(numbers(200.0, 500.0)), draw(numbers(0.1, 0.8))) if infrared else None
    return Face(draw(numbers(3.0, 60.0)), draw(numbers(0.0, 1.0)), draw(numbers(-10.0, 10.0)), emitter)


@st.composite
def ovens(draw: st.DrawFn, kinds: tuple[str, ...] = ("convection", "infrared")) -> OvenCard:
    kind = draw(st.sampled_from(kinds))
    return replace(
        CARD, kind=kind, set_c=185.0, air_offset_k=draw(numbers(-10.0, 5.0)), door_drop_k=draw(numbers(0.0, 80.0)),
        recovery_s=draw(numbers(0.0, 300.0)), wall_offset_k=draw(numbers(-30.0, 30.0)),
        wall_lag_s=draw(numbers(0.0, 900.0)), upper=draw(faces(kind == "infrared")),
        lower=draw(faces(kind == "infrared")),
    )  # fmt: skip


@st.composite
def cases(draw: st.DrawFn, kinds: tuple[str, ...] = ("convection", "infrared")) -> Case:
    return Case(
        polymer=draw(polymers), gauge_m=draw(numbers(1e-3, 15e-3)), oven=draw(ovens(kinds)),
        set_c=draw(numbers(150.0, 220.0)), start_c=draw(numbers(5.0, 60.0)),
        support=draw(st.sampled_from(["frame", "tray"])), colour=draw(st.sampled_from(["natural", "pigmented"])),
        openings_s=draw(st.sampled_from([(0.0,), (0.0, 120.0)])),
    )  # fmt: skip


def ready_s(case: Case, by: Departures) -> Array:
    """When the core is at its least forming temperature, s, infinity for never within four hours; (batch,)."""
    of = Limits(case.polymer.forming.core_min_c, 1e4, 1e4)
    return windows(slab(case, by), of, 4 * 3600.0).ready_s


def never_later(times: Array) -> bool:
    """Whether each time is at most the one before, within the error of both; crawling towards a limit is let pass."""
    return all(after <= before + max(SLACK_S, 1e-3 * before) for before, after in pairwise(times))


@few
@given(cases())
def test_a_hotter_oven_is_never_later(case: Case) -> None:
    hotter = np.array([0.0, 2.0, 8.0, 25.0])
    assert never_later(ready_s(case, Departures(set_k=hotter, emitter_k=hotter)))


@few
@given(cases())
def test_a_thicker_sheet_is_never_earlier(case: Case) -> None:
    # Of opaque sheet: through a thin translucent one emitters shine without heating it, and the thicker takes up more.
    thinner = np.array([1.0, 0.97, 0.8, 0.5])
    assert never_later(ready_s(replace(case, colour="pigmented"), Departures(gauge=thinner)))


@few
@given(cases(("convection",)))
def test_better_heat_transfer_is_never_later(case: Case) -> None:
    # Only where all that the face meets is hotter than it will be: walls and air alike.
    upper, lower = (replace(face, air_offset_k=0.0) for face in (case.oven.upper, case.oven.lower))
    even = replace(case.oven, wall_offset_k=case.oven.air_offset_k, door_drop_k=0.0, upper=upper, lower=lower)
    factor = np.array([1.0, 1.05, 1.5, 3.0])
    assert never_later(ready_s(replace(case, oven=even), Departures(h_upper=factor, h_lower=factor)))


@few
@given(cases(), numbers(0.5, 2.0))
def test_no_temperature_leaves_the_range_of_start_and_surroundings(case: Case, share: float) -> None:
    # Of opaque sheet: the model lets a translucent one absorb in depth but radiate from its faces only, so that it may
    # pass the temperature of emitters no hotter than itself.
    case = replace(case, colour="pigmented")
    problem = slab(case)
    end = 3600.0 * share
    history = record(problem, end)
    times = np.linspace(0.0, end, 400)
    air = [problem.surroundings.air.drive(np.array([t])) for t in np.append(times, case.openings_s)]
    offsets = (case.oven.upper.air_offset_k, case.oven.lower.air_offset_k)
    around = [float(d.air[0, 0]) + offset for d in air for offset in offsets]
    around += [float(d.wall_k4[0]) ** 0.25 - 273.15 for d in air]
    around += [case.start_c] + ([case.oven.tray.start_c] if case.support == "tray" and case.oven.tray else [])
    moved = case.set_c - case.oven.set_c
    around += [f.emitter.temperature_c + moved for f in (case.oven.upper, case.oven.lower) if f.emitter]
    at_steps = problem.material.temperature(history.h)[:, :, 0]
    early = history.time_s[:, 0] < EARLY_S
    later = [at_steps[~early].ravel()]
    if case.openings_s == (0.0,):
        later.append(history.temperature_at(times[times >= EARLY_S]).ravel())
    early_k = ERROR_K + EARLY_SHARE * (max(around) - min(around))
    for got, error_k in ((at_steps[early], early_k), (np.concatenate(later), ERROR_K)):
        assert got.min() > min(around) - error_k
        assert got.max() < max(around) + error_k


@few
@given(cases(), numbers(60.0, 3600.0))
def test_symmetric_input_gives_symmetric_output(case: Case, at: float) -> None:
    alike = replace(case, support="frame", oven=replace(case.oven, lower=case.oven.upper))
    profile = record(slab(alike), at).temperature_at(np.array([0.3 * at, at]))
    np.testing.assert_allclose(profile, profile[::-1], rtol=0.0, atol=1e-6)


@few
@given(cases(), numbers(60.0, 1800.0))
def test_turning_sheet_and_oven_upside_down_changes_nothing(case: Case, at: float) -> None:
    upright = replace(case, support="frame")
    turned = replace(upright, oven=replace(case.oven, upper=case.oven.lower, lower=case.oven.upper))
    one, other = (record(slab(c), at).temperature_at(np.array([at])) for c in (upright, turned))
    np.testing.assert_allclose(one, other[::-1], rtol=0.0, atol=1e-6)


@pytest.mark.parametrize("opened_s", [120.0, 300.0, 600.0])
def test_until_the_door_opens_again_a_sheet_only_warms(opened_s: float) -> None:
    case = Case(shipped_polymer("pp-homopolymer"), 6e-3, CARD, 190.0, openings_s=(0.0, opened_s))
    before = record(slab(case), opened_s + 300.0).temperature_at(np.linspace(0.0, opened_s, 200))
    assert np.diff(before, axis=1).min() > -ERROR_K
