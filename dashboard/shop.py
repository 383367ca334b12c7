"""A shop: the folder where a workshop keeps its oven cards and polymers, and the demo shop until it has one.

    shop.toml            name = "...", optional units = "metric" | "us", room_c, yield_by_operator = true | false,
                         and store (see `dashboard.store_place`)
    ovens/ID.toml        oven cards
    polymers/ID.toml     polymers of its own, beside those that ship with the tool

Only the file that is asked for is read.
"""

from __future__ import annotations

import os
from dataclasses import dataclass
from pathlib import Path
from typing import Literal, cast

from dashboard.tomlfile import read_toml
from thermal.fields import Fields, InputError, near_matches
from thermal.heat import ROOM_C
from thermal.oven import OvenCard, oven_card_from_mapping
from thermal.polymer import Polymer
from thermal.polymer_data import polymer_from_mapping, polymer_ids, shipped_polymer

DEMO_FOLDER = Path(__file__).with_name("demo_shop")
VARIABLE = "PULLCUE_SHOP"
DEFAULT_ROOM_C = 22.0
_MAKE_ONE = 'make the folder with a file shop.toml that says name = "..." in it, or correct the name'


@dataclass(frozen=True)
class Shop:
    """A workshop's folder and what its shop.toml says.

    Attributes:
        units: how values are shown. room_c: the workshop's air, °C. is_demo: the invented shop of the tool.
        store: URL of the records' store; '' for a file in the shop's folder. yield_by_operator: whether trends count
        good parts by operator, which the shop turns on itself: it concerns people.
    """

    folder: Path
    name: str
    units: Literal["metric", "us"]
    room_c: float
    is_demo: bool
    store: str = ""
    yield_by_operator: bool = False

    def oven_ids(self) -> tuple[str, ...]:
        """Ids of the oven cards, sorted; reads no file."""
        return self._ids("ovens")

    def oven(self, oven_id: str) -> OvenCard:
        """One oven's card.

        Raises:
            InputError: no such oven (near matches and all are named), or its card cannot be used.
        """
        known = self.oven_ids()
        if not known:
            folder = self.folder / "ovens"
            raise InputError(f"oven {oven_id!r}: the shop {self.name!r} has no ovens; put its card into {folder}")
        self._must_know("oven", oven_id, known)
        where = f"ovens/{oven_id}.toml"
        card = oven_card_from_mapping(read_toml(self.folder / where, where), where)
        _must_be_called(oven_id, card.id, where)
        return card

    def own_polymer_ids(self) -> tuple[str, ...]:
        """Ids of the shop's own polymers, sorted; reads no file."""
        return self._ids("polymers")

    def polymer_ids(self) -> tuple[str, ...]:
        """Ids of all polymers, the shop's own and those that ship with the tool, sorted; reads no file."""
        return tuple(sorted({*self.own_polymer_ids(), *polymer_ids()}))

    def polymer(self, polymer_id: str) -> Polymer:
        """One polymer; the shop's own wins over one of the same id that ships with the tool (see `polymer_note`).

        Raises:
            InputError: no such polymer (near matches and all are named), or its file cannot be used.
        """
        self._must_know("polymer", polymer_id, self.polymer_ids())
        if polymer_id not in self.own_polymer_ids():
            return shipped_polymer(polymer_id)
        where = f"polymers/{polymer_id}.toml"
        polymer = polymer_from_mapping(read_toml(self.folder / where, where), where)
        _must_be_called(polymer_id, polymer.id, where)
        return polymer

    def polymer_note(self, polymer_id: str) -> str:
        """Where an own polymer comes from, and what it replaces; '' for one that ships with the tool."""
        if polymer_id not in self.own_polymer_ids():
            return ""
        note = f"Polymer {polymer_id} belongs to the shop {self.name}"
        return f"{note}, in place of the one that ships with the tool" if polymer_id in polymer_ids() else note

    def _ids(self, kind: str) -> tuple[str, ...]:
        """Names of a folder's TOML files; hidden ones are left over from editors and other systems."""
        found = (self.folder / kind).glob("*.toml")
        return tuple(sorted(path.stem for path in found if not path.name.startswith(".")))

    def _must_know(self, kind: str, wanted: str, known: tuple[str, ...]) -> None:
        if wanted not in known:
            raise InputError(
                f"{kind} {wanted!r} is not known in the shop {self.name!r}{near_matches(wanted, known)}: "
                f"expected one of {', '.join(known)}"
            )


def _must_be_called(wanted: str, found: str, where: str) -> None:
    """Refuse a file whose id is not its name: otherwise one oven would answer to two names."""
    if found != wanted:
        raise InputError(f"{where}: id = {found!r}: expected {wanted!r}, as the file is called; make both the same")


def open_shop(folder: Path | None) -> Shop:
    """The shop in a folder, else the one PULLCUE_SHOP names, else the one in the platform's data folder, else the demo.

    Raises:
        InputError: a folder that was named, or that holds a shop's files, has no shop.toml that can be used.
    """
    if folder is not None:
        return _named(folder, "--shop")
    if variable := os.environ.get(VARIABLE, "").strip():
        return _named(Path(variable), VARIABLE)
    usual = _platform_folder()
    if any((usual / part).exists() for part in ("shop.toml", "ovens", "polymers")):
        return _named(usual, "the shop of this computer")
    return read_shop(DEMO_FOLDER)


def _platform_folder() -> Path:
    from platformdirs import user_data_path  # only here: a shop that is named needs it not

    return user_data_path("pullcue", appauthor=False)


def _named(folder: Path, by: str) -> Shop:
    """The shop in a folder that somebody chose; the refusal says by what it was chosen."""
    if not folder.is_dir():
        what = "is a file, expected a folder" if folder.exists() else "does not exist"
        raise InputError(f"{by} {folder} {what}; {_MAKE_ONE}")
    if not (folder / "shop.toml").exists():
        raise InputError(f"{by} {folder} holds no shop.toml; {_MAKE_ONE}")
    return read_shop(folder)


def read_shop(folder: Path) -> Shop:
    """The shop in a folder that holds its shop.toml.

    Raises:
        InputError: the file is missing or cannot be used.
    """
    fields = Fields(read_toml(folder / "shop.toml"), "shop.toml")
    shop = Shop(
        folder=folder,
        name=fields.text("name"),
        units=cast(Literal["metric", "us"], fields.text("units", ("metric", "us"), default="metric")),
        room_c=fields.number("room_c", ROOM_C, default=DEFAULT_ROOM_C),
        is_demo=folder.resolve() == DEMO_FOLDER.resolve(),
        store=fields.text("store", default=""),
        yield_by_operator=fields.flag("yield_by_operator", default=False),
    )
    fields.close()
    return shop
