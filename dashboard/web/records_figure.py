"""The pictures of the records' page, as plotly takes them: one heat, several at the door, margins, charts."""

from __future__ import annotations

from collections.abc import Sequence
from textwrap import wrap
from typing import Any

import numpy as np
from numpy.typing import NDArray

from calibration.control_chart import Chart
from dashboard import plan_drawing
from dashboard.explained import Place
from dashboard.heat_view import Beside, Course, HeatView
from dashboard.stored_review import Told
from dashboard.trends import Charts, Kind, Margins, Parts
from dashboard.trends_words import day_of, grouped
from dashboard.units import Units
from dashboard.web.plan_figure import LEVEL, MARK, WINDOW, axis_of, colour_of, layout_of

Figure = dict[str, Any]
Array = NDArray[np.float64]
_LEGEND = {"orientation": "h", "y": 1.0, "yanchor": "bottom", "x": 0.0, "font": {"size": 14}}
#: Words, colour and stroke of a measured column, by its beginning.
_STYLES = (
    ("air_upper", "air above", plan_drawing.AIR, "solid"),
    ("air_lower", "air below", plan_drawing.AIR, "dash"),
    ("face_upper", "upper face", plan_drawing.UPPER, "solid"),
    ("face_lower", "lower face", plan_drawing.LOWER, "solid"),
    ("core", "core, measured", plan_drawing.CORE, "dot"),
)
#: Colours and strokes of heats beside each other: twenty that can be told apart, the pairs by stroke too.
_INKS = ("#2a86c8", "#d9601a", "#17936f", "#a765b5", "#8a7a1c")
_STROKES = ("solid", "dash", "dot", "dashdot")
_MARKS = 14
#: Height of a finding's bar, as a share of the picture's.
_BAR = 0.06
#: Above the highest limit its words take this share.
_OF_WORDS = 0.07
#: Share of the heat within which the words of two marks would run into each other.
_NEAR = 0.03
#: Dots of parts closer than this share of the picture's width cover each other; so many of the newest heats in a chart.
_APART, _CHARTED = 160, 200
#: Kinds of failure are written in lines of so many letters.
_WRAPPED = 18
_WEEK_MS = 7 * 86_400_000


def heat_figure(of: HeatView, told: Told | None, units: Units) -> Figure:
    """A heat with what was measured, the core as the review found it, the limits, the window and what was marked."""
    data = _core(told, units) if told is not None else []
    data += [_measured(one, units) for one in of.courses if not one.column.startswith("drop")]
    data += _explained(told, units) if told is not None else []
    shapes: list[dict[str, Any]] = []
    words: list[dict[str, Any]] = []
    ends = [float(one.time_s[-1]) for one in of.courses]
    begin_min = min((float(one.time_s[0]) for one in of.courses), default=0.0) / 60.0
    end_min = max([*ends, 60.0]) / 60.0
    if told is not None:
        level = {"xref": "paper", "yref": "y", "showarrow": False, "font": {"size": 13}}
        for value, text, side in (
            (told.core_min_c, "core must have", _clear_side(of, told)),
            (told.face_max_c, "face at most", "bottom"),
        ):
            y = _shown(value, units)
            shapes.append(_across(y))
            words.append({**level, "text": f"{text} {units.temperature(value)}", "y": y, "yanchor": side, "x": 0.15,
                          "xanchor": "left"})  # fmt: skip
        shapes += _window(told, end_min)
        for number, place in enumerate(told.places):
            shapes.append(_bar(place, number))
            words.append(_in_bar(place, number))
        end_min = max(end_min, 1.04 * _later(told))
    seen = [(at_s / 60.0, name) for at_s, name in of.events[:_MARKS] if 0.0 <= at_s / 60.0 <= 1.02 * end_min]
    shapes += [_up(at, name == "pulled") for at, name in seen]
    if told is not None and (at := _later(told)):
        shapes.append(_up(at, False))
        seen.append((at, "window would have opened"))
    elif told is not None and told.opens_s is None and told.time_s:
        words.append(_at_top(told.time_s[-1] / 60.0, "window not open"))
    words += [_upright(at, name) for at, name in _apart(seen, _NEAR * end_min)]
    return {
        "data": data,
        "layout": layout_of(
            xaxis=axis_of("minutes since the sheet went in", range=[min(0.0, begin_min), end_min]),
            yaxis=axis_of(units.temperature_unit, **_height(of, told, units)),
            hovermode="x unified",
            showlegend=True,
            legend=_LEGEND,
            shapes=shapes,
            annotations=words,
        ),
    }


