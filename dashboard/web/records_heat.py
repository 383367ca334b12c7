"""One heat opened: what happened in words, its curve, walls, entries, corrections, photos, and what can be entered."""

from __future__ import annotations

from typing import Any

from dash import dcc, html

from dashboard.correcting import OUTCOMES
from dashboard.entry_words import CHECK_WORDS, entry_words
from dashboard.failure_words import failed_lines
from dashboard.failures import KINDS
from dashboard.heat_form import MADE, NO_NAMES, kept_words, one_line
from dashboard.heat_view import HeatView
from dashboard.review_words import CAUTION
from dashboard.stored_review import Told
from dashboard.units import Units
from dashboard.wall_words import unit_of, wall_row
from dashboard.web.component import attributes
from dashboard.web.ovens_parts import graph, listed
from dashboard.web.records_fields import choice, csv_link, field, table
from dashboard.web.records_figure import heat_figure
from dashboard.web.records_query import PATH
from dashboard.web.who import signed_in
from dashboard.web.words import sentence
from logger.heat_export import utc_of
from logger.records import correctable_fields, in_force


def heat_part(of: HeatView, told: Told | None, wrong: str, may_correct: bool, units: Units) -> html.Div:
    """The page of one heat."""
    now = of.now
    ended = now.state != "open"
    lasted = "" if now.end_s is None else f", {Units.seconds(max(0.0, now.end_s - now.start_s))} long"
    zone = of.facts.run.zone if of.facts.run is not None else "UTC"
    when = f"{utc_of(now.start_utc_ms):%Y-%m-%d %H:%M} UTC (recorded in {one_line(zone, 40)}){lasted}, {now.state}"
    made_up = [html.P("Computed, not measured: no oven and no sheet.", className="wrong")] if of.facts.simulated else []
    doing = [html.Section(_outcome(of), className="card")] if ended else []
    doing += [html.Section(_correct(), className="card")] if ended and may_correct else []
    return html.Div(
        [
            html.Div([html.Div([html.H1(f"Heat {now.number}"), html.P(when, className="hint")]), _reports(of)],
                     className="head"),
            *made_up,
            html.Section(html.Div(review_part(of, told, wrong, units), id="records-review"), className="card",
                         id="records-diagnosis"),
            html.Section(
                [html.H2("Curve"), graph("records-curve", heat_figure(of, told, units), _curve_words(of))],
                className="card picture",
            ) if of.courses else html.Section([html.H2("Curve"), html.P("Nothing was measured during it.")],
                                              className="card"),
            html.Div(
                [
                    *([html.Section(_walls(of, units), className="card", id="records-walls")]
                      if of.walls or ended else []),
                    html.Section(_entries(of), className="card"),
                    *doing,
                    *([html.Section(_corrections(of), className="card")] if of.facts.corrections else []),
                    html.Section(_photos(of), className="card"),
                    html.Section(_marks(of), className="card"),
                ],
                className="flow",
            ),
            html.P(CAUTION, className="hint"),
            html.P(className="toast", id="records-toast", role="status"),
            # The answer of a review draws the curve anew: without one there is nothing to wait for.
            dcc.Interval(id="records-tick", interval=2000,
                         disabled=told is not None or bool(wrong) or not ended or not of.courses),
            dcc.Store(id="records-heat", data=now.number),
        ],
        className="records heat",
        **attributes(data_heat=str(now.number), data_measures=units.system),
    )  # fmt: skip


def _reports(of: HeatView) -> html.Div:
    if of.now.state == "open" or not of.courses:
        return html.Div(html.A("All heats", href=PATH, className="button"), className="row")
    number = of.now.number
    report = f"{PATH}/report?heat={number}&as="
    return html.Div(
        [
            html.A("Report (PDF)", href=f"{report}pdf", className="button strong", id="records-pdf"),
            html.A("Report (page)", href=f"{report}html", className="button"),
            html.A("Compare", href=f"{PATH}?compare={number}", className="button"),
            html.A("All heats", href=PATH, className="button"),
        ],
        className="row",
    )


