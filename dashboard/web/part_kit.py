"""What is at hand for forming, as the part's form has it: fields filled in from the shop's equipment.toml."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Any

from dash import dcc, html

from dashboard.equipment import equipment_in_mm, frame_text
from dashboard.units import Units
from dashboard.web.plan_controls import chips, length_unit, number, number_of
from dashboard.web.shown_values import length_mm, shown_length
from thermal.fields import InputError, shown
from thermal.method import BORDER_M, GAUGES_M, Equipment

#: Components 'part-NAME' whose value is 'data', and those whose value is 'value'.
KIT_KEPT = ("vacuum",)
KIT_TYPED = ("frames", "border_mm", "rack_mm", "oven_wide_mm", "oven_deep_mm", "stock")
_LENGTHS = {
    "border_mm": "Sheet under the clamp",
    "rack_mm": "Room below the frame",
    "oven_wide_mm": "Oven inside, width",
    "oven_deep_mm": "Oven inside, depth",
}
_VACUUM = {"yes": "there is a vacuum", "no": "none"}
_LONGEST = 200
#: What an address says where a value is not known: an empty one would be lost there.
_NONE = "none"
_NUMBER = re.compile(r"[0-9]+(?:\.[0-9]+)?")


def kit_controls(equipment: Equipment, units: Units, wrong: str, may_keep: bool) -> html.Details:
    """The fields, filled in. `wrong`: why the shop's file cannot be used, a sentence; '' where it can."""
    values, unit = kit_values(equipment, units), length_unit(units)
    example = "300, 300x400" if units.system == "metric" else "12, 12x16"
    inside = [
        _text("frames", f"Frames: free opening, {unit}", values, f"{example}; empty: not known"),
        html.Div([number(f"part-{name}", f"{words}, {unit}", values[name]) for name, words in _LENGTHS.items()],
                 className="grid"),
        _text("stock", f"Sheets in stock, {unit}", values, "empty: all that are sold"),
        chips("part-vacuum", "Vacuum", values["vacuum"], _VACUUM),
        *([html.Button("Keep this for the workshop", type="button", id="part-keep", className="button")]
          if may_keep else []),
        html.P(id="part-kept", className="hint", role="status"),
    ]  # fmt: skip
    said = [html.P(wrong, className="wrong")] if wrong else []
    return html.Details(
        [html.Summary("Equipment at hand"), html.Div([*said, *inside], className="kit")],
        className="at-hand",
        open=bool(wrong),
    )


def _text(name: str, words: str, values: Mapping[str, Any], empty: str) -> html.Div:
    field = dcc.Input(
        id=f"part-{name}", type="text", value=values[name], debounce=True, placeholder=empty, maxLength=_LONGEST,
        className="number",
    )  # fmt: skip
    return html.Div([html.Label(words, htmlFor=f"part-{name}"), field], className="field")


def kit_values(equipment: Equipment, units: Units) -> dict[str, Any]:
    """The fields' values in the units shown; None and '' where nothing is known."""
    per = 1e3 if units.system == "metric" else 1.0 / 25.4e-3
    sides = equipment.oven_m or (None, None)
    lengths = {"border_mm": equipment.border_m, "rack_mm": equipment.rack_m,
               "oven_wide_mm": sides[0], "oven_deep_mm": sides[1]}  # fmt: skip
    return {
        "frames": ", ".join(frame_text(one, per) for one in equipment.openings_m),
        "stock": ", ".join(frame_text([gauge], per) for gauge in equipment.gauges_m),
        "vacuum": "yes" if equipment.vacuum else "no",
        **{name: shown_length(None if value is None else value * 1e3, units) for name, value in lengths.items()},
    }


def equipment_from(values: Mapping[str, Any], units: Units) -> Equipment:
    """The fields' values as the browser sends them, in the units shown.

    Raises:
        InputError: a value that cannot be read, or is out of range.
    """
    if values.get("vacuum") not in _VACUUM:
        raise InputError(f"vacuum {shown(values.get('vacuum'))}: expected one of {', '.join(_VACUUM)}")
    mm = {name: length_mm(number_of(words, values.get(name)), units) for name, words in _LENGTHS.items()}
    stock = [_near(_mm_of("sheets in stock", one)) for one in _words("sheets in stock", values.get("stock"), units)]
    return equipment_in_mm(
        _words("frames", values.get("frames"), units),
        mm["border_mm"],
        mm["rack_mm"],
        (mm["oven_wide_mm"], mm["oven_deep_mm"]),
        values["vacuum"] == "yes",
        stock,
    )


def _words(name: str, text: Any, units: Units) -> list[str]:
    """The words of a list such as '300, 300 x 400', their numbers in mm."""
    if not isinstance(text, str | None) or len(text or "") > _LONGEST:
        raise InputError(f"{name} {shown(text)}: expected numbers with commas between them")
    words = re.sub(r"\s*[x×]\s*", "x", (text or "").lower()).replace(",", " ").replace(";", " ").split()
    if units.system == "metric":
        return words
    return [_NUMBER.sub(lambda found: f"{round(float(found[0]) * 25.4, 2):g}", word) for word in words]


def _mm_of(name: str, word: str) -> float:
    if not _NUMBER.fullmatch(word):
        raise InputError(f"{name}: {shown(word)}: expected numbers with commas between them, as 3, 4.5, 6")
    return float(word)


def _near(value_mm: float) -> float:
    """A gauge typed in inches and rounded is the one that is sold."""
    return next((g * 1e3 for g in GAUGES_M if abs(g * 1e3 - value_mm) < 0.02), value_mm)


# ---------------------------------------------------------------- in an address


def kit_query(equipment: Equipment) -> dict[str, str]:
    """Equipment as values of an address, mm."""

    def mm(value_m: float | None) -> str:
        return _NONE if value_m is None else frame_text([value_m])

    return {
        "frames": " ".join(frame_text(one) for one in equipment.openings_m) or _NONE,
        "border_mm": mm(equipment.border_m),
        "rack_mm": mm(equipment.rack_m),
        "inside_mm": _NONE if equipment.oven_m is None else frame_text(equipment.oven_m),
        "vacuum": "yes" if equipment.vacuum else "no",
        "stock_mm": " ".join(mm(one) for one in equipment.gauges_m),
    }


def kit_of_query(query: Mapping[str, str]) -> Equipment | None:
    """The equipment that an address holds; None where it holds none, and the shop's counts.

    Raises:
        InputError: a value that cannot be read, or is out of range.
    """
    if "frames" not in query:
        return None
    frames, stock = ("" if query.get(name, _NONE) == _NONE else query[name] for name in ("frames", "stock_mm"))
    inside = query.get("inside_mm", _NONE)
    sides = [] if inside == _NONE else [_mm_of("inside of the oven", one) for one in inside.split("x")]
    vacuum = query.get("vacuum", "yes")
    if vacuum not in _VACUUM or len(sides) not in (0, 2):
        raise InputError(
            f"vacuum {shown(vacuum)}, inside {shown(inside)}: expected yes or no, and two sides as 600x500"
        )
    border, rack = (
        None if query.get(name, _NONE) == _NONE else _mm_of(name, query[name]) for name in ("border_mm", "rack_mm")
    )
    return equipment_in_mm(
        frames.split(), BORDER_M * 1e3 if border is None else border, rack,
        (sides[0], sides[1]) if sides else (None, None), vacuum == "yes",
        [_mm_of("sheets in stock", one) for one in stock.split()],
    )  # fmt: skip
