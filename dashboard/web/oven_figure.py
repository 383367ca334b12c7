"""The picture of a heat that goes on: measured, estimated and planned, as plotly takes it; and the rows it grows by."""

from __future__ import annotations

import json
from collections.abc import Iterable, Sequence
from typing import Any

from dashboard import plan_drawing
from dashboard.bench_look import Look
from dashboard.heat_curve import COLUMNS, Curve, Row
from dashboard.units import Units
from dashboard.web.plan_figure import EMPTY, LEVEL, MARK, WINDOW, axis_of, colour_of, layout_of

Figure = dict[str, Any]
_DROP = "drop"
_FACES = {"upper": plan_drawing.UPPER, "lower": plan_drawing.LOWER}
#: About the picture, pixels: numbers of three figures and the axis's title have room on the left, the legend above.
_MARGIN = {"l": 66, "r": 14, "t": 14, "b": 56}
#: Marks that are drawn.
_DRAWN = ("pulled", "on_mold", "line_1", "line_2", "line_3", "clear_through", "door_open")
#: Lines that stand in the legend: the others are told by their stroke and their axis.
_LISTED = ("air above", "air below", "upper face, measured", "lower face, measured", "core, estimated", "core, planned",
           "core, the truth")  # fmt: skip
#: Traces that grow, in their order: column, name, colour, stroke and width, 0 for the edges of a band.
_GROWING: tuple[tuple[str, str, str, str, float], ...] = (
    ("core_low", "", plan_drawing.CORE, "solid", 0.0),
    ("core_high", "core, 90 of 100", plan_drawing.CORE, "solid", 0.0),
    ("air_upper", "air above", plan_drawing.AIR, "solid", 1.5),
    ("air_lower", "air below", plan_drawing.AIR, "dash", 1.5),
    ("upper", "upper face, measured", plan_drawing.UPPER, "solid", 2.5),
    ("upper_likely", "upper face, estimated", plan_drawing.UPPER, "dot", 2.0),
    ("lower", "lower face, measured", plan_drawing.LOWER, "solid", 2.5),
    ("lower_likely", "lower face, estimated", plan_drawing.LOWER, "dot", 2.0),
    ("core", "core, estimated", plan_drawing.CORE, "solid", 3.5),
    ("drop_low", "", plan_drawing.CORE, "solid", 0.0),
    ("drop_high", "drop, 90 of 100", plan_drawing.CORE, "solid", 0.0),
    ("drop", "drop, measured", plan_drawing.UPPER, "solid", 2.5),
    ("drop_likely", "drop, estimated", plan_drawing.CORE, "dot", 2.5),
)
#: Place of each growing trace's column in a row of the curve.
PLACES = tuple(1 + COLUMNS.index(column) for column, *_ in _GROWING)


def key_of(look: Look, units: Units) -> str:
    """Names a figure: as long as it is the same, rows are added to the figure; another one is drawn anew."""
    if look.heat is None:
        return ""
    plan = "p" if look.heat.form.plan_json else ""
    marks = sum(1 for mark in look.marks if mark.name in _DRAWN)
    return f"{look.heat.id[:12]}-{look.heat.start_s:.2f}-{plan}{marks}{'t' if look.truth else ''}-{units.system}"


def figure(look: Look, units: Units) -> Figure:
    """The whole picture as it stands."""
    if look.heat is None or look.curve is None:
        return {"data": [], "layout": EMPTY}
    # A curve that began before the heat that is shown has rows of neither: none are left out.
    grown = list(zip(*(shown_row(row, look.heat.start_s, units) for row in look.curve.rows), strict=True))
    minutes: Sequence[Any] = grown[0] if grown else ()
    drops = _drops(look)
    data = []
    for number, (column, name, ink, stroke, width) in enumerate(_GROWING):
        values = list(grown[1 + number]) if grown else []
        data.append(_trace(column, name, ink, stroke, width, list(minutes), values))
    if not drops:  # without a stated opening the drop has no picture: its rows come all the same
        data = [one if one["yaxis"] == "y" else {**one, "yaxis": "y", "visible": False} for one in data]
    data += _planned(look, units) + _truth(look, units)
    # Room for the numbers is given: to measure them is a good part of each drawing.
    given: Figure = {"automargin": False}
    foot = {**given, "anchor": "y2" if drops else "y", "rangemode": "tozero"}
    made = layout_of(
        xaxis=axis_of("minutes since the sheet went in", **foot),
        yaxis=axis_of(units.temperature_unit, domain=[0.42, 1.0] if drops else [0.0, 1.0], **given),
        margin=_MARGIN,
        hovermode="x unified",
        showlegend=True,
        legend={"orientation": "h", "y": 1.0, "yanchor": "bottom", "x": 0.0, "font": {"size": 13}},
        shapes=_shapes(look, units),
        annotations=_words(look, units),
    )
    if drops:
        made["yaxis2"] = axis_of(f"drop, {'mm' if units.system == 'metric' else 'in'}", domain=[0.0, 0.3],
                              rangemode="tozero", **given)  # fmt: skip
    return {"data": data, "layout": made}


def shown_row(row: Row, start_s: float, units: Units) -> list[float | None]:
    """A row of the curve as the figure's traces take it: minutes, then a value for each growing trace."""
    return [round(((row[0] or 0.0) - start_s) / 60.0, 4), *(_shown(row[at], COLUMNS[at - 1], units) for at in PLACES)]


def new_rows(curve: Curve, known: int, thinned: int) -> list[Row] | None:
    """The rows that a page lacks, which has `known` of them and thinned them so often; None: it has to begin anew."""
    for step in range(curve.thinned - thinned):
        del step
        known = (known + 1) // 2
    if thinned > curve.thinned or known > len(curve.rows):
        return None
    return list(curve.rows[known:])


