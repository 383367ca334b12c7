"""The report of a reviewed heat as values: what stands on the page, in words, before it becomes PDF or HTML.

Nothing of a heat's free notes is on it, where a name could stand: the job number leads to the patient's file. The same
heat gives the same report but for the date of its printing.
"""

from __future__ import annotations

import datetime
from collections.abc import Sequence
from dataclasses import dataclass
from hashlib import sha256
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from calibration.observed import AIR
from dashboard.after_pull import PULLED
from dashboard.entry_words import entry_words
from dashboard.explained import Place, explained_faces, places
from dashboard.failure_words import failed_lines
from dashboard.heat_form import kept_words, one_line
from dashboard.photo import shown_small
from dashboard.pull_facts import pull_facts
from dashboard.pull_words import state_lines
from dashboard.review import Review
from dashboard.review_words import (
    CAUTION,
    LISTED,
    column_words,
    doubt_lines,
    evidence_words,
    headline,
    percent,
    title,
)
from dashboard.units import Units
from dashboard.wall_words import wall_row
from logger.heat_export import StoredHeat, utc_of
from logger.records import CHECKS

if TYPE_CHECKING:
    from logger.records import Correction

Array = NDArray[np.float64]
Row = tuple[str, str]
#: Of paper, mm: width and height.
PAPERS = {"A4": (210.0, 297.0), "letter": (215.9, 279.4)}
WALL_HEADS = ("Place", "Level", "Wall", "Earlier parts")

#: Points of a curve, findings, corrections and photos at most: the report is for one or two pages.
_POINTS, _FINDINGS, _DOUBTS, _CORRECTIONS, _WALLS, _NOTES, _MARKS = 240, 6, 7, 8, 14, 6, 10
_PHOTO_PX = 360
#: Stroke of what an explanation has a face read, mm.
_EXPLAINED = (2.2, 1.6)
_CHECK_WORDS = dict(
    zip(
        CHECKS,
        ("sheet undamaged", "label kept", "film off", "frame locked", "clearance"),
        strict=True,
    )
)


@dataclass(frozen=True)
class Line:
    """A curve of the figure: times, s, values in the shop's unit; `dash`: lengths of stroke and gap, mm; () solid."""

    name: str
    time_s: Array
    values: Array
    dash: tuple[float, ...] = ()
    width_mm: float = 0.3


@dataclass(frozen=True)
class Level:
    """A limit: its words, its value, and whether the words stand below its stroke, clear of what runs above it."""

    name: str
    value: float
    below: bool = False


@dataclass(frozen=True)
class Figure:
    """Temperatures over the heat.

    Attributes:
        lines: measured and computed. band: 5 and 95 % of the core, (2, times), with band_s. levels: limits. marks:
        time, s, and words of events. unit: of the values. until_s: where the axis ends, beyond the pull where the
        window would have opened later. places: where findings show, below the axis.
    """

    lines: tuple[Line, ...]
    band_s: Array
    band: Array
    levels: tuple[Level, ...]
    marks: tuple[tuple[float, str], ...]
    unit: str
    until_s: float
    places: tuple[Place, ...] = ()


@dataclass(frozen=True)
class Report:
    """What stands on the page.

    Attributes:
        title, headline: first lines. facts: identification. checks: done and not done. state: the sheet at the pull.
        findings: probability, title, evidence. doubts: of the readings, lines. failure: lines on the
        outcome's kind. walls: rows under `WALL_HEADS`.
        corrections: lines. notes: what was taken for granted. code: of the QR, the heat's number; '' for a heat file.
        photo: JPEG, or None. printed: the date. paper: of `PAPERS`.
    """

    title: str
    headline: str
    facts: tuple[Row, ...]
    checks: str
    state: tuple[Row, ...]
    findings: tuple[tuple[str, str, str], ...]
    doubts: tuple[str, ...]
    failure: tuple[str, ...]
    walls: tuple[tuple[str, str, str, str], ...]
    corrections: tuple[str, ...]
    notes: tuple[str, ...]
    figure: Figure
    caution: str
    code: str
    photo: bytes | None
    printed: datetime.date
    paper: str = "A4"

    @property
    def footer(self) -> str:
        """The only line that differs between two printings."""
        return f"Printed {self.printed.isoformat()}. Pullcue advises and records; it controls no oven."


