"""What of a diagnosis is drawn beside the curves: where findings show, and the faces as the likeliest one has them."""

from __future__ import annotations

from dataclasses import dataclass

from calibration.alternative_fit import Beside
from calibration.diagnosis import Diagnosis
from calibration.observed import FACES
from dashboard.review_words import SHOWN, briefly, percent
from dashboard.units import Units
from thermal.heat import role_of

#: Findings marked at most.
_MOST = 3


@dataclass(frozen=True)
class Place:
    """Where a finding shows, s since the sheet went in, with its name and probability in words."""

    from_s: float
    to_s: float
    name: str
    share: str

    @property
    def words(self) -> str:
        """'Sheet thicker than its label (80 %)'."""
        return f"{self.name} ({self.share})"


def places(of: Diagnosis, units: Units) -> tuple[Place, ...]:
    """Where each finding that is worth it shows, the likeliest first; what is of the pull has its mark already."""
    end_s = of.at_pull.time_s
    found = []
    for one in of.findings:
        if one.probability < SHOWN or one.from_s is None or one.to_s is None or one.from_s >= end_s:
            continue
        until_s = min(max(0.0, one.to_s), end_s)
        found.append(Place(max(0.0, one.from_s), until_s, briefly(one, units), percent(one.probability)))
    return tuple(found[:_MOST])


def explained_faces(of: Diagnosis) -> tuple[Beside, ...]:
    """The faces that were measured beside what the likeliest explanation has their sensors read, °C."""
    return tuple(one for one in of.beside if role_of(one.name) in FACES and len(one.at_s) > 1)
