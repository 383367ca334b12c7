"""What many heats say: yield, kinds of failure, and whether a cold core costs parts; values in, values out.

A heat counts by its outcome: accepted is good, failed and discarded are not; other words, and none, are told apart and
counted in neither.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from calibration.control_chart import Base, Chart, base_of, ewma, individuals, moving_ranges
from calibration.logistic import Logistic, Refusal, logistic, refusal
from calibration.shares import share_chart, wilson
from dashboard.failures import failure_of

if TYPE_CHECKING:
    from logger.records import HeatFilter
    from logger.review_rows import MarginColumns, Tally
    from logger.store import Store

Array = NDArray[np.float64]

GOOD, BAD = ("accepted", "good"), ("failed", "discarded")
NOT_STATED, OTHER = "not stated", "other words"
#: The base of the margin's chart: so many of the first heats.
_BASE = 25


@dataclass(frozen=True)
class Yield:
    """Good parts of one oven, polymer, ... : `value` as stated; share with its 95 % interval; None without outcomes."""

    value: str
    good: int
    bad: int
    unknown: int
    share: float | None
    low: float
    high: float


@dataclass(frozen=True)
class Kind:
    """A kind of failure: how often, and the share of all failures up to and with it."""

    kind: str
    count: int
    share: float
    together: float


@dataclass(frozen=True)
class Parts:
    """Parts of one outcome: their heats' numbers and margins, K, (n,) each."""

    heats: NDArray[np.int64]
    margin_k: Array

    def __len__(self) -> int:
        return len(self.heats)


@dataclass(frozen=True)
class Margins:
    """The core's margin at the pull against the outcome.

    Attributes:
        good, bad: accepted parts, and failed or discarded ones. typical_k: median half width of a margin's 90 %
        interval. fit: of failing; None: why says why there is none. unreviewed: heats with an outcome that no review
        looked at.
    """

    good: Parts
    bad: Parts
    typical_k: float
    fit: Logistic | None
    why: Refusal | None
    unreviewed: int


@dataclass(frozen=True)
class Charts:
    """Control charts: of margins in the order of heats (each heat, average, step), None: too few; of failures by
    stretches of four weeks, None: too few.
    """

    heats: tuple[int, ...]
    margin_k: Array
    base: Base | None
    each: Chart | None
    average: Chart | None
    step: Chart | None
    begins_ms: tuple[int, ...]
    failed: tuple[int, ...]
    counted: tuple[int, ...]
    failures: Chart | None


@dataclass(frozen=True)
class Trends:
    """All of it; `by_operator` None: the shop has not turned it on."""

    by_oven: tuple[Yield, ...]
    by_polymer: tuple[Yield, ...]
    by_gauge: tuple[Yield, ...]
    by_operator: tuple[Yield, ...] | None
    kinds: tuple[Kind, ...]
    margins: Margins
    charts: Charts
    heats: int


def trends(store: Store, wanted: HeatFilter, version: int, operators: bool) -> Trends:
    """Trends over the heats of a filter.

    Args:
        version: of reviews that count. operators: whether the shop counts by operator.
    """
    tallies = store.tallies(wanted)
    ovens = tallies["oven"]
    margins = store.margins(wanted, version)
    with_outcome = sum(one.count for one in ovens if one.outcome in (*GOOD, *BAD))
    return Trends(
        by_oven=yields(ovens),
        by_polymer=yields(tallies["polymer"]),
        by_gauge=yields(tallies["gauge_mm"]),
        by_operator=yields(tallies["initials"]) if operators else None,
        kinds=kinds(tallies["outcome_kind"]),
        margins=margins_of(margins, with_outcome),
        charts=charts(margins, tallies["period"]),
        heats=sum(one.count for one in ovens),
    )


def yields(tallies: Iterable[Tally]) -> tuple[Yield, ...]:
    """Good parts of each value, that with the most heats first."""
    counts: dict[str, list[int]] = {}
    for one in tallies:
        name = NOT_STATED if one.value is None else f"{one.value:g} mm" if isinstance(one.value, float) else one.value
        place = 0 if one.outcome in GOOD else 1 if one.outcome in BAD else 2
        counts.setdefault(str(name), [0, 0, 0])[place] += one.count
    found = [_yield(name, *three) for name, three in counts.items()]
    return tuple(sorted(found, key=lambda one: (-(one.good + one.bad + one.unknown), one.value)))


def _yield(name: str, good: int, bad: int, unknown: int) -> Yield:
    low, high = wilson(good, good + bad)
    share = good / (good + bad) if good + bad else None
    return Yield(name, good, bad, unknown, share, low, high)


def kinds(tallies: Iterable[Tally]) -> tuple[Kind, ...]:
    """Kinds of failure of the parts that were not good, the most frequent first (Pareto's order).

    A kind of the trade counts by its name, whatever words follow it; other words together.
    """
    counts: dict[str, int] = {}
    for one in tallies:
        if one.outcome in BAD:
            known = failure_of(str(one.value)) if one.value else None
            name = NOT_STATED if not one.value else OTHER if known is None else known.kind
            counts[name] = counts.get(name, 0) + one.count
    total = sum(counts.values())
    found, before = [], 0
    for name, count in sorted(counts.items(), key=lambda pair: (-pair[1], pair[0])):
        before += count
        found.append(Kind(name, count, count / total, before / total))
    return tuple(found)


def margins_of(margins: MarginColumns, with_outcome: int) -> Margins:
    """Whether parts whose core was colder at the pull fail more often."""
    side = dict.fromkeys(GOOD, 1) | dict.fromkeys(BAD, 2)
    sides = np.array([side.get(word or "", 0) for word in margins.outcomes], dtype=np.int64)
    numbers = np.array(margins.numbers, dtype=np.int64)
    good, bad = (Parts(numbers[sides == one], margins.above_k[sides == one]) for one in (1, 2))
    x = np.concatenate([good.margin_k, bad.margin_k])
    failed = np.arange(len(x)) >= len(good)
    why = refusal(x, failed)
    halves = margins.half_k[sides > 0]
    return Margins(
        good=good,
        bad=bad,
        typical_k=float(np.median(halves)) if len(halves) else 0.0,
        fit=logistic(x, failed) if why is None else None,
        why=why,
        unreviewed=max(0, with_outcome - len(x)),
    )


def charts(margins: MarginColumns, periods: Sequence[Tally]) -> Charts:
    """Control charts of the margin, whose base are the first heats, and of the failures."""
    values = margins.above_k
    base = base_of(values[:_BASE])
    failed, counted = _by_period(periods)
    begins = sorted(counted)
    bad, all_ = ([one[begin] for begin in begins] for one in (failed, counted))
    return Charts(
        heats=margins.numbers,
        margin_k=values,
        base=base,
        each=None if base is None else individuals(values, base),
        average=None if base is None else ewma(values, base),
        step=None if base is None else moving_ranges(values, base),
        begins_ms=tuple(begins),
        failed=tuple(bad),
        counted=tuple(all_),
        failures=share_chart(np.array(bad, dtype=np.int64), np.array(all_, dtype=np.int64)),
    )


def _by_period(periods: Sequence[Tally]) -> tuple[Counter[int], Counter[int]]:
    """Failed parts and all with an outcome, by when their stretch begins, ms."""
    failed, counted = Counter[int](), Counter[int]()
    for one in periods:
        if one.value is not None and one.outcome in (*GOOD, *BAD):
            counted[int(one.value)] += one.count
            failed[int(one.value)] += one.count if one.outcome in BAD else 0
    return failed, counted
