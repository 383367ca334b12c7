"""The answer of the plan page: large words first, then a bar of time, then lists."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from dash import html

from dashboard.plan_advice import cautions, changes, practice
from dashboard.plan_drawing import Picture, Span
from dashboard.plan_settings import settings, watch_words, why
from dashboard.plan_words import Row, answer, note_words, subject
from dashboard.units import Units
from dashboard.web.component import attributes
from dashboard.web.planner import Planned
from dashboard.web.words import sentence, unbroken

#: Values up to this long are shown in the largest type: times, not sentences.
_LARGE = 9


def answer_block(planned: Planned, picture: Picture, units: Units) -> list[Any]:
    """The answer itself, and the bar of time below it."""
    plan = planned.plan
    rows = answer(plan, units)
    if plan.opens.time_s is None:
        what_else = changes(plan, units)
        more = [html.H2("What would make one"), bullets(what_else)] if what_else else []
        first, *others = rows
        chance = [html.P([html.Strong(f"{row.label}: {row.value}"), f" {row.detail}."]) for row in others]
        return [
            html.P(unbroken(subject(plan, units)), className="subject"),
            html.P([_cross(), first.label], className="none"),
            html.P(sentence(first.value), className="lead"),
            *chance,
            *more,
        ]
    return [
        html.P(unbroken(f"{subject(plan, units)}. Times in min:s from the sheet going in."), className="subject"),
        html.Dl([_figure(row, strong=number == 1) for number, row in enumerate(rows)], className="times"),
        _bar(picture),
        html.P(unbroken(watch_words(plan, units)), className="watch"),
    ]


def said(planned: Planned, units: Units) -> str:
    """The answer as a screen reader says it when it changes."""
    return ". ".join(f"{row.label} {row.value}" for row in answer(planned.plan, units)) + "."


def lists(planned: Planned, units: Units) -> list[Any]:
    """Why, settings, advice, cautions, and what was taken for granted."""
    plan = planned.plan
    advised = practice(plan, units)
    if plan.opens.time_s is not None:
        advised = [*changes(plan, units), *advised]
    notes = [*(note_words(note, units) for note in plan.notes), *planned.question.notes]
    return [
        section("Cautions", bullets(cautions(plan, units)), "cautions"),
        section("Advice", bullets(advised)),
        section("Why", rows_table(why(plan, units))),
        section("Settings", rows_table(settings(plan, units))),
        section("Taken for granted", bullets(notes), "granted"),
    ]


def _cross() -> html.Span:
    return html.Span("×", className="sign", **attributes(aria_hidden="true"))


def _figure(row: Row, strong: bool) -> html.Div:
    large = len(row.value) <= _LARGE
    look = f"time{' strong' if strong else ''}{'' if large else ' wordy'}"
    detail = row.detail[:1].upper() + row.detail[1:]
    return html.Div(
        [html.Dt(row.label), html.Dd(unbroken(row.value)), html.Dd(unbroken(detail), className="detail")],
        className=look,
    )


def _bar(picture: Picture) -> html.Div:
    """One row a time over a common axis: its interval as a bar, itself as a mark."""
    rows = [_bar_row(span, picture.end) for span in picture.spans]
    return html.Div(rows, className="timebar", **attributes(aria_hidden="true"))


def _bar_row(span: Span, end: float) -> html.Div:
    def at(minutes: float) -> str:
        return f"{100.0 * min(minutes / end, 1.0):.2f}%"

    marks = []
    if span.low is not None and span.low < end:
        last = end if span.high is None else min(span.high, end)
        width = f"{100.0 * max(last - span.low, 0.0) / end:.2f}%"
        marks.append(html.Span(className="interval", style={"left": at(span.low), "width": width}))
    if span.at is not None:
        marks.append(html.Span(className="pull" if span.strong else "tick", style={"left": at(span.at)}))
    return html.Div(
        [html.Span(unbroken(span.words), className="words"), html.Div(marks, className="track")], className="row"
    )


def section(heading: str, inner: Any, look: str = "") -> html.Section:
    """A card with a heading."""
    return html.Section([html.H2(heading), inner], className=f"card {look}".strip())


def bullets(sentences: Sequence[str]) -> html.Ul:
    """Sentences without full stop, as a list."""
    return html.Ul([html.Li(sentence(words)) for words in sentences])


def rows_table(rows: Sequence[tuple[str, str]]) -> html.Dl:
    """Labels and words."""
    return html.Dl([html.Div([html.Dt(label), html.Dd(unbroken(words))]) for label, words in rows], className="table")
