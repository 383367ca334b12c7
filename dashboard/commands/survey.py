"""`pullcue survey`: how evenly an oven heats, from a recorded grid of thermocouples."""

from __future__ import annotations

from contextlib import ExitStack
from pathlib import Path
from typing import Any

import click

from dashboard.commands.records_options import json_option, opened, place_of, store_options

_EXAMPLES = """\b
Examples:
pullcue survey grid.csv
pullcue survey 21 --tolerance-k 1.5 --reference-k 0.4 --drift-k 0.5
pullcue survey grid.csv --oven north --sheet-z-mm 250
"""


@click.command("survey", epilog=_EXAMPLES)
@click.argument("heat")
@click.option("--set-c", type=float, metavar="T", help="The oven's setting, °C.  [default: the heat's]")
@click.option("--tolerance-k", type=float, default=1.5, show_default=True, metavar="K",
              help="Of the thermocouples' class: half width.")  # fmt: skip
@click.option("--reference-k", type=float, default=0.0, show_default=True, metavar="K",
              help="Expanded uncertainty (k = 2) of what they were checked against.")  # fmt: skip
@click.option("--resolution-k", type=float, default=0.1, show_default=True, metavar="K", help="Step of a reading.")
@click.option("--drift-k", type=float, default=0.5, show_default=True, metavar="K",
              help="What they may have drifted since: half width.")  # fmt: skip
@click.option("--oven", "oven_id", metavar="ID", help="Take the air at the sheet over into this oven's card.")
@click.option("--sheet-z-mm", type=float, metavar="MM", help="Height at which sheets hang, as the places' z_mm.")
@click.option("--half", type=click.Choice(["left", "right", "front", "back"]), help="Sheets hang in this half of it.")
@click.option("--out", type=click.Path(path_type=Path, dir_okay=False), metavar="CARD.toml",
              help="Write the card to this file.")  # fmt: skip
@click.option("--accept", metavar="INITIALS", help="Accept the card at once where there is no reason against it: it "
              "replaces the one at --out, or the shop's own; that one is kept.")  # fmt: skip
@store_options
@json_option
def survey(
    heat: str, set_c: float | None, tolerance_k: float, reference_k: float, resolution_k: float, drift_k: float,
    oven_id: str | None, sheet_z_mm: float | None, half: str | None, out: Path | None, accept: str | None,
    practice: bool, store: str | None, shop: Path | None, as_json: bool,
) -> None:  # fmt: skip
    """Judge how evenly an oven heats.

    HEAT is a heat file, or the number of a stored one, with 5 to 40 columns grid_01_c, grid_02_c ... recorded until
    all are steady, then with the door opened once.

    With --oven and --sheet-z-mm the air above and below the sheet goes into a card proposed for that oven. Nothing
    replaces a card unless a person accepts it.
    """
    from calibration.survey import STEADY_WORDS, place_uncertainty
    from calibration.survey import survey as judged
    from dashboard.calibration_heats import named_heats
    from dashboard.commands.asked import checked
    from dashboard.commands.survey_card import taken_over
    from dashboard.commands.survey_text import survey_json, survey_text
    from dashboard.found_card import goal
    from dashboard.shop import open_shop
    from logger.clock import SystemClock
    from thermal.fields import InputError, Range

    allowed = Range("K", at_least=0.0, at_most=50.0)
    stated = {
        name: checked(f"--{name.replace('_', '-')}", value, allowed)
        for name, value in (
            ("tolerance_k", tolerance_k), ("reference_k", reference_k), ("resolution_k", resolution_k),
            ("drift_k", drift_k),
        )
    }  # fmt: skip
    if set_c is not None:
        checked("--set-c", set_c, Range("°C", at_least=20.0, at_most=320.0))
    if sheet_z_mm is not None:
        checked("--sheet-z-mm", sheet_z_mm, Range("mm", at_least=-10_000.0, at_most=10_000.0))
    if (oven_id is None) != (sheet_z_mm is None):
        raise click.UsageError("give --oven and --sheet-z-mm together: which card, and where its sheets hang")
    if oven_id is None and (half or out or accept):
        raise click.UsageError("--half, --out and --accept need --oven and --sheet-z-mm")
    to = None if oven_id is None else goal(open_shop(shop), oven_id, out, accept)
    with ExitStack() as stack:

        def records() -> Any:
            return stack.enter_context(opened(place_of(shop, store, practice)))

        ((name, recorded),) = named_heats([heat], records)
    if oven_id is not None and recorded.oven not in (None, oven_id):
        raise InputError(
            f"{name} was surveyed in oven {recorded.oven!r}, expected {oven_id!r}: name that oven, or leave --oven out"
        )
    try:
        found = judged(recorded, set_c)
    except InputError as error:
        raise InputError(f"{name}: {error}") from None
    sure = place_uncertainty(recorded, found, **stated)
    card = None
    if to is not None and sheet_z_mm is not None:
        card = taken_over(found, sure, name, sheet_z_mm * 1e-3, half, to, SystemClock().utc())
    if as_json:
        from dashboard.commands.plan_json import dumps

        click.echo(dumps(survey_json(name, found, sure) | ({} if card is None else card.as_json)))
    else:
        click.echo(survey_text(name, found, sure, STEADY_WORDS) + ("" if card is None else f"\n\n{card.text}"))
    if card is not None and card.refused:
        raise InputError(card.refused)
