"""A review as one JSON object: numbers in metric units named by their keys, words in the shop's units."""

from __future__ import annotations

from dataclasses import asdict
from typing import Any

from calibration.diagnosis import Finding
from calibration.estimate import Spread
from dashboard.failure_words import failed_lines
from dashboard.pull_facts import pull_facts
from dashboard.review import Review
from dashboard.review_words import CAUTION, evidence_words, headline, title
from dashboard.units import Units
from dashboard.wall_words import wall_json


def review_json(of: Review, units: Units) -> dict[str, Any]:
    """The whole review; null where there is no such value."""
    found, record = of.diagnosis, None if of.stored is None else of.stored.current
    state = found.at_pull
    return {
        "heat": of.name,
        "number": None if record is None else record.number,
        "hash": None if record is None else record.hash,
        "simulated": of.heat.simulated or bool(of.stored and of.stored.simulated),
        "headline": headline(of, units),
        "ranking": [finding_json(one, of, units) for one in found.findings],
        "explained_by": found.explained_by,
        "misfit": found.misfit,
        "unexplained": found.unexplained,
        "at_pull": {
            "pulled": of.pulled,
            "time_s": state.time_s,
            "core_c": _spread(state.core_c),
            "core_must_have_c": _spread(state.least_c),
            "core_above_least_k": _spread(state.above_k),
            "hottest_face_c": _spread(state.hottest_c),
            "drop_mm": _spread(state.drop_mm),
            "drop_measured": state.drop_measured,
            "face_hot_above_c": of.of.core_min_c,
            "face_hot_s": _spread(state.hot_s),
            "dose_share": _spread(state.dose),
            "core_below_least_share": round(state.p_early, 6),
            "face_over_limit_share": round(state.p_face, 6),
            "limit_passed_share": {limit: round(share, 6) for limit, share in state.p_passed.items()},
            "before_ready_s": _spread(state.before_ready_s),
            "never_ready_share": round(state.p_never, 6),
            "followed_after_s": state.followed_s,
        },
        "carry": {
            "carried_s": of.carried_s,
            "formable_s": of.carry.formable_s,
            "left_on_mold_s": of.left_s,
        },
        "curve": {
            "time_s": found.course.time_s.tolist(),
            **{f"core_{name}_c": row.tolist() for name, row in zip(_BAND, found.course.core_c, strict=True)},
        },
        "unseen": list(of.unseen),
        "not_computed_to_rest": [list(names) for names in of.unsettled],
        "set_aside": [asdict(one) for one in found.aside],
        "outcome": None if record is None else {"outcome": record.outcome, "kind": record.outcome_kind},
        "failure": failed_lines(of.failed_how, found, pull_facts(found, of.pulled), units) or None,
        "walls": [wall_json(one) for one in of.walls],
        "notes": list(of.notes),
        "caution": CAUTION,
    }


_BAND = ("low", "middle", "high")


def finding_json(one: Finding, of: Review, units: Units) -> dict[str, Any]:
    """One line of the ranking."""
    return {
        "kind": one.kind,
        "of": one.of,
        "title": title(one, units),
        "probability": round(one.probability, 6),
        "size": one.size,
        "size_std": one.size_std,
        "from_s": one.from_s,
        "to_s": one.to_s,
        "column": one.column,
        "ln_odds": one.odds,
        "alike": list(one.alike),
        "evidence": evidence_words(one, of, units),
    }


def _spread(of: Spread | None) -> dict[str, float] | None:
    return None if of is None else {"low": of.low, "middle": of.middle, "high": of.high}
