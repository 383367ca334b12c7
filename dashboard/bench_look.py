"""What one bench is at one moment, as whoever shows it is told: values only."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from dashboard.follower import Followed, Told
from dashboard.heat_curve import Curve
from dashboard.pull_score import Score, Truth
from logger.records import HeatForm, HeatRecord, Mark


@dataclass(frozen=True)
class Second:
    """What a recorder hands on once a second.

    Attributes:
        at_s: of the run. values: readings that are believed, by column of a heat file. troubles: columns whose reading
        is none, with its state in words. remarks: columns with what is doubted of a reading, or what to do where none
        is. heat: that is open. marks: in force, of the whole run. form: of the heats that begin from now on. words:
        whether a heat is open and all goes into the store, and what the lines to the sources are like. unsaved: why
        something is in memory only; '' where nothing is. links: sources that do not run, in words. read_s: of the
        bench's clock, when the newest reading came; when the second was taken, where none came within the second
        before it: that a bench is silent is said apart. cut_off_s: how long ago the sheet of a heat went in that was
        going on as Pullcue stopped, s; None without one.
    """

    at_s: float
    values: Mapping[str, float]
    troubles: tuple[tuple[str, str], ...]
    heat: HeatRecord | None
    marks: tuple[Mark, ...]
    form: HeatForm
    words: tuple[str, ...] = ()
    unsaved: str = ""
    links: tuple[str, ...] = ()
    read_s: float = 0.0
    remarks: tuple[tuple[str, str], ...] = ()
    cut_off_s: float | None = None


@dataclass(frozen=True)
class Look:
    """One bench at one moment.

    Attributes:
        at_s: of the run. heat: the one that is shown: open, or the last one that was pulled. open: whether it goes on.
        told: None without a heat. followed: None where the sheet is not known. measured: readings now, by column.
        troubles, remarks: as of a `Second`, of columns that have had them for a moment.
        silent_s: how long nothing was measured, s; None: never anything.
        marks: of the heat, in force. curve: of the heat. notes: what was taken because nothing stated it.
        score, truth: of a practice pull, once the sheet is out.
        read_s: of the bench's clock, when the newest reading came that is used. cut_off_s: as of a `Second`.
        failure: why nothing can be told of any heat here any more; None: all goes on.
    """

    bench: str
    oven: str
    at_s: float = 0.0
    heat: HeatRecord | None = None
    open: bool = False
    told: Told | None = None
    followed: Followed | None = None
    measured: Mapping[str, float] = field(default_factory=dict)
    troubles: tuple[tuple[str, str], ...] = ()
    remarks: tuple[tuple[str, str], ...] = ()
    silent_s: float | None = None
    marks: tuple[Mark, ...] = ()
    curve: Curve | None = None
    form: HeatForm = field(default_factory=HeatForm)
    words: tuple[str, ...] = ()
    unsaved: str = ""
    links: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    score: Score | None = None
    truth: Truth | None = None
    read_s: float = 0.0
    cut_off_s: float | None = None
    failure: str | None = None

    @property
    def time_s(self) -> float | None:
        """How long ago the sheet of the heat that is shown went in, s; None without one."""
        return None if self.heat is None else self.at_s - self.heat.start_s
