"""What to take for a mold, for the terminal."""

from __future__ import annotations

import shutil
import textwrap

import click

from dashboard.commands.plan_text import WIDEST, listed, paragraph, table
from dashboard.making import Making
from dashboard.making_words import (
    SECTOR_SAID,
    against,
    cautions,
    headline,
    line_rows,
    sector_rows,
    take_rows,
    wall_rows,
    warnings,
)
from dashboard.units import Units


def choose_text(made: Making, units: Units, notes: list[str], width: int | None = None) -> str:
    """The whole text; `width` in characters, None: the terminal's."""
    across = max(40, min(width or shutil.get_terminal_size().columns, WIDEST))
    head, why = headline(made, units)
    mold = made.choice.mold
    level, girth = mold.widest
    subject = (
        f"Mold {made.mold.name}: {units.length(mold.length_m)} long, widest {units.length(girth)} around at "
        f"{units.length(level)} from its distal end. Levels count from there."
    )
    parts = [
        "\n".join(click.style(line, bold=True) for line in textwrap.wrap(head, across)),
        paragraph(f"{why}.", across),
        paragraph(subject, across),
        table("Take", take_rows(made, units), across),
        table("Wall by level", wall_rows(made, units), across),
        _sectors(made, units, across),
        table("Heat to demolding", line_rows(made, units), across),
        listed("Mind", warnings(made, units), across),
        listed("What stands against", against(made, units), across),
        listed("Cautions", cautions(), across),
        listed("Taken for granted", [*made.mold.notes, *notes], across),
    ]
    return "\n\n".join(part for part in parts if part)


def _sectors(made: Making, units: Units, across: int) -> str:
    """The wall of a mesh by sector, and how it is meant."""
    rows = sector_rows(made, units)
    return f"{table('Wall by sector', rows, across)}\n{paragraph(f'{SECTOR_SAID}.', across)}" if rows else ""