def review_part(of: HeatView, told: Told | None, wrong: str, units: Units) -> list[Any]:
    """What happened, or that it is being looked at, or why it cannot be said."""
    head = html.H2("What happened")
    if of.now.state == "open":
        return [head, html.P("This heat is still going on: it is reviewed when it has ended.", className="hint")]
    if told is None:
        if wrong:
            return [head, html.P(sentence(wrong), className="wrong")]
        if not of.courses:
            return [head, html.P("Nothing was measured during it: there is nothing to review.", className="hint")]
        words = "The heat is being reviewed: some seconds, with a bubble that was measured up to half a minute."
        return [head, html.P(words, className="lead", id="records-waiting")]
    parts: list[Any] = [head, html.P(sentence(told.headline), className="lead", id="records-headline")]
    rows = [
        [html.Th(share, scope="row"), html.Td([html.B(sentence(name)), " ", sentence(why) if why else ""])]
        for share, name, why in told.listed
    ]
    at_pull = html.Dl([html.Div([html.Dt(what), html.Dd(words)]) for what, words in told.state], className="table")
    parts.append(
        html.Div(
            [
                html.Div([_over(of, "What explains it", "causes", html.H3),
                          table("What explains it", ["Likely", "Cause"], rows),
                          *[html.P(sentence(one), className="doubt") for one in told.doubts]]),
                html.Div([_over(of, "At the pull", "pull", html.H3), at_pull]),
            ],
            className="two",
        )
    )  # fmt: skip
    if failed := failed_lines(of.now.outcome_kind, told, told.pull, units):
        parts += [html.H3("What failed"), listed(failed)]
    if told.notes:
        parts.append(html.Details([html.Summary("Taken for granted"), listed(told.notes)]))
    return parts


def _curve_words(of: HeatView) -> str:
    marks = ", ".join(f"{one_line(name, 24)} at {Units.seconds(at)}" for at, name in of.events[:8] if at >= 0.0)
    return f"Temperatures of heat {of.now.number}" + (f"; {marks}" if marks else "")


def _over(of: HeatView, words: str, name: str, level: Any = html.H2) -> html.Div:
    """The head of a table with where it is to be had as CSV."""
    link = csv_link(words, f"heat.csv?heat={of.now.number}&table={name}")
    return html.Div([level(words), link], className="over")


def _walls(of: HeatView, units: Units) -> list[Any]:
    """What was measured, and a reading to enter, in the unit shown."""
    rows = []
    for one in of.walls:
        place, *cells = wall_row(one, units)
        rows.append([html.Th(one_line(place), scope="row"), *cells])
    unit = unit_of(units)
    shown = [table("Walls", ["Place", "Level", "Wall", "Earlier parts"], rows)] if rows else []
    if of.now.state == "open":
        return [html.H2("Walls of the part"), *shown]
    return [
        _over(of, "Walls of the part", "walls") if rows else html.H2("Walls of the part"),
        *shown,
        html.Div(
            [
                field("place", "Place, as distal end", longest=60),
                field("level", f"Level above the distal end, {unit} (may stay empty)", longest=12),
                field("wall", f"Wall by the gauge, {unit}", longest=12),
                *_by("wall-by"),
                html.Button("Keep the reading", type="button", className="button", id="records-keep-wall"),
            ],
            className="fields",
        ),
    ]


