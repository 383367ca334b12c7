"""`pullcue ovens`: the ovens of a shop, their cards through time, accepting and dismissing proposed ones."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from dashboard.commands.records_options import json_option

if TYPE_CHECKING:
    from dashboard.oven_cards import Proposal
    from dashboard.shop import Shop

_EXAMPLES = """\b
Examples:
pullcue ovens
pullcue ovens show north
pullcue ovens accept north north-2026-03-01 --by AB
pullcue ovens dismiss north north-2026-02-20 --by AB
"""
_shop_option = click.option(
    "--shop", type=click.Path(path_type=Path, file_okay=False), metavar="DIR", help="Folder of the shop."
)


@click.group("ovens", invoke_without_command=True, epilog=_EXAMPLES)
@_shop_option
@json_option
@click.pass_context
def ovens(ctx: click.Context, shop: Path | None, as_json: bool) -> None:
    """List the ovens with their cards; show one's cards through time; accept or dismiss a proposed one."""
    ctx.obj = shop
    if ctx.invoked_subcommand is not None:
        return
    from dashboard.oven_card_words import card_words
    from dashboard.oven_cards import history, proposals, unread
    from dashboard.shop import open_shop

    workshop = open_shop(shop)
    found = workshop.oven_ids()
    if as_json:
        _print([_listed(workshop, one) for one in found])
        return
    for oven in found:
        waiting, lost = proposals(workshop, oven), unread(workshop, oven)
        more = [_count(len(waiting), "proposed card")] if waiting else []
        more += [f"{_count(len(lost), 'card')} that cannot be read"] if lost else []
        told = f" {', '.join(more)}: pullcue ovens show {oven}." if more else ""
        click.echo(f"{oven}: {card_words(history(workshop, oven)[0].card)}.{told}")
    if not found:
        click.echo(f"The shop {workshop.name!r} has no ovens; put a card into {workshop.folder / 'ovens'}.")


def _count(number: int, word: str) -> str:
    return f"{number} {word}{'' if number == 1 else 's'}"


def _listed(shop: Shop, oven: str) -> dict[str, Any]:
    from dashboard.oven_cards import dismissed, history, proposals, unread
    from dashboard.oven_file import card_table

    def named(found: tuple[Proposal, ...]) -> list[dict[str, Any]]:
        return [{"name": one.name, "reasons": list(one.reasons), "card": card_table(one.card)} for one in found]

    cards = history(shop, oven)
    return {
        "oven": oven,
        "card": card_table(cards[0].card),
        "earlier": [{"until": one.until, "file": one.file, "card": card_table(one.card)} for one in cards[1:]],
        "proposed": named(proposals(shop, oven)),
        "dismissed": named(dismissed(shop, oven)),
        "unread": list(unread(shop, oven)),
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
    """Show an oven's card, those before it, and those proposed with the reasons against them, or dismissed."""
    from dashboard.oven_card_words import NO_REASON, card_words, value_rows
    from dashboard.oven_cards import dismissed, history, proposals, unread
    from dashboard.shop import open_shop

    workshop = open_shop(shop or ctx.obj)
    cards, waiting = history(workshop, oven), proposals(workshop, oven)
    if as_json:
        _print(_listed(workshop, oven))
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
    _print_list("Earlier cards", [f"until {one.until}: {card_words(one.card)} ({one.file})" for one in cards[1:]])
    _print_list("Dismissed", [f"{one.name}: {card_words(one.card)}" for one in dismissed(workshop, oven)])
    _print_list("Cards that cannot be read", unread(workshop, oven))


def _print_list(title: str, lines: Sequence[str]) -> None:
    if lines:
        click.echo("\n".join([f"\n{title}:", *(f"  {one}." for one in lines)]))


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


@ovens.command("dismiss")
@click.argument("oven")
@click.argument("name")
@click.option("--by", required=True, metavar="INITIALS", help="You, who lay it aside.")
@_shop_option
@click.pass_context
def dismiss(ctx: click.Context, oven: str, name: str, by: str, shop: Path | None) -> None:
    """Lay a proposed card aside; its file is kept, with who did so and when."""
    from dashboard.oven_cards import dismiss as laid_aside
    from dashboard.shop import open_shop
    from logger.clock import SystemClock

    laid_aside(open_shop(shop or ctx.obj), oven, name, by, SystemClock().utc())
    click.echo(f"Card {name} of oven {oven} is dismissed; its file is kept.")
