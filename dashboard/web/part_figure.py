"""The pictures of a part, as plotly takes them: mold with its wall, blank. Colour only repeats what numbers say."""

from __future__ import annotations

from typing import Any

import numpy as np

from dashboard.making import Making
from dashboard.making_words import sector_names
from dashboard.pattern_drawing import outline_mm
from dashboard.units import Units
from dashboard.web.plan_figure import LEVEL, MARK, axis_of, layout_of
from thermal.blank import Blank
from thermal.method import Bubble
from thermal.mold import meridian
from thermal.wall import Place, Wall

Figure = dict[str, Any]

#: Thin to thick. Orange and blue are told apart by everybody, and stand off both the light and the dark page.
_THIN_TO_THICK = [[0.0, "#d9601a"], [0.5, "#8d8a84"], [1.0, "#2a86c8"]]
_BODY = "rgba(125,134,139,0.16)"
#: Numbers beside the mold stand at least this share of its length apart, or they would lie on each other.
_APART = 0.075
#: The colours span at least this share of the thickest wall: an even wall is of one colour.
_SPAN = 0.15
_MOST_WIDTHS = 6
#: Levels of the unrolled mold, about.
_MOST_ROWS = 12


def _scaled(units: Units) -> float:
    """The unit shown by metre."""
    return 1e3 if units.system == "metric" else 1.0 / 25.4e-3


def wall_number(value_m: float, units: Units) -> str:
    """'6.8' in mm, '0.266' in inches."""
    return f"{value_m * _scaled(units):.{1 if units.system == 'metric' else 3}f}"


def profile_figure(made: Making, units: Units) -> Figure:
    """The mold upright, its tip above, to scale; the predicted wall along it in colour and numbers."""
    outline = meridian(made.choice.mold)
    per, unit = _scaled(units), "mm" if units.system == "metric" else "in"
    r, z = outline.radius_m * per, outline.level_m * per
    data: list[dict[str, Any]] = [
        {
            "type": "scatter", "mode": "lines", "x": [*r.tolist(), *(-r[::-1]).tolist()],
            "y": [*z.tolist(), *z[::-1].tolist()], "fill": "toself", "fillcolor": _BODY,
            "line": {"color": LEVEL, "width": 1.5}, "hoverinfo": "skip", "showlegend": False,
        }
    ]  # fmt: skip
    bubble = made.choice.bubble if made.choice.method == "bubble" else None
    words: list[dict[str, Any]] = []
    if bubble is not None:
        data.append(_coloured(bubble.wall, units, unit))
        words = _wall_numbers(bubble.wall, made.choice.mold.length_m, units)
    elif made.choice.drape is not None:
        low, middle, high = (wall_number(value, units) for value in made.choice.drape.wall_m)
        text = f"about {middle} {unit}<br>all over<br>({low} to {high})"
        words = [_words(text, float(r[-1]), 0.5 * float(z[-1]), xanchor="left", xshift=12, align="left")]
    widest, length = float(r.max()), float(z.max())
    layout = layout_of(
        xaxis={"visible": False, "fixedrange": True, "range": [-1.2 * widest, 3.7 * widest], "constrain": "domain"},
        yaxis=axis_of(
            f"{unit} from the distal tip", range=[1.04 * length, -0.12 * length], scaleanchor="x", constrain="domain"
        ),
        annotations=words,
        hovermode="closest",
    )
    layout["margin"] = {"l": 12, "r": 8, "t": 10, "b": 16}
    return {"data": data, "layout": layout}


def _coloured(wall: Wall, units: Units, unit: str) -> dict[str, Any]:
    """Both sides of the mold as points close enough to make a line."""
    per = _scaled(units)
    thick = [round(float(value) * per, 4) for value in wall.wall_m]
    r, z = (wall.radius_m * per).round(4).tolist(), (wall.level_m * per).round(4).tolist()
    most = max(thick)
    return {
        "type": "scatter", "mode": "markers", "name": "wall", "showlegend": False,
        "x": [*r, *(-value for value in r)], "y": [*z, *z],
        "text": [f"{level:.{0 if unit == 'mm' else 2}f} {unit} from the tip" for level in z] * 2,
        "customdata": thick * 2,
        "hovertemplate": f"%{{text}}: %{{customdata}} {unit}<extra></extra>",
        "marker": {
            "size": 9, "color": thick * 2, "colorscale": _THIN_TO_THICK,
            "cmin": min(min(thick), (1.0 - _SPAN) * most), "cmax": most,
        },
    }  # fmt: skip