def _clear_side(of: HeatView, told: Told) -> str:
    """On which side of the least its words are clear of the air, which runs along it: plotly's anchor."""
    air = [one for one in of.courses if one.column.startswith("air")]
    there = [one.values[(one.time_s > 0.15 * one.time_s[-1]) & (one.time_s < 0.4 * one.time_s[-1])] for one in air]
    return "top" if any(len(values) and np.median(values) > told.core_min_c for values in there) else "bottom"


def _height(of: HeatView, told: Told | None, units: Units) -> dict[str, Any]:
    """The axis from the least to the most that is shown, with room above it for the bars of the findings."""
    if told is None:
        return {}
    measured = [one.values for one in of.courses if not one.column.startswith("drop")]
    shown_c = np.concatenate([*measured, *(np.asarray(row) for row in told.core_c), [told.core_min_c, told.face_max_c]])
    low, high = float(shown_c.min()), float(shown_c.max())
    span = high - low
    above = _BAR * len(told.places) + _OF_WORDS
    return {"range": [_shown(low - 0.03 * span, units), _shown(high + span * above / (1.0 - above), units)]}


def _apart(marks: Sequence[tuple[float, str]], near: float) -> list[tuple[float, str]]:
    """Marks with room for their words: of two beside each other the pull, else the first."""
    kept: list[tuple[float, str]] = []
    for at, name in sorted(marks, key=lambda one: (one[1] != "pulled", one[0])):
        if all(abs(at - other) > near for other, _ in kept):
            kept.append((at, name))
    return kept


def _core(told: Told, units: Units) -> list[dict[str, Any]]:
    minutes = [round(t / 60.0, 3) for t in told.time_s]
    low, middle, high = ([_shown(v, units) for v in row] for row in told.core_c)
    line = {"color": colour_of(plan_drawing.CORE), "width": 0}
    band = {"type": "scatter", "mode": "lines", "x": minutes, "hoverinfo": "skip", "showlegend": False, "line": line}
    return [
        {**band, "name": "", "y": low},
        {**band, "name": "core, 90 of 100", "y": high, "fill": "tonexty", "fillcolor": "rgba(42,134,200,0.25)"},
        _line("core, computed", minutes, middle, plan_drawing.CORE, "solid", 3.5),
    ]


def _measured(one: Course, units: Units) -> dict[str, Any]:
    found = next((style for style in _STYLES if one.column.startswith(style[0])), None)
    minutes = [round(float(t) / 60.0, 4) for t in one.time_s]
    values = [_shown(float(v), units) for v in one.values]
    name = words_of(one.column)
    ink, stroke = (plan_drawing.AIR, "dot") if found is None else (found[2], found[3])
    return _line(name, minutes, values, ink, stroke, 1.6 if one.column.startswith("air") else 2.5)


def words_of(column: str) -> str:
    """'face_upper_2_c' as 'upper face 2'."""
    style = next((style for style in _STYLES if column.startswith(style[0])), None)
    plain = column.rpartition("_")[0]
    if style is None:
        return _plain(plain.replace("_", " "))
    return _plain(f"{style[1]} {plain.removeprefix(style[0]).replace('_', ' ').strip()}".strip())


def _explained(told: Told, units: Units) -> list[dict[str, Any]]:
    """Measured faces as the likeliest explanation has them."""
    found = []
    for column, at_s, values in told.explained:
        ink = plan_drawing.LOWER if column.startswith("face_lower") else plan_drawing.UPPER
        minutes, shown = [round(t / 60.0, 3) for t in at_s], [_shown(v, units) for v in values]
        found.append(_line(f"{words_of(column)}, as explained", minutes, shown, ink, "dash", 2.0))
    return found


def _bar(place: Place, number: int) -> dict[str, Any]:
    """Where a finding shows, along the upper edge."""
    top = 1.0 - _BAR * number
    box = {"type": "rect", "xref": "x", "x0": place.from_s / 60.0, "x1": max(place.to_s, place.from_s + 4.0) / 60.0}
    return {**box, "yref": "paper", "y0": top - 0.85 * _BAR, "y1": top, "fillcolor": LEVEL, "opacity": 0.25,
            "line": {"width": 0}, "layer": "below"}  # fmt: skip


