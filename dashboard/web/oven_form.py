"""The form of a heat as the page at the oven has it: its fields, filled in, and their texts read back."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from dash import html

from dashboard.heat_form import LONGEST_LINE, NO_NAMES, entry
from dashboard.plan_question import DROP_MM
from dashboard.shop import Shop
from dashboard.units import Units
from dashboard.web.component import attributes
from dashboard.web.shown_values import length_mm, shown_length, shown_temperature, temperature_c
from logger.records import CHECKS, HeatForm
from thermal.fields import InputError, shown

#: What is looked at before the sheet goes in, in the words of the page.
CHECK_WORDS: Mapping[str, str] = {
    "sheet_undamaged": "Sheet undamaged",
    "label_kept": "Label kept",
    "film_off": "Film off, both sides",
    "frame_locked": "Frame locked",
    "clearance": "Room to drop, way clear",
}
_LENGTHS = ("gauge_mm", "opening_mm", "other_side_mm", "drop_mm", "clearance_mm")
_TEMPERATURES = ("set_c", "start_c")
_TEXTS = ("polymer", "support", "colour", "sheet_label", "job_number", "initials", "notes")
_NAMES: Mapping[str, str] = {
    "polymer": "polymer", "support": "sheet is", "colour": "colour", "gauge_mm": "gauge",
    "opening_mm": "opening across",
    "other_side_mm": "other side", "drop_mm": "drop wanted", "clearance_mm": "room below the frame",
    "set_c": "set temperature", "start_c": "sheet before heating", "sheet_label": "label", "job_number": "job number",
    "initials": "initials", "notes": "notes",
}  # fmt: skip


@dataclass(frozen=True)
class Filled:
    """What stands in the form at first: texts and numbers by name, mm and °C."""

    texts: Mapping[str, str]
    numbers: Mapping[str, float | None]


def at_first(query: Mapping[str, str], form: HeatForm) -> Filled:
    """What an address says, as a plan's does, then what is known of the bench's next heat.

    Raises:
        InputError: the address holds a number that is none.
    """
    opening = form.opening_mm or ()
    known: dict[str, Any] = {
        "gauge_mm": form.gauge_mm, "set_c": form.set_c, "start_c": form.start_c,
        "opening_mm": opening[0] if opening else None, "other_side_mm": opening[1] if len(opening) > 1 else None,
    }  # fmt: skip
    of_plan = "polymer" in query
    numbers: dict[str, float | None] = {}
    for name in (*_LENGTHS, *_TEMPERATURES):
        # A plan that leaves the opening out has none.
        numbers[name] = _number(name, query[name]) if query.get(name) else (None if of_plan else known.get(name))
    texts = {name: str(query.get(name) or getattr(form, name, None) or "") for name in _TEXTS if name != "initials"}
    return Filled(texts, numbers)


def form_block(filled: Filled, shop: Shop, units: Units, oven: str) -> tuple[html.Fieldset, html.Div]:
    """What is checked before the sheet goes in, and the fields of the form, which may also be filled in later."""
    degrees = units.temperature_unit
    length = "mm" if units.system == "metric" else "in"

    def number(name: str, words: str) -> html.Div:
        is_length = name in _LENGTHS
        value = (shown_length if is_length else shown_temperature)(filled.numbers.get(name), units)
        return _field(name, f"{words}, {length if is_length else degrees}", _typed(value), "decimal")

    checks = html.Fieldset(
        [
            html.Legend("Before it goes in"),
            html.Div([_check(name, words) for name, words in CHECK_WORDS.items()], className="checks"),
        ]
    )
    sheet = [
        _polymers(filled, shop),
        number("gauge_mm", "Gauge"),
        _choice("colour", "Colour", filled.texts["colour"], ("natural", "pigmented", "pattern")),
        _text("sheet_label", "Label (lot)", filled),
        _text("job_number", "Job number", filled),
    ]
    frame = [
        number("set_c", "Set temperature"),
        number("start_c", "Sheet before heating"),
        _choice("support", "The sheet is in or on", filled.texts["support"], ("frame", "tray")),
        number("opening_mm", "Opening across"),
        number("other_side_mm", "Other side, if any"),
        number("drop_mm", "Drop wanted"),
        number("clearance_mm", "Room below the frame"),
    ]
    fields = html.Div(
        [
            html.Fieldset([html.Legend("Sheet"), html.Div(sheet, className="grid")]),
            html.Fieldset([html.Legend(f"Oven {oven} and frame"), html.Div(frame, className="grid")]),
            _text("notes", "Anything else", filled),
            html.P(NO_NAMES, className="hint"),
        ],
        className="fields",
    )
    return checks, fields


def form_and_wishes(sent: Any, oven: str, units: Units) -> tuple[HeatForm, float | None, float | None]:
    """The form as it was filled in, with the wanted drop and the room below the frame, mm.

    Args:
        sent: texts by name, in the units shown, and 'checks', those that were done.

    Raises:
        InputError: an entry cannot be used; it is named.
    """
    if not isinstance(sent, dict):
        raise InputError("the form that was sent is none: reload the page")
    table: dict[str, Any] = {"oven": oven}
    for name in _TEXTS:
        text = _line(sent, name)
        if text:
            table[name] = entry(name, text, _NAMES[name])
    metric = {name: _metric(name, _line(sent, name), units) for name in (*_LENGTHS, *_TEMPERATURES)}
    for name in ("gauge_mm", *_TEMPERATURES):
        if metric[name] is not None:
            table[name] = entry(name, f"{metric[name]:.10g}", _NAMES[name])
    sides = [metric[name] for name in ("opening_mm", "other_side_mm") if metric[name] is not None]
    if metric["opening_mm"] is None and sides:
        raise InputError("opening: the second side is stated and the first is not: state both, or a diameter alone")
    if sides:
        table["opening_mm"] = entry("opening_mm", "x".join(f"{side:.10g}" for side in sides), "opening across")
    checks = sent.get("checks", [])
    if not isinstance(checks, list) or any(one not in CHECKS for one in checks):
        raise InputError(f"checks: expected some of {', '.join(CHECKS)}")
    if checks:
        table["checks"] = dict.fromkeys(checks, True)
    for name in ("drop_mm", "clearance_mm"):
        value = metric[name]
        if value is not None and not DROP_MM.holds(value):
            raise InputError(f"{_NAMES[name]} {value:g} mm: expected {DROP_MM}")
    return HeatForm.from_table(table), metric["drop_mm"], metric["clearance_mm"]


def as_it_stands(form: HeatForm) -> dict[str, Any]:
    """The form's table with what was left empty as None: an entry that was emptied is not what was known before."""
    shown_on_page = (*_TEXTS, "gauge_mm", "opening_mm", *_TEMPERATURES)
    return {**dict.fromkeys(shown_on_page), **form.as_table()}


