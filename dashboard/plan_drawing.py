"""The picture of a plan: what stands in it, whatever draws it."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from dashboard.plan_advice import advice, cautions
from dashboard.plan_measured import column_name, recorded_words
from dashboard.plan_words import Row, answer, drop_m, note_words, opening_words, subject
from dashboard.units import Units
from thermal.plan import Edge, Plan

if TYPE_CHECKING:
    from thermal.measured import Recorded, Residual

Array = NDArray[np.float64]

#: Colours that people with any colour vision tell apart (M. Okabe, K. Ito, 2008); strokes differ as well.
INK = "#1a1a1a"
SHADE = "#009E73"
LIMIT = "#5a5a5a"
CORE, UPPER, LOWER, AIR, DROP = "#0072B2", "#D55E00", "#8a4b8f", "#6e6e6e", "#0072B2"
#: A span may end this far beyond the curve and still be drawn whole, as a share of the curve's length.
_LONGEST = 1.6
#: The axis of the drop ends at this many times the largest drop allowed.
_DROP_SHOWN = 1.35


@dataclass(frozen=True)
class Line:
    """A curve: minutes since the sheet went in, and values in the units shown. `stroke`: solid, dash, dot, dashdot."""

    name: str
    minutes: list[float]
    values: list[float]
    colour: str
    stroke: str
    width: float = 2.0


@dataclass(frozen=True)
class Points:
    """Measured readings, few enough to be seen one by one. `mark`: circle, triangle-up, triangle-down, square."""

    name: str
    minutes: list[float]
    values: list[float]
    colour: str
    mark: str


@dataclass(frozen=True)
class Band:
    """What the model holds possible of a measured curve, 90 of 100 times; minutes and the units shown."""

    minutes: list[float]
    low: list[float]
    high: list[float]
    colour: str


@dataclass(frozen=True)
class Level:
    """A limit as a level line; its words stand on it, in the first column or the second where limits are near."""

    value: float
    words: str
    column: int = 0


@dataclass(frozen=True)
class Panel:
    """One pair of axes below the time bar. `top`: where its axis ends, None: with what is drawn."""

    label: str
    lines: tuple[Line, ...]
    points: tuple[Points, ...]
    levels: tuple[Level, ...]
    bands: tuple[Band, ...] = ()
    top: float | None = None


@dataclass(frozen=True)
class Span:
    """One row of the time bar: its words, the time (None: never) within its interval, minutes.

    `strong`: the row a person acts by.
    """

    words: str
    at: float | None
    low: float | None
    high: float | None
    strong: bool = False


@dataclass(frozen=True)
class Picture:
    """All that is drawn. `window`: from, to in minutes, None without one; `pull`: None without a target.

    `lists`: headings with sentences, for what has room to say more than the picture.
    """

    title: str
    subject: str
    rows: tuple[Row, ...]
    spans: tuple[Span, ...]
    window: tuple[float, float] | None
    pull: float | None
    panels: tuple[Panel, ...]
    end: float
    lists: tuple[tuple[str, tuple[str, ...]], ...]


def picture_of(plan: Plan, units: Units, recorded: Recorded | None = None, notes: Sequence[str] = ()) -> Picture:
    """What is drawn for a plan, in the units asked for."""
    rows = tuple(answer(plan, units))
    opens, closes = _minutes(plan.opens.time_s), _minutes(plan.closes.time_s)
    end = _end(plan)
    comparison = () if recorded is None else recorded.residuals
    panels = [_temperatures(plan, units, comparison)]
    if plan.curve.drop_mm is not None:
        panels.append(_drops(plan, units, comparison))
    return Picture(
        title=_title(rows),
        subject=subject(plan, units) + _opening(plan, units),
        rows=rows,
        spans=_spans(plan, rows, end),
        window=None if opens is None else (opens, end if closes is None else closes),
        pull=_minutes(plan.target.time_s) if plan.target else None,
        panels=tuple(panels),
        end=end,
        lists=(
            (
                "Recorded heat beside the model",
                () if recorded is None else tuple(recorded_words(recorded, plan, units)),
            ),
            ("Advice", tuple(advice(plan, units))),
            ("Cautions", tuple(cautions(plan, units))),
            ("Taken for granted", (*(note_words(note, units) for note in plan.notes), *notes)),
        ),
    )


def _minutes(time_s: float | None) -> float | None:
    return None if time_s is None else time_s / 60.0


def _end(plan: Plan) -> float:
    """Where the time axis ends, minutes: with the curve, or where the intervals do if that is not far beyond."""
    end = float(plan.curve.time_s[-1])
    for edge in (plan.opens, plan.closes):
        if edge.interval_s[1] is not None and edge.interval_s[1] < _LONGEST * end:
            end = max(end, 1.03 * edge.interval_s[1])
    return end / 60.0


def _title(rows: Sequence[Row]) -> str:
    """The answer as a heading: 'Pull at 19:28 · ready from 16:01 · spoilt from 25:16'."""
    if len(rows) < 3:
        return f"{rows[0].label}: {rows[0].value}"
    ready, pull, spoilt = (f"{row.label} {row.value}" for row in rows)
    return f"{pull} · {ready[0].lower()}{ready[1:]} · {spoilt[0].lower()}{spoilt[1:]}"


def _opening(plan: Plan, units: Units) -> str:
    return "" if plan.case.opening_m is None else f", opening {opening_words(plan.case.opening_m, units)}"


def _spans(plan: Plan, rows: Sequence[Row], end: float) -> tuple[Span, ...]:
    """Ready, pull and spoilt; without a window what is met of them, in the order of time."""
    if plan.target is not None and len(rows) == 3:
        ready, pull, spoilt = rows
        return (
            _span(f"{ready.label} {ready.value}", plan.opens, plan.opens.time_s, end),
            Span(f"{pull.label} {pull.value}", _minutes(plan.target.time_s), None, None, True),
            _span(f"{spoilt.label} {spoilt.value}", plan.closes, plan.closes.time_s, end),
        )
    met = (("Spoilt from", plan.closes, plan.spoilt_s), ("Ready only at", plan.opens, plan.ready_s))
    return tuple(
        _span(f"{words} {Units.seconds(time)}", edge, time, end)
        for words, edge, time in met
        if time is not None and time / 60.0 < end
    )


def _span(words: str, edge: Edge, time_s: float | None, end: float) -> Span:
    low, high = (_minutes(time) for time in edge.interval_s)
    # An interval without an upper end runs off the picture.
    return Span(words, _minutes(time_s), low, None if low is None else high or 1.2 * end)


def _temperatures(plan: Plan, units: Units, comparison: Sequence[Residual]) -> Panel:
    curve, of = plan.curve, plan.of
    minutes = (curve.time_s / 60.0).tolist()

    def shown(values: Array) -> list[float]:
        return [units.temperature_value(float(value)) for value in values]

    recorded = " (recorded)" if plan.case.measured is not None else ""
    lines = (
        Line("core, its coldest plane", minutes, shown(curve.core_c), CORE, "solid", 3.2),
        Line("upper face", minutes, shown(curve.face_upper_c), UPPER, "dash"),
        Line("lower face", minutes, shown(curve.face_lower_c), LOWER, "dashdot"),
        Line(f"oven air{recorded}", minutes, shown(curve.air_c), AIR, "dot", 1.6),
    )
    limits = (
        ("core at least", of.core_min_c, 0),
        ("faces at most", of.face_max_c, 0),
        ("core at most", of.core_max_c, 1),
    )
    levels = [Level(units.temperature_value(t), f"{words} {units.temperature(t)}", at) for words, t, at in limits]
    looks = {"core": (CORE, "circle"), "face_upper": (UPPER, "triangle-up"), "face_lower": (LOWER, "triangle-down")}
    points, bands = [], []
    for one in comparison:
        look = next((v for role, v in looks.items() if one.column.startswith(role)), None)
        if look is not None:
            points.append(_points(f"{column_name(one.column).lower()}, measured", one, shown, *look))
            bands.append(_band(one, shown, look[0]))
    return Panel(f"temperature, {units.temperature_unit}", lines, tuple(points), tuple(levels), tuple(bands))


def _drops(plan: Plan, units: Units, comparison: Sequence[Residual]) -> Panel:
    curve, of = plan.curve, plan.of
    assert curve.drop_mm is not None
    per_mm, unit = (1.0, "mm") if units.system == "metric" else (1.0 / 25.4, "in")

    def shown(values: Array) -> list[float]:
        result: list[float] = (values * per_mm).tolist()
        return result

    line = Line("drop", (curve.time_s / 60.0).tolist(), shown(curve.drop_mm), DROP, "solid", 2.4)
    levels = []
    for ratio, words, column in ((of.drop_min, "drop wanted", 0), (of.drop_max, "drop at most", 1)):
        if ratio is not None:
            drop = drop_m(plan, ratio)
            levels.append(Level(drop * 1e3 * per_mm, f"{words} {units.length(drop)}", column))
    measured = [one for one in comparison if one.column.startswith("drop")]
    points = tuple(_points("drop, measured", one, shown, DROP, "square") for one in measured)
    bands = tuple(_band(one, shown, DROP) for one in measured)
    # A sheet that drops further is lost, and how far is of no use to anybody.
    top = None if of.drop_max is None else _DROP_SHOWN * drop_m(plan, of.drop_max) * 1e3 * per_mm
    return Panel(f"drop, {unit}", (line,), points, tuple(levels), bands, top)


#: Points that are told apart in a picture.
_MOST_POINTS = 60


def _points(name: str, one: Residual, shown: Callable[[Array], list[float]], colour: str, mark: str) -> Points:
    thin = max(1, len(one.time_s) // _MOST_POINTS)
    return Points(name, (one.time_s[::thin] / 60.0).tolist(), shown(one.measured[::thin]), colour, mark)


def _band(one: Residual, shown: Callable[[Array], list[float]], colour: str) -> Band:
    thin = max(1, len(one.time_s) // (4 * _MOST_POINTS))
    low, high = one.band[:, ::thin]
    return Band((one.time_s[::thin] / 60.0).tolist(), shown(low), shown(high), colour)
