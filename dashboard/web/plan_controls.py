"""The form of the plan page: what stands in it, and its values read back."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from dash import dcc, html

from dashboard.plan_question import DEFAULT_START_C
from dashboard.shop import Shop
from dashboard.units import Units
from dashboard.web.component import attributes
from dashboard.web.plan_form import PlanForm
from dashboard.web.shown_values import length_mm, shown_length, shown_temperature, temperature_c
from thermal.fields import InputError, shown

#: A typed number waits so long for another digit, s.
_TYPED_S = 0.6
#: The fields of the form, each a component 'plan-NAME'; which are lengths and which temperatures.
LENGTHS = ("gauge_mm", "opening_mm", "other_side_mm", "drop_mm", "clearance_mm")
TEMPERATURES = ("set_c", "start_c", "room_c")
CHOICES = ("polymer", "oven", "support", "colour")
#: No field holds a number this large in any unit.
_LARGEST = 1e12
#: Fields whose component keeps its value as data: the browser's own controls, which a script reads.
KEPT = (*CHOICES, "gauge_mm", "set_c")
FIELDS = (*CHOICES, *LENGTHS, *TEMPERATURES)


@dataclass(frozen=True)
class Scale:
    """A slider's ends and step, in the units shown."""

    low: float
    high: float
    step: float


#: Gauges and set temperatures of the trade (common practice, no source); what lies beyond is for the command line.
_SCALES = {
    ("gauge_mm", "metric"): Scale(1.0, 16.0, 0.5),
    ("gauge_mm", "us"): Scale(1 / 32, 5 / 8, 1 / 32),
    ("set_c", "metric"): Scale(80.0, 280.0, 1.0),
    ("set_c", "us"): Scale(175.0, 535.0, 5.0),
}


def controls(form: PlanForm, shop: Shop, units: Units) -> html.Form:
    """The whole form, filled in."""
    return html.Form(
        [
            html.Div(_polymers(form, shop), className="field"),
            chips("plan-oven", "Oven", form.oven, {one: one.capitalize() for one in shop.oven_ids()}),
            _slider("set_c", "Set temperature", shown_temperature(form.set_c, units), units, "temperature"),
            _slider("gauge_mm", "Gauge", shown_length(form.gauge_mm, units), units, "length"),
            chips("plan-support", "The sheet is", form.support, {"frame": "in a frame", "tray": "on a tray"}),
            html.Fieldset(
                [
                    html.Legend("Bubble (leave empty what is not asked)"),
                    _number("opening_mm", "Opening across", form, units),
                    _number("other_side_mm", "Other side, if any", form, units),
                    _number("drop_mm", "Drop wanted", form, units),
                    _number("clearance_mm", "Room below the frame", form, units),
                ],
                className="grid",
                id="plan-bubble",
            ),
            chips("plan-colour", "Sheet", form.colour, {"natural": "natural", "pigmented": "pigmented"}),
            html.Fieldset(
                [
                    html.Legend("Around the heat"),
                    _number("start_c", "Sheet goes in at", form, units, DEFAULT_START_C),
                    _number("room_c", "Room", form, units, shop.room_c),
                ],
                className="grid",
            ),
            dcc.Store(id="plan-units", data=units.system),
        ],
        className="controls",
        id="plan-form",
        **attributes(aria_label="What is to be heated"),
    )


def form_from(values: Mapping[str, Any], units: Units) -> PlanForm:
    """The form's values as the browser sends them, in the units shown.

    Raises:
        InputError: a value is missing, or of another kind than its field's.
    """
    read: dict[str, Any] = {}
    for name in FIELDS:
        value = values.get(name)
        if name in CHOICES:
            if not isinstance(value, str) or not value:
                raise InputError(f"{name} = {shown(value)}: expected one of the choices")
            read[name] = value
            continue
        read[name] = (length_mm if name in LENGTHS else temperature_c)(number_of(name, value), units)
    for name, words in (("gauge_mm", "gauge"), ("set_c", "set temperature")):
        if read[name] is None:
            raise InputError(f"{words} is missing: state it")
    return PlanForm(**read)


