"""Parts as pages have them worked out: opened meshes, what to take, the making; nothing is worked out twice.

What to take and the wall do not hang on oven, temperatures and plaster: when those change, no wall is computed anew.
"""

from __future__ import annotations

import hashlib
import threading
from collections import OrderedDict

from dashboard.making import Making, making
from dashboard.mold_file import MoldFile
from dashboard.mold_upload import received
from dashboard.pattern_drawing import pattern_file
from dashboard.units import Units
from dashboard.web.part_form import PartQuestion
from dashboard.web.planner import Planner
from dashboard.work_card import card_file
from thermal.fields import InputError
from thermal.method import Choice, choose

#: Meshes whose girths and sectors are kept, some kB each.
_KEPT = 32


class Parts:
    """Works parts out, one at a time with all else that pages have computed."""

    def __init__(self, planner: Planner) -> None:
        self._planner = planner
        self._molds: OrderedDict[str, MoldFile] = OrderedDict()
        self._lock = threading.Lock()

    def opened(self, content: bytes, name: str, unit: str, axis: str, flip: bool, distal: str) -> tuple[MoldFile, str]:
        """A mold file that was sent, and the key under which a mesh is kept ('' for girths).

        Raises:
            InputError: it cannot be read, or too much is being computed already.
        """
        given = (name, unit, axis, flip, distal)
        key = hashlib.sha256(content + repr(given).encode()).hexdigest()[:24]
        mold = self._planner.answer(f"mold {key}", received, content, *given)
        if mold.shape is None:
            return mold, ""
        with self._lock:
            self._molds[key] = mold
            self._molds.move_to_end(key)
            while len(self._molds) > _KEPT:
                self._molds.popitem(last=False)
        return mold, key

    def mesh(self, key: str) -> MoldFile | None:
        """The mesh of a key; None where the key is ''.

        Raises:
            InputError: it is kept no more.
        """
        if not key:
            return None
        with self._lock:
            if key not in self._molds:
                raise InputError("the mesh is no longer in this program: open its file again")
            return self._molds[key]

    def made(self, of: PartQuestion) -> Making:
        """The part.

        Raises:
            InputError: it cannot be made, or too much is being computed already.
        """
        sheet = (of.equipment, of.wanted_m, of.gauge_m, of.method)
        polymer = of.heat.case.polymer
        choice = self._planner.answer(_key("choice", of.mold, polymer, sheet), _choice, polymer, of.mold, *sheet)
        case = of.heat.case
        heat = (of.on_mold, case.oven, case.set_c)
        return self._planner.answer(_key("part", of.mold, polymer, sheet, heat), _made, of.mold, choice, *heat)

    def card(self, of: PartQuestion, units: Units) -> bytes:
        """The work card as PDF.

        Raises:
            InputError: as `made`.
        """
        made = self.made(of)
        return self._planner.answer(_key("card", of, units), card_file, made, ".pdf", units)

    def pattern(self, of: PartQuestion, kind: str, units: Units) -> bytes:
        """The draped blank's pattern as '.svg' or '.pdf'.

        Raises:
            InputError: as `made`; the part is not draped.
        """
        made = self.made(of)
        if made.choice.method != "drape" or made.choice.drape is None:
            raise InputError("this part is not draped, so there is no pattern to cut")
        blank, name = made.choice.drape.blank, made.mold.name
        return self._planner.answer(_key(f"pattern{kind}", blank, name, units), pattern_file, blank, kind, name, units)


def _key(what: str, *values: object) -> str:
    """The words of all values: another mold, card or polymer is another question."""
    return f"{what} {values!r}"


def _choice(polymer: object, mold: MoldFile, *sheet: object) -> Choice:
    return choose(polymer, mold.mold, *sheet)  # type: ignore[arg-type]  # as `Parts.made` puts them


def _made(mold: MoldFile, choice: Choice, *heat: object) -> Making:
    try:
        return making(mold, choice, *heat)  # type: ignore[arg-type]  # as `Parts.made` puts them
    except ArithmeticError as error:
        raise InputError(f"this part cannot be computed: {error}; correct the oven card or the mold") from error
