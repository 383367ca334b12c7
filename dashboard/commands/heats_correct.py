"""`pullcue heats correct` and `outcome`: later entries beside a heat, or the form of one that still goes on."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import click

from dashboard.commands.records_options import json_option, number_of, place_of_sub, store_options
from dashboard.correcting import OUTCOMES
from dashboard.store_place import StorePlace
from thermal.fields import InputError

_BY = click.option("--by", metavar="INITIALS", help="Who says so.  [needed]")
_WHY = click.option("--why", metavar="TEXT", help="Why it is changed.  [needed]")


@click.command("correct")
@click.argument("number", metavar="NUMBER")
@click.argument("field", metavar="FIELD")
@click.argument("value", metavar="VALUE", required=False)
@click.option("--nothing", is_flag=True, help="Instead of VALUE: nothing is known of it.")
@_BY
@_WHY
@store_options
@json_option
@click.pass_context
def correct(
    ctx: click.Context, number: str, field: str, value: str | None, nothing: bool, by: str | None, why: str | None,
    as_json: bool, shop: Path | None, store: str | None, practice: bool,
) -> None:  # fmt: skip
    """Correct an entry of a heat: the old one stays, with who, when and why.

    FIELD is a name that 'pullcue heats NUMBER' shows, or one check as checks.film_off. No patient names.
    """
    from dashboard.heat_form import entry

    if (value is None) != nothing:
        raise InputError("correct: expected either VALUE or --nothing, which says that nothing is known of it")
    new = None if value is None else entry(field, value)
    _enter(place_of_sub(ctx, shop, store, practice), number, {field: new}, by, why, as_json)


@click.command("outcome")
@click.argument("number", metavar="NUMBER")
@click.argument("word", metavar="OUTCOME", type=click.Choice(OUTCOMES))
@click.option("--kind", metavar="TEXT", help="What failed, as 'thin at the heel'.")
@_BY
@click.option("--why", default="outcome entered", show_default=True, metavar="TEXT", help="Why it is changed.")
@store_options
@json_option
@click.pass_context
def outcome(
    ctx: click.Context, number: str, word: str, kind: str | None, by: str | None, why: str, as_json: bool,
    shop: Path | None, store: str | None, practice: bool,
) -> None:  # fmt: skip
    """Say what became of the part: accepted, failed or discarded."""
    from dashboard.heat_form import entry

    new: dict[str, Any] = {"outcome": word, "outcome_kind": None if kind is None else entry("outcome_kind", kind)}
    _enter(place_of_sub(ctx, shop, store, practice), number, new, by, why, as_json)


def _enter(place: StorePlace, number: str, new: dict[str, Any], by: str | None, why: str | None, as_json: bool) -> None:
    from dashboard.correcting import enter
    from dashboard.heat_form import kept_words, line
    from dashboard.stored import correction_json
    from logger.clock import SystemClock

    who, reason = line("--by", by or ""), line("--why", why or "")
    now, entries = enter(place, number_of(number), new, who, reason, SystemClock())
    if as_json:
        content = {"number": now.number, "corrections": [correction_json(one) for one in entries]}
        click.echo(json.dumps(content, ensure_ascii=False, indent=1, allow_nan=False))
        return
    for one in entries:
        stays = "" if now.state == "open" else " The old entry stays in the record."
        click.echo(f"Heat {now.number}: {one.field} was {kept_words(one.old)}, is now {kept_words(one.new)}.{stays}")
    if not entries:
        click.echo(f"Heat {now.number}: it says so already; nothing was changed.")