def report_of(of: Review, units: Units, printed: datetime.date) -> Report:
    """The report of a review."""
    stored = of.stored
    record = None if stored is None else stored.current
    simulated = of.heat.simulated or (stored is not None and stored.simulated)
    heading = f"Heat {record.number}" if record is not None else f"Heat file {one_line(of.name)}"
    return Report(
        title=f"Review of {heading[0].lower()}{heading[1:]}"
        + (" (simulated: nothing was measured)" if simulated else ""),
        headline=headline(of, units) + ".",
        facts=tuple(_facts(of, units)),
        checks=_checks(stored),
        state=tuple(state_lines(of, units)),
        findings=tuple(
            (percent(one.probability), title(one, units), evidence_words(one, of, units))
            for one in of.diagnosis.findings[:_FINDINGS]
            if one.probability >= LISTED
        ),
        doubts=tuple(one_line(line, 240) for line in doubt_lines(of, units)[:_DOUBTS]),
        failure=tuple(failed_lines(of.failed_how, of.diagnosis, pull_facts(of.diagnosis, of.pulled), units)),
        walls=tuple(wall_row(one, units) for one in of.walls[:_WALLS]),
        corrections=tuple(_correction(one) for one in (() if stored is None else stored.corrections)[-_CORRECTIONS:]),
        notes=tuple(one_line(note, 160) for note in of.notes[:_NOTES]),
        figure=_figure(of, units),
        caution=CAUTION,
        code="" if record is None else f"heat {record.number}",
        photo=None if stored is None else _photo(stored),
        printed=printed,
        paper="A4" if units.system == "metric" else "letter",
    )


def _facts(of: Review, units: Units) -> list[Row]:
    """Identification of the heat; what is not known is said."""
    stored, case = of.stored, of.case
    record = None if stored is None else stored.current
    form = None if record is None else record.form

    def told(value: object) -> str:
        return "not stated" if value in (None, "") else one_line(str(value), 120)

    label = of.heat.extra.get("label") if form is None else form.sheet_label
    job = of.heat.extra.get("job_number") if form is None else form.job_number
    initials = of.heat.extra.get("initials") if form is None else form.initials
    rows = [
        ("Job number", told(job)),
        ("Sheet", f"{case.polymer.id}, {units.length(case.gauge_m)}, {case.colour}; label {told(label)}"),
        ("Operator", told(initials)),
        ("Oven", f"{one_line(case.oven.id)}, set {units.temperature(case.set_c)}{_card_words(of)}"),
    ]
    if record is not None and stored is not None:
        zone = stored.run.zone if stored.run is not None else "UTC"
        rows += [
            ("Start", f"{_local(record.start_utc_ms, zone)}"),
            ("State", f"{record.state}; outcome {told(record.outcome)}, {told(record.outcome_kind)}"),
            (
                "Versions",
                f"recorded with: {told(form and form.software)}; polymer data: {told(form and form.polymer_version)}",
            ),
            ("Link in the chain", record.hash or "none yet"),
        ]
    return rows


def _card_words(of: Review) -> str:
    """Which card it was: the first digits of the SHA-256 of what was kept with the heat, and until when it held."""
    kept = None if of.stored is None else of.stored.current.form.card_json
    mark = "" if kept is None else f", card sha256 {sha256(kept.encode()).hexdigest()[:16]}"
    until = of.case.oven.valid.until
    return mark + ("" if until is None else f", valid until {until.isoformat()}")


def _local(utc_ms: int, zone: str) -> str:
    """The moment in the zone of the recording, with the zone's name; UTC where this machine does not know it."""
    from zoneinfo import ZoneInfo

    utc = utc_of(utc_ms)
    try:
        local = utc.astimezone(ZoneInfo(zone))
    except (KeyError, ValueError, OSError):
        return f"{utc:%Y-%m-%d %H:%M:%S} UTC (zone {one_line(zone)})"
    return f"{local:%Y-%m-%d %H:%M:%S} {one_line(zone)} (UTC{local:%z})"


def _checks(stored: StoredHeat | None) -> str:
    if stored is None:
        return "not recorded"
    done = stored.current.form.checks
    told = [
        f"{words}: {'not recorded' if name not in done else 'done' if done[name] else 'NOT done'}"
        for name, words in _CHECK_WORDS.items()
    ]
    return "; ".join(told)


