"""What is known about a heat at one moment: values only."""

from __future__ import annotations

from dataclasses import dataclass

from thermal.notes import Note


@dataclass(frozen=True)
class Spread:
    """A quantity with its uncertainty: median and 5 to 95 %."""

    middle: float
    low: float
    high: float


@dataclass(frozen=True)
class Moment:
    """When something happens: median and 5 to 95 %, s since the sheet went in; None: never, as far as is known.

    `share` is the probability that it happens at all within what was followed.
    """

    middle: float | None
    low: float | None
    high: float | None
    share: float


@dataclass(frozen=True)
class Answer:
    """What evidence of some kind says about a moment.

    Attributes:
        core_c: coldest point; upper_c, lower_c: faces. drop_mm: None where it is not predicted.
        least_c: what the coldest point must have to be formed, as far as it is known of this sheet.
        above_k: coldest point above that least. surely_k: the same with all but the accepted risk.
        p_core: probability that the coldest point has its least temperature. p_drop: that the wanted drop is reached,
        one where none is wanted. p_spoilt: that a maximum is broken. p_ready: of the first two and not the third.
        opens, closes: the window. closes_by: the limit that most likely closes it.
    """

    core_c: Spread
    upper_c: Spread
    lower_c: Spread
    drop_mm: Spread | None
    least_c: Spread
    above_k: Spread
    surely_k: float
    p_core: float
    p_drop: float
    p_spoilt: float
    p_ready: float
    opens: Moment
    closes: Moment
    closes_by: str | None


@dataclass(frozen=True)
class Estimate(Answer):
    """A heat at one moment, from all evidence.

    Attributes:
        time_s: since the sheet went in. drop_measured_mm: the last believed reading; None without a recent one.
        drop_wanted_mm: None where none is wanted.
        thermal: without the drop and the bubble's marks; None where they were not used.
        misfit: how far the evidence lies from the model, about one where the heat is explained; None without evidence.
        used, set_aside: columns and marks that count, and that do not with the reason.
        notes: what the technician should know, most important first. alarms: what a hand should see to at once.
    """

    time_s: float
    drop_measured_mm: float | None
    drop_wanted_mm: float | None
    thermal: Answer | None
    misfit: float | None
    used: tuple[str, ...]
    set_aside: tuple[tuple[str, str], ...]
    notes: tuple[Note, ...]
    alarms: tuple[Note, ...] = ()
