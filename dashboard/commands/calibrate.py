"""`pullcue calibrate`: an oven's own coefficients from recorded heats, as an oven card."""

from __future__ import annotations

import datetime
import json
from contextlib import ExitStack
from pathlib import Path
from typing import Any

import click

from dashboard.commands.records_options import json_option, opened, place_of, store_options
from thermal.fields import InputError

_EXAMPLES = """\b
Examples:
pullcue calibrate heat-1.csv heat-2.csv --oven north
pullcue calibrate 12 14 15 --oven north --out north-new.toml
pullcue calibrate 12 14 15 --oven north --json
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
@click.option("--accept", metavar="INITIALS", help="Accept the card at once where there is no reason against it: it "
              "replaces the one at --out, or the shop's own; that one is kept.")  # fmt: skip
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

    Nothing replaces a card unless a person accepts it. Where there are reasons against it they are shown first, and
    --accept is refused: 'pullcue ovens accept' takes the card then.
    """
    from calibration.calibrate import calibrate as computed
    from calibration.unknowns import Settings
    from dashboard.calibration_heats import heats_of_oven, named_heats
    from dashboard.commands.calibrate_json import calibration_json
    from dashboard.commands.calibrate_text import calibration_text
    from dashboard.commands.plan_json import dumps
    from dashboard.found_card import goal, place, placed_words
    from dashboard.oven_file import read_card
    from dashboard.shop import open_shop
    from logger.clock import SystemClock

    if prior is not None and no_priors:
        raise click.UsageError("give either --prior or --no-priors, not both")
    workshop = open_shop(shop)
    today = datetime.date.today()
    known = None if prior is None else read_card(prior)
    card = workshop.oven(oven_id) if known is None else known
    if card.id != oven_id:
        raise InputError(f"{prior}: id = {card.id!r}: expected {oven_id!r}, the oven that is calibrated")
    to = goal(workshop, oven_id, out, accept)
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
    record = json.loads(dumps(calibration_json(result, result.card, found.notes)))
    heats_used = len(result.fit.runs)
    remark = f"Oven card of {oven_id}, found by 'pullcue calibrate' on {today.isoformat()}, heats: {heats_used}."
    done = place(to, result.card, result.doubts, record, [remark], SystemClock().utc())
    if as_json:
        click.echo(dumps({**calibration_json(result, done.card, found.notes), **done.as_json}))
    else:
        click.echo(calibration_text(result, found.notes, done.reasons))
        click.echo(f"\n{placed_words(done, to)}".rstrip())
    if done.refused:
        raise InputError(done.refused)
