"""What the records' page asks for and has done: tables, reports, photos, corrections, outcomes, kept searches."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import replace
from typing import Any

from dash import Dash
from flask import Flask, Response, jsonify, render_template, request

from dashboard.correcting import OUTCOMES, enter
from dashboard.csv_table import csv_of
from dashboard.entry_words import entry_words
from dashboard.heat_form import MADE, NO_NAMES, entry, line
from dashboard.heat_tables import table_of as table_of_heat
from dashboard.keep_walls import keep_walls
from dashboard.kept_open import KeptOpen
from dashboard.kept_searches import drop_search, keep_search
from dashboard.kept_trends import KeptTrends
from dashboard.photo import checked_photo, shown_small
from dashboard.report_html import html_bytes
from dashboard.report_pdf import pdf_bytes
from dashboard.reviewer import Reviewer
from dashboard.stored import iso
from dashboard.stored_review import VERSION
from dashboard.trends_words import TABLES, table_of
from dashboard.units import Units
from dashboard.wall_words import Doubtful, wall_of
from dashboard.web.frame import query_of_search, units_of_request
from dashboard.web.records_list import rows_values
from dashboard.web.records_query import PATH, asked, heats_of, whole
from dashboard.web.roles import LEAD, ROLES, TECHNICIAN
from dashboard.web.services import Services
from dashboard.web.who import allowed, only, signed_in, who
from dashboard.web.words import sentence
from logger.records import HeatFilter, HeatRecord, correctable_fields
from logger.store import Store
from thermal.fields import InputError, shown

#: Who corrects entries of the form; outcomes, photos and searches are everybody's.
CORRECTS = frozenset({TECHNICIAN, LEAD})
_SMALL_PX = 480
_HEADS = ("heat", "start_utc", "state", "oven", "bench", "polymer", "gauge_mm", "label", "job_number", "initials",
          "outcome", "outcome_kind", "duration_s", "core_above_least_k", "low_5_k", "high_95_k", "hash")  # fmt: skip
_AT_ONCE = 1000


def routes(app: Dash, services: Services, records: KeptOpen, reviewer: Reviewer, counted: KeptTrends) -> None:
    """Add the addresses."""
    server: Flask = app.server

    @server.get(f"{PATH}/rows")
    @only(ROLES)
    def rows() -> Any:
        return _rows(services, records)

    @server.get(f"{PATH}/table.csv")
    @only(ROLES)
    def table_csv() -> Any:
        return _answered(lambda: _download(_table(services, records), "heats.csv"))

    @server.get(f"{PATH}/heat.csv")
    @only(ROLES)
    def heat_csv() -> Any:
        return _answered(lambda: _table_of_heat(services, records))

    @server.get(f"{PATH}/trends.csv")
    @only(ROLES)
    def trends_csv() -> Any:
        return _answered(lambda: _trend(services, records, counted))

    @server.get(f"{PATH}/report")
    @only(ROLES)
    def report() -> Any:
        return _answered(lambda: _report(services, reviewer))

    @server.get(f"{PATH}/photo")
    @only(ROLES)
    def photo() -> Any:
        return _answered(lambda: _photo(records))

    @server.post(f"{PATH}/photo")
    @only(ROLES)
    def keep_photo() -> Any:
        return _said(lambda: _keep_photo(records))

    @server.post(f"{PATH}/do")
    @only(ROLES)
    def records_do() -> Any:
        told = request.get_json(silent=True)
        what = told.get("what") if isinstance(told, dict) else None
        if what == "correct" and not allowed(CORRECTS):
            return jsonify({"wrong": "Your role may not correct entries. Ask a lab lead."}), 403
        return _said(lambda: _do(services, records, told))


def _answered(make: Callable[[], Response]) -> Any:
    """The answer, or in a plain page why there is none."""
    try:
        return make()
    except InputError as error:
        return render_template("refused.html", words=sentence(str(error)), theme=""), 400


def _said(do: Callable[[], str]) -> Any:
    try:
        return jsonify({"said": do()})
    except Doubtful as error:  # the page asks, and sends it again as measured again
        return jsonify({"wrong": sentence(str(error)), "doubtful": True})
    except InputError as error:
        return jsonify({"wrong": sentence(str(error))})


# ---------------------------------------------------------------- given out


def _query() -> Mapping[str, str]:
    return query_of_search(request.query_string.decode("utf-8", "replace"))


def _rows(services: Services, records: KeptOpen) -> str:
    """The table of a search as a part of the page."""
    try:
        with records.opened() as kept:
            return render_template(
                "records_rows.html", **rows_values(kept, asked(_query()), units_of_request(services))
            )
    except InputError as error:
        return render_template("records_wrong.html", words=sentence(str(error)))


def _wanted(services: Services) -> HeatFilter:
    return asked(_query()).filter(units_of_request(services))


def _download(text: str, name: str) -> Response:
    headers = {"Content-Disposition": f'attachment; filename="{name}"'}
    return Response(text, mimetype="text/csv", headers=headers)


def _table(services: Services, records: KeptOpen) -> str:
    """All heats of a search, or those beside each other; metric, as tables for programs are."""
    chosen = request.args.get("compare")
    rows: list[tuple[object, ...]] = []
    with records.opened() as kept:
        for heats in _some(kept, _wanted(services)) if chosen is None else [list(map(kept.heat, heats_of(chosen)))]:
            reviews = kept.kept_reviews([one.number for one in heats])
            for one in heats:
                form, found = one.form, reviews.get(one.number)
                margin = (
                    (None,) * 3
                    if found is None or found.version != VERSION or found.above_k is None
                    else tuple(
                        round(v, 2) for v in (found.above_k, found.above_low_k, found.above_high_k) if v is not None
                    )
                )
                rows.append((
                    one.number, iso(one.start_utc_ms), one.state, form.oven, one.bench, form.polymer, form.gauge_mm,
                    form.sheet_label, form.job_number, form.initials, one.outcome, one.outcome_kind,
                    None if one.end_s is None else round(one.end_s - one.start_s, 3), *margin, one.hash,
                ))  # fmt: skip
    return csv_of(_HEADS, rows)


def _some(kept: Store, wanted: HeatFilter) -> Iterator[list[HeatRecord]]:
    """The heats of a search, some at once."""
    for first in range(0, kept.count(wanted), _AT_ONCE):
        yield kept.heats(replace(wanted, limit=_AT_ONCE, offset=first))


def _table_of_heat(services: Services, records: KeptOpen) -> Response:
    """A table of one heat: its marks, corrections, walls, ..."""
    number, name = whole(request.args.get("heat", ""), "heat"), request.args.get("table", "")
    with records.opened() as kept:
        text = csv_of(*table_of_heat(kept, number, name, units_of_request(services)))
    return _download(text, f"heat-{number}-{name}.csv")


def _trend(services: Services, records: KeptOpen, counted: KeptTrends) -> Response:
    name = request.args.get("table", "")
    operators = services.shop.yield_by_operator
    if name not in TABLES or (name == "operator" and not operators):
        raise InputError(f"table {shown(name)}: expected one of {', '.join(TABLES)}, operator only where it is on")
    with records.opened() as kept:
        text = csv_of(*table_of(counted.of(kept, _wanted(services), VERSION, operators), name))
    return _download(text, f"trends-{name}.csv")


def _report(services: Services, reviewer: Reviewer) -> Response:
    number, kind = whole(request.args.get("heat", ""), "heat"), request.args.get("as", "pdf")
    if kind not in ("pdf", "html"):
        raise InputError(f"as {shown(kind)}: expected pdf or html")
    content = reviewer.report(number, units_of_request(services), services.today())
    if kind == "pdf":
        headers = {"Content-Disposition": f'inline; filename="heat-{number}.pdf"'}
        return Response(pdf_bytes(content), mimetype="application/pdf", headers=headers)
    # Its own policy is stricter than the pages': no script at all.
    policy = "default-src 'none'; style-src 'unsafe-inline'; img-src data:; frame-ancestors 'none'"
    return Response(html_bytes(content), mimetype="text/html", headers={"Content-Security-Policy": policy})


def _photo(records: KeptOpen) -> Response:
    """A photo out of the store, made anew as a picture: what else stood in its bytes does not get out."""
    number, n = whole(request.args.get("heat", ""), "heat"), request.args.get("n", "0")
    with records.opened() as kept:
        photos = [one for one in kept.attachments(kept.heat(number).id) if one.media_type.startswith("image/")]
    if not (n.isascii() and n.isdecimal() and len(n) < 5 and int(n) < len(photos)):
        raise InputError(f"photo {shown(n)} of heat {number}: there are {len(photos)}")
    made = shown_small(photos[int(n)].content, _SMALL_PX if request.args.get("small") else 4000)
    if made is None:
        raise InputError(f"photo {n} of heat {number} cannot be shown")
    return Response(made, mimetype="image/jpeg")


# ---------------------------------------------------------------- done


def _keep_photo(records: KeptOpen) -> str:
    number = whole(request.args.get("heat", ""), "heat")
    content = request.get_data()
    media_type = checked_photo(content, "this file")
    with records.opened() as kept:
        kept.attach_photo(kept.heat(number).id, content, media_type)
    return f"The photo is kept with heat {number}. {NO_NAMES}"


def _do(services: Services, records: KeptOpen, told: Any) -> str:
    if not isinstance(told, dict) or told.get("what") not in _DEEDS:
        raise InputError("the page's request is none: reload the page")
    texts = {str(name): value for name, value in told.items() if isinstance(value, str)}
    return _DEEDS[told["what"]](services, records, texts)


def _who(texts: Mapping[str, str]) -> str:
    if signed_in() is None:
        return who(line("your initials", texts.get("initials", "")[:40])).words
    return who().words


def _correct(services: Services, records: KeptOpen, texts: Mapping[str, str]) -> str:
    number, name, value = whole(texts.get("heat", ""), "heat"), texts.get("entry", ""), texts.get("value", "").strip()
    if name in MADE or name not in correctable_fields():
        raise InputError(f"entry {shown(name)}: expected one that a person fills in")
    why = line("why", texts.get("why", ""))
    new = None if not value else entry(name, value, entry_words(name))
    _, entries = enter(records.place, number, {name: new}, _who(texts), why, services.clock)
    return f"Kept: the correction stands beside heat {number}." if entries else "It says so already."


def _outcome(services: Services, records: KeptOpen, texts: Mapping[str, str]) -> str:
    number, word, kind = whole(texts.get("heat", ""), "heat"), texts.get("outcome", ""), texts.get("kind", "").strip()
    if word not in OUTCOMES:
        raise InputError(f"outcome {shown(word)}: expected one of {', '.join(OUTCOMES)}")
    failed = bool(kind) and word != "accepted"
    new = {"outcome": word, "outcome_kind": entry("outcome_kind", kind, "what failed") if failed else None}
    _, entries = enter(records.place, number, new, _who(texts), "outcome entered", services.clock)
    return f"Kept: {word}{f', {kind}' if new['outcome_kind'] else ''}." if entries else "It says so already."


def _wall(services: Services, records: KeptOpen, texts: Mapping[str, str]) -> str:
    """A gauge reading of the part, in the units that the page was drawn in."""
    number, units = whole(texts.get("heat", ""), "heat"), Units("us" if texts.get("units") == "us" else "metric")
    one = wall_of(texts.get("place", ""), texts.get("level", ""), texts.get("wall", ""), units)
    by = _who(texts)
    with records.opened() as kept:
        keep_walls(kept, kept.heat(number), [one], by, services.clock, units, texts.get("sure") == "yes")
    return f"Kept: the wall at {one.place} of heat {number}."


def _keep(services: Services, records: KeptOpen, texts: Mapping[str, str]) -> str:
    of = asked(query_of_search(texts.get("query", "")))
    of.filter(Units())  # what it asks can be asked
    keep_search(records.place.folder, texts.get("name", ""), of.query())
    return "The search is kept."


def _drop(services: Services, records: KeptOpen, texts: Mapping[str, str]) -> str:
    drop_search(records.place.folder, texts.get("name", ""))
    return "The search is dropped."


_DEEDS: Mapping[str, Callable[[Services, KeptOpen, Mapping[str, str]], str]] = {
    "correct": _correct, "outcome": _outcome, "wall": _wall, "keep": _keep, "drop": _drop,
}  # fmt: skip
