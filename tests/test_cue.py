"""The cue: which state an estimate asks for, and how it is entered and left."""

from __future__ import annotations

from dataclasses import replace

import pytest

from calibration.cue import Cue, Rules, State, disagreement, follow
from calibration.estimate import Answer, Estimate, Moment, Spread
from thermal.window import DROP_LARGE, UPPER_FACE

RULES = Rules()
NEVER = Moment(None, None, None, 0.0)


def spread(middle: float, half: float = 2.0) -> Spread:
    return Spread(middle, middle - half, middle + half)


def moment(middle: float, half: float = 20.0) -> Moment:
    return Moment(middle, middle - half, middle + half, 1.0)


def estimate(time_s: float, above_k: float, half_k: float = 2.0, **others: object) -> Estimate:
    """An estimate whose coldest point lies so far above what it must have, opening at 500 s, never closing."""
    plain = Estimate(
        core_c=spread(165.0 + above_k, half_k),
        upper_c=spread(170.0),
        lower_c=spread(170.0),
        drop_mm=None,
        least_c=spread(165.0, 0.0),
        above_k=spread(above_k, half_k),
        surely_k=above_k - 1.4 * half_k,
        p_core=float(above_k > 0.0),
        p_drop=1.0,
        p_spoilt=0.0,
        p_ready=float(above_k > 0.0),
        opens=moment(500.0),
        closes=NEVER,
        closes_by=None,
        time_s=time_s,
        drop_measured_mm=None,
        drop_wanted_mm=None,
        thermal=None,
        misfit=1.0,
        used=("face_upper_c",),
        set_aside=(),
        notes=(),
    )
    return replace(plain, **others)  # type: ignore[arg-type]


def answer(of: Estimate, **others: object) -> Answer:
    return replace(Answer(**{name: getattr(of, name) for name in Answer.__dataclass_fields__}), **others)  # type: ignore[arg-type]


def after(*estimates: Estimate, rules: Rules = RULES) -> Cue:
    cue: Cue | None = None
    for one in estimates:
        cue = follow(cue, one, rules)
    assert cue is not None
    return cue


def held(one: Estimate, rules: Rules = RULES) -> Cue:
    """The cue once an estimate has stood for three seconds, from 'heating'."""
    start = estimate(one.time_s - 10.0, -60.0)
    return after(start, *(replace(one, time_s=one.time_s + i) for i in range(4)), rules=rules)


@pytest.mark.parametrize(
    ("now", "state", "why"),
    [
        (estimate(200.0, -60.0), State.HEATING, "The coldest point is {0} short"),
        (estimate(450.0, -4.0), State.CLOSE, "The coldest point may still be {0} short"),
        (estimate(520.0, 2.0), State.PULL, "The coldest point is warm enough"),
        (estimate(520.0, 2.0, p_drop=0.2, drop_wanted_mm=80.0), State.CLOSE, "Warm enough; the drop is not there yet"),
        (
            estimate(520.0, 2.0, drop_wanted_mm=80.0),
            State.PULL,
            "The coldest point is warm enough; nobody measures the drop: look that it is {0}",
        ),
        (
            estimate(590.0, 2.0, closes=moment(625.0), closes_by=UPPER_FACE),
            State.LAST,
            "Ready, and close to its limit: upper face",
        ),
        (
            estimate(590.0, 0.5, closes=moment(625.0), closes_by=UPPER_FACE),
            State.LAST,
            "Close to its limit (upper face); the core is warm enough with 100 %",
        ),
        (
            estimate(700.0, 9.0, closes=moment(650.0), closes_by=UPPER_FACE, p_spoilt=0.9),
            State.LATE,
            "Most likely past its limit: upper face",
        ),
        (estimate(300.0, -20.0, misfit=4.0), State.UNKNOWN, "What is measured does not fit any sheet in this oven"),
        (
            estimate(300.0, -20.0, opens=NEVER),
            State.UNKNOWN,
            "By all that is known it does not get ready at this setting",
        ),
    ],
)
def test_each_state_has_its_condition_and_its_reason(now: Estimate, state: State, why: str) -> None:
    cue = held(now)
    assert (cue.state, cue.reason.text) == (state, why)


def test_the_risk_decides_not_the_likely_value() -> None:
    # Likely 1 K above its minimum, but 3 K below with the accepted risk: not yet.
    assert held(estimate(520.0, 1.0, half_k=3.0)).state is State.CLOSE
    assert held(estimate(520.0, 1.0, half_k=1.0)).state is State.PULL


def test_a_condition_must_hold_before_the_state_changes() -> None:
    start, ready = estimate(500.0, -3.0), estimate(501.0, 2.0)
    assert after(start, ready).state is State.CLOSE
    assert after(start, ready, replace(ready, time_s=502.0)).state is State.CLOSE
    cue = after(start, ready, replace(ready, time_s=503.0))
    assert (cue.state, cue.since_s) == (State.PULL, 503.0)


