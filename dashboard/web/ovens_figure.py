"""The pictures of the ovens' page, as plotly takes them: fits, residuals, the survey's map, control charts."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

from calibration.control_chart import Chart
from calibration.drift import Watched
from calibration.survey import Place, Survey
from dashboard import plan_drawing
from dashboard.units import Units
from dashboard.web.plan_figure import LEVEL, MARK, axis_of, colour_of, layout_of

Figure = dict[str, Any]
#: What a sensor shows, by the beginning of its column: name, colour, stroke.
_PLACES = (
    ("face_upper", "upper face", plan_drawing.UPPER, "solid"),
    ("face_lower", "lower face", plan_drawing.LOWER, "dash"),
    ("core", "core", plan_drawing.CORE, "solid"),
)
_SYMBOLS = ("circle", "square", "diamond", "triangle-up", "cross", "x", "star", "hexagon")
#: One legend for the three charts, in words.
DRIFT_LEGEND = (
    "Grey dots are heats, orange diamonds those beyond a limit. The blue line is their moving average; dotted: its "
    "limits; dashed: those of a single heat. Below: the step from each heat to the next."
)
_LEGEND = {"orientation": "h", "y": 1.0, "yanchor": "bottom", "x": 0.0, "font": {"size": 14}}


def _place(column: str) -> tuple[str, str, str]:
    return next(
        ((name, colour_of(ink), stroke) for start, name, ink, stroke in _PLACES if column.startswith(start)),
        (column, LEVEL, "dot"),
    )


def fit_figure(sensors: Sequence[Mapping[str, Any]], heat: str, units: Units) -> Figure:
    """One heat as measured and as fitted; sensors as in 'pullcue calibrate --json'."""
    data: list[dict[str, Any]] = []
    for one in sensors:
        if one["heat"] != heat:
            continue
        name, ink, stroke = _place(one["column"])
        minutes = [round(at / 60.0, 3) for at in one["time_s"]]
        measured = [_shown(value, units) for value in one["measured_c"]]
        fitted = [_shown(value - off, units) for value, off in zip(one["measured_c"], one["residual_k"], strict=True)]
        line = {"color": ink, "dash": stroke, "width": 2.5}
        data.append(_line(f"{name}, fitted", minutes, fitted, line))
        mark = {"color": ink, "size": 6, "symbol": "circle-open"}
        data.append(_points(f"{name}, measured", minutes, measured, mark, one["column"]))
    return {
        "data": data,
        "layout": layout_of(
            xaxis=axis_of("minutes since the sheet went in", rangemode="tozero"),
            yaxis=axis_of(units.temperature_unit),
            showlegend=True,
            legend=_LEGEND,
        ),
    }


def residual_figure(sensors: Sequence[Mapping[str, Any]], heats: Sequence[str], units: Units, against: str) -> Figure:
    """Measured less fitted of all heats, against 'time' or 'temperature'; colours are places, shapes are heats."""
    data: list[dict[str, Any]] = []
    named: set[str] = set()
    for one in sensors:
        name, ink, _ = _place(one["column"])
        symbol = _SYMBOLS[heats.index(one["heat"]) % len(_SYMBOLS)]
        off = [round(_difference(value, units), 3) for value in one["residual_k"]]
        if against == "time":
            x = [round(at / 60.0, 3) for at in one["time_s"]]
        else:
            x = [_shown(value, units) for value in one["measured_c"]]
        mark = {"color": ink, "size": 7, "symbol": symbol, "opacity": 0.8}
        data.append({**_points(name, x, off, mark, one["heat"]), "showlegend": name not in named})
        named.add(name)
    foot = "minutes since the sheet went in" if against == "time" else f"measured, {units.temperature_unit}"
    degrees = "K" if units.system == "metric" else "°F"
    return {
        "data": data,
        "layout": layout_of(
            xaxis=axis_of(foot),
            yaxis=axis_of(f"measured less fitted, {degrees}"),
            shapes=[_across(0.0)],
            showlegend=True,
            legend=_LEGEND,
        ),
    }


def survey_figure(of: Survey, units: Units) -> Figure:
    """The places of one survey as seen from above, one panel a level, each with its mean less the setting."""
    placed = [one for one in of.places if one.x_m is not None and one.y_m is not None]
    levels = sorted({one.z_m if one.z_m is not None else 0.0 for one in placed})
    length = 1e3 if units.system == "metric" else 1e3 / 25.4
    unit = "mm" if units.system == "metric" else "in"
    data: list[dict[str, Any]] = []
    layout = layout_of(annotations=[])
    width = 1.0 / max(len(levels), 1)
    for number, level in enumerate(levels):
        axis = "" if number == 0 else str(number + 1)
        mine = [one for one in placed if (one.z_m if one.z_m is not None else 0.0) == level]
        data.append(_places(mine, of, units, length, axis))
        domain = [number * width + (0.04 if number else 0.0), (number + 1) * width - (0.02 if len(levels) > 1 else 0.0)]
        # Beside others on a phone there is room for the titles of the first alone.
        across, along = (f"from the left, {unit}", f"from the front, {unit}") if number == 0 else ("", "")
        x, y = (_span([float(getattr(one, at) or 0.0) * length for one in placed]) for at in ("x_m", "y_m"))
        layout[f"xaxis{axis}"] = axis_of(across, domain=domain, anchor=f"y{axis}", range=x)
        layout[f"yaxis{axis}"] = axis_of(along, anchor=f"x{axis}", range=y, showticklabels=number == 0)
        words = f"{level * length:.{0 if unit == 'mm' else 1}f} {unit} up" if len(levels) > 1 else ""
        layout["annotations"].append({"text": words, "xref": "paper", "yref": "paper", "x": sum(domain) / 2.0, "y": 1.0,
                                      "xanchor": "center", "yanchor": "bottom", "showarrow": False})  # fmt: skip
    layout["margin"] = {**layout["margin"], "t": 34}
    return {"data": data, "layout": layout}


def _places(places: Sequence[Place], of: Survey, units: Units, length: float, axis: str) -> dict[str, Any]:
    most = max(abs(one.off_k - of.mean_off_k) for one in of.places) or 1.0
    return {
        "type": "scatter",
        "mode": "markers+text",
        "x": [round(float(one.x_m or 0.0) * length, 2) for one in places],
        "y": [round(float(one.y_m or 0.0) * length, 2) for one in places],
        "xaxis": f"x{axis}",
        "yaxis": f"y{axis}",
        "text": [f"{_difference(one.off_k, units):+.1f}" for one in places],
        "textposition": "top center",
        "textfont": {"size": 15},
        "customdata": [one.column.removesuffix("_c") for one in places],
        "hovertemplate": "%{customdata}: %{text}<extra></extra>",
        "cliponaxis": False,
        "marker": {
            "size": [13.0 + 15.0 * abs(one.off_k - of.mean_off_k) / most for one in places],
            "color": [MARK if one.off_k > of.mean_off_k else colour_of(plan_drawing.CORE) for one in places],
            "symbol": ["circle" if one.off_k > of.mean_off_k else "square" for one in places],
        },
    }


def _span(values: Sequence[float]) -> list[float]:
    low, high = min(values, default=0.0), max(values, default=1.0)
    room = 0.3 * (high - low) or 1.0
    return [round(low - 0.7 * room, 2), round(high + room, 2)]


def drift_figure(of: Watched) -> Figure:
    """Control charts of one series: each heat and the moving average with their limits, below it the moving range.

    Values in % off the oven's card; heats in order. `DRIFT_LEGEND` says what is what.
    """
    x = list(range(1, len(of.values) + 1))
    said = [f"{heat}, {day.isoformat()}" for heat, day in zip(of.heats, of.days, strict=True)]
    data: list[dict[str, Any]] = []
    shapes = []
    if of.individuals is not None and of.averages is not None and of.base is not None:
        shapes.append({**_across(_percent(of.base.mean)), "line": {"color": LEVEL, "width": 1.5}})
        data += _limits(of.individuals, x, "limits of a heat", "dash")
        data += _limits(of.averages, x, "limits of the average", "dot")
        line = {"color": colour_of(plan_drawing.CORE), "width": 3.0}
        data.append(_line("moving average", x, [_percent(v) for v in of.averages.points], line))
        beyond = [bool(a or b) for a, b in zip(of.individuals.beyond, of.averages.beyond, strict=True)]
    else:
        beyond = [False] * len(x)
    data.append({
        **_points("each heat", x, [_percent(v) for v in of.values], {
            "size": [10 if out else 7 for out in beyond],
            "symbol": ["diamond" if out else "circle" for out in beyond],
            "color": [MARK if out else LEVEL for out in beyond],
        }, ""),
        "customdata": said,
        "hovertemplate": "%{customdata}: %{y:+.1f} %<extra></extra>",
    })  # fmt: skip
    data += _ranges(of.ranges, x) if of.ranges is not None else []
    two = of.ranges is not None
    layout = layout_of(
        xaxis=axis_of("heats in order", anchor="y2" if two else "y", dtick=max(1, len(x) // 8)),
        yaxis=axis_of("% off the card", domain=[0.32, 1.0] if two else [0.0, 1.0]),
        shapes=shapes,
    )
    if two:
        layout["yaxis2"] = axis_of("step, %", domain=[0.0, 0.22], rangemode="tozero", nticks=3)
    return {"data": data, "layout": layout}


def _limits(chart: Chart, x: list[int], name: str, stroke: str) -> list[dict[str, Any]]:
    line = {"color": LEVEL, "width": 2.0 if stroke == "dot" else 1.5, "dash": stroke}
    low, high = ([_percent(v) for v in side] for side in (chart.low, chart.high))
    return [_line(name, x, low, line), {**_line(name, x, high, line), "showlegend": False}]


def _ranges(chart: Chart, x: list[int]) -> list[dict[str, Any]]:
    """Steps between neighbours, in % of a logarithm's unit."""
    mark = {
        "size": [11 if out else 6 for out in chart.beyond],
        "symbol": ["diamond" if out else "circle" for out in chart.beyond],
        "color": [MARK if out else LEVEL for out in chart.beyond],
    }
    points = _points("step to the heat before", x[1:], [round(100.0 * float(v), 2) for v in chart.points], mark, "")
    line = _line(
        "", x[1:], [round(100.0 * float(v), 2) for v in chart.high], {"color": LEVEL, "dash": "dash", "width": 1.5}
    )
    return [{**one, "yaxis": "y2", "showlegend": False} for one in (line, points)]


