"""Parts of the page at the oven: the cue, the marks, the outcome, and the tools below it."""

from __future__ import annotations

from typing import Any

from dash import html

from dashboard.correcting import OUTCOMES
from dashboard.web.component import attributes

#: Marks as buttons, in the order of a heat; the first of them is the one that matters.
BUTTONS: tuple[tuple[str, str], ...] = (
    ("pulled", "Pulled"),
    ("on_mold", "On the mold"),
    ("vacuum_on", "Vacuum on"),
    ("demolded", "Demolded"),
    ("line_1", "Line 1"),
    ("line_2", "Line 2"),
    ("line_3", "Line 3"),
    ("clear_through", "Clear through"),
    ("door_open", "Door open"),
    ("door_closed", "Door closed"),
    ("set_change", "Setting changed"),
    ("start", "Start was then"),
)
#: 'It was so many seconds ago.'
AGO_S = (0, 5, 10, 20, 30, 60)


def cue() -> html.Section:
    """The cue: word and shape, countdown, what to do and why; loud lines above."""
    return html.Section(
        [
            html.P(id="oven-stale", className="stale", **attributes(aria_hidden="true")),
            html.Div(id="oven-loud", className="loud-lines", role="alert"),
            html.Div(id="oven-cried", className="unseen", role="alert"),
            html.Div(
                [
                    html.Div(id="oven-shape", className="shape", **attributes(aria_hidden="true")),
                    html.P("starting", id="oven-word", className="word"),
                    html.Div(
                        [html.P(id="oven-to", className="to"), html.P(id="oven-count", className="count")],
                        className="counting",
                    ),
                ],
                className="face",
            ),
            html.Div(
                [
                    html.P(id="oven-todo", className="todo"),
                    html.P(id="oven-why", className="why"),
                    html.P([html.Span("in the oven ", className="since"), html.Span(id="oven-at")], className="at"),
                ],
                className="words",
            ),
        ],
        className="cue",
        id="oven-cue",
        **attributes(data_key="not-live", aria_label="Cue"),
    )


def cut_off() -> html.Div:
    """What is answered where a heat was going on as Pullcue stopped."""
    ways = (("go-on", "Go on with it", "button strong big"), ("forget", "It is out", "button big"))
    buttons = [
        html.Button(words, type="button", className=look, **attributes(data_cut=name)) for name, words, look in ways
    ]
    return html.Div(buttons, id="oven-cut", className="cut", hidden=True)


def strip() -> html.Div:
    """The cue in one line, for as long as the cue itself is scrolled out of sight."""
    return html.Div(
        [
            html.Span(id="oven-strip-shape", className="shape"),
            html.Span(id="oven-strip-word", className="word"),
            html.Span(id="oven-strip-count", className="count"),
        ],
        id="oven-strip",
        className="strip",
        hidden=True,
        **attributes(data_key="not-live", aria_hidden="true"),
    )


def marks() -> list[Any]:
    """The marks, with undo and 'it was so many seconds ago'."""
    ago = [
        html.Button(
            "just now" if not seconds else f"{seconds} s ago" if seconds < 60 else "1 min ago",
            type="button",
            className="chip",
            **attributes(data_ago=str(seconds), aria_pressed="true" if not seconds else "false"),
        )
        for seconds in AGO_S
    ]
    buttons = [
        html.Button(words, type="button", className=f"mark {name}", **attributes(data_mark=name))
        for name, words in BUTTONS
    ]
    return [
        html.Div(
            [
                html.H2("Mark"),
                html.Button("Nothing to take back", type="button", className="button", id="oven-undo"),
            ],
            className="over",
        ),
        html.Div(buttons, className="marks"),
        html.Div([html.Span("It was", className="it-was", id="oven-it-was"), *ago], className="ago", role="group",
                 **attributes(aria_labelledby="oven-it-was")),
        html.H3("Marked"),
        html.Ol(id="oven-marked", className="marked"),
    ]  # fmt: skip


def outcome() -> html.Section:
    """The judgement of a practice pull, and what became of the part."""
    buttons = [
        html.Button(word.capitalize(), type="button", className="mark", **attributes(data_outcome=word))
        for word in OUTCOMES
    ]
    kind = attributes(data_input="kind", data_value="", data_mode="text", data_longest="200")
    return html.Section(
        [
            html.Div(id="oven-judged", className="judged"),
            html.H2("What became of the part"),
            html.Div(buttons, className="marks"),
            html.Div(
                [html.Label("If it failed: how, as 'thin at the heel'", htmlFor="oven-kind"), html.Div(**kind)],
                className="field",
            ),
            html.P(id="oven-outcome", className="lead"),
        ],
        className="card",
        id="oven-outcome-card",
        **attributes(aria_label="Outcome"),
    )


def tools(one: bool) -> list[Any]:
    """Sound, and on the page of one bench the initials."""
    sound = html.Button(
        "Sound is off: turn it on", type="button", className="button", id="oven-sound", **attributes(data_sound="off")
    )
    if not one:
        return [sound]
    initials = attributes(data_input="initials", data_value="", data_mode="text", data_longest="40")
    label = html.Label("Your initials", htmlFor="oven-initials")
    return [sound, html.Div([label, html.Div(**initials)], className="field")]
