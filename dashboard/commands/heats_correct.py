"""`pullcue heats correct` and `outcome`: later entries beside a heat, or the form of one that still goes on."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from dashboard.commands.records_options import json_option, number_of, opened, place_of_sub, store_options
from dashboard.store_place import StorePlace
from thermal.fields import InputError

if TYPE_CHECKING:
    from logger.records import HeatRecord
    from logger.store import Store

OUTCOMES = ("accepted", "failed", "discarded")
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
    """Add one correction for each entry that changes; what a heat says that still goes on is filled in."""
    from dashboard.heat_form import line, one_line
    from dashboard.stored import correction_json, facts_of
    from logger.clock import SystemClock
    from logger.heat_export import ms_of
    from logger.records import Correction, corrected, new_id, value_of

    who, reason = line("--by", by or ""), line("--why", why or "")
    clock = SystemClock()
    with opened(place) as kept:
        facts = facts_of(kept, kept.heat(number_of(number)))
        now, at_ms = facts.current, ms_of(clock.utc())
        entries = [
            Correction(new_id(), now.id, at_ms, who, reason, field, *map(_as_json, (value_of(now, field), value)))
            for field, value in new.items()
            if value_of(now, field) != value
        ]
        after = corrected(now, entries)  # refuses what the field cannot hold, before anything is kept
        recorded = now.state == "open" and now.bench in [one.bench for one in kept.recorders(at_ms)]
        if now.state == "open":
            _refuse_of_open(now, after, recorded)
        if now.state == "open" and not recorded:
            _fill_in(kept, now, after, who, reason)
        elif not recorded:
            for one in entries:
                kept.correct(one)
    if recorded and entries:
        _through_recorder(place, now.bench, {one.field: json.loads(one.new) for one in entries}, who, reason)
    if as_json:
        content = {"number": now.number, "corrections": [correction_json(one) for one in entries]}
        click.echo(json.dumps(content, ensure_ascii=False, indent=1, allow_nan=False))
        return
    for one in entries:
        stays = "" if now.state == "open" else " The old entry stays in the record."
        click.echo(f"Heat {now.number}: {one.field} was {one_line(one.old)}, is now {one_line(one.new)}.{stays}")
    if not entries:
        click.echo(f"Heat {now.number}: it says so already; nothing was changed.")


def _refuse_of_open(now: HeatRecord, after: HeatRecord, recorded: bool) -> None:
    """Refuse what cannot be said of a heat that still goes on."""
    if (now.outcome, now.outcome_kind, now.end_s) != (after.outcome, after.outcome_kind, after.end_s):
        raise InputError(f"heat {now.number} is still going on: expected one that has ended; mark its end first")
    if recorded and after.start_s != now.start_s:
        raise InputError(
            f"heat {now.number} is still going on: its start is moved with 'pullcue mark start --ago TIME'"
        )


def _fill_in(store: Store, now: HeatRecord, after: HeatRecord, who: str, why: str) -> None:
    """Change a heat without an end whose recorder does not run: its form, or its start, whose move is recorded."""
    if after.start_s != now.start_s:
        store.move_start(now.id, after.start_s, who, why)
    if after.form != now.form:
        store.set_form(now.id, after.form)


def _through_recorder(place: StorePlace, bench: str, new: dict[str, Any], who: str, why: str) -> None:
    """The recorder has the form of its heat in hand, and would write over what another program puts there."""
    from dashboard.handing import form_note, handed_over
    from logger.clock import SystemClock
    from logger.heat_export import ms_of
    from logger.marks import FORM, request

    checks = {name.removeprefix("checks."): done for name, done in new.items() if name.startswith("checks.")}
    said = {name: value for name, value in new.items() if not name.startswith("checks.")}
    form = said | ({"checks": checks} if checks else {})
    clock = SystemClock()
    wanted = request(FORM, ms_of(clock.utc()), by=who, note=f"{why}: {form_note(form)}", form=form)
    if not handed_over(place, bench, wanted, clock):
        raise InputError(f"bench {bench}: its recorder has not taken this yet; it is kept and waits for it")


def _as_json(value: Any) -> str:
    return json.dumps(value, ensure_ascii=False, allow_nan=False)