def _wall_numbers(wall: Wall, length_m: float, units: Units) -> list[dict[str, Any]]:
    """The wall at the mold's levels; where they are close, some are left out, never the thinnest."""
    shown = [wall.thinnest]
    for place in sorted(wall.places, key=lambda one: one.level_m):
        # The thinnest has two lines, the tip's number stands above all others.
        free = all(
            abs(place.level_m - other.level_m) > (2.0 if other is wall.thinnest else 1.0) * _APART * length_m
            for other in shown
        )
        if free or (place.level_m == 0.0 < wall.thinnest.level_m):
            shown.append(place)
    return [_number_at(place, wall, units) for place in sorted(shown, key=lambda one: one.level_m)]


def _number_at(place: Place, wall: Wall, units: Units) -> dict[str, Any]:
    per = _scaled(units)
    thinnest = place is wall.thinnest
    low, high = (wall_number(value, units) for value in place.interval_m)
    # In inches short, or a phone's screen cuts it off.
    short = f"({low.removeprefix('0')}–{high.removeprefix('0')})"
    number, between = wall_number(place.wall_m, units), f"({low} to {high})" if units.system == "metric" else short
    radius = float(np.interp(place.level_m, wall.level_m, wall.radius_m))
    # The tip's number stands above it, the others beside.
    tip = place.level_m == 0.0
    side = {"xanchor": "center", "yanchor": "bottom", "yshift": 7} if tip else {"xanchor": "left", "xshift": 12}
    text = f"<b>thinnest {number}<br>{between}</b>" if thinnest else f"{number}  {between}"
    side |= {"align": "left"}
    return _words(text, 0.0 if tip else radius * per, place.level_m * per, **side)


