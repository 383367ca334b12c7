"""`pullcue survey`: how evenly an oven heats, from a recorded grid of thermocouples."""

from __future__ import annotations

from contextlib import ExitStack
from dataclasses import asdict
from pathlib import Path
from typing import Any

import click

from dashboard.commands.records_options import json_option, opened, place_of, store_options

_EXAMPLES = """\b
Examples:
pullcue survey grid.csv
pullcue survey 21 --tolerance-k 1.5 --reference-k 0.4 --drift-k 0.5
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
@store_options
@json_option
def survey(
    heat: str, set_c: float | None, tolerance_k: float, reference_k: float, resolution_k: float, drift_k: float,
    practice: bool, store: str | None, shop: Path | None, as_json: bool,
) -> None:  # fmt: skip
    """Judge how evenly an oven heats.

    HEAT is a heat file, or the number of a stored one, with 5 to 40 columns grid_01_c, grid_02_c ... recorded until
    all are steady, then with the door opened once.
    """
    from calibration.survey import STEADY_WORDS, place_uncertainty
    from calibration.survey import survey as judged
    from dashboard.calibration_heats import named_heats
    from dashboard.commands.asked import checked
    from thermal.fields import Range

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
    with ExitStack() as stack:

        def records() -> Any:
            return stack.enter_context(opened(place_of(shop, store, practice)))

        ((name, recorded),) = named_heats([heat], records)
    found = judged(recorded, set_c)
    sure = place_uncertainty(recorded, found, **stated)
    if as_json:
        from dashboard.commands.plan_json import dumps

        budget = {**asdict(sure), "components": [{**asdict(c), "std_k": c.std_k} for c in sure.components]}
        for one in (budget, *budget["components"]):
            one.update({key: None for key, value in one.items() if value == float("inf")})
        click.echo(dumps({"name": name, **asdict(found), "uncertainty": budget}))
        return
    click.echo(_text(name, found, sure, STEADY_WORDS))


def _text(name: str, found: Any, sure: Any, steady_words: str) -> str:
    from calibration.survey import place_words
    from dashboard.units import Units

    lines = [
        f"{name}: {len(found.places)} places, set {found.set_c:g} °C",
        f"steady from {Units.seconds(found.steady_s)} to {Units.seconds(found.end_s)} ({steady_words})",
        f"on the whole {found.mean_off_k:+.1f} K from the setting, swinging by ± {found.swing_k:.1f} K",
        f"means within {found.uniformity_k:.1f} K; at one moment at most {found.spread_k:.1f} K apart",
        "",
        "place                                      mean      off set   swing std  overshoot",
    ]
    for one in sorted(found.places, key=lambda one: -one.mean_c):
        mark = {found.hottest: " hottest", found.coldest: " coldest"}.get(one.column, "")
        row = f"{one.mean_c:7.2f} °C {one.off_k:+7.2f} K {one.std_k:8.2f} K {one.overshoot_k:8.1f} K{mark}"
        lines.append(f"{place_words(one):40s} {row}")
    if found.zone_k:
        zones = ", ".join(f"{zone} {off:+.1f} K" for zone, off in found.zone_k.items())
        lines += ["", f"zones against the mean: {zones}"]
    for opening in found.openings:
        back = (
            "not back by the end" if opening.recovery_s is None else f"back after {Units.seconds(opening.recovery_s)}"
        )
        lines.append(f"door at {Units.seconds(opening.at_s)}: fell by {opening.fall_k:.0f} K, {back}")
    lines += ["", "measurement uncertainty of one place's mean (JCGM 100)"]
    lines += [f"  {one.name:32s} {one.std_k:6.3f} K" for one in sure.components]
    lines += [f"  {'combined':32s} {sure.combined_k:6.3f} K",
              f"  {'expanded, k = ' + format(sure.factor, '.2f'):32s} {sure.expanded_k:6.3f} K"]  # fmt: skip
    return "\n".join(lines)
