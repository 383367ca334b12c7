"""Oven cards as files: written whole or not at all, the one before kept beside with its date."""

from __future__ import annotations

import datetime
import json
import math
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

from dashboard.tomlfile import read_toml
from logger.heatfile import write_new
from thermal.fields import InputError
from thermal.oven import Face, OvenCard, oven_card_from_mapping

#: Folder beside a card for those that it replaced; a shop looks for cards in `ovens` alone.
EARLIER = "earlier"


def card_table(card: OvenCard) -> dict[str, Any]:
    """A card as the tables of its file."""
    table: dict[str, Any] = {
        "id": card.id,
        "kind": card.kind,
        "set_c": card.set_c,
        "air": {"offset_k": card.air_offset_k, "door_drop_k": card.door_drop_k, "recovery_s": card.recovery_s},
        "wall": {"offset_k": card.wall_offset_k, "lag_s": card.wall_lag_s},
        "upper": _face(card.upper),
        "lower": _face(card.lower),
    }
    if card.tray is not None:
        table["tray"] = {name: getattr(card.tray, name) for name in card.tray.__dataclass_fields__}
    if card.dial_offset_k:
        table["dial"] = {"offset_k": card.dial_offset_k}
    if card.uncertainty is not None:
        table["uncertainty"] = {
            "order": list(card.uncertainty.order),
            "covariance": [list(row) for row in card.uncertainty.covariance],
        }
    valid = {name: value for name in ("set_c", "gauge_mm", "until") if (value := getattr(card.valid, name)) is not None}
    if valid:
        table["valid"] = valid
    if card.evidence is not None:
        table["evidence"] = dict(card.evidence)
    return table


def _face(face: Face) -> dict[str, Any]:
    table: dict[str, Any] = {
        "h_w_m2k": face.h_w_m2k, "emissivity_eff": face.emissivity_eff, "air_offset_k": face.air_offset_k,
    }  # fmt: skip
    if face.emitter is not None:
        table["emitter"] = {"temperature_c": face.emitter.temperature_c, "view_factor": face.emitter.view_factor}
    return table


def toml_of(table: Mapping[str, Any], path: str = "") -> str:
    """Tables of numbers, words, dates and lists as TOML."""
    lines = [f"{_key(k)} = {_value(v)}" for k, v in table.items() if not isinstance(v, Mapping)]
    for key, value in table.items():
        if isinstance(value, Mapping):
            name = f"{path}.{_key(key)}" if path else _key(key)
            lines += ["", f"[{name}]", toml_of(value, name).rstrip("\n")]
    return "\n".join(lines).lstrip("\n") + "\n"


def _key(key: str) -> str:
    plain = key.replace("_", "").replace("-", "")
    return key if plain.isascii() and plain.isalnum() else json.dumps(key)


def _value(value: object) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")
    if isinstance(value, float):
        if not math.isfinite(value):
            raise ValueError(f"{value} in an oven card")
        return repr(value)
    if isinstance(value, list | tuple):
        rows = bool(value) and all(isinstance(one, list | tuple) for one in value)
        inner = [_value(one) for one in value]
        return "[\n    " + ",\n    ".join(inner) + ",\n]" if rows else f"[{', '.join(inner)}]"
    if isinstance(value, datetime.date | int):
        return str(value)
    raise TypeError(f"{type(value).__name__} in an oven card")


def card_text(card: OvenCard, remarks: list[str]) -> str:
    """A card's file: remarks as comments, then its tables; read back once, so that no card is written that cannot be
    read.
    """
    text = (
        "".join(f"# {line}\n" for remark in remarks for line in remark.splitlines()) + "\n" + toml_of(card_table(card))
    )
    import tomllib

    oven_card_from_mapping(tomllib.loads(text), f"the card of {card.id}")
    return text


def read_card(path: Path) -> OvenCard:
    """A card from a file.

    Raises:
        InputError: it cannot be used.
    """
    return oven_card_from_mapping(read_toml(path), path.name)


#: Longest name of whoever accepts a card.
_LONGEST_NAME = 80


def initials(by: str) -> str:
    """Whoever decides about a card, as it is kept.

    Raises:
        InputError: nobody is named.
    """
    plain = by.strip()
    if not plain or len(plain) > _LONGEST_NAME or not plain.isprintable():
        raise InputError(f"{by[:40]!r}: expected the initials of whoever decides about the card, as AB")
    return plain


def accepted(card: OvenCard, by: str, at: datetime.date) -> OvenCard:
    """A card that a person has accepted.

    Args:
        by: initials or name. at: the day, or the time.

    Raises:
        InputError: nobody is named.
    """
    evidence = {**(card.evidence or {}), "status": "accepted", "accepted_by": initials(by), "accepted": at}
    return replace(card, evidence=evidence)


def rewrite_card(text: str, path: Path) -> None:
    """Write a card's file anew, whole or not at all.

    Raises:
        InputError: its folder cannot be written to.
    """
    try:
        _written_beside(text, path).replace(path)
    except OSError as error:
        raise InputError(f"{path}: it cannot be replaced ({error.strerror or error}): check its folder") from None


def _beside(path: Path) -> Path:
    return path.with_name(f".{path.name}.new")


def _written_beside(text: str, path: Path) -> Path:
    new = _beside(path)
    new.unlink(missing_ok=True)
    write_new(text.encode(), new)
    return new


def half_replaced(path: Path) -> list[Path]:
    """Copies in `EARLIER` of a card that is still in force: a replacement was cut short between copy and card."""
    if not _beside(path).exists():
        return []
    content = path.read_bytes()
    return [one for one in (path.parent / EARLIER).glob(f"{path.stem}-until-*.toml") if one.read_bytes() == content]


def write_card(text: str, path: Path, today: datetime.date, replacing: bool) -> Path | None:
    """Write a card; where one is replaced, it moves to the folder `EARLIER` beside it, under its name and today's date.

    Returns:
        Where the earlier card is kept now; None where there was none.

    Raises:
        InputError: there is a card already and it is not to be replaced, or the folder cannot be written to.
    """
    if not path.exists() or not replacing:
        write_new(text.encode(), path)
        return None
    try:
        (path.parent / EARLIER).mkdir(exist_ok=True)
        for copy in half_replaced(path):
            copy.unlink()
        kept = _free(path.parent / EARLIER, f"{path.stem}-until-{today.isoformat()}")
        new = _written_beside(text, path)
        # A copy first: at no moment is there no card.
        write_new(path.read_bytes(), kept)
        new.replace(path)
    except OSError as error:
        raise InputError(f"{path}: the card cannot be replaced ({error.strerror or error}): check its folder") from None
    return kept


def _free(folder: Path, stem: str) -> Path:
    number, path = 1, folder / f"{stem}.toml"
    while path.exists():
        number += 1
        path = folder / f"{stem}-{number}.toml"
    return path
