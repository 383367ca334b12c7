"""Kinds of failure of the trade, and what the heating usually has to do with each (common practice, no source).

A kind whose causes lie outside the oven is never blamed on it: what the heating did in such a heat is told, not that it
did it.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Failure:
    """One kind of failure.

    Attributes:
        kind: its name. heating: what the heating usually has to do with it; '' where nothing. causes: kinds of a
        diagnosis' findings that go with it. outside: causes outside the oven.
    """

    kind: str
    heating: str
    causes: tuple[str, ...]
    outside: str


_COLD = ("pulled early", "carried too long", "face", "film", "gauge", "oven off", "start", "oven drifted", "tray cold",
         "oven not ready", "door opened", "polymer", "emitters", "tray contact")  # fmt: skip
_HOT = ("pulled late", "face overheated", "oven off", "gauge", "oven drifted", "polymer", "emitters", "face")

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
        ("face overheated", "pulled late", "oven off", "face"),
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
        _COLD,
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
        (),
        "trimmed while warm, edge not supported, flared or rolled after forming",
    ),
)
KINDS = tuple(one.kind for one in FAILURES)


def failure_of(kind: str | None) -> Failure | None:
    """The failure that an outcome's kind names, by its first words; None for any other text."""
    told = (kind or "").strip().lower()
    return next((one for one in FAILURES if told and (told.startswith(one.kind) or one.kind.startswith(told))), None)
