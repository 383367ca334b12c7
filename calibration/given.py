"""A heat as its alternatives are fitted to it: up to the pull, with what is believed of it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from calibration import air, times
from calibration.air import Heard
from calibration.evidence import LINES, SETTLED_S, first_passed
from calibration.members import names, solve
from calibration.observed import FACES, Observed
from thermal.case import Case
from thermal.heat import role_of
from thermal.window import Limits

Array = NDArray[np.float64]

#: At this drop over clamp radius a sheet has thinned by a tenth (area stretch 1 + s2).
_THIN = 0.32


@dataclass(frozen=True)
class Given:
    """A heat as alternatives are fitted to it.

    Attributes:
        case, of: as stated; fitted flat where nobody saw the bubble. seen: what is believed of it.
        line_mm: what each drop line stands for. time_s: times at which members are compared with readings, from 0 to
        the end. heard: the measured air at these times. opening_m: the frame's, for what is followed after the fit.
        hangs: whether the bubble was seen.
    """

    case: Case
    of: Limits
    seen: Observed
    line_mm: Mapping[str, float]
    time_s: Array
    heard: Heard | None
    opening_m: tuple[float, ...] | None
    hangs: bool

    @property
    def end_s(self) -> float:
        """The last moment, s."""
        return float(self.time_s[-1])


def given(case: Case, of: Limits, seen: Observed, line_mm: Mapping[str, float], end_s: float) -> Given:
    """A heat up to its end, s, ready to be fitted.

    Args:
        seen: what is believed of it; what came after the end is left out.

    A bubble that nobody saw runs away in some members and not in others, which no regression over them describes. Such
    a heat is fitted flat, with the faces' readings up to where the sheet as stated would have begun to thin.
    """
    known = seen.until(end_s)
    known = replace(known, events=tuple(event for event in known.events if event.time_s < end_s))
    inside = known.time_s >= SETTLED_S
    read = any(np.isfinite(known.columns[name][inside]).any() for name in known.of_role("drop_mm"))
    hangs = read or any(event.name in LINES for event in known.events)
    time_s = times.past(end_s, air.doors_s(known), times.widest_s(end_s, case.drops and hangs))
    if not case.drops or hangs:
        found = air.heard(case, known, time_s, end_s)
        return Given(case, of, known, line_mm, time_s, found, case.opening_m, hangs and case.drops)
    thins_s = _thins_s(case, of, known, time_s)
    columns = {
        name: np.where(known.time_s > thins_s, np.nan, values) if role_of(name) in FACES else values
        for name, values in known.columns.items()
    }
    flat, found = replace(case, opening_m=None), air.heard(case, known, time_s, end_s)
    limits, seen = replace(of, drop_min=None, drop_max=None), replace(known, columns=columns)
    return Given(flat, limits, seen, line_mm, time_s, found, case.opening_m, False)


def _thins_s(case: Case, of: Limits, seen: Observed, time_s: Array) -> float:
    """When the sheet as stated begins to thin, s."""
    found = air.heard(case, seen, time_s, float(time_s[-1]))
    asked = replace(case, openings_s=(0.0, *air.doors_s(seen)))
    members = solve(
        asked, of, None if found is None else [found], np.zeros((len(names(case)), 1)), time_s, float(time_s[-1])
    )  # fmt: skip
    assert members.drop_ratio is not None
    return float(first_passed(time_s, members.drop_ratio, _THIN)[0])
