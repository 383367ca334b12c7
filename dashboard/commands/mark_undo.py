"""Which mark `pullcue mark --undo` takes back, and what became of that: of the run that goes on, or of an earlier one.

The recorder that runs knows the order in which things were said. Where it has nothing, or none runs, the store tells:
what it was handed some moments ago may not stand there yet, so a recorder is asked first.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from dashboard.commands.records_options import opened
from dashboard.handing import LOOK_S, WAIT_S, handed_over
from dashboard.store_place import StorePlace
from logger.marks import FORM, Request, undo
from logger.records import HeatFilter, Mark, in_force
from thermal.fields import InputError

if TYPE_CHECKING:
    from logger.clock import Clock
    from logger.store import Store

_EVER = float("inf")
_DAY_MS = 86_400_000


def take_back(place: StorePlace, bench: str, name: str, by: str, clock: Clock) -> tuple[Request, bool, str | None]:
    """Take back the last mark.

    Args:
        name: the last of this name, in one spelling; '' for any.

    Returns:
        The request, whether a recorder took it, and what was taken back, in words; None while it waits.

    Raises:
        InputError: there is none of that name, or none at all.
    """
    from logger.heat_export import ms_of

    if name == FORM:
        raise InputError("form: what was said of a sheet is not taken back: say it otherwise, with 'pullcue mark form'")

    def asked(id: str | None) -> tuple[Request, bool, str | None]:
        wanted = undo(ms_of(clock.utc()), by, id)
        taken = handed_over(place, bench, wanted, clock)
        return wanted, taken, _words(place, bench, wanted, clock) if taken else None

    if not name and _recorded(place, bench, clock):
        request, taken, words = asked(None)
        if words != _NOTHING or (id := _last(place, bench, "", None)) is None:
            return request, taken, words
        return asked(id)
    id = _last(place, bench, name, clock if name and _recorded(place, bench, clock) else None)
    if id is None:
        called = f"nothing called {name!r} is marked that could be taken back" if name else _NOTHING
        raise InputError(f"bench {bench}: {called}; see 'pullcue heats'")
    return asked(id)


_NOTHING = "there was nothing to take back"


def _recorded(place: StorePlace, bench: str, clock: Clock) -> bool:
    """Whether a recorder of the bench runs; so it is taken where the store cannot be asked."""
    from logger.heat_export import ms_of

    try:
        with opened(place) as kept:
            return bench in [one.bench for one in kept.recorders(ms_of(clock.utc()))]
    except InputError:
        return True


def _last(place: StorePlace, bench: str, name: str, wait: Clock | None) -> str | None:
    """Id of the last mark in force, of a name, in the newest run that has one.

    Args:
        wait: where a recorder runs: how long the newest run alone is looked at, as its marks may be on their way.
    """
    with opened(place) as kept:
        end_s = -_EVER if wait is None else wait.monotonic_s() + WAIT_S
        while True:
            runs = kept.runs(bench)[::-1]
            early = wait is not None and wait.monotonic_s() < end_s
            for run in runs[:1] if early else runs:
                found = [one for one in _standing(kept, bench, run.id) if not name or one.name == name]
                if found:
                    return found[-1].id
            if wait is None or not early:
                return None
            wait.sleep(LOOK_S)


def _standing(kept: Store, bench: str, run: str) -> list[Mark]:
    """What people, buttons and the door marked, in order of time, without what was taken back."""
    marks = kept.marks(bench, run)
    return [one for one in in_force(marks) if not one.of_machine and one.name != FORM and one.run == run]


def _words(place: StorePlace, bench: str, wanted: Request, clock: Clock) -> str:
    """What a request that the recorder took has taken back."""
    from logger.heat_export import utc_of

    end_s = clock.monotonic_s() + WAIT_S
    while True:
        try:
            with opened(place) as kept:
                mine = _mark_of(kept, bench, wanted.id)
                gone = None if mine is None or mine.undoes is None else _mark_of(kept, bench, mine.undoes)
                ended = "" if gone is None else _ended_words(kept, gone)
        except InputError:
            mine = gone = None
        if mine is not None or clock.monotonic_s() >= end_s:
            break
        clock.sleep(LOOK_S)
    if mine is None:
        return "the recorder has taken it, and stores it later; what it took back cannot be said now"
    if mine.undoes is None:
        return _NOTHING
    return f"{gone.name} of {utc_of(gone.utc_ms):%Y-%m-%d %H:%M:%S} UTC is taken back{ended}" if gone else mine.note


def _mark_of(kept: Store, bench: str, id: str) -> Mark | None:
    """A mark by its id, looked for in the newest run first."""
    marks = (one for run in kept.runs(bench)[::-1] for one in kept.marks(bench, run.id))
    return next((one for one in marks if one.id == id), None)


def _ended_words(kept: Store, gone: Mark) -> str:
    """What became of the heat of a mark that was taken back; '' where it goes on."""
    near = HeatFilter(gone.bench, from_utc_ms=gone.utc_ms - _DAY_MS, to_utc_ms=gone.utc_ms + _DAY_MS, limit=None)
    for heat in kept.heats(near, as_recorded=True):
        if heat.run == gone.run and heat.end_s is not None and heat.start_s <= gone.at_s <= heat.end_s:
            if heat.id == gone.id and heat.state == "aborted":
                return f"; heat {heat.number} is aborted"
            return f"; heat {heat.number} had ended by then and stays {heat.state}"
    return ""