def _percent(log: float) -> float:
    return round(100.0 * (math.exp(log) - 1.0), 2)


def _shown(value_c: float, units: Units) -> float:
    return round(units.temperature_value(value_c), 2)


def _difference(kelvin: float, units: Units) -> float:
    return kelvin if units.system == "metric" else 1.8 * kelvin


def _across(y: float) -> dict[str, Any]:
    line = {"color": LEVEL, "width": 1}
    return {"type": "line", "xref": "paper", "x0": 0, "x1": 1, "yref": "y", "y0": y, "y1": y, "line": line}


def _line(name: str, x: Sequence[Any], y: Sequence[Any], line: Mapping[str, Any]) -> dict[str, Any]:
    return {"type": "scatter", "mode": "lines", "name": name, "x": list(x), "y": list(y), "line": dict(line),
            "hoverinfo": "skip"}  # fmt: skip


def _points(name: str, x: Sequence[Any], y: Sequence[Any], mark: Mapping[str, Any], of: str) -> dict[str, Any]:
    return {"type": "scatter", "mode": "markers", "name": name, "x": list(x), "y": list(y), "marker": dict(mark),
            "hovertemplate": f"{_plain(of)} %{{y:.2f}}<extra></extra>"}  # fmt: skip


def _plain(text: str) -> str:
    """Names of heats and columns come from files: plotly would read tags and braces in them."""
    return "".join(one for one in text if one not in "<>{}%&")
