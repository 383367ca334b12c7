"""What an address of the records' page asks for, and back: search, sorting, page, heats."""

from __future__ import annotations

import datetime
import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import cast
from urllib.parse import urlencode

from dashboard.heat_view import MOST_COMPARED
from dashboard.units import Units
from dashboard.web.shown_values import length_mm
from logger.records import HEAT_ORDERS, HEAT_STATES, HeatFilter, HeatOrder, HeatState
from thermal.fields import InputError, shown

PATH = "/records"
#: Heats on one page of the table.
ROWS = 50
#: Fields of the search, in the order of the form.
FIELDS = ("text", "oven", "polymer", "gauge", "outcome", "kind", "state", "initials", "from", "to")
_LONGEST = 120


@dataclass(frozen=True)
class Asked:
    """A search.

    Attributes:
        fields: what was filled in, by its name of `FIELDS`. order, backwards: of the table. page: from 1.
    """

    fields: Mapping[str, str] = field(default_factory=dict)
    order: HeatOrder = "newest"
    backwards: bool = False
    page: int = 1

    def filter(self, units: Units) -> HeatFilter:
        """As the store takes it; without a page.

        Raises:
            InputError: a date, gauge or state that is none.
        """
        told = self.fields
        state = told.get("state")
        if state is not None and state not in HEAT_STATES:
            raise InputError(f"state {shown(state)}: expected one of {', '.join(HEAT_STATES)}")
        return HeatFilter(
            oven=told.get("oven"),
            polymer=told.get("polymer"),
            outcome=told.get("outcome"),
            outcome_kind=told.get("kind"),
            state=cast(HeatState, state),
            initials=told.get("initials"),
            text=told.get("text", ""),
            gauge_mm=_gauge_mm(told.get("gauge"), units),
            from_utc_ms=_day_ms(told.get("from"), 0),
            to_utc_ms=_day_ms(told.get("to"), 1),
            limit=None,
            order=self.order,
            backwards=self.backwards,
        )

    def query(self, **more: str) -> str:
        """What stands behind the '?' of an address; a name of `more` with '' is left out."""
        told = {name: self.fields[name] for name in FIELDS if name in self.fields}
        if self.order != "newest":
            told["sort"] = ("-" if self.backwards else "") + self.order
        if self.page > 1:
            told["page"] = str(self.page)
        return urlencode({name: value for name, value in {**told, **more}.items() if value != ""})

    def address(self, **more: str) -> str:
        """The page's address."""
        query = self.query(**more)
        return f"{PATH}?{query}" if query else PATH

    def sorted_by(self, order: HeatOrder) -> Asked:
        """The same search, sorted; the other way round where it is sorted so already."""
        if order == "newest":
            turned: HeatOrder = "oldest" if self.order == "newest" else "newest"
            return replace(self, order=turned, backwards=False, page=1)
        return replace(self, order=order, backwards=self.order == order and not self.backwards, page=1)


def asked(query: Mapping[str, str]) -> Asked:
    """The search of an address.

    Raises:
        InputError: an order or a page that is none, or a text that is too long.
    """
    fields = {name: query[name].strip() for name in FIELDS if query.get(name, "").strip()}
    for name, value in fields.items():
        if len(value) > _LONGEST:
            raise InputError(f"{name}: {len(value)} characters: expected at most {_LONGEST}")
    sort = query.get("sort", "newest")
    order = sort.removeprefix("-")
    if order not in HEAT_ORDERS:
        raise InputError(f"sort {shown(sort)}: expected one of {', '.join(HEAT_ORDERS)}")
    return Asked(fields, order, sort.startswith("-"), whole(query.get("page", "1"), "page"))


def whole(text: str, name: str) -> int:
    """A number from 1 on.

    Raises:
        InputError: it is none.
    """
    if not (text.isascii() and text.isdecimal() and len(text) < 10 and int(text) >= 1):
        raise InputError(f"{name} {shown(text)}: expected a number from 1 on")
    return int(text)


def heats_of(text: str) -> list[int]:
    """Numbers of heats to compare: '3,5,8'.

    Raises:
        InputError: they are none, or too many.
    """
    parts = [one for one in text.split(",") if one]
    if not 1 <= len(parts) <= MOST_COMPARED:
        raise InputError(f"{len(parts)} heats to compare: expected 1 to {MOST_COMPARED}; choose fewer")
    return [whole(one.strip(), "heat") for one in parts]


def _gauge_mm(text: str | None, units: Units) -> float | None:
    if text is None:
        return None
    try:
        value = length_mm(float(text), units) if text.isascii() and "_" not in text else None
    except ValueError:
        value = None
    if value is None or not math.isfinite(value) or not 0.0 < value < 100.0:
        raise InputError(f"gauge {shown(text)}: expected a number, as 6 mm or 0.25 in")
    return value


def _day_ms(text: str | None, days: int) -> int | None:
    if text is None:
        return None
    try:
        day = datetime.date.fromisoformat(text)
        begin = datetime.datetime(day.year, day.month, day.day, tzinfo=datetime.UTC) + datetime.timedelta(days=days)
    except (ValueError, OverflowError):
        raise InputError(f"day {shown(text)}: expected one as 2026-03-04") from None
    return int(begin.timestamp() * 1000)