def _shown(value: float | None, column: str, units: Units) -> float | None:
    if value is None:
        return None
    if column.startswith(_DROP):
        return round(value if units.system == "metric" else value / 25.4, 2 if units.system == "metric" else 3)
    return round(units.temperature_value(value), 2)


def _trace(
    column: str, name: str, ink: str, stroke: str, width: float, x: list[Any], y: list[Any], grows: bool = True
) -> dict[str, Any]:
    band = width == 0.0
    made: dict[str, Any] = {
        "type": "scatter",
        "mode": "lines",
        "name": name,
        "x": x,
        "y": y,
        "yaxis": "y2" if column.startswith(_DROP) else "y",
        "line": {"color": colour_of(ink), "dash": stroke, "width": width},
        "showlegend": name in _LISTED,
        "hoverinfo": "skip" if band else "all",
        "connectgaps": False,
        "meta": "grows" if grows else "stands",
    }
    if not band:
        made["hovertemplate"] = "%{y:.1f}"
    elif name:
        made |= {"fill": "tonexty", "fillcolor": "rgba(42,134,200,0.25)"}
    return made


def _drops(look: Look) -> bool:
    return look.followed is not None and look.followed.case.opening_m is not None


def _planned(look: Look, units: Units) -> list[dict[str, Any]]:
    """The plan that was made for the heat, dotted and thin."""
    curve = planned_curve(look)
    if curve is None:
        return []
    minutes = [round(at / 60.0, 3) for at in curve["time_s"]]
    found = []
    for key, column, name, ink in (("core_c", "core", "core, planned", plan_drawing.CORE),
                                   ("drop_mm", "drop", "drop, planned", plan_drawing.CORE)):  # fmt: skip
        values = [_shown(value, column, units) for value in curve[key]]
        if any(value is not None for value in values) and (column != "drop" or _drops(look)):
            found.append(_trace(column, name, ink, "dash", 1.2, minutes, values, grows=False))
    return found


def planned_curve(look: Look) -> dict[str, list[Any]] | None:
    """The curve of the plan that is kept with the heat; None where there is none."""
    text = None if look.heat is None else look.heat.form.plan_json
    try:
        curve = json.loads(text or "{}").get("curve")
    except ValueError:
        return None
    return curve if isinstance(curve, dict) and "time_s" in curve else None


def _truth(look: Look, units: Units) -> list[dict[str, Any]]:
    """Of a practice oven, once the sheet is out: the core as it really was, had it stayed in."""
    if look.truth is None or look.told is None:
        return []
    until_s = look.told.time_s + 120.0
    shown = [(at, c) for at, c in zip(look.truth.time_s[::4], look.truth.core_c[::4], strict=True) if at <= until_s]
    x, y = [round(float(at) / 60.0, 3) for at, _ in shown], [_shown(float(c), "core", units) for _, c in shown]
    return [_trace("core", "core, the truth", WINDOW, "dashdot", 3.0, x, y, grows=False)]


def _shapes(look: Look, units: Units) -> list[dict[str, Any]]:
    found: list[dict[str, Any]] = []
    assert look.heat is not None
    across = {"type": "line", "xref": "paper", "x0": 0, "x1": 1, "yref": "y"}
    if look.followed is not None:
        of = look.followed.of
        for limit in (of.core_min_c, of.face_max_c):
            y = units.temperature_value(limit)
            found.append({**across, "y0": y, "y1": y, "line": {"color": LEVEL, "width": 1}})
    up = {"xref": "x", "yref": "paper", "y0": 0, "y1": 1}
    if look.score is not None and look.score.opens_s is not None:
        last_s = look.score.closes_s if look.score.closes_s is not None else look.score.opens_s + 600.0
        box = {"type": "rect", "x0": look.score.opens_s / 60.0, "x1": last_s / 60.0, "fillcolor": WINDOW}
        if last_s > look.score.opens_s:
            found.append({**up, **box, "opacity": 0.2, "line": {"width": 0}, "layer": "below"})
    for at_min, name in _drawn_marks(look):
        ink = MARK if name == "pulled" else LEVEL
        line = {"color": ink, "width": 2.5 if name == "pulled" else 1.5, "dash": "solid" if name == "pulled" else "dot"}
        found.append({**up, "type": "line", "x0": at_min, "x1": at_min, "line": line})
    return found


def _drawn_marks(look: Look) -> Iterable[tuple[float, str]]:
    assert look.heat is not None
    for mark in look.marks:
        name = mark.name.replace(" ", "_")
        if name in _DRAWN:
            yield round((mark.at_s - look.heat.start_s) / 60.0, 3), name


def _words(look: Look, units: Units) -> list[dict[str, Any]]:
    found: list[dict[str, Any]] = []
    level = {"xref": "paper", "yref": "y", "showarrow": False, "font": {"size": 13}}
    if look.followed is not None:
        of = look.followed.of
        # Where no curve runs: a sheet goes in cold, and its faces get to their limit last.
        for limit, words, anchor, x, side in (
            (of.core_min_c, "core must have", "top", 0.005, "left"),
            (of.face_max_c, "face at most", "bottom", 0.995, "right"),
        ):
            text = f"{words} {units.temperature(limit)}"
            found.append({**level, "text": text, "y": units.temperature_value(limit), "yanchor": anchor, "x": x,
                          "xanchor": side})  # fmt: skip
    for at_min, name in _drawn_marks(look):
        found.append(
            {
                "text": name.replace("_", " "),
                "textangle": -90,
                "xref": "x",
                "x": at_min,
                "xanchor": "left",
                "yref": "paper",
                "y": 0.0,
                "yanchor": "bottom",
                "showarrow": False,
                "font": {"size": 13},
            }
        )
    return found
