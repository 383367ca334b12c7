"""A plan for the terminal: the answer first, then why, settings, curve, advice, cautions."""

from __future__ import annotations

import shutil
import textwrap
from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING

import click

from dashboard.commands.termplot import plot
from dashboard.plan_advice import cautions, changes, practice
from dashboard.plan_measured import recorded_words
from dashboard.plan_settings import settings, watch_words, why
from dashboard.plan_words import (
    Row,
    answer,
    note_words,
    subject,
)
from dashboard.units import Units
from thermal.plan import Plan
from thermal.window import CORE

if TYPE_CHECKING:
    from thermal.measured import Recorded

#: Lines longer than this are hard to read, characters.
WIDEST = 96
_NARROWEST = 40
_LABEL = 13
#: Values up to this long make a column of the answer, characters.
_SHORT = 9
#: Faces nearer to each other than this over the whole heat are drawn as one, K.
_ALIKE_K = 3.0


def plan_text(
    plan: Plan,
    units: Units,
    recorded: Recorded | None = None,
    notes: Sequence[str] = (),
    source: str = "",
    width: int | None = None,
    encoding: str | None = None,
) -> str:
    """The whole text, styled with bold for the answer only (`click.echo` takes it out where it does not show).

    Args:
        recorded: a recorded heat beside the model. notes: assumptions besides the plan's own.
        source: where the oven's data come from, where that needs saying (the demo shop).
        width: characters a line; None: the terminal's. encoding: of the output, for the plot.
    """
    across = max(_NARROWEST, min(width or shutil.get_terminal_size().columns, WIDEST))
    advised = practice(plan, units)
    parts = [_answer(answer(plan, units), across)]
    what_else = changes(plan, units)
    if plan.opens.time_s is None:
        parts.append(listed("What would make one", what_else, across))
    else:
        advised = [*what_else, *advised]
    parts += [
        paragraph(watch_words(plan, units), across),
        paragraph(f"{subject(plan, units)}. Times in min:s from the sheet going in.{source and f' {source}'}", across),
        ""
        if recorded is None
        else listed("Recorded heat beside the model", recorded_words(recorded, plan, units), across),
        table("Why", why(plan, units), across),
        table("Settings", settings(plan, units), across),
        _curve(plan, units, across, encoding),
        listed("Advice", advised, across),
        listed("Cautions", cautions(plan, units), across),
        listed("Taken for granted", [*(note_words(note, units) for note in plan.notes), *notes], across),
    ]
    return "\n\n".join(part for part in parts if part)


# ---------------------------------------------------------------- what stands in it


def _answer(rows: Sequence[Row], width: int) -> str:
    """Label and value in bold, the detail plain beside it, or below it where there is no room."""
    label = max(len(row.label) for row in rows) + 2
    value = max((len(row.value) for row in rows if len(row.value) <= _SHORT), default=0) + 2
    lines = []
    for row in rows:
        head = textwrap.wrap(row.value, width - label)
        first = f"{row.label:<{label}}{head[0]}"
        beside = f"{first:<{label + value}}"
        if len(head) == 1 and len(first) < len(beside) and len(beside) + len(row.detail) <= width:
            lines.append((click.style(first, bold=True) + beside[len(first) :] + row.detail).rstrip())
            continue
        lines += [click.style(line, bold=True) for line in (first, *(" " * label + more for more in head[1:]))]
        lines += [" " * label + more for more in textwrap.wrap(row.detail, width - label)]
    return "\n".join(lines)


def _curve(plan: Plan, units: Units, width: int, encoding: str | None) -> str:
    curve = plan.curve
    minutes = (curve.time_s / 60.0).tolist()

    def shown(values: Iterable[float]) -> list[float]:
        return [units.temperature_value(float(value)) for value in values]

    alike = float(abs(curve.face_upper_c - curve.face_lower_c).max()) < _ALIKE_K
    series = [("core", minutes, shown(curve.core_c))]
    series.append(("faces" if alike else "upper face", minutes, shown(curve.face_upper_c)))
    series.append(("air", minutes, shown(curve.air_c)))
    if not alike:
        series.append(("lower face", minutes, shown(curve.face_lower_c)))
    return plot(
        series,
        width=min(width, 76),
        height=12,
        x_label="min",
        y_label=units.temperature_unit,
        marks=_marks(plan),
        encoding=encoding,
    )


def _marks(plan: Plan) -> list[tuple[float, str]]:
    if plan.opens.time_s is None:
        named = [(plan.ready_s, "core ready" if plan.opens.limit == CORE else "ready"), (plan.spoilt_s, "spoilt")]
    else:
        pull = plan.target.time_s if plan.target else None
        named = [(plan.opens.time_s, "opens"), (pull, "pull"), (plan.closes.time_s, "closes")]
    return [(time / 60.0, word) for time, word in named if time is not None]


# ---------------------------------------------------------------- how it is laid out


def paragraph(text: str, width: int) -> str:
    """A text in lines of a width, characters."""
    return "\n".join(textwrap.wrap(text, width))


def table(heading: str, rows: Sequence[tuple[str, str]], width: int) -> str:
    """A heading and rows of a label and words; '' without rows."""
    lines = [heading]
    for label, words in rows:
        first, rest = f"  {label:<{_LABEL}} ", " " * (_LABEL + 3)
        lines += textwrap.wrap(words, width, initial_indent=first, subsequent_indent=rest)
    return "\n".join(lines) if rows else ""


def listed(heading: str, sentences: Sequence[str], width: int) -> str:
    """A heading and sentences, each after a dash; '' without any."""
    if not sentences:
        return ""
    wrapped = (textwrap.wrap(one, width, initial_indent="  - ", subsequent_indent="    ") for one in sentences)
    return "\n".join([heading, *(line for lines in wrapped for line in lines)])