def number_of(name: str, value: Any) -> float | None:
    """A number field's value as the browser sends it; None where it is empty.

    Raises:
        InputError: it is no number.
    """
    if value is None:
        return None
    if isinstance(value, int | float) and not isinstance(value, bool) and abs(value) < _LARGEST:
        return float(value)
    raise InputError(f"{name} = {shown(value)}: expected a number")


def _polymers(form: PlanForm, shop: Shop) -> list[Any]:
    """The browser's own list, which knows keyboard, touch and screen reader; a script hands what is chosen to Dash."""
    own, known = shop.own_polymer_ids(), shop.polymer_ids()
    options = [
        html.Option(
            shop.polymer(one).name + (" (your own)" if one in own else ""), value=one, selected=one == form.polymer
        )
        for one in known
    ]
    if form.polymer not in known:
        options.insert(0, html.Option(f"{form.polymer} (not known)", value=form.polymer, selected=True))
    select = html.Select(options, id="plan-polymer-list", **attributes(data_fills="plan-polymer"))
    return [html.Label("Polymer", htmlFor="plan-polymer-list"), select, dcc.Store(id="plan-polymer", data=form.polymer)]


def chips(name: str, words: str, value: str, options: Mapping[str, str]) -> html.Fieldset:
    """A choice of few, as large buttons; a script hands the one that is pressed to the store `name`."""

    def button(option: str, label: str) -> html.Button:
        pressed = "true" if option == value else "false"
        held = attributes(data_fills=name, data_value=option, aria_pressed=pressed)
        return html.Button(label, type="button", className="chip", **held)

    row = html.Div([button(option, label) for option, label in options.items()], className="chips")
    return html.Fieldset([html.Legend(words), row, dcc.Store(id=name, data=value)], className="field")


def _slider(name: str, words: str, value: float | None, units: Units, kind: str) -> html.Div:
    """A slider between two buttons. A script puts the browser's own slider in: Dash has none that all can use."""
    scale = _SCALES[name, units.system]

    def button(sign: str, way: str) -> html.Button:
        named = attributes(aria_label=f"{words}: {way}", data_way=way)
        return html.Button(sign, type="button", className="step", **named)

    given = attributes(
        data_slider=f"plan-{name}",
        data_readout=kind,
        data_shown_in=units.system,
        data_value="" if value is None else f"{value:.10g}",
        data_low=f"{scale.low:.10g}",
        data_high=f"{scale.high:.10g}",
        data_step=f"{scale.step:.10g}",
    )
    return html.Div(
        [
            html.Div(
                [html.Label(words, htmlFor=f"plan-{name}-slider"), html.Output(className="readout")], className="over"
            ),
            html.Div([button("−", "less"), html.Div(className="slider"), button("+", "more")], className="slide"),
            dcc.Store(id=f"plan-{name}", data=value),
        ],
        className="field",
        **given,
    )


def _number(name: str, words: str, form: PlanForm, units: Units, otherwise_c: float | None = None) -> html.Div:
    """A field of the form; `otherwise_c` is what is taken where it is left empty."""
    value = getattr(form, name)
    length = name in LENGTHS
    unit = length_unit(units) if length else units.temperature_unit
    shown_value = (shown_length if length else shown_temperature)(value, units)
    empty = "" if otherwise_c is None else f"{units.temperature_value(otherwise_c):.0f}"
    return number(f"plan-{name}", f"{words}, {unit}", shown_value, empty, _TYPED_S)


def length_unit(units: Units) -> str:
    """'mm' or 'in'."""
    return "mm" if units.system == "metric" else "in"


def number(name: str, words: str, value: float | None, empty: str = "", wait: float | bool = True) -> html.Div:
    """A field for a number that may be left empty; `empty` is what then stands in it in grey.

    `wait`: how long it waits for another digit, s; True: until it is left, as a button does that is pressed.
    """
    field = dcc.Input(
        id=name, type="number", value=value, debounce=wait, step="any", placeholder=empty, className="number"
    )
    return html.Div([html.Label(words, htmlFor=name), field], className="field")
