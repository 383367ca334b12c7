"""The oven card: one oven's coefficients, as a person or a calibration writes them."""

from __future__ import annotations

import datetime
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from thermal.fields import FRACTION, TEMPERATURE_C, Fields, InputError, Range

Array = NDArray[np.float64]

KINDS = ("convection", "infrared")
_SET_C = Range("°C", at_least=20.0, at_most=400.0)
_OFFSET_K = Range("K", at_least=-150.0, at_most=150.0)
_SECONDS = Range("s", at_least=0.0, at_most=36_000.0)
_TRANSFER = Range("W/(m2 K)", at_least=0.0, at_most=2000.0)
_EMITTER_C = Range("°C", at_least=20.0, at_most=1300.0)


@dataclass(frozen=True)
class Emitter:
    """A radiant heater: its temperature, °C, at the card's set temperature; the share of the face's view it fills."""

    temperature_c: float
    view_factor: float


@dataclass(frozen=True)
class Face:
    """One face's side of the oven.

    Attributes:
        h_w_m2k: heat transfer coefficient by convection. emissivity_eff: sheet and surroundings together.
        air_offset_k: this face's air against the oven's. emitter: None without one.
    """

    h_w_m2k: float
    emissivity_eff: float
    air_offset_k: float = 0.0
    emitter: Emitter | None = None


@dataclass(frozen=True)
class Tray:
    """What a flat sheet lies on: mass per area, heat capacity, contact conductance (release sheet included), start."""

    mass_kg_m2: float
    heat_capacity_j_kgk: float
    contact_w_m2k: float
    start_c: float


@dataclass(frozen=True)
class Uncertainty:
    """Covariance of fitted coefficients: dotted keys of the card in order, and their covariance in the keys' units."""

    order: tuple[str, ...]
    covariance: tuple[tuple[float, ...], ...]


@dataclass(frozen=True)
class Valid:
    """Where a card may be used: ranges of set temperature and gauge, and a last day; None: not stated."""

    set_c: tuple[float, float] | None = None
    gauge_mm: tuple[float, float] | None = None
    until: datetime.date | None = None


@dataclass(frozen=True)
class OvenCard:
    """One oven's coefficients. Temperatures in °C, times in s.

    Attributes:
        set_c: the set temperature the coefficients were found at.
        air_offset_k: air at the sheet against the set temperature. door_drop_k: its fall when the sheet goes in.
        recovery_s: time constant of its recovery. wall_offset_k: walls against the set temperature. wall_lag_s.
        dial_offset_k: the oven's display against what is measured (measured = display + offset).
        evidence: free table (heats, dates), kept as it is.
    """

    id: str
    kind: str
    set_c: float
    air_offset_k: float
    door_drop_k: float
    recovery_s: float
    wall_offset_k: float
    wall_lag_s: float
    upper: Face
    lower: Face
    tray: Tray | None = None
    dial_offset_k: float = 0.0
    uncertainty: Uncertainty | None = None
    valid: Valid = Valid()
    evidence: Mapping[str, Any] | None = None

    def coefficient(self, key: str) -> float | None:
        """The value behind a dotted key that may carry uncertainty, None where the card has none such."""
        found: object = self
        name = _COEFFICIENTS.get(key)
        for part in (name or "").split(".") if name else ():
            found = getattr(found, part, None)
        return float(found) if isinstance(found, int | float) else None


#: Dotted keys of the file that may stand in [uncertainty] order, and where the value is kept.
_COEFFICIENTS = {
    "air.offset_k": "air_offset_k",
    "air.door_drop_k": "door_drop_k",
    "air.recovery_s": "recovery_s",
    "wall.offset_k": "wall_offset_k",
    "wall.lag_s": "wall_lag_s",
    **{
        f"{side}.{name}": f"{side}.{name}"
        for side in ("upper", "lower")
        for name in (
            "h_w_m2k",
            "emissivity_eff",
            "air_offset_k",
            "emitter.temperature_c",
            "emitter.view_factor",
        )
    },
    "tray.contact_w_m2k": "tray.contact_w_m2k",
}


def _face(fields: Fields, kind: str) -> Face:
    emitter = None
    if (part := fields.maybe_table("emitter")) is not None:
        if kind != "infrared":
            raise fields.refuse("emitter", fields.raw("emitter"), "no emitter in a convection oven; remove it")
        emitter = Emitter(part.number("temperature_c", _EMITTER_C), part.number("view_factor", FRACTION))
        part.close()
    face = Face(
        fields.number("h_w_m2k", _TRANSFER),
        fields.number("emissivity_eff", FRACTION),
        fields.number("air_offset_k", _OFFSET_K, 0.0),
        emitter,
    )
    fields.close()
    return face


