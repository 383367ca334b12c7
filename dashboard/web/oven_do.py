"""What is done at the oven by a click: marks, taking back, the form, the outcome; each with who does it."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING, Any

from dashboard.handing import form_note
from dashboard.heat_followed import wanted_note
from dashboard.heat_form import NO_NAMES, note
from dashboard.live_outcome import enter_outcome
from dashboard.live_service import Live
from dashboard.practice_start import make_ready
from dashboard.recording import of_oven, polymer_version
from dashboard.units import Units
from dashboard.web.oven_form import as_it_stands, form_and_wishes
from dashboard.web.oven_words import last_of
from dashboard.web.services import Services
from dashboard.web.who import who
from logger.heat_export import event_name
from logger.marks import AGO_S, NAMES, START
from logger.records import UNDO, HeatForm
from thermal.fields import InputError, shown

if TYPE_CHECKING:
    from dashboard.live_bench import LiveBench

Said = Mapping[str, Any]


def do(services: Services, live: Live, asked: Any) -> str:
    """Do what a page asks; what is then said to the person.

    Args:
        asked: {'bench', 'what', 'initials', 'units'} and what that needs.

    Raises:
        InputError: it cannot be done; the sentence says why.
    """
    if not isinstance(asked, dict):
        raise InputError("the page's request is none: reload the page")
    bench = live.bench(_text(asked, "bench"))
    what = _text(asked, "what")
    if what not in _DEEDS:
        raise InputError(f"{shown(what)}: expected one of {', '.join(_DEEDS)}")
    units = Units("us" if asked.get("units") == "us" else "metric")
    by = who(_text(asked, "initials")[:40]).words
    return _DEEDS[what](services, live, bench, asked, by, units)


def _mark(services: Services, live: Live, bench: LiveBench, asked: Said, by: str, units: Units) -> str:
    name = _text(asked, "name")
    if name not in NAMES:
        raise InputError(f"mark {shown(name)}: expected one of {', '.join(NAMES)}")
    ago_s = _ago(asked)
    words = _note(asked)
    if bench.practice is not None and name in (START, "pulled", "door_open", "door_closed"):
        ago_s = 0.0  # the practice oven does it at this moment
    made = bench.mark(name, by, ago_s, words)
    when = f", {ago_s:.0f} s ago" if ago_s else ""
    return f"Marked: {event_name(made.name).replace('_', ' ')}{when}."


def _undo(services: Services, live: Live, bench: LiveBench, asked: Said, by: str, units: Units) -> str:
    id = _text(asked, "mark")
    last = last_of(live.look(bench.bench.id).look.marks)
    if last is None or last.id != id:
        raise InputError("another mark is the last one by now: look at the list, and press once more")
    bench.undo(by, id)
    out = bench.practice is not None and last.name == "pulled"
    stays = " The practice oven puts no sheet back: it stays out." if out else ""
    return f"Taken back: {event_name(last.name).replace('_', ' ')}.{stays}"


def _start(services: Services, live: Live, bench: LiveBench, asked: Said, by: str, units: Units) -> str:
    form, drop_mm, clearance_mm = _form(services, bench, asked, units)
    if live.look(bench.bench.id).look.open:
        raise InputError("a heat is open already: mark its end first, or fill in its form")
    wishes = wanted_note(drop_mm, clearance_mm)
    make_ready(bench, form, wishes, services.shop, services.today())
    ago_s = 0.0 if bench.practice is not None else _ago(asked)
    bench.begin(by, ago_s, wishes, as_it_stands(form))
    return "The heat has begun."


def _go_on(services: Services, live: Live, bench: LiveBench, asked: Said, by: str, units: Units) -> str:
    bench.go_on(by)
    return "The heat goes on from when its sheet went in."


def _forget(services: Services, live: Live, bench: LiveBench, asked: Said, by: str, units: Units) -> str:
    bench.forget()
    return "No sheet is in."


def _fill(services: Services, live: Live, bench: LiveBench, asked: Said, by: str, units: Units) -> str:
    form, drop_mm, clearance_mm = _form(services, bench, asked, units)
    words = "; ".join(one for one in (wanted_note(drop_mm, clearance_mm), form_note(form.as_table())) if one)
    bench.say(as_it_stands(form), by, words[:400])
    return f"The form is filled in. {NO_NAMES}"


def _outcome(services: Services, live: Live, bench: LiveBench, asked: Said, by: str, units: Units) -> str:
    word = _text(asked, "outcome")
    kind = _text(asked, "kind").strip() or None
    enter_outcome(live, bench, word, kind, by, services.clock)
    return f"Kept: {word}{f', {kind}' if kind else ''}."


_DEEDS: Mapping[str, Callable[[Services, Live, Any, Said, str, Units], str]] = {
    "mark": _mark, UNDO: _undo, "start": _start, "go-on": _go_on, "forget": _forget, "form": _fill,
    "outcome": _outcome,
}  # fmt: skip
#: What only those may do who work at the oven; the rest may be done by everybody who is let in.
AT_THE_OVEN = tuple(name for name in _DEEDS if name != "outcome")


def _form(
    services: Services, bench: LiveBench, asked: Said, units: Units
) -> tuple[HeatForm, float | None, float | None]:
    """The form that was filled in, with what the shop knows of its polymer and oven."""
    form, drop_mm, clearance_mm = form_and_wishes(asked.get("form"), bench.bench.oven, units)
    table = form.as_table()
    if form.polymer is not None:
        services.shop.polymer(form.polymer)  # refuses one that is not known, with near matches
        table["polymer_version"] = polymer_version(services.shop, form.polymer)
    return of_oven(services.shop, HeatForm.from_table(table)), drop_mm, clearance_mm


def _ago(asked: Said) -> float:
    value = asked.get("ago_s", 0)
    if isinstance(value, bool) or not isinstance(value, int | float) or not AGO_S.holds(value):
        raise InputError(f"{shown(value)} ago: expected {AGO_S}")
    return float(value)


def _note(asked: Said) -> str:
    text = _text(asked, "note").strip()
    return note("note", text)[:400] if text else ""


def _text(asked: Said, name: str) -> str:
    value = asked.get(name, "")
    if not isinstance(value, str):
        raise InputError(f"{name} = {shown(value)}: expected text")
    return value
