"""An oven under watch as text: how it stands, alarms, charts in characters."""

from __future__ import annotations

import math
from collections.abc import Sequence

from calibration.drift import Watched
from dashboard.commands.termplot import plot
from dashboard.drift_words import NAMES, basis_words, due_words, state_words
from dashboard.oven_drift import OvenWatch

_LEFT_OUT = 8


def all_text(found: Sequence[OvenWatch]) -> str:
    """All ovens, in short."""
    lines = []
    for one in found:
        lines.append(f"{one.card.id}: {state_words(one)}. {due_words(one)}.")
        lines += [f"  {alarm.text}." for alarm in one.drift.alarms]
    return "\n".join(lines)


def drift_text(of: OvenWatch) -> str:
    """One oven."""
    parts = [f"Oven {of.card.id}: {state_words(of)}. {due_words(of)}."]
    parts += ["\n".join(f"  - {one.text}." for one in of.drift.alarms)]
    parts += [" ".join(f"{line}." for line in basis_words(of))]
    parts += [chart_text(one) for one in of.drift.series if len(one.values)]
    left = [f"  - {heat}: {why}." for heat, why in of.left_out[:_LEFT_OUT]]
    if len(of.left_out) > _LEFT_OUT:
        left.append(f"  - and {len(of.left_out) - _LEFT_OUT} more.")
    parts += ["\n".join(["Left out:", *left])] if left else []
    return "\n\n".join(part for part in parts if part)


def chart_text(series: Watched) -> str:
    """A chart in characters: each heat, its moving average and that one's limits, as % off the card."""
    x = list(range(1, len(series.values) + 1))
    title = f"{NAMES[series.what]}, % off the card"
    lines = [("each heat", x, [percent(v) for v in series.values])]
    if series.averages is not None:
        chart = series.averages
        lines += [
            ("moving average", x, [percent(v) for v in chart.points]),
            ("its limits", x, [percent(v) for v in chart.low]),
            ("", x, [percent(v) for v in chart.high]),
        ]
    first, last = series.days[0].isoformat(), series.days[-1].isoformat()
    label = f"heats in order, {first} to {last}"
    picture = plot(lines, height=10, x_label=label, y_label=title) if len(x) > 1 else f"{title}: {lines[0][2][0]:+.1f}"
    return "\n".join([picture, f"{'':6s}last heat: {series.heats[-1]}, {percent(float(series.values[-1])):+.1f} %"])


def percent(log: float) -> float:
    """A logarithm of found over the card's as % off."""
    return 100.0 * (math.exp(log) - 1.0)
