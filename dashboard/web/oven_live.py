"""What the page at the oven is told each second: a small JSON object, of which nothing is sent that the page has."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from typing import Any

from dashboard.bench_look import Look
from dashboard.live_service import Aged, Live
from dashboard.units import Units
from dashboard.web.oven_figure import figure, key_of, new_rows, shown_row
from dashboard.web.oven_words import (
    cue_words,
    is_live,
    judgement,
    last_of,
    loud,
    mark_words,
    notes,
    phase,
    stale,
    table,
    title,
)
from dashboard.web.words import sentence, unbroken
from logger.heat_export import event_name
from thermal.sag import equivalent_radius_m

#: Parts of the page that are words and change seldom; each is sent only when it changed.
PARTS = ("cue", "title", "labels", "table", "notes", "marks", "last", "judged", "outcome", "frame")
#: Of a part's digest so many signs tell it from another.
_DIGEST = 4
#: Signs of what is not well with one of several benches.
_SHORT = 80
#: Marks that are listed.
_LISTED = 12


def update(live: Live, bench: str, units: Units, have: Mapping[str, str]) -> dict[str, Any]:
    """What is new of one bench.

    Args:
        have: what the page has: 'parts', the digests of `PARTS` joined by dots; 'figure', the key of its picture;
        'rows' and 'thinned', of its curve.

    Raises:
        InputError: there is no such bench.
    """
    aged = live.look(bench)
    look = aged.look
    words = cue_words(aged, units)
    known_now = table(look, units) if is_live(aged) else []
    content = {
        "cue": [words.key, words.word, sentence(words.todo), sentence(words.why)],
        "title": title(look, units),
        "labels": [label for label, _ in known_now],
        "table": [told for _, told in known_now],
        "notes": [sentence(one) for one in notes(look, units)],
        "marks": _marks(look, units),
        "last": _last(look),
        "judged": [sentence(one) for one in judgement(look, units)],
        "outcome": live.outcome_of(look),
        "frame": frame(look),
    }
    known = (have.get("parts") or "").split(".")
    fresh: dict[str, Any] = {}
    digests = []
    for place, name in enumerate(PARTS):
        digests.append(_digest(content[name]))
        if place >= len(known) or known[place] != digests[-1]:
            fresh[name] = content[name]
    time_s = look.time_s
    return {
        "live": is_live(aged),
        "age": _age(aged.age_s),
        "wait": round(1e3 * live.wait_s([bench])),
        "at": "" if time_s is None or not is_live(aged) else units.seconds(time_s),
        "count": [words.to, words.count],
        "loud": [unbroken(one) for one in loud(aged, units)],
        "stale": stale(aged, units),
        "phase": phase(look),
        "sag": sag(look, units) if is_live(aged) else None,
        "parts": ".".join(digests),
        **({"cut": 1} if look.heat is None and look.cut_off_s is not None else {}),
        **fresh,
        **_rows(look, units, have),
    }


def brief(live: Live, units: Units) -> dict[str, Any]:
    """All benches in short, each: id, key of the state, its word, countdown, what it leads to, what is loud."""
    found, oldest_s = [], 0.0
    for bench in live.benches:
        aged = live.look(bench)
        oldest_s = max(oldest_s, aged.age_s)
        found.append([bench, *_brief(aged, units)])
    return {"benches": found, "age": _age(oldest_s), "wait": round(1e3 * live.wait_s(list(live.benches)))}


def _brief(aged: Aged, units: Units) -> list[str]:
    words = cue_words(aged, units)
    if since := stale(aged, units):
        counted = f", {words.to} {words.count}" if words.count else ""
        return [words.key, "no readings", since, "for", f"{words.word}{counted}: computed on from before"]
    not_well = loud(aged, units) if is_live(aged) else [words.why]
    # The page makes the word of the key where it is the same.
    word = "" if words.word == words.key.replace("-", " ") else words.word
    return [words.key, word, words.count, words.to, " · ".join(not_well)[:_SHORT]]


def _age(age_s: float) -> float:
    return round(min(age_s, 1e6), 2)


def as_json(told: Mapping[str, Any]) -> str:
    """In few bytes: signs such as '°' as they are."""
    return json.dumps(told, ensure_ascii=False, separators=(",", ":"))


def picture(live: Live, bench: str, units: Units) -> dict[str, Any]:
    """The whole picture of a bench's heat, and what a page needs to let it grow.

    Raises:
        InputError: there is no such bench.
    """
    look = live.look(bench).look
    curve = look.curve
    return {
        "figure": figure(look, units),
        "key": key_of(look, units),
        "rows": 0 if curve is None else len(curve.rows),
        "thinned": 0 if curve is None else curve.thinned,
    }


def frame(look: Look) -> dict[str, Any] | None:
    """What the drop is drawn in, mm: half the frame's width, the wanted drop, the lines; None without a bubble."""
    if look.followed is None or look.followed.case.opening_m is None:
        return None
    radius_mm = equivalent_radius_m(look.followed.case.opening_m) * 1e3
    wanted = look.followed.of.drop_min
    return {
        "r": round(radius_mm),
        "wanted": None if wanted is None else round(wanted * radius_mm, 1),
        "lines": sorted(look.followed.line_mm.values()),
    }