def _line(sent: Mapping[str, Any], name: str) -> str:
    value = sent.get(name, "")
    if not isinstance(value, str):
        raise InputError(f"{_NAMES[name]}: {shown(value)}: expected text")
    return value.strip()


def _metric(name: str, text: str, units: Units) -> float | None:
    if not text:
        return None
    value = _number(_NAMES[name], text.replace(",", "."))
    return (length_mm if name in _LENGTHS else temperature_c)(value, units)


def _number(name: str, text: str) -> float:
    try:
        value = float(text) if text.isascii() and "_" not in text else float("nan")
    except ValueError:
        value = float("nan")
    if not abs(value) < 1e12:  # how large it may be is said by what it is
        raise InputError(f"{name} = {shown(text)}: expected a number")
    return value


def _typed(value: float | None) -> str:
    return "" if value is None else f"{value:g}"


def _check(name: str, words: str) -> html.Button:
    held = attributes(data_check=name, aria_pressed="false")
    return html.Button(words, type="button", className="chip", **held)


def _field(name: str, words: str, value: str, mode: str = "text") -> html.Div:
    """A field of the browser's own; Dash's input has no way to be read without asking the server."""
    # Dash has no plain input element: a script puts it in (`data-input`).
    held = attributes(data_input=name, data_value=value, data_mode=mode, data_longest=str(LONGEST_LINE))
    return html.Div([html.Label(words, htmlFor=f"oven-{name}"), html.Div(**held)], className="field")


def _text(name: str, words: str, filled: Filled) -> html.Div:
    return _field(name, words, filled.texts.get(name, ""))


def _choice(name: str, words: str, value: str, options: tuple[str, ...]) -> html.Div:
    listed = [html.Option("not said", value="", selected=not value)]
    listed += [html.Option(one, value=one, selected=one == value) for one in options]
    select = html.Select(listed, id=f"oven-{name}", **attributes(data_entry=name))
    return html.Div([html.Label(words, htmlFor=f"oven-{name}"), select], className="field")


def _polymers(filled: Filled, shop: Shop) -> html.Div:
    value = filled.texts["polymer"]
    known = shop.polymer_ids()
    listed = [html.Option("not said", value="", selected=not value)]
    listed += [html.Option(shop.polymer(one).name, value=one, selected=one == value) for one in known]
    if value and value not in known:
        listed.append(html.Option(f"{value} (not known)", value=value, selected=True))
    select = html.Select(listed, id="oven-polymer", **attributes(data_entry="polymer"))
    return html.Div([html.Label("Polymer", htmlFor="oven-polymer"), select], className="field wide")
