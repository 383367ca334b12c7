"""The part's form on the plan page: the mold as typed or opened, what is wanted; its values read back."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from dash import dcc, html

from dashboard.mold_upload import LARGEST_BYTES
from dashboard.units import Units
from dashboard.web.component import attributes
from dashboard.web.part_form import METHODS, PartForm, query_of, rows_from, table_of, tidy_name
from dashboard.web.part_kit import KIT_KEPT, KIT_TYPED, equipment_from, kit_controls, kit_values
from dashboard.web.plan_controls import chips, length_unit, number, number_of
from dashboard.web.shown_values import length_mm, shown_length, shown_temperature, temperature_c
from logger.girths import DISTAL
from logger.mesh_file import METRES
from thermal.fields import InputError, shown
from thermal.method import GAUGES_M, Equipment

#: Components 'part-NAME' whose value is 'data', and those whose value is 'value'.
KEPT = ("table", "distal", "mesh", "method", "plaster", *KIT_KEPT)
TYPED = ("mold", "wall_mm", "sheet_mm", "mold_c", *KIT_TYPED)
FIELDS = (*KEPT, *TYPED)
_WAYS = dict(zip(METHODS, ("what suits", "bubble", "drape"), strict=True))


@dataclass(frozen=True)
class AtHand:
    """The shop's equipment, as a page has it: `wrong`: why its file cannot be used, a sentence, then nothing is known;
    `may_keep`: whether whoever looks may change that file.
    """

    equipment: Equipment
    wrong: str = ""
    may_keep: bool = False


def part_controls(form: PartForm, at_hand: AtHand, units: Units) -> html.Form:
    """The whole form, filled in."""
    unit = length_unit(units)
    return html.Form(
        [
            _mold(form, units),
            html.Div(
                [
                    number("part-wall_mm", f"Least wall, {unit}", shown_length(form.wall_mm, units)),
                    number("part-sheet_mm", f"Sheet to take, {unit}", shown_length(form.sheet_mm, units), "thinnest"),
                ],
                className="grid",
            ),
            chips("part-method", "Method", form.method, _WAYS),
            chips("part-plaster", "Plaster of the mold", form.plaster, {"dry": "dry", "damp": "damp"}),
            html.Div(
                number(
                    "part-mold_c",
                    f"Mold is at, {units.temperature_unit}",
                    shown_temperature(form.mold_c, units),
                    "as the room",
                ),
                className="grid",
            ),
            kit_controls(form.equipment or at_hand.equipment, units, at_hand.wrong, at_hand.may_keep),
            html.Button("Work it out", type="button", id="part-go", className="button strong"),
            html.P(id="part-busy", className="hint", role="status"),
            dcc.Store(id="part-mesh", data=form.mesh),
            dcc.Store(id="part-query", data=query_of(form)),
            dcc.Store(id="part-asked"),
        ],
        className="controls",
        id="part-form",
        **attributes(aria_label="The mold and the part"),
    )  # fmt: skip


def _mold(form: PartForm, units: Units) -> html.Div:
    """The mold: a table that a script furnishes with rows, or a file."""
    rows = table_of([v * 1e-3 for v in form.level_mm], [v * 1e-3 for v in form.girth_mm], units)
    held = attributes(data_girths=json.dumps(rows), data_unit=length_unit(units))
    name = dcc.Input(
        id="part-mold", type="text", value=form.mold, debounce=True, maxLength=60, className="number",
        placeholder="job number, no names of people",
    )  # fmt: skip
    return html.Div(
        [
            html.Div([html.Label("Mold", htmlFor="part-mold"), name], className="field"),
            html.Div(id="part-girths", className="girths", **held),
            dcc.Store(id="part-table", data=rows),
            chips("part-distal", "Distal end", form.distal, {one: one for one in DISTAL}),
            html.Details([html.Summary("Or open a mold's file"), _file(units)], className="mold-file"),
            html.P(id="part-read", className="hint", role="status"),
        ],
        className="mold",
    )


def _file(units: Units) -> html.Div:
    """The file's control, which a script puts in, and what a mesh may need besides."""
    said = "Girths as .toml or .csv, or a scanner's mesh as .stl, .obj or .ply. The table above is filled in from it."
    found = {"": "found", **{one: one for one in METRES}}
    axes = {"": "found", "x": "x", "y": "y", "z": "z"}
    ends = {"": "found", "flip": "the other end"}
    choices = [
        _choice("unit", "Mesh: unit", found),
        _choice("axis", "Mesh: axis", axes),
        _choice("flip", "Mesh: distal end", ends),
    ]
    held = attributes(data_mold_file=str(LARGEST_BYTES), data_units_system=units.system)
    return html.Div(
        [html.P(said, className="hint"), html.Div(className="open", **held), html.Div(choices, className="grid")]
    )


def _choice(name: str, words: str, options: Mapping[str, str]) -> html.Div:
    listed = [html.Option(label, value=value) for value, label in options.items()]
    return html.Div(
        [html.Label(words, htmlFor=f"mold-{name}"), html.Select(listed, id=f"mold-{name}")], className="field"
    )


def part_form_from(values: Mapping[str, Any], at_hand: Equipment, units: Units) -> PartForm:
    """The form's values as the browser sends them, in the units shown; `at_hand`: what the shop's file says.

    Raises:
        InputError: a value is missing, or of another kind than its field's.
    """
    texts = {name: values.get(name) for name in ("distal", "mesh", "method", "plaster")}
    for name, value in texts.items():
        if not isinstance(value, str) or len(value) > 60:
            raise InputError(f"{name} = {shown(value)}: expected one of the choices")
    levels, girths = rows_from(values.get("table"), units)
    return PartForm(
        levels,
        girths,
        mold=tidy_name(values.get("mold")),
        wall_mm=length_mm(number_of("least wall wanted", values.get("wall_mm")), units),
        sheet_mm=_gauge(length_mm(number_of("sheet to take", values.get("sheet_mm")), units)),
        mold_c=temperature_c(number_of("mold's temperature", values.get("mold_c")), units),
        equipment=_equipment(values, at_hand, units),
        **{name: str(value) for name, value in texts.items()},
    )


def _equipment(values: Mapping[str, Any], at_hand: Equipment, units: Units) -> Equipment | None:
    """None where the fields are as they were filled in: then the shop's own values count, not what was rounded."""
    filled = kit_values(at_hand, units)
    if all((values.get(name) or None) == (value or None) for name, value in filled.items()):
        return None
    return equipment_from(values, units)


def _gauge(value_mm: float | None) -> float | None:
    """A gauge typed in inches and rounded is the one that is sold."""
    near = [g * 1e3 for g in GAUGES_M if value_mm is not None and abs(g * 1e3 - value_mm) < 2e-3]
    return near[0] if near else value_mm
