"""Kinds of failure of the trade, and what the heating usually has to do with each (common practice, no source).

A kind whose causes lie outside the oven is never blamed on it: what the heating did in such a heat is told, not that it
did it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

#: Kinds of a diagnosis' findings, each with the direction that counts: 1 where its size must be above nothing, -1 where
#: it must be below (see `Finding.size`), 0 where it has but one direction or either counts.
Causes = Mapping[str, int]


@dataclass(frozen=True)
class Failure:
    """One kind of failure.

    Attributes:
        kind: its name. heating: what the heating usually has to do with it; '' where nothing. causes: what a diagnosis
        may find that goes with it. outside: causes outside the oven.
    """

    kind: str
    heating: str
    causes: Causes
    outside: str

    def goes_with(self, kind: str, size: float | None) -> bool:
        """Whether a finding of this kind and size goes with it: a hot oven with scorching, a cold one not."""
        direction = self.causes.get(kind)
        return direction == 0 or (direction is not None and size is not None and direction * size > 0.0)


#: What leaves a sheet too cold on the mold, and what makes a face or the sheet too hot. Which way another polymer errs
#: is not known.
_COLD: Causes = {
    "pulled early": 0, "carried too long": 0, "film": 0, "tray cold": 0, "door opened": 0, "polymer": 0,
    "gauge": 1, "start": -1, "face": -1, "oven off": -1, "oven drifted": -1, "oven not ready": -1, "emitters": -1,
    "air sensor off": -1, "tray contact": -1,
}  # fmt: skip
_HOT: Causes = {
    "pulled late": 0, "face overheated": 0, "polymer": 0,
    "gauge": -1, "start": 1, "face": 1, "oven off": 1, "oven drifted": 1, "oven not ready": 1, "emitters": 1,
    "air sensor off": 1,
}  # fmt: skip

FAILURES = (
    Failure(
        "cold-formed stress and cracking",
        "often: a core below its forming temperature, or a sheet that cooled on the way, keeps stress",
        _COLD,
        "sharp radius on the mold, thin wall from a deep draw, load on the finished part, solvent or cleaner",
    ),
    Failure(
        "springback",
        "often: a core that was not melted through goes back towards flat",
        _COLD,
        "vacuum or straps released early, taken off the mold before it had cooled",
    ),
    Failure(
        "thin distal wall",
        "sometimes: a sheet pulled late or too hot drops too far and thins most where it is drawn last",
        _HOT,
        "drop wanted too large for the mold, opening too small for the mold, mold too high above the platen",
    ),
    Failure(
        "thin proximal wall",
        "sometimes: an uneven sheet draws where it is hottest",
        _HOT,
        "sheet pulled down unevenly, mold not centred, vacuum before the seal",
    ),
    Failure(
        "webbing and folds",
        "sometimes: a sheet that hangs too far has more area than the mold takes up",
        _HOT,
        "opening too wide for the mold, no web catcher, sheet lowered askew, vacuum too early",
    ),
    Failure(
        "bridging",
        "often: a sheet too cold does not follow hollows",
        _COLD,
        "vacuum too weak or late, no vent hole in the hollow, a stockinette that blocks the air",
    ),
    Failure(
        "scorching",
        "nearly always: a face beyond its limit, too hot or too long",
        _HOT,
        "sheet touched an element or a wall of the oven",
    ),
    Failure(
        "bubbles or blisters in the sheet",
        "sometimes: a face too hot; moisture boils out at usual temperatures too",
        {"face overheated": 0, "pulled late": 0, "oven off": 1, "air sensor off": 1, "emitters": 1, "face": 1},
        "moisture: the sheet was not dried, or stood in a damp room after drying; air under a transfer paper",
    ),
    Failure(
        "surface mark-off",
        "seldom: a sheet that is too hot takes every mark",
        _HOT,
        "texture of stockinette, plaster or tray, fingers and gloves, dust; the film's own marks",
    ),
    Failure(
        "incomplete conformity",
        "often: too cold on reaching the mold",
        _COLD,
        "vacuum too weak or late, leak at the seal, mold cold or wet, channels blocked",
    ),
    Failure(
        "warping after demolding",
        "sometimes: an uneven or cold core leaves stress",
        {**_COLD, "face": 0},
        "taken off the mold too early, cooled unevenly, trimmed while warm",
    ),
    Failure(
        "delaminated or weak seam",
        "often: faces too cold to weld when they met",
        _COLD,
        "seam not pressed, dirt, talc or film between the faces, seam draped twice",
    ),
    Failure(
        "out-of-shape edge",
        "seldom",
        {},
        "trimmed while warm, edge not supported, flared or rolled after forming",
    ),
)
KINDS = tuple(one.kind for one in FAILURES)


def failure_of(kind: str | None) -> Failure | None:
    """The failure that an outcome's kind names, by its first words or by a beginning that only one has; None for any
    other text.
    """
    found = _meant(kind)
    return found[0] if len(found) == 1 else None


def failure_question(kind: str | None) -> str | None:
    """What to ask where an outcome's kind begins several failures, without the full stop; None: nothing."""
    found = _meant(kind)
    if len(found) < 2:
        return None
    names = ", ".join(one.kind for one in found[:-1]) + f" or {found[-1].kind}"
    return f"Which failure '{(kind or '').strip()}' means is not clear: {names}? Enter one of them"


def _meant(kind: str | None) -> tuple[Failure, ...]:
    told = " ".join((kind or "").lower().split())
    named = tuple(one for one in FAILURES if told.startswith(one.kind))
    return named or tuple(one for one in FAILURES if told and one.kind.startswith(told))
