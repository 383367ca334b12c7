"""The parts of the ovens' page: card and history, the proposed card, its calibration, survey, drift."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping, Sequence
from typing import Any
from urllib.parse import urlencode

from dash import dcc, html
from dash.development.base_component import Component

from calibration.drift import Watched
from calibration.survey import Survey
from dashboard.drift_words import NAMES as DRIFT_NAMES
from dashboard.drift_words import basis_words, due_words, state_words
from dashboard.oven_card_words import NAMES, NO_REASON, card_words, value_rows
from dashboard.oven_cards import Kept, Proposal
from dashboard.oven_drift import OvenWatch
from dashboard.oven_survey import StoredSurvey
from dashboard.units import Units
from dashboard.web.component import attributes
from dashboard.web.ovens_figure import DRIFT_LEGEND, drift_figure, fit_figure, residual_figure, survey_figure
from dashboard.web.words import sentence
from thermal.oven import OvenCard

_GRAPH: Any = {"displayModeBar": False, "responsive": True, "scrollZoom": False}


def graph(name: str, figure: Mapping[str, Any], words: str) -> html.Div:
    """A picture with what it shows in words for those who do not see it."""
    drawn = dcc.Graph(id=name, config=_GRAPH, style={"height": "var(--chart)"}, figure=dict(figure))
    return html.Div(drawn, role="img", **attributes(aria_label=words))


def later_graph(name: str, figure: Mapping[str, Any], words: str) -> html.Div:
    """A `graph` that the page's script puts in when it comes near the window, or is printed."""
    part = json.dumps(graph(name, figure, words), default=Component.to_plotly_json)
    return html.Div(id=f"{name}-later", className="later", **attributes(data_later=part))


def listed(lines: Sequence[str]) -> html.Ul:
    """Sentences as a list."""
    return html.Ul([html.Li(sentence(one)) for one in lines])


def card_part(cards: Sequence[Kept], waiting: Sequence[Proposal]) -> list[Any]:
    """The values of the card in force, and beside them those of the proposed one."""
    now, new = cards[0].card, waiting[0].card if waiting else None
    return [
        html.H2("Oven card"),
        html.P(sentence(card_words(now))),
        _table(
            ["Value", "In force", *(["Proposed"] if new else [])],
            [(name, value, *([dict(value_rows(new)).get(name, "")] if new else [])) for name, value in value_rows(now)],
            "What the card says, with half of its 90 % interval where it is stated",
        ),
        html.P(sentence(_valid_words(now)), className="hint"),
    ]


def _valid_words(card: OvenCard) -> str:
    valid = card.valid
    parts = []
    if valid.set_c is not None:
        parts.append(f"set to {valid.set_c[0]:g} to {valid.set_c[1]:g} °C")
    if valid.gauge_mm is not None:
        parts.append(f"sheets of {valid.gauge_mm[0]:g} to {valid.gauge_mm[1]:g} mm")
    return f"It holds for {', '.join(parts)}" if parts else "Where it holds is not stated"


def history_part(cards: Sequence[Kept], aside: Sequence[Proposal], lost: Sequence[str]) -> list[Any]:
    """The cards before this one, those that were dismissed, and why some cannot be read."""
    lines = [f"Until {one.until}: {card_words(one.card)}" for one in cards[1:]]
    what = [listed(lines)] if lines else [html.P("No card was replaced here.", className="hint")]
    hint = html.P("Every recorded heat keeps the card that it was planned with.", className="hint")
    more: list[Any] = []
    if aside:
        dismissed = listed([f"{one.name}, {card_words(one.card)}" for one in aside])
        more.append(html.Details([html.Summary(f"Dismissed ({len(aside)})"), dismissed]))
    if lost:
        more += [html.P("These cannot be read:", className="wrong"), listed(lost)]
    return [html.H2("Earlier cards"), *what, *more, hint]


def _table(heads: Sequence[str], rows: Sequence[Sequence[str]], caption: str) -> html.Div:
    head = html.Thead(html.Tr([html.Th(one, scope="col") for one in heads]))
    body = html.Tbody([html.Tr([html.Th(row[0], scope="row"), *(html.Td(cell) for cell in row[1:])]) for row in rows])
    table = html.Table([html.Caption(caption, className="hint"), head, body])
    return html.Div(table, className="wide", tabIndex=0, role="region", **attributes(aria_label=caption))


