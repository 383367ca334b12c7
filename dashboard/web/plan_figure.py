"""The pictures of the plan page, as plotly takes them: plain tables of plain numbers, in colours for both themes.

Text, grid and frame get their colours from the page's style sheet, so that a change of theme redraws nothing.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from dashboard import plan_drawing
from dashboard.plan_drawing import Panel, Picture
from dashboard.plan_words import limit_words
from dashboard.units import Units
from dashboard.web.planner import Map
from thermal.plan import Plan

Array = NDArray[np.float64]
Figure = dict[str, Any]

#: At least 3:1 against both the light and the dark page (WCAG 2.2, 1.4.11); strokes differ as well.
_BOTH_THEMES = {
    plan_drawing.CORE: "#2a86c8",
    plan_drawing.UPPER: "#d9601a",
    plan_drawing.LOWER: "#a765b5",
    plan_drawing.AIR: "#7d868b",
}
WINDOW, LEVEL, MARK = "#17936f", "#7d868b", "#d9601a"
_FONT = {"family": "Hyperlegible, system-ui, sans-serif", "size": 15}
#: The map's time axis ends at this many times the soonest readiness, and where the asked one has room.
_AXIS, _AXIS_ASKED = 3.0, 1.5
#: Beyond the last set temperature with a window so much is shown, K.
_ABOVE_K = 14.0


def colour_of(colour: str) -> str:
    """The colour of a line for both themes."""
    return _BOTH_THEMES.get(colour, colour)


def layout_of(**more: Any) -> dict[str, Any]:
    """The layout that all pictures share, and more."""
    return {
        "margin": {"l": 12, "r": 14, "t": 14, "b": 52},
        "font": _FONT,
        "paper_bgcolor": "rgba(0,0,0,0)",
        "plot_bgcolor": "rgba(0,0,0,0)",
        "dragmode": False,
        "showlegend": False,
        "hoverlabel": {"bgcolor": "#20282d", "bordercolor": "#20282d", "font": {"color": "#ffffff", **_FONT}},
        **more,
    }


#: The layout of a picture that is still to come.
EMPTY = layout_of(xaxis={"visible": False}, yaxis={"visible": False})


def axis_of(title: str, **more: Any) -> dict[str, Any]:
    """An axis that is not to be moved, and more."""
    return {
        "title": {"text": title, "standoff": 12},
        "automargin": True,
        "zeroline": False,
        "fixedrange": True,
        "ticks": "outside",
        "ticklen": 5,
        **more,
    }


# ---------------------------------------------------------------- the curve


def curve_figure(picture: Picture) -> Figure:
    """Temperatures in time, and below them the drop where one is predicted."""
    two = len(picture.panels) > 1
    foot = {"anchor": "y2" if two else "y", "range": [0.0, picture.end]}
    layout = layout_of(
        xaxis=axis_of("minutes since the sheet went in", **foot),
        hovermode="x unified",
        showlegend=True,
        legend={"orientation": "h", "y": 1.0, "yanchor": "bottom", "x": 0.0},
        shapes=[],
        annotations=[],
    )
    data: list[dict[str, Any]] = []
    for number, panel in enumerate(picture.panels):
        axis = "y" if number == 0 else "y2"
        domain = [0.0, 1.0] if not two else [0.4, 1.0] if number == 0 else [0.0, 0.3]
        span = {} if panel.top is None else {"range": [0.0, panel.top]}
        layout[f"yaxis{axis[1:]}"] = axis_of(panel.label, domain=domain, **span)
        # One line alone needs no legend: its axis says what it is.
        data += [{**_line(line, axis), "showlegend": len(panel.lines) > 1} for line in panel.lines]
        layout["shapes"] += _shapes(panel, picture, axis)
        layout["annotations"] += _words(panel, axis)
    return {"data": data, "layout": layout}


def _line(line: plan_drawing.Line, axis: str) -> dict[str, Any]:
    return {
        "type": "scatter",
        "mode": "lines",
        "name": line.name,
        "x": [round(x, 3) for x in line.minutes],
        "y": [round(y, 2) if np.isfinite(y) else None for y in line.values],
        "yaxis": axis,
        "line": {"color": colour_of(line.colour), "dash": line.stroke, "width": line.width},
        "hovertemplate": "%{y:.1f}",
    }


def _shapes(panel: Panel, picture: Picture, axis: str) -> list[dict[str, Any]]:
    across = {"type": "line", "xref": "paper", "x0": 0, "x1": 1, "yref": axis}
    found: list[dict[str, Any]] = [
        {**across, "y0": level.value, "y1": level.value, "line": {"color": LEVEL, "width": 1}} for level in panel.levels
    ]
    up = {"xref": "x", "yref": f"{axis} domain", "y0": 0, "y1": 1}
    if picture.window is not None:
        first, last = picture.window
        box = {"type": "rect", "x0": first, "x1": last, "fillcolor": WINDOW, "opacity": 0.2, "line": {"width": 0}}
        found.append({**up, **box, "layer": "below"})
    if picture.pull is not None:
        line = {"color": MARK, "width": 2.5}
        found.append({**up, "type": "line", "x0": picture.pull, "x1": picture.pull, "line": line})
    return found


def _words(panel: Panel, axis: str) -> list[dict[str, Any]]:
    """The levels' words: the highest's above its line, the others' below theirs, so that near ones stay apart."""
    highest = max((level.value for level in panel.levels), default=0.0)
    return [
        {
            "text": level.words,
            "xref": "paper",
            "x": 0.005,
            "xanchor": "left",
            "yref": axis,
            "y": level.value,
            "yanchor": "bottom" if level.value == highest else "top",
            "showarrow": False,
            "font": {"size": 13},
        }
        for level in panel.levels
    ]


