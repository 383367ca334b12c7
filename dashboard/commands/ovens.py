"""`pullcue ovens`: the ovens of a shop, their cards through time, and accepting a proposed one."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from dashboard.commands.records_options import json_option

_EXAMPLES = """\b
Examples:
pullcue ovens
pullcue ovens show north
pullcue ovens accept north north-2026-03-01 --by AB
"""
_shop_option = click.option(
    "--shop", type=click.Path(path_type=Path, file_okay=False), metavar="DIR", help="Folder of the shop."
)


@click.group("ovens", invoke_without_command=True, epilog=_EXAMPLES)
@_shop_option
@json_option
@click.pass_context
def ovens(ctx: click.Context, shop: Path | None, as_json: bool) -> None:
    """List the ovens with their cards; show one's cards through time; accept one that a calibration proposes."""
    ctx.obj = shop
    if ctx.invoked_subcommand is not None:
        return
    from dashboard.oven_card_words import card_words
    from dashboard.oven_cards import history, proposals
    from dashboard.shop import open_shop

    workshop = open_shop(shop)
    found = [(one, history(workshop, one), proposals(workshop, one)) for one in workshop.oven_ids()]
    if as_json:
        _print([_listed(*one) for one in found])
        return
    for oven, cards, waiting in found:
        more = f" {_count(len(waiting), 'proposed card')}: pullcue ovens show {oven}." if waiting else ""
        click.echo(f"{oven}: {card_words(cards[0].card)}.{more}")
    if not found:
        click.echo(f"The shop {workshop.name!r} has no ovens; put a card into {workshop.folder / 'ovens'}.")


def _count(number: int, word: str) -> str:
    return f"{number} {word}{'' if number == 1 else 's'}"


def _listed(oven: str, cards: Any, waiting: Any) -> dict[str, Any]:
    from dashboard.oven_file import card_table

    return {
        "oven": oven,
        "card": card_table(cards[0].card),
        "earlier": [{"until": one.until, "file": one.file, "card": card_table(one.card)} for one in cards[1:]],
        "proposed": [{"name": one.name, "reasons": list(one.reasons), "card": card_table(one.card)} for one in waiting],
    }


def _print(content: Any) -> None:
    import json

    click.echo(json.dumps(content, ensure_ascii=False, indent=1, allow_nan=False, default=str))


@ovens.command("show")
@click.argument("oven")
@_shop_option
@json_option
@click.pass_context
def show(ctx: click.Context, oven: str, shop: Path | None, as_json: bool) -> None:
    """Show an oven's card, those before it, and those proposed with the reasons against them."""
    from dashboard.oven_card_words import NO_REASON, card_words, value_rows
    from dashboard.oven_cards import history, proposals
    from dashboard.shop import open_shop

    workshop = open_shop(shop or ctx.obj)
    cards, waiting = history(workshop, oven), proposals(workshop, oven)
    if as_json:
        _print(_listed(oven, cards, waiting))
        return
    click.echo(f"Oven {oven}: {card_words(cards[0].card)}.\n")
    rows = [("", "in force", *(one.name for one in waiting))]
    sides = [value_rows(one) for one in (cards[0].card, *(one.card for one in waiting))]
    rows += [(name, value, *(dict(one).get(name, "") for one in sides[1:])) for name, value in sides[0]]
    widths = [max(len(row[i]) for row in rows) for i in range(len(rows[0]))]
    for row in rows:
        click.echo("  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip())
    for one in waiting:
        click.echo(f"\nBefore you accept {one.name}:")
        for reason in one.reasons or (NO_REASON,):
            click.echo(f"  - {reason}.")
        click.echo(f"Then: pullcue ovens accept {oven} {one.name} --by INITIALS")
    if len(cards) > 1:
        click.echo("\nEarlier cards:")
    for kept in cards[1:]:
        click.echo(f"  until {kept.until}: {card_words(kept.card)} ({kept.file}).")


@ovens.command("accept")
@click.argument("oven")
@click.argument("name")
@click.option("--by", required=True, metavar="INITIALS", help="You, who have read the reasons against it.")
@_shop_option
@click.pass_context
def accept(ctx: click.Context, oven: str, name: str, by: str, shop: Path | None) -> None:
    """Put a proposed card in force; the one before it is kept."""
    from dashboard.oven_cards import accept as put_in_force
    from dashboard.shop import open_shop
    from logger.clock import SystemClock

    kept = put_in_force(open_shop(shop or ctx.obj), oven, name, by, SystemClock().utc())
    click.echo(f"Card {name} is in force for oven {oven}; the one before it is kept as earlier/{kept.file}.")
