"""What may have been otherwise in a heat than stated: the causes that a diagnosis tries, each with how often it is met
and how far it usually goes.

A cause of the heating is the same sheet in the same oven with one more unknown (a gauge that may be far off its label)
or one thing exchanged (another polymer, a film left on); a cause of the measuring leaves the heating as it is and
alters what a sensor says of it. How often each occurs, and the spread of its size, are estimates (common practice, no
source): they decide between causes that explain the readings alike, and how much must speak for one before it is told.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from calibration.observed import FACES, Observed
from thermal.case import Case, Film
from thermal.polymer import Polymer

Array = NDArray[np.float64]

#: A sensor's fault is taken to begin at one of these shares of the heat.
_ONSETS = (0.0, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8)
#: How far the walls may be below their steady temperature when a sheet goes in too early, K.
_WALLS_BELOW_K = (15.0, 40.0)
#: A preheat on record leaves no doubt of the walls once it reaches so many of their lags back.
_WALL_LAGS = 2.0
#: A tray that is stated warmer than this may have been cold instead, °C.
_COLD_TRAY_C = 30.0


@dataclass(frozen=True)
class Move:
    """A departure with a wide prior of its own: `names` of `Departures` that move together.

    `std`: of the logarithm for factors, K for shifts. `factor`: which of the two they are.
    """

    names: tuple[str, ...]
    std: float
    factor: bool

    def values(self, normal: Array) -> dict[str, Array]:
        """The departures behind standard normal numbers, (members,)."""
        value = np.exp(self.std * normal) if self.factor else self.std * normal
        return dict.fromkeys(self.names, value)


@dataclass(frozen=True)
class Fault:
    """A sensor that does not say what it is taken to say: 'loose' (reads part of the air) or 'drifting', from when."""

    kind: str
    column: str
    from_s: float


@dataclass(frozen=True)
class Cause:
    """One thing that was otherwise.

    Attributes:
        kind: 'gauge', 'film', 'loose' ... of: what it concerns: 'upper', a column, a polymer's id; '' for the sheet.
        prior: share of all heats in which it is met. The rest says what is altered; only what is named is.
        walls_below_k: how far below their steady state the walls were at the start.
    """

    kind: str
    of: str
    prior: float
    move: Move | None = None
    polymer: Polymer | None = None
    film: tuple[bool, bool] = (False, False)
    tray_start_c: float | None = None
    walls_below_k: float = 0.0
    swapped: tuple[str, str] | None = None
    fault: Fault | None = None

    @property
    def of_sensor(self) -> bool:
        """Whether the heating is as it would be without."""
        return self.swapped is not None or self.fault is not None


@dataclass(frozen=True)
class Alternative:
    """Causes that are tried together; none: nothing unusual."""

    causes: tuple[Cause, ...] = ()

    @property
    def name(self) -> str:
        """'gauge + film upper'."""
        return " + ".join(f"{one.kind} {one.of}".strip() for one in self.causes)

    @property
    def moves(self) -> tuple[Move, ...]:
        """The unknowns that are added."""
        return tuple(one.move for one in self.causes if one.move is not None)

    def departures(self, rows: Array) -> dict[str, Array]:
        """Departures behind the unknowns that are added, (added, members), by name, (members,) each."""
        found: dict[str, Array] = {}
        for move, row in zip(self.moves, rows, strict=True):
            for name, value in move.values(row).items():
                before = found.get(name)
                found[name] = value if before is None else before * value if move.factor else before + value
        return found

    @property
    def log_prior(self) -> float:
        """Logarithm of how often all its causes are met, against a heat without any."""
        return float(sum(np.log(one.prior / (1.0 - one.prior)) for one in self.causes))

    @property
    def walls_below_k(self) -> float:
        """See `Cause`."""
        return max((one.walls_below_k for one in self.causes), default=0.0)

    @property
    def heats_as_usual(self) -> bool:
        """Whether only what is measured is otherwise."""
        return all(one.of_sensor for one in self.causes)

    def case(self, case: Case) -> Case:
        """The case as it would be."""
        for one in self.causes:
            if one.polymer is not None:
                case = replace(case, polymer=one.polymer)
            if any(one.film):
                film = tuple(Film() if new else old for new, old in zip(one.film, case.film, strict=True))
                case = replace(case, film=(film[0], film[1]))
            if one.tray_start_c is not None and case.oven.tray is not None:
                tray = replace(case.oven.tray, start_c=one.tray_start_c)
                case = replace(case, oven=replace(case.oven, tray=tray))
        return case

    def seen(self, seen: Observed) -> Observed:
        """The readings as they would be meant."""
        columns = dict(seen.columns)
        for one in self.causes:
            if one.swapped is not None:
                first, second = one.swapped
                columns[first], columns[second] = columns[second], columns[first]
        return replace(seen, columns=columns)

    def with_(self, other: Alternative) -> Alternative | None:
        """Both together; None where they exclude each other."""
        kinds = {one.kind for one in self.causes}
        if any(one.kind in kinds for one in other.causes):
            return None
        return Alternative((*self.causes, *other.causes))


def alternatives(case: Case, seen: Observed, until_s: float, polymers: Iterable[Polymer] = ()) -> list[Alternative]:
    """Single causes that this sheet, oven and sensors allow.

    Args:
        seen: what is believed of the heat. until_s: its end. polymers: that the sheet might be of instead.
    """
    found = [*_of_sheet(case, polymers), *_of_oven(case, seen), *_of_sensors(seen, until_s)]
    return [Alternative((one,)) for one in found]


def _of_sheet(case: Case, polymers: Iterable[Polymer]) -> list[Cause]:
    faces = (("upper", (True, False)), ("both", (True, True)), ("lower", (False, True)))
    filmed = [(name, film) for name, film in faces if case.support == "frame" or name == "upper"]
    others = [one for one in polymers if one.id != case.polymer.id]
    return [
        Cause("gauge", "", 0.012, Move(("gauge",), 0.12, True)),
        Cause("start", "", 0.008, Move(("start_k",), 12.0, False)),
        *(Cause("film", name, 0.010 / len(filmed), film=film) for name, film in filmed),
        *(Cause("polymer", one.id, 0.008 / len(others), polymer=one) for one in others),
    ]


def _of_oven(case: Case, seen: Observed) -> list[Cause]:
    convective = tuple(
        f"h_{side}" for side in ("upper", "lower") if getattr(case.oven, side).h_w_m2k > 0.0
        if case.support == "frame" or side == "upper"
    )  # fmt: skip
    measured = any(seen.of_role(role) for role in ("air_upper_c", "air_lower_c"))
    found = [Cause("face", name.removeprefix("h_"), 0.006, Move((name,), 0.35, True)) for name in convective]
    if len(convective) == 2:
        found.append(Cause("oven drifted", "", 0.010, Move(convective, 0.25, True)))
    # Measured air that does not fit the sheet is what its sensor says of it, and the walls were taken to follow that.
    # Where the air is not measured the whole oven is off its display, walls and all.
    found.append(
        Cause("air sensor off", "", 0.006, Move(("air_k", "wall_k"), 8.0, False))
        if measured
        else Cause("oven off", "", 0.012, Move(("set_k",), 8.0, False))
    )
    if case.oven.kind == "infrared":
        found.append(Cause("emitters", "", 0.012, Move(("emitter_k",), 40.0, False)))
    if case.support == "tray" and case.oven.tray is not None:
        found.append(Cause("tray contact", "", 0.004, Move(("contact",), 0.8, True)))
        if case.oven.tray.start_c > _COLD_TRAY_C:
            found.append(Cause("tray cold", "", 0.010, tray_start_c=22.0))
    before_s = float(-seen.time_s[0]) if len(seen.time_s) else 0.0
    if measured and not seen.of_role("wall_c") and before_s < _WALL_LAGS * case.oven.wall_lag_s:
        # Steady air that was read before the sheet has let the walls come up since.
        left = float(np.exp(-max(before_s, 0.0) / case.oven.wall_lag_s)) if case.oven.wall_lag_s > 0.0 else 0.0
        found += [Cause("oven not ready", "", 0.010 / 2, walls_below_k=below * left) for below in _WALLS_BELOW_K]
    return found


def _of_sensors(seen: Observed, until_s: float) -> list[Cause]:
    faces = [name for role in FACES for name in seen.of_role(role) if bool(np.isfinite(seen.columns[name]).any())]
    found = []
    for name in faces:
        found += [
            Cause("loose", name, 0.010 / len(faces) / len(_ONSETS), fault=Fault("loose", name, share * until_s))
            for share in _ONSETS
        ]
        found.append(Cause("drifting", name, 0.004 / len(faces), fault=Fault("drifting", name, 0.0)))
    upper, lower = ([name for name in seen.of_role(role) if name in faces][:1] for role in FACES)
    if upper and lower:
        found.append(Cause("swapped", f"{upper[0]} and {lower[0]}", 0.004, swapped=(upper[0], lower[0])))
    return found