# ---------------------------------------------------------------- where windows are


def map_figure(plan: Plan, found: Map, units: Units) -> Figure:
    """Where there is a window: time across, set temperature up; the one that is asked as a bar."""
    ready, spoilt = found.windows.ready_s / 60.0, found.windows.spoilt_s / 60.0
    exists, sets = found.windows.exists, found.set_c
    end = _map_end(plan, ready)
    high = max(plan.case.set_c, float(sets[exists].max(initial=plan.case.set_c))) + _ABOVE_K
    reached = ready < end
    low = min(plan.case.set_c - 8.0, float(sets[reached].min(initial=plan.case.set_c)) - 4.0)
    shown = [units.temperature_value(float(t)) for t in sets]
    data = [
        {**_area(part, ready, np.minimum(spoilt, 2.0 * end), shown), "showlegend": number == 0}
        for number, part in enumerate(_runs(exists))
    ]
    data += [
        _edge("ready", ready, shown, plan_drawing.CORE, "solid"),
        _edge("spoilt", spoilt, shown, plan_drawing.UPPER, "dash"),
        _hover(plan, found, shown, end, units),
    ]
    layout = layout_of(
        xaxis=axis_of("minutes since the sheet went in", range=[0.0, end]),
        yaxis=axis_of(
            f"set temperature, {units.temperature_unit}",
            range=[units.temperature_value(low), units.temperature_value(high)],
        ),
        hovermode="y",
        showlegend=True,
        legend={"orientation": "h", "y": 1.0, "yanchor": "bottom", "x": 0.0},
        shapes=_asked(plan, end, units),
        annotations=[_asked_words(plan, end, units)],
    )
    return {"data": data, "layout": layout}


def _map_end(plan: Plan, ready_min: Array) -> float:
    soonest = float(ready_min.min())
    ends = [_AXIS * soonest] if np.isfinite(soonest) else []
    for time in (plan.ready_s, plan.closes.time_s):
        if time is not None:
            ends.append(_AXIS_ASKED * time / 60.0)
    return max(ends, default=float(plan.curve.time_s[-1]) / 60.0)


def _runs(mask: NDArray[np.bool_]) -> list[NDArray[np.intp]]:
    """Places of each unbroken run of True."""
    places = np.flatnonzero(mask)
    return [run for run in np.split(places, np.flatnonzero(np.diff(places) > 1) + 1) if len(run)]