def sector_figure(made: Making, units: Units) -> Figure:
    """A mesh's mold unrolled: a column a sector, a row a level, the wall in each cell in numbers and colour."""
    places = [one.places for one in made.sectors]
    count = len(places[0])
    step = -(-count // _MOST_ROWS)
    rows = [*range(0, count - 1, step), count - 1]
    per = _scaled(units)
    # One below the other, so that they stand upright on a phone.
    names = [name.replace("(", "").replace(")", "").replace(" ", "<br>") for name in sector_names(made)]
    levels = [units.length(places[0][row].level_m) if places[0][row].level_m else "tip" for row in rows]
    wall_m = [column[row].wall_m for row in rows for column in places]
    walls = [round(float(value) * per, 4) for value in wall_m]
    # Bars that hang in their rows: the small chart library has no grid of cells.
    cells = {
        "type": "bar", "x": names * len(rows), "y": [0.96] * len(walls), "width": 0.98,
        "base": [place + 0.02 for place in range(len(rows)) for _ in names],
        "marker": {
            "color": walls, "colorscale": _THIN_TO_THICK, "opacity": 0.5, "line": {"width": 0},
            "cmin": min(min(walls), (1.0 - _SPAN) * max(walls)), "cmax": max(walls),
        },
        "text": [wall_number(value, units).removeprefix("0") for value in wall_m], "textposition": "inside",
        "insidetextanchor": "middle", "textangle": 0, "constraintext": "none",
        "textfont": {"size": 16 if units.system == "metric" else 13}, "hoverinfo": "skip", "showlegend": False,
    }  # fmt: skip
    fixed = {"fixedrange": True, "showgrid": False, "zeroline": False}
    layout = layout_of(
        xaxis={**fixed, "type": "category", "side": "top", "tickfont": {"size": 13}, "tickangle": 0},
        yaxis={
            **fixed,
            "range": [len(rows), 0],
            "tickvals": [place + 0.5 for place in range(len(rows))],
            "ticktext": levels,
            "automargin": True,
        },
        hovermode=False,
    )
    layout["margin"] = {"l": 12, "r": 8, "t": 64, "b": 8}
    return {"data": [cells], "layout": layout}


# ---------------------------------------------------------------- the blank


def blank_figure(made: Making, units: Units) -> Figure:
    """The blank to scale: a draped one's cutting pattern, or a bubble's with its frame's opening."""
    choice = made.choice
    if choice.method == "drape" and choice.drape is not None:
        return _pattern(choice.drape.blank, units)
    if choice.method == "bubble" and choice.bubble is not None:
        return _framed(choice.bubble, units)
    return {"data": [], "layout": layout_of(xaxis={"visible": False}, yaxis={"visible": False})}


def _sheet(x: list[float], y: list[float], annotations: list[dict[str, Any]], more: list[dict[str, Any]]) -> Figure:
    """An outline on which a millimetre is as long across as along."""
    spans = (max(x) - min(x), max(y) - min(y))
    hidden: dict[str, Any] = {"visible": False, "fixedrange": True, "constrain": "domain"}
    layout = layout_of(
        xaxis={**hidden, "range": [min(x) - 0.12 * spans[0], max(x) + 0.12 * spans[0]]},
        yaxis={**hidden, "range": [min(y) - 0.12 * spans[1], max(y) + 0.1 * spans[1]], "scaleanchor": "x"},
        annotations=annotations,
        hovermode=False,
    )
    layout["margin"] = {"l": 8, "r": 8, "t": 8, "b": 8}
    outline = {"type": "scatter", "mode": "lines", "x": x, "y": y, "fill": "toself", "fillcolor": _BODY,
               "line": {"color": LEVEL, "width": 2.5}, "hoverinfo": "skip", "showlegend": False}  # fmt: skip
    return {"data": [outline, *more], "layout": layout}


def _line(x: list[float], y: list[float], dash: str, colour: str = LEVEL) -> dict[str, Any]:
    return {"type": "scatter", "mode": "lines", "x": x, "y": y, "line": {"color": colour, "width": 1.5, "dash": dash},
            "hoverinfo": "skip", "showlegend": False}  # fmt: skip


def _words(text: str, x: float, y: float, **more: Any) -> dict[str, Any]:
    return {"text": text, "x": x, "y": y, "showarrow": False, "font": {"size": 16}, **more}


def _size(value_m: float, units: Units) -> str:
    """A size in the unit shown alone, for a picture."""
    return f"{value_m * 1e3:.0f} mm" if units.system == "metric" else f"{value_m / 25.4e-3:.2f} in"


def _pattern(blank: Blank, units: Units) -> Figure:
    x, y = outline_mm(blank)
    half = [500.0 * width for width in blank.width_m]
    along = [1e3 * at for at in blank.along_m]
    seam = 1e3 * blank.seam_m
    more = [_line([side * (value - seam) for value in half], along, "dot") for side in (-1.0, 1.0)]
    more.append(_line([0.0, 0.0], [0.0, along[-1]], "dash"))
    step = -(-(len(along) - 2) // _MOST_WIDTHS)
    levels = range(1, len(along) - 1, step)
    more += [_line([-half[i], half[i]], [along[i]] * 2, "solid") for i in levels]
    texts = [
        _words(_size(blank.width_m[i], units), 0.0, along[i], yanchor="bottom", xanchor="left", xshift=6)
        for i in levels
    ]
    edge = f"{_size(blank.length_m, units)} long, {_size(blank.breadth_m, units)} wide"
    texts += [
        _words("proximal", 0.0, along[-1], yanchor="bottom"),
        _words(f"distal<br>{edge}", 0.0, 0.0, yanchor="top"),
    ]
    return _sheet(x, y, texts, more)


def _framed(bubble: Bubble, units: Units) -> Figure:
    wide, deep = (side * 1e3 for side in bubble.blank_m)
    x, y = [0.0, wide, wide, 0.0, 0.0], [0.0, 0.0, deep, deep, 0.0]
    sides = [side * 1e3 for side in bubble.opening_m]
    if len(sides) == 1:
        angle = np.linspace(0.0, 2.0 * np.pi, 73)
        hole = _line((wide / 2 + sides[0] / 2 * np.cos(angle)).round(2).tolist(),
                     (deep / 2 + sides[0] / 2 * np.sin(angle)).round(2).tolist(), "dash", MARK)  # fmt: skip
    else:
        left, low = (wide - sides[0]) / 2, (deep - sides[1]) / 2
        right, top = left + sides[0], low + sides[1]
        hole = _line([left, right, right, left, left], [low, low, top, top, low], "dash", MARK)
    texts = [
        _words(units.length(bubble.blank_m[0]), wide / 2, deep, yanchor="bottom"),
        _words(units.length(bubble.blank_m[1]), wide, deep / 2, xanchor="left", textangle=90, xshift=4),
        _words("frame's opening, dashed", wide / 2, deep / 2),
    ]
    return _sheet(x, y, texts, [hole])
