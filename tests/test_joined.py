"""Batches of heating problems that are heated as one, beside each heated alone."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray

from calibration import alternative_fit
from calibration.air import Heard
from calibration.alternative_fit import _design, _round
from calibration.alternatives import Alternative, Cause
from calibration.given import given
from calibration.members import Batch, Members, names, solve, together
from calibration.observed import Observed
from calibration.posterior import prior
from cases import CARD, case_of, polymer_of
from thermal.build import slab
from thermal.case import Case, Departures, Film
from thermal.conduction import End, Moment, march
from thermal.joined import joined
from thermal.oven import Emitter, Face
from thermal.polymer_data import shipped_polymer
from thermal.slab import Slab
from thermal.window import Limits, limits

Array = NDArray[np.float64]

UNTIL_S = 600.0
#: Each column steps by itself: what a batch of others changes is the order of sums (and, in a batch of a few columns,
#: how its linear systems are solved).
RTOL, ATOL = 1e-9, 1e-7
INFRARED = replace(
    CARD, kind="infrared", door_drop_k=0.0, recovery_s=0.0, wall_lag_s=0.0,
    upper=Face(7.0, 0.9, 0.0, Emitter(390.0, 0.28)), lower=Face(6.0, 0.9, 0.0, Emitter(370.0, 0.28)),
)  # fmt: skip
_RISING, _LEVEL = ((23.0, 180.0), (1700.0, 2600.0)), ((23.0,), (1900.0,))
MELTS = case_of(polymer_of(_RISING, ((23.0,), (0.2,)), (140.0, 160.0, 170.0, 9e4)), 5.0, CARD, 185.0)
PLAIN = case_of(polymer_of(_LEVEL, ((23.0,), (0.17,)), viscosity=None), 3.0, CARD, 185.0)


class _Unseen:
    def see(self, moment: Moment) -> None:
        return None


def heated(problem: Slab) -> End:
    return march(problem, UNTIL_S, _Unseen(), audit=True)


def of_two(case: Case) -> Slab:
    """A thin and a thick one."""
    return slab(case, Departures(gauge=np.array([0.9, 1.15])))


def alike(one: End, parts: Sequence[End]) -> None:
    np.testing.assert_allclose(one.stored_j_m2, np.concatenate([part.stored_j_m2 for part in parts]), RTOL, ATOL)
    np.testing.assert_allclose(one.layer_c, np.concatenate([part.layer_c for part in parts], axis=1), RTOL, ATOL)
    assert one.heat_j_m2 is not None
    np.testing.assert_allclose(one.heat_j_m2, one.stored_j_m2, rtol=1e-10)


FILMED: tuple[Film | None, Film | None] = (Film(), None)


@pytest.mark.parametrize(
    "cases",
    [
        # Materials of different knots, with and without melting; films on either face, and none.
        [MELTS, PLAIN, replace(MELTS, film=FILMED), replace(PLAIN, film=(Film(), Film()))],
        [replace(one, support="tray") for one in (MELTS, replace(PLAIN, film=FILMED))],
        # Absorption in depth, at the face behind a film, and none; two bands beside one.
        [
            replace(one, oven=INFRARED, colour="natural")
            for one in (MELTS, replace(PLAIN, film=FILMED), replace(MELTS, polymer=shipped_polymer("hdpe")))
        ],
        # Bubbles: a melt by Arrhenius, one by WLF.
        [replace(MELTS, opening_m=(0.3,)), replace(MELTS, polymer=shipped_polymer("abs"), opening_m=(0.3,))],
    ],
    ids=["films", "trays", "infrared", "bubbles"],
)
def test_each_column_is_heated_as_in_its_own_batch_and_the_balance_closes(cases: list[Case]) -> None:
    problems = [of_two(case) for case in cases]
    alike(heated(joined(problems)), [heated(problem) for problem in problems])


def test_a_column_without_a_layer_has_none_at_the_end() -> None:
    found = heated(joined([of_two(MELTS), of_two(replace(MELTS, film=FILMED))])).layer_c
    assert np.isnan(found).tolist() == [[True, True, False, False], [True] * 4]


@pytest.mark.parametrize(
    ("other", "said"),
    [
        (replace(MELTS, opening_m=(0.3,)), "sag"),
        (replace(MELTS, openings_s=(0.0, 200.0)), "doors opened at different times"),
    ],
)
def test_what_cannot_march_as_one_is_refused(other: Case, said: str) -> None:
    with pytest.raises(ValueError, match=said):
        joined([slab(MELTS), slab(other)])


def test_a_start_with_a_profile_is_refused() -> None:
    profile = replace(slab(MELTS), start_c=np.full((19, 1), 22.0))
    with pytest.raises(ValueError, match="profile"):
        joined([slab(MELTS), profile])


# ---------------------------------------------------------------- members


TIME_S = np.arange(0.0, UNTIL_S + 1.0, 20.0)
OF = limits(MELTS.polymer.forming)


def air_of(after_c: float) -> Heard:
    air_c = after_c - 40.0 * np.exp(-TIME_S / 90.0)
    return Heard(TIME_S, air_c, air_c + 1.0, (0, 1), UNTIL_S, 0.0, None, np.array([-60.0, -1.0]), np.full(2, after_c))


def batches_of(cases: Sequence[Case], heard: bool) -> list[Batch]:
    random = np.random.default_rng(2)
    return [
        Batch(case, [air_of(180.0 + 3.0 * i)] if heard else None, random.standard_normal((len(names(case)), 20)),
              {"gauge": np.full(20, 1.0 + 0.1 * i)})
        for i, case in enumerate(cases)
    ]  # fmt: skip


def same_members(one: Members, other: Members) -> None:
    for name in ("upper_c", "lower_c", "coldest_c", "drop_ratio", "minimum_c", "core_max_c", "face_max_c", "clear_c"):
        values, others = getattr(one, name), getattr(other, name)
        assert (values is None) == (others is None), name
        if values is not None:
            np.testing.assert_allclose(values, others, RTOL, ATOL, err_msg=name)


@pytest.mark.parametrize("heard", [True, False])
def test_members_of_several_cases_are_those_of_each_alone(heard: bool) -> None:
    batches = batches_of([MELTS, PLAIN, replace(MELTS, film=FILMED)], heard)
    assert len({len(one.normals) for one in batches}) > 1
    for one, found in zip(batches, together(batches, OF, TIME_S, UNTIL_S), strict=True):
        same_members(found, solve(one.case, OF, one.heard, one.normals, TIME_S, UNTIL_S, moved=one.moved))
        assert found.normals is one.normals


# ---------------------------------------------------------------- alternatives


def other(polymer_id: str) -> Alternative:
    return Alternative((Cause("polymer", polymer_id, 0.01, polymer=shipped_polymer(polymer_id)),))


def test_a_sheet_that_cannot_be_heated_takes_no_other_with_it(monkeypatch: pytest.MonkeyPatch) -> None:
    def fails(batches: Sequence[Batch], of: Limits, time_s: Array, now_s: float) -> list[Members]:
        if any(one.case.polymer.id == "abs" for one in batches):
            raise ArithmeticError("the heating equation could not be solved")
        return together(batches, of, time_s, now_s)

    monkeypatch.setattr(alternative_fit, "together", fails)
    seen_s = np.arange(0.0, 300.0, 2.0)
    heat = given(MELTS, OF, Observed(seen_s, {"face_upper_c": 22.0 + 0.3 * seen_s}), {}, 300.0)
    tried = [Alternative(), other("abs"), other("hdpe")]
    asked = [(i, one, prior(len(names(one.case(heat.case))))) for i, one in enumerate(tried)]
    found = dict(_round(heat, asked))
    assert sorted(found) == [0, 2]
    assert found[2].xi is _design(len(asked[2][2].mean))
    # Were it the sheet as stated that fails, nothing could be said.
    stated = replace(heat, case=replace(heat.case, polymer=shipped_polymer("abs")))
    with pytest.raises(ArithmeticError):
        _round(stated, [(0, Alternative(), prior(len(names(stated.case))))])