def proposal_part(one: Proposal, may_accept: bool, signed_in: str | None) -> list[Any]:
    """A proposed card: the reasons against it, and accepting or dismissing it, for those who may.

    Args:
        signed_in: name of the person; None: nobody signs in, initials are asked for.
    """
    parts: list[Any] = [
        html.H2("Proposed card"),
        html.P(sentence(f"Card {one.name}, {card_words(one.card)}")),
        html.H3("Before you accept it"),
        listed(one.reasons or (NO_REASON,)),
    ]
    if not may_accept:
        return [*parts, html.P("A lab lead accepts cards.", className="hint")]
    by = [] if signed_in is not None else [
        html.Label("Your initials", htmlFor="ovens-by"),
        dcc.Input(id="ovens-by", type="text", maxLength=12, autoComplete="off", value="", className="initials"),
    ]  # fmt: skip
    keep = [dcc.Input(id="ovens-by", type="hidden", value="")] if signed_in is not None else []
    return [
        *parts,
        html.Div(
            [
                *by,
                *keep,
                html.Button("Accept this card", id="ovens-accept", type="button", className="button strong"),
                html.Button("Dismiss it", id="ovens-dismiss", type="button", className="button"),
            ],
            className="row accept",
        ),
        html.Div(id="ovens-accepted", role="status"),
        html.Div(id="ovens-dismissed", role="status"),
        dcc.Store(id="ovens-proposal", data=one.name),
    ]


def calibration_parts(record: Mapping[str, Any], oven: str, heat: str | None, units: Units) -> list[Any]:
    """Fits, residuals, correlations and words of a calibration, as 'pullcue calibrate --json' has it."""
    sensors = [one for one in record.get("sensors", ()) if one.get("measured_c")]
    heats = list(dict.fromkeys(one["heat"] for one in sensors))
    parts: list[Any] = []
    if heats:
        shown = heat if heat is not None and heat in heats else str(heats[0])
        figure, links = fit_figure(sensors, shown, units), _heat_links(oven, heats, shown)
        parts.append(_picture("Measured and fitted", "ovens-fit", figure, f"Temperatures of {shown}", links))
        for against in ("time", "temperature"):
            figure = residual_figure(sensors, heats, units, against)
            words = f"Residuals of {len(heats)} heats against {against}: {_misfit_words(record)}"
            parts.append(_picture(f"Residuals against {against}", f"ovens-off-{against}", figure, words))
    parts.append(html.Section(correlation_part(record), className="card"))
    parts += [html.Section(part, className="card") for part in _word_parts(record)]
    return parts


def _picture(title: str, name: str, figure: Mapping[str, Any], words: str, *more: Any) -> html.Section:
    hint = html.P(sentence(words), className="hint")
    return html.Section([html.H2(title), *more, graph(name, figure, words), hint], className="card picture")


def _heat_links(oven: str, heats: Sequence[str], shown: str) -> html.Div:
    links = [
        html.A(
            one,
            href=f"?{urlencode({'oven': oven, 'heat': one})}",
            className="chip",
            **(attributes(aria_current="true") if one == shown else {}),
        )
        for one in heats
    ]
    return html.Div(links, className="chips", role="group", **attributes(aria_label="Heat shown"))


def _misfit_words(record: Mapping[str, Any]) -> str:
    misfit = record.get("misfit")
    return (
        f"{misfit:.2f} times what the sensors' noise explains, 1 is as it should be"
        if isinstance(misfit, int | float)
        else "how large they should be is not known"
    )


def correlation_part(record: Mapping[str, Any]) -> list[Any]:
    """The correlations of what was fitted: a table, shaded by how strong each is."""
    order, matrix = record.get("order", []), record.get("correlation", [])
    if len(order) < 2:
        return [html.H2("Correlations"), html.P("There are none.", className="hint")]
    numbers = [str(i + 1) for i in range(len(order))]
    head = html.Tr([html.Th("Value", scope="col"), *(html.Th(one, scope="col") for one in numbers)])
    rows = []
    for i, name in enumerate(order):
        cells = [_cell(matrix[i][j], i == j) for j in range(len(order))]
        rows.append(html.Tr([html.Th(f"{i + 1}  {NAMES.get(name, name)}", scope="row"), *cells]))
    words = "Correlations of the values as fitted, strongest shaded"
    table = html.Table([html.Thead(head), html.Tbody(rows)], className="matrix")
    return [
        html.H2("Correlations"),
        html.P("Near +1 or -1: these heats cannot tell the two apart.", className="hint"),
        html.Div(table, className="wide", tabIndex=0, role="region", **attributes(aria_label=words)),
    ]


def _cell(value: float | None, own: bool) -> html.Td:
    if own or value is None:
        return html.Td("1" if own else "", className="own")
    strength = min(4, int(5.0 * abs(value)))
    return html.Td(f"{value:+.2f}", className=f"{'plus' if value >= 0.0 else 'minus'}-{strength}")


