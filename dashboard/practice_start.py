"""The practice oven made ready for the sheet that a form states: what is practised on is what is recorded."""

from __future__ import annotations

import datetime
from typing import TYPE_CHECKING

from dashboard.heat_followed import followed
from dashboard.shop import Shop
from logger.records import HeatForm, Mark, new_id
from thermal.fields import InputError

if TYPE_CHECKING:
    from dashboard.live_bench import LiveBench


def make_ready(bench: LiveBench, form: HeatForm, wishes: str, shop: Shop, today: datetime.date) -> None:
    """Refuse a sheet that cannot be followed; into a practice oven it is laid.

    Args:
        wishes: what is wanted of the bubble, as the note of the mark that is to begin the heat.

    Raises:
        InputError: the form is no sheet that can be followed, or a practice oven is used up.
    """
    mark = Mark(new_id(), bench.bench.id, "", 0.0, 0, "start", note=wishes)
    if bench.practice is None:
        if form.polymer is None or form.gauge_mm is None:
            return  # recorded all the same, without a cue: the page says what is missing
        followed(form, [mark], bench.bench.lines_mm or {}, shop, today)
        return
    if not bench.practice.waits:
        raise InputError("the practice oven takes one sheet: start it again for another")
    bench.practice.take(followed(form, [mark], bench.bench.lines_mm or {}, shop, today).case)
