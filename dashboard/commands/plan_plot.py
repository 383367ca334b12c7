"""A plan's picture as a file: a page by plotly, a picture by matplotlib."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from dashboard.plan_drawing import picture_of
from dashboard.units import Units
from thermal.fields import InputError
from thermal.plan import Plan

if TYPE_CHECKING:
    from thermal.measured import Recorded

ENDINGS = (".html", ".png", ".svg")


def check_name(path: Path) -> None:
    """Refuse a name that says no kind of file, before anything is computed.

    Raises:
        InputError: no name, or an ending other than .html, .png or .svg.
    """
    if not path.name:
        raise InputError("--plot names no file: expected a name that ends in .html, .png or .svg")
    if path.suffix.lower() not in ENDINGS:
        raise InputError(f"--plot {path}: expected a name that ends in .html, .png or .svg")


def to_file(
    plan: Plan,
    units: Units,
    path: Path,
    recorded: Recorded | None = None,
    notes: Sequence[str] = (),
) -> None:
    """Write the picture to a file, its kind by its ending; `notes` are assumptions besides the plan's own.

    Raises:
        InputError: another ending than .html, .png or .svg.
        OSError: the file cannot be written.
    """
    check_name(path)
    picture = picture_of(plan, units, recorded, notes)
    if path.suffix.lower() == ".html":
        from dashboard.commands.plan_page import write_page

        write_page(picture, path)
    else:
        from dashboard.commands.plan_picture import write_picture

        write_picture(picture, path)