def _word_parts(record: Mapping[str, Any]) -> list[list[Any]]:
    """What the heats can tell, the next heat, each heat predicted from the others; empty ones left out."""
    advice = [
        f"{one['words']}: ready times from ± {_seconds(one['now_s'])} to ± {_seconds(one['then_s'])}"
        for one in record.get("next_heats", ())[:3]
    ]
    checks = [_check_words(one) for one in record.get("held_out", ())]
    aside = [one["text"] for one in record.get("set_aside", ())]
    blocks = (
        ("What these heats can tell", [one["text"] for one in record.get("findings", ())]),
        ("The next heat, the one that helps most first", advice),
        ("Each heat predicted from the others", checks),
        ("Set aside", aside),
    )
    return [[html.H2(title), listed(lines)] for title, lines in blocks if lines]


def _seconds(value: float | None) -> str:
    return "anything" if value is None else Units.seconds(value)


def _check_words(one: Mapping[str, Any]) -> str:
    if one.get("predicted_s") is None:
        return f"{one['name']}: core there after {_seconds(one['measured_s'])}, predicted never"
    low, high = one["interval_s"]
    verdict = "held by" if one["held"] else "outside"
    return (
        f"{one['name']}: core there after {_seconds(one['measured_s'])}, predicted {_seconds(one['predicted_s'])}, "
        f"{verdict} the interval {_seconds(low)} to {_seconds(high)}"
    )


def survey_part(stored: StoredSurvey | None, units: Units) -> list[Any]:
    """The newest survey as a map."""
    if stored is None:
        words = "No survey is recorded: put 5 to 40 thermocouples into the oven, and see 'pullcue survey --help'."
        return [html.H2("Survey"), html.P(words, className="hint")]
    head = html.H2(f"Survey of {stored.day.isoformat()} (heat {stored.number})")
    if stored.survey is None:
        return [head, html.P(sentence(f"It cannot be judged: {stored.why}"), className="wrong")]
    of = stored.survey
    words = survey_words(of, units)
    if not any(one.x_m is not None and one.y_m is not None for one in of.places):
        return [head, html.P(sentence(words)), html.P("Where its places are is not stated.", className="hint")]
    shown = "Differences from the setting. Round marks are hotter than the oven's mean, square ones colder."
    return [head, html.P(sentence(words)), graph("ovens-survey", survey_figure(of, units), words),
            html.P(shown, className="hint")]  # fmt: skip


def survey_words(of: Survey, units: Units) -> str:
    """The survey in one sentence, without its full stop."""
    back = [one.recovery_s for one in of.openings if one.recovery_s is not None]
    door = f"; back {Units.seconds(back[0])} after the door" if back else ""
    return (
        f"Set to {units.temperature(of.set_c)}: on the whole {units.difference(of.mean_off_k, 1)} off, places within "
        f"{units.difference(of.uniformity_k, 1)}; hottest {of.hottest.removesuffix('_c')}, coldest "
        f"{of.coldest.removesuffix('_c')}{door}"
    )


def drift_part(of: OvenWatch) -> list[Any]:
    """Alarms, by when to calibrate, and the charts."""
    lasting = any(one.kind == "lasting" for one in of.drift.alarms)
    parts: list[Any] = [
        html.P(sentence(f"{state_words(of)}. {due_words(of)}"), className="lead wrong" if lasting else "lead")
    ]
    parts += [listed([one.text for one in of.drift.alarms])] if of.drift.alarms else []
    charts = [_chart(one) for one in of.drift.series if len(one.values)]
    parts += [html.Div(charts, className="charts"), html.P(DRIFT_LEGEND, className="hint")] if charts else []
    parts.append(html.P(" ".join(sentence(line) for line in basis_words(of)), className="hint"))
    if of.left_out:
        lines = [f"{heat}: {why}" for heat, why in of.left_out]
        parts.append(html.Details([html.Summary(f"Heats that say nothing ({len(lines)})"), listed(lines)]))
    return parts


def _chart(one: Watched) -> html.Section:
    drawn = graph(f"ovens-{one.what}", drift_figure(one), _chart_words(one))
    return html.Section([html.H3(DRIFT_NAMES[one.what].capitalize()), drawn])


def _chart_words(one: Watched) -> str:
    last = 100.0 * (math.exp(float(one.values[-1])) - 1.0)
    words = f"{DRIFT_NAMES[one.what]}: {len(one.values)} heats, the last {last:+.0f} % off the card"
    if one.base is None:
        return f"{words}; too few for limits"
    usual = 100.0 * (math.exp(one.base.mean) - 1.0)
    return f"{words}, usual {usual:+.0f} %"
