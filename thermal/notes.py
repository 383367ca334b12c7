"""Remarks that a result carries: words with their quantities left open, so that whoever shows them picks the units."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal


@dataclass(frozen=True)
class Quantity:
    """A number and what it is; the kind names the unit it is kept in: °C, K or m."""

    kind: Literal["temperature_c", "difference_k", "length_m"]
    value: float


@dataclass(frozen=True)
class Note:
    """One remark, without its full stop. `text` has {0}, {1}, ... where the quantities stand."""

    text: str
    quantities: tuple[Quantity, ...] = ()


def temperature(value_c: float) -> Quantity:
    """A temperature, °C."""
    return Quantity("temperature_c", float(value_c))


def difference(value_k: float) -> Quantity:
    """A difference of temperatures, K."""
    return Quantity("difference_k", float(value_k))


def length(value_m: float) -> Quantity:
    """A length, m."""
    return Quantity("length_m", float(value_m))