def _correction(one: Correction) -> str:
    when = f"{utc_of(one.at_utc_ms):%Y-%m-%d %H:%M} UTC"
    told = f"{when}, {one_line(one.who)}: {entry_words(one.field)}"
    if one.field == "notes":
        return f"{told} changed (its words are in the record); {one_line(one.why, 120)}"
    return f"{told} was {kept_words(one.old, 120)}, is {kept_words(one.new, 120)}; {one_line(one.why, 120)}"


def _photo(stored: StoredHeat) -> bytes | None:
    """The first photo of the label, small and without what the camera wrote into it; None: there is none."""
    return shown_small(stored.photos[0].content, _PHOTO_PX, grey=True) if stored.photos else None


# ---------------------------------------------------------------- figure


def _figure(of: Review, units: Units) -> Figure:
    course, heat = of.diagnosis.course, of.heat
    until_s = float(course.time_s[-1])
    opens_s = _opens_s(of)
    axis_s = until_s if opens_s is None else max(until_s, opens_s)
    lines = [Line("core, computed", course.time_s, _shown(course.core_c[1], units), (), 0.6)]
    styles: Sequence[tuple[float, ...]] = ((), (1.0, 1.0), (4.0, 1.0, 1.0, 1.0), (0.5, 0.8))
    roles = ("face_upper_c", "face_lower_c", "air_upper_c", "air_lower_c")
    for role, dash in zip(roles, styles, strict=True):
        for name, values in list(heat.series(role).items())[:1]:
            inside = (heat.time_s >= 0.0) & (heat.time_s <= until_s) & np.isfinite(values)
            if inside.any():
                at = np.flatnonzero(inside)[:: max(1, int(np.count_nonzero(inside)) // _POINTS)]
                words = name.rpartition("_")[0].replace("_", " ")
                lines.append(Line(words, heat.time_s[at], _shown(values[at], units), dash))
    for one in explained_faces(of.diagnosis):
        lines.append(
            Line(f"{column_words(one.name)}, as explained", one.at_s, _shown(one.predicted, units), _EXPLAINED)
        )
    least, most = of.of.core_min_c, of.of.face_max_c
    levels = (
        Level(f"core at least {units.temperature(least)}, as stated", units.temperature_value(least), _air_above(of)),
        Level(f"face at most {units.temperature(most)}", units.temperature_value(most)),
    )
    return Figure(
        tuple(lines), course.time_s, _shown(course.core_c[[0, 2]], units), levels, tuple(_marks(of, until_s)),
        units.temperature_unit, axis_s, places(of.diagnosis, units),
    )  # fmt: skip


def _air_above(of: Review) -> bool:
    """Whether the air runs above the core's least where the words of that stand."""
    time_s, end_s = of.heat.time_s, of.diagnosis.at_pull.time_s
    there = (time_s > 0.15 * end_s) & (time_s < 0.4 * end_s)
    air = [values[there] for role in AIR for values in of.heat.series(role).values()]
    read = [values[np.isfinite(values)] for values in air]
    return any(len(values) and float(np.median(values)) > of.of.core_min_c for values in read)


def _shown(celsius: Array, units: Units) -> Array:
    found: Array = np.vectorize(units.temperature_value, otypes=[float])(celsius)
    return found


def _opens_s(of: Review) -> float | None:
    """When the window opened, or would have after the pull, s since the sheet went in; None: perhaps never."""
    before = of.diagnosis.at_pull.before_ready_s
    return None if before is None else of.diagnosis.at_pull.time_s + before.middle


def _marks(of: Review, until_s: float) -> list[tuple[float, str]]:
    """Events and the window's opening."""
    inside = [one for one in of.heat.events if 0.0 <= one.time_s <= until_s and one.name != PULLED]
    found = [(one.time_s, one_line(one.name.replace("_", " "), 24)) for one in inside[:_MARKS]]
    if of.pulled:
        found.append((until_s, "pulled"))
    opens_s = _opens_s(of)
    if opens_s is None:
        within = Units.seconds(of.diagnosis.at_pull.followed_s)
        found.append((until_s, f"window not open, perhaps not within {within} more"))
    elif opens_s > until_s:
        found.append((opens_s, f"window would have opened, {Units.seconds(opens_s - until_s)} later"))
    else:
        found.append((max(0.0, opens_s), "window opens"))
    return sorted(found)