def _tray(fields: Fields) -> Tray:
    tray = Tray(
        fields.number("mass_kg_m2", Range("kg/m2", above=0.0, at_most=200.0)),
        fields.number("heat_capacity_j_kgk", Range("J/(kg K)", at_least=100.0, at_most=6000.0)),
        fields.number("contact_w_m2k", Range("W/(m2 K)", above=0.0, at_most=20_000.0)),
        fields.number("start_c", TEMPERATURE_C),
    )
    fields.close()
    return tray


def _is_number(value: object) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool)


def _uncertainty(fields: Fields) -> Uncertainty:
    order = fields.raw("order")
    if not isinstance(order, list) or not order or not all(isinstance(k, str) and k in _COEFFICIENTS for k in order):
        raise fields.refuse("order", order, f"a list of keys of this card, of {', '.join(_COEFFICIENTS)}")
    if len(set(order)) != len(order):
        raise fields.refuse("order", order, "each key once")
    rows = fields.raw("covariance")
    matrix: Array = np.empty(0)
    if isinstance(rows, list) and all(isinstance(row, list) and all(map(_is_number, row)) for row in rows):
        with suppress(ValueError, OverflowError):  # rows of different lengths, a number too large
            matrix = np.array(rows, float)
    if matrix.shape != (len(order), len(order)) or not np.all(np.isfinite(matrix)):
        raise fields.refuse("covariance", rows, f"{len(order)} rows of {len(order)} numbers")
    scale = np.sqrt(np.abs(np.diag(matrix)))
    if (
        not np.allclose(matrix, matrix.T)
        or np.any(np.diag(matrix) < 0)
        or np.min(np.linalg.eigvalsh(matrix / np.outer(np.where(scale > 0, scale, 1), np.where(scale > 0, scale, 1))))
        < -1e-9
    ):
        raise fields.refuse("covariance", rows, "a symmetric matrix without negative variances")
    fields.close()
    return Uncertainty(tuple(order), tuple(tuple(float(x) for x in row) for row in matrix))


def _span(fields: Fields, name: str, allowed: Range) -> tuple[float, float] | None:
    if not fields.has(name):
        return None
    low, high = fields.numbers(name, allowed, 2)
    if low >= high:
        raise fields.refuse(name, [low, high], "the lower value first")
    return low, high


def _valid(fields: Fields) -> Valid:
    until = fields.raw("until")
    if until is not None and (not isinstance(until, datetime.date) or isinstance(until, datetime.datetime)):
        raise fields.refuse("until", until, "a date such as 2027-03-31, without quotes")
    valid = Valid(
        _span(fields, "set_c", _SET_C), _span(fields, "gauge_mm", Range("mm", above=0.0, at_most=50.0)), until
    )
    fields.close()
    return valid


def oven_card_from_mapping(table: Mapping[str, Any], where: str) -> OvenCard:
    """The card in a mapping as a TOML reader gives it.

    Args:
        where: file name for messages.

    Raises:
        InputError: a key is missing, unknown, mistyped or out of range.
    """
    top = Fields(table, where)
    kind = top.text("kind", KINDS)
    air, wall = top.table("air"), top.table("wall")
    tray, uncertainty, valid, dial = (top.maybe_table(n) for n in ("tray", "uncertainty", "valid", "dial"))
    evidence = top.raw("evidence")
    if evidence is not None and not isinstance(evidence, Mapping):
        raise top.refuse("evidence", evidence, "a table; write it as [evidence]")
    card = OvenCard(
        id=top.text("id"),
        kind=kind,
        set_c=top.number("set_c", _SET_C),
        air_offset_k=air.number("offset_k", _OFFSET_K),
        door_drop_k=air.number("door_drop_k", Range("K", at_least=0.0, at_most=300.0)),
        recovery_s=air.number("recovery_s", _SECONDS),
        wall_offset_k=wall.number("offset_k", _OFFSET_K),
        wall_lag_s=wall.number("lag_s", _SECONDS),
        upper=_face(top.table("upper"), kind),
        lower=_face(top.table("lower"), kind),
        tray=None if tray is None else _tray(tray),
        dial_offset_k=dial.number("offset_k", _OFFSET_K) if dial else 0.0,
        uncertainty=None if uncertainty is None else _uncertainty(uncertainty),
        valid=_valid(valid) if valid else Valid(),
        evidence=evidence,
    )
    for part in (air, wall, dial, top):
        if part:
            part.close()
    for key in card.uncertainty.order if card.uncertainty else ():
        if card.coefficient(key) is None:
            raise top.refuse("uncertainty.order", key, "a key that this card has; remove it and its row and column")
    if kind == "infrared" and card.upper.emitter is None and card.lower.emitter is None:
        raise InputError(
            f"{where}: kind = 'infrared' without [upper.emitter] or [lower.emitter]: add one, or use 'convection'"
        )
    if card.upper.h_w_m2k + card.lower.h_w_m2k + card.upper.emissivity_eff + card.lower.emissivity_eff <= 0:
        raise InputError(f"{where}: upper and lower exchange no heat at all: give h_w_m2k or emissivity_eff above 0")
    return card