def _in_bar(place: Place, number: int) -> dict[str, Any]:
    words = f"{_plain(place.name, 90)} ({place.share})"
    return {"text": words, "xref": "x", "x": place.from_s / 60.0, "xanchor": "left", "yref": "paper",
            "y": 1.0 - _BAR * number, "yanchor": "top", "showarrow": False, "font": {"size": 13}}  # fmt: skip


def _window(told: Told, end_min: float) -> list[dict[str, Any]]:
    """From when the core was ready to the pull."""
    if told.opens_s is None or not told.time_s or told.opens_s > told.time_s[-1]:
        return []
    box = {"type": "rect", "x0": max(0.0, told.opens_s / 60.0), "x1": min(end_min, told.time_s[-1] / 60.0)}
    return [{**box, "xref": "x", "yref": "paper", "y0": 0, "y1": 1, "fillcolor": WINDOW, "opacity": 0.18,
             "line": {"width": 0}, "layer": "below"}]  # fmt: skip


def _later(told: Told) -> float:
    """When the window would have opened after the pull, min since the sheet went in; 0 where it had, or never would."""
    if told.opens_s is None or not told.time_s or told.opens_s <= told.time_s[-1]:
        return 0.0
    return told.opens_s / 60.0


def compare_figure(heats: Sequence[Beside], place: str, units: Units) -> Figure:
    """Heats overlaid, minutes since the door closed; `place` is the beginning of the column shown."""
    data, shapes = [], []
    for number, one in enumerate(heats):
        course = next((c for c in one.courses if c.column.startswith(place)), None)
        if course is None:
            continue
        ink, stroke = _INKS[number % len(_INKS)], _STROKES[number // len(_INKS) % len(_STROKES)]
        minutes = [round(float(t) / 60.0, 4) for t in course.time_s]
        values = [_measure(float(v), course.column, units) for v in course.values]
        data.append({**_line(f"heat {one.record.number}", minutes, values, ink, stroke, 2.2)})
        if one.pulled_s is not None:
            up = {"type": "line", "xref": "x", "x0": one.pulled_s / 60.0, "x1": one.pulled_s / 60.0}
            shapes.append({**up, "yref": "paper", "y0": 0.0, "y1": 0.05, "line": {"color": ink, "width": 3}})
    unit = ("mm" if units.system == "metric" else "in") if place == "drop" else units.temperature_unit
    return {
        "data": data,
        "layout": layout_of(
            xaxis=axis_of("minutes since the door closed"),
            yaxis=axis_of(unit),
            hovermode="closest",
            showlegend=True,
            legend=_LEGEND,
            shapes=shapes,
        ),
    }


def margin_figure(of: Margins, units: Units) -> Figure:
    """Each part at its margin, failed above and good below, and the fitted chance of a failure with its 95 % band."""
    data: list[dict[str, Any]] = []
    drawn = _distinct(of)
    good, bad = ([_difference(k, units) for k, _ in these] for these in drawn)
    if of.fit is not None:
        every = np.concatenate([of.good.margin_k, of.bad.margin_k])
        x = np.linspace(every.min(), every.max(), 60)
        low, middle, high = (np.round(100.0 * row, 2).tolist() for row in of.fit.curve(x))
        at = [_difference(float(v), units) for v in x]
        edge = {"type": "scatter", "mode": "lines", "x": at, "hoverinfo": "skip", "showlegend": False,
                "line": {"color": colour_of(plan_drawing.CORE), "width": 0}}  # fmt: skip
        data += [{**edge, "y": low}, {**edge, "y": high, "fill": "tonexty", "fillcolor": "rgba(42,134,200,0.25)"},
                 _line("chance of a failure, 95 %", at, middle, plan_drawing.CORE, "solid", 3.0)]  # fmt: skip
    for name, these, y, ink, symbol in (
        ("failed", (bad, drawn[1]), 103.0, MARK, "x"),
        ("good", (good, drawn[0]), -3.0, LEVEL, "circle"),
    ):
        data.append({
            "type": "scatter", "mode": "markers", "name": name, "x": these[0], "y": [y] * len(these[0]),
            "marker": {"color": ink, "symbol": symbol, "size": 9, "opacity": 0.75},
            "customdata": [said for _, said in these[1]],
            "hovertemplate": "%{customdata}: %{x:.1f}<extra></extra>",
        })  # fmt: skip
    degrees = "K" if units.system == "metric" else "°F"
    return {
        "data": data,
        "layout": layout_of(
            xaxis=axis_of(f"core above its least at the pull, {degrees}"),
            yaxis=axis_of("failed, %", range=[-7.0, 107.0], tickvals=[0, 25, 50, 75, 100]),
            showlegend=True,
            legend=_LEGEND,
            shapes=[{**_up(0.0, False), "line": {"color": LEVEL, "width": 1}}],
        ),
    }


def _distinct(of: Margins) -> tuple[list[tuple[float, str]], list[tuple[float, str]]]:
    """Margins of good and of failed parts with which heats they are, one for those that would cover each other."""
    every = np.concatenate([of.good.margin_k, of.bad.margin_k])
    step = max(float(np.ptp(every)) / _APART, 1e-9) if len(every) else 1.0

    def drawn(these: Parts) -> list[tuple[float, str]]:
        _, first, counts = np.unique(these.margin_k // step, return_index=True, return_counts=True)
        return [
            (k, f"heat {number}" + (f" and {count - 1} more" if count > 1 else ""))
            for k, number, count in zip(
                these.margin_k[first].tolist(), these.heats[first].tolist(), counts.tolist(), strict=True
            )
        ]

    return drawn(of.good), drawn(of.bad)


def pareto_figure(kinds: Sequence[Kind]) -> Figure:
    """How often each kind of failure, as bars from the most frequent down, with the share up to each."""
    names = ["<br>".join(wrap(one.kind, _WRAPPED)) for one in kinds][::-1]
    bars = {"type": "bar", "orientation": "h", "y": names, "x": [one.count for one in kinds][::-1],
            "marker": {"color": colour_of(plan_drawing.UPPER)}, "hovertemplate": "%{y}: %{x}<extra></extra>",
            "text": [f"{grouped(one.count)}, {100.0 * one.together:.0f} %" for one in kinds][::-1],
            "textposition": "outside", "cliponaxis": False}  # fmt: skip
    most = max((one.count for one in kinds), default=1)
    return {
        "data": [bars],
        "layout": layout_of(
            xaxis=axis_of("failed parts", range=[0, 1.9 * most], dtick=_step(5 * most), tickformat="d"),
            yaxis=axis_of("", automargin=True),
            bargap=0.35,
        ),
    }


def margin_chart(of: Charts, units: Units) -> Figure:
    """Margins of the newest heats in their order, with their moving average and the limits of both."""
    count = len(of.margin_k)
    shown = slice(max(0, count - _CHARTED), count)
    x = list(range(1, count + 1))[shown]

    def scaled(values: Array) -> list[float]:
        return [_difference(float(v), units) for v in values[shown]]

    data: list[dict[str, Any]] = []
    shapes = []
    beyond = np.zeros(count, dtype=bool)
    if of.each is not None and of.average is not None:
        shapes.append(_across(_difference(of.each.centre, units)))
        for chart, name, stroke in (
            (of.each, "limits of a heat", "dash"),
            (of.average, "limits of the average", "dot"),
        ):
            for side, seen in ((chart.low, True), (chart.high, False)):
                data.append({**_line(name, x, scaled(side), LEVEL, stroke, 1.5), "showlegend": seen,
                             "hoverinfo": "skip"})  # fmt: skip
        data.append(_line("moving average", x, scaled(of.average.points), plan_drawing.CORE, "solid", 3.0))
        beyond = of.each.beyond
    said = [f"heat {number}" for number in of.heats[shown]]
    data += _dots("each heat", x, scaled(of.margin_k), beyond[shown], said)
    degrees = "K" if units.system == "metric" else "°F"
    return {
        "data": data,
        "layout": layout_of(
            xaxis=axis_of(
                "reviewed heats in order" if count <= _CHARTED else f"newest {_CHARTED} reviewed heats",
                range=[x[0] - 0.5, x[-1] + 0.5] if x else None,
                dtick=_step(len(x)),
                tickformat="d",
            ),
            yaxis=axis_of(f"core above its least, {degrees}"),
            shapes=shapes,
            showlegend=True,
            legend=_LEGEND,
        ),
    }


def failure_chart(of: Charts) -> Figure:
    """The share of failed parts in stretches of four weeks, with limits that follow how many parts there were."""
    x = [day_of(ms).isoformat() for ms in of.begins_ms]
    share = [round(100.0 * bad / all_, 2) for bad, all_ in zip(of.failed, of.counted, strict=True)]
    said = [f"{bad} of {all_}" for bad, all_ in zip(of.failed, of.counted, strict=True)]
    data: list[dict[str, Any]] = []
    shapes = []
    chart: Chart | None = of.failures
    if chart is not None:
        shapes.append(_across(100.0 * chart.centre))
        for side, seen in ((chart.low, True), (chart.high, False)):
            line = _line("limits", x, [round(100.0 * float(v), 2) for v in side], LEVEL, "dash", 1.5)
            data.append({**line, "showlegend": seen, "hoverinfo": "skip", "line": {**line["line"], "shape": "hvh"}})
    beyond = np.zeros(len(x), dtype=bool) if chart is None else chart.beyond
    data += _dots("failed in four weeks", x, share, beyond, said)
    return {
        "data": data,
        "layout": layout_of(
            xaxis=axis_of("four weeks from", range=_dates(of)), yaxis=axis_of("failed, %", rangemode="tozero"),
            shapes=shapes, showlegend=True, legend=_LEGEND,
        ),
    }  # fmt: skip


def _step(count: int) -> int:
    """Between the strokes of an axis of whole numbers, for some five of them: 1, 2, 5, 10, ..."""
    power = 1
    while 30 * power < count:
        power *= 10
    return next(step for step in (power, 2 * power, 5 * power) if 6 * step >= count)


def _dates(of: Charts) -> list[str] | None:
    """From two weeks before the first stretch to six after the last began: of one stretch no axis of seconds."""
    if not of.begins_ms:
        return None
    return [day_of(ms + weeks * _WEEK_MS).isoformat() for ms, weeks in ((of.begins_ms[0], -2), (of.begins_ms[-1], 6))]


def _dots(name: str, x: Sequence[Any], y: Sequence[float], beyond: Any, said: Sequence[str]) -> list[dict[str, Any]]:
    """Dots within the limits, and those beyond as a course of their own: styled one by one they take long to draw."""
    found = []
    for words, here, marker in (
        (name, [n for n, out in enumerate(beyond) if not out], {"size": 7, "symbol": "circle", "color": LEVEL}),
        ("beyond its limits", [n for n, out in enumerate(beyond) if out],
         {"size": 10, "symbol": "diamond", "color": MARK}),
    ):  # fmt: skip
        if here:
            found.append({
                "type": "scatter", "mode": "markers", "name": words, "x": [x[n] for n in here],
                "y": [y[n] for n in here], "customdata": [said[n] for n in here], "marker": marker,
                "hovertemplate": "%{customdata}: %{y:.1f}<extra></extra>",
            })  # fmt: skip
    return found


def _line(name: str, x: Sequence[Any], y: Sequence[Any], ink: str, stroke: str, width: float) -> dict[str, Any]:
    return {"type": "scatter", "mode": "lines", "name": name, "x": list(x), "y": list(y),
            "line": {"color": colour_of(ink), "dash": stroke, "width": width}, "hovertemplate": "%{y:.1f}"}  # fmt: skip


def _across(y: float) -> dict[str, Any]:
    line = {"color": LEVEL, "width": 1}
    return {"type": "line", "xref": "paper", "x0": 0, "x1": 1, "yref": "y", "y0": y, "y1": y, "line": line}


def _up(x: float, strong: bool) -> dict[str, Any]:
    line = {"color": MARK if strong else LEVEL, "width": 2.5 if strong else 1.5, "dash": "solid" if strong else "dot"}
    return {"type": "line", "xref": "x", "x0": x, "x1": x, "yref": "paper", "y0": 0, "y1": 1, "line": line}


def _upright(x: float, text: str) -> dict[str, Any]:
    return {"text": _plain(text), "textangle": -90, "xref": "x", "x": x, "xanchor": "left", "yref": "paper", "y": 0.0,
            "yanchor": "bottom", "showarrow": False, "font": {"size": 13}}  # fmt: skip


def _at_top(x: float, text: str) -> dict[str, Any]:
    return {"text": text, "xref": "x", "x": x, "xanchor": "right", "yref": "paper", "y": 1.0,
            "yanchor": "top", "showarrow": False, "font": {"size": 13}}  # fmt: skip


def _shown(value_c: float, units: Units) -> float:
    return round(units.temperature_value(value_c), 2)


def _measure(value: float, column: str, units: Units) -> float:
    if column.startswith("drop"):
        return round(value if units.system == "metric" else value / 25.4, 3)
    return _shown(value, units)


def _difference(kelvin: float, units: Units) -> float:
    return round(kelvin if units.system == "metric" else 1.8 * kelvin, 2)


def _plain(text: str, longest: int = 40) -> str:
    """Names of columns and marks come from files: plotly would read tags and braces in them."""
    return "".join(one for one in text if one not in "<>{}%&")[:longest]
