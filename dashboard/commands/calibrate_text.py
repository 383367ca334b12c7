"""A calibration in words and columns. Values are in the units of the oven card."""

from __future__ import annotations

import math
import shutil
import textwrap
from collections.abc import Sequence

from calibration.calibrate import Calibration
from calibration.oven_fit import Value
from dashboard.oven_card_words import NO_REASON
from dashboard.units import Units

_SHOWN_ADVICE = 3
#: Lines are as wide as the terminal, within these.
_NARROWEST, _WIDEST = 60, 110


def calibration_text(
    of: Calibration, notes: Sequence[str], reasons: Sequence[str] | None = None, width: int | None = None
) -> str:
    """All of it: values, how far they can be trusted, the check, what to do next.

    Args:
        reasons: against accepting the card; None: the calibration's own alone. width: characters a line; None: the
        terminal's.
    """
    fit = of.fit
    across = max(_NARROWEST, min(width or shutil.get_terminal_size().columns, _WIDEST))
    head = (
        f"Oven {of.card.id}, from {_count(len(fit.runs), 'heat')}, {fit.readings} readings worth "
        f"{fit.independent:.0f} independent ones"
    )
    ended = (
        f"Fit {fit.status}, {fit.agreeing} of {fit.starts} starts at the same minimum; residuals {fit.misfit:.2f} "
        "times what the sensors' noise explains (1 is as it should be)"
    )
    values = _values(fit.values, fit.order)
    ended = f"{ended}. {_stated(of)}"
    parts = [textwrap.fill(head, across), f"{values}\n{textwrap.fill(_KEY, across)}", textwrap.fill(ended, across)]
    parts += [_block("Set aside", [one.text for one in of.odd], across)]
    parts += [_block("What these heats can tell", [one.text for one in of.findings], across)]
    parts += [_block("Ready, with what oven and polymer leave uncertain (90 %)", [
        f"{one.case.polymer.id} {one.case.gauge_m * 1e3:g} mm at {one.case.set_c:g} °C: {Units.seconds(one.time_s)} "
        f"± {Units.seconds(one.half_width_s(fit.solution.covariance))}" for one in of.ready
    ], across)]  # fmt: skip
    parts += [_block("Each heat predicted from the others", [_check(one) for one in of.checks], across)]
    parts += [_block("Next heat, the one that would help most first", [
        f"{one.words}: ready times from ± {_seconds(one.now_s)} to ± {_seconds(one.then_s)}"
        for one in of.advice[:_SHOWN_ADVICE]
    ], across)]  # fmt: skip
    parts += [_block("Residuals that do not look like noise", _residuals(of), across)]
    parts += [_block("Notes", list(notes), across)]
    accept = (of.doubts if reasons is None else reasons) or (NO_REASON,)
    parts += [_block("Before you accept it", list(accept), across)]
    return "\n\n".join(part for part in parts if part)


_PRIORS = {
    "card": "the card's stated uncertainty",
    "usual": "usual spreads about the card's values",
    "none": "nothing, the heats alone decide",
}


def _stated(of: Calibration) -> str:
    """What was free, fixed and tied, and what counted as known."""
    free = sum(one.kind == "oven" and not one.fixed for one in of.fit.values)
    fixed = [one.name for one in of.fit.values if one.kind == "oven" and one.fixed]
    tied = [f"both faces' {name}" for name in sorted(of.fit.settings.tied)]
    sought = "; the polymer's conductivity and heat capacity sought" if of.fit.settings.seek_polymer else ""
    return (
        f"Of the oven {free} values free, fixed: {', '.join(fixed) or 'none'}, tied: {', '.join(tied) or 'none'}"
        f"{sought}; known of it before: {_PRIORS[of.prior]}"
    )


def _count(number: int, word: str) -> str:
    return f"{number} {word}{'' if number == 1 else 's'}"


def _block(title: str, lines: list[str], across: int) -> str:
    wrapped = (textwrap.wrap(f"{one}.", across, initial_indent="  - ", subsequent_indent="    ") for one in lines)
    return "\n".join([f"{title}:", *(line for one in wrapped for line in one)]) if lines else ""


def _values(values: Sequence[Value], sought: Sequence[str]) -> str:
    rows = [("value", "was", "found", "90 % interval", "learned")]
    for one in values:
        if one.kind == "oven" or one.name in sought:
            rows.append((
                one.name,
                f"{one.stated:.4g}",
                f"{one.value:.4g}" + (" (fixed)" if one.fixed else ""),
                "" if one.fixed else f"{_plain(one.interval[0])} to {_plain(one.interval[1])}",
                "" if one.fixed else f"{100.0 * one.learned:.0f} %",
            ))  # fmt: skip
    widths = [max(len(row[i]) for row in rows) for i in range(5)]
    lines = ["  ".join(word.ljust(width) for word, width in zip(row, widths, strict=True)).rstrip() for row in rows]
    return "\n".join(lines)


_KEY = "(wall.offset_k against the air; learned: share of the variance that the heats took away)"


def _plain(value: float) -> str:
    return f"{value:.4g}" if math.isfinite(value) else "anything"


def _seconds(value: float) -> str:
    return Units.seconds(value) if math.isfinite(value) else "anything"


def _check(one: object) -> str:
    from calibration.held_out import HeldOut

    assert isinstance(one, HeldOut)
    if not math.isfinite(one.predicted_s):
        return (
            f"{one.name}: core measured at {one.level_c:.0f} °C after {Units.seconds(one.measured_s)}, predicted never"
        )
    low, high = (_seconds(t) for t in one.interval_s)
    verdict = "held by" if one.held else "OUTSIDE"
    return (
        f"{one.name}: core at {one.level_c:.0f} °C after {Units.seconds(one.measured_s)}, predicted "
        f"{Units.seconds(one.predicted_s)} ({100.0 * one.error:+.1f} %), {verdict} the interval {low} to {high}"
    )


def _residuals(of: Calibration) -> list[str]:
    found = []
    for one in of.fit.columns:
        tests = one.tests
        if tests is None:
            continue
        said = []
        if tests.runs_p < 0.01:
            said.append(f"{tests.runs} runs of one sign in {tests.count}")
        if tests.lags_p < 0.01:
            said.append(f"neighbours correlated {tests.lag_1:+.2f}")
        if tests.normal_p < 0.01:
            said.append("outliers or skew")
        if said:
            found.append(f"{of.fit.runs[one.run].name}, {one.column}: {', '.join(said)}")
    return found
