"""`pullcue trends`: what many heats say: yield, kinds of failure, core margin against outcome, control charts."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from dashboard.commands.records_options import bar, json_option, opened, store_options
from dashboard.trends_words import TABLES
from thermal.fields import InputError

if TYPE_CHECKING:
    from dashboard.shop import Shop
    from dashboard.trends import Trends
    from dashboard.units import Units
    from logger.records import HeatFilter
    from logger.store import Store

_EXAMPLES = """\b
Examples:
pullcue trends
pullcue trends --oven north --from 2026-01-01 --review
pullcue trends --table kinds --to-file kinds.csv
"""
_DAY = click.DateTime(["%Y-%m-%d"])


@click.command("trends", epilog=_EXAMPLES)
@click.option("--oven", metavar="ID", help="Of this oven.")
@click.option("--polymer", metavar="ID", help="Of this polymer.")
@click.option("--gauge-mm", type=float, metavar="MM", help="Of this gauge.")
@click.option("--from", "since", type=_DAY, metavar="DATE", help="From this day on (UTC).")
@click.option("--to", "until", type=_DAY, metavar="DATE", help="To the end of this day (UTC).")
@click.option("--review", is_flag=True, help="Review first what was not reviewed yet; some seconds a heat.")
@click.option("--table", type=click.Choice(TABLES), help="Print this table as CSV.")
@click.option("--to-file", type=click.Path(path_type=Path, dir_okay=False), metavar="FILE.csv",
              help="Write --table into a new file.")  # fmt: skip
@store_options
@json_option
def trends(
    oven: str | None, polymer: str | None, gauge_mm: float | None, since: datetime | None, until: datetime | None,
    review: bool, table: str | None, to_file: Path | None, as_json: bool, shop: Path | None, store: str | None,
    practice: bool,
) -> None:  # fmt: skip
    """Say what many heats have in common; whether a cold core costs parts in this shop."""
    from dashboard.commands.heats import day_ms
    from dashboard.shop import open_shop
    from dashboard.store_place import store_place
    from dashboard.stored_review import VERSION
    from dashboard.trends import trends as trends_of
    from dashboard.units import Units
    from logger.records import HeatFilter

    if to_file is not None and table is None:
        raise InputError("--to-file: expected --table beside it, which says what is written")
    workshop = open_shop(shop)
    if table == "operator" and not workshop.yield_by_operator:
        raise InputError("--table operator: the shop does not count by operator; shop.toml: yield_by_operator = true")
    wanted = HeatFilter(oven=oven, polymer=polymer, gauge_mm=gauge_mm, from_utc_ms=day_ms(since),
                        to_utc_ms=day_ms(until, days=1), limit=None)  # fmt: skip
    with opened(store_place(workshop, store, practice)) as kept:
        if review:
            _review(kept, wanted, workshop)
        found = trends_of(kept, wanted, VERSION, workshop.yield_by_operator)
    _show(found, Units("us" if workshop.units == "us" else "metric"), table, to_file, as_json)


def _review(kept: Store, wanted: HeatFilter, shop: Shop) -> None:
    """Review what was not reviewed; a heat that cannot be is said and left out."""
    from dashboard.stored_review import VERSION, kept_review, review_stored

    with bar(kept.without_review(wanted, VERSION), "Reviewing") as numbers:
        for number in numbers:
            record = kept.heat(number)
            try:
                kept.keep_review(record.id, kept_review(review_stored(kept, record, shop, shop.room_c)))
            except InputError as error:
                click.echo(f"Not reviewed: {error}", err=True)


def _show(found: Trends, units: Units, table: str | None, to_file: Path | None, as_json: bool) -> None:
    from dashboard.commands.plan_json import dumps
    from dashboard.csv_table import csv_of
    from dashboard.trends_words import table_of
    from logger.heatfile import write_new

    if table is not None:
        text = csv_of(*table_of(found, table))
        if to_file is None:
            click.echo(text, nl=False)
            return
        if to_file.exists():
            raise InputError(f"--to-file {to_file}: there is such a file already, and none is written over")
        write_new(text.encode(), to_file)
        click.echo(f"Written: {to_file}")
    elif as_json:
        click.echo(dumps(trends_json(found, units)))
    else:
        click.echo("\n".join(_words(found, units)))


def _words(found: Trends, units: Units) -> list[str]:
    from dashboard.heat_form import one_line
    from dashboard.trends_words import NOT_COUNTED, chart_words, kind_words, margin_words, share_words

    lines = [f"{found.heats} heat{'' if found.heats == 1 else 's'} that have ended. {NOT_COUNTED}"]
    blocks = [("oven", found.by_oven), ("polymer", found.by_polymer), ("gauge", found.by_gauge)]
    for name, rows in (*blocks, *((("operator", found.by_operator),) if found.by_operator is not None else ())):
        lines += ["", f"Good parts by {name}:"]
        for one in rows[:20]:
            lines.append(f"  {one_line(one.value, 24):<26}{one.good:>6} of {one.good + one.bad:<6}  {share_words(one)}")
    lines += ["", "Kinds of failure:", *(f"  {kind_words(one)}" for one in found.kinds)]
    if not found.kinds:
        lines.append("  none was entered")
    lines += ["", "Core margin at the pull and outcome:", *(f"  {one}." for one in margin_words(found.margins, units))]
    return [*lines, "", "Control charts:", *(f"  {one}." for one in chart_words(found.charts))]


def trends_json(found: Trends, units: Units) -> dict[str, Any]:
    """All trends as one JSON object; shares from 0 to 1, temperatures in K."""
    from dashboard.trends_words import chart_words, margin_words, table_of

    left_out = ("chart",) if found.by_operator is not None else ("chart", "operator")  # the chart is below, by columns
    names = [one for one in TABLES if one not in left_out]
    tables = {}
    for name in names:
        heads, rows = table_of(found, name)
        tables[name] = [dict(zip(heads, row, strict=True)) for row in rows]
    fit, charts = found.margins.fit, found.charts
    return {
        "heats": found.heats,
        "tables": tables,
        "margin": {
            "words": margin_words(found.margins, units),
            "why_no_fit": found.margins.why,
            "not_reviewed": found.margins.unreviewed,
            "fit": None if fit is None else {
                "intercept": fit.a, "slope_per_k": fit.b, "slope_95": list(fit.b_interval), "p_value": fit.p_value,
                "odds_ratio_per_k": list(fit.odds_ratio), "log_likelihood": fit.log_likelihood, "heats": fit.count,
                "failed": fit.yes,
            },
        },
        "charts": {
            "words": chart_words(charts),
            "heats": list(charts.heats),
            "margin_k": charts.margin_k.tolist(),
            "margin": None if charts.each is None else {
                "centre": charts.each.centre, "low": charts.each.low.tolist(), "high": charts.each.high.tolist(),
                "beyond": charts.each.beyond.tolist(),
            },
        },
    }  # fmt: skip
