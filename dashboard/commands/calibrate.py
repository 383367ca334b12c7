"""`pullcue calibrate`: an oven's own coefficients from recorded heats, as an oven card."""

from __future__ import annotations

import datetime
from collections.abc import Sequence
from contextlib import ExitStack
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from dashboard.commands.records_options import json_option, opened, place_of, store_options
from thermal.fields import InputError

if TYPE_CHECKING:
    from calibration.calibrate import Calibration
    from dashboard.shop import Shop
    from thermal.oven import OvenCard

_EXAMPLES = """\b
Examples:
pullcue calibrate heat-1.csv heat-2.csv --oven north
pullcue calibrate 12 14 15 --oven north --out north-new.toml
pullcue calibrate 12 14 15 --oven north --accept AB
"""
_FILE = click.Path(path_type=Path, dir_okay=False)


@click.command("calibrate", epilog=_EXAMPLES)
@click.argument("heats", metavar="HEAT...", nargs=-1, required=True)
@click.option("--oven", "oven_id", metavar="ID", required=True, help="Oven of the shop that the heats were made in.")
@click.option("--prior", type=_FILE, metavar="CARD.toml", help="Start from this card, and let its stated uncertainty "
              "count as what was known.  [default: the shop's card, its values only]")  # fmt: skip
@click.option("--no-priors", is_flag=True, help="Nothing was known of the oven before: the heats alone decide.")
@click.option("--fix", multiple=True, metavar="VALUE", help="Keep a value as the card has it, as wall.lag_s.")
@click.option("--tie", multiple=True, type=click.Choice(["h", "emissivity"]), help="The same factor for both faces.")
@click.option("--seek-polymer", is_flag=True, help="Seek the polymer's conductivity and heat capacity too.")
@click.option("--gauge-measured", is_flag=True, help="The gauges stated were measured with a caliper.")
@click.option("--check/--no-check", default=True, help="Predict each heat from the others.  [default: check]")
@click.option("--out", type=_FILE, metavar="CARD.toml", help="Write the card to this file.")
@click.option("--accept", metavar="INITIALS", help="You have read the reasons and accept the card: it replaces the one "
              "at --out, or the shop's own; that one is kept.")  # fmt: skip
@store_options
@json_option
def calibrate(
    heats: tuple[str, ...], oven_id: str, prior: Path | None, no_priors: bool, fix: tuple[str, ...],
    tie: tuple[str, ...], seek_polymer: bool, gauge_measured: bool, check: bool, out: Path | None, accept: str | None,
    practice: bool, store: str | None, shop: Path | None, as_json: bool,
) -> None:  # fmt: skip
    """Find an oven's coefficients from recorded heats and write its oven card.

    HEAT is a heat file, or the number of a stored heat in 'pullcue heats'. Any mix of gauges, polymers and set
    temperatures serves; thermocouples on both faces and in the core tell most.

    Nothing replaces a card unless a person accepts it with --accept.
    """
    from calibration.calibrate import calibrate as computed
    from calibration.unknowns import Settings
    from dashboard.calibration_heats import heats_of_oven, named_heats
    from dashboard.oven_file import accepted, card_target, read_card
    from dashboard.shop import open_shop

    if prior is not None and no_priors:
        raise click.UsageError("give either --prior or --no-priors, not both")
    workshop = open_shop(shop)
    today = datetime.date.today()
    known = None if prior is None else read_card(prior)
    card = workshop.oven(oven_id) if known is None else known
    if card.id != oven_id:
        raise InputError(f"{prior}: id = {card.id!r}: expected {oven_id!r}, the oven that is calibrated")
    target = card_target(out, accept, workshop, oven_id)
    with ExitStack() as stack:
        opened_once: list[Any] = []

        def records() -> Any:
            if not opened_once:
                opened_once.append(stack.enter_context(opened(place_of(shop, store, practice))))
            return opened_once[0]

        named = named_heats(heats, records)
    found = heats_of_oven(named, card, workshop.polymer)
    settings = Settings(
        oven_priors=not no_priors,
        fixed=frozenset(fix),
        tied=frozenset(tie),
        seek_polymer=seek_polymer,
        **({"gauge_rel_std": 0.005} if gauge_measured else {}),
    )
    polymers = {name: workshop.polymer(name) for name in workshop.polymer_ids()}
    try:
        result = computed(card, found.runs, today, settings, known, polymers, check)
    except ArithmeticError as error:
        raise InputError(f"these heats cannot be computed: {error}; correct the oven card") from error
    written = result.card if accept is None else accepted(result.card, accept, today)
    proposed = None if out is not None or workshop.is_demo else _proposed(workshop, result, found.notes, today)
    if proposed is not None and accept is not None:
        from dashboard.oven_cards import accept as put_in_force
        from logger.clock import SystemClock

        earlier = put_in_force(workshop, oven_id, proposed, accept, SystemClock().utc()).file
        written, kept = workshop.oven(oven_id), target.parent / "earlier" / earlier if target and earlier else None
    else:
        kept = _written(result, written, target, today, accept is not None)
    if as_json:
        from dashboard.commands.calibrate_json import calibration_json
        from dashboard.commands.plan_json import dumps

        click.echo(dumps({**calibration_json(result, written, found.notes, target, kept), "proposal": proposed}))
        return
    from dashboard.commands.calibrate_text import calibration_text

    click.echo(calibration_text(result, found.notes))
    if target is None and proposed is not None:
        click.echo(
            f"\nProposed as {proposed}; the page 'Ovens' shows it, 'pullcue ovens show {oven_id}' too. A person "
            f"accepts it there, or with: pullcue ovens accept {oven_id} {proposed} --by INITIALS"
        )
    elif target is None:
        click.echo("\nNot written: the demo shop is read-only; name a file with --out.")
    else:
        click.echo(f"\nCard written to {target}" + (f"; the one before is kept as {kept}" if kept else ""))
        if accept is None:
            click.echo("It is a proposal until a person accepts it: the same with --accept INITIALS.")


def _proposed(workshop: Shop, result: Calibration, notes: Sequence[str], today: datetime.date) -> str:
    """Put the card beside the one in force, with all of the calibration; the proposal's name."""
    import json

    from dashboard.commands.calibrate_json import calibration_json
    from dashboard.commands.plan_json import dumps
    from dashboard.oven_cards import propose

    record = json.loads(dumps(calibration_json(result, result.card, notes, None, None)))
    remarks = (f"Oven card of {result.card.id}, found by 'pullcue calibrate' on {today.isoformat()}.",)
    return propose(workshop, result.card, record, result.doubts, today, remarks).name


def _written(
    result: Calibration, card: OvenCard, target: Path | None, today: datetime.date, replacing: bool
) -> Path | None:
    if target is None:
        return None
    from dashboard.oven_file import card_text, write_card

    remarks = [
        f"Oven card of {card.id}, found by 'pullcue calibrate' on {today.isoformat()}, heats: {len(result.fit.runs)}.",
        *(f"Doubt: {one}" for one in result.doubts),
    ]
    return write_card(card_text(card, remarks), target, today, replacing)
