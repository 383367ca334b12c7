"""The table of heats: search, kept searches, sorting, paging, and choosing some to compare."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Any

from dash import html

from calibration.estimate import Spread
from dashboard.correcting import OUTCOMES
from dashboard.failures import KINDS
from dashboard.heat_form import one_line
from dashboard.kept_searches import kept_searches
from dashboard.review_words import spread_words
from dashboard.shop import Shop
from dashboard.stored_review import VERSION
from dashboard.units import Units
from dashboard.web.component import attributes
from dashboard.web.records_fields import choice, field, table, tabs
from dashboard.web.records_query import PATH, ROWS, Asked
from logger.heat_export import utc_of
from logger.records import HEAT_STATES, HeatOrder, HeatRecord
from logger.review_rows import KeptReview

if TYPE_CHECKING:
    from pathlib import Path

    from logger.store import Store

_ANY = ("", "any")
#: Heads of the table: words, and by what they sort.
_HEADS: tuple[tuple[str, HeatOrder | None], ...] = (
    ("Heat", "number"), ("Start (UTC)", "newest"), ("Oven", "oven"), ("Polymer", "polymer"), ("Gauge", "gauge"),
    ("Label", None), ("Job", None), ("Outcome", "outcome"), ("Core above its least", "margin"),
)  # fmt: skip


def list_part(store: Store, shop: Shop, folder: Path, of: Asked, units: Units) -> html.Div:
    """The table of one search."""
    wanted = of.filter(units)
    count = store.count(wanted)
    pages = max(1, -(-count // ROWS))
    of = replace(of, page=min(of.page, pages))
    heats = store.heats(replace(wanted, limit=ROWS, offset=ROWS * (of.page - 1)))
    reviews = store.kept_reviews([one.number for one in heats])
    found = f"{count:,} heat{'' if count == 1 else 's'}".replace(",", " ")
    return html.Div(
        [
            html.Div([html.H1("Records"), tabs("heats")], className="head"),
            html.Section(_search(of, shop), className="card", **attributes(aria_label="Search")),
            _kept(kept_searches(folder), of),
            html.Section(
                [
                    html.Div([html.H2(found, id="records-count"), _tools(of)], className="over"),
                    _table(heats, reviews, of, units) if heats else html.P("No heat was found.", className="lead"),
                    _paging(of, pages),
                ],
                className="card",
            ),
            html.P(className="toast", id="records-toast", role="status"),
        ],
        className="records",
    )


def _search(of: Asked, shop: Shop) -> html.Form:
    told = of.fields
    ovens = [_ANY, *((one, one) for one in shop.oven_ids())]
    polymers = [_ANY, *((one, one) for one in shop.polymer_ids())]
    return html.Form(
        [
            html.Div(
                [
                    field("text", "Label, job, initials or note", told.get("text", ""), "search"),
                    choice("oven", "Oven", ovens, told.get("oven", "")),
                    choice("outcome", "Outcome", [_ANY, *((one, one) for one in OUTCOMES)], told.get("outcome", "")),
                    field("from", "From", told.get("from", ""), "date"),
                    field("to", "To", told.get("to", ""), "date"),
                    html.Button("Search", type="submit", className="button strong"),
                ],
                className="fields",
            ),
            html.Details(
                [
                    html.Summary("More"),
                    html.Div(
                        [
                            choice("polymer", "Polymer", polymers, told.get("polymer", "")),
                            field("gauge", "Gauge", told.get("gauge", ""), longest=8),
                            choice("kind", "Failed how", [_ANY, *((one, one) for one in KINDS)], told.get("kind", "")),
                            choice("state", "State", [_ANY, *((one, one) for one in HEAT_STATES)],
                                   told.get("state", "")),
                            field("initials", "Operator", told.get("initials", ""), longest=40),
                        ],
                        className="fields",
                    ),
                ],
                open=any(name in told for name in ("polymer", "gauge", "kind", "state", "initials")),
            ),
        ],
        action=PATH,
        method="get",
        **attributes(data_records_search="", role="search"),
    )  # fmt: skip


def _kept(searches: Mapping[str, str], of: Asked) -> html.Div:
    """Searches that were kept, and keeping this one."""
    here = replace(of, page=1).query()
    links: list[Any] = [
        html.Span(
            [
                html.A(one_line(name, 40), href=f"{PATH}?{query}", className="chip",
                       **(attributes(aria_current="page") if query == here and here else {})),
                html.Button("✕", type="button", className="drop",
                            **attributes(data_drop=name, aria_label=f"Drop the search {one_line(name, 40)}")),
            ],
            className="kept",
        )
        for name, query in searches.items()
    ]  # fmt: skip
    keep = [
        field("search-name", "Keep this search as", longest=40),
        html.Button("Keep", type="button", className="button", id="records-keep", **attributes(data_query=here)),
    ]
    asked_for = bool(here)
    return html.Div(
        [
            html.Div(links, className="chips", role="group", **attributes(aria_label="Kept searches")),
            *([html.Div(keep, className="row keep")] if asked_for else []),
        ],
        className="searches" if links or asked_for else "unused",
    )


def _tools(of: Asked) -> html.Div:
    return html.Div(
        [
            html.Button("Compare the chosen", type="button", className="button", id="records-compare", disabled=True),
            html.A("Trends of these", href=replace(of, page=1).address(show="trends"), className="button"),
            html.A("As CSV", href=f"{PATH}/table.csv?{replace(of, page=1).query()}", className="button"),
        ],
        className="row",
    )


def _table(heats: Sequence[HeatRecord], reviews: Mapping[int, KeptReview], of: Asked, units: Units) -> html.Div:
    heads = [html.Th(html.Span("Compare", className="unseen"), scope="col"), *(_head(w, by, of) for w, by in _HEADS)]
    return table("Heats", heads, [_row(one, reviews.get(one.number), units) for one in heats], "records-table")


def _head(words: str, by: HeatOrder | None, of: Asked) -> html.Th:
    if by is None:
        return html.Th(words, scope="col")
    sorts = {by, "oldest"} if by == "newest" else {by}
    down = of.order == "newest" or of.backwards
    here = attributes(aria_sort="descending" if down else "ascending") if of.order in sorts else {}
    mark = (" ↓" if down else " ↑") if here else ""
    return html.Th(html.A(f"{words}{mark}", href=of.sorted_by(by).address()), scope="col", **here)


def _row(one: HeatRecord, review: KeptReview | None, units: Units) -> list[Any]:
    form = one.form
    choose = html.Button(
        "", type="button", className="choose", role="checkbox",
        **attributes(data_choose=str(one.number), aria_checked="false", aria_label=f"Compare heat {one.number}"),
    )  # fmt: skip
    outcome = ", ".join(filter(None, (one.outcome, one.outcome_kind)))
    state = "" if one.state == "finished" else one.state
    return [
        html.Td(choose),
        html.Th(html.A(f"{one.number}", href=f"{PATH}?heat={one.number}"), scope="row"),
        html.Td(f"{utc_of(one.start_utc_ms):%Y-%m-%d %H:%M}", className="fixed"),
        one_line(form.oven or one.bench, 24),
        one_line(form.polymer or "", 28),
        html.Td("" if form.gauge_mm is None else units.length(form.gauge_mm / 1000.0), className="fixed"),
        one_line(form.sheet_label or "", 28),
        one_line(form.job_number or "", 24),
        html.Td(one_line(outcome or state, 48), className=f"outcome {one.outcome or ''}".strip()),
        html.Td(margin_words(review, units), className="fixed"),
    ]


def margin_words(review: KeptReview | None, units: Units) -> str:
    """'-4 K (-7 to -1)'; '' where it is not known."""
    if (
        review is None
        or review.version != VERSION
        or review.above_k is None
        or review.above_low_k is None
        or review.above_high_k is None
    ):
        return ""
    return spread_words(Spread(review.above_k, review.above_low_k, review.above_high_k), units)


def _paging(of: Asked, pages: int) -> html.Nav:
    def link(words: str, page: int) -> Any:
        if not 1 <= page <= pages:
            return html.Span(words, className="chip off", **attributes(aria_disabled="true"))
        return html.A(words, href=replace(of, page=page).address(), className="chip")

    where = html.Span(f"Page {of.page} of {pages}")
    return html.Nav([link("Before", of.page - 1), where, link("Next", of.page + 1)], className="paging",
                    **attributes(aria_label="Pages of the table"))  # fmt: skip