def sag(look: Look, units: Units) -> dict[str, Any] | None:
    """The bubble as the picture of its drop shows it, mm: likely with its interval, and measured.

    None where no drop is predicted, or the sheet is out.
    """
    if look.followed is None or look.told is None or look.followed.case.opening_m is None or look.told.pulled:
        return None
    estimate = look.told.estimate
    drop = None if estimate is None else estimate.drop_mm
    measured = look.measured.get("drop_mm")
    return {
        "likely": None if drop is None else [round(mm, 1) for mm in (drop.low, drop.middle, drop.high)],
        "measured": None if measured is None else round(measured, 1),
        "words": _sag_words(None if drop is None else drop.middle, measured, units),
    }


def _sag_words(likely_mm: float | None, measured_mm: float | None, units: Units) -> list[str]:
    found = []
    if measured_mm is not None:
        found.append(f"measured {units.length(measured_mm * 1e-3)}")
    if likely_mm is not None:
        found.append(f"estimated {units.length(likely_mm * 1e-3)}")
    return [unbroken(one) for one in found] or ["the drop is not known now"]


def _marks(look: Look, units: Units) -> list[str]:
    """What was marked, the latest first."""
    if look.heat is None:
        return []
    start_s = look.heat.start_s
    made = [mark for mark in look.marks if not mark.of_machine]
    ordered = sorted(made, key=lambda mark: mark.at_s, reverse=True)[:_LISTED]
    return [unbroken(mark_words(mark, start_s, units)) for mark in ordered]


def _last(look: Look) -> list[str]:
    """The mark that one click takes back: its id, and its name in words; empty where there is none."""
    last = None if look.heat is None else last_of(look.marks)
    return [] if last is None else [last.id, event_name(last.name).replace("_", " ")]


def _rows(look: Look, units: Units, have: Mapping[str, str]) -> dict[str, Any]:
    key = key_of(look, units)
    if not key or key != have.get("figure") or look.curve is None or look.heat is None:
        return {"figure": key}
    rows = new_rows(look.curve, _count(have.get("rows")), _count(have.get("thinned")))
    if rows is None:
        return {"figure": f"{key} anew"}
    start_s = look.heat.start_s
    return {"figure": key, "thinned": look.curve.thinned, "rows": [shown_row(row, start_s, units) for row in rows]}


def _count(text: str | None) -> int:
    return int(text) if text and text.isascii() and text.isdigit() and len(text) < 8 else 0


def _digest(content: Any) -> str:
    return hashlib.sha256(json.dumps(content).encode()).hexdigest()[:_DIGEST]
