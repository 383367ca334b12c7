"""What the sensors of a heat could not have shown: an answer of 'nothing unusual' says nothing of that."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from calibration.diagnosis import Diagnosis
from calibration.given import Given
from calibration.observed import AIR, FACES

_OF_SHEET = "a wrong gauge, another polymer, a film left on, a cold face or a cold sheet would not show"


def unseen_lines(known: Given, found: Diagnosis, preheat_recorded: bool) -> list[str]:
    """Sentences without their full stops; none where faces and air were measured."""
    faces = [role.removesuffix("_c") for role in FACES if _read(known, (role,))]
    air, sheet = _read(known, AIR), found.misfit is not None
    if not sheet and not air:
        return [f"{_not(known, (*AIR, *FACES), 'air or sheet')}: nothing that was otherwise in this heat would "
                "show, and what is told of the core is what was planned for such a sheet"]  # fmt: skip
    if not sheet:
        before = [] if preheat_recorded else ["Nobody recorded the oven before the sheet went in: that it was not "
                                              "ready would not show"]  # fmt: skip
        return [f"{_not(known, FACES, 'the sheet')}: {_OF_SHEET}", *before]
    lines = []
    if not faces:
        lines.append(
            f"{_not(known, FACES, 'a face')}: causes that only slow or speed the heating can hardly be told apart"
        )
    elif len(faces) == 1 and known.case.support == "frame":
        one, other = faces[0].replace("_", " "), "lower" if faces[0] == "face_upper" else "upper"
        lines.append(f"Only one face was measured ({one}): what goes wrong at the {other} one shows weakly, and a "
                     "thicker sheet, a weaker oven and a cold face look much alike")  # fmt: skip
    if not air:
        lines.append(f"{_not(known, AIR, 'the air')}, it is taken to be as the oven card says: an oven off its "
                     "display shows only in the sheet, a door that was opened only where it was marked")  # fmt: skip
    return lines


def _not(known: Given, roles: Sequence[str], what: str) -> str:
    """Why there is nothing of it: nobody measured it, or no reading is believed."""
    there = any(known.seen.of_role(role) for role in roles)
    return f"No reading of {what} is believed" if there else f"Nobody measured {what}"


def _read(known: Given, roles: Sequence[str]) -> bool:
    """Whether a column of one of the roles has a reading that is believed."""
    columns = [known.seen.columns[name] for role in roles for name in known.seen.of_role(role)]
    return any(bool(np.isfinite(values).any()) for values in columns)
