"""Reviews of stored heats, and what is kept of a review beside its heat, so that pages and trends need not do it again.

What is kept holds the words in both systems of units: they are what a page shows at once, while a review takes seconds.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from calibration.diagnosis import Finding
from dashboard.commands.records_options import opened
from dashboard.explained import Place, explained_faces, places
from dashboard.pull_facts import PullFacts, pull_facts
from dashboard.pull_words import state_lines
from dashboard.review import Review, case_of, review
from dashboard.review_words import (
    LISTED,
    doubt_lines,
    evidence_words,
    headline,
    percent,
    title,
)
from dashboard.shop import Shop
from dashboard.store_place import StorePlace
from dashboard.stored import whole_of
from dashboard.stored_card import stored_card
from dashboard.tomlfile import read_toml
from dashboard.units import Units
from dashboard.wall_compare import walls_beside
from logger.heat_export import OF_RECORD, heat_of
from logger.review_rows import KeptReview
from thermal.fields import InputError
from thermal.heat import Heat
from thermal.oven import OvenCard, oven_card_from_mapping

if TYPE_CHECKING:
    from logger.records import HeatRecord
    from logger.store import Store

#: Counts what is kept of a review and what it means: one of another version is made anew.
VERSION = 5
Array = NDArray[np.float64]
_UNITS = ("metric", "us")


def review_of(name: str, heat: Heat, card: OvenCard, polymer: str | None, room_c: float, shop: Shop) -> Review:
    """Review a heat.

    Args:
        polymer: instead of the stated one.

    Raises:
        InputError: it states no polymer or no gauge, or cannot be reviewed.
    """
    stated = polymer or heat.polymer
    if stated is None:
        raise InputError(f"{name} does not state its polymer: expected one; give it with --polymer")
    case, notes = case_of(heat, card, shop.polymer(stated), name)
    others = [shop.polymer(one) for one in shop.polymer_ids() if one != stated]
    ours = tuple(f"metadata '{one}' " for one in OF_RECORD)  # the review has these of the record
    told = [note for note in heat.notes if not note.startswith(ours)]
    return review(name, heat, case, others, room_c, [*notes, *told])


def card_of(heat: Heat, oven_card: Path | None, kept: str | None, shop: Shop, name: str) -> OvenCard:
    """The card to review with: that of a file, that kept with the heat, or the shop's for its oven.

    Raises:
        InputError: there is none.
    """
    if oven_card is not None:
        try:
            return oven_card_from_mapping(read_toml(oven_card), oven_card.name)
        except InputError as error:
            raise InputError(f"--oven-card: {error}") from None
    if kept is not None:
        return stored_card(kept, name)
    if heat.oven is None:
        raise InputError(f"{name} does not state its oven: expected one; give its card with --oven-card")
    return shop.oven(heat.oven)


def review_stored(
    kept: Store, record: HeatRecord, shop: Shop, room_c: float, oven_card: Path | None = None,
    polymer: str | None = None,
) -> Review:  # fmt: skip
    """Review a heat of the store.

    Raises:
        InputError: it still goes on, or cannot be reviewed.
    """
    name = f"heat {record.number}"
    if record.state == "open":
        raise InputError(f"{name} is still going on: expected one that has ended; see 'pullcue watch'")
    whole = whole_of(kept, record)
    heat = heat_of(whole)
    card = card_of(heat, oven_card, record.form.card_json, shop, name)
    found = review_of(name, heat, card, polymer, room_c, shop)
    return as_it_stands(replace(found, stored=whole), kept, record)


def as_it_stands(of: Review, kept: Store, record: HeatRecord) -> Review:
    """A review with outcome and walls as they read now: they change nothing of what it found."""
    return replace(of, walls=walls_beside(kept, record), failed_how=record.outcome_kind)


def review_number(place: StorePlace, shop: Shop, number: int) -> Review:
    """Review a heat by its number, in a process of its own."""
    with opened(place) as kept:
        return review_stored(kept, kept.heat(number), shop, shop.room_c)


# ---------------------------------------------------------------- what is kept


def kept_review(of: Review) -> KeptReview:
    """What is kept of a review."""
    course, above = of.diagnosis.course, of.diagnosis.at_pull.above_k if of.pulled else None
    before = of.diagnosis.at_pull.before_ready_s
    content = {
        "words": {system: _words(of, Units(system)) for system in _UNITS},  # type: ignore[arg-type]
        "ranking": [[one.kind, one.of, round(one.probability, 4), one.size] for one in of.diagnosis.findings],
        "course": {
            "time_s": [round(float(t), 1) for t in course.time_s],
            "core_c": [[round(float(v), 2) for v in row] for row in course.core_c],
        },
        "core_min_c": of.of.core_min_c,
        "face_max_c": of.of.face_max_c,
        "opens_s": None if before is None else round(of.diagnosis.at_pull.time_s + before.middle, 1),
        "pulled": of.pulled,
        "explained": [
            [one.name, _rounded(one.at_s, 1), _rounded(one.predicted, 2)] for one in explained_faces(of.diagnosis)
        ],
        "pull": asdict(pull_facts(of.diagnosis, of.pulled)),
    }
    text = json.dumps(content, ensure_ascii=False, allow_nan=False)
    if above is None:
        return KeptReview(VERSION, None, None, None, text)
    return KeptReview(VERSION, above.low, above.middle, above.high, text)


def _rounded(values: Array, digits: int) -> list[float]:
    return [round(float(value), digits) for value in values]


def _words(of: Review, units: Units) -> dict[str, Any]:
    listed = [one for one in of.diagnosis.findings if one.probability >= LISTED]
    return {
        "headline": headline(of, units),
        "state": state_lines(of, units),
        "findings": [[percent(one.probability), title(one, units), evidence_words(one, of, units)] for one in listed],
        "notes": list(of.notes),
        "doubts": doubt_lines(of, units),
        "places": [[one.from_s, one.to_s, one.name, one.share] for one in places(of.diagnosis, units)],
    }


@dataclass(frozen=True)
class Told:
    """A kept review in one system of units.

    Attributes:
        headline; state: rows at the pull; listed: probability, title, evidence of the likely findings; notes; doubts:
        what these sensors cannot show, and what is not believed. findings: all, the likeliest first. time_s, core_c:
        (times,) and low, middle, high. core_min_c, face_max_c: limits. opens_s: of the window, after the pull where it
        would have opened later, None: perhaps never. pulled: whether the pull is on record. pull: what is known of the
        sheet at it. places: where findings show. explained: column, times, s, and °C of each measured face as the
        likeliest explanation has it.
    """

    headline: str
    state: tuple[tuple[str, str], ...]
    listed: tuple[tuple[str, str, str], ...]
    notes: tuple[str, ...]
    doubts: tuple[str, ...]
    findings: tuple[Finding, ...]
    time_s: Sequence[float]
    core_c: Sequence[Sequence[float]]
    core_min_c: float
    face_max_c: float
    opens_s: float | None
    pulled: bool
    pull: PullFacts
    places: tuple[Place, ...]
    explained: tuple[tuple[str, Sequence[float], Sequence[float]], ...]

    @property
    def first(self) -> Finding:
        """The likeliest."""
        return self.findings[0]


def told(kept: KeptReview | None, units: Units) -> Told | None:
    """A kept review as a page shows it; None: there is none of this version."""
    if kept is None or kept.version != VERSION:
        return None
    content = json.loads(kept.content)
    words = content["words"][units.system]
    return Told(
        headline=words["headline"],
        state=tuple((what, value) for what, value in words["state"]),
        listed=tuple((share, name, evidence) for share, name, evidence in words["findings"]),
        notes=tuple(words["notes"]),
        doubts=tuple(words["doubts"]),
        findings=tuple(Finding(kind, of, share, size) for kind, of, share, size in content["ranking"]),
        time_s=content["course"]["time_s"],
        core_c=content["course"]["core_c"],
        core_min_c=content["core_min_c"],
        face_max_c=content["face_max_c"],
        opens_s=content["opens_s"],
        pulled=content["pulled"],
        pull=PullFacts(**content["pull"]),
        places=tuple(Place(*one) for one in words["places"]),
        explained=tuple((name, at_s, values) for name, at_s, values in content["explained"]),
    )
