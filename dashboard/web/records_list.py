"""The table of heats: search, kept searches, sorting and paging, all on the server."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import TYPE_CHECKING, Any

from dash import html

from calibration.estimate import Spread
from dashboard.correcting import OUTCOMES
from dashboard.failures import KINDS
from dashboard.heat_form import one_line
from dashboard.kept_searches import kept_searches
from dashboard.shop import Shop
from dashboard.spread_words import spread_words
from dashboard.stored_review import VERSION
from dashboard.trends import BAD
from dashboard.units import Units
from dashboard.web.component import attributes
from dashboard.web.records_fields import choice, field, tabs
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


def list_part(shop: Shop, folder: Path, of: Asked) -> html.Div:
    """Search and kept searches; the table itself is put in by the page's script (see `rows_values`)."""
    rows = attributes(data_rows=f"{PATH}/rows?{of.query()}", aria_label="Found")
    return html.Div(
        [
            html.Div([html.H1("Records"), tabs("heats")], className="head"),
            html.Section(_search(of, shop), className="card", **attributes(aria_label="Search")),
            _kept(kept_searches(folder), of),
            html.Section(html.P("Searching.", className="hint"), className="card", id="records-found", **rows),
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


def margin_words(review: KeptReview | None, units: Units) -> str:
    """'-4 K (-7 to -1 K)'; '' where it is not known."""
    if (
        review is None
        or review.version != VERSION
        or review.above_k is None
        or review.above_low_k is None
        or review.above_high_k is None
    ):
        return ""
    return spread_words(Spread(review.above_k, review.above_low_k, review.above_high_k), units)


def rows_values(store: Store, of: Asked, units: Units) -> dict[str, Any]:
    """What stands in the table of one search, for the template `records_rows.html`.

    A template, not components: a table of some hundred cells takes seconds as components in the browser.
    """
    wanted = of.filter(units)
    count, more, heats = store.page(replace(wanted, limit=ROWS, offset=ROWS * (of.page - 1)))
    pages = max(1, -(-count // ROWS))
    if of.page > pages:  # an address that was kept while there were more
        of = replace(of, page=pages)
        heats = store.heats(replace(wanted, limit=ROWS, offset=ROWS * (pages - 1)))
    reviews = store.kept_reviews([one.number for one in heats])
    first = replace(of, page=1)
    return {
        "found": f"{'More than ' if more else ''}{count:,} heat{'' if count == 1 else 's'}".replace(",", " "),
        "heads": [_head(words, by, of) for words, by in _HEADS],
        "rows": [_row(one, reviews.get(one.number), units) for one in heats],
        "trends": first.address(show="trends"),
        "csv": f"{PATH}/table.csv?{first.query()}",
        "path": PATH,
        "page": of.page,
        "pages": f"more than {pages}" if more else str(pages),
        "before": replace(of, page=of.page - 1).address() if of.page > 1 else "",
        "after": replace(of, page=of.page + 1).address() if of.page < pages else "",
    }


def _head(words: str, by: HeatOrder | None, of: Asked) -> dict[str, str]:
    if by is None:
        return {"words": words, "address": "", "sort": ""}
    sorts = {by, "oldest"} if by == "newest" else {by}
    down = of.order == "newest" or of.backwards
    sort = "" if of.order not in sorts else "descending" if down else "ascending"
    return {"words": words, "address": of.sorted_by(by).address(), "sort": sort}


def _row(one: HeatRecord, review: KeptReview | None, units: Units) -> dict[str, str]:
    form = one.form
    outcome = ", ".join(filter(None, (one.outcome, one.outcome_kind)))
    return {
        "number": str(one.number),
        "start": f"{utc_of(one.start_utc_ms):%Y-%m-%d %H:%M}",
        "oven": one_line(form.oven or one.bench, 24),
        "polymer": one_line(form.polymer or "", 28),
        "gauge": "" if form.gauge_mm is None else units.length(form.gauge_mm / 1000.0),
        "label": one_line(form.sheet_label or "", 20),
        "job": one_line(form.job_number or "", 20),
        "outcome": one_line(outcome or ("" if one.state == "finished" else one.state), 48),
        "bad": "bad" if one.outcome in BAD else "",
        "margin": margin_words(review, units),
    }
