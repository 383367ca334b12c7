"""What a new thermocouple may be off: tolerance classes of IEC 60584-1:2013 and ASTM E230.

They hold for wire as it is delivered, not after use, and for the wire alone, not for what reads it. Values as printed
in makers' tables of these standards (IEC 584-2 and E230 columns of a tolerance table of a sensor maker, and the
reference section of a thermocouple supplier's handbook, which agree); the standards themselves were not at hand.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from logger.thermocouple import checked_type
from thermal.fields import InputError

CLASSES = ("1", "2", "3", "standard", "special")
#: What messages call a class.
CLASS_NAMES: Mapping[str, str] = {
    "1": "class 1 of IEC 60584-1",
    "2": "class 2 of IEC 60584-1",
    "3": "class 3 of IEC 60584-1",
    "standard": "standard tolerance of ASTM E230",
    "special": "special tolerance of ASTM E230",
}


@dataclass(frozen=True)
class Band:
    """A tolerance inside one range of temperature: the larger of `fixed_k` and `share` of |t - share_from_c|.

    `offset_k` is added to the share: IEC class 1 of R and S is 1 K + 0.003 (t - 1100 °C).
    """

    low_c: float
    high_c: float
    fixed_k: float
    share: float
    share_from_c: float = 0.0
    offset_k: float = 0.0

    def at_k(self, t_c: float) -> float:
        """± K at a temperature inside the range."""
        above = t_c - self.share_from_c
        grown = self.offset_k + self.share * (abs(above) if self.share_from_c == 0.0 else above)
        return max(self.fixed_k, grown)


_PLATINUM_1 = Band(0.0, 1600.0, 1.0, 0.003, share_from_c=1100.0, offset_k=1.0)
_PLATINUM_2 = Band(0.0, 1600.0, 1.5, 0.0025)
_PLATINUM_STANDARD = Band(0.0, 1450.0, 1.5, 0.0025)
_PLATINUM_SPECIAL = Band(0.0, 1450.0, 0.6, 0.001)
_COLD = Band(-200.0, 40.0, 2.5, 0.015)

#: (type, class) -> bands, from cold to hot. Where two meet (ASTM at 0 °C) the hot one holds.
BANDS: Mapping[tuple[str, str], tuple[Band, ...]] = {
    ("K", "1"): (Band(-40.0, 1000.0, 1.5, 0.004),),
    ("N", "1"): (Band(-40.0, 1000.0, 1.5, 0.004),),
    ("J", "1"): (Band(-40.0, 750.0, 1.5, 0.004),),
    ("E", "1"): (Band(-40.0, 800.0, 1.5, 0.004),),
    ("T", "1"): (Band(-40.0, 350.0, 0.5, 0.004),),
    ("R", "1"): (_PLATINUM_1,),
    ("S", "1"): (_PLATINUM_1,),
    ("K", "2"): (Band(-40.0, 1200.0, 2.5, 0.0075),),
    ("N", "2"): (Band(-40.0, 1200.0, 2.5, 0.0075),),
    ("J", "2"): (Band(-40.0, 750.0, 2.5, 0.0075),),
    ("E", "2"): (Band(-40.0, 900.0, 2.5, 0.0075),),
    ("T", "2"): (Band(-40.0, 350.0, 1.0, 0.0075),),
    ("R", "2"): (_PLATINUM_2,),
    ("S", "2"): (_PLATINUM_2,),
    ("B", "2"): (Band(600.0, 1700.0, 1.5, 0.0025),),
    ("K", "3"): (_COLD,),
    ("N", "3"): (_COLD,),
    ("E", "3"): (_COLD,),
    ("T", "3"): (Band(-200.0, 40.0, 1.0, 0.015),),
    ("B", "3"): (Band(600.0, 1700.0, 4.0, 0.005),),
    ("K", "standard"): (Band(-200.0, 0.0, 2.2, 0.02), Band(0.0, 1260.0, 2.2, 0.0075)),
    ("N", "standard"): (Band(-200.0, 0.0, 2.2, 0.02), Band(0.0, 1260.0, 2.2, 0.0075)),
    ("J", "standard"): (Band(0.0, 760.0, 2.2, 0.0075),),
    ("E", "standard"): (Band(-200.0, 0.0, 1.7, 0.01), Band(0.0, 870.0, 1.7, 0.005)),
    ("T", "standard"): (Band(-200.0, 0.0, 1.0, 0.015), Band(0.0, 370.0, 1.0, 0.0075)),
    ("R", "standard"): (_PLATINUM_STANDARD,),
    ("S", "standard"): (_PLATINUM_STANDARD,),
    ("B", "standard"): (Band(870.0, 1700.0, 0.0, 0.005),),
    ("K", "special"): (Band(0.0, 1260.0, 1.1, 0.004),),
    ("N", "special"): (Band(0.0, 1260.0, 1.1, 0.004),),
    ("J", "special"): (Band(0.0, 760.0, 1.1, 0.004),),
    ("E", "special"): (Band(0.0, 870.0, 1.0, 0.004),),
    ("T", "special"): (Band(0.0, 370.0, 0.5, 0.004),),
    ("R", "special"): (_PLATINUM_SPECIAL,),
    ("S", "special"): (_PLATINUM_SPECIAL,),
    ("B", "special"): (Band(870.0, 1700.0, 0.0, 0.0025),),
}


def classes_of(kind: str) -> tuple[str, ...]:
    """The classes that exist for a type."""
    checked = checked_type(kind)
    return tuple(name for name in CLASSES if (checked, name) in BANDS)


def bands_of(kind: str, tolerance_class: str) -> tuple[Band, ...]:
    """The bands of a type's class.

    Raises:
        InputError: no such type, or the class does not exist for it.
    """
    known = classes_of(kind)
    if tolerance_class not in known:
        raise InputError(
            f"tolerance class {tolerance_class!r} does not exist for type {kind}: expected one of {', '.join(known)}"
        )
    return BANDS[(kind, tolerance_class)]


def tolerance_k(kind: str, tolerance_class: str, t_c: float) -> float | None:
    """± K that new wire may deviate at a temperature; None where the class says nothing there.

    Args:
        kind: letter of the type. tolerance_class: 1, 2, 3 (IEC), standard, special (ASTM). t_c: °C.

    Raises:
        InputError: no such type or class, or a temperature that is no number.
    """
    if t_c != t_c:
        raise InputError(f"temperature = {t_c}: expected a number of °C")
    found = [band for band in bands_of(kind, tolerance_class) if band.low_c <= t_c <= band.high_c]
    return found[-1].at_k(t_c) if found else None
