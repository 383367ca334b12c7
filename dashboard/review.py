"""The review of one heat: what is known, its diagnosis, its walls, put together as values; no screen, no clock."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from calibration.diagnosis import Around, Diagnosis, diagnose, explanations
from calibration.doubt import believed, set_aside
from calibration.given import Given, given
from calibration.observed import Observed, observed
from calibration.reconstruction import profile_at_pull
from dashboard.after_pull import on_mold_s, pulled_s
from dashboard.commands.watch_inputs import lines_of_head
from dashboard.plan_question import DEFAULT_START_C
from dashboard.wall_compare import Compared
from logger.heat_export import StoredHeat
from thermal.carries import carry_of
from thermal.carry import Carry
from thermal.case import Case
from thermal.fields import InputError
from thermal.heat import Heat
from thermal.measured import recorded_preheat, taken_out_s
from thermal.oven import OvenCard
from thermal.plan import limits_of
from thermal.polymer import Polymer
from thermal.preheat import Preheat
from thermal.window import Limits

#: A heat without a pull is reviewed up to its last reading, but no shorter than this, s.
_SHORTEST_S = 30.0


@dataclass(frozen=True)
class Review:
    """A reviewed heat.

    Attributes:
        name: 'heat 12', or its file's. heat, case, of: as recorded and stated. stored: of the records; None for a file.
        pulled: whether the pull is on record. carry: from the pull; carried_s: to the mold, None: not marked.
        preheat: None: not recorded. walls: beside earlier parts. failed_how: in the words of its outcome.
        notes: what was taken because nothing stated it, and what the review cannot tell.
    """

    name: str
    heat: Heat
    case: Case
    of: Limits
    diagnosis: Diagnosis
    pulled: bool
    carry: Carry
    carried_s: float | None
    preheat: Preheat | None
    stored: StoredHeat | None = None
    walls: tuple[Compared, ...] = ()
    failed_how: str | None = None
    notes: tuple[str, ...] = ()

    @property
    def left_s(self) -> float | None:
        """For how long the sheet was still formable on reaching the mold, s, negative: no more; None: not known."""
        if self.carried_s is None or self.carry.formable_s is None:
            return None
        return self.carry.formable_s - self.carried_s


def case_of(heat: Heat, card: OvenCard, polymer: Polymer, name: str) -> tuple[Case, list[str]]:
    """The sheet of a heat in the oven of a card, and what was taken because the heat does not state it.

    Raises:
        InputError: no gauge is stated.
    """
    if heat.gauge_m is None:
        raise InputError(f"{name} does not state gauge_mm: expected it in its head; add or correct it and try again")
    notes = []
    if heat.set_c is None:
        notes.append(f"Set temperature not stated: taken {card.set_c:g} °C, the card's")
    if heat.start_c is None:
        notes.append(f"Start temperature of the sheet not stated: taken {DEFAULT_START_C:g} °C")
    if heat.oven is not None and heat.oven != card.id:
        notes.append(f"Heated in oven {heat.oven}, reviewed with the card of {card.id}")
    support = heat.support or "frame"
    case = Case(
        polymer=polymer,
        gauge_m=heat.gauge_m,
        oven=card,
        set_c=card.set_c if heat.set_c is None else heat.set_c,
        start_c=DEFAULT_START_C if heat.start_c is None else heat.start_c,
        support=support,
        opening_m=heat.opening_m if support == "frame" else None,
        colour="natural" if heat.colour in (None, "natural") else "pigmented",
    )
    return case, notes


def review(
    name: str, heat: Heat, case: Case, polymers: Sequence[Polymer], room_c: float, notes: Sequence[str] = ()
) -> Review:
    """Review a heat.

    Args:
        case: of `case_of`. polymers: that the sheet might be of instead. room_c: for the carry, °C.

    Raises:
        InputError: the record ends before anything can be said, or cannot be computed with.
    """
    try:
        return _reviewed(name, heat, case, polymers, room_c, notes)
    except (ArithmeticError, np.linalg.LinAlgError) as error:
        raise InputError(
            f"{name}: what was measured cannot be computed with ({error}): expected readings of a sheet in this oven; "
            "look at its sensors, its polymer and the oven card"
        ) from None


def _reviewed(
    name: str, heat: Heat, case: Case, polymers: Sequence[Polymer], room_c: float, notes: Sequence[str] = ()
) -> Review:
    seen, of = observed(heat), limits_of(case)
    lines = lines_of_head(heat)
    out_s, end_s, pulled = _end(heat, seen)
    trust = believed(case, seen.until(end_s))
    known = given(case, of, trust.seen, lines, end_s)
    preheat = recorded_preheat(case, heat)
    mold_s = on_mold_s(seen, out_s)
    carried_s = None if mold_s is None else mold_s - out_s
    fits = explanations(known, _comparable(known, polymers))
    profile_c, drop_ratio = profile_at_pull(known, fits[0])
    carry = carry_of(fits[0].alternative.case(case), profile_c, drop_ratio, room_c)
    around = Around(
        preheat=preheat,
        carried_s=carried_s,
        formable_s=carry.formable_s,
        aside=tuple(set_aside(case, seen.until(end_s))),
        marked_doors_s=tuple(at for at in seen.when("door_open") if 1.0 < at < end_s - 1.0),
        pulled=pulled,
    )
    found = diagnose(known, fits, around)
    told = [*notes, *_limits_of_knowledge(known, pulled)]
    return Review(name, heat, case, of, found, pulled, carry, carried_s, preheat, notes=tuple(told),
                  failed_how=_text(heat.extra.get("outcome_kind")))  # fmt: skip


def _text(value: object) -> str | None:
    return value if isinstance(value, str) else None


def _end(heat: Heat, seen: Observed) -> tuple[float, float, bool]:
    """When the sheet was pulled, up to when it was in the oven's air, s, and whether the pull is on record."""
    out_s = pulled_s(seen)
    last_s = float(heat.time_s[-1]) if len(heat.time_s) else 0.0
    pulled = out_s is not None
    out = last_s if out_s is None else out_s
    end_s = min(out, taken_out_s(heat)) if pulled else last_s
    if end_s < _SHORTEST_S:
        raise InputError(
            f"the heat ends {end_s:g} s after its sheet went in: expected at least {_SHORTEST_S:g} s to review"
        )
    return out, end_s, pulled


def _comparable(known: Given, polymers: Sequence[Polymer]) -> tuple[Polymer, ...]:
    """Polymers whose readings can be predicted: with a bubble that was seen, those whose drop can."""
    return tuple(one for one in polymers if not known.hangs or one.viscosity is not None)


def _limits_of_knowledge(known: Given, pulled: bool) -> list[str]:
    notes = [] if pulled else ["No pull is marked: reviewed up to the last reading"]
    measured = {role for role in ("face_upper_c", "face_lower_c") for name in known.seen.of_role(role)
                if np.isfinite(known.seen.columns[name]).any()}  # fmt: skip
    if not known.seen.of_role("air_upper_c") and not known.seen.of_role("air_lower_c"):
        notes.append("No air was measured: the oven is taken to be as its card says")
    if not measured and not known.hangs:
        notes.append(
            "Nothing of the sheet was measured: gauge, film, polymer and a cold face cannot be seen in this heat"
        )
    elif not measured:
        notes.append("No face was measured: causes that only slow or speed the heating can hardly be told apart")
    return notes
