"""What ordinary heats said of an oven, kept so that each is computed once: drift/OVEN.json beside the records.

Made from the records and made again from them at any time: whatever is wrong with the file, it is left aside.
"""

from __future__ import annotations

import datetime
import json
import math
import os
import threading
from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import asdict, dataclass, replace
from hashlib import sha256
from pathlib import Path
from typing import Any

from calibration.heat_estimate import Estimate
from dashboard.oven_file import card_table
from logger.records import HeatRecord
from thermal.oven import OvenCard

#: Folder beside the store. Counts what an estimate means: one of another version is made anew.
FOLDER, _VERSION = "drift", 1


@dataclass(frozen=True)
class Known:
    """What is known of one heat: its estimate, or why there is none."""

    heat: str
    estimate: Estimate | None
    why: str


def read_known(folder: Path, card: OvenCard, records: Sequence[HeatRecord]) -> dict[str, Known]:
    """What is known of heats by their id; of those alone that are, like the card, as they were then."""
    found: dict[str, Known] = {}
    kept = _heats(folder, card)
    for record in records:
        with suppress(ValueError, TypeError, KeyError):
            if kept[record.id]["state"] == _state(record):
                found[record.id] = _known(kept[record.id])
    return found


def _heats(folder: Path, card: OvenCard) -> dict[str, Any]:
    """The file's heats against this card, as they stand there."""
    with suppress(OSError, ValueError, TypeError, KeyError):
        content = json.loads((folder / FOLDER / f"{card.id}.json").read_text("utf-8"))
        if content["of"] == _of(card):
            return dict(content["heats"])
    return {}


def write_known(folder: Path, card: OvenCard, records: Sequence[HeatRecord], known: Mapping[str, Known]) -> None:
    """Keep it beside what is kept of other heats; where that cannot be, it is computed again the next time."""
    heats = _heats(folder, card) | {one.id: _kept(known[one.id], _state(one)) for one in records if one.id in known}
    text = json.dumps({"of": _of(card), "heats": heats}, ensure_ascii=False, allow_nan=False)
    with suppress(OSError):
        (folder / FOLDER).mkdir(parents=True, exist_ok=True)
        new = folder / FOLDER / f".{card.id}.{os.getpid()}.{threading.get_ident()}.new"
        new.write_text(text, "utf-8")
        new.replace(folder / FOLDER / f"{card.id}.json")


def _of(card: OvenCard) -> str:
    """Names a card by its values: who accepted it plays no part."""
    return _digest([_VERSION, card_table(replace(card, evidence=None))])


def _state(record: HeatRecord) -> str:
    """Names a heat as it reads now, with its corrections."""
    return _digest([record.start_s, record.end_s, record.form.as_table(), record.hash])


def _digest(content: object) -> str:
    return sha256(json.dumps(content, sort_keys=True, default=str).encode()).hexdigest()[:32]


def _kept(one: Known, state: str) -> dict[str, Any]:
    table = None if one.estimate is None else {name: _plain(value) for name, value in asdict(one.estimate).items()}
    return {"state": state, "heat": one.heat, "why": one.why, "estimate": table}


def _plain(value: Any) -> Any:
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if isinstance(value, tuple):
        return [_plain(one) for one in value]
    return value.isoformat() if isinstance(value, datetime.date) else value


def _known(kept: Mapping[str, Any]) -> Known:
    table = kept["estimate"]
    if table is None:
        return Known(str(kept["heat"]), None, str(kept["why"]))
    numbers = {name: _number(table[name]) for name in ("upper", "lower", "ready", "found_s", "planned_s", "computed")}
    stds = tuple(_number(one) for one in table["stds"])
    day = datetime.date.fromisoformat(table["day"])
    made = Estimate(day=day, heat=str(table["heat"]), stds=(stds[0], stds[1]), how=table["how"], **numbers)
    return Known(str(kept["heat"]), made, "")


def _number(value: Any) -> float:
    return math.nan if value is None else float(value)
