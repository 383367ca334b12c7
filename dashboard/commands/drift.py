"""`pullcue drift`: whether an oven changes, from the ordinary heats that were recorded in it."""

from __future__ import annotations

import datetime
import sys
from contextlib import ExitStack
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from dashboard.commands.records_options import json_option, opened, place_of, store_options
from thermal.fields import InputError

if TYPE_CHECKING:
    from dashboard.oven_drift import OvenWatch

_EXAMPLES = """\b
Examples:
pullcue drift
pullcue drift north
pullcue drift north --from 2026-03-01 --json
"""


@click.command("drift", epilog=_EXAMPLES)
@click.argument("oven", required=False)
@click.option("--from", "since", type=click.DateTime(["%Y-%m-%d"]), metavar="DATE",
              help="Heats from this day on (UTC).  [default: since its card was accepted]")  # fmt: skip
@store_options
@json_option
def drift(
    oven: str | None, since: datetime.datetime | None, practice: bool, store: str | None, shop: Path | None,
    as_json: bool,
) -> int:  # fmt: skip
    """Say whether an oven has changed since its card was found.

    Every recorded heat estimates its oven a little: how much heat each face gets from the air, and when the sheet was
    ready. Control charts watch that. Without OVEN all ovens of the shop, in short. Ends with 1 where one has changed.
    """
    from dashboard.commands.drift_json import drift_json
    from dashboard.commands.drift_text import all_text, drift_text
    from dashboard.commands.plan_json import dumps
    from dashboard.shop import open_shop

    workshop = open_shop(shop)
    ovens = workshop.oven_ids() if oven is None else (oven,)
    if not ovens:
        raise InputError(f"the shop {workshop.name!r} has no ovens; put a card into {workshop.folder / 'ovens'}")
    workshop.oven(ovens[0])  # a slip in its name is said before anything about records
    place = place_of(shop, store, practice)
    first = None if since is None else since.date()
    with ExitStack() as stack:
        records = stack.enter_context(opened(place))
        found = [_watched(workshop, one, records, place.folder, first) for one in ovens]
    if as_json:
        content = [drift_json(one) for one in found]
        click.echo(dumps({"ovens": content} if oven is None else content[0]))
    else:
        click.echo(all_text(found) if oven is None else drift_text(found[0]))
    return 1 if any(alarm.kind == "lasting" for one in found for alarm in one.drift.alarms) else 0


def _watched(shop: Any, oven: str, store: Any, folder: Path, since: datetime.date | None) -> OvenWatch:
    from dashboard.oven_drift import watch_oven

    def seen(done: int, total: int) -> None:
        end = "\r" if done < total else "\n"
        print(f"Oven {oven}: heat {done} of {total} looked at", end=end, file=sys.stderr, flush=True)

    return watch_oven(
        shop, oven, store, folder, datetime.date.today(), since, seen=seen if sys.stderr.isatty() else None
    )