def test_a_flicker_starts_the_waiting_anew() -> None:
    ready, not_yet = estimate(501.0, 2.0), estimate(502.0, -3.0)
    assert after(estimate(500.0, -3.0), ready, not_yet, replace(ready, time_s=503.0)).state is State.CLOSE


def test_pull_now_is_left_only_by_a_margin() -> None:
    ready = [replace(estimate(0.0, 2.0), time_s=500.0 + i) for i in range(4)]
    slightly = [replace(estimate(0.0, 1.2), time_s=504.0 + i) for i in range(4)]  # 1.6 K short with the risk
    clearly = [replace(estimate(0.0, -1.0), time_s=508.0 + i) for i in range(4)]
    start = estimate(490.0, -3.0)
    assert after(start, *ready, *slightly).state is State.PULL
    assert after(start, *ready, *slightly, *clearly).state is State.CLOSE
    assert after(start, *slightly).state is State.CLOSE


def test_a_misfit_of_the_first_readings_is_no_verdict() -> None:
    assert held(estimate(40.0, -60.0, misfit=4.0)).state is State.HEATING
    assert held(estimate(100.0, -60.0, misfit=4.0)).state is State.UNKNOWN


def test_what_fits_nothing_and_is_past_its_limit_is_said_to_be_both() -> None:
    cue = held(estimate(500.0, 20.0, misfit=4.0, p_spoilt=0.9))
    assert cue.state is State.UNKNOWN
    assert "past its limit" in cue.reason.text


def test_getting_close_is_left_only_by_a_margin() -> None:
    # 8 % of 1500 s are 120 s, and a quarter more once it is said.
    def opening(at_s: float, from_s: float) -> list[Estimate]:
        return [estimate(from_s + i, -4.0, opens=moment(at_s)) for i in range(4)]

    close, just_beyond, far_beyond = opening(1510.0, 1400.0), opening(1540.0, 1404.0), opening(1600.0, 1404.0)
    assert after(*just_beyond).state is State.HEATING
    assert after(*close, *just_beyond).state is State.CLOSE
    assert after(*close, *far_beyond).state is State.HEATING


def test_countdowns() -> None:
    heating = held(estimate(200.0, -60.0))
    assert heating.countdown_to == "ready"
    assert heating.countdown_s == pytest.approx(297.0)
    pull = held(estimate(520.0, 2.0, closes=moment(900.0, 60.0), closes_by=UPPER_FACE))
    # To the early edge of the closing.
    assert pull.countdown_to == "spoilt"
    assert pull.countdown_s == pytest.approx(840.0 - 523.0)
    assert held(estimate(520.0, 2.0)).countdown_s is None


def test_a_drop_that_is_not_there_is_not_about_to_be_too_large() -> None:
    now = estimate(590.0, 5.0, p_drop=0.1, drop_wanted_mm=80.0, closes=moment(620.0, 25.0), closes_by=DROP_LARGE)
    assert held(now).state is State.CLOSE


def test_in_a_short_window_pull_now_comes_before_last_chance() -> None:
    # Opens at 500, closes at 520: its last quarter is 5 s, not the usual 20.
    now = estimate(500.0, 3.0, closes=moment(520.0, 8.0), closes_by=DROP_LARGE)
    assert held(now).state is State.PULL
    assert held(replace(now, time_s=507.0)).state is State.LAST


class TestBubbleAgainstTemperatures:
    def test_agreement_is_silent(self) -> None:
        now = estimate(520.0, 2.0)
        now = replace(now, thermal=answer(now, above_k=spread(1.0, 4.0), surely_k=-4.6))
        assert disagreement(now) is None
        assert held(now).state is State.PULL

    def test_ahead_the_colder_picture_counts_for_ready(self) -> None:
        now = estimate(520.0, 3.0, half_k=0.5)
        now = replace(now, thermal=answer(now, above_k=spread(-6.0, 2.0), surely_k=-9.0, p_core=0.0))
        cue = held(now)
        assert (cue.sag, cue.state) == ("ahead", State.CLOSE)

    def test_behind_the_bubble_counts_for_ready(self) -> None:
        now = estimate(520.0, -6.0, half_k=0.5)
        now = replace(now, thermal=answer(now, above_k=spread(3.0, 2.0), surely_k=0.2, p_core=1.0))
        cue = held(now)
        assert (cue.sag, cue.state) == ("behind", State.CLOSE)

    def test_the_earlier_closing_counts(self) -> None:
        now = estimate(520.0, 6.0, half_k=0.5)
        hot = answer(now, above_k=spread(-1.0, 2.0), surely_k=-0.5, p_spoilt=0.8, closes_by=UPPER_FACE)
        assert held(replace(now, thermal=hot)).state is State.LATE