def _area(part: NDArray[np.intp], ready: Array, spoilt: Array, shown: list[float]) -> dict[str, Any]:
    places = part.tolist()
    x = [*ready[part].tolist(), *spoilt[part][::-1].tolist()]
    return {
        "type": "scatter",
        "mode": "lines",
        "x": [round(value, 3) for value in x],
        "y": [shown[i] for i in [*places, *reversed(places)]],
        "fill": "toself",
        "fillcolor": "rgba(23,147,111,0.24)",
        "line": {"width": 0},
        "hoverinfo": "skip",
        "name": "window",
        "legendgroup": "window",
    }


def _edge(name: str, minutes: Array, shown: list[float], colour: str, stroke: str) -> dict[str, Any]:
    return {
        "type": "scatter",
        "mode": "lines",
        "name": name,
        "x": [round(float(x), 3) if np.isfinite(x) else None for x in minutes],
        "y": shown,
        "line": {"color": colour_of(colour), "dash": stroke, "width": 2.5},
        "hoverinfo": "skip",
    }


def _hover(plan: Plan, found: Map, shown: list[float], end: float, units: Units) -> dict[str, Any]:
    words = [_row_words(plan, found, i, units) for i in range(len(shown))]
    x = np.minimum(np.where(np.isfinite(found.windows.ready_s), found.windows.ready_s / 60.0, end), end)
    return {
        "type": "scatter",
        "mode": "markers",
        "name": "each set temperature",
        "marker": {"size": 6, "opacity": 0},
        "x": [round(float(value), 3) for value in x],
        "y": shown,
        "text": words,
        "hovertemplate": "%{text}<extra></extra>",
        "showlegend": False,
    }


def _row_words(plan: Plan, found: Map, row: int, units: Units) -> str:
    """'190 °C: ready 13:57, spoilt 15:07, open for 1:10'."""
    windows = found.windows
    ready, spoilt, width = (float(t[row]) for t in (windows.ready_s, windows.spoilt_s, windows.width_s))
    head = units.temperature(float(found.set_c[row]))
    if not windows.exists[row]:
        limit = windows.closing_limit(row)
        return f"{head}: no window" if limit is None else f"{head}: no window, {limit_words(plan, limit, units)} first"
    if not np.isfinite(spoilt):
        return f"{head}: ready {units.seconds(ready)}, spoilt by no temperature"
    return f"{head}: ready {units.seconds(ready)}, spoilt {units.seconds(spoilt)}, open for {units.seconds(width)}"


def _asked(plan: Plan, end: float, units: Units) -> list[dict[str, Any]]:
    y = units.temperature_value(plan.case.set_c)
    across = {"type": "line", "xref": "x", "yref": "y", "y0": y, "y1": y}
    shapes = [{**across, "x0": 0.0, "x1": end, "line": {"color": LEVEL, "width": 1.5, "dash": "dot"}}]
    if plan.opens.time_s is not None:
        last = end if plan.closes.time_s is None else plan.closes.time_s / 60.0
        bar = {"color": WINDOW, "width": 9}
        shapes.append({**across, "x0": plan.opens.time_s / 60.0, "x1": last, "line": bar})
    return shapes


def _asked_words(plan: Plan, end: float, units: Units) -> dict[str, Any]:
    set_to = units.temperature(plan.case.set_c)
    if plan.opens.time_s is None:
        words = f"{set_to}: no window"
    elif plan.closes.time_s is None:
        words = f"{set_to}: stays open"
    else:
        words = f"{set_to}: open for {units.seconds(plan.closes.time_s - plan.opens.time_s)}"
    return {
        "text": words,
        "xref": "paper",
        "x": 0.01,
        "xanchor": "left",
        "yref": "y",
        "y": units.temperature_value(plan.case.set_c),
        "yanchor": "bottom",
        "showarrow": False,
        "font": {"size": 14, "weight": 700},
    }