def _entries(of: HeatView) -> list[Any]:
    now, corrected = of.now, {one.field for one in of.facts.corrections}
    rows: list[tuple[str, str, str]] = []
    told = {**now.form.as_table(), "outcome": now.outcome, "outcome_kind": now.outcome_kind}
    for name, value in told.items():
        if name == "checks":
            rows += [
                (f"checks.{check}", words, "done" if value[check] else "NOT done")
                for check, words in CHECK_WORDS.items()
                if check in value
            ]
        elif value is not None and name not in MADE:
            rows.append((name, entry_words(name), _value_words(value)))
    shown = [
        html.Div([html.Dt(words), html.Dd(value + ("  (corrected)" if name in corrected else ""))])
        for name, words, value in rows
    ]
    link = of.facts.record.hash
    chain = html.P(f"Link in the chain: {link[:16]}..." if link else "In no link of the chain yet.", className="hint")
    return [_over(of, "Entries", "entries"), html.Dl(shown, className="table"), chain]


def _value_words(value: object) -> str:
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, list):
        return " x ".join(f"{side:g}" for side in value)
    return f"{value:g}" if isinstance(value, float) else one_line(str(value), 400)


def _by(name: str) -> list[Any]:
    return [] if signed_in() is not None else [field(name, "Your initials", kind="initials", longest=12)]


def _outcome(of: HeatView) -> list[Any]:
    outcomes = [("", "choose"), *((one, one) for one in OUTCOMES)]
    return [
        html.H2("What became of the part"),
        html.Div(
            [
                choice("outcome", "Outcome", outcomes, of.now.outcome or ""),
                choice("kind", "If it failed: how", [("", "not said"), *((one, one) for one in KINDS)],
                       of.now.outcome_kind or ""),
                *_by("outcome-by"),
                html.Button("Keep the outcome", type="button", className="button", id="records-keep-outcome"),
            ],
            className="fields",
        ),
    ]  # fmt: skip


def _correct() -> list[Any]:
    names = [one for one in correctable_fields() if one not in (*MADE, "outcome", "outcome_kind")]
    return [
        html.H2("Correct an entry"),
        html.P(f"The old entry stays in the record. {NO_NAMES}", className="hint"),
        html.Div(
            [
                choice("entry", "Entry", [(one, entry_words(one)) for one in names], "gauge_mm"),
                field("value", "Is really (empty: nobody knows)", longest=400),
                field("why", "Why", longest=200),
                *_by("correct-by"),
                html.Button("Keep the correction", type="button", className="button", id="records-correct"),
            ],
            className="fields",
        ),
    ]


def _corrections(of: HeatView) -> list[Any]:
    lines = [
        f"{utc_of(one.at_utc_ms):%Y-%m-%d %H:%M} UTC, {one_line(one.who)}: {entry_words(one.field)} was "
        f"{kept_words(one.old)}, is {kept_words(one.new)}; {one_line(one.why, 200)}"
        for one in of.facts.corrections
    ]
    return [_over(of, "Corrections", "corrections"), html.Div(listed(lines), id="records-corrections")]


def _photos(of: HeatView) -> list[Any]:
    number = of.now.number
    shown = [
        html.A(
            html.Img(src=f"{PATH}/photo?heat={number}&n={n}&small=1", alt=f"Photo {n + 1} of the label"),
            href=f"{PATH}/photo?heat={number}&n={n}",
        )
        for n in range(len(of.facts.photos))
    ]
    return [
        html.H2("Photos of the label"),
        *([html.Div(shown, className="photos")] if shown else [html.P("None is kept.", className="hint")]),
        field("photo", "Add a photo (JPEG, PNG or WebP; no person, no name in it)", kind="file"),
        html.Button("Keep the photo", type="button", className="button", id="records-keep-photo"),
    ]


def _marks(of: HeatView) -> list[Any]:
    standing = {mark.id for mark in in_force(of.facts.marks)}
    rows = [
        [Units.seconds(mark.at_s - of.now.start_s), one_line(mark.name.replace("_", " "), 40),
         one_line("; ".join(part for part in (mark.by, mark.note) if part), 160)
         + ("" if mark.id in standing else " (taken back)")]
        for mark in of.facts.marks
        if mark.undoes is None
    ]  # fmt: skip
    return [_over(of, "Marks", "marks"), table("Marks", ["At", "Mark", "By, note"], rows)]
