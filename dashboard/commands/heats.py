"""`pullcue heats`: what was recorded, listed and searched; one heat in full; corrections and outcomes."""

from __future__ import annotations

import json
from dataclasses import asdict
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import click

from dashboard.commands.heats_correct import correct, outcome
from dashboard.commands.heats_photo import photo
from dashboard.commands.heats_wall import wall
from dashboard.commands.records_options import (
    json_option,
    number_of,
    opened,
    place_of,
    place_of_sub,
    store_options,
    units_of_sub,
)
from dashboard.store_place import StorePlace, backup_words

_HEADINGS = ("no.", "start (UTC)", "min:s", "oven", "polymer", "mm", "label", "job", "state", "outcome")
_EXAMPLES = """\b
Examples:
pullcue heats
pullcue heats --oven north --text 4711 --from 2026-03-01
pullcue heats 12
pullcue heats correct 12 gauge_mm 4.5 --by AB --why "label read again"
pullcue heats outcome 12 failed --kind "thin at the heel" --by AB

A finished heat is never altered: a correction is an entry of its own beside it, with who, when and why.
"""


class _Heats(click.Group):
    """A group in which the number of a heat is a command that shows it."""

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        """As click does; a number is looked up."""
        if args[0].lstrip("#").isdecimal():
            return "show", show, args
        if args[0] not in self.commands and not args[0].startswith("-"):
            ctx.fail(f"{args[0]!r} is no number of a heat, and none of {', '.join(sorted(self.commands))}")
        return super().resolve_command(ctx, args)


@click.group("heats", cls=_Heats, invoke_without_command=True, epilog=_EXAMPLES)
@click.option("--bench", metavar="ID", help="Of this bench.")
@click.option("--oven", metavar="ID", help="In this oven.")
@click.option("--polymer", metavar="ID", help="Of this polymer.")
@click.option("--outcome", metavar="WORD", help="With this outcome.")
@click.option("--state", type=click.Choice(["open", "finished", "aborted", "interrupted"]), help="In this state.")
@click.option("--text", default="", metavar="TEXT", help="Occurs in label, job number, initials or notes.")
@click.option("--from", "since", type=click.DateTime(["%Y-%m-%d"]), metavar="DATE", help="From this day on (UTC).")
@click.option("--to", "until", type=click.DateTime(["%Y-%m-%d"]), metavar="DATE", help="To the end of this day (UTC).")
@click.option("--limit", type=click.IntRange(1, 100_000), default=50, show_default=True, help="At most so many.")
@click.option("--skip", type=click.IntRange(0), default=0, help="Leave out so many of the first.")
@click.option("--oldest", is_flag=True, help="The oldest first.")
@store_options
@json_option
def heats(as_json: bool, shop: Path | None, store: str | None, practice: bool, **asked: Any) -> None:
    """List and search what was recorded; 'pullcue heats NUMBER' shows one with its form, marks and corrections."""
    if click.get_current_context().invoked_subcommand is not None:
        return
    from logger.records import HeatFilter

    place = place_of(shop, store, practice)
    wanted = HeatFilter(
        bench=asked["bench"],
        oven=asked["oven"],
        polymer=asked["polymer"],
        outcome=asked["outcome"],
        state=asked["state"],
        text=asked["text"],
        from_utc_ms=day_ms(asked["since"]),
        to_utc_ms=day_ms(asked["until"], days=1),
        limit=asked["limit"],
        offset=asked["skip"],
        order="oldest" if asked["oldest"] else "newest",
    )
    with opened(place) as kept:
        found = kept.heats(wanted)
        _list(place, found, kept.count(wanted), kept.last_backup(), as_json)


def day_ms(day: datetime | None, days: int = 0) -> int | None:
    """Begin of a day, UTC, so many days later, in ms since 1970."""
    return None if day is None else int((day.replace(tzinfo=UTC) + timedelta(days=days)).timestamp() * 1000)


