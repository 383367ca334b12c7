"""Trends in a technician's words, and as tables."""

from __future__ import annotations

import datetime

from calibration.logistic import FEWEST
from dashboard.review_words import percent
from dashboard.trends import Charts, Kind, Margins, Trends, Yield
from dashboard.units import Units
from logger.heat_export import utc_of

#: Names of the tables, as a command and a page ask for them.
TABLES = ("oven", "polymer", "gauge", "operator", "kinds", "margins", "chart", "weeks")
Cell = str | int | float | None
Table = tuple[tuple[str, ...], list[tuple[Cell, ...]]]
NOT_COUNTED = (
    "Accepted is good, failed and discarded are not. Heats without an outcome, or with other words, count in neither."
)


def grouped(count: int) -> str:
    """'100 000'."""
    return f"{count:,}".replace(",", " ")


def share_words(one: Yield) -> str:
    """'94 % (88 to 97 %)'."""
    if one.share is None:
        return "no outcome yet"
    return f"{percent(one.share)} ({100.0 * one.low:.0f} to {100.0 * one.high:.0f} %)"


def kind_words(one: Kind) -> str:
    """'bridging: 12, 40 % of failures, 70 % up to here'."""
    return f"{one.kind}: {one.count}, {percent(one.share)} of failures, {100.0 * one.together:.0f} % up to here"


def margin_words(of: Margins, units: Units) -> list[str]:
    """Whether a cold core costs parts here: sentences without their full stops."""
    heats = f"{grouped(len(of.good))} good and {grouped(len(of.bad))} failed parts whose heat was reviewed"
    lines = [_fit_words(of, units, heats)]
    if len(of.good) or len(of.bad):
        lines.append(
            f"Each margin is itself known to about {units.difference(of.typical_k)} either way, which makes the curve "
            "flatter than it is"
        )
    if of.unreviewed:
        one = of.unreviewed == 1
        heats = "heat with an outcome is" if one else "heats with an outcome are"
        lines.append(f"{grouped(of.unreviewed)} {heats} not reviewed yet: 'pullcue trends --review' does it")
    return lines


def _fit_words(of: Margins, units: Units, heats: str) -> str:
    if of.why == "few":
        return f"No curve is fitted: {heats}; at least {FEWEST} of each are needed"
    if of.why == "separated":
        return f"No curve is fitted: {heats}; one margin parts them without overlap, so how steep it is cannot be told"
    if of.why == "alike" or of.fit is None:
        return f"No curve is fitted: {heats}, all with the same margin"
    step_k = 5.0 if units.system == "metric" else 10.0 / 1.8
    ratio, low, high = (of.fit.odds_ratio[at] ** -step_k for at in (0, 2, 1))
    step = f"Each {units.difference(step_k)} less margin"
    told = f"multiplies the odds of a failure by {_factor(ratio)} (95 %: {_factor(low)} to {_factor(high)})"
    if low > 1.0:
        return f"A colder core costs parts here. {step} {told}; {heats}"
    if high < 1.0:
        return f"Here a hotter core costs parts. {step} {told}; {heats}"
    return f"That a colder core costs parts cannot be shown here. {step} {told}, which may be chance; {heats}"


def _factor(value: float) -> str:
    """'0.997', '1.04', '12', '0.0031': a factor near one shows on which side it is."""
    if value < 0.001:
        return "less than 0.001"
    return f"{value:.3g}" if value < 10.0 else f"{float(f'{value:.2g}'):.0f}" if value < 1000.0 else "more than 1000"


def chart_words(of: Charts) -> list[str]:
    """What the control charts say."""
    lines = []
    if of.each is None or of.average is None:
        lines.append(f"Margin: {grouped(len(of.margin_k))} reviewed heats, too few for limits")
    else:
        out = int(of.each.beyond.sum())
        last = "; the average of the last heats is beyond its limits" if bool(of.average.beyond[-1]) else ""
        lines.append(f"Margin: {grouped(out)} of {grouped(len(of.margin_k))} heats beyond the limits{last}")
    if of.failures is None:
        lines.append("Failures in four weeks: too few heats with an outcome, or stretches of time, for limits")
    else:
        out = int(of.failures.beyond.sum())
        usual = percent(of.failures.centre)
        lines.append(f"Failures in four weeks: usually {usual}; {out} of {len(of.counted)} stretches beyond the limits")
    return lines


# ---------------------------------------------------------------- tables


def table_of(of: Trends, name: str) -> Table:
    """A table by its name of `TABLES`: heads with units, rows of plain numbers and texts."""
    if name == "kinds":
        rows: list[tuple[Cell, ...]] = [(k.kind, k.count, round(k.share, 4), round(k.together, 4)) for k in of.kinds]
        return ("kind", "count", "share", "share_up_to_here"), rows
    if name == "margins":
        pairs = [
            (n, round(k, 2), word)
            for word, these in (("good", of.margins.good), ("failed", of.margins.bad))
            for n, k in zip(these.heats.tolist(), these.margin_k.tolist(), strict=True)
        ]
        return ("heat", "core_above_least_k", "outcome"), sorted(pairs)
    if name == "chart":
        return ("heat", "core_above_least_k", "low_limit_k", "high_limit_k", "average_k", "average_low_k",
                "average_high_k", "beyond"), _chart_rows(of.charts)  # fmt: skip
    if name == "weeks":
        begins = [day_of(ms).isoformat() for ms in of.charts.begins_ms]
        return ("four_weeks_from", "failed", "counted"), list(
            zip(begins, of.charts.failed, of.charts.counted, strict=True)
        )
    of_name = {"oven": of.by_oven, "polymer": of.by_polymer, "gauge": of.by_gauge, "operator": of.by_operator or ()}[
        name
    ]
    heads = (name, "good", "failed", "without_outcome", "share_good", "low_95", "high_95")
    return heads, [
        (
            y.value,
            y.good,
            y.bad,
            y.unknown,
            None if y.share is None else round(y.share, 4),
            round(y.low, 4),
            round(y.high, 4),
        )
        for y in of_name
    ]


def _chart_rows(of: Charts) -> list[tuple[Cell, ...]]:
    """Each reviewed heat in its order; limits are empty where there are too few heats for them."""
    margins = [round(float(k), 2) for k in of.margin_k]
    if of.each is None or of.average is None:
        return [(heat, k, *(None,) * 6) for heat, k in zip(of.heats, margins, strict=True)]
    columns = [of.each.low, of.each.high, of.average.points, of.average.low, of.average.high]
    rows = zip(*([round(float(v), 2) for v in one] for one in columns), strict=True)
    beyond = ["yes" if out else "no" for out in of.each.beyond]
    return [(heat, k, *row, out) for heat, k, row, out in zip(of.heats, margins, rows, beyond, strict=True)]


def day_of(utc_ms: int) -> datetime.date:
    """The day of a moment, UTC."""
    return utc_of(utc_ms).date()