def _list(place: StorePlace, found: list[Any], count: int, last: tuple[int, str] | None, as_json: bool) -> None:
    from dashboard.stored import heat_json
    from logger.clock import SystemClock

    fresh, words = backup_words(last, SystemClock().utc())
    if as_json:
        content = {
            "store": place.words,
            "backup": words,
            "count": count,
            "heats": [heat_json(one, whole=False) for one in found],
        }
        click.echo(json.dumps(content, ensure_ascii=False, indent=1, allow_nan=False))
        return
    rows = [_HEADINGS, *map(_row, found)]
    if found:
        widths = [max(len(row[column]) for row in rows) for column in range(len(rows[0]))]
        for row in rows:
            click.echo("  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip())
    else:
        click.echo("No heat was found.")
    if found and len(found) < count:
        click.echo(f"These are {len(found)} of {count}: --limit and --skip show others.")
    click.echo(f"{place.words}: {words}" + ("" if fresh else "; make one: pullcue backup DIR"))


def _row(record: Any) -> tuple[str, ...]:
    from dashboard.heat_form import one_line
    from dashboard.units import Units
    from logger.heat_export import utc_of

    form = record.form
    return (
        str(record.number),
        f"{utc_of(record.start_utc_ms):%Y-%m-%d %H:%M}",
        "" if record.end_s is None else Units.seconds(max(0.0, record.end_s - record.start_s)),
        one_line(form.oven or record.bench, 14),
        one_line(form.polymer or "", 18),
        "" if form.gauge_mm is None else f"{form.gauge_mm:g}",
        one_line(form.sheet_label or "", 18),
        one_line(form.job_number or "", 14),
        record.state,
        one_line(" ".join(filter(None, (record.outcome, record.outcome_kind))), 30),
    )


# ---------------------------------------------------------------- one heat


@heats.command("show")
@click.argument("number", metavar="NUMBER")
@store_options
@json_option
@click.pass_context
def show(ctx: click.Context, number: str, as_json: bool, shop: Path | None, store: str | None, practice: bool) -> None:
    """Show one heat: form, marks, walls of the part, corrections, state."""
    from dashboard.heat_form import one_line
    from dashboard.stored import facts_json, facts_of
    from dashboard.wall_compare import walls_beside
    from dashboard.wall_words import wall_json, wall_words

    as_json = as_json or bool(ctx.parent and ctx.parent.params.get("as_json"))
    with opened(place_of_sub(ctx, shop, store, practice)) as kept:
        facts = facts_of(kept, kept.heat(number_of(number)))
        walls = walls_beside(kept, facts.current)
        moves = kept.start_moves(facts.record.id)
    if as_json:
        content = facts_json(facts) | {
            "walls": [wall_json(one) for one in walls],
            "start_moves": [asdict(one) for one in moves],
        }
        click.echo(json.dumps(content, ensure_ascii=False, indent=1, allow_nan=False))
        return
    click.echo("\n".join(_words(facts)))
    shown_in = units_of_sub(ctx, shop)
    for one in walls:
        click.echo(f"Wall {one_line(wall_words(one, shown_in), 200)}")
    for move in moves:
        click.echo(
            f"Start moved by {move.new_start_s - move.old_start_s:+.1f} s by {one_line(move.who)}: {one_line(move.why)}"
        )


def _words(facts: Any) -> list[str]:
    from dashboard.commands.heat_plan import plan_words
    from dashboard.heat_form import kept_words, one_line
    from dashboard.stored import LONG
    from dashboard.units import Units
    from logger.heat_export import utc_of
    from logger.records import UNDO, in_force

    now, recorded = facts.current, facts.record
    lasted = "" if now.end_s is None else f", {Units.seconds(max(0.0, now.end_s - now.start_s))} long"
    start = f"start {utc_of(now.start_utc_ms):%Y-%m-%d %H:%M:%S} UTC"
    lines = [f"Heat {now.number}: {now.state}, bench {now.bench}, {start}{lasted}"]
    if facts.simulated:
        lines.append("Computed, not measured: no oven and no sheet.")
    if facts.file is not None:
        lines.append(f"From the file {one_line(facts.file.name)}.")
    if now.outcome:
        lines.append(
            f"Outcome: {one_line(now.outcome)}" + (f", {one_line(now.outcome_kind)}" if now.outcome_kind else "")
        )
    fields = {entry.field for entry in facts.corrections}
    for name, value in now.form.as_table().items():
        if name == "checks":
            done = ", ".join(f"{check} {'done' if yes else 'NOT done'}" for check, yes in value.items())
            lines.append(f"  {'checks':<16}{done}")
        elif name in LONG:
            lines.append(f"  {name:<16}kept, {len(value)} characters; see --json")
        else:
            lines.append(f"  {name:<16}{_entry_words(value)}{'  (corrected)' if name in fields else ''}")
    if plan := plan_words(now.form.plan_json):
        lines.append(f"{plan}.")
    for one in facts.photos:
        lines.append(
            f"Photo {one_line(one.name)}, {len(one.content) / 1e6:.2f} MB: pullcue heats photo {now.number} --to ."
        )
    standing = {mark.id for mark in in_force(facts.marks)}
    for mark in facts.marks:
        if mark.undoes is None:
            told = [one_line(part, 160) for part in (mark.by, mark.note) if part]
            gone = "" if mark.id in standing or mark.name == UNDO else "  (taken back)"
            at = Units.seconds(mark.at_s - now.start_s)
            lines.append(f"{at:>9}  {one_line(mark.name)}{'  ' + '; '.join(told) if told else ''}{gone}")
    for entry in facts.corrections:
        lines.append(
            f"Corrected {utc_of(entry.at_utc_ms):%Y-%m-%d %H:%M} UTC by {one_line(entry.who)}: {entry.field} was "
            f"{kept_words(entry.old)}, is {kept_words(entry.new)}: {one_line(entry.why, 200)}"
        )
    none = "Not closed yet: not in the chain." if recorded.state == "open" else "In no link of the chain: pullcue check"
    lines.append(f"Link in the chain: {recorded.hash}" if recorded.hash else none)
    return lines


def _entry_words(value: object) -> str:
    from dashboard.heat_form import one_line

    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, list):
        return " x ".join(f"{side:g}" for side in value)
    return one_line(str(value), 200)


for command in (correct, outcome, photo, wall):
    heats.add_command(command)
